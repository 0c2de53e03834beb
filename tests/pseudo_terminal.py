"""A program behind a pseudo terminal, timed from outside by what it writes."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import termios
import time
from collections.abc import Sequence
from pathlib import Path


class PseudoTerminal:
    """Run `words` on a terminal of 24 rows and 80 columns, or more; a context manager."""

    def __init__(self, words: Sequence[str], *, home: Path, columns: int = 80) -> None:
        self._words, self._columns = words, columns
        self._environment = {
            **os.environ,
            "XDG_STATE_HOME": str(home / "state"),
            "XDG_CACHE_HOME": str(home / "cache"),
            "TERM": "xterm-256color",
            "TEXTUAL_ANIMATIONS": "none",
        }
        # As on a player's machine: what was loaded once is not compiled again.
        self._environment.pop("PYTHONDONTWRITEBYTECODE", None)
        self.written = b""

    def __enter__(self) -> PseudoTerminal:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, self._columns, 0, 0))
        self.begun_s = time.monotonic()
        self.process = subprocess.Popen(
            self._words, stdin=theirs, stdout=theirs, stderr=theirs, env=self._environment,
            start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.drain(0.2)
        self.process.kill()
        self.process.wait()
        os.close(self._ours)

    def hang_up(self) -> None:
        """Close the terminal: what is read from it fails, and its session is told."""
        os.close(self._ours)
        self._ours = os.open(os.devnull, os.O_RDWR)

    def press(self, keys: bytes) -> float:
        """Press keys; gives the moment."""
        at = time.monotonic()
        os.write(self._ours, keys)
        return at

    def drain(self, for_s: float) -> bytes:
        """Read what comes until nothing has come for `for_s`."""
        read = b""
        while select.select([self._ours], [], [], for_s)[0]:
            try:
                part = os.read(self._ours, 65536)
            except OSError:  # the program has ended
                break
            if not part:
                break
            read += part
        self.written += read
        return read

    def until(self, wanted: bytes, *, within_s: float = 20.0) -> float:
        """The moment at which `wanted` has been written, from now on."""
        read, end = b"", time.monotonic() + within_s
        while wanted not in read:
            left = end - time.monotonic()
            assert left > 0, f"never wrote {wanted!r}: {read[-500:]!r}"
            if select.select([self._ours], [], [], left)[0]:
                read += os.read(self._ours, 65536)
        self.written += read
        return time.monotonic()
