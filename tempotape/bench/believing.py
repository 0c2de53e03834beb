"""Which lag to believe: the echo's, and not the interval at which something is played again.

What is played again by a machine comes back unchanged. A tape changes what passes it: a copy of a
copy is fainter by the same factor, and duller, every time. So lags at which the sound comes back
unchanged are put aside first, unless they are those of a unit near oscillation: what it repeats is
played all along. Notes that ring on are put aside too. Of the other lags that one is taken which
leaves clearly the fewest sounds unexplained, off the beat least of all where what is played keeps
one. And where the change from the first sounds to their copies is the same
as from those to theirs, the first sounds are repeats already: nothing but the unit is heard.
"""

from __future__ import annotations

import itertools

import msgspec
import numpy as np
from numpy.typing import NDArray

from tempotape.bench.copies import coherence, template
from tempotape.bench.explaining import (
    UNLIKE,
    WIDTH,
    Evidence,
    Explanation,
    candidates,
    explain,
)
from tempotape.bench.leftover import aligned, further_gain, left_over
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import passing
from tempotape.bench.recording import Samples
from tempotape.bench.ringing import rings, rings_on

SHORTEST_S, LONGEST_S = 0.030, 5.0
LEAST_COPIES, FEW_CHAINS, MANY = 3, 6, 8
LEAST_PRESENCE, SOME_PRESENCE = 0.7, 0.3
WILD, WILD_S, WILD_SCATTER_DB = 0.005, 0.002, 4.0  # scatter not worth comparing
MOST_UNSTEADY_S, MOST_SCATTER_DB = 0.0007, 3.0
SHARP_COHERENCE, SURE_COHERENCE = 0.7, 0.9
LEAST_STRIKES = 0.4  # of the copies: a note that rings on resembles itself, but strikes once
EXACT = 0.6  # looseness of copies that fall so exactly that it cannot be chance
DECIDED, DECIDED_PRESENCE = 0.25, 0.5  # of the sounds left over: a margin that settles it
LIKELY = (0.55, 0.7)  # coherence of copies where a margin settles it; where they fall exactly
LEAST_MARGIN, LEAST_MARGIN_PART = 0.9, (0.02, 0.12)  # parts of the sounds left over
AGAIN_S, TWIN_S = 0.004, 0.003
RINGS_S, BESIDE_S, BESIDE_COHERENCE = 0.012, 0.030, (0.6, 0.75)
ALIKE_PART, ALIKE_ERRORS = 0.08, 3.0  # of the gain
SURE_DB, ALIKE_DB, KNOWN_DB, WELL_KNOWN_DB = 0.3, 0.18, 0.1, 0.06
UNLIKE_DB, UNLIKE_ERRORS = 0.3, 5.0
CLEAR_S, FEW, SECOND = 0.008, 5, 12  # between sounds that do not run into one another
FALLING_DB = -1.0  # a pass
LEAST_BEAT_S, LEAST_BEATS, ON_BEAT_S = 0.08, 5, 0.004
REGULAR, OFF_BEAT_COST = 0.1, 2.0  # off the beat; in sounds left over
ALL_ALONG, IN_FIRST, FIRST_LAG = 0.25, 0.3, 1.05  # of the roots: in the second half; in a lag
CLEARLY, FARTHER = 0.6, 2.5  # of the others' cost; of the best's
WHOLE, FAINTER_DB = 0.003, -1.5  # of a lag that is a multiple; of further repeats
LIKELIER = 0.5  # of the sounds left over: more than notes that ring on hide
DISTINCT = 0.01  # of the lag: nearer lags are one
MOST_RINGING = 30  # asked whether they ring on
WEIGHED, ALSO_WEIGHED, TRUSTED, MUCH_ALIKE, FIT = 12, 4, 8.0, 0.8, 0.1  # the last in energy
EXCUSED_COST, SHARPER_COST, SHARPER_DB, SHARPER_ERRORS = 0.9, 3.0, 0.04, 4.0
LOUD_DB, LOUDER_COST = 6.0, 0.5  # of the first copies, and a dB more
NO_LOSS_DB, PART_LOSS_DB = (3.2, 0.7), (4.0, 1.2)  # of a first copy, and of further ones
SAME_SHAPE, MOST_UNSURE = 3e-3, 0.3  # 1 less coherence squared: a tape changes more
MOST_COMPARED, BEFORE_S = 30, 0.002
PLAYED_NEAR_S = 0.002
PARTED = 4  # of the best lags, also their parts are tried
LOSS_DB = 0.2  # a pass, of which a loop is known
ALIKE, SAME, MUCH_SAME = 10.0, 3e-4, 1e-3  # of such changes; the first times the least
FAINT_S, FAINT_LIKENESS = 0.0015, 0.8  # about the lag; of the other copies' likeness
PART_PRESENCE = 0.35  # at a half, third or quarter of the lag: then that may be the delay
PART_MARGIN, AS_MANY = (0.15, 0.4), 0.8  # the latter where nearly as many copies are there
NO_REPEATS = "no delay: no repeats found"
ONLY_PLAYED = "no delay: what is played comes again, but no echo of it"


def believed(
    evidence: Evidence, sound: Whitened, copies: Whitened
) -> tuple[Explanation | None, str]:
    """The explanation to believe, or why none is."""
    mono = evidence.heard is None
    told = _told(evidence)
    played = _played(told, evidence, sound) if mono else []
    beats = [found.middle for found in played if found.middle > LEAST_BEAT_S * evidence.rate]
    if _echo_all_the_same(told, played, evidence, beats):
        told = [told[0], *(found for found in told if not any(found is one for one in played))]
        played = [found for found in played if found is not told[0]]
    elif played:
        evidence = _without(evidence, played)
        told = [
            found
            for found in _told(evidence)
            if not any(_beside(found, other, RINGS_S * evidence.rate) for other in played)
        ]
    none = ONLY_PLAYED if played else NO_REPEATS
    # Both sides through one filter: what a pass does is short, unlike the two filters' difference.
    played_sound = sound if mono else sound.through(copies)
    ringing = rings(evidence, sound)
    if ringing:
        told = [
            found
            for found in told[:MOST_RINGING]
            if not rings_on(found, evidence, played_sound, copies)
        ]
    # On a beat, lags that make the sounds copies of one another cost least before they are weighed.
    regular = [found for found in told[WEIGHED:] if _off_beat(found, evidence, beats) < REGULAR]
    told = told[:WEIGHED] + regular[:ALSO_WEIGHED]
    weighed = _weighed(told, evidence, played_sound, copies)
    weighed = _on_the_beat(weighed, evidence, beats)
    if not weighed:
        return None, none
    if ringing:
        weighed = [
            (found, cost)
            for found, cost in weighed
            if not any(
                _further(found, other) and other_cost < cost + LIKELIER * other.left_over
                for other, other_cost in weighed
            )
        ]
    best, least = min(weighed, key=lambda pair: pair[1])
    # What begins in the middle begins with copies of what was not recorded: how many tells nothing.
    # Each cost itself, as a sound counted and as one heard.
    begun = EXCUSED_COST + 2 if best.excused else 0.0
    rivals = [
        (other, more - least - begun * max(0, other.excused - best.excused))
        for other, more in weighed
        if abs(np.log(other.middle / best.middle)) > DISTINCT
    ]
    clear = min((more for _, more in rivals), default=np.inf)
    if not _credible(best, decided=clear > DECIDED * best.left_over, ringing=ringing):
        return None, none
    doubtful = (
        any(_part_of(best, other, more) for other, more in rivals)
        or any(_beside(best, other, BESIDE_S * evidence.rate) for other in played)
        or _multiple(best, evidence)
    )
    if doubtful or clear < _least_margin(best):
        return None, "no delay: what is played is too regular to tell the echo's lag"
    if mono and _all_wet(best, evidence, sound, copies):
        apart_ms = best.middle / evidence.rate * 1e3
        return None, (
            f"no delay: this seems to be the unit's sound alone, with repeats {apart_ms:.1f} ms "
            "apart; record it with the played sound or, if that is there, with more or less of it"
        )
    return best, ""


def _weighed(
    told: list[Explanation], evidence: Evidence, sound: Whitened, copies: Whitened
) -> list[tuple[Explanation, float]]:
    """Explanations, and what each costs in sounds left over, counted and heard.

    What is heard to be left over counts only so much where copies are like what they copy and
    yet no pass could be fitted: they are overloaded, or run into one another.
    """
    likely = [
        aligned(rooted, evidence, sound, copies)
        for found in told
        if (rooted := _with_faint(found, evidence, sound)).copied
    ]
    if not likely:
        return []
    left = [left_over(found, evidence, sound, copies) for found in likely]
    least = min(part.sounds for part in left)
    out = []
    for found, part in zip(likely, left, strict=True):
        like = found.likeness > MUCH_ALIKE
        trusted = not like or part.off < 1 - found.likeness**2 + FIT
        heard = part.sounds if trusted else min(part.sounds, least + TRUSTED)
        unlikely = _unlikely(found, evidence, sound, copies)
        out.append((found, found.cost + EXCUSED_COST * found.excused + heard + unlikely))
    return out


def _plausible(found: Explanation) -> bool:
    """Whether an explanation is worth comparing with others."""
    return (
        found.presence >= SOME_PRESENCE
        and found.gain_scatter_db < WILD_SCATTER_DB
        and found.unsteadiness < max(WILD_S * found.rate, WILD * found.middle)
    )


def _credible(best: Explanation, *, decided: bool, ringing: bool) -> bool:
    """Whether the copies are there, alike in level, and strike or, where too faint, are steady.

    Copies that fall very exactly, or are much better than every other lag's, may be fewer. Among
    notes that ring on few copies are attacks: those have been asked in another way.
    """
    few = LEAST_COPIES if best.deep.sum() < best.copied else FEW_CHAINS
    unlike = best.likeness < UNLIKE
    # A few sounds that come again and again, as loud as ever or none too like, or by chance.
    again = best.copied < few and (unlike or _level_db(best, best.deep) > FALLING_DB)
    if again or (best.copied < FEW_CHAINS and _strays(best)):
        return False
    struck = best.heard_as_attacks
    if not ringing and struck is not None and struck < LEAST_STRIKES:
        return False
    exact = best.likeness > LIKELY[1] and best.looseness < EXACT
    best_by_far = decided and best.likeness > LIKELY[0] and best.presence > DECIDED_PRESENCE
    if best.copied >= MANY and (exact or best_by_far):
        return True
    if best.presence < LEAST_PRESENCE or best.gain_scatter_db > MOST_SCATTER_DB:
        return False
    sharp = struck is not None and best.likeness > SHARP_COHERENCE
    return sharp or best.unsteadiness < MOST_UNSTEADY_S * best.rate


def _strays(found: Explanation) -> bool:
    """Whether the copies' lags differ by more than a tape's speed: a few fall so by chance."""
    lags = found.lag[found.root & found.found]
    return bool(np.ptp(lags) > max(WILD_S * found.rate, WILD * found.middle))


def _played(told: list[Explanation], evidence: Evidence, sound: Whitened) -> list[Explanation]:
    """The explanations by which what is played comes again, not what the unit makes of it.

    And those by a half, a third... of such a lag, at which it comes again less regularly.
    """
    likely = told[:WEIGHED]
    as_it_was = [
        (found, change)
        for found in likely
        if _lossless(found, *NO_LOSS_DB)
        and (change := _change_of_shape(found, evidence, sound)) is not None
        and (change < SAME or not _loses(found))
    ]
    least = min((change for _, change in as_it_was), default=0.0)
    sure = [found for found, change in as_it_was if change < ALIKE * least + MUCH_SAME]
    near = PLAYED_NEAR_S * evidence.rate
    parts = [
        found
        for found in likely
        if not any(found is other for other in sure)
        and (
            any(abs(abs(one.middle - two.middle) - found.middle) < near for one, two in _two(sure))
            or (
                any(_whole_part(found.middle, other.middle, near) for other in sure)
                and _lossless(found, *PART_LOSS_DB)
            )
        )
    ]
    return sure + parts


def _echo_all_the_same(
    told: list[Explanation], played: list[Explanation], evidence: Evidence, beats: list[float]
) -> bool:
    """Whether the best lag is the echo's though nothing is lost a pass: near oscillation.

    What is played again and again is played for a first time only in the beginning; what an echo
    repeats is played all along.
    """
    if not any(told[0] is found for found in played):
        return False
    best = told[0]
    begun = evidence.at[best.root]
    late = begun > (evidence.at[0] + evidence.at[-1]) / 2
    first = begun < evidence.at[0] + FIRST_LAG * best.middle
    unlike = [
        found
        for found in told
        if not any(found is other for other in played) and not _times(found, best)
    ]
    if any(
        _off_beat(found, evidence, beats) < REGULAR
        for found in unlike[:WEIGHED]
        if found.cost < FARTHER * best.cost
    ):
        return False
    others = [found.cost for found in unlike]
    return (
        len(begun) >= LEAST_BEATS
        and float(np.mean(late)) > ALL_ALONG
        and float(np.mean(first)) < IN_FIRST
        and best.cost < CLEARLY * min(others, default=np.inf)
    )


def _off_beat(found: Explanation, evidence: Evidence, beats: list[float]) -> float:
    """The least part of what is played that does not fall on a beat from the first sound on.

    The `beats` are the intervals, in samples, at which what is played may come again. All of it
    where the recording may begin within the playing: then the first sound tells nothing.
    """
    since = evidence.at[found.root] - evidence.at[0]
    if evidence.since[0] >= 0 or len(since) < LEAST_BEATS:
        return 1.0
    near = ON_BEAT_S * evidence.rate
    off = [np.abs(since - np.rint(since / beat) * beat) > near for beat in beats]
    return min((float(np.mean(away)) for away in off), default=1.0)


def _on_the_beat(
    weighed: list[tuple[Explanation, float]], evidence: Evidence, beats: list[float]
) -> list[tuple[Explanation, float]]:
    """Costs with those of what is played off the beat, where one lag puts nearly all on a beat."""
    off = [_off_beat(found, evidence, beats) for found, _ in weighed]
    if min(off, default=1.0) > REGULAR:
        return weighed
    return [
        (found, cost + OFF_BEAT_COST * part * found.root.sum())
        for (found, cost), part in zip(weighed, off, strict=True)
    ]


def _times(found: Explanation, best: Explanation) -> bool:
    """Whether a lag is a multiple of another."""
    times = found.middle / best.middle
    return round(times) > 1 and abs(times / round(times) - 1) < WHOLE


def _change_of_shape(found: Explanation, evidence: Evidence, sound: Whitened) -> float | None:
    """How far first copies differ in shape from what they copy, or None where it is much.

    Where noise hides it, it is little.
    """
    first = found.root & found.found
    change, unsure = _change(found, evidence, first, sound)
    by_copies = 1 - float(np.quantile(np.abs(found.coherence[first]), 0.75)) ** 2
    change = max(0.0, min(change, by_copies))
    return change if change < SAME_SHAPE + 1.5 * min(unsure, MOST_UNSURE) else None


def _lossless(found: Explanation, first_db: float, further_db: float) -> bool:
    """Whether copies, and copies of copies, are as loud as what they copy."""
    if found.deep.sum() < max(2, found.copied // 2):
        return False
    first = found.root & found.found
    further = _level_db(found, found.deep)
    # Sounds that run into one another add up.
    return abs(_level_db(found, first)) < first_db and -further_db < further < 2 * further_db


def _loses(found: Explanation) -> bool:
    """Whether further copies are fainter by the same little every time, as in a loop."""
    unsure = _unsure_db(found, found.deep)
    return _level_db(found, found.deep) < -max(LOSS_DB, 4 * unsure)


def _two(found: list[Explanation]) -> list[tuple[Explanation, Explanation]]:
    return list(itertools.combinations(found, 2))


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
    chosen = np.flatnonzero(rows)
    if len(chosen) > MOST_COMPARED:
        chosen = chosen[np.linspace(0, len(chosen) - 1, MOST_COMPARED).astype(int)]
    rate = evidence.rate
    lead, length = round(BEFORE_S * rate), round((evidence.length_s + BEFORE_S) * rate)
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


def _with_faint(found: Explanation, evidence: Evidence, sound: Whitened) -> Explanation:
    """The explanation without roots that copy a sound too faint to be an attack itself."""
    if evidence.heard is not None:
        return found
    root = found.root.copy()
    reach = round(FAINT_S * evidence.rate)
    for k in np.flatnonzero(root & (evidence.at - evidence.at[0] > found.middle)):
        cut = template(sound, int(evidence.at[k]), None)
        back = -round(float(found.around[k]))
        rho, gain = coherence(sound, cut, back - reach, back + reach)
        top = int(np.argmax(np.abs(rho)))
        root[k] = np.abs(rho[top]) < FAINT_LIKENESS * found.likeness or np.abs(gain[top]) < 1
    return msgspec.structs.replace(found, root=root, due=found.due & root)


def _unlikely(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> float:
    """What it costs that no tape does so, or that few units are set so; in sounds left over.

    Where many sounds run into one another, the one is not asked.
    """
    sharper = found.deep.sum() < found.copied and _sharpens(found, evidence, sound, copies)
    louder_db = 0.0
    if evidence.heard is None:
        louder_db = max(0.0, _level_db(found, found.root & found.found) - LOUD_DB)
    return SHARPER_COST * sharper + LOUDER_COST * louder_db


def _sharpens(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether copies are stronger than what they copy at both ends of the band: no tape does so.

    So it is from an echo to the next sound played.
    """
    rows = np.flatnonzero(found.root & found.found)
    at, lags = evidence.at[rows], found.lag[rows]
    gain_db, error_db = passing(sound.brief, copies.brief, at, lags, evidence.length_s).band_db()
    rise_db = (gain_db[1] + gain_db[-1]) / 2 - gain_db[len(gain_db) // 2]
    error = np.hypot(np.hypot(error_db[1], error_db[-1]) / 2, error_db[len(gain_db) // 2])
    return bool(rise_db > max(SHARPER_DB, SHARPER_ERRORS * error))


def _unsure_db(found: Explanation, rows: NDArray[np.bool_]) -> float:
    """Standard error of the median level, dB.

    From the median deviation, for normal scatter: 1.4826 to a standard deviation, sqrt(pi / 2)
    from the error of a mean to that of a median.
    """
    level = 20 * np.log10(np.abs(found.gain[rows]))
    scatter = float(np.median(np.abs(level - np.median(level))))
    return 1.4826 * float(np.sqrt(np.pi / 2 / len(level))) * scatter


def _level_db(found: Explanation, rows: NDArray[np.bool_]) -> float:
    return float(np.median(20 * np.log10(np.abs(found.gain[rows])))) if rows.any() else 0.0


def _all_wet(best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether the unit does to the copies what it does to the originals: these are repeats too.

    Beside a played sound it would be chance.
    """
    off_db, error_db = _unlike_in_pairs(best, evidence, sound, copies)
    if off_db < ALIKE_DB + 2 * error_db and error_db < KNOWN_DB:
        return True
    sure = error_db < WELL_KNOWN_DB or off_db > UNLIKE_DB + UNLIKE_ERRORS * error_db
    if np.isfinite(off_db) and sure:
        return False
    difference, error = further_gain(best, evidence, sound)
    return abs(difference) < ALIKE_PART + ALIKE_ERRORS * error


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
    one, other = sound.brief, copies.brief
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


def _unlike_in_pairs(
    best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> tuple[float, float]:
    """How far first copies are to their originals from what second copies are to first ones.

    In dB, the median of bands, and its error; infinite where they do not tell.
    """
    first = best.found & best.root
    if first.sum() < 2 or best.deep.sum() < max(2, best.copied // 2):
        return np.inf, 0.0
    second = _loudest(best, evidence)
    (one_db, one_error), (other_db, other_error) = (
        _change_db(best, evidence, rows, sound, copies) for rows in (first, second)
    )
    error_db = np.hypot(one_error, other_error)
    sure = error_db < SURE_DB
    if not sure.any():
        return np.inf, 0.0
    return float(np.median(np.abs(one_db - other_db)[sure])), float(np.median(error_db[sure]))


def _told(evidence: Evidence) -> list[Explanation]:
    """The explanations that the evidence offers, the one that leaves least over first."""
    rate = evidence.rate
    room = evidence.end - evidence.at.astype(float)
    told: list[Explanation] = []
    for lag, sign in candidates(evidence.found, room, SHORTEST_S * rate, LONGEST_S * rate):
        told += [found for turned in (sign, 0) if (found := _told_by(evidence, lag, turned))]
    told.sort(key=lambda found: found.cost)
    # Copies of copies may be more like what is played, in a band of their own, than copies.
    for found in told[:PARTED]:
        parts = (found.middle / times for times in (2, 3, 4))
        told += [part for lag in parts if (part := _told_by(evidence, lag, 0))]
    told.sort(key=lambda found: found.cost)
    kept: list[Explanation] = []
    for found in told:
        twins = [k for k, other in enumerate(kept) if _twins(found, other)]
        if not twins:
            kept.append(found)
        elif (
            found.sign * kept[twins[0]].sign < 0
            and found.likeness > kept[twins[0]].likeness
            and found.cost < kept[twins[0]].cost + 1
        ):
            # In a narrow band a copy correlates half a period off as well, turned over.
            kept[twins[0]] = found
    return sorted(kept, key=lambda found: found.cost)


def _told_by(evidence: Evidence, lag: float, sign: int) -> Explanation | None:
    """The explanation by a lag, where it is one at all."""
    if lag < SHORTEST_S * evidence.rate:
        return None
    found = explain(evidence, lag, sign)
    if not found.copied or found.found.sum() < LEAST_COPIES or not _plausible(found):
        return None
    return found


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


def _beside(best: Explanation, played: Explanation, near: float) -> bool:
    """Whether `best` may be what rings on beside a lag at which the played sound comes again."""
    times = max(1, round(best.middle / played.middle))
    off = abs(best.middle - times * played.middle)
    if off > near:
        return False
    return best.likeness < BESIDE_COHERENCE[int(off < RINGS_S * best.rate)]


def _part_of(best: Explanation, other: Explanation, more: float) -> bool:
    """Whether `best` may be the second, third or fourth repeat at the lag of `other`."""
    whole = round(best.middle / other.middle)
    as_many = other.likeness > SURE_COHERENCE and other.found.sum() > AS_MANY * best.found.sum()
    if more > PART_MARGIN[int(as_many)] * best.left_over:
        return False
    signs = {best.sign, other.sign**whole}
    fits = whole <= 4 and _times(best, other) and len(signs - {0}) < 2
    return fits and other.presence > PART_PRESENCE


def _further(other: Explanation, best: Explanation) -> bool:
    """Whether the copies at the lag of `other` are further repeats of those at that of `best`.

    Notes seldom come again so exactly that the nearer, louder and better copies were chance.
    """
    near = _times(other, best) and other.middle < 4.5 * best.middle
    best_db, other_db = (_level_db(one, one.root & one.found) for one in (best, other))
    return (
        near
        and best.likeness > other.likeness
        and best_db < FAINTER_DB
        and other_db < best_db + FAINTER_DB
    )


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
        like = best.sign * found.coherence if best.sign else np.abs(found.coherence)
        heard = near & (like > SHARP_COHERENCE)
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
