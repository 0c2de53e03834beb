"""Recordings on disk, read in blocks of bounded size.

`open_recording(path)` looks at the header; iterating a `Reading` of it gives the samples:

    recording = open_recording(Path("take.wav"))
    reading = recording.reading()
    for block in reading:          # float64, shape (frames, channels), channels 1 or 2
        ...
    reading.warnings               # what was found wrong on the way, complete at the end

Full scale is 1.0. Of more than two channels the first two are used.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import soundfile
from numpy.typing import NDArray

from tempotape.bench.cut_files import Finished, missing_lengths, ogg_is_cut
from tempotape.faults import InputFault
from tempotape.text import printable

Samples = NDArray[np.float64]
SingleSamples = NDArray[np.float32]  # where many are held, or worked on at once

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 768_000
USED_CHANNELS = 2
BLOCK_SAMPLES = 1 << 14  # over all channels of the file; of a broken-off file one block is lost
MOST_STRAY_PART = 0.01
LOUDEST = 32.0  # of full scale, 30 dB over it: what `thinned` can hold, with room for its filters

EXPECTED = "a WAV, AIFF, FLAC, OGG or MP3 recording"

OFF_ZERO = 0.05  # of full scale; a good interface stays within a tenth of that

# What libsndfile's own log of the header says where a chunk is longer or shorter than the file, and
# where it mends a header that was never finished.
_LENGTH_LIE = re.compile(r": (\d+) \(should be (\d+)\)|Unknown chunk marker")
_NEVER_CLOSED = "wasn't closed properly"
_SHORT = "the file is shorter than its header says"
_LONG = "the file is longer than its header says"
_DAMAGED = "the file is damaged, or breaks off"
_PACKED = ("FLAC", "OGG", "MP3")  # where damage costs sound, and so do bytes that are missing
_UNFINISHED = "the header says that the file is empty, as where a recorder lost power"
_CUT = "the file breaks off, its end is missing"
_UNKNOWN_FRAMES = 1 << 62  # a FLAC that was written as it was heard does not say how many


class Recording(msgspec.Struct, frozen=True):
    """What the header of a recording says; `channels` counts those in the file.

    `length_told` says what is wrong with the length that it gives, else it is empty.
    """

    path: Path
    sample_rate_hz: int
    channels: int
    frames: int
    length_told: str = ""

    @property
    def used_channels(self) -> int:
        return min(self.channels, USED_CHANNELS)

    def reading(self) -> Reading:
        """One pass over the samples."""
        return Reading(self)

    def blocks(self) -> Iterator[Samples]:
        """Blocks of samples, shape (frames, used channels). Raises InputFault as Reading does."""
        return iter(self.reading())


class Reading:
    """One pass over the samples of a recording, and what was met on the way.

    Samples that are not finite read as 0. Iterating raises InputFault where nothing at all, or
    mostly samples that are not finite, can be read.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.frames_read = 0
        self.bad_samples = 0
        self.wild_samples = 0
        self._broke_off = False
        self._packed = False
        self._ended = False
        self._sum: Samples = np.zeros(recording.used_channels)

    def __iter__(self) -> Iterator[Samples]:
        recording = self.recording
        frames = max(1024, BLOCK_SAMPLES // recording.channels)
        with contextlib.ExitStack() as held:
            file = held.enter_context(_opened(recording.path))
            self._packed = file.format in _PACKED
            while True:
                try:
                    with _hushed() if file.format == "MP3" else contextlib.nullcontext():
                        read = file.read(frames, dtype="float64", always_2d=True)
                except soundfile.LibsndfileError:
                    self._broke_off = True
                    break
                if not len(read):
                    self._ended = True
                    break
                self.frames_read += len(read)
                block = self._finite(read[:, :USED_CHANNELS])
                self._sum += block.sum(axis=0)
                yield block
        if not self.frames_read:
            raise InputFault("breaks off at once", expected=EXPECTED, source=str(recording.path))
        if self._part_of(self.bad_samples) > MOST_STRAY_PART:
            raise InputFault(
                _samples(self.bad_samples, "is not a number", "are not numbers"),
                expected="a recording with finite samples",
                source=str(recording.path),
            )

    def _finite(self, read: Samples) -> Samples:
        if np.abs(read).max() <= LOUDEST:  # nearly always; never where a sample is no number
            return read
        bad = ~np.isfinite(read)
        if bad.any():
            self.bad_samples += int(bad.sum())
            read = np.where(bad, 0.0, read)
        wild = np.abs(read) > LOUDEST
        if wild.any():
            self.wild_samples += int(wild.sum())
            read = np.clip(read, -LOUDEST, LOUDEST)
        return read

    def _part_of(self, samples: int) -> float:
        return samples / max(1, self.frames_read * self.recording.used_channels)

    @property
    def duration_s(self) -> float:
        """Seconds read so far."""
        return self.frames_read / self.recording.sample_rate_hz

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences on what is odd about the file; complete once it was read to its end."""
        recording, told = self.recording, []
        short = self._ended and self.frames_read < recording.frames < _UNKNOWN_FRAMES
        length_told = recording.length_told
        if not length_told and (short or self._broke_off):
            length_told = _DAMAGED if self._packed or self._broke_off else _SHORT
        if length_told:
            told.append(f"{length_told}; {self.duration_s:.3f} s were read")
        if recording.channels > USED_CHANNELS:
            told.append(f"of {recording.channels} channels the first {USED_CHANNELS} are used")
        if self.bad_samples:
            told.append(
                _samples(
                    self.bad_samples,
                    "is not a number and counts as silence",
                    "are not numbers and count as silence",
                )
            )
        if self.wild_samples:
            beyond = f"beyond {LOUDEST:g} times full scale and"
            one, many = f"is {beyond} counts as that", f"are {beyond} count as that"
            louder = "; save the recording again with its peaks below full scale"
            told.append(
                _samples(self.wild_samples, one, many)
                + (louder if self._part_of(self.wild_samples) > MOST_STRAY_PART else "")
            )
        means = self._sum / max(1, self.frames_read)
        mean = float(means[np.argmax(np.abs(means))])
        if abs(mean) > OFF_ZERO and not self.wild_samples:
            told.append(
                f"the recording stands off zero, at {mean:+.2f} of full scale; only what moves "
                "about that is sound"
            )
        return tuple(told)


def _samples(count: int, one: str, many: str) -> str:
    return f"1 sample {one}" if count == 1 else f"{count} samples {many}"


def open_recording(path: Path) -> Recording:
    """What the header of the recording at `path` says.

    Raises InputFault where it is missing, no regular file, not audio, without samples, or its
    sample rate is out of range.
    """
    source = str(path)
    with _opened(path) as file:
        rate_hz = int(file.samplerate)
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise InputFault(
                f"sample rate is {rate_hz} Hz",
                expected=f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
                source=source,
            )
        if file.frames <= 0:
            raise InputFault("says that it holds no samples", expected=EXPECTED, source=source)
        return Recording(
            path=path,
            sample_rate_hz=rate_hz,
            channels=int(file.channels),
            frames=int(file.frames),
            length_told=_length_told(file, path),
        )


def _length_told(file: Any, path: Path) -> str:
    """What is wrong with the length that the header of the open file gives."""
    if file.finished is not None or _NEVER_CLOSED in file.extra_info:
        return _UNFINISHED
    if lie := _LENGTH_LIE.search(file.extra_info):
        return _SHORT if lie[1] and int(lie[1]) > int(lie[2]) else _LONG
    return _CUT if file.format == "OGG" and ogg_is_cut(path) else ""


class _Onward(soundfile.SoundFile):  # type: ignore[misc]
    """A file read from beginning to end.

    After each read of a file that can be searched `soundfile` searches its place again, and there
    an MP3, whose frames lean on those before, comes out wrong.
    """

    finished: Finished | None = None

    def seekable(self) -> bool:
        return False

    def close(self) -> None:
        super().close()
        if self.finished is not None:
            self.finished.close()


def _opened(path: Path) -> Any:
    """The file, open. By number, so that nothing is concluded from the ending of its name."""
    source = str(path)
    try:
        number = os.open(path, _READ | _NO_WAIT)
    except (OSError, ValueError) as fault:
        why = getattr(fault, "strerror", None) or str(fault)
        raise InputFault(f"cannot be read ({why})", expected=EXPECTED, source=source) from None
    if not stat.S_ISREG(os.fstat(number).st_mode):
        os.close(number)
        raise InputFault("is not a file", expected=EXPECTED, source=source)
    if not os.fstat(number).st_size:
        os.close(number)
        raise InputFault("is empty", expected=EXPECTED, source=source)
    try:
        with _hushed():
            opened = _Onward(number, closefd=True)
        lengths = {} if opened.frames else missing_lengths(path)
        if lengths:
            opened.close()
            finished = Finished(os.open(path, _READ), lengths)
            opened = _Onward(finished)
            opened.finished = finished
    except soundfile.LibsndfileError as fault:
        why = printable(fault.error_string).strip().rstrip(".")
        if why.startswith(_BESIDE_THE_POINT):
            why = "its header makes no sense"
        raise InputFault(f"is not audio ({why})", expected=EXPECTED, source=source) from None
    return opened


# What libsndfile says of a rate of 0 Hz, and of an MP3 file without one good frame.
_BESIDE_THE_POINT = ("Internal error", "File does not exist")


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Nothing reaches standard error meanwhile, where the MP3 decoder tells of damaged frames.

    The decoder writes to file descriptor 2 itself, so that is what is turned away; Python's own
    messages come before and after.
    """
    with contextlib.ExitStack() as undo:
        try:
            kept = os.dup(_STANDARD_ERROR)
            undo.callback(os.close, kept)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            undo.callback(os.close, nowhere)
            undo.callback(os.dup2, kept, _STANDARD_ERROR)
            os.dup2(nowhere, _STANDARD_ERROR)
        except OSError:
            pass  # no standard error to keep clean, or no file left to open
        yield


_STANDARD_ERROR = 2
_READ = os.O_RDONLY | getattr(os, "O_BINARY", 0)
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)  # a pipe without a writer must not hang the command
