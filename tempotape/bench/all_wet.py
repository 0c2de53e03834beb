"""Whether nothing but the unit is heard: then what a copy copies is a repeat already."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tempotape.bench.explaining import Evidence, Explanation, turned_over
from tempotape.bench.leftover import further_gain
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import Passing, passing

ALIKE_DB, SURE_DB, KNOWN_DB, WELL_KNOWN_DB = 0.18, 0.3, 0.1, 0.06
UNLIKE_DB, UNLIKE_ERRORS = 0.3, 5.0
ALIKE_PART, ALIKE_ERRORS = 0.08, 3.0  # of the gain
CLEAR_S, FEW, SECOND = 0.008, 5, 12  # between sounds that do not run into one another


def all_wet(best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether the unit does to the copies what it does to the originals: these are repeats too.

    Beside a played sound it would be chance.
    """
    if turned_over(best, evidence):
        return False
    off_db, error_db = _unlike_in_pairs(best, evidence, sound, copies)
    if off_db < ALIKE_DB + 2 * error_db and error_db < KNOWN_DB:
        return True
    sure = error_db < WELL_KNOWN_DB or off_db > UNLIKE_DB + UNLIKE_ERRORS * error_db
    if np.isfinite(off_db) and sure:
        return False
    difference, error = further_gain(best, evidence, sound)
    return abs(difference) < ALIKE_PART + ALIKE_ERRORS * error


def _unlike_in_pairs(
    best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> tuple[float, float]:
    """How far first copies are to their originals from what second copies are to first ones.

    In dB, the median of bands, and its error; infinite where they do not tell.
    """
    first = best.has_first_copy
    if first.sum() < 2 or best.has_further_copy.sum() < max(2, best.copied // 2):
        return np.inf, 0.0
    second = _loudest(best, evidence)
    one, other = (_changed(best, evidence, rows, sound, copies) for rows in (first, second))
    # Further copies are duller: each with its own weight would be looked at in bands of its own.
    weight = np.sqrt(one.weight / one.weight.sum() * other.weight / other.weight.sum())
    (one_db, one_error), (other_db, other_error) = one.band_db(weight), other.band_db(weight)
    error_db = np.hypot(one_error, other_error)
    sure = error_db < SURE_DB
    if not sure.any():
        return np.inf, 0.0
    return float(np.median(np.abs(one_db - other_db)[sure])), float(np.median(error_db[sure]))


def _loudest(found: Explanation, evidence: Evidence) -> NDArray[np.bool_]:
    """The loudest copies of which there are copies: fainter repeats are drowned in others."""
    deep = np.flatnonzero(found.has_further_copy)
    loud = deep[np.argsort(-evidence.energy[deep])[: max(found.copied, SECOND)]]
    rows = np.zeros(len(found.has_further_copy), bool)
    rows[loud] = True
    return rows


def _changed(
    found: Explanation,
    evidence: Evidence,
    rows: NDArray[np.bool_],
    sound: Whitened,
    copies: Whitened,
) -> Passing:
    """What attacks are changed by to copies, seen so that neighbours do not run in."""
    apart = _apart(found, evidence, rows)
    one, other = sound.brief, copies.brief
    return passing(one, other, evidence.at[apart], found.lag[apart], evidence.length_s)


def _apart(found: Explanation, evidence: Evidence, rows: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Those `rows` whose attack and copy no other sound runs into; the best where those are few."""
    chosen = np.flatnonzero(rows)
    near = evidence.near_s * evidence.rate
    gaps = np.full(len(chosen), np.inf)
    for at in (evidence.at[chosen], evidence.at[chosen] + found.lag[chosen]):
        off = np.abs(at[:, None] - evidence.at[None, :])
        gaps = np.minimum(gaps, np.where(off > near, off, np.inf).min(axis=1))
    clear = evidence.length_s * evidence.rate + CLEAR_S * evidence.rate
    few = min(FEW, len(gaps))
    rows_apart: NDArray[np.int64] = chosen[gaps >= min(clear, float(np.sort(gaps)[-few]))]
    return rows_apart
