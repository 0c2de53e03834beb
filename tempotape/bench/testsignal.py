"""The sound to play through the unit, rendered part by part and written to a WAV file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tempotape.bench.walk import (
    DIGIT_HZ,
    DIGIT_S,
    DIGIT_SOUNDS_S,
    TONE_HZ,
    Layout,
    Segment,
    chirp,
    click_times_s,
    digits,
)
from tempotape.bench.wav_files import Encoding, write_parts
from tempotape.faults import InputFault

Floats = npt.NDArray[np.float64]

RATES_HZ = (8_000, 192_000)
LEVELS_DBFS = (-60.0, -3.0)
TURN_S = (2.0, 120.0)
BITS = (16, 24)
USUAL_RATE_HZ = 48_000
USUAL_TURN_S = 8.0

_FADE_S = 0.05
_DIGIT_FADE_S = 0.01
_CLICK_HZ = 1500.0
_CUE_HZ = (660.0, 440.0)
_CUE_S = 0.15
_CUE_LEVEL = 0.5


def check(*, rate_hz: int, level_dbfs: float, turn_s: float, bits: int) -> None:
    """Raise InputFault for a value out of range, naming the option."""
    for entry, value, (low, high), unit in (
        ("--rate", float(rate_hz), RATES_HZ, "Hz"),
        ("--level", level_dbfs, LEVELS_DBFS, "dBFS"),
        ("--turn", turn_s, TURN_S, "s"),
    ):
        if not low <= value <= high:
            raise InputFault(f"is {value:g}", expected=f"{low:g} to {high:g} {unit}", entry=entry)
    if bits not in BITS:
        raise InputFault(f"is {bits}", expected="16 or 24", entry="--bits")


def rendered(layout: Layout, *, rate_hz: int, level_dbfs: float) -> Iterator[Floats]:
    """The sound, one array a segment, mono, peak at `level_dbfs`.

    Segments begin at the nearest sample, so that rounding does not add up over a long walk.
    """
    peak = 10.0 ** (level_dbfs / 20.0)
    for segment in layout.segments:
        count = round(segment.end_s * rate_hz) - round(segment.start_s * rate_hz)
        sound = np.zeros(count)
        part = _sound(segment, rate_hz, coded=layout.coded)[:count]
        sound[: len(part)] = peak * part
        yield sound


def write_wav(
    path: Path, layout: Layout, *, rate_hz: int, level_dbfs: float, bits: int, force: bool
) -> None:
    """Write the sound as a mono PCM WAV file, whole or not at all.

    Raises InputFault where the name is not one of a WAV file, the file exists and `force` is not
    given, or the folder cannot be written to.
    """
    source = str(path)
    if path.suffix.casefold() != ".wav":
        raise InputFault("is not a WAV file", expected="a name that ends in .wav", source=source)
    if path.is_dir():
        raise InputFault("is a folder", expected="a file name", source=source)
    if path.exists() and not force:
        raise InputFault(
            "exists already", expected="another name, or --force to write over it", source=source
        )
    parts = rendered(layout, rate_hz=rate_hz, level_dbfs=level_dbfs)
    encoding: Encoding = "PCM_16" if bits == 16 else "PCM_24"
    write_parts(path, parts, rate_hz=rate_hz, channels=1, encoding=encoding)


def _sound(segment: Segment, rate_hz: int, *, coded: bool) -> Floats:
    """A segment at peak 1.0, or as much of it as sounds."""
    if segment.kind == "sync":
        return chirp(rate_hz)
    if segment.kind == "code":
        return _code(segment.mark, rate_hz)
    if segment.kind == "clicks":
        return _clicks(segment.end_s - segment.start_s, rate_hz)
    if segment.kind == "tone":
        return _tone(TONE_HZ, segment.end_s - segment.start_s, _FADE_S, rate_hz)
    if segment.kind == "turn" and coded:
        cue = [_tone(hz, _CUE_S, _DIGIT_FADE_S, rate_hz) for hz in _CUE_HZ]
        return _CUE_LEVEL * np.concatenate(cue)
    return np.zeros(0)


def _tone(hz: float, length_s: float, fade_s: float, rate_hz: int) -> Floats:
    count = round(length_s * rate_hz)
    t_s = np.arange(count) / rate_hz
    edge = np.minimum(t_s, t_s[-1] - t_s) / fade_s
    fade = 0.5 - 0.5 * np.cos(math.pi * np.clip(edge, 0.0, 1.0))
    return np.asarray(fade * np.sin(2.0 * math.pi * hz * t_s))


def _code(mark: int, rate_hz: int) -> Floats:
    sounds = []
    for digit, bit in enumerate(digits(mark)):
        sound = np.zeros(round((digit + 1) * DIGIT_S * rate_hz) - round(digit * DIGIT_S * rate_hz))
        tone = _tone(DIGIT_HZ[2 * digit + bit], DIGIT_SOUNDS_S, _DIGIT_FADE_S, rate_hz)
        sound[: len(tone)] = tone
        sounds.append(sound)
    return np.concatenate(sounds)


def _clicks(length_s: float, rate_hz: int) -> Floats:
    """Pulses shaped as the first derivative of a Gaussian: short, without direct current.

    Their spectrum, f exp(-(f / 1500 Hz)^2 / 2), is within 20 dB of its peak from 125 Hz to 4 kHz,
    the octaves that a tape loop passes.
    """
    sound = np.zeros(round(length_s * rate_hz))
    half = round(rate_hz / _CLICK_HZ)
    turn = 2.0 * math.pi * _CLICK_HZ * np.arange(-half, half + 1) / rate_hz
    pulse = turn * np.exp(-(turn**2) / 2.0)
    pulse /= np.max(np.abs(pulse))
    for time_s in click_times_s():
        first = round(time_s * rate_hz) - half
        sound[first : first + len(pulse)] += pulse
    return sound
