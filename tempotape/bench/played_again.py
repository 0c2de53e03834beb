"""What is played again by a machine, and not by the unit: it comes back unchanged.

A tape changes what passes it, and more with every pass. Nor is another sound a copy that a machine
always plays as much later.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from tempotape.bench.beats import LEAST_BEATS, REGULAR, off_beat
from tempotape.bench.explaining import UNLIKE, WIDTH, Evidence, Explanation, turned_over
from tempotape.bench.lasting import (
    begins_all_along,
    begins_anew,
    begins_once,
    in_first_lag,
    unsure_db,
)
from tempotape.bench.offered import offered
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import passing
from tempotape.bench.rows import evenly

MOST_ASKED = 12  # of the likeliest lags
NEAR_S, ONE_LAG_S = 0.002, 0.004  # to a part of a lag; to a lag itself
NO_LOSS_DB, PART_LOSS_DB = (3.2, 0.7), (4.0, 1.2)  # of a first copy, and of further ones
PLAIN, VARYING = 0.97, 2.0  # copies so like scatter by so much as what is played, by no tape
AS_BEFORE, AS_BEFORE_ERRORS = 1e-3, 1.7  # of the gain; standard deviations
LITTLE_KNOWN = 0.3  # of the gain
TELLING = 0.01  # of the largest energy: fainter frequencies tell less
LOUDER_THAN_COPY_DB, LEAST_PAIRS = 3.5, 3
ONCE, PLAIN_IN_HISS = 0.25, 0.975  # further copies a first one; in coherence
LOSS_DB = 0.2  # a pass, of which a loop is known
SAME_SHAPE, MOST_UNSURE = 3e-3, 0.3  # 1 less coherence squared: a tape changes more
ALIKE, SAME, MUCH_SAME = 10.0, 3e-4, 1e-3  # of such changes; the first times the least
MOST_COMPARED, LEAD_S = 30, 0.002
CLEARLY, MOSTLY = 0.6, 0.8  # of the others' cost; of the copies
LEAST_BEAT_S = 0.08
RINGS_S, RINGING_LIKENESS, BESIDE_LIKENESS = 0.012, 0.75, 0.6  # coherences; so near, and beyond


class Offer(msgspec.Struct, frozen=True):
    """The explanations `told` by the evidence, with the lags at which what is played comes again.

    The `beats`, in samples, are those lags that what is played may keep to. With a `doubt` the
    first of them may be the echo's, of a unit near oscillation.
    """

    evidence: Evidence
    told: list[Explanation]
    played: list[Explanation] = []
    beats: list[float] = []
    doubt: bool = False


def apart_from_played(told: list[Explanation], evidence: Evidence, sound: Whitened) -> Offer:
    """What a recording of both offers, apart from the lags at which what is played comes again.

    The explanations `told` are all those that the evidence offers.
    """
    played = _played_again(told, evidence, sound)
    beats = [found.middle for found in played if found.middle > LEAST_BEAT_S * evidence.rate]
    again = _near_oscillation(told, played, evidence, beats)
    if again.echoes:
        told = [told[0], *(found for found in told if not _is_one_of(found, played))]
        played = [found for found in played if found is not told[0]]
    elif played:
        evidence = _without(evidence, played)
        told = [
            found
            for found in offered(evidence)
            if not any(beside(found, other, RINGS_S * evidence.rate) for other in played)
            and not _between_two(found, played, evidence)
        ]
    return Offer(evidence, told, played, beats, again.doubt)


def _played_again(
    told: list[Explanation], evidence: Evidence, sound: Whitened
) -> list[Explanation]:
    """The explanations by which what is played comes again, not what the unit makes of it.

    And those by a half, a third... of such a lag, at which it comes again less regularly.
    """
    likely = told[:MOST_ASKED]
    as_it_was = [
        (found, change)
        for found in likely
        if (change := unchanged(found, evidence, sound)) is not None
    ]
    least = min((change for _, change in as_it_was), default=0.0)
    sure = [found for found, change in as_it_was if change < ALIKE * least + MUCH_SAME]
    sure += [
        found
        for found in likely
        if not _is_one_of(found, sure) and begins_once(found, likely, evidence)
    ]
    near = NEAR_S * evidence.rate
    parts = [
        found
        for found in likely
        if not _is_one_of(found, sure)
        and not turned_over(found, evidence)
        and (
            any(
                abs(abs(one.middle - two.middle) - found.middle) < near
                for one, two in itertools.combinations(sure, 2)
            )
            or (
                any(_whole_part(found.middle, other.middle, near) for other in sure)
                and _lossless(found, *PART_LOSS_DB)
            )
        )
    ]
    return sure + parts


def _is_one_of(found: Explanation, others: list[Explanation]) -> bool:
    """Whether it is itself among the others, not one alike."""
    return any(found is other for other in others)


class _Again(NamedTuple):
    """Whether the best lag is the echo's though nothing is lost a pass, and whether it may be."""

    echoes: bool
    doubt: bool = False


def _near_oscillation(
    told: list[Explanation], played: list[Explanation], evidence: Evidence, beats: list[float]
) -> _Again:
    """Whether the best lag, at which what sounds comes again, is that of a unit near oscillation.

    What is played again and again is played for a first time only in the beginning; what an echo
    repeats is played all along. Where another lag leaves only what keeps a beat, that is played.
    """
    if not played or not _is_one_of(told[0], played):
        return _Again(echoes=False)
    best = told[0]
    unlike = [
        found for found in told if not _is_one_of(found, played) and not found.is_multiple_of(best)
    ]
    if off_beat(best, evidence, beats) > REGULAR and any(
        found.presence > MOSTLY and off_beat(found, evidence, beats) < REGULAR
        for found in unlike[:MOST_ASKED]
    ):
        return _Again(echoes=False)
    others = [found.cost for found in unlike]
    echoes = (
        best.copied >= LEAST_BEATS
        and begins_all_along(best, evidence)
        and best.cost < CLEARLY * min(others, default=np.inf)
    )
    first = in_first_lag(best, evidence, begins_anew(best, evidence))
    return _Again(echoes, not echoes and bool(np.count_nonzero(~first) >= LEAST_BEATS))


def _without(evidence: Evidence, again: list[Explanation]) -> Evidence:
    """The evidence without the lags at which the played sound comes again, and multiples."""
    lag, rate = evidence.matches.lag, evidence.rate
    keep = np.ones(len(lag), bool)
    for found in again:
        # Where the tempo moves far, its lag does.
        moves = np.ptp(found.around) > 2 * WIDTH * found.middle
        along = found.around[evidence.matches.attack] if moves else found.middle
        times = np.maximum(np.rint(lag / along), 1)
        keep &= np.abs(lag - times * along) > ONE_LAG_S * rate
    return msgspec.structs.replace(evidence, matches=evidence.matches.only(keep))


def beside(best: Explanation, played: Explanation, near: float) -> bool:
    """Whether `best` may be what rings on beside a lag at which the played sound comes again."""
    times = max(1, round(best.middle / played.middle))
    off = abs(best.middle - times * played.middle)
    if off > near:
        return False
    rings = off < RINGS_S * best.rate
    return best.likeness < (RINGING_LIKENESS if rings else BESIDE_LIKENESS)


def unchanged(found: Explanation, evidence: Evidence, sound: Whitened) -> float | None:
    """How little copies are changed, where no unit has made them; else None."""
    if not _lossless(found, *NO_LOSS_DB) or turned_over(found, evidence):
        return None
    change = _change_of_shape(found, evidence, sound)
    return change if change is not None and (change < SAME or not _loses(found)) else None


def as_before(found: Explanation, evidence: Evidence, sound: Whitened) -> bool:
    """Whether first copies are what they copy, as far as what else sounds lets it be heard.

    What the copies have in common with what they copy is at every frequency as strong as that, and
    in time with it: no unit leaves it so.
    """
    rows = found.has_first_copy
    brief = sound.brief
    passed = passing(brief, brief, evidence.at[rows], found.lag[rows], evidence.length_s)
    told = passed.weight > TELLING * passed.weight.max()
    error = np.hypot(passed.error, AS_BEFORE)[told]  # of each part of a complex number
    if np.sqrt(np.mean(error**2)) > LITTLE_KNOWN:
        return False
    off = np.abs(passed.transfer - 1)[told] / error
    return bool(np.sqrt(np.mean(off**2) / 2) < AS_BEFORE_ERRORS)


def of_other_sounds(best: Explanation, offer: Offer) -> bool:
    """Whether the sounds where copies fall are far louder than these copies: they are others.

    Two sounds of a bar that a machine plays over and over are always as far apart, and have a
    little in common. Where half of the copies or more are attacks, in a recording of both. Where
    copies are copied again, or where hiss would not make the machine's own sounds unlike, they are
    overloaded ones.
    """
    evidence = offer.evidence
    again = best.has_further_copy.sum() > ONCE * best.copied
    clear = max((found.likeness for found in offer.played), default=1.0) > PLAIN_IN_HISS
    if again or clear or best.likeness > UNLIKE:
        return False
    rows = np.flatnonzero(best.has_first_copy)
    off = np.abs(evidence.at[:, None] - (evidence.at[rows] + best.lag[rows]))
    there = np.argmin(off, axis=0)
    struck = off.min(axis=0) <= evidence.near_s * evidence.rate
    if np.count_nonzero(struck) < max(LEAST_PAIRS, len(rows) / 2):
        return False
    rows, there = rows[struck], there[struck]
    heard_db = 10 * np.log10(evidence.energy[there] / evidence.energy[rows])
    copied_db = 20 * np.log10(np.abs(best.gain[rows]))
    return bool(np.median(heard_db - copied_db) > LOUDER_THAN_COPY_DB)


def _change_of_shape(found: Explanation, evidence: Evidence, sound: Whitened) -> float | None:
    """How far first copies differ in shape from what they copy, or None where it is much.

    Where noise hides it, it is little.
    """
    first = found.has_first_copy if found.copied >= LEAST_BEATS else found.has_copy
    change, unsure = _change(found, evidence, first, sound)
    by_copies = 1 - float(np.quantile(np.abs(found.coherence[first]), 0.75)) ** 2
    change = max(0.0, min(change, by_copies))
    return change if change < SAME_SHAPE + 1.5 * min(unsure, MOST_UNSURE) else None


def _lossless(found: Explanation, first_db: float, further_db: float) -> bool:
    """Whether copies, and copies of copies, are as loud as what they copy."""
    if found.has_further_copy.sum() < max(2, found.copied // 2):
        return False
    further = found.level_db(found.has_further_copy)
    if found.likeness > PLAIN:
        first_db += VARYING * found.level_scatter_db(found.has_further_copy)
    # Sounds that run into one another add up.
    most_lost_db = further_db + unsure_db(found)
    return (
        abs(found.level_db(found.has_first_copy)) < first_db
        and -most_lost_db < further < 2 * further_db
    )


def _loses(found: Explanation) -> bool:
    """Whether further copies are fainter by the same little every time, as in a loop."""
    error_db = found.level_error_db(found.has_further_copy)
    return found.level_db(found.has_further_copy) < -max(LOSS_DB, 4 * error_db, unsure_db(found))


def _between_two(found: Explanation, played: list[Explanation], evidence: Evidence) -> bool:
    """Whether a lag is the sum of two at which what is played comes again: there it does too."""
    near = NEAR_S * evidence.rate
    return any(
        abs(one.middle + two.middle - found.middle) < near
        for one, two in itertools.combinations(played, 2)
    )


def _whole_part(lag: float, whole: float, near: float) -> bool:
    """Whether a lag is a half, a third or a quarter of another."""
    return any(abs(times * lag - whole) < near for times in (2, 3, 4))


def _change(
    found: Explanation, evidence: Evidence, rows: NDArray[np.bool_], sound: Whitened
) -> tuple[float, float]:
    """How far copies differ in shape from what they copy: 1 less coherence squared.

    The lower quartile, which what runs into some copies does not move; and how much of such a
    difference noise makes.
    """
    brief = sound.brief
    chosen = evenly(np.flatnonzero(rows), MOST_COMPARED)
    rate = evidence.rate
    lead, length = round(LEAD_S * rate), round((evidence.length_s + LEAD_S) * rate)
    hz = np.fft.rfftfreq(2 * (lead + length))
    turns = np.exp(-2j * np.pi * hz[:, None] * np.linspace(-1.5, 1.5, 49)[None, :])
    noise = (lead + length) * brief.noise
    change, unsure = [], []
    for k in chosen:
        at, lag = int(evidence.at[k]), float(found.lag[k])
        whole = round(lag)
        one = np.fft.rfft(brief.part(at - lead, at + length), len(turns) * 2 - 2)
        two = np.fft.rfft(brief.part(at - lead + whole, at + length + whole), len(turns) * 2 - 2)
        sizes = [float(np.sum(np.abs(part) ** 2)) for part in (one, two)]
        if min(sizes) <= 0:
            continue
        cross = one * np.conj(two) * np.exp(-2j * np.pi * hz * (lag - whole))
        like = float(np.abs(np.real(cross @ turns)).max()) ** 2 / (sizes[0] * sizes[1])
        change.append(1 - like)
        unsure.append(noise * len(turns) * (1 / sizes[0] + 1 / sizes[1]))
    if not change:
        return np.inf, 0.0
    return float(np.quantile(change, 0.25)), float(np.median(unsure))
