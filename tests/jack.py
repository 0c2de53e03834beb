"""A JACK server of the tests' own, with a dummy sound card and real MIDI ports."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

import pytest

from tests.programs import require

SENDER = Path(__file__).with_name("send_clock.py")
RECEIVER = Path(__file__).with_name("receive_midi.py")
# JACK keeps a register of at most eight servers, and only a server that ends by itself, or a new
# one of the same name, takes an entry out. So names are few and used again.
_NAMES = 4


def _free_name() -> tuple[str, IO[str]]:
    """A server name that no running test holds, and the lock that holds it."""
    for number in range(_NAMES):
        name = f"tempotape-test-{number}"
        hold = (Path(tempfile.gettempdir()) / f"{name}.lock").open("w")
        try:
            fcntl.flock(hold, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            hold.close()
        else:
            return name, hold
    pytest.fail(f"{_NAMES} JACK servers are running already")


class JackServer:
    """A server under a name no other test uses; programs reach it through `environment`.

    64 frames at 48 kHz: arrival times under JACK are whole periods, here 1.33 ms. A patient server
    waits for its clients in every period (`-S`); others leave out what a late one had to say.
    """

    def __init__(self, *, patient: bool = False) -> None:
        self._patience = ["-S"] if patient else []
        self.name, self._hold = _free_name()
        self.environment = {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the server and wait until it answers."""
        self._end_left_over()
        self._process = subprocess.Popen(
            [
                *("jackd", "--no-realtime", *self._patience, "-n", self.name),
                *("-d", "dummy", "-r", "48000", "-p", "64"),
            ],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until_s = time.monotonic() + 10
        while self._process.poll() is None and time.monotonic() < until_s:
            if self.run("jack_lsp").returncode == 0:
                return
            time.sleep(0.05)
        pytest.fail("jackd did not come up")

    def _end_left_over(self) -> None:
        """End a server under our name that a test killed in mid-run left behind."""
        subprocess.run(["pkill", "-KILL", "-f", f"^jackd .*-n {self.name} "], check=False)

    def stop(self) -> None:
        """End the server in good order."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(2)
            except subprocess.TimeoutExpired:
                self.kill()
            self._process = None

    def kill(self) -> None:
        """End the server as a crash would; start it again before the test ends."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def close(self) -> None:
        """End the server and give its name back."""
        self.stop()
        self._hold.close()

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a program against this server to its end."""
        return subprocess.run(
            command, env=self.environment, capture_output=True, text=True, timeout=15, check=False
        )

    @contextmanager
    def program(self, *command: str) -> Iterator[subprocess.Popen[bytes]]:
        """A program running against this server, ended at the end."""
        process = subprocess.Popen(
            command,
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        try:
            yield process
        finally:
            # A client that ends without a word can leave JACK's graph standing still.
            process.terminate()
            try:
                process.wait(1)
            except subprocess.TimeoutExpired:
                process.kill()
            process.communicate()

    @contextmanager
    def sender(
        self, name: str, tempo_bpm: float, seconds: float = 60.0
    ) -> Iterator[subprocess.Popen[bytes]]:
        """A process sending clock from the port `NAME:clock`, there from the first line on."""
        command = [sys.executable, str(SENDER), name, str(tempo_bpm), str(seconds)]
        with self.program(*command) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            yield process

    @contextmanager
    def receiver(self, name: str) -> Iterator[Received]:
        """A process that tells what arrives at the port `NAME:in`, there from the first."""
        with self.program(sys.executable, str(RECEIVER), name) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            yield Received(process.stdout)


class Received:
    """What a receiver has told so far, as pairs of arrival time in seconds and message."""

    def __init__(self, lines: IO[bytes]) -> None:
        self._so_far: list[tuple[float, bytes]] = []
        threading.Thread(target=self._read, args=(lines,), daemon=True).start()

    def messages(self) -> list[tuple[float, bytes]]:
        """All messages so far."""
        return list(self._so_far)

    def bytes(self) -> list[bytes]:
        """All messages so far without their times."""
        return [message for _, message in self._so_far]

    def ticks_s(self) -> list[float]:
        """When timing clocks arrived."""
        return [time_s for time_s, message in self._so_far if message == b"\xf8"]

    def _read(self, lines: IO[bytes]) -> None:
        # The pipe is closed under this thread when the receiver is ended.
        with suppress(ValueError):
            for line in lines:
                time_s, message = line.split()
                self._so_far.append((float(time_s), bytes.fromhex(message.decode())))


@contextmanager
def jack_server(*, patient: bool = False) -> Iterator[JackServer]:
    """A running server; skips the test where there is none to run."""
    require("jackd", "jack_lsp")
    server = JackServer(patient=patient)
    try:
        server.start()
        yield server
    finally:
        server.close()


def wait_until(ask, holds, within_s: float):
    """Ask until the answer holds, and return it; the last answer is told when it never does."""
    until_s = time.monotonic() + within_s
    while not holds(answer := ask()):
        assert time.monotonic() < until_s, f"after {within_s} s still {answer}"
        time.sleep(0.05)
    return answer
