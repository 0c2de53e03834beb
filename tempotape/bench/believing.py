"""Which lag to believe: the echo's, and not the interval at which something is played again.

What is played again by a machine comes back unchanged. A tape changes what passes it: a copy of a
copy is fainter by the same factor, and duller, every time. So lags at which the sound comes back
unchanged are put aside first, unless they are those of a unit near oscillation: what it repeats is
played all along. So are lags that chance alone makes in hiss. Of the others that one is taken which
leaves clearly the fewest sounds unexplained, off the beat least of all where what is played keeps
one. And where the change from the first sounds to their copies is the same as from those to theirs,
the first sounds seem to be repeats already, as far as the middle of the band tells.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tempotape.bench.all_wet import all_wet
from tempotape.bench.beats import REGULAR, beats_apart, off_beat, on_the_beat
from tempotape.bench.by_chance import lines_by_chance, not_by_chance
from tempotape.bench.explaining import UNLIKE, WIDTH, Evidence, Explanation
from tempotape.bench.offered import LEAST_COPIES, WILD, WILD_S, offered
from tempotape.bench.onsets import Whitened
from tempotape.bench.played_again import (
    FIRST_LAG,
    Offer,
    apart_from_played,
    begins_anew,
    beside,
    unchanged,
)
from tempotape.bench.weighing import EXCUSED_COST, weighed

FEW_CHAINS, MANY, MANY_BY_CHANCE = 6, 8, 12
LEAST_PRESENCE = 0.7
MOST_UNSTEADY_S, MOST_SCATTER_DB = 0.0007, 3.0
SHARP_COHERENCE, SURE_COHERENCE = 0.7, 0.9
CLEAN, CLEAN_PRESENCE = 0.97, 0.6
LEAST_STRIKES = 0.4  # of the copies: a note that rings on resembles itself, but strikes once
EXACT = 0.6  # looseness of copies that fall so exactly that it cannot be chance
DECIDED, DECIDED_PRESENCE = 0.25, 0.5  # of the sounds left over: a margin that settles it
LIKELY = (0.55, 0.7)  # coherence of copies where a margin settles it; where they fall exactly
NO_CHANCE = -20.0  # log 10 of how many such lines chance makes
LEAST_MARGIN, LEAST_MARGIN_PART = 0.9, (0.02, 0.12)  # parts of the sounds left over
ALL_PRESENT = 0.95
AS_LOUD_DB, EVEN_DB = 0.05, 0.5
STEPS_A_BAR, STEP_OFF = 48, 0.005  # sixteenths and triplets; of a step
MIRRORED, MIRROR_MARGIN = 0.002, (0.35, 0.6)  # of a beat; of the sounds left over, by looseness
BESIDE_S = 0.030
SAME_DB, SAME_LIKENESS = 0.3, 0.02  # copies that are the same sounds
MUCH_LIKER = 0.2  # in coherence
FAINTEST_DB = -30.0  # of first copies over what is played: fainter ones ring on
FALLING_DB = -1.0  # a pass
LOUDER_DB, LASTING_DB = 4.0, -0.5  # of first copies; of further ones, a pass
GROWING_DB, GROWING_ERRORS, GROWING_LIKENESS = 1.2, 3.0, 0.75
GROWING_PART = 0.15  # of the first copies: fewer further ones fall so by chance
IN_FIRST = 0.75  # of what is played
DISTINCT, SHARED_S = 0.01, 0.0005  # of the lag: nearer lags are one; between copies that are one
WEIGHED, ALSO_WEIGHED = 12, 4
PART_PRESENCE = 0.35  # at a half, third or quarter of the lag: then that may be the delay
PART_MARGIN, AS_MANY = (0.15, 0.4), 0.8  # the latter where nearly as many copies are there
NO_REPEATS = "no delay: no repeats found"
ONLY_PLAYED = "no delay: what is played comes again, and no echo can be told from it"
TOO_REGULAR = "no delay: what is played is too regular to tell an echo from it"


class Belief(NamedTuple):
    """The explanation to believe, or why none is.

    Both where the recording may hold the unit's sound alone, as far as the middle band tells.
    """

    best: Explanation | None
    why: str = ""


def believed(evidence: Evidence, sound: Whitened, copies: Whitened) -> Belief:
    """What to believe of the evidence."""
    mono = evidence.heard is None
    offer = apart_from_played(evidence, sound) if mono else Offer(evidence, offered(evidence))
    none = ONLY_PLAYED if offer.played else NO_REPEATS
    # Both sides through one filter: what a pass does is short, unlike the two filters' difference.
    played_sound = sound if mono else sound.through(copies)
    costs = _costs(offer, played_sound, copies)
    if not costs:
        return Belief(None, none)
    best, least = min(costs, key=lambda pair: pair[1])
    rivals = _rivals(best, least, costs, offer.evidence)
    clear = min((more for _, more in rivals), default=np.inf)
    decided = clear > DECIDED * best.left_over
    faint = mono and best.level_db(best.first) < FAINTEST_DB
    if faint or not _credible(best, offer.evidence, decided=decided):
        return Belief(None, none)
    if mono and _over_and_over(best, offer.evidence):
        return Belief(None, ONLY_PLAYED)
    doubtful = (
        (offer.doubt and best.gain_scatter_db > EVEN_DB)
        or (mono and not decided and unchanged(best, offer.evidence, sound) is not None)
        or any(_part_of(best, other, more) for other, more in rivals)
        or any(
            beside(best, other, BESIDE_S * evidence.rate) or _in_step(best, other)
            for other in offer.played
        )
        or any(
            _mirrored(best, other, more, offer.beats)
            or _much_liker(best, other)
            or _as_well(best, other, offer)
            for other, more in rivals
        )
        or _multiple(best, offer.evidence)
        or (mono and _from_echoes(best, evidence))
    )
    on_beat = mono and off_beat(best, offer.evidence, offer.beats) < REGULAR
    if doubtful or any(
        more < _least_margin(best, sure=on_beat or beats_apart(best, other, evidence, offer.beats))
        for other, more in rivals
    ):
        return Belief(None, TOO_REGULAR)
    if mono and all_wet(best, evidence, sound, copies):
        apart_ms = best.middle / evidence.rate * 1e3
        return Belief(
            best,
            f"no delay: this seems to be the unit's sound alone, with repeats {apart_ms:.1f} ms "
            "apart; record it with the played sound or, if that is there, with more or less of it",
        )
    return Belief(best)


def _costs(offer: Offer, sound: Whitened, copies: Whitened) -> list[tuple[Explanation, float]]:
    """The explanations worth weighing and what each costs, in sounds left over."""
    evidence, told = offer.evidence, offer.told
    # On a beat, lags that make the sounds copies of one another cost least before they are weighed.
    regular = [
        found for found in told[WEIGHED:] if off_beat(found, evidence, offer.beats) < REGULAR
    ]
    told = told[:WEIGHED] + regular[:ALSO_WEIGHED]
    costs = on_the_beat(weighed(told, evidence, sound, copies), evidence, offer.beats)
    return not_by_chance(costs, evidence)


def _rivals(
    best: Explanation,
    least: float,
    costs: list[tuple[Explanation, float]],
    evidence: Evidence,
) -> list[tuple[Explanation, float]]:
    """The other explanations, and what each costs more than the best.

    What begins in the middle begins with copies of what was not recorded: how many tells nothing.
    Each cost itself, as a sound counted and as one heard. Where only runs of attacks are studied,
    each run begins so, with many: then what only the other excuses counts for neither, being taken
    to cost the best as much as its other sounds do.
    """
    a_sound = EXCUSED_COST + 2
    if evidence.unstudied:
        a_sound = max(0.0, a_sound - least / len(evidence.at))
    told = []
    for other, more in costs:
        if abs(np.log(other.middle / best.middle)) > DISTINCT and not _share(best, other):
            begun = max(0, other.excused - best.excused) if best.excused else 0
            told.append((other, more - least - a_sound * begun))
    return told


def _share(one: Explanation, other: Explanation) -> bool:
    """Whether half of the copies of the one are the other's too, as where a delay strays."""
    near = np.abs(one.lag - other.lag) < SHARED_S * one.rate
    return bool(2 * near.sum() > min(one.found.sum(), other.found.sum()))


def _credible(best: Explanation, evidence: Evidence, *, decided: bool) -> bool:
    """Whether the copies are there, alike in level, and strike or, where too faint, are steady.

    Copies that fall very exactly, or are much better than every other lag's, may be fewer.
    """
    few = LEAST_COPIES if best.deep.sum() < best.copied else FEW_CHAINS
    unlike = best.likeness < UNLIKE
    # A few sounds that come again and again, as loud as ever or none too like, or by chance.
    again = best.copied < few and (unlike or best.level_db(best.deep) > FALLING_DB)
    few_stray = best.copied < FEW_CHAINS and _strays(best)
    if _grows(best) or again or few_stray or _chance(best, evidence):
        return False
    struck = best.heard_as_attacks
    if struck is not None and struck < LEAST_STRIKES:
        return False
    exact = best.likeness > LIKELY[1] and best.looseness < EXACT
    # Where copies are so like what they copy, nothing hides half of them.
    if best.likeness > CLEAN and best.presence < CLEAN_PRESENCE:
        return False
    no_chance = best.likeness > LIKELY[0] or lines_by_chance(best, evidence) < NO_CHANCE
    best_by_far = decided and no_chance and best.presence > DECIDED_PRESENCE
    if best.copied >= MANY and (exact or best_by_far):
        return True
    if best.presence < LEAST_PRESENCE or best.gain_scatter_db > MOST_SCATTER_DB:
        return False
    sharp = struck is not None and best.likeness > SHARP_COHERENCE
    return sharp or best.unsteadiness < MOST_UNSTEADY_S * best.rate


def _chance(best: Explanation, evidence: Evidence) -> bool:
    """Whether chance alone makes such lines, of few copies of which some are missing."""
    few = best.copied < MANY_BY_CHANCE and best.presence < ALL_PRESENT
    return few and lines_by_chance(best, evidence) > 0


def _grows(found: Explanation) -> bool:
    """Whether every repeat is louder than the last, or only the first, by much, and all last.

    No tape is louder and louder for long; and from echoes to the next sound played it seems so.
    """
    further_db = found.level_db(found.deep)
    most_db = GROWING_DB + min(
        GROWING_ERRORS * found.level_error_db(found.deep), found.gain_scatter_db
    )
    many = found.deep.sum() > found.copied
    louder = many and found.level_db(found.first) > LOUDER_DB and further_db > LASTING_DB
    some = found.deep.sum() > GROWING_PART * found.copied
    return bool(louder or (some and found.likeness > GROWING_LIKENESS and further_db > most_db))


def _over_and_over(found: Explanation, evidence: Evidence) -> bool:
    """Whether all is played in the first lag, and then comes again as loud as ever, but unlike.

    So a machine plays its bars, with hats of noise. What a tape makes so unlike gets fainter.
    """
    begun = evidence.at[begins_anew(found, evidence)]
    return bool(
        len(begun)
        and found.deep.sum() > found.copied
        and np.mean(begun < evidence.at[0] + FIRST_LAG * found.middle) > IN_FIRST
        and found.likeness < SURE_COHERENCE
        and found.level_db(found.deep) > LASTING_DB
    )


def _strays(found: Explanation) -> bool:
    """Whether the copies' lags differ by more than a tape's speed: a few fall so by chance."""
    lags = found.lag[found.first]
    return bool(np.ptp(lags) > max(WILD_S * found.rate, WILD * found.middle))


def _part_of(best: Explanation, other: Explanation, more: float) -> bool:
    """Whether `best` may be the second, third or fourth repeat at the lag of `other`.

    It is, where none is missing at the lag of `other`, louder and liker than at that of `best`.
    """
    whole = round(best.middle / other.middle)
    signs = {best.sign, other.sign**whole}
    if whole > 4 or not best.is_multiple_of(other) or len(signs - {0}) > 1:
        return False
    louder = other.level_db(other.first) > best.level_db(best.first)
    if other.presence > ALL_PRESENT and louder and other.likeness > best.likeness:
        return True
    as_many = other.likeness > SURE_COHERENCE and other.found.sum() > AS_MANY * best.found.sum()
    near = more <= PART_MARGIN[int(as_many)] * best.left_over
    return near and other.presence > PART_PRESENCE


def _much_liker(best: Explanation, other: Explanation) -> bool:
    """Whether all copies are there by `other`, and much liker than the hardly alike of `best`."""
    liker = other.likeness > best.likeness + MUCH_LIKER
    return best.likeness < UNLIKE and liker and other.presence > ALL_PRESENT


def _as_well(best: Explanation, other: Explanation, offer: Offer) -> bool:
    """Whether `other`, some beats away, may be the delay, its copies being the same sounds.

    It may where it gives the very first sound the copy that this lacks by `best`; and, where the
    recording begins in the midst of playing, if it is shorter and copies are missing by `best` too.
    """
    evidence = offer.evidence
    same = (
        abs(best.level_db(best.first) - other.level_db(other.first)) < SAME_DB
        and abs(best.likeness - other.likeness) < SAME_LIKENESS
    )
    if not same or not beats_apart(best, other, evidence, offer.beats):
        return False
    if evidence.since[0] >= 0:
        return other.middle < best.middle and best.missing > 0
    return bool(best.due[0] and other.found[0] and not best.found[0])


def _mirrored(best: Explanation, other: Explanation, more: float, beats: list[float]) -> bool:
    """Whether `best` may be from echoes to later sounds of a beat, whose echoes `other` tells.

    Then its copies are louder than what they copy, by as much as the others are fainter.
    """
    whole = best.middle + other.middle
    times = [max(1, round(whole / beat)) for beat in beats]
    fits = any(abs(whole / (beat * k) - 1) < MIRRORED for beat, k in zip(beats, times, strict=True))
    louder = best.level_db(best.first) > 0 > other.level_db(other.first)
    part = MIRROR_MARGIN[best.looseness > EXACT]
    return fits and louder and more < part * best.left_over


def _from_echoes(best: Explanation, evidence: Evidence) -> bool:
    """Whether copies may be the next sounds of a beat, and what they copy the echoes before them.

    Those are louder, and the very first sound, which is no echo, has none.
    """
    first_lacks = evidence.since[0] < 0 and best.due[0] and not best.found[0]
    return bool(first_lacks and best.level_db(best.first) > 0)


def _in_step(best: Explanation, played: Explanation) -> bool:
    """Whether copies, some missing or all as loud as ever, fall exactly on steps of what is played.

    So a machine's pattern repeats in part; the delay of a tape is no such part of a bar.
    """
    steps = best.middle / played.middle * STEPS_A_BAR
    found = int(best.found.sum())
    some_missing = found < ALL_PRESENT * (found + best.missing)
    as_loud = abs(best.level_db(best.first)) < AS_LOUD_DB
    return (some_missing or as_loud) and abs(steps - round(steps)) < STEP_OFF


def _multiple(best: Explanation, evidence: Evidence) -> bool:
    """Whether the first attack and most others come again at a half, third or quarter of the lag.

    On a wet side of its own: there a delay that strays too far to be followed shows so.
    """
    rows = np.flatnonzero(best.first)
    found = evidence.matches
    if evidence.heard is None:
        return False
    for times in (2, 3, 4):
        near = np.abs(found.lag * times - best.middle) < WIDTH * best.middle
        heard = near & (found.like(best.sign) > SHARP_COHERENCE)
        again = np.isin(rows, found.attack[heard])
        if again[0] and float(np.mean(again)) > LEAST_PRESENCE:
            return True
    return False


def _least_margin(best: Explanation, *, sure: bool) -> float:
    """How many sounds more a rival must leave over: odds of 60 to 1, copies lost as often as seen.

    Where many sounds are left over, their number is uncertain too, unless it is `sure`: where all
    are on a beat, or the rival, beats apart, leaves the same ones.
    """
    lost = (best.missing + 0.5) / (best.awaited + 1)
    part = LEAST_MARGIN_PART[best.looseness > EXACT and not sure]
    return max(LEAST_MARGIN, float(np.log(60) / -np.log(lost)) - 0.5, part * best.left_over)
