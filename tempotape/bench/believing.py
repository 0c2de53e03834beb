"""Which lag to believe: the echo's, and not the interval at which something is played again.

What is played again by a machine comes back unchanged. A tape changes what passes it: a copy of a
copy is fainter by the same factor, and duller, every time. So lags at which the sound comes back
unchanged are put aside first, and of the others that one is taken which leaves clearly the
fewest sounds unexplained. And where the change from the first sounds to their copies is the same
as from those to theirs, the first sounds are repeats already: nothing but the unit is heard.
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from tempotape.bench.explaining import (
    WIDTH,
    Evidence,
    Explanation,
    candidates,
    explain,
    margin,
)
from tempotape.bench.onsets import Whitened, briefly
from tempotape.bench.passing import passing
from tempotape.bench.recording import Samples

SHORTEST_S, LONGEST_S = 0.030, 5.0
LEAST_COPIES, FEW_CHAINS, MANY = 3, 6, 8
LEAST_PRESENCE, SOME_PRESENCE = 0.7, 0.3
WILD_S, WILD_SCATTER_DB = 0.002, 4.0  # scatter of lags and levels that is not worth comparing
MOST_UNSTEADY_S, MOST_SCATTER_DB = 0.0007, 3.0
SHARP_COHERENCE, SURE_COHERENCE = 0.7, 0.9
LEAST_STRIKES = 0.4  # of the copies: a note that rings on resembles itself, but strikes once
EXACT = 0.6  # looseness of copies that fall so exactly that it cannot be chance
DECIDED = 0.25  # of the sounds left over: a margin that settles it
UNLIKE = 0.6  # coherence: so much of it is chance, or what two sounds of a kind share
LIKELY = (0.55, 0.7)  # coherence of copies where a margin settles it; where they fall exactly
LEAST_MARGIN, LEAST_MARGIN_PART = 0.9, (0.02, 0.12)  # parts of the sounds left over
AGAIN_S, TWIN_S = 0.004, 0.003
BESIDE_S, BESIDE_COHERENCE = 0.030, 0.6
NO_LOSS_DB, SAME_DB, UNEVEN_DB = 0.7, 0.1, 0.15  # a pass
LOSS_DB, LOSS_SCATTERS = 0.3, 10.0  # the same loss on every pass is a loop's
SURE_DB = 0.3
HARDLY_DB, EVEN_DB, WHOLE_DB = 1.5, 0.1, 0.5  # over the whole band
ALIKE_DB = 0.15
CLEAR_S, FEW = 0.008, 5  # between sounds that do not run into one another
SECOND = 12
FALLING_DB = -1.0  # a pass
LASTING = 0.6  # of the last sounds, the part that may have copies though what is played ends
DISTINCT = 0.03
PART_PRESENCE = 0.35  # at a half, third or quarter of the lag: then that may be the delay
PART_MARGIN, AS_MANY = (0.15, 0.4), 0.8  # the latter where nearly as many copies are there
NO_REPEATS = "no delay: no repeats found"
ONLY_PLAYED = "no delay: what is played comes again, but no echo of it"


def believed(
    evidence: Evidence, sound: Whitened, copies: Whitened
) -> tuple[Explanation | None, str]:
    """The explanation to believe, or why none is."""

    def again(found: Explanation) -> bool:
        return evidence.heard is None and _again(found, evidence, sound, copies)

    told = _told(evidence)
    played = [found for found in told if again(found)]
    if played:
        evidence = _without(evidence, played)
        told = _told(evidence)
    if not told:
        return None, ONLY_PLAYED if played else NO_REPEATS
    best = told[0]
    for other in told[1:]:
        if margin(best, other) < 0:
            best = other
    rivals = [
        margin(best, other) for other in told if abs(np.log(other.middle / best.middle)) > DISTINCT
    ]
    decided = min(rivals, default=np.inf) > DECIDED * best.left_over
    if not _credible(best, decided=decided):
        return None, ONLY_PLAYED if played else NO_REPEATS
    doubtful = (
        again(best)
        or any(_part_of(best, other) for other in told)
        or any(_beside(best, other, evidence.rate) for other in played)
        or _multiple(best, evidence)
    )
    if doubtful or min(rivals, default=np.inf) < _least_margin(best):
        return None, "no delay: what is played is too regular to tell the echo's lag"
    if evidence.heard is None and _all_wet(best, evidence, sound, copies):
        apart_ms = best.middle / evidence.rate * 1e3
        return None, (
            f"no delay: this seems to be the unit's sound alone, with repeats {apart_ms:.1f} ms "
            "apart; record it with the played sound"
        )
    return best, ""


def _plausible(found: Explanation) -> bool:
    """Whether an explanation is worth comparing with others."""
    return (
        found.presence >= SOME_PRESENCE
        and found.gain_scatter_db < WILD_SCATTER_DB
        and found.unsteadiness < WILD_S * found.rate
    )


def _credible(best: Explanation, *, decided: bool) -> bool:
    """Whether the copies are there, alike in level, and strike or, where too faint, are steady.

    Copies that fall very exactly, or are much better than every other lag's, may be fewer.
    """
    few = LEAST_COPIES if best.deep.sum() < best.copied else FEW_CHAINS
    unlike = best.likeness < UNLIKE
    if best.copied < few and (unlike or _level_db(best, best.deep) > FALLING_DB):
        return False  # a few sounds that come again and again, as loud as ever or none too like
    if best.heard_as_attacks is not None and best.heard_as_attacks < LEAST_STRIKES:
        return False
    if best.copied >= MANY and best.likeness > LIKELY[1] and best.looseness < EXACT:
        return True
    if decided and best.copied >= MANY and best.likeness > LIKELY[0]:
        return True
    if best.presence < LEAST_PRESENCE or best.gain_scatter_db > MOST_SCATTER_DB:
        return False
    sharp = best.heard_as_attacks is not None and best.likeness > SHARP_COHERENCE
    return sharp or best.unsteadiness < MOST_UNSTEADY_S * best.rate


def _again(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether copies of copies are as loud as what they copy in every band: played again.

    A loop loses level on every pass or, where it loses next to none, does not end. Where the
    recording does not tell whether it ends, level alone decides.
    """
    deep = found.deep
    if found.sign < 0 or deep.sum() < max(2, found.copied // 2):
        return False
    if found.lasting is not None and found.lasting > LASTING:
        return False
    loudest = _loudest(found, evidence)
    gain_db, error_db = _change_db(found, evidence, loudest, sound, copies)
    sure = error_db < SURE_DB
    # Hum fills a band, a crooked sample grid dulls another: the middle band tells.
    middle_db = float(np.median(gain_db[sure])) if sure.any() else float(gain_db[0])
    uneven_db = float(np.median(np.abs(gain_db[sure] - middle_db))) if sure.any() else 0.0
    within_db = SAME_DB if found.lasting is None else NO_LOSS_DB
    level_db = 20 * np.log10(np.abs(found.gain[loudest]))
    scatter_db = float(np.median(np.abs(level_db - np.median(level_db))))
    within_db += 2 * (float(np.min(error_db)) + scatter_db / np.sqrt(loudest.sum()))
    whole_db = abs(float(np.median(level_db)))
    if np.median(level_db) < -max(LOSS_DB, LOSS_SCATTERS * scatter_db):
        return False
    if abs(middle_db) < within_db and uneven_db < UNEVEN_DB and whole_db < WHOLE_DB + scatter_db:
        return True
    return max(scatter_db, whole_db) < EVEN_DB or (
        found.lasting is not None and whole_db < HARDLY_DB
    )


def _level_db(found: Explanation, rows: NDArray[np.bool_]) -> float:
    return float(np.median(20 * np.log10(np.abs(found.gain[rows])))) if rows.any() else 0.0


def _loudest(found: Explanation, evidence: Evidence) -> NDArray[np.bool_]:
    """The loudest copies of which there are copies: fainter repeats are drowned in others."""
    deep = np.flatnonzero(found.deep)
    loud = deep[np.argsort(-evidence.energy[deep])[: max(found.copied, SECOND)]]
    rows = np.zeros(len(found.deep), bool)
    rows[loud] = True
    return rows


def _change_db(
    found: Explanation,
    evidence: Evidence,
    rows: NDArray[np.bool_],
    sound: Whitened,
    copies: Whitened,
) -> tuple[Samples, Samples]:
    """Gain from attacks to copies as `Passing.band_db`, seen so that neighbours do not run in."""
    apart = _apart(found, evidence, rows)
    one, other = briefly(sound), briefly(copies)
    return passing(one, other, evidence.at[apart], found.lag[apart], evidence.length_s).band_db()


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


def _all_wet(best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether first copies are to their originals as second copies are to first ones.

    So it is where the originals are repeats already; beside a played sound it would be chance.
    """
    first = best.found & best.root
    if first.sum() < 2 or best.deep.sum() < max(2, best.copied // 2):
        return False
    second = _loudest(best, evidence)
    (one_db, one_error), (other_db, other_error) = (
        _change_db(best, evidence, rows, sound, copies) for rows in (first, second)
    )
    error_db = np.hypot(one_error, other_error)
    sure = error_db < SURE_DB
    if not sure.any():
        return False
    within_db = ALIKE_DB + 2 * float(np.median(error_db[sure]))
    return float(np.median(np.abs(one_db - other_db)[sure])) < within_db


def _told(evidence: Evidence) -> list[Explanation]:
    """The explanations that the evidence offers, the one that leaves least over first."""
    rate = evidence.rate
    room = evidence.end - evidence.at.astype(float)
    told: list[Explanation] = []
    for lag, sign in candidates(evidence.found, room, SHORTEST_S * rate, LONGEST_S * rate):
        found = explain(evidence, lag, sign)
        if found.copied and found.found.sum() >= LEAST_COPIES and _plausible(found):
            told.append(found)
    told.sort(key=lambda found: found.cost)
    kept: list[Explanation] = []
    for found in told:
        twins = [k for k, other in enumerate(kept) if _twins(found, other)]
        if not twins:
            kept.append(found)
        elif found.sign != kept[twins[0]].sign and found.likeness > kept[twins[0]].likeness:
            # In a narrow band a copy correlates half a period off as well, turned over.
            kept[twins[0]] = found
    return sorted(kept, key=lambda found: found.cost)


def _twins(one: Explanation, other: Explanation) -> bool:
    return abs(one.middle - other.middle) < TWIN_S * one.rate


def _without(evidence: Evidence, again: list[Explanation]) -> Evidence:
    """The evidence without the lags at which the played sound comes again, and multiples."""
    lag, rate = evidence.found.lag, evidence.rate
    keep = np.ones(len(lag), bool)
    for found in again:
        times = np.maximum(np.rint(lag / found.middle), 1)
        keep &= np.abs(lag - times * found.middle) > AGAIN_S * rate
    return msgspec.structs.replace(evidence, found=evidence.found.only(keep))


def _beside(best: Explanation, played: Explanation, rate: float) -> bool:
    """Whether `best` may be what rings on beside a lag at which the played sound comes again."""
    times = max(1, round(best.middle / played.middle))
    if abs(best.middle - times * played.middle) > BESIDE_S * rate:
        return False
    return best.likeness < BESIDE_COHERENCE


def _part_of(best: Explanation, other: Explanation) -> bool:
    """Whether `best` may be the second, third or fourth repeat at the lag of `other`."""
    times = best.middle / other.middle
    whole = round(times)
    as_many = other.likeness > SURE_COHERENCE and other.found.sum() > AS_MANY * best.found.sum()
    most = PART_MARGIN[int(as_many)]
    if margin(best, other) > most * best.left_over:
        return False
    fits = 2 <= whole <= 4 and abs(times / whole - 1) < 0.003 and best.sign == other.sign**whole
    return fits and other.presence > PART_PRESENCE


def _multiple(best: Explanation, evidence: Evidence) -> bool:
    """Whether the first attack and most others come again at a half, third or quarter of the lag.

    On a wet side of its own: there a delay that strays too far to be followed shows so.
    """
    rows = np.flatnonzero(best.root & best.found)
    found = evidence.found
    if evidence.heard is None:
        return False
    for times in (2, 3, 4):
        near = np.abs(found.lag * times - best.middle) < WIDTH * best.middle
        heard = near & (best.sign * found.coherence > SHARP_COHERENCE)
        again = np.isin(rows, found.attack[heard])
        if again[0] and float(np.mean(again)) > LEAST_PRESENCE:
            return True
    return False


def _least_margin(best: Explanation) -> float:
    """How many sounds more a rival must leave over: odds of 60 to 1, copies lost as often as seen.

    Where many sounds are left over, their number is uncertain too.
    """
    lost = (best.missing + 0.5) / (best.awaited + 1)
    part = LEAST_MARGIN_PART[best.looseness > EXACT]
    return max(LEAST_MARGIN, float(np.log(60) / -np.log(lost)) - 0.5, part * best.left_over)
