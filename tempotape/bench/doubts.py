"""What else a lag may be than the delay: some delays, a delay and some beats, or what is played.

A tape's delay is no part of a bar; and the first sound of all that is played has its echo too.
"""

from __future__ import annotations

import numpy as np

from tempotape.bench.beats import REGULAR, beats_apart, off_beat
from tempotape.bench.credible import LEAST_PRESENCE, SHARP_COHERENCE, SURE_COHERENCE
from tempotape.bench.explaining import UNLIKE, WIDTH, Evidence, Explanation
from tempotape.bench.lasting import (
    ALL_PRESENT,
    BY_HAND_S,
    FALLING_DB,
    all_begin_all_along,
    begins_all_along,
    lasts_by_playing,
)
from tempotape.bench.played_again import Offer, beside

BESIDE_S = 0.030
AS_LOUD_DB, EXACTLY_DB, ABOUT_DB, UNEVEN_DB, ONCE = 0.05, 0.1, 1.0, 0.2, 0.25
EVENLY_S, SELDOM, LEAST_ON_GRID, NEARLY_ALL = 1e-4, 0.02, 3, 0.85
MUCH_UNEVEN_DB = 1.5
STEPS_A_BAR, STEP_OFF = 48, 0.005  # sixteenths and triplets; of a step
STRAYS = 0.5  # of how lags stray
MIRRORED_PLAYED, ABOUT_HALF = 0.001, 0.02  # of a beat
MIRRORED = 0.002  # of a beat
MIRROR_MARGIN, LOOSE_MIRROR_MARGIN = 0.35, 0.6  # of the sounds left over; where it is not exact
SAME_DB, SAME_LIKENESS = 0.3, 0.02  # copies that are the same sounds
MANY_REPEATS = 3
MUCH_LIKER = 0.2  # in coherence
IN_TIME_MARGIN = 3.0  # of the sounds left over
PART_PRESENCE = 0.35  # at a half, third or quarter of the lag: then that may be the delay
PART_MARGIN, AS_MANY_MARGIN = 0.15, 0.4  # of the sounds left over; where as many copies are there
AS_MANY = 0.8  # of the copies


def doubtful(
    best: Explanation, rivals: list[tuple[Explanation, float]], offer: Offer, *, mono: bool
) -> bool:
    """Whether `best` may be another lag than the delay.

    The `rivals` come with how many sounds more they leave over.
    """
    evidence = offer.evidence
    return (
        any(
            _part_of(best, other, more)
            or _mirrored(best, other, more, offer.beats)
            or _much_liker(best, other)
            or _as_well(best, other, offer)
            or (mono and _played_in_time(best, other, more, offer))
            or (mono and _keeps_time(best, other, more, evidence))
            for other, more in rivals
        )
        or any(
            beside(best, other, BESIDE_S * evidence.rate) or _in_step(best, other)
            for other in offer.played
        )
        or (mono and (_by_hand(best, rivals) or _of_a_pattern(best, rivals, evidence)))
        or (mono and _mirrors_played(best, offer))
        or (_from_echoes(best, evidence) if mono else _multiple(best, evidence))
    )


def _part_of(best: Explanation, other: Explanation, more: float) -> bool:
    """Whether `best` may be the second, third or fourth repeat at the lag of `other`.

    It is, where none is missing at the lag of `other`, louder and liker than at that of `best`.
    """
    whole = round(best.middle / other.middle)
    signs = {best.sign, other.sign**whole}
    if whole > 4 or not best.is_multiple_of(other) or len(signs - {0}) > 1:
        return False
    louder = other.level_db(other.has_first_copy) > best.level_db(best.has_first_copy)
    if other.presence > ALL_PRESENT and louder and other.likeness > best.likeness:
        return True
    as_many = (
        other.likeness > SURE_COHERENCE and other.has_copy.sum() > AS_MANY * best.has_copy.sum()
    )
    margin = AS_MANY_MARGIN if as_many else PART_MARGIN
    return more <= margin * best.left_over and other.presence > PART_PRESENCE


def _much_liker(best: Explanation, other: Explanation) -> bool:
    """Whether all copies are there by `other`, and much liker than the hardly alike of `best`."""
    liker = other.likeness > best.likeness + MUCH_LIKER
    return best.likeness < UNLIKE and liker and other.presence > ALL_PRESENT


def _as_well(best: Explanation, other: Explanation, offer: Offer) -> bool:
    """Whether `other`, some beats away, may be the delay, its copies being the same sounds.

    It may where it gives the very first sound the copy that this lacks by `best`; or if it is
    shorter, and any copies are missing by `best`.
    """
    evidence = offer.evidence
    same = (
        abs(best.level_db(best.has_first_copy) - other.level_db(other.has_first_copy)) < SAME_DB
        and abs(best.likeness - other.likeness) < SAME_LIKENESS
    )
    if not same or not beats_apart(best, other, evidence, offer.beats):
        return False
    if other.middle < best.middle and best.missing > 0:
        return True
    lacks_first = best.due[0] and other.has_copy[0] and not best.has_copy[0]
    return bool(evidence.begins_in_silence and lacks_first)


def _played_in_time(best: Explanation, other: Explanation, more: float, offer: Offer) -> bool:
    """Whether `best` may be the time at which sounds are played, whose echoes `other` tells.

    It may where it goes on unweakened, while by the other all copies are there as well, of sounds
    that begin all along.
    """
    return (
        more < IN_TIME_MARGIN * best.left_over
        and not other.is_multiple_of(best)
        and not beats_apart(best, other, offer.evidence, offer.beats)
        and lasts_by_playing(best, other, offer.evidence)
    )


def _keeps_time(best: Explanation, other: Explanation, more: float, evidence: Evidence) -> bool:
    """Whether what begins by `other`, all copies of it being there, keeps to the lag of `best`.

    Those sounds must begin all along: by the interval of a beat what begins keeps to a time too,
    the delay's, but all of it in the first interval.
    """
    return (
        more < IN_TIME_MARGIN * best.left_over
        and not other.is_multiple_of(best)
        and off_beat(other, evidence, [best.middle]) < REGULAR
        and all_begin_all_along(other, evidence)
    )


def _mirrored(best: Explanation, other: Explanation, more: float, beats: list[float]) -> bool:
    """Whether `best` may be from echoes to later sounds of a beat, whose echoes `other` tells.

    Then its copies are louder than what they copy, by as much as the others are fainter.
    """
    whole = best.middle + other.middle
    times = [max(1, round(whole / beat)) for beat in beats]
    fits = any(abs(whole / (beat * k) - 1) < MIRRORED for beat, k in zip(beats, times, strict=True))
    louder = best.level_db(best.has_first_copy) > 0 > other.level_db(other.has_first_copy)
    margin = MIRROR_MARGIN if best.exact else LOOSE_MIRROR_MARGIN
    return fits and louder and more < margin * best.left_over


def _from_echoes(best: Explanation, evidence: Evidence) -> bool:
    """Whether copies may be the next sounds of a beat, and what they copy the echoes before them.

    Those are louder, and the very first sound, which is no echo, has none.
    """
    first_lacks = evidence.begins_in_silence and best.due[0] and not best.has_copy[0]
    return bool(first_lacks and best.level_db(best.has_first_copy) > 0)


def _in_step(best: Explanation, played: Explanation) -> bool:
    """Whether copies, some missing, as loud as ever or uneven, fall on steps of what is played.

    So a pattern repeats in part; the delay of a tape is no such part of a bar. As exactly, that is,
    as the lags keep to one.
    """
    steps = best.middle / played.middle * STEPS_A_BAR
    stray = STRAYS * best.unsteadiness / played.middle * STEPS_A_BAR
    # Near oscillation what seems to be played, too, may be many delays.
    repeats = (
        played.is_multiple_of(best) and best.has_further_copy.sum() > MANY_REPEATS * best.copied
    )
    of_all = 1 - best.missing / max(1, int(best.has_copy.sum()) + best.missing)
    some_missing = (of_all if repeats else best.presence) < ALL_PRESENT
    as_loud = abs(best.level_db(best.has_first_copy)) < AS_LOUD_DB
    # Where lags stray far, many are on a step by chance.
    uneven = best.gain_scatter_db > MUCH_UNEVEN_DB and not repeats and stray < SELDOM
    return (some_missing or as_loud or uneven) and abs(steps - round(steps)) < max(STEP_OFF, stray)


def _of_a_pattern(
    best: Explanation, rivals: list[tuple[Explanation, float]], evidence: Evidence
) -> bool:
    """Whether it loses nothing, and it and nearly all that are told exactly are on one grid.

    So are the lags of a pattern; an echo's would be on no step of it, nor what it makes of one. By
    chance it seldom is on so coarse steps, and then sounds begin all along; near oscillation, and
    set in time to a ten thousandth of a second, an echo of a few sounds is doubted too.
    """
    loses = (
        best.has_further_copy.sum() < best.copied
        or best.level_db(best.has_further_copy) < FALLING_DB
    )
    if loses or not _even(best) or begins_all_along(best, evidence):
        return False
    lags = np.array([other.middle for other, _ in rivals if _even(other)]) / best.middle
    off = EVENLY_S * best.rate / best.middle
    for steps in range(1, int(np.sqrt(SELDOM / off)) + 1):
        fits = np.abs(lags * steps - np.rint(lags * steps)) < off * steps
        if len(lags) >= LEAST_ON_GRID and np.mean(fits) > NEARLY_ALL:
            return steps > 1  # else it is the step itself, or the delay, and the others some of it
    return False


def _even(found: Explanation) -> bool:
    return found.unsteadiness < EVENLY_S * found.rate


def _by_hand(best: Explanation, rivals: list[tuple[Explanation, float]]) -> bool:
    """Whether copies come only as evenly as by hand, and as loud as what they copy.

    Exactly so, or about and unevenly and not heard again. A unit may be set so, and waver: then
    every other lag leaves far more over, and repeats go on.
    """
    level_db, scatter_db = abs(best.level_db(best.has_first_copy)), best.gain_scatter_db
    further = int(best.has_further_copy.sum())
    exactly = further < best.copied and level_db < EXACTLY_DB and scatter_db < EXACTLY_DB
    about = further < ONCE * best.copied and level_db < ABOUT_DB and scatter_db > UNEVEN_DB
    clear = all(more > best.left_over for _, more in rivals)
    return best.unsteadiness > BY_HAND_S * best.rate and (exactly or about) and not clear


def _mirrors_played(best: Explanation, offer: Offer) -> bool:
    """Whether it and a lag put aside as played, that is half a beat, make up the beat.

    An echo about half a beat late is taken for half the beat: the lag from it to the next sound, no
    louder where the echo is as loud, must not be told then.
    """
    return any(
        abs(other.middle / beat - 0.5) < ABOUT_HALF
        and abs((best.middle + other.middle) / beat - 1) < MIRRORED_PLAYED
        for other in offer.played
        for beat in offer.beats
    )


def _multiple(best: Explanation, evidence: Evidence) -> bool:
    """Whether the first attack and most others come again at a half, third or quarter of the lag.

    On a wet side of its own: there a delay that strays too far to be followed shows so.
    """
    rows = np.flatnonzero(best.has_first_copy)
    found = evidence.matches
    for times in (2, 3, 4):
        near = np.abs(found.lag * times - best.middle) < WIDTH * best.middle
        heard = near & (found.like(best.sign) > SHARP_COHERENCE)
        again = np.isin(rows, found.attack[heard])
        if again[0] and float(np.mean(again)) > LEAST_PRESENCE:
            return True
    return False
