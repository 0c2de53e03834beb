"""Logs of MIDI messages: one JSON line each, written as they arrive, read back and replayed.

A line is `{"t_s": 12.0208, "bytes": "f8"}`: arrival time in seconds from any fixed origin, and
one MIDI message in hex.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

import msgspec

from tempotape.faults import InputFault
from tempotape.tempo.clock import ClockFollower, ClockReading
from tempotape.text import printable, quoted

_LONGEST_LINE = 1 << 16
# Seconds since 1970 are 1.8e9; ten times that still leaves microseconds in a float.
_LARGEST_T_S = 2e10
_EXAMPLE = '{"t_s": 12.0208, "bytes": "f8"}'
_SYSTEM_EXCLUSIVE = 0xF0


class LoggedMessage(msgspec.Struct, frozen=True):
    """One MIDI message and when it arrived, in seconds."""

    t_s: float
    message: bytes


class _Line(msgspec.Struct, frozen=True):
    t_s: float
    hexed: str = msgspec.field(name="bytes")


class ClockLog:
    """A new log file that messages are added to; each batch is in the file at once.

    Raises InputFault where the file exists already or cannot be made. `write` may be called from
    any thread and raises nothing: what went wrong is then in `problem`, one sentence, and nothing
    more is written.
    """

    def __init__(self, path: Path) -> None:
        self.problem = ""
        self._path = path
        self._lock = threading.Lock()
        try:
            self._file: BinaryIO | None = path.open("xb")
        except FileExistsError:
            raise InputFault(
                "is there already", expected="a name for a new log", source=str(path)
            ) from None
        except (OSError, ValueError) as fault:
            raise _not_usable(path, fault, "written", "a log that can be written") from None

    def write(self, messages: Sequence[tuple[float, bytes]]) -> None:
        """Add messages with their arrival times in seconds."""
        lines = b"".join(
            msgspec.json.encode(_Line(t_s, message.hex())) + b"\n" for t_s, message in messages
        )
        with self._lock:
            if self._file is None:
                return
            try:
                self._file.write(lines)
                self._file.flush()
            except OSError as fault:
                self._fail(fault)

    def close(self) -> None:
        """Close the file; what is written afterwards is dropped."""
        with self._lock:
            if self._file is None:
                return
            try:
                self._file.close()
            except OSError as fault:
                self._fail(fault)
            self._file = None

    def _fail(self, fault: OSError) -> None:
        self.problem = _not_usable(self._path, fault, "written").sentence
        self._file = None


def read_log(path: Path) -> Iterator[LoggedMessage]:
    """The messages of a log, read as they are asked for.

    A last line that breaks off, as a crash leaves it, is left out. Raises InputFault naming the
    line for any other that is no message.
    """
    try:
        if path.is_dir():
            raise InputFault("is a folder", expected="a clock log", source=str(path))
        with path.open("rb") as file:
            yield from _messages(file, str(path))
    except FileNotFoundError:
        raise InputFault("no such file", expected="a clock log", source=str(path)) from None
    except (OSError, ValueError) as fault:
        raise _not_usable(path, fault, "read", "a clock log") from None


def _messages(file: BinaryIO, source: str) -> Iterator[LoggedMessage]:
    number = 0
    while line := file.readline(_LONGEST_LINE + 1):
        number += 1
        if len(line) > _LONGEST_LINE:
            raise InputFault(
                f"is longer than {_LONGEST_LINE} characters",
                expected=_EXAMPLE,
                source=source,
                entry=f"line {number}",
            )
        text = line.strip().removeprefix(b"\xef\xbb\xbf")
        broken_off = number > 1 and not line.endswith(b"\n") and not text.endswith(b"}")
        if broken_off and text.startswith(b"{"):
            return
        if text:
            yield _message(text, source, f"line {number}")


def _message(text: bytes, source: str, entry: str) -> LoggedMessage:
    def fault(problem: str, expected: str) -> InputFault:
        return InputFault(problem, expected=expected, source=source, entry=entry)

    try:
        line = _decoder.decode(text)
    except msgspec.ValidationError as wrong:
        raise fault(_what_is_wrong(str(wrong)), _EXAMPLE) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise fault(f"is {quoted(text.decode(errors='replace'))}", _EXAMPLE) from None
    if not abs(line.t_s) <= _LARGEST_T_S:
        raise fault(f"t_s is {quoted(line.t_s)}", f"seconds, at most {_LARGEST_T_S:.0e}")
    try:
        message = bytes.fromhex(line.hexed)
    except ValueError:
        message = b""
    if not _is_one_message(message):
        raise fault(f"bytes is {quoted(line.hexed)}", 'one MIDI message in hex, as "f8"')
    return LoggedMessage(line.t_s, message)


def _what_is_wrong(told: str) -> str:
    """The decoder's complaint as a player reads it."""
    if "t_s" in told:
        return "t_s is missing or not a number of seconds"
    if "bytes" in told:
        return "bytes is missing or not text"
    return "is not one message"


def _is_one_message(message: bytes) -> bool:
    """Whether it is a status byte and data bytes; system exclusive data may hold anything."""
    if not message or message[0] < 0x80:
        return False
    return message[0] == _SYSTEM_EXCLUSIVE or all(byte < 0x80 for byte in message[1:])


def replay(messages: Iterable[LoggedMessage]) -> Iterator[ClockReading]:
    """What the clock follower says, whenever that changes.

    Also told is the moment at which the clock counts as lost, where the messages go on after it.
    """
    follower = ClockFollower()
    told: ClockReading | None = None
    for logged in messages:
        lost_at_s = follower.lost_at_s
        if lost_at_s is not None and logged.t_s > lost_at_s:
            silent = follower.at(math.nextafter(lost_at_s, math.inf))
            if not same_told(silent, told):
                told = silent
                yield silent
        follower.feed(logged.t_s, logged.message)
        reading = follower.at(logged.t_s)
        if not same_told(reading, told):
            told = reading
            yield reading


def same_told(one: ClockReading, other: ClockReading | None) -> bool:
    """Whether two readings say the same, whatever their times."""
    return other is not None and msgspec.structs.replace(one, t_s=other.t_s) == other


def _not_usable(path: Path, fault: Exception, done: str, expected: str = "") -> InputFault:
    reason = printable(getattr(fault, "strerror", None) or str(fault))
    return InputFault(f"cannot be {done}: {reason}", expected=expected, source=str(path))


_decoder = msgspec.json.Decoder(_Line)
