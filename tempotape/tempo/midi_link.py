"""The parent's side of MIDI: starts, watches and ends the process that holds the driver."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import IO, cast

import msgspec

from tempotape.faults import InputFault
from tempotape.tempo.clock import ClockReading
from tempotape.tempo.incoming import IncomingClock
from tempotape.tempo.link_protocol import (
    Choose,
    ChooseOutput,
    Command,
    Driver,
    GoOn,
    Halt,
    Heard,
    Lead,
    LeadCommand,
    Led,
    Locate,
    Outputs,
    Play,
    Ports,
    Report,
    Sent,
)
from tempotape.tempo.midi_process import API_VARIABLE, HEARTBEAT_S
from tempotape.tempo.port_names import why_not
from tempotape.tempo.song_place import SongPlace
from tempotape.text import printable

Hear = Callable[[Sequence[tuple[float, bytes]]], None]

SLOWEST_BPM, FASTEST_BPM = 15.0, 480.0

# `-P`: a file that happens to lie in the player's folder is not taken for a library.
_COMMAND = (sys.executable, "-P", "-m", "tempotape.tempo.midi_process")

_LONGEST_LINE = 1 << 16
_SILENT_S = 3.5 * HEARTBEAT_S
_FIRST_WORD_S = 10.0
_WATCH_S = 0.2
_SURE_S = 0.15
_GOODBYE_S = 0.3
_CLOSE_S = 0.9
# A process that ends is started again after the shortest of these, one that keeps ending later.
_RESTART_S = 0.1
_LONGEST_RESTART_S = 5.0
_HEALTHY_S = 5.0


class LinkView(msgspec.Struct, frozen=True):
    """What the screen needs to know of MIDI in and out, at one moment.

    `problem` is one sentence when MIDI cannot be used or the port `chosen` is not there, else "".
    `listening` is the port open now, `reading` what its clock tells; `listed` says whether the
    ports have been looked for yet. All text is printable.

    `out_problem` is one sentence when the output chosen is not there. `leading_bpm` is the tempo
    we send clock at, `position_beats` where the song we lead is in MIDI beats (sixteenth notes).
    `own_clock` says that the clock that comes in is our own, which is not followed.
    """

    available: bool
    problem: str
    ports: tuple[str, ...]
    chosen: str | None
    listening: str | None
    reading: ClockReading
    listed: bool = False
    outputs: tuple[str, ...] = ()
    output_chosen: str | None = None
    sending_to: str | None = None
    leading_bpm: float | None = None
    playing: bool = False
    position_beats: int = 0
    own_clock: bool = False
    out_problem: str = ""


class MidiLink:
    """MIDI through a process of its own, which is started again when it hangs or ends.

    `command` starts the process and `api` names the driver's interface. `hear` is given every
    batch of messages with their arrival times, in seconds of `time.monotonic`, on the thread that
    reads them; what it raises goes to `threading.excepthook`. No method waits for the process,
    except `close`, and that for about a second at most.
    """

    def __init__(
        self,
        *,
        command: Sequence[str] | None = None,
        api: str | None = None,
        hear: Hear | None = None,
    ) -> None:
        self._command = tuple(command or _COMMAND)
        self._api = api
        self._hear = hear
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
        self._incoming = IncomingClock()
        self._outputs = Outputs((), None)
        self._output_chosen: str | None = None
        self._place = SongPlace()
        self._waiting: deque[LeadCommand] = deque()
        self._told = 0
        self._begun = False

    def start(self) -> None:
        """Start the process and keep it; returns at once."""
        self._keeper.start()

    def choose(self, name: str | None) -> None:
        """Listen to the port of this name from now on, or as soon as it appears; or to none."""
        with self._lock:
            self._chosen = name
        self._wake.set()

    def choose_output(self, name: str | None) -> None:
        """Send to the port of this name from now on, or as soon as it appears; or to none."""
        with self._lock:
            self._output_chosen = name
        self._wake.set()

    def lead(self, tempo_bpm: float | None) -> None:
        """Send clock at this tempo in quarter notes a minute, from one to another in phase.

        None ends it, and the song with it. Raises InputFault for what is no tempo.
        """
        if tempo_bpm is not None and not SLOWEST_BPM <= tempo_bpm <= FASTEST_BPM:
            raise InputFault(
                f"cannot lead at {tempo_bpm:g}",
                expected=f"{SLOWEST_BPM:g} to {FASTEST_BPM:g} quarter notes a minute",
            )
        self._tell(Lead(tempo_bpm))

    def play(self) -> None:
        """Start the song from its beginning, if we lead."""
        self._tell(Play())

    def halt(self) -> None:
        """Stop the song where it is; the clock goes on."""
        self._tell(Halt())

    def go_on(self) -> None:
        """Continue the song from the next sixteenth note after where it stopped, if we lead."""
        self._tell(GoOn())

    def locate(self, midi_beat: int) -> None:
        """Continue from this sixteenth note, counted from 0, when told to go on."""
        self._tell(Locate(midi_beat))

    def view(self) -> LinkView:
        """What is known now; cheap, and callable from any thread."""
        now_s = time.monotonic()
        with self._lock:
            return LinkView(
                available=self._driver.usable and not self._trouble,
                problem=self._problem(),
                ports=self._ports.names,
                chosen=printable(self._chosen) if self._chosen is not None else None,
                listening=self._ports.listening,
                reading=self._incoming.at(now_s),
                listed=self._listed,
                outputs=self._outputs.names,
                output_chosen=(
                    printable(self._output_chosen) if self._output_chosen is not None else None
                ),
                sending_to=self._outputs.sending_to,
                leading_bpm=self._place.tempo_bpm,
                playing=self._place.playing,
                position_beats=self._place.midi_beat(now_s),
                own_clock=self._place.tempo_bpm is not None and self._incoming.own,
                out_problem=self._out_problem(),
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

    def _out_problem(self) -> str:
        if self._output_chosen is None or self._outputs.sending_to or not self._listed:
            return ""
        return why_not(self._output_chosen, self._outputs.names)

    def _tell(self, command: LeadCommand) -> None:
        now_s = time.monotonic()
        with self._lock:
            self._place.tell(command, now_s)
            if isinstance(command, Lead):
                self._incoming.retimed(now_s)
            self._waiting.append(command)
        self._wake.set()

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
                self._outputs = Outputs((), None)
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
            if self._begun:
                # What the process before was told, this one is told by where that led to.
                self._waiting = deque(self._place.resume(time.monotonic()))
            self._begun = True
            self._told = 0
            self._incoming.retimed(time.monotonic())
        threading.Thread(
            target=self._read, args=(child, reports), name="midi reader", daemon=True
        ).start()
        chosen: tuple[Command, ...] = (Choose(None), ChooseOutput(None))
        silent_s: float | None = None
        hangs = False
        while not self._stop.is_set() and child.poll() is None and not hangs:
            with self._lock:
                word_s = self._word_s
                patience_s = _SILENT_S if self._spoke else _FIRST_WORD_S
                wanted = (Choose(self._chosen), ChooseOutput(self._output_chosen))
                due = [new for new, old in zip(wanted, chosen, strict=True) if new != old]
                due += self._waiting
                self._waiting.clear()
                self._told += len(due)
            chosen = wanted
            if due:
                with suppress(OSError):
                    commands.write(b"".join(msgspec.json.encode(one) + b"\n" for one in due))
                    commands.flush()
            # Looked at twice, in case it was this process that had been held up.
            now_s = time.monotonic()
            if now_s - word_s <= patience_s:
                silent_s = None
            elif silent_s is None:
                silent_s = now_s
            else:
                hangs = now_s - silent_s > _SURE_S
            self._wake.wait(_WATCH_S if silent_s is None else _SURE_S)
            self._wake.clear()
        if hangs:
            child.kill()
            with self._lock:
                self._trouble = "MIDI stopped answering and is being started again"
                self._ports = Ports((), None)
                self._outputs = Outputs((), None)

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
                if isinstance(report, Heard) and self._hear is not None:
                    self._let_hear(self._hear, report.messages)
        self._wake.set()

    def _let_hear(self, hear: Hear, messages: Sequence[tuple[float, bytes]]) -> None:
        """Hand messages on; the link outlives whatever is raised there."""
        try:
            hear(messages)
        except Exception:
            # Told, not swallowed.
            threading.excepthook(
                threading.ExceptHookArgs((*sys.exc_info(), threading.current_thread()))
            )

    def _take(self, report: Report) -> None:
        """Take in one report; the lock is held."""
        if isinstance(report, Heard):
            self._incoming.heard(report.messages)
        elif isinstance(report, Sent):
            self._incoming.sent(report.times_s)
        elif isinstance(report, Led):
            # One that crossed with a command tells what was before it.
            if report.handled == self._told and not self._waiting:
                self._place.correct(report)
        elif isinstance(report, Driver):
            self._driver = report
        elif isinstance(report, Outputs):
            self._outputs = Outputs(_shown(report.names), _shown_or_none(report.sending_to))
        elif isinstance(report, Ports):
            self._take_ports(report)

    def _take_ports(self, report: Ports) -> None:
        self._ports = Ports(_shown(report.names), _shown_or_none(report.listening))
        self._listed = True
        self._trouble = ""
        anew = self._ports.listening not in (None, self._followed)
        if anew or self._chosen is None:
            self._followed = self._ports.listening
            self._incoming.begin_anew()


def _shown(names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(map(printable, names))


def _shown_or_none(name: str | None) -> str | None:
    return printable(name) if name is not None else None
