"""The strongest lines in the spectrum of a deviation, and what turns at their rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from tempotape.bench.weighting import UNWEIGHTED_HZ, Floats

_MOST = 8
_OVER_FLOOR = 10 ** (14.0 / 20.0)
_OVER_STRONGEST = 10 ** (-26.0 / 20.0)
_APART_BINS = 2.5  # the main lobe of a Hann window reaches 2
_FLOOR_BINS = 41
_ROUNDS = 4
_MOST_HARMONIC = 12
_LEAST_FACTOR = 0.2


class Component(msgspec.Struct, frozen=True):
    """A line of the deviation: `percent` is its peak, as a sine's.

    `replay_factor` is `2|sin(pi f tau)|`, by which recording and replaying across the delay tau
    multiplies a speed error, and `speed_percent` the tape's own error; None where the delay is not
    known, or where the factor is too small to divide by. `turns` says what turns at this rate:
    `loop`, `loop, 2nd harmonic` and so on, `not the loop`, or None where the loop's period is not
    known.
    """

    hz: float
    percent: float
    replay_factor: float | None = None
    speed_percent: float | None = None
    turns: str | None = None


class Line(NamedTuple):
    """`cosine * cos(2 pi hz t) + sine * sin(2 pi hz t)`, with t from the first sample."""

    hz: float
    cosine: float
    sine: float

    @property
    def peak(self) -> float:
        return math.hypot(self.cosine, self.sine)

    def drawn(self, length: int, rate_hz: float, factor: float = 1.0) -> Floats:
        """The line times `factor`, as `length` samples."""
        turn = 2.0 * math.pi * self.hz / rate_hz * np.arange(length)
        return np.asarray(factor * (self.cosine * np.cos(turn) + self.sine * np.sin(turn)))


def lines_of(series: Floats, rate_hz: float) -> tuple[Line, ...]:
    """At most eight lines from 0.1 to 200 Hz that stand 14 dB over the floor, strongest first."""
    length = len(series)
    bin_hz = rate_hz / length
    window = np.hanning(length)
    # The mean as the window sees it, so that what is left of it does not drown the slowest line.
    spectrum = np.fft.rfft((series - np.average(series, weights=window)) * window)
    amplitude = 2.0 * np.abs(spectrum) / float(np.sum(window))
    low, high = UNWEIGHTED_HZ
    first = max(1, math.ceil(low / bin_hz))
    last = min(len(amplitude) - 2, int(high / bin_hz))
    floor = _floor(amplitude[: last + _FLOOR_BINS])
    inner = amplitude[first : last + 1]
    peaks = (inner >= amplitude[first - 1 : last]) & (inner > amplitude[first + 1 : last + 2])
    numbers = np.flatnonzero(peaks & (inner > _OVER_FLOOR * floor[first : last + 1])) + first
    places: list[float] = []
    strongest = float(np.max(amplitude[numbers], initial=0.0))
    for number in numbers[np.argsort(-amplitude[numbers])]:
        if amplitude[number] < _OVER_STRONGEST * strongest or len(places) == _MOST:
            break
        place = _between_bins(amplitude, int(number))
        if all(abs(place - other) > _APART_BINS for other in places):
            places.append(place)
    lines = _fitted(series, rate_hz, [place * bin_hz for place in places])
    return tuple(sorted(lines, key=lambda line: -line.peak))


def components_of(
    lines: Sequence[Line], length_s: float, delay_s: float | None, loop_period_s: float | None
) -> tuple[Component, ...]:
    """Lines in percent, found in a series of `length_s`, with what turns at their rate."""
    return tuple(
        _named(line.hz, line.peak, 1.0 / length_s, delay_s, loop_period_s) for line in lines
    )


def _fitted(series: Floats, rate_hz: float, places_hz: list[float]) -> list[Line]:
    """The lines by least squares, each frequency moved by at most half a bin (Gauss-Newton)."""
    if not places_hz:
        return []
    step = max(1, int(rate_hz / (4.0 * max(*places_hz, 25.0))))
    thinned = series[: len(series) // step * step].reshape(-1, step).mean(axis=1)
    # A mean over `step` samples stands at their middle, and is smaller by a Dirichlet factor.
    t = (np.arange(len(thinned)) * step + (step - 1) / 2.0) / rate_hz
    length_s = len(series) / rate_hz
    hz = np.array(places_hz)
    for _ in range(_ROUNDS):
        turn = 2.0 * math.pi * np.outer(t, hz)
        cosines, sines = np.cos(turn), np.sin(turn)
        columns = np.hstack([np.ones((len(t), 1)), cosines, sines])
        fit = np.linalg.lstsq(columns, thinned, rcond=None)[0]
        cosine, sine = fit[1 : len(hz) + 1], fit[len(hz) + 1 :]
        slopes = 2.0 * math.pi * t[:, None] * (sine * cosines - cosine * sines)
        move = np.linalg.lstsq(np.hstack([columns, slopes]), thinned, rcond=None)[0]
        moved = hz + move[-len(hz) :]
        half_bin = 0.5 / length_s
        hz = np.clip(moved, np.array(places_hz) - half_bin, np.array(places_hz) + half_bin)
        hz = np.maximum(hz, UNWEIGHTED_HZ[0] / 2.0)
    shrunk = np.sinc(hz * step / rate_hz) / np.sinc(hz / rate_hz)
    return [
        Line(float(f), float(c / k), float(s / k))
        for f, c, s, k in zip(hz, cosine, sine, shrunk, strict=True)
    ]


def _floor(amplitude: Floats) -> Floats:
    from scipy.ndimage import median_filter  # noqa: PLC0415 - loaded by what needs it

    return np.asarray(median_filter(amplitude, size=_FLOOR_BINS, mode="nearest"))


def _between_bins(amplitude: Floats, peak: int) -> float:
    """The place of a line between the bins of a Hann-windowed spectrum.

    A line at offset x from the larger bin has its neighbour at (1 + x) / (2 - x) of it.
    """
    side = 1 if amplitude[peak + 1] >= amplitude[peak - 1] else -1
    ratio = float(amplitude[peak + side] / amplitude[peak])
    return peak + side * min(max((2.0 * ratio - 1.0) / (1.0 + ratio), 0.0), 0.5)


def _named(
    hz: float, percent: float, bin_hz: float, delay_s: float | None, loop_period_s: float | None
) -> Component:
    factor = None if delay_s is None else 2.0 * abs(math.sin(math.pi * hz * delay_s))
    speed = percent / factor if factor is not None and factor > _LEAST_FACTOR else None
    turns = None if loop_period_s is None else _what_turns(hz, bin_hz, loop_period_s)
    return Component(hz, percent, factor, speed, turns)


def _what_turns(hz: float, bin_hz: float, loop_period_s: float) -> str:
    """The loop turns once in `loop_period_s`; its harmonics are told as far as they stand apart."""
    turn = hz * loop_period_s
    harmonic = round(turn)
    told_apart = bin_hz * loop_period_s < 0.5
    near = abs(turn - harmonic) < max(0.3 * bin_hz * loop_period_s, 0.01 * turn)
    if not (1 <= harmonic <= _MOST_HARMONIC and told_apart and near):
        return "not the loop"
    if harmonic == 1:
        return "loop"
    ending = {2: "nd", 3: "rd"}.get(harmonic, "th")
    return f"loop, {harmonic}{ending} harmonic"
