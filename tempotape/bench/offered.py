"""The explanations that a recording offers, one for each lag at which enough comes again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tempotape.bench.drifting import courses
from tempotape.bench.explaining import (
    UNLIKE,
    Evidence,
    Explanation,
    candidates,
    explain,
)
from tempotape.bench.recording import Samples
from tempotape.bench.two_lags import take_turns

SHORTEST_S, LONGEST_S = 0.030, 5.0  # of a delay
LEAST_COPIES, SOME_PRESENCE = 3, 0.3
WILD, WILD_S, WILD_SCATTER_DB = 0.005, 0.002, 4.0  # scatter not worth comparing
FLUTTERING, FLUTTERING_LIKENESS, FLUTTERING_SCATTER_DB = 0.02, 0.8, 0.5
TWIN_S, MUCH_LIKER = 0.003, 0.1  # between lags that are one; in coherence
HARDLY, FURTHER, FEW_FURTHER = 0.02, 0.5, 0.25  # in coherence; of first copies; of further ones
ABOUT_AS_MUCH = 1.1  # of the sounds left over
DRIFT_PRESENCE, DRIFT_LAGS = 0.8, 8  # of the copies due; so many lags long
PARTED = 4  # of the best lags, also their parts are tried


def offered(evidence: Evidence) -> list[Explanation]:
    """The explanations that the evidence offers, the one that leaves least over first."""
    told = sorted([*_by_lags(evidence), *_by_courses(evidence)], key=_cost)
    # Copies of copies may be more like what is played, in a band of their own, than copies.
    parts = [found.middle / times for found in told[:PARTED] for times in (2, 3, 4)]
    told += [part for lag in parts if (part := _offered_by(evidence, lag, 0))]
    told.sort(key=_cost)
    kept: list[Explanation] = []
    for found in told:
        twin = next((k for k, other in enumerate(kept) if _twins(found, other)), None)
        if twin is None:
            kept.append(found)
        elif _turned_wrongly(kept[twin], found):
            kept[twin] = found
    return sorted(kept, key=_cost)


def _cost(found: Explanation) -> float:
    return found.cost


def _by_lags(evidence: Evidence) -> Iterator[Explanation]:
    """The explanations by single lags, with copies of the likelier sign and of either."""
    rate, room = evidence.rate, evidence.end - evidence.at.astype(float)
    for lag, sign in candidates(evidence.matches, room, SHORTEST_S * rate, LONGEST_S * rate):
        for taken in (sign, 0):
            found = _offered_by(evidence, lag, taken)
            if found is not None:
                yield found


def _by_courses(evidence: Evidence) -> Iterator[Explanation]:
    """The explanations by lags that drift."""
    rate, at = evidence.rate, evidence.at.astype(float)
    for course in courses(evidence.matches, at, SHORTEST_S * rate, LONGEST_S * rate):
        for taken in (1, -1, 0):
            found = _offered_by(evidence, course, taken)
            if found is not None and _drifts(found, evidence):
                yield found


def _turned_wrongly(found: Explanation, other: Explanation) -> bool:
    """Whether copies are more like turned the other way, and explain about as much.

    Or nearly as like turned either way, where only then copies are copied again. In a narrow band a
    copy correlates half a period off as well, turned over; the half periods then make up for what
    the delay strays by.
    """
    if found.sign == 0 and other.sign and other.left_over <= found.left_over:
        # Of either sign, more copies are what hiss makes.
        return other.likeness > found.likeness + HARDLY and other.cost < found.cost + 1
    if other.sign == 0 and other.left_over <= ABOUT_AS_MUCH * found.left_over:
        # First copies may be turned over, and further ones, of these, not again.
        liker = other.first_likeness - found.first_likeness
        if liker > -HARDLY and _goes_further(other, found):
            return True
        return liker > MUCH_LIKER and other.left_over <= found.left_over
    if found.sign * other.sign >= 0 or other.likeness <= found.likeness:
        return False
    much_liker = other.likeness > found.likeness + MUCH_LIKER
    return (much_liker and other.left_over <= found.left_over) or other.cost < found.cost + 1


def _goes_further(one: Explanation, other: Explanation) -> bool:
    """Whether by the one copies are copied again, and hardly any by the other."""
    further, others_further = int(one.has_further_copy.sum()), int(other.has_further_copy.sum())
    return further > FURTHER * one.copied and others_further < FEW_FURTHER * further


def _offered_by(evidence: Evidence, lag: float | Samples, sign: int) -> Explanation | None:
    """The explanation by a lag, or a course of one for each attack, if it is one at all."""
    if np.min(lag) < SHORTEST_S * evidence.rate:
        return None
    found = explain(evidence, lag, sign)
    if not found.copied or found.has_copy.sum() < LEAST_COPIES or not _plausible(found):
        return None
    return found


def _drifts(found: Explanation, evidence: Evidence) -> bool:
    """Whether nearly all copies are there along a course, alike, and it is many lags long.

    Of so many courses chance finds one for a few copies, or for lags that seldom fit in.
    """
    lasts = evidence.at[-1] - evidence.at[0]
    return (
        found.presence > DRIFT_PRESENCE
        and found.likeness > UNLIKE
        and lasts > DRIFT_LAGS * found.middle
    )


def _plausible(found: Explanation) -> bool:
    """Whether an explanation is worth comparing with others.

    Where a tape flutters copies stray widely, and are alike in all but the lag.
    """
    alike = found.likeness > FLUTTERING_LIKENESS and found.gain_scatter_db < FLUTTERING_SCATTER_DB
    wild = FLUTTERING if alike else WILD
    return (
        found.presence >= SOME_PRESENCE
        and found.gain_scatter_db < WILD_SCATTER_DB
        and found.unsteadiness < max(WILD_S * found.rate, wild * found.middle)
        and not take_turns(found.lag[found.has_copy], found.rate)
    )


def _twins(one: Explanation, other: Explanation) -> bool:
    return abs(one.middle - other.middle) < TWIN_S * one.rate
