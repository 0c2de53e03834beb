"""Courses along which a delay may drift during a recording, as while the motor warms up.

A drift of a few percent spreads the copies over so many lags that they crowd at none. Along its
course they fall together again, so courses of many shapes are tried: in what is played, whose tempo
may move too, chance finds some for a few copies.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tempotape.bench.copies import Matches
from tempotape.bench.recording import Samples

SLOPES, BENDS = np.arange(-10, 11) * 0.008, np.arange(-8, 9) * 0.01  # of the lag, to either end
BIN, BESIDE = 0.002, 0.03  # of the lag
LEAST_COHERENCE, FEWEST = 0.4, 6
STEEPER = 1.2  # so many times the copies about one lag
OF_A_SHAPE, MOST = 3, 12


def courses(found: Matches, times: Samples, low: float, high: float) -> list[Samples]:
    """Lags for each attack, shape (attacks,), along which clearly more copies lie than at one lag.

    All in samples, the lags in the middle between `low` and `high`; those with most copies first.
    Times rise, and `high` is more than one in a hundred above `low`. In the logarithm of the lag a
    course is a line and a parabola on it.
    """
    if len(times) < FEWEST:
        return []
    strong = np.abs(found.coherence) > LEAST_COHERENCE
    away = 2 * (times - times[0]) / (times[-1] - times[0]) - 1
    shapes = [
        slope * away + bend * (away**2 - 1 / 3) for slope, bend in itertools.product(SLOPES, BENDS)
    ]
    level = len(shapes) // 2  # neither slope nor bend
    attack, lag = found.attack[strong], np.log(found.lag[strong] / low) / BIN
    heard = np.abs(found.coherence[strong])
    count = int(np.log(high / low) / BIN)
    level_crowds = ndimage.maximum_filter1d(_crowds(lag, heard, count), 2 * round(BESIDE / BIN) + 1)
    told: list[tuple[float, int, int]] = []
    for number, shape in enumerate(shapes):
        if number == level:
            continue
        crowds = _crowds(lag - shape[attack] / BIN, heard, count)
        more = crowds - np.maximum(STEEPER * level_crowds, FEWEST)
        told += [
            (float(crowds[k]), int(k), number)
            for k in np.argpartition(-more, OF_A_SHAPE)[:OF_A_SHAPE]
            if more[k] > 0
        ]
    told.sort(reverse=True)
    kept: list[tuple[int, int]] = []
    for _, k, number in told:
        if all(abs(k - other) > BESIDE / BIN for other, _ in kept):
            kept.append((k, number))
            if len(kept) == MOST:
                break
    return [low * np.exp((k + 0.5) * BIN + shapes[number]) for k, number in kept]


def _crowds(lag: Samples, heard: Samples, count: int) -> NDArray[np.float64]:
    """How much was heard in each bin and both beside it."""
    inside = (lag >= 0) & (lag < count)
    crowds = np.bincount(lag[inside].astype(int), heard[inside], count)
    return np.convolve(crowds, np.ones(3), "same")
