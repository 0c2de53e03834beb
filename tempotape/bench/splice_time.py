"""When the ticks of a splice come, to some hundredths of a millisecond, and what that tells.

A machine keeps time better than tape. Heard through tape its beat is late by the delay, which
wavers about one value; a loop's turns add up, so that its ticks walk away from an even beat.
How likely either is can be worked out, the noise of the timing being known.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PLACES = 254.0  # steps of a place within a bin
_PROFILE_PART = 0.02  # of the loudest bin of the mean tick
# No tape is so steady that its splice keeps time to this; a metronome is, to the nearest sample.
_EVEN_S = 1e-5
_ROUNDED = 0.3  # of a sample: a place rounded to it is off by one over the root of 12
_EVEN_CHANCE = 0.05
_ROUNDS = 4
_FLAT = 1e-30
_LEAST_SIZE = 0.3  # of the mean tick
_MOST_WEIGHED = 80  # ticks, from the first on: all of many take long
# A turn of a loop of tape differs from the one before by this much of it.
_STEPS = np.geomspace(5e-5, 2e-3, 12)
_EVEN_SIZES = np.array([0.7, 1.0, 1.4, 2.0])  # of what noise explains
_DEVIATIONS_S = np.geomspace(2e-5, 6e-3, 10)  # of a delay
_ROUGH = (0.01, 0.15)  # the part of a deviation that scatters
_SLOWEST_HZ = 0.02  # of wow: a long loop's turn
_MOST_PACES = 80
_SMOOTH_S = (0.5, 1.0, 2.0, 4.0, 8.0)


class Band(NamedTuple):
    """Power in each bin, where in it the power lies, and the noise of the quiet."""

    power: Floats
    places: npt.NDArray[np.int8]  # from the middle of the bin, in 254ths of it
    smooth: Floats
    tenth: float  # the loudest tenth of the noise, smoothed
    floor: float
    variance: float
    reach: int  # bins before and after its loudest that a tick may fill
    sound: Floats | None = None  # one sample a bin, where that is enough of it


class Timed(NamedTuple):
    """The line through the ticks at `t_s`, `turns` counted from the first.

    `rms_s` is their scatter, `noise_s` what noise explains of it and `even_s` what a machine may.
    """

    t_s: Floats
    turns: Floats
    period_s: float
    error_s: float
    rms_s: float
    noise_s: float
    even_s: float


class Wander(NamedTuple):
    """Logarithms of how much better a loop's walk explains the ticks than what a machine plays.

    It may be heard as it is played, or through tape: late by a delay that scatters, that goes to
    and fro at one pace, or that wavers smoothly.
    """

    over_even: float
    over_scatter: float
    over_waves: float
    over_smooth: float


def centre(band: Band, at: npt.NDArray[np.intp], number: int) -> float:
    """Where the power above the floor lies in the bins `at`, in bins from the first one's start."""
    above = np.maximum(band.power[at] - band.floor, 0.0)
    total = float(np.sum(above))
    if total <= 0.0:
        return number + 0.5
    return float(np.sum((at + band.places[at] / PLACES) * above)) / total + 0.5


def timed(
    band: Band, bins: npt.NDArray[np.intp], turns: Floats, bin_s: float, sample_s: float
) -> Timed:
    """A line through the ticks, each timed by its likeness to the mean tick."""
    middle, noise = _by_power(band, bins)
    if band.sound is not None:
        middle, noise = _by_shape(band.sound, middle, band.reach, band.floor)
    noise_s = bin_s * math.sqrt(float(np.mean(noise)))
    return line_through(middle * bin_s, turns, noise_s, math.hypot(_EVEN_S, _ROUNDED * sample_s))


def line_through(t_s: Floats, turns: Floats, noise_s: float, even_s: float) -> Timed:
    """A line through ticks at `t_s`, timed with that noise, by what a machine is as even as."""
    centred = turns - np.mean(turns)
    spread = float(np.sum(centred**2))
    period_s = float(np.sum(centred * t_s)) / spread
    off = t_s - np.mean(t_s) - period_s * centred
    # Few ticks may lie on a line by chance: what is expected at least counts as two of them.
    scatter = (float(np.sum(off**2)) + 2.0 * (noise_s**2 + even_s**2)) / len(off)
    # The mean turn is known as well as both ends of them all, and the speed moves those.
    moved = max(float(np.sum(off**2)) / (len(off) - 2) - noise_s**2 - even_s**2, 0.0)
    ends = 2.0 * moved / float(np.ptp(turns)) ** 2
    return Timed(
        t_s,
        turns,
        period_s,
        math.sqrt(scatter / spread + ends),
        math.sqrt(float(np.sum(off**2)) / (len(off) - 2)),
        noise_s,
        even_s,
    )


def _by_power(band: Band, bins: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Where the power of each tick lies in the bins that the mean tick fills, and its variance."""
    around = np.arange(-band.reach, band.reach + 1)
    at = np.clip(bins[:, None] + around, 0, len(band.power) - 1)
    above = band.power[at] - band.floor
    mean = above.mean(axis=0)
    used = mean > _PROFILE_PART * mean.max()
    used[1:] |= used[:-1].copy()
    used[:-1] |= used[1:].copy()
    above, at = np.maximum(above[:, used], 0.0), at[:, used]
    # A tick may stand out in another band alone: then the middle of these bins is as good a guess.
    above[above.sum(axis=1) <= 0.0] = band.floor
    total = above.sum(axis=1)
    where = at + band.places[at] / PLACES
    middle = (where * above).sum(axis=1) / total
    # The power of noise scatters by itself, and with the tick's amplitude.
    variance = band.variance * (1.0 + 2.0 * above / band.floor)
    noise = (((where - middle[:, None]) ** 2 * variance).sum(axis=1)) / total**2
    return middle, noise


def _by_shape(sound: Floats, about: Floats, reach: int, floor: float) -> tuple[Floats, Floats]:
    """Where each tick, `about` there, is most like the mean tick (least squares), and its variance.

    The variance is that of white noise of power `floor` (the bound of Cramer and Rao).
    """
    from scipy.ndimage import map_coordinates, spline_filter1d  # noqa: PLC0415

    around = np.arange(-2 * reach, 2 * reach + 1)
    low, high = max(int(about.min()) - 4 * reach, 0), int(about.max()) + 4 * reach + 1
    spline = spline_filter1d(sound[low:high], mode="nearest")
    late, size, steep = np.zeros(len(about)), np.ones(len(about)), 1.0
    for _ in range(_ROUNDS):
        places = (about + late - low)[:, None] + around
        heard = map_coordinates(spline, [places], mode="nearest", prefilter=False)
        mean = heard.mean(axis=0)
        slope = np.gradient(mean)
        steep = max(float(slope @ slope), _FLAT)
        size = np.maximum(heard @ mean / max(float(mean @ mean), _FLAT), _LEAST_SIZE)
        step = -((heard - size[:, None] * mean) @ slope) / (size * steep)
        late = np.clip(late + step, -reach, reach)
    return about + late, floor / (size**2 * steep)


def may_be_even(ticks: Timed) -> bool:
    """Whether noise alone may scatter the ticks as much (chi-squared, one-sided)."""
    from scipy.special import chdtri  # noqa: PLC0415

    free = len(ticks.t_s) - 2
    most = float(chdtri(free, _EVEN_CHANCE)) / free
    return ticks.rms_s**2 < most * (ticks.noise_s**2 + ticks.even_s**2)


def wander(ticks: Timed) -> Wander:
    """How far the ticks walk as a loop's do: ratios of marginal likelihoods, restricted to what
    offset and period leave (Patterson and Thompson 1971), each model's sizes weighed evenly.
    """
    order = np.argsort(ticks.turns)[:_MOST_WEIGHED]
    turns, t_s = ticks.turns[order], ticks.t_s[order]
    count = len(turns)
    since = turns - turns[0]
    line = np.stack([np.ones(count), since - np.mean(since)], axis=1)
    rest = np.linalg.qr(line, mode="complete")[0][:, 2:]
    off = rest.T @ (t_s - ticks.period_s * since)
    known = ticks.noise_s**2 + ticks.even_s**2
    apart_s = np.abs(since[:, None] - since[None, :]) * ticks.period_s

    def weighed(shape: Floats, sizes: Floats, rough: tuple[float, ...]) -> float:
        sizes2, turned = np.linalg.eigh(rest.T @ shape @ rest)
        square = (turned.T @ off) ** 2
        part = np.array(rough)[:, None, None]
        variance = known + sizes[:, None] ** 2 * ((1.0 - part) * np.maximum(sizes2, 0.0) + part)
        return _mean_of_logs(-0.5 * np.sum(np.log(variance) + square / variance, axis=-1))

    steps = np.minimum(since[:, None], since[None, :])
    walked = weighed(steps, _STEPS * ticks.period_s, (0.0,))
    even = weighed(np.eye(count), math.sqrt(known) * _EVEN_SIZES, (0.0,))
    scattered = weighed(np.eye(count), _DEVIATIONS_S, (0.0,))
    # Faster than half the ticks' rate it looks slower; slower than a turn of them all, a drift.
    highest_hz = max(0.5 / ticks.period_s, 2.0 * _SLOWEST_HZ)
    paces_hz = np.linspace(_SLOWEST_HZ, highest_hz, min(2 * count, _MOST_PACES))
    waves = _mean_of_logs(
        np.array(
            [
                weighed(np.cos(2.0 * math.pi * hz * apart_s), _DEVIATIONS_S, _ROUGH)
                for hz in paces_hz
            ]
        )
    )
    smooth = max(
        weighed(np.exp(-0.5 * (apart_s / over_s) ** 2), _DEVIATIONS_S, _ROUGH)
        for over_s in _SMOOTH_S
    )
    return Wander(walked - even, walked - scattered, walked - waves, walked - smooth)


def _mean_of_logs(logs: Floats) -> float:
    most = float(np.max(logs))
    return most + math.log(float(np.mean(np.exp(logs - most))))
