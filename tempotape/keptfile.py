"""State of ours that survives a power cut: a small JSON file, written whole, in two generations.

`NAME.json` is the newest, `NAME.before.json` the one before it. Each carries a checksum, so that
damage is noticed; a damaged one is set aside as `NAME.damaged-1.json` and the other one is used.
Unlike the files a person edits, these are for this user's eyes alone and need no layout.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from pathlib import Path
from typing import Generic, TypeVar

import msgspec

from tempotape.text import printable

# Far more than any state of ours; a larger file is not ours.
LARGEST_BYTES = 4_000_000
MOST_SET_ASIDE = 3
# A file half written is left over by a power cut; one this old belongs to no save still running.
_LEFT_OVER_S = 60.0

T = TypeVar("T", bound=msgspec.Struct)


class _Sheet(msgspec.Struct, frozen=True):
    """What stands in a file: the value as JSON, and the SHA-256 of those bytes in hex."""

    check: str
    kept: msgspec.Raw


class KeptFile(Generic[T]):
    """A value of the struct `kind` kept as `NAME.json` in `folder`, which is made when needed.

    A field that `kind` does not know is ignored and one that is missing takes its default, so that
    older and newer versions read each other's files; a value of a wrong type counts as damage.
    """

    def __init__(self, folder: Path, name: str, kind: type[T]) -> None:
        self.folder = folder
        self.name = name
        self.newest = folder / f"{name}.json"
        self.before = folder / f"{name}.before.json"
        self._decoder = msgspec.json.Decoder(kind)

    def load(self) -> tuple[T | None, str]:
        """The newest sound value or None, and a sentence where a file was damaged, else empty.

        Never raises: a file that cannot be read counts as none, with a sentence.
        """
        self._sweep()
        value, told, damaged = None, [], []
        for path in (self.newest, self.before):
            try:
                value = self._value(_content(path))
            except FileNotFoundError:
                continue
            except OSError as fault:
                told.append(f"{path} cannot be read ({fault.strerror})")
                continue
            if value is not None:
                break
            damaged.append(path)
        # The last one moved becomes number 1, so the newer file goes last.
        moved = {path: self._set_aside(path) for path in reversed(damaged)}
        for place, path in zip(self._asides, damaged, strict=False):
            aside = f" and set aside as {place.name}" if moved[path] else ""
            told.append(f"{path} is damaged{aside}")
        if told:
            told.append(
                "nothing else was kept" if value is None else "going on from the one kept before"
            )
        return value, printable("; ".join(told))

    def save(self, value: T) -> bool:
        """Keep `value`; the one kept so far becomes the one before. Never raises.

        False, with what was kept unchanged, where the folder cannot be written or `value` would
        not be read back (a number that is not finite, text that is not Unicode, a type that JSON
        cannot hold). Once True, the
        value is on the disk: this waits for it, some milliseconds or more.
        """
        content = self._written(value)
        if content is None:
            return False
        partial: Path | None = None
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            # mkstemp makes a file that this user alone can read.
            import tempfile  # noqa: PLC0415 - not to read

            handle, name = tempfile.mkstemp(dir=self.folder, prefix=self._partial_prefix)
            partial = Path(name)
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            # A sound generation is never given up for a damaged one. Between the two steps there
            # is no newest; the one before is then the last value kept.
            if self._is_sound(self.newest):
                with contextlib.suppress(FileNotFoundError):  # another process was faster
                    self.newest.replace(self.before)
            partial.replace(self.newest)
        except OSError:
            if partial is not None:
                with contextlib.suppress(OSError):
                    partial.unlink()
            return False
        _flush_folder(self.folder)
        return True

    @property
    def _partial_prefix(self) -> str:
        return f".{self.name}.json."

    def _written(self, value: T) -> bytes | None:
        """The file for `value`, or None where it would not be read back."""
        try:
            kept = msgspec.json.encode(value)
        except (msgspec.MsgspecError, TypeError, ValueError, RecursionError):
            return None
        check = hashlib.sha256(kept).hexdigest()
        content = msgspec.json.encode(_Sheet(check, msgspec.Raw(kept))) + b"\n"
        return None if self._value(content) is None else content

    def _value(self, content: bytes) -> T | None:
        """The value in the bytes of a file, or None where they are damaged."""
        if len(content) > LARGEST_BYTES:
            return None
        try:
            sheet = msgspec.json.decode(content, type=_Sheet)
            kept = bytes(sheet.kept)
            if hashlib.sha256(kept).hexdigest() != sheet.check:
                return None
            return self._decoder.decode(kept)
        except (msgspec.MsgspecError, ValueError, RecursionError):
            return None

    def _is_sound(self, path: Path) -> bool:
        try:
            return self._value(_content(path)) is not None
        except OSError:
            return False

    @property
    def _asides(self) -> list[Path]:
        """Where damaged files are moved to, newest first."""
        return [
            self.folder / f"{self.name}.damaged-{number}.json"
            for number in range(1, MOST_SET_ASIDE + 1)
        ]

    def _set_aside(self, path: Path) -> bool:
        """Move a damaged file away as number 1; False where the folder does not allow it."""
        places = self._asides
        try:
            for older, newer in zip(places[:0:-1], places[-2::-1], strict=True):
                with contextlib.suppress(FileNotFoundError):
                    newer.replace(older)
            path.replace(places[0])
        except OSError:
            return False
        return True

    def _sweep(self) -> None:
        """Clear away what saves cut short have left."""
        with contextlib.suppress(OSError):
            for left in self.folder.glob(f"{self._partial_prefix}*"):
                if abs(time.time() - left.stat().st_mtime) > _LEFT_OVER_S:
                    left.unlink()


def _content(path: Path) -> bytes:
    """The bytes of a file, one more than `LARGEST_BYTES` at most. Raises OSError."""
    with path.open("rb") as file:
        return file.read(LARGEST_BYTES + 1)


def _flush_folder(folder: Path) -> None:
    """Have the new names on the disk too, where the system lets a folder be flushed."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
