"""When the ticks of a splice come, to some hundredths of a millisecond, and what that tells.

A machine keeps time better than tape. Heard through tape its beat is late by the delay, which
wavers about one value; a loop's turns add up, so that its ticks walk away from an even beat.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PROFILE_BINS = 6
PLACES = 254.0  # steps of a place within a bin
_PROFILE_PART = 0.02  # of the loudest bin of the mean tick
# No tape is so steady that its splice keeps time to this; a metronome is, to the nearest sample.
_EVEN_S = 1e-5
_ROUNDED = 0.3  # of a sample: a place rounded to it is off by one over the root of 12
_EVEN_CHANCE = 0.05
_MOST_WEIGHED = 200  # ticks; more tell no more, and take long
_WALKS = np.logspace(-3.0, 3.0, 13)  # variance of the walk's step over that of the tick's timing
# Slow wow makes the delay waver over some seconds; a tick follows it by that much of its scatter.
_WAVERS_S = (0.3, 1.0, 2.0, 4.0)
_WAVERING = (0.3, 0.6, 0.9, 0.99)


class Band(NamedTuple):
    """Power in each bin, where in it the power lies, and the noise of the quiet."""

    power: Floats
    places: npt.NDArray[np.int8]  # from the middle of the bin, in 254ths of it
    smooth: Floats
    tenth: float  # the loudest tenth of the noise, smoothed
    floor: float
    variance: float


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
    """Logarithms of how much better a walk explains the ticks than what stays near a beat does."""

    over_scatter: float
    over_wavering: float


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
    """A line through the ticks, each timed by the bins that the mean tick fills."""
    around = np.arange(-PROFILE_BINS, PROFILE_BINS + 1)
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
    t_s = middle * bin_s
    centred = turns - np.mean(turns)
    spread = float(np.sum(centred**2))
    period_s = float(np.sum(centred * t_s)) / spread
    off = t_s - np.mean(t_s) - period_s * centred
    noise_s = bin_s * math.sqrt(float(np.mean(noise)))
    even_s = math.hypot(_EVEN_S, _ROUNDED * sample_s)
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


def may_be_even(ticks: Timed) -> bool:
    """Whether noise alone may scatter the ticks as much (chi-squared, one-sided)."""
    from scipy.special import chdtri  # noqa: PLC0415

    free = len(ticks.t_s) - 2
    most = float(chdtri(free, _EVEN_CHANCE)) / free
    return ticks.rms_s**2 < most * (ticks.noise_s**2 + ticks.even_s**2)


def wander(ticks: Timed) -> Wander:
    """How far the ticks walk as a loop's do, by restricted maximum likelihood.

    Compared are: independent scatter; the same with a random walk; the same with a deviation
    that forgets itself in up to 4 s (the delay of what a machine plays, under wow).
    """
    order = np.argsort(ticks.turns)[:_MOST_WEIGHED]
    turns, t_s = ticks.turns[order], ticks.t_s[order]
    count = len(turns)
    line = np.stack([np.ones(count), turns - np.mean(turns)], axis=1)
    rest = np.linalg.qr(line, mode="complete")[0][:, 2:]
    off = rest.T @ (t_s - ticks.period_s * (turns - turns[0]))
    alone = np.eye(count)
    since = turns - turns[0]
    walk = np.minimum(since[:, None], since[None, :])
    apart_s = np.abs(since[:, None] - since[None, :]) * ticks.period_s
    scattered = _likelihood(rest, off, alone)
    walked = max(_likelihood(rest, off, alone + step * walk) for step in _WALKS)
    wavered = max(
        _likelihood(rest, off, (1.0 - part) * alone + part * np.exp(-apart_s / forgets_s))
        for part in _WAVERING
        for forgets_s in _WAVERS_S
    )
    return Wander(walked - scattered, walked - max(wavered, scattered))


def _likelihood(rest: Floats, off: Floats, covariance: Floats) -> float:
    """The logarithm of the likelihood of `off`, its scale free, up to a constant."""
    lower = np.linalg.cholesky(rest.T @ covariance @ rest)
    even = np.linalg.solve(lower, off)
    scale = 0.5 * len(off) * math.log(max(float(even @ even), 1e-300))
    return -scale - float(np.sum(np.log(np.diag(lower))))
