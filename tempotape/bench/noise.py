"""The level of the quiet parts of a recording."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FRAME_S = 0.1  # five turns of 50 Hz mains, six of 60 Hz
SUSTAINED_S = 1.0
_FRAMES = round(SUSTAINED_S / FRAME_S)
_SAME_LEVEL = 10 ** (3.0 / 10.0)
_STEADY = 10 ** (4.0 / 10.0)  # loudest over softest frame within a second
_FAR_ABOVE = 10 ** (12.0 / 10.0)  # a held note is not noise where the sound falls lower
_TONE_CREST = 10 ** (4.5 / 10.0)  # a sine has 3 dB, hiss over 9 dB
_HUM_HZ = 500.0
_LOUDEST_DBFS = -20.0


class Noise(msgspec.Struct, frozen=True):
    """The rms of the quiet parts, hum and all frequencies included, in dB re full scale.

    `dbfs` is `20 log10(rms)` with full scale 1.0, so that a full-scale sine is at -3.01;
    `spread_db` is the scatter of its tenths of a second, `seconds` how long it was quiet.
    """

    dbfs: float
    spread_db: float
    seconds: float


class NoiseResult(msgspec.Struct, frozen=True):
    """`noise` or, in `warnings`, why there is none."""

    noise: Noise | None
    warnings: tuple[str, ...]


class NoiseMeter:
    """Takes a recording block by block, then gives its lowest sustained level."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self._frame = max(2, round(FRAME_S * sample_rate_hz))
        self._held: Floats = np.zeros(0)
        self._rows: list[Floats] = []

    def feed(self, block: Floats) -> None:
        """Take the next samples, mono, full scale 1.0, any number of them."""
        held = np.concatenate([self._held, block])
        count = len(held) // self._frame
        if count:
            frames = held[: count * self._frame].reshape(count, self._frame)
            steps = np.diff(frames, axis=1)
            self._rows.append(
                np.stack(
                    [
                        frames.mean(axis=1),
                        np.einsum("ij,ij->i", frames, frames) / self._frame,
                        np.einsum("ij,ij->i", steps, steps) / (self._frame - 1),
                        np.maximum(frames.max(axis=1), -frames.min(axis=1)) ** 2,
                    ]
                )
            )
        self._held = held[count * self._frame :]

    def result(self) -> NoiseResult:
        """The level where nothing plays for a second or longer."""
        rows = np.concatenate(self._rows, axis=1) if self._rows else np.zeros((4, 0))
        if rows.shape[1] < _FRAMES:
            return _refused(f"the recording is shorter than {SUSTAINED_S:g} s")
        offset = float(np.median(rows[0]))
        power = np.maximum(rows[1] - 2.0 * offset * rows[0] + offset**2, 0.0)
        windows = np.lib.stride_tricks.sliding_window_view(power, _FRAMES)
        level = windows.mean(axis=1)
        if float(np.median(level)) == 0.0 or not np.any(level > 0.0):
            return _refused("the quiet parts are digital silence")
        steady = windows.max(axis=1) <= _STEADY * np.maximum(windows.min(axis=1), 1e-30)
        steady &= (level > 0.0) & (level < 10.0 ** (_LOUDEST_DBFS / 10.0))
        steady &= ~_is_tone(rows, offset, level, self._rate_hz)
        if not np.any(steady):
            return _refused("nothing is quiet for a second; leave some silence in the recording")
        lowest = float(np.quantile(level[steady], 0.1, method="lower"))
        if lowest > _FAR_ABOVE * float(np.quantile(power[power > 0.0], 0.02)):
            return _refused("nothing is quiet for a second; leave some silence in the recording")
        calm = steady & (level <= lowest * _SAME_LEVEL)
        quiet = np.zeros(len(power), dtype=np.bool_)
        for first in np.flatnonzero(calm):
            quiet[first : first + _FRAMES] = True
        decibels = 10.0 * np.log10(np.maximum(power[quiet], 1e-30))
        noise = Noise(
            dbfs=10.0 * math.log10(float(np.mean(power[quiet]))),
            spread_db=float(np.std(decibels)),
            seconds=float(np.count_nonzero(quiet)) * FRAME_S,
        )
        return NoiseResult(noise, ())


def _is_tone(rows: Floats, offset: float, level: Floats, rate_hz: float) -> npt.NDArray[np.bool_]:
    """Whether a second holds a steady tone above hum: a small crest and a high mean frequency.

    The mean frequency is that of a sine whose steps from sample to sample are as large.
    """
    steps = np.lib.stride_tricks.sliding_window_view(rows[2], _FRAMES).mean(axis=1)
    peak = np.lib.stride_tricks.sliding_window_view(rows[3], _FRAMES).max(axis=1)
    safe = np.maximum(level, 1e-30)
    turn = 2.0 * np.arcsin(np.clip(np.sqrt(steps / (4.0 * safe)), 0.0, 1.0))
    hz = turn * rate_hz / (2.0 * math.pi)
    crest = (np.sqrt(peak) - abs(offset)) ** 2 / safe
    return np.asarray((crest < _TONE_CREST) & (hz > _HUM_HZ))


def _refused(why: str) -> NoiseResult:
    return NoiseResult(None, (f"noise: {why}",))
