"""Whether chance could make so many copies fall so exactly in line.

In hiss an attack seems to come again at many lags, nowhere much like itself. Those of different
attacks lie near one line over the recording only by chance; those of a tape's copies all do.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from tempotape.bench.explaining import IN_HISS, WIDEST_S, WIDTH, Evidence, Explanation
from tempotape.bench.offered import LEAST_COPIES, LONGEST_S
from tempotape.bench.recording import Samples

SURELY_NOT, MAY_BE = -6.0, -2.0  # log 10 of how many lines chance makes
TIMED = 0.05  # samples: no lag is told more exactly
LASTING = 6  # copies of copies for each first one
NEIGHBOURS = 3  # times the width searched: how crowded it is about a lag


def not_by_chance(
    costs: list[tuple[Explanation, float]], evidence: Evidence
) -> list[tuple[Explanation, float]]:
    """The explanations without those that chance may make, where others surely are not so made."""
    made = [lines_by_chance(found, evidence) for found, _ in costs]
    if min(made, default=0.0) > SURELY_NOT:
        return costs
    return [
        pair
        for pair, lines in zip(costs, made, strict=True)
        if lines < MAY_BE or not (evidence.alike or pair[0].likeness < IN_HISS)
    ]


def lines_by_chance(found: Explanation, evidence: Evidence) -> float:
    """How many lines like the one of these copies chance would make, log 10, or rather more.

    Of n attacks any j may take part; a first copy may fall anywhere, a second where a delay may
    stray to, and the others near the line of those: C(n, j) L S H^(j - 2), with how many lags of an
    attack seem to be copies in all (L), where a delay may stray (S) and near the line (H). For the
    j of the copies that are the likeliest not to be by chance; of all of them where, as in a unit
    near oscillation, most are copies of copies.
    """
    lasting = found.has_further_copy.sum() > LASTING * found.copied
    rows = np.flatnonzero(found.has_copy if lasting else found.has_first_copy)
    if len(rows) < LEAST_COPIES:
        return 0.0
    lags, at = found.lag[rows], evidence.at[rows].astype(float)
    left = lags - stats.theilslopes(lags, at)[0] * at
    off = np.sort(np.abs(left - np.median(left)))
    signed = evidence.matches.like(found.sign) > 0
    a_sample, stray = _density(evidence.matches.lag[signed], found, evidence)
    among = len(found.lag) if lasting else max(found.awaited, len(rows))
    count = np.arange(LEAST_COPIES, len(rows) + 1)
    near = np.minimum(1.0, 2 * a_sample * np.maximum(off[LEAST_COPIES - 1 :], TIMED))
    lines = (
        _log_choices(among, count)
        + np.log(max(1.0, a_sample * LONGEST_S * evidence.rate))
        + np.log(min(1.0, 2 * a_sample * stray))
        + (count - 2) * np.log(near)
    )
    return float(np.min(lines) / np.log(10))


def _density(lags: Samples, found: Explanation, evidence: Evidence) -> tuple[float, float]:
    """How many lags an attack seems to come again at, a sample; how far a delay may stray."""
    stray = min(WIDTH * found.middle, WIDEST_S * evidence.rate)
    about = np.abs(lags - found.middle) < NEIGHBOURS * stray
    all_over = len(lags) / (LONGEST_S * evidence.rate)
    crowd = float(about.sum()) / (2 * NEIGHBOURS * stray)
    return max(all_over, crowd) / len(evidence.at), stray


def _log_choices(among: int, count: NDArray[np.int64]) -> Samples:
    out: Samples = (
        special.gammaln(among + 1) - special.gammaln(count + 1) - special.gammaln(among - count + 1)
    )
    return out
