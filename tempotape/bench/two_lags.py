"""Whether lags are two that take turns, as those of a beat and of an echo do.

A tape that strays so far passes the lags between, and one that slips does it once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tempotape.bench.recording import Samples

APART_S, APART_PART = 0.003, 0.7  # between the two; and of all that the lags stray
FEWEST_LAGS, OFTEN = 12, 0.4  # of the lags: so often the one follows the other
FEWEST_OTHERS = 6


def take_turns(lags: Samples, rate: float) -> bool:
    """Whether lags, in samples at the rate, go to and fro between two with none between."""
    if len(lags) < FEWEST_LAGS:
        return False
    order = np.sort(lags)
    gaps = np.diff(order)
    widest = int(np.argmax(gaps))
    middle = (order[widest] + order[widest + 1]) / 2
    apart = gaps[widest] > max(APART_S * rate, APART_PART * np.ptp(lags))
    return bool(apart and _turns(lags > middle) > OFTEN * len(lags))


def of_another(lags: Samples, others: NDArray[np.bool_], near: float) -> bool:
    """Whether those `others` of the lags, NaN where there is none, are all at one, in turn.

    All but the outermost tenths of them are as `near` one another as that, in samples.
    """
    known = np.isfinite(lags)
    lags, others = lags[known], others[known]
    count = int(others.sum())
    if count < FEWEST_OTHERS:
        return False
    low, high = np.percentile(lags[others], (10, 90))
    return bool(high - low < near and _turns(others) > min(count, len(others) - count))


def _turns(mask: NDArray[np.bool_]) -> int:
    """How often what is in the mask and what is not follow one another."""
    return int(np.count_nonzero(np.diff(mask)))
