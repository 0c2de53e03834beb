"""Lags at which what sounds comes again as loud as ever: how it is played, or near oscillation.

By the time of a bar, or of what a hand plays in time, one sound explains all later ones. What tells
that from a unit near oscillation is where sounds begin anew: in its echoes, all along; by a bar, in
the first one. And a tape's copies fall evenly, and stay alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from tempotape.bench.beats import LEAST_BEATS
from tempotape.bench.explaining import Evidence, Explanation, Numbers, landed

LASTING, ALL_PRESENT = 2, 0.95  # further copies, of the first; of the copies
MOST_LOST_DB, MOST_UNSURE_DB = 0.7, 2.0  # a pass
UNSURE, LEAST_LIKE = 2.0, 0.7  # standard errors; a coherence
ALL_ALONG, IN_FIRST, FIRST_LAG = 0.2, 0.3, 1.05  # of the roots: in the second half; in a lag
AS_LIKE, AS_EVEN_DB, HARDLY_ANY = 0.03, 0.7, 0.2  # the first in coherence
MOST_UNHEARD, FAINT = 2, 0.03  # in a row; in energy, of the usual attack
GOES_ON_S, STRAYS = 0.00075, 4.0  # of a copy from where it is due
MUCH_LIKE, BY_HAND_S, MOSTLY_FIRST = 0.9, 0.001, 0.75  # a coherence; the last of what begins
LASTING_DB, FALLING_DB = -0.5, -1.0  # of further ones, a pass
TO_AND_FRO_S, MANY_TO_AND_FRO = 0.0025, 0.25  # from where others are; of all copies


def lasts(found: Explanation) -> bool:
    """Whether there are many copies of copies, which may be as loud as what they copy.

    As loud in all: a level is that of the part of a copy that is like what it copies.
    """
    many = found.has_further_copy.sum() >= LASTING * found.copied
    most_lost_db = MOST_LOST_DB + min(UNSURE * unsure_db(found), MOST_UNSURE_DB)
    unlike_db = -20 * float(np.log10(max(found.likeness, LEAST_LIKE)))
    return bool(many and found.level_db(found.has_further_copy) + unlike_db > -most_lost_db)


def unsure_db(found: Explanation) -> float:
    """How unsure the level of further copies is where what is played is louder here than there.

    Its echoes are then too, all of them: only so many levels are independent as times are played.
    """
    return found.level_error_db(found.has_further_copy) * float(np.sqrt(found.copied))


def begins_anew(found: Explanation, evidence: Evidence) -> Numbers:
    """Roots as loud as usual, before which nothing sounded at the lag, nor at twice the lag.

    Others go on with what only once was not heard, or was not looked at; or they are repeats so
    faint that only some stand out.
    """
    times, roots = np.arange(1, MOST_UNHEARD + 1), np.flatnonzero(found.root)
    before = evidence.at[roots][:, None] - times * found.around[roots][:, None]
    near = max(GOES_ON_S * found.rate, STRAYS * found.unsteadiness)
    goes_on = landed(before.ravel(), evidence.at.astype(float), near).reshape(before.shape)
    known = before[:, 0] > evidence.since[roots]
    loud = evidence.energy[roots] > FAINT * np.median(evidence.energy)
    return roots[known & loud & ~goes_on.any(axis=1)]


def in_first_lag(found: Explanation, evidence: Evidence, begun: Numbers) -> NDArray[np.bool_]:
    """Which of the attacks `begun` lie no later than the lag after the very first."""
    first: NDArray[np.bool_] = evidence.at[begun] < evidence.at[0] + FIRST_LAG * found.middle
    return first


def begins_all_along(found: Explanation, evidence: Evidence) -> bool:
    """Whether what is copied begins anew again and again, to the end."""
    begun = begins_anew(found, evidence)
    if len(begun) < LEAST_BEATS:
        return False
    middle = (evidence.at[0] + evidence.at[-1]) / 2
    late = (evidence.at[begun] > middle) | (begun > len(evidence.at) / 2)
    first = in_first_lag(found, evidence, begun)
    return bool(np.mean(late) > ALL_ALONG and np.mean(first) < IN_FIRST)


def only_lasts(found: Explanation, evidence: Evidence) -> bool:
    """Whether it lasts and what is copied does not begin all along."""
    return lasts(found) and not begins_all_along(found, evidence)


def begins_once(found: Explanation, told: list[Explanation], evidence: Evidence) -> bool:
    """Whether hardly any begins after the first lag, and lasts, while by a shorter lag many do.

    So what a hand or a machine plays in time, each time a little otherwise, lasts for ever.
    """
    if not lasts(found):
        return False
    begun = begins_anew(found, evidence)
    late = np.count_nonzero(~in_first_lag(found, evidence, begun))
    return any(
        late < HARDLY_ANY * other.copied
        and other.middle < found.middle
        and other.likeness > found.likeness - AS_LIKE
        and other.gain_scatter_db < AS_EVEN_DB
        and not lasts(other)
        and all_begin_all_along(other, evidence)
        for other in told
    )


def lasts_by_playing(found: Explanation, other: Explanation, evidence: Evidence) -> bool:
    """Whether what lasts by `found` may be played so, each sound with its echo by `other`."""
    fades = lasts(found) and not lasts(other)
    return fades and all_begin_all_along(other, evidence)


def all_begin_all_along(found: Explanation, evidence: Evidence) -> bool:
    """Whether all copies are there, of enough sounds that begin all along."""
    whole = found.presence > ALL_PRESENT and found.copied >= LEAST_BEATS
    return whole and begins_all_along(found, evidence)


def over_and_over(found: Explanation, evidence: Evidence) -> bool:
    """Whether all is played in the first lag, then again as loud as ever, but unlike or uneven.

    So a machine plays its bars, with hats of noise. What a tape makes so unlike gets fainter. Or a
    hand plays them, all alike but not as evenly.
    """
    begun = begins_anew(found, evidence)
    return bool(
        len(begun)
        and found.has_further_copy.sum() > found.copied
        and np.mean(in_first_lag(found, evidence, begun)) > MOSTLY_FIRST
        and (found.likeness < MUCH_LIKE or found.unsteadiness > BY_HAND_S * found.rate)
        and (
            found.level_db(found.has_further_copy) > LASTING_DB
            or (lasts(found) and _change_db(found, evidence) > LASTING_DB)
        )
    )


def _change_db(found: Explanation, evidence: Evidence) -> float:
    """How much louder what sounds gets from one lag to the next, in dB.

    The level of copies, being that of what is like in them, tells too little where they are unlike.
    """
    energy_db = 10 * np.log10(evidence.energy)
    return float(stats.theilslopes(energy_db, evidence.at / found.middle).slope)


def to_and_fro(found: Explanation) -> bool:
    """Whether many copies that lose nothing a pass fall milliseconds before or after the others.

    Hardly any tape's speed jumps so; what is played and what the unit makes of it, mixed up, does.
    """
    loses_nothing = (
        found.has_further_copy.sum() > found.copied
        and found.level_db(found.has_further_copy) > FALLING_DB
    )
    off = np.mean(found.strays(found.has_copy) > TO_AND_FRO_S * found.rate)
    return bool(loses_nothing and off > MANY_TO_AND_FRO)
