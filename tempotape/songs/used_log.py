"""What was really used on the stage, one line a song or section played, to plan from next time."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, TypeAlias

import msgspec
from msgspec import Meta

from tempotape.faults import InputFault
from tempotape.songs.setlist import Tempo, Title
from tempotape.text import printable
from tempotape.userfiles import write_whole

# Some ten thousand songs. Past that, the older half is dropped.
MOST_BYTES = 2_000_000
# A file far larger than we ever write is read from so near its end.
_MOST_READ = 2 * MOST_BYTES

PartKey: TypeAlias = tuple[str, str | None]


def used_file(folder: Path) -> Path:
    """Where the log lies in the state folder."""
    return folder / "used.jsonl"


class Used(msgspec.Struct, frozen=True, omit_defaults=True):
    """One song, or one `section` of it, as it was played; None is not known.

    `at_unix_s` is wall-clock time in seconds. `tempo_bpm` counts the song's beat. `trim_log_scale`
    is the drift the stage reckoned with (see `unit.trim.Trim`). `gap_used_s` is the time from the
    end of the song before to the beginning of this one, `length_s` how long the part was played.
    """

    at_unix_s: Annotated[float, Meta(ge=0, le=1e11)]
    set_name: Title
    title: Title
    section: Title | None = None
    tempo_bpm: Tempo | None = None
    note: Annotated[str, Meta(max_length=100)] | None = None
    head: Title | None = None
    knob: Annotated[float, Meta(ge=-1000, le=1000)] | None = None
    trim_log_scale: Annotated[float, Meta(ge=-1, le=1)] | None = None
    gap_used_s: Annotated[float, Meta(ge=0, le=86_400)] | None = None
    length_s: Annotated[float, Meta(ge=0, le=86_400)] | None = None

    @property
    def key(self) -> PartKey:
        return self.title, self.section


def log_used(path: Path, used: Used) -> bool:
    """Add a line to the log at `path` and have it on the disk. Never raises.

    False where the folder cannot be written, or the line would not be read back. A line that a
    power cut left half written is closed first, so that it spoils no other.
    """
    line = _line(used)
    if line is None:
        return False
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        # Unbuffered, so that the line goes out whole also while another process adds its own.
        with path.open("a+b", buffering=0) as file:
            size = file.seek(0, os.SEEK_END)
            if size:
                file.seek(size - 1)
                line = line if file.read(1) == b"\n" else b"\n" + line
            else:
                path.chmod(0o600)
            file.write(line)
            os.fsync(file.fileno())
        if size + len(line) > MOST_BYTES:
            _drop_older_half(path)
    except (OSError, InputFault):
        return False
    return True


def read_used(path: Path) -> tuple[tuple[Used, ...], str]:
    """The lines of the log in the order written, and a sentence where some could not be read.

    No log is an empty one. Never raises.
    """
    try:
        content = _end_of(path, _MOST_READ)
    except FileNotFoundError:
        return (), ""
    except OSError as fault:
        return (), printable(f"{path} cannot be read ({fault.strerror})")
    lines = [line for line in content.split(b"\n") if line.strip()]
    used = tuple(one for line in lines if (one := _read_line(line)) is not None)
    damaged = len(lines) - len(used)
    if not damaged:
        return used, ""
    told = "1 damaged line" if damaged == 1 else f"{damaged} damaged lines"
    return used, printable(f"{path}: {told} passed over")


def last_used(lines: Iterable[Used], set_name: str) -> dict[PartKey, Used]:
    """What was used last for each (title, section) of the set of that name; the last line counts.

    The order of the lines counts, not their times: the clock of a stage may have been set back.
    """
    return {used.key: used for used in lines if used.set_name == set_name}


def _line(used: Used) -> bytes | None:
    """The line for `used`, or None where it would not be read back."""
    try:
        line = msgspec.json.encode(used)
    except (msgspec.MsgspecError, TypeError, ValueError):
        return None
    return None if _read_line(line) is None else line + b"\n"


def _read_line(line: bytes) -> Used | None:
    """A line with its texts made printable, or None where it is damaged."""
    try:
        used = msgspec.json.decode(line, type=Used)
        fields = msgspec.structs.asdict(used)
        clean = {key: printable(v) if isinstance(v, str) else v for key, v in fields.items()}
        return msgspec.convert(clean, Used)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None


def _drop_older_half(path: Path) -> None:
    """Keep the newest lines, half of `MOST_BYTES` at most. Raises OSError and InputFault."""
    newest = _end_of(path, MOST_BYTES // 2)
    write_whole(path, newest.decode("utf-8", errors="replace"))


def _end_of(path: Path, most_bytes: int) -> bytes:
    """The last whole lines of a file, `most_bytes` at most. Raises OSError."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        begin = max(0, size - most_bytes - 1)
        file.seek(begin)
        content = file.read(size - begin)
    return content.partition(b"\n")[2] if begin else content
