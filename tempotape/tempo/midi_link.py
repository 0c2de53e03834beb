"""The parent's side of MIDI in: starts, watches and ends the process that holds the driver."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import IO, cast

import msgspec

from tempotape.tempo.clock import ClockFollower, ClockReading
from tempotape.tempo.midi_process import (
    API_VARIABLE,
    HEARTBEAT_S,
    Choose,
    Driver,
    Heard,
    Ports,
    Report,
)
from tempotape.tempo.port_names import why_not
from tempotape.text import printable

# `-P`: a file that happens to lie in the player's folder is not taken for a library.
_COMMAND = (sys.executable, "-P", "-m", "tempotape.tempo.midi_process")

_LONGEST_LINE = 1 << 16
_SILENT_S = 3 * HEARTBEAT_S
_FIRST_WORD_S = 10.0
_WATCH_S = 0.25
_GOODBYE_S = 0.3
_CLOSE_S = 0.9
# A process that ends is started again after the shortest of these, one that keeps ending later.
_RESTART_S = 0.1
_LONGEST_RESTART_S = 5.0
_HEALTHY_S = 5.0


class LinkView(msgspec.Struct, frozen=True):
    """What the screen needs to know of MIDI in, at one moment.

    `problem` is one sentence when MIDI cannot be used or the port `chosen` is not there, else "".
    `listening` is the port open now, `reading` what its clock tells; `listed` says whether the
    ports have been looked for yet. All text is printable.
    """

    available: bool
    problem: str
    ports: tuple[str, ...]
    chosen: str | None
    listening: str | None
    reading: ClockReading
    listed: bool = False


class MidiLink:
    """MIDI in through a process of its own, which is started again when it hangs or ends.

    `command` starts the process and `api` names the driver's interface. No method waits
    for the process, except `close`, and that for about a second at most.
    """

    def __init__(
        self,
        *,
        command: Sequence[str] | None = None,
        api: str | None = None,
    ) -> None:
        self._command = tuple(command or _COMMAND)
        self._api = api
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name="midi link", daemon=True)
        self._child: subprocess.Popen[bytes] | None = None
        self._word_s = 0.0
        self._spoke = False
        self._driver = Driver(usable=True)
        self._trouble = ""
        self._ports = Ports((), None)
        self._listed = False
        self._chosen: str | None = None
        self._followed: str | None = None
        self._follower = ClockFollower()

    def start(self) -> None:
        """Start the process and keep it; returns at once."""
        self._keeper.start()

    def choose(self, name: str | None) -> None:
        """Listen to the port of this name from now on, or as soon as it appears; or to none."""
        with self._lock:
            self._chosen = name
        self._wake.set()

    def view(self) -> LinkView:
        """What is known now; cheap, and callable from any thread."""
        with self._lock:
            return LinkView(
                available=self._driver.usable and not self._trouble,
                problem=self._problem(),
                ports=self._ports.names,
                chosen=printable(self._chosen) if self._chosen is not None else None,
                listening=self._ports.listening,
                reading=self._follower.at(time.monotonic()),
                listed=self._listed,
            )

    def close(self) -> None:
        """End the process, by force if it does not end by itself."""
        self._stop.set()
        self._wake.set()
        if self._keeper.is_alive():
            self._keeper.join(_CLOSE_S)
        child = self._child
        if child is not None and child.poll() is None:
            child.kill()

    def _problem(self) -> str:
        if not self._driver.usable:
            return f"MIDI is not available here: {printable(self._driver.problem)}"
        if self._trouble:
            return self._trouble
        if self._chosen is None or self._ports.listening or not self._listed:
            return ""
        return why_not(self._chosen, self._ports.names)

    def _keep(self) -> None:
        """Keep a process running until told to stop or there is no driver to run."""
        wait_s = _RESTART_S
        while not self._stop.is_set():
            began_s = time.monotonic()
            try:
                child = subprocess.Popen(
                    self._command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    env={**os.environ, API_VARIABLE: self._api} if self._api else None,
                    creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
                )
            except OSError as fault:
                with self._lock:
                    self._trouble = f"MIDI could not be started: {printable(str(fault))}"
            else:
                self._watch(child)
                self._end(child)
            with self._lock:
                self._child = None
                self._ports = Ports((), None)
                self._listed = False
                if self._driver.final:
                    return
                if not self._trouble and not self._stop.is_set():
                    self._trouble = "MIDI ended unexpectedly and is being started again"
            lived_s = time.monotonic() - began_s
            wait_s = _RESTART_S if lived_s > _HEALTHY_S else min(2 * wait_s, _LONGEST_RESTART_S)
            self._stop.wait(wait_s)

    def _watch(self, child: subprocess.Popen[bytes]) -> None:
        """Pass on what is chosen until the process ends, hangs, or is to be ended."""
        commands, reports = cast("IO[bytes]", child.stdin), cast("IO[bytes]", child.stdout)
        with self._lock:
            self._child = child
            self._word_s = time.monotonic()
            self._spoke = False
        threading.Thread(
            target=self._read, args=(child, reports), name="midi reader", daemon=True
        ).start()
        sent: str | None = None
        silent = 0
        while not self._stop.is_set() and child.poll() is None and silent < 2:
            with self._lock:
                chosen, word_s = self._chosen, self._word_s
                patience_s = _SILENT_S if self._spoke else _FIRST_WORD_S
            if chosen != sent:
                sent = chosen
                with suppress(OSError):
                    commands.write(msgspec.json.encode(Choose(chosen)) + b"\n")
                    commands.flush()
            # Twice running, in case it was this process that had been held up.
            silent = silent + 1 if time.monotonic() - word_s > patience_s else 0
            self._wake.wait(_WATCH_S)
            self._wake.clear()
        if silent == 2:
            with self._lock:
                self._trouble = "MIDI stopped answering and is being started again"
                self._ports = Ports((), None)

    def _end(self, child: subprocess.Popen[bytes]) -> None:
        """End the process: its input ends, and if that is not enough, by force."""
        with suppress(OSError):
            cast("IO[bytes]", child.stdin).close()
        with suppress(subprocess.TimeoutExpired):
            child.wait(_GOODBYE_S)
            return
        child.kill()
        with suppress(subprocess.TimeoutExpired):
            child.wait(_GOODBYE_S)

    def _read(self, child: subprocess.Popen[bytes], lines: IO[bytes]) -> None:
        """Take in every line of one process until it ends; what makes no sense is dropped."""
        decoder = msgspec.json.Decoder(Report)
        whole = True
        with lines:
            while line := lines.readline(_LONGEST_LINE):
                began, whole = whole, line.endswith(b"\n")
                if not (began and whole):
                    continue
                try:
                    report = decoder.decode(line)
                except (msgspec.MsgspecError, RecursionError):
                    continue
                with self._lock:
                    if self._child is not child:
                        return
                    self._word_s = time.monotonic()
                    self._spoke = True
                    self._take(report)
        self._wake.set()

    def _take(self, report: Report) -> None:
        """Take in one report; the lock is held."""
        if isinstance(report, Heard):
            for t_s, message in report.messages:
                self._follower.feed(t_s, message)
        elif isinstance(report, Driver):
            self._driver = report
        elif isinstance(report, Ports):
            self._ports = Ports(
                tuple(map(printable, report.names)),
                printable(report.listening) if report.listening is not None else None,
            )
            self._listed = True
            self._trouble = ""
            anew = self._ports.listening not in (None, self._followed)
            if anew or self._chosen is None:
                # Another sender: nothing of the last one's tempo stays.
                self._followed = self._ports.listening
                self._follower = ClockFollower()
