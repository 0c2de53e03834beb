"""WAV files written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

from numpy.typing import NDArray

from tempotape.userfiles import written_whole

Encoding = Literal["PCM_16", "PCM_24", "FLOAT"]
_SAMPLE_BYTES = {"PCM_16": 2, "PCM_24": 3, "FLOAT": 4}


def write_parts(
    path: Path, parts: Iterable[NDArray[Any]], *, rate_hz: int, channels: int, encoding: Encoding
) -> None:
    """Write `parts`, (frames,) or (frames, channels) at full scale 1.0, one after the other.

    What breaks in leaves nothing behind, and a file of that name as it was. Raises InputFault as
    `written_whole` does.
    """
    import soundfile  # noqa: PLC0415 - loaded by what needs it

    with written_whole(path) as handle:
        frames = 0
        try:
            # By number: what a file object of Python's raises inside the library goes astray.
            with soundfile.SoundFile(
                handle, "w", rate_hz, channels, encoding, format="WAV", closefd=False
            ) as file:
                for part in parts:
                    file.write(part)
                    frames += len(part)
        except (soundfile.SoundFileError, AssertionError) as fault:
            _tell_why(handle)
            raise OSError(0, str(fault) or "the sound could not be encoded") from None
        if os.fstat(handle).st_size < frames * channels * _SAMPLE_BYTES[encoding]:
            _tell_why(handle)
            raise OSError(0, "it came out too short")


def _tell_why(handle: int) -> None:
    """Raises OSError as the system does where it takes no more; the sound library does not say."""
    os.lseek(handle, 0, os.SEEK_END)
    os.write(handle, bytes(1 << 16))
    os.write(handle, bytes(1))  # the first may have been taken in part
    os.fsync(handle)
