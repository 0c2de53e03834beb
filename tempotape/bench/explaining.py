"""Which lag explains a recording: every attack finds its copy, every copy an attack before it.

Equal intervals in what is played also give lags at which sound comes again. Those are told apart
at the ends of the recording, where copies are missing or have nothing that they copy.
"""

from __future__ import annotations

from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from tempotape.bench.copies import Matches
from tempotape.bench.onsets import BEFORE_S
from tempotape.bench.recording import Samples
from tempotape.bench.two_lags import APART_S, of_another

Numbers = NDArray[np.int64]

MOST_ATTACKS = 240  # studied over all lags: those at both ends and in the middle
BIN = 0.004  # of the lag
CANDIDATES = 80  # quick regular clicks make so many
WIDTH, WIDEST_S = 0.024, 0.025  # how far a delay may stray during a recording, searching
CROWD_S, STEADY_S, STEADY_PART, AS_LIKE = 0.0004, 0.002, 0.9, 0.95
GAIN_STRAY_DB, FAR_DB = 10.0, 20.0  # off the middle level of copies of a kind; of all
USUAL_PARTS, KINDS_DB = (0.15, 0.5, 0.85), 35.0
CLEAR_OVER_NOISE = 40.0  # in energy: so loud a copy is heard as an attack
STEADY_COPY_S, EVEN_COPY_DB = 5e-5, 0.1  # so near together copies fall in a good recording
HISS_DB = 0.35  # where what is unlike is as large as what is like
LIKE_COPY = 0.3  # what is unlike in them, of their size
IN_HISS, HISSING, USUAL_MATCHES = 0.75, 0.93, 100  # coherences; an attack
HIDDEN = (0.7, 0.8)  # coherences between which hiss hides less and less
NEVER, FEW_ROOTS = 4, 6
LOOSE, UNLIKE = 0.5, 0.6  # the latter a coherence
EXACT = 0.6  # in looseness
WHOLE = 0.003  # of a lag that is a multiple
TURN_S, CLEARLY_TURNED = 0.001, 0.05  # beside a copy; how much less like turned over
FEWEST_TURNED, NEARLY_ALL = 3, 0.85
LATER_WIDTH, LATER_STRAYS = 0.003, 2.0
DRIFT_DEGREE, FEWEST_DRIFTING = 2, 9
COURSE = 0.02  # of the lag: how far from a course of drift copies may lie
TWO_LAGS = 10.0  # times what most lags stray
LANDING_S, LANDING_PART = (0.003, 0.008), 0.8


class Explanation(msgspec.Struct, frozen=True, dict=True):
    """How well a lag explains the recording. Arrays run over the studied attacks."""

    at: Numbers  # the attacks, samples
    around: Samples  # where a copy was looked for, samples
    lag: Samples  # of the copy, samples; NaN where none was found
    heard_lag: Samples  # the same, where what was heard is no copy by its level too
    gain: Samples
    coherence: Samples
    sign: int  # of the copies: 1, -1, or 0 where either is taken
    rate: float
    crowd: float  # lags at which an attack seems to come again, of as many as usual; at most 1
    root: NDArray[np.bool_]  # attacks that are no copy of one before
    excused: int  # roots that may copy one from before the studied stretch
    due: NDArray[np.bool_]  # roots whose copy should be in the recording
    orphans: int  # sounds on the wet side that copy nothing; before the first copy of all, for more
    heard_as_attacks: float | None  # part of the copies that are clear; None where too few are

    @cached_property
    def has_copy(self) -> NDArray[np.bool_]:
        """Attacks of which a copy was found."""
        return np.isfinite(self.lag)

    @cached_property
    def middle(self) -> float:
        """The median lag of the copies, samples."""
        return float(np.nanmedian(self.lag))

    @cached_property
    def copied(self) -> int:
        """Roots whose copy was found."""
        return int(self.has_first_copy.sum())

    @cached_property
    def awaited(self) -> int:
        """Roots whose copy is due."""
        return int(self.due.sum())

    @cached_property
    def missing(self) -> int:
        """Roots whose copy is due and was not found."""
        return int((self.due & ~self.has_copy).sum())

    @cached_property
    def presence(self) -> float:
        """The part of the copies due that was found."""
        return 1 - self.missing / max(1, self.awaited)

    @cached_property
    def cost(self) -> float:
        """What the lag leaves unexplained, in sounds; the least is the best explanation.

        Sounds left over. Of first copies, each its looseness: the more loosely they fall, the
        likelier chance made them. Of further copies, at most two a first one, how uneven their
        level is alone: what is played varies in level, what a pass takes off does not. Where
        copies are hardly alike chance finds many: then each further one costs all its looseness.
        """
        deep = int(self.has_further_copy.sum())
        if self.likeness < UNLIKE:
            return self.left_over + self.looseness * (self.copied + deep)
        uneven = LOOSE * float(np.log10(self._uneven))
        return self.left_over + self.looseness * self.copied + uneven * min(2 * self.copied, deep)

    @cached_property
    def _uneven(self) -> float:
        """How widely copies scatter in level, over what hiss alone makes of it; 1 at least."""
        hiss = np.sqrt(max(0.0, 1 - self.likeness**2)) / self.likeness
        return float(max(self.gain_scatter_db / max(EVEN_COPY_DB, HISS_DB * hiss), 1.0))

    @cached_property
    def looseness(self) -> float:
        """How widely copies scatter in lag, level and shape: so they do by chance. In log 10.

        What hiss makes unlike scatters too; but where hiss hides most, chance finds few.
        """
        lag = max(self.unsteadiness / self.rate / STEADY_COPY_S, 1.0)
        shape = max(float(np.sqrt(max(0.0, 1 - self.likeness**2))) / LIKE_COPY, 1.0)
        # Little by little, lest lags about as like be told apart by it.
        hidden = float(np.interp(self.likeness, HIDDEN, (1.0, 0.0)))
        chance = lag * self._uneven * shape * self.crowd**hidden
        return LOOSE * float(np.log10(max(chance, 1.0)))

    @property
    def exact(self) -> bool:
        """Whether the copies fall so exactly that it cannot be chance."""
        return self.looseness < EXACT

    @cached_property
    def left_over(self) -> int:
        """Sounds that nothing gave rise to and, twice, copies that are missing."""
        return int(self.root.sum()) + self.orphans + 2 * self.missing

    @cached_property
    def unsteadiness(self) -> float:
        """Median deviation of the lags, over the roots, from what they are around; in samples.

        Over all copies where those are few: some always lie on a track.
        """
        return float(
            np.median(
                self.strays(self.has_first_copy if self.copied >= FEW_ROOTS else self.has_copy)
            )
        )

    def strays(self, rows: NDArray[np.bool_]) -> Samples:
        """How far each of those copies' lags is from what they are around, in samples."""
        # What only rises or falls, however unevenly, is its own running median: so less its drift.
        off = less_drift(self.at[rows], self.lag[rows])
        # Mirrored: an end repeated would be the middle of what is beyond it, however it strays.
        around = ndimage.median_filter(off, size=min(9, len(off)), mode="mirror")
        return np.asarray(np.abs(off - around))

    @cached_property
    def likeness(self) -> float:
        """Coherence of the copies with what they copy, its median."""
        return float(np.median(np.abs(self.coherence[self.has_copy])))

    @cached_property
    def first_likeness(self) -> float:
        """The same of first copies, 0 where there are none."""
        return float(np.median(np.abs(self.coherence[self.has_first_copy]))) if self.copied else 0.0

    @cached_property
    def has_first_copy(self) -> NDArray[np.bool_]:
        """Roots of which a copy was found."""
        return self.root & self.has_copy

    @cached_property
    def has_further_copy(self) -> NDArray[np.bool_]:
        """Copies of which a copy was found."""
        return self.has_copy & ~self.root

    @cached_property
    def gain_scatter_db(self) -> float:
        """Median deviation of the copies' levels, over the roots.

        Or of copies of copies where those are more, and more even: near the edge of oscillation a
        repeat drowned in others leaves roots of another kind.
        """
        even = [_scatter_db(self.gain[self.has_first_copy])]
        if self.has_further_copy.sum() > self.copied:
            even.append(_scatter_db(self.gain[self.has_further_copy]))
        return min(even)

    def level_db(self, rows: NDArray[np.bool_]) -> float:
        """The median level of copies over what they copy, dB; 0 where there are none."""
        return float(np.median(20 * np.log10(np.abs(self.gain[rows])))) if rows.any() else 0.0

    def level_error_db(self, rows: NDArray[np.bool_]) -> float:
        """Standard error of that level, dB (pi / 2 more variance than a mean's, normal scatter)."""
        return float(np.sqrt(np.pi / 2 / max(1, rows.sum()))) * self.level_scatter_db(rows)

    def level_scatter_db(self, rows: NDArray[np.bool_]) -> float:
        """How that level scatters from copy to copy, dB: one standard deviation."""
        if not rows.any():
            return 0.0
        level = 20 * np.log10(np.abs(self.gain[rows]))
        return float(stats.median_abs_deviation(level, scale="normal"))

    def with_roots(self, root: NDArray[np.bool_]) -> Explanation:
        """The same with these roots alone; of their copies, if that explains more, others.

        Those are about as loud as most of what was heard where copies of these roots are due.
        """
        plain = msgspec.structs.replace(self, root=root, due=self.due & root)
        rows = root & np.isfinite(self.heard_lag)
        if not plain.copied:
            return plain
        over_db = _over_usual_db(self.gain[rows])
        lag = self.lag.copy()
        lag[rows] = np.where(np.abs(over_db) > GAIN_STRAY_DB, np.nan, self.heard_lag[rows])
        other = msgspec.structs.replace(plain, lag=lag)
        return other if other.copied and other.cost < plain.cost else plain

    def is_multiple_of(self, other: Explanation) -> bool:
        """Whether its lag is twice, three times... another's."""
        times = self.middle / other.middle
        return round(times) > 1 and abs(times / round(times) - 1) < WHOLE


def less_drift(at: Numbers, lags: Samples) -> Samples:
    """The lags less the parabola through them; less their mean, where those are few."""
    degree = DRIFT_DEGREE if len(lags) >= FEWEST_DRIFTING else 0
    away = (at - at.mean()) / max(1.0, float(np.ptp(at)))
    shape = np.vander(away, degree + 1)
    told, *_ = np.linalg.lstsq(shape, lags, rcond=None)
    return np.asarray(lags - shape @ told)


def turned_over(found: Explanation, evidence: Evidence) -> bool:
    """Whether copies of copies are of the other polarity than first copies.

    So it is where a unit turns over what it gives, and not what it writes again, or the reverse; a
    machine that plays again turns nothing over, and repeats alone are all alike.
    """
    first, further = (
        _polarity(found, evidence, rows) for rows in (found.has_first_copy, found.has_further_copy)
    )
    return first * further < 0


def _polarity(found: Explanation, evidence: Evidence, rows: NDArray[np.bool_]) -> int:
    """1 or -1 where nearly all copies are like it, and clearly less like the other; else 0."""
    matches, near = evidence.matches, TURN_S * evidence.rate
    upright = []
    likest = np.flatnonzero(rows)[np.argsort(-np.abs(found.coherence[rows]))]
    for k in likest[: max(FEWEST_TURNED, len(likest) // 2)]:
        like = matches.coherence[matches.near(int(k), float(found.lag[k]), near)]
        upright.append(max(like.max(initial=0.0), 0.0) + min(like.min(initial=0.0), 0.0))
    if len(upright) < FEWEST_TURNED:
        return 0
    sign = int(np.sign(np.median(upright)))
    surely = np.mean(sign * np.array(upright) > CLEARLY_TURNED)
    return sign if surely > NEARLY_ALL else 0


def _over_usual_db(gain: Samples) -> Samples:
    level_db = 20 * np.log10(np.abs(gain))
    return np.asarray(level_db - np.median(level_db))


def _scatter_db(gain: Samples) -> float:
    if not len(gain):
        return np.inf
    level = 20 * np.log10(np.abs(gain))
    return float(np.median(np.abs(level - np.median(level))))


def studied(count: int) -> tuple[Numbers, Numbers]:
    """Which of `count` attacks are studied over all lags, and where the run of each begins.

    All of them, or the ends and a run in the middle.
    """
    if count <= MOST_ATTACKS:
        return np.arange(count), np.zeros(count, np.int64)
    third = MOST_ATTACKS // 3
    begins = (0, count // 2 - third // 2, count - third)
    return (
        np.concatenate([np.arange(begin, begin + third) for begin in begins]),
        np.repeat(begins, third),
    )


def candidates(found: Matches, room: Samples, low: float, high: float) -> list[tuple[float, int]]:
    """Lags worth explaining with, best first, each with the sign of the copy.

    `room` is how much of the recording follows each attack, in samples.
    """
    edges = np.arange(np.log(low), np.log(high) + BIN, BIN)
    eligible = np.maximum((np.exp(edges)[None, :] < room[:, None]).sum(axis=0), 3)
    bins = np.searchsorted(edges, np.log(found.lag))
    worth: list[tuple[float, float, int]] = []
    for sign in (1, -1):
        best = np.zeros((len(room), len(edges) + 1))
        np.maximum.at(best, (found.attack, bins), np.maximum(sign * found.coherence, 0))
        score = np.zeros(len(edges))
        for width in (3, 9):
            wide = ndimage.maximum_filter1d(best, width, axis=1)[:, :-1]
            score += wide.sum(axis=0) / np.sqrt(eligible)
        middle = np.exp(edges - BIN / 2)
        worth += [(float(score[k]), float(middle[k]), sign) for k in np.flatnonzero(score > 0)]
    worth.sort(reverse=True)
    kept: list[tuple[float, int]] = []
    taken = np.zeros(0)
    for _, lag, sign in worth:
        if (np.abs(np.log(lag / taken)) > 5 * BIN).all():
            kept.append((lag, sign))
            taken = np.append(taken, lag)
            if len(kept) == CANDIDATES:
                break
    return kept


class Track(msgspec.Struct, frozen=True):
    """For each attack lag, coherence and gain of its copy; NaN where it has none.

    And the lag `around` that it was looked for.
    """

    around: Samples
    lag: Samples
    coherence: Samples
    gain: Samples

    @property
    def weight(self) -> float:
        """How many copies it has, by how like they are."""
        return float(np.nansum(np.abs(self.coherence)))


def follow(found: Matches, times: Samples, lag: float | Samples, sign: int, rate: float) -> Track:
    """For each attack the copy that lies on the track of lags near `lag`.

    Or near a course of lags, one for each attack. About one lag, a steady delay is tried first,
    where most copies crowd: a note that rings gives peaks a period before and after as well. One
    that strays is followed where that finds more.
    """
    signed = sign * found.coherence > 0 if sign else np.ones(len(found.lag), bool)
    if isinstance(lag, np.ndarray):
        width = min(COURSE * float(np.median(lag)), WIDEST_S * rate)
        near = found.only((np.abs(found.lag - lag[found.attack]) <= 3 * width) & signed)
        return _follow(near, times, lag, width, rate)
    width = min(WIDTH * lag, WIDEST_S * rate)
    near = found.only((np.abs(found.lag - lag) <= 3 * width) & signed)
    straying = _follow(near, times, lag, width, rate)
    around = near.only(np.abs(near.lag - lag) <= width)
    if not len(around.lag):
        return straying
    crowd = np.searchsorted(np.sort(around.lag), around.lag + CROWD_S * rate)
    crowd = crowd - np.searchsorted(np.sort(around.lag), around.lag - CROWD_S * rate)
    weight = crowd * np.abs(around.coherence)
    steady = _follow(near, times, float(around.lag[np.argmax(weight)]), STEADY_S * rate, rate)
    if of_another(straying.lag, np.isnan(steady.lag), CROWD_S * rate):
        return steady
    if steady.weight <= STEADY_PART * straying.weight:  # as where neither has any
        return straying
    # The steady one misses copies that a deep wow moved far: they are as like as the others.
    usual = float(np.nanmedian(np.abs(steady.coherence)))
    missed = np.isnan(steady.lag) & (np.abs(straying.coherence) > AS_LIKE * usual)
    return Track(
        steady.around,
        np.where(missed, straying.lag, steady.lag),
        np.where(missed, straying.coherence, steady.coherence),
        np.where(missed, straying.gain, steady.gain),
    )


def _follow(
    near: Matches, times: Samples, lag: float | Samples, width: float, rate: float
) -> Track:
    track = course = np.broadcast_to(lag, len(times))
    tolerance = width
    level_db = 20 * np.log10(np.abs(near.gain))
    sounds = np.ones(len(level_db), bool)
    out = np.full((3, len(times)), np.nan)
    for _ in range(6):
        off = np.abs(near.lag - track[near.attack])
        fits = np.flatnonzero((off <= tolerance) & sounds)
        worth = np.abs(near.coherence[fits]) - 0.2 * off[fits] / tolerance
        fits = fits[np.lexsort((worth, near.attack[fits]))]
        last = np.append(np.diff(near.attack[fits]) != 0, np.ones(min(1, len(fits)), bool))
        fits = fits[last]  # the worthiest of each attack
        before, out = out, np.full((3, len(times)), np.nan)
        out[:, near.attack[fits]] = near.lag[fits], near.coherence[fits], near.gain[fits]
        have = np.flatnonzero(np.isfinite(out[0]))
        if len(have) < 2 or np.array_equal(out, before, equal_nan=True):
            break
        # What is far louder or fainter than most is none; but where little is fed back, there are
        # as many first copies, all about as loud, as further ones.
        levels_db = np.sort(20 * np.log10(np.abs(out[2][have])))
        usual_db = levels_db[(np.array(USUAL_PARTS) * len(levels_db)).astype(int)]
        usual_db = usual_db[np.abs(usual_db - usual_db[1]) < KINDS_DB]
        sounds = np.min(np.abs(level_db[:, None] - usual_db), axis=1) < FAR_DB
        values = out[0][have] - course[have]
        smooth = ndimage.median_filter(values, size=min(9, len(values)), mode="nearest")
        # The copies most like what they copy tell how far the delay strays between them.
        like = np.abs(out[1][have])
        off = np.abs(values - smooth)[like >= AS_LIKE * np.median(like)]
        some, most = np.interp((0.4, 0.9), np.linspace(0, 1, len(off)), np.sort(off))
        # Two lags that take turns are two: no tape goes to and fro between them.
        stray = 8 * some if most > TWO_LAGS * some + APART_S * rate else 2.5 * most
        tolerance = min(width, max(0.0008 * rate, stray))
        track = course + carried_on(times, times[have], smooth)
    return Track(track, out[0], out[1], out[2])


def carried_on(times: Samples, known: Samples, values: Samples) -> Samples:
    """`values` at `known` times, between them and, by the slope of the nearest eight, beyond."""
    track = np.interp(times, known, values)
    if len(known) >= 8:
        for rows, some in ((times < known[0], slice(8)), (times > known[-1], slice(-8, None))):
            if not rows.any():
                continue
            middle, level = known[some].mean(), values[some].mean()
            away = known[some] - middle
            slope = away @ (values[some] - level) / (away @ away)
            track[rows] = level + slope * (times[rows] - middle)
    return track


class Evidence(msgspec.Struct, frozen=True, dict=True):
    """Attacks under study, in samples at the working rate `rate`."""

    at: Numbers
    since: Numbers  # from where on every attack before this one is known
    energy: Samples  # of the attack over the noise
    matches: Matches
    heard: Numbers | None  # attacks on the wet side, where it is a channel of its own
    end: int
    rate: float
    length_s: float  # of a usual attack
    tones: tuple[tuple[int, int], ...] = ()  # where a tone to measure flutter by sounds
    alike: bool = False  # the attacks, in hiss: so any is like any other
    notes: bool = False  # that ring on: their copies may be timed a period off

    @property
    def begins_in_silence(self) -> bool:
        """Whether nothing was played before: the first attack is the first sound of all."""
        return bool(self.since[0] < 0)

    @cached_property
    def likest(self) -> float:
        """Coherence of an attack with what is most like it, the median."""
        best = np.zeros(len(self.at))
        np.maximum.at(best, self.matches.attack, np.abs(self.matches.coherence))
        return float(np.median(best))

    @cached_property
    def unstudied(self) -> tuple[tuple[int, int], ...]:
        """Where attacks that are not under study lie: from the last of a run to the next's first.

        How the delay moves there is not known.
        """
        last = np.flatnonzero(np.diff(self.since))
        return tuple(zip(self.at[last].tolist(), self.at[last + 1].tolist(), strict=True))

    @property
    def near_s(self) -> float:
        """How near to where a copy falls an attack is that copy: where its middle is, is vague."""
        return min(max(LANDING_PART * self.length_s, LANDING_S[0]), LANDING_S[1])


def explain(evidence: Evidence, lag: float | Samples, sign: int) -> Explanation:
    """What `lag`, with copies of this sign, makes of the evidence."""
    at, heard, rate = evidence.at, evidence.heard, evidence.rate
    hissing = evidence.likest < HISSING
    track = follow(evidence.matches, at.astype(float), lag, sign, rate)
    lags, rho, gain = track.lag.copy(), track.coherence, track.gain
    has = np.isfinite(lags)
    middle = float(np.nanmedian(lags)) if has.any() else float(np.median(lag))
    around = track.around
    near = evidence.near_s * rate
    root = np.ones(len(at), bool)
    if heard is None:
        root = _begun(at, at[has] + lags[has], at + around, near, rate)
    room = at + middle * 1.02 + 0.03 * rate < evidence.end
    # What is much fainter or louder than the other copies is none: filters ring, after all; and
    # what is louder where a copy is due is played.
    played = np.zeros(len(at), bool)
    for rows in (root & has, ~root & has):
        if rows.any():
            over_db = _over_usual_db(gain[rows])
            lags[np.flatnonzero(rows)[np.abs(over_db) > GAIN_STRAY_DB]] = np.nan
            played[np.flatnonzero(rows)[over_db > GAIN_STRAY_DB]] = True
    played &= np.abs(track.lag - around) < LANDING_S[0] / 2 * rate
    has = np.isfinite(lags)
    orphans = 0
    if heard is None:
        root = _begun(at, at[has] + lags[has], (at + around)[~played], near, rate)
    else:
        copy = np.concatenate((at + around, heard + np.interp(heard, at, around)))
        # A further repeat is as late as the tape then is: by as much as first ones stray.
        stray = float(np.nanmedian(np.abs(lags - around))) if has.any() else 0.0
        wide = near + LATER_WIDTH * middle + LATER_STRAYS * stray
        alone = ~landed(heard, copy, wide) & (heard > at[0] + 0.03 * rate)
        # Before the first copy of all nothing can sound.
        never = alone & (heard < at[0] + around[0]) & evidence.begins_in_silence
        orphans = int(alone.sum() + NEVER * never.sum())
    copied = root & np.isfinite(lags)
    energy = evidence.energy * np.nan_to_num(gain) ** 2
    clear = copied & (energy > CLEAR_OVER_NOISE)
    landing = at[clear] + lags[clear]
    struck = landed(landing, (at if heard is None else heard).astype(float), near)
    if heard is None:  # those that a louder sound hides need not strike
        struck = struck[struck | ~_hidden(landing, energy[clear], evidence)]
    # An attack soon after the studied stretch begins may copy one from before it.
    early = root & np.isnan(lags) & (at - evidence.since <= 1.03 * middle) & (heard is None)
    return Explanation(
        at=at,
        around=around,
        lag=lags,
        heard_lag=track.lag,
        gain=gain,
        coherence=rho,
        sign=sign,
        rate=rate,
        crowd=min(1.0, len(evidence.matches.lag) / len(at) / USUAL_MATCHES) if hissing else 1.0,
        root=root,
        excused=int(early.sum()),
        due=root & room & ~early,
        orphans=orphans,
        heard_as_attacks=float(np.mean(struck)) if len(struck) >= 3 else None,
    )


def _begun(
    at: Numbers, copies: Samples, due: Samples, near: float, rate: float
) -> NDArray[np.bool_]:
    """Which attacks are no copies: none was found there, and none is due there.

    What runs into a copy may hide its likeness: a sound where one is due is it all the same.
    """
    begun: NDArray[np.bool_] = ~landed(at, copies, near) & ~landed(at, due, LANDING_S[0] / 2 * rate)
    return begun


def _hidden(landing: Samples, energy: Samples, evidence: Evidence) -> NDArray[np.bool_]:
    """Which sounds, of so much energy, fall so soon after a louder attack that none is heard."""
    before = np.searchsorted(evidence.at, landing - evidence.near_s * evidence.rate) - 1
    soon = landing - evidence.at[before] < BEFORE_S * evidence.rate
    return np.asarray((before >= 0) & soon & (evidence.energy[before] > energy))


def landed(events: Numbers | Samples, landing: Samples, near: float) -> NDArray[np.bool_]:
    """Which events have a landing as near as that, all in one unit of time."""
    if not len(landing):
        return np.zeros(len(events), bool)
    order = np.sort(landing)
    k = np.searchsorted(order, events)
    left = np.abs(events - order[np.clip(k - 1, 0, len(order) - 1)])
    right = np.abs(events - order[np.clip(k, 0, len(order) - 1)])
    return np.asarray(np.minimum(left, right) <= near)
