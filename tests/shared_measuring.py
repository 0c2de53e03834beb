"""Recordings measured once for all tests that ask for the same.

    kept = measured_once_in(module)  # a fixture, for all tests of the test module

The same is: the same samples of the same format, the same stretch, the same lengths. What a file's
header says besides is not looked at, and progress is told only as done: `kept.clear()` first where
a test is about those.
"""

import functools
import hashlib
import math

import pytest
import soundfile


def measured_once(measure, kept):
    """`measured` of tempotape.bench.measure, which looks in `kept` first."""

    @functools.wraps(measure)
    def once(path, *, lengths=None, span_s=None, progress=None):
        try:
            with path.open("rb") as content, soundfile.SoundFile(content) as file:
                form, rate_hz = (file.format, file.subtype), file.samplerate
                frames = file.read(always_2d=True)
        except (OSError, soundfile.SoundFileError):
            return measure(path, lengths=lengths, span_s=span_s, progress=progress)
        begin_s, end_s = span_s or (0.0, len(frames) / rate_hz)
        stretch = frames[math.floor(begin_s * rate_hz) : math.ceil(end_s * rate_hz)]
        if not len(stretch):  # nothing is said of a file's length, say: then it is read otherwise
            return measure(path, lengths=lengths, span_s=span_s, progress=progress)
        sound = (hashlib.sha256(stretch.tobytes()).digest(), stretch.shape, rate_hz)
        key = (sound, form, lengths, span_s)
        if key not in kept:
            kept[key] = measure(path, lengths=lengths, span_s=span_s, progress=progress)
        elif progress is not None:
            progress(1.0)
        return kept[key]

    return once


def measured_once_in(module):
    """A fixture by which `module` measures alike recordings once; it gives what is kept."""

    @pytest.fixture(scope="module", autouse=True)
    def kept():
        before = {}
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(module, "measured", measured_once(module.measured, before))
            yield before

    return kept
