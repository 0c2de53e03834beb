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

import itertools
from typing import NamedTuple

import numpy as np

from tempotape.bench.all_wet import all_wet
from tempotape.bench.beats import REGULAR, beats_apart, off_beat, on_the_beat
from tempotape.bench.by_chance import not_by_chance
from tempotape.bench.credible import credible, grows
from tempotape.bench.doubts import doubtful
from tempotape.bench.explaining import Evidence, Explanation
from tempotape.bench.first_sound import Repeat, passed_once, repeats_of_first
from tempotape.bench.lasting import only_lasts, over_and_over, to_and_fro
from tempotape.bench.no_delay import NoDelay, Reason
from tempotape.bench.offered import offered
from tempotape.bench.onsets import Whitened
from tempotape.bench.played_again import (
    NEAR_S,
    Offer,
    apart_from_played,
    as_before,
    of_other_sounds,
    unchanged,
)
from tempotape.bench.weighing import A_SOUND, weighed

DECIDED = 0.25  # of the sounds left over: a margin that settles it
LEAST_MARGIN = 0.9  # sounds left over
SURE_MARGIN_PART, UNSURE_MARGIN_PART = 0.02, 0.12  # of those that the best leaves over
EVEN_DB = 0.5
MOST_TIMES = 4
FAINTEST_DB = -30.0  # of first copies over what is played: fainter ones ring on
DISTINCT, SHARED_S = 0.01, 0.0005  # of the lag: nearer lags are one; between copies that are one
WEIGHED, ALSO_WEIGHED = 12, 4
FIRST_NEAR = 0.01  # of the lag that the first sound tells
CHANCE, MISSED_COST = 2.0, 2  # standard deviations; sounds left over, as Explanation counts them


class Belief(NamedTuple):
    """The explanation to believe, or why none is.

    Both where the recording may hold the unit's sound alone, as far as the middle band tells.
    """

    best: Explanation | None
    why: NoDelay | None = None


def believed(evidence: Evidence, sound: Whitened, copies: Whitened) -> Belief:
    """What to believe of the evidence."""
    mono = evidence.heard is None
    repeats = repeats_of_first(evidence, sound) if mono else []
    told = offered(evidence)
    shown = _shown_by(repeats, told)
    if shown is not None:
        played = passed_once(repeats, evidence, sound)
        return Belief(shown) if played else _unless_all_wet(shown, evidence, sound, copies)
    offer = apart_from_played(told, evidence, sound) if mono else Offer(evidence, told)
    none = NoDelay(Reason.ONLY_PLAYED if offer.played else Reason.NO_REPEATS)
    # Both sides through one filter: what a pass does is short, unlike the two filters' difference.
    played_sound = sound if mono else sound.through(copies)
    costs = _costs(offer, played_sound, copies)
    if not costs:
        return Belief(None, none)
    best, least = min(costs, key=lambda pair: pair[1])
    rivals = _rivals(best, least, costs, offer.evidence)
    clear = min((more for _, more in rivals), default=np.inf)
    decided = clear > DECIDED * best.left_over
    faint = mono and best.level_db(best.has_first_copy) < FAINTEST_DB
    if faint or not credible(best, offer.evidence, decided=decided):
        return Belief(None, none)
    if grows(best) or (mono and _by_machine_or_hand(best, offer, sound)):
        return Belief(None, NoDelay(Reason.ONLY_PLAYED))
    doubt = (
        (offer.doubt and _may_be_made_up(best, offer))
        or (mono and not decided and unchanged(best, offer.evidence, sound) is not None)
        or doubtful(best, rivals, offer, mono=mono)
    )
    on_beat = mono and off_beat(best, offer.evidence, offer.beats) < REGULAR
    if doubt or any(
        more
        < _least_margin(
            best, on_beat=on_beat, apart=beats_apart(best, other, evidence, offer.beats)
        )
        for other, more in rivals
    ):
        return Belief(None, NoDelay(Reason.TOO_REGULAR))
    return _unless_all_wet(best, evidence, sound, copies) if mono else Belief(best)


def _by_machine_or_hand(best: Explanation, offer: Offer, sound: Whitened) -> bool:
    """Whether what comes again, or seems to, is played, and not what the unit makes of it.

    Where a machine seems to play, what it plays later may be the same sound, or another, always as
    far away: no hand plays so exactly.
    """
    evidence = offer.evidence
    machine = bool(offer.played)
    later = machine and (of_other_sounds(best, offer) or as_before(best, evidence, sound))
    return later or to_and_fro(best) or over_and_over(best, evidence)


def _shown_by(repeats: list[Repeat], told: list[Explanation]) -> Explanation | None:
    """The best explanation by the lag that the repeats of the first sound keep, if there is one."""
    if not repeats:
        return None
    lag = repeats[0].lag
    near = [found for found in told if abs(found.around[0] / lag - 1) < FIRST_NEAR]
    return min(near, key=lambda found: found.cost, default=None)


def _unless_all_wet(
    best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> Belief:
    """The belief in it, or why not where the recording may hold the unit's sound alone."""
    if not all_wet(best, evidence, sound, copies):
        return Belief(best)
    apart_ms = best.middle / evidence.rate * 1e3
    return Belief(best, NoDelay(Reason.ALL_WET, apart_ms=apart_ms))


def _may_be_made_up(best: Explanation, offer: Offer) -> bool:
    """Whether it is no echo's, where a lag that was put aside may be the echo's."""
    uneven = best.gain_scatter_db > EVEN_DB
    return uneven or only_lasts(best, offer.evidence) or _made_of_two(best, offer.played)


def _made_of_two(best: Explanation, played: list[Explanation]) -> bool:
    """Whether its lag is so many times one that was put aside, and once or twice another.

    One of them may be the echo's: such lags come of it and of a beat.
    """
    lags, near = [found.middle for found in played], NEAR_S * best.rate
    return any(
        abs(times * one + more * two - best.middle) < near
        for one, two in itertools.permutations(lags, 2)
        for times in range(1, MOST_TIMES + 1)
        for more in (1, 2)
    )


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
    part = least / len(evidence.at) if evidence.unstudied else 0.0
    a_sound = max(0.0, A_SOUND - part)
    told = []
    for other, more in costs:
        if abs(np.log(other.middle / best.middle)) > DISTINCT and not _share(best, other):
            begun = max(0, other.excused - best.excused) if best.excused else 0
            told.append((other, more - least - a_sound * begun))
    return told


def _share(one: Explanation, other: Explanation) -> bool:
    """Whether half of the copies of the one are the other's too, as where a delay strays."""
    near = np.abs(one.lag - other.lag) < SHARED_S * one.rate
    return bool(2 * near.sum() > min(one.has_copy.sum(), other.has_copy.sum()))


def _least_margin(best: Explanation, *, on_beat: bool, apart: bool) -> float:
    """How many sounds more a rival must leave over: odds of 60 to 1, copies lost as often as seen.

    Where many sounds are left over, their number is uncertain too, unless all are `on_beat`, or the
    rival, beats `apart`, leaves the same ones. That finds the same echoes, as copies of another
    sound as like: which of them hiss hides from the one and not from the other is chance.
    """
    lost = (best.missing + 0.5) / (best.awaited + 1)
    part = SURE_MARGIN_PART if best.exact or on_beat or apart else UNSURE_MARGIN_PART
    by_chance = CHANCE * MISSED_COST * float(np.sqrt(2 * best.missing)) if apart else 0.0
    odds = float(np.log(60) / -np.log(lost)) - 0.5
    return max(LEAST_MARGIN, odds, part * best.left_over, by_chance)
