"""The level of the quiet parts of a recording, where they hold nothing but noise.

Noise is always there: in no band of frequency does the recording fall much below it at any time.
Notes and repeats that sound on leave their bands now and then. What is left there is found from the
lowest twentieth of each band's powers (as by minimum statistics: Martin, IEEE Transactions on
Speech and Audio Processing 9, 2001). What falls to the end is no noise either, nor is a tone that
is no hum.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage, special

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.bool_]

FRAME_S = 0.1  # five turns of 50 Hz mains, six of 60 Hz
SUSTAINED_S = 1.0
_FRAMES = round(SUSTAINED_S / FRAME_S)
_SAME_LEVEL = 10 ** (3.0 / 10.0)
_STEADY = 10 ** (4.0 / 10.0)  # loudest over softest frame within a second
_FAR_ABOVE = 10 ** (12.0 / 10.0)  # a held note is not noise where the sound falls lower
_TONE_CREST = 10 ** (4.5 / 10.0)  # a sine has 3 dB, hiss over 9 dB
_HUM_HZ = 500.0
_LOUDEST_DBFS = -20.0
_LOWEST_BAND_HZ, _BANDS_AN_OCTAVE, _LEAST_BINS = 100.0, 6, 3
_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0  # where in its frame each spectrum begins: never in step
_SELDOM = 0.05  # of the time
_ALL_OF, _THEN_EVERY = 3000, 4  # frames whose spectra are taken: after five minutes fewer
_SOUNDING_DB = 3.5  # over what is left where each band is lowest
_FALLING_DB_S, _SURELY = -0.5, 4.0
_HELD = 5  # frames of the softest half second, kept for its lines
_LINE_OVER, _LINE_WIDTH_HZ, _BESIDE_HZ = 30.0, 6.0, 50.0  # in power, over the median beside it
_MOTOR_HZ = 130.0  # below, lines are those of what turns
_MAINS_HZ, _MAINS_OFF, _LEAST_OFF_HZ = (50.0, 60.0), 0.005, 1.0
_HUMS_TO_HZ = 1000.0  # above, harmonics are weak, and what they may be off fills what is between
_MOST_TONE = 0.5  # of the power
_NOTHING_QUIET = "nothing is quiet for a second; leave some silence in the recording"


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
        self._frame = max(4, round(FRAME_S * sample_rate_hz))
        self._held: Floats = np.zeros(0)
        self._rows: list[Floats] = []
        self._bands = _Bands(self._frame // 2, sample_rate_hz)
        self._powers: list[Floats] = []
        self._numbers: list[npt.NDArray[np.int64]] = []
        self._frames = 0
        self._last: list[tuple[float, Floats]] = []
        self._softest = (math.inf, np.zeros(0))

    def feed(self, block: Floats) -> None:
        """Take the next samples, mono, full scale 1.0, any number of them."""
        held = np.concatenate([self._held, block])
        count = len(held) // self._frame
        if count:
            frames = held[: count * self._frame].reshape(count, self._frame)
            steps = np.diff(frames, axis=1)
            rows = np.stack(
                [
                    frames.mean(axis=1),
                    np.einsum("ij,ij->i", frames, frames) / self._frame,
                    np.einsum("ij,ij->i", steps, steps) / (self._frame - 1),
                    np.maximum(frames.max(axis=1), -frames.min(axis=1)) ** 2,
                ]
            )
            self._rows.append(rows)
            number = self._frames + np.arange(count)
            some = (number < _ALL_OF) | (number % _THEN_EVERY == 0)
            self._powers.append(self._bands.powers(frames[some], number[some]))
            self._numbers.append(number[some])
            self._frames += count
            for power, frame in zip(rows[1] - rows[0] ** 2, frames, strict=True):
                self._hold(float(power), frame)
        self._held = held[count * self._frame :]

    def _hold(self, power: float, frame: Floats) -> None:
        """Keep the softest steady half second of the whole recording.

        It need not lie in the quiet frames that are reported: those are known at the end only.
        """
        self._last = [*self._last[-_HELD + 1 :], (power, frame)]
        powers = [one for one, _ in self._last]
        steady = len(powers) == _HELD and max(powers) <= _STEADY * min(powers)
        if steady and 0.0 < sum(powers) < self._softest[0]:
            self._softest = (sum(powers), np.concatenate([one for _, one in self._last]))

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
            return _refused(_NOTHING_QUIET)
        lowest = float(np.quantile(level[steady], 0.1, method="lower"))
        if lowest > _FAR_ABOVE * float(np.quantile(power[power > 0.0], 0.02)):
            return _refused(_NOTHING_QUIET)
        calm = steady & (level <= lowest * _SAME_LEVEL)
        quiet = np.zeros(len(power), dtype=np.bool_)
        for first in np.flatnonzero(calm):
            quiet[first : first + _FRAMES] = True
        decibels = 10.0 * np.log10(np.maximum(power, 1e-30))
        why = self._why_no_noise(quiet, power > 0.0, decibels)
        if why:
            return _refused(why)
        noise = Noise(
            dbfs=10.0 * math.log10(float(np.mean(power[quiet]))),
            spread_db=float(np.std(decibels[quiet])),
            seconds=float(np.count_nonzero(quiet)) * FRAME_S,
        )
        return NoiseResult(noise, ())

    def _why_no_noise(self, quiet: Rows, heard: Rows, decibels: Floats) -> str:
        """What else than noise the quiet frames hold, or nothing."""
        rows = np.concatenate(self._numbers)
        over_db = self._bands.over_db(np.concatenate(self._powers), quiet[rows], heard[rows])
        if over_db > _SOUNDING_DB:
            return (
                f"where it is quietest, notes or repeats sound on, {over_db:.0f} dB over what is "
                "left between them; let them die away and leave some seconds of silence"
            )
        falling_db_s, error_db_s = _falling(quiet, decibels)
        if falling_db_s < min(_FALLING_DB_S, -_SURELY * error_db_s):
            return (
                f"the quietest part still falls, by {-falling_db_s:.1f} dB a second; record on "
                "until the sound has died away"
            )
        tone_hz = _tone_hz(self._softest[1], self._rate_hz)
        if tone_hz is not None:
            return (
                f"the quietest part is mostly a tone of {tone_hz:.0f} Hz that is no hum; stop "
                "what sounds and leave some seconds of silence"
            )
        return ""


class _Bands:
    """Bands of frequency of a spectrum of `length` samples, about a sixth of an octave wide."""

    def __init__(self, length: int, rate_hz: float) -> None:
        self._window = np.hanning(length).astype(np.float32)
        count = length // 2 + 1
        begins = [1]
        while (wide := _next(begins[-1], length / rate_hz)) <= count - _LEAST_BINS:
            begins.append(wide)
        self._begins = np.array(begins)
        bins = np.diff([*begins, count]).astype(np.float64)
        # How many figures a band's power is the mean of: neighbours in a spectrum through this
        # window have 4/9 and 1/36 of their squares in common.
        alike = bins + 2 * np.maximum(bins - 1, 0) * 4 / 9 + 2 * np.maximum(bins - 2, 0) / 36
        figures = bins**2 / alike
        figures[0] = 1.0  # rumble may fill a part of it only
        # Of a mean of squares, the quantile in parts of the mean: that of a gamma distribution.
        self._seldom = special.gammaincinv(figures, _SELDOM) / figures

    def powers(self, frames: Floats, number: npt.NDArray[np.int64]) -> Floats:
        """Power by band of a part of each frame, whose numbers are given, float32."""
        length = len(self._window)
        spare = frames.shape[1] - length
        parts = np.empty((len(frames), length), np.float32)
        begins = (number * _GOLDEN % 1.0 * spare).astype(np.int64)
        for part, frame, begin in zip(parts, frames, begins.tolist(), strict=True):
            part[:] = frame[begin : begin + length]
        parts -= parts.mean(axis=1, keepdims=True)
        parts *= self._window
        spectra = np.asarray(fft.rfft(parts, axis=1, overwrite_x=True))
        squares = spectra.real**2 + spectra.imag**2
        return np.asarray(np.add.reduceat(squares, self._begins, axis=1))

    def over_db(self, powers: Floats, quiet: Rows, heard: Rows) -> float:
        """How far the quiet frames are over what is there in all bands at any time."""
        # Band by band, as copies of an hour of all would take memory.
        mean = np.array([band[quiet].mean(dtype=np.float64) for band in powers.T])
        seldom = np.array([np.quantile(band[heard], _SELDOM) for band in powers.T])
        always = np.minimum(mean, seldom / self._seldom)
        return float(10.0 * np.log10((mean.sum() + 1e-30) / (always.sum() + 1e-30)))


def _next(begin: int, turn_s: float) -> int:
    """Where the band after the one from bin `begin` on begins, of bins 1 / `turn_s` apart."""
    wide = max(begin + _LEAST_BINS, round(begin * 2 ** (1 / _BANDS_AN_OCTAVE)))
    return max(wide, math.ceil(_LOWEST_BAND_HZ * turn_s))


def _falling(quiet: Rows, decibels: Floats) -> tuple[float, float]:
    """Slope in dB a second that three in four quiet stretches keep up to their end; its error.

    Where noise is reached, some of them end level, and a long one is level as a whole.
    """
    edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
    told, left, free = [], 0.0, 0
    for first, end in edges.reshape(-1, 2):
        last = decibels[max(first, end - _FRAMES) : end]
        slope = _slope(last)
        told.append(max(slope, _slope(decibels[first:end])))
        left += float(np.sum((last - last.mean() - slope * _at_s(len(last))) ** 2))
        free += len(last) - 2
    error = math.sqrt(left / free / float(np.sum(_at_s(_FRAMES) ** 2)))
    return float(np.quantile(told, 0.75)), error


def _slope(decibels: Floats) -> float:
    at_s = _at_s(len(decibels))
    return float(decibels @ at_s / (at_s @ at_s))


def _at_s(count: int) -> Floats:
    """Times of so many frames, from their middle."""
    return np.asarray(FRAME_S * (np.arange(count) - (count - 1) / 2), np.float64)


def _tone_hz(sound: Floats, rate_hz: float) -> float | None:
    """The strongest line (Hz) where lines that are no hum hold most of the power, or None.

    Hum is what is near a harmonic of the mains up to 1 kHz; above, any line is a tone. Lines of
    what turns, below 130 Hz, are none. `sound` is mono, shape (frames,).
    """
    if not len(sound):
        return None
    power = np.abs(np.asarray(fft.rfft((sound - sound.mean()) * np.hanning(len(sound))))) ** 2
    step_hz = rate_hz / len(sound)
    beside = ndimage.median_filter(power, 2 * round(_BESIDE_HZ / step_hz) + 1, mode="nearest")
    reach = max(1, round(_LINE_WIDTH_HZ / step_hz))
    highest = ndimage.maximum_filter1d(power, 2 * reach + 1)
    held, strongest, told_hz = 0.0, 0.0, 0.0
    for row in np.flatnonzero((power == highest) & (power > _LINE_OVER * beside)):
        near = slice(max(0, row - reach), row + reach + 1)
        line = float(power[near].sum())
        hz = float(power[near] @ np.arange(len(power))[near]) / line * step_hz
        if hz > _MOTOR_HZ and not _of_mains(hz):
            held += line
            strongest, told_hz = max((strongest, told_hz), (line, hz))
    return told_hz if held > _MOST_TONE * float(power.sum()) else None


def _of_mains(hz: float) -> bool:
    if hz > _HUMS_TO_HZ:
        return False
    off_hz = min(abs(hz - mains_hz * round(hz / mains_hz)) for mains_hz in _MAINS_HZ)
    return off_hz <= max(_LEAST_OFF_HZ, _MAINS_OFF * hz)


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
