"""Sound files whose end was never written, as where a recorder lost power or a copy broke off."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import Any

_RIFF_LENGTH_AT = 4
_LONGEST = (1 << 32) - 1  # bytes that a RIFF file can count
_PAGE_HEAD = 27
_LONGEST_PAGE = _PAGE_HEAD + 255 + 255 * 255
_LAST_PAGE = 0x04


class Finished(io.FileIO):
    """A file, by number, read as if the 32-bit `lengths` stood at these places of it."""

    def __init__(self, number: int, lengths: dict[int, int]) -> None:
        super().__init__(number)
        self._lengths = {at: struct.pack("<I", length) for at, length in lengths.items()}

    def readinto(self, into: Any) -> int:
        """Fill `into` from here on; how many bytes there were."""
        begin = self.tell()
        count = super().readinto(into) or 0
        for at, content in self._lengths.items():
            for number, byte in enumerate(content, at - begin):
                if 0 <= number < count:
                    into[number] = bytes([byte])
        return count


def missing_lengths(path: Path) -> dict[int, int]:
    """The lengths that belong into the header of a WAV file which says that it holds nothing.

    By their places in the file; none where the file is another or indeed empty. A recorder writes
    them last, so that after a power cut a `data` chunk of length 0 is followed by samples, and not
    by another chunk or the end.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        riff = file.read(12)
        if (riff[:4], riff[8:]) != (b"RIFF", b"WAVE"):
            return {}
        while len(head := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", head)
            at = file.tell()
            if name == b"data":
                after = file.read(8)
                if length or len(after) < 8 or _is_chunk(after, size - at):
                    return {}
                left = min(size, _LONGEST) - at
                return {_RIFF_LENGTH_AT: at + left - 8, at - 4: left}
            file.seek(length + length % 2, os.SEEK_CUR)
    return {}


def _is_chunk(head: bytes, room: int) -> bool:
    name, length = struct.unpack("<4sI", head)
    return bool(name.strip().isalnum()) and len(head) + int(length) <= room


def ogg_is_cut(path: Path) -> bool:
    """Whether the last page is not whole, or not marked as the last of its stream (RFC 3533, 6)."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - 2 * _LONGEST_PAGE))
        content = file.read()
    at = content.rfind(b"OggS")
    if at < 0:
        return False  # what comes after the last page is longer than one
    page = content[at:]
    if len(page) < _PAGE_HEAD:
        return True
    segments = page[_PAGE_HEAD : _PAGE_HEAD + page[26]]
    whole = len(segments) == page[26] and len(page) >= _PAGE_HEAD + len(segments) + sum(segments)
    return not (whole and page[5] & _LAST_PAGE)
