"""The delay of a unit, from any recording that has attacks in it.

An echo is the same sound again. Each attack, cut out, is correlated with what follows it; the lag
is taken that explains the recording with the fewest sounds left over, and none where two lags
explain it about equally well, or where what comes again, and again, is the played sound itself:
unchanged and as loud as before, while tape always changes it.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from scipy import stats

from tempotape.bench.alike import Alike, alike, cut_out, faint_copies, struck_again
from tempotape.bench.believing import believed
from tempotape.bench.copies import Matches, coherence, copies_of, gathered, template
from tempotape.bench.explaining import Evidence, Explanation, Numbers, carried_on, studied
from tempotape.bench.first_copies import (
    as_like_as_may_be,
    likeliest,
    pairs,
    stray,
    undisturbed,
    undisturbed_rows,
)
from tempotape.bench.no_delay import NoDelay, Reason
from tempotape.bench.offered import LEAST_COPIES, LONGEST_S, SHORTEST_S
from tempotape.bench.onsets import Attacks, Whitened, attacks, whitened
from tempotape.bench.passing import Passing, extra_lag_s, passing
from tempotape.bench.recording import Samples
from tempotape.bench.rows import evenly
from tempotape.bench.struck import MAY_RING, RINGS, ringing, struck_alone
from tempotape.bench.thinned import Thinned
from tempotape.bench.turning import Ticks, unplayed, without_ticks

MOST_SERIES, MOST_IN_LINE = 1000, 300
KNOWN_PART = 0.9  # of the recording: no lag is longer
ALIKE_COHERENCE, AGAIN_S = 0.9, 0.004  # where the first sound seems to come again
FEW_ATTACKS, FAINTLY = 8, 7.0  # in energy, over hiss or what rings: where so few stand out
MANY_MORE = 2.0  # attacks that ringing notes hide
EDGE_S, EDGE_COHERENCE = 0.004, 0.9  # a played sound comes again more like itself
AT_ONCE_S = 0.010  # a cut made at random seldom falls so near before a sound
SILENT_START, FIRST_ATTACKS = 1.5, 20  # of the usual time between the first attacks
AGAIN_PART = 1.1  # of the silence before a sound, where it comes again
ODD_S, UNLIKE_TAPE, ODD_LIKENESS = 3e-4, 0.3, 0.7  # no tape makes the one the other
CLIP, SURE_CLIP, SURE_LIKENESS = 4.0, 10.0, 0.9  # where copies are like, they stray by flutter
OUTLIER_S = 0.0002
ADDED_S = (4e-5, 4e-5)  # by a unit's filters, usually, and one standard deviation
ASTRAY_S = 0.004  # so far, were nothing of the copies explained, would what filters add be off
FILTERS_UNLIKE = 0.15  # of what the filters add: none are quite as they are fitted
UNLIKE_MS, UNLIKE_NOTES_MS = 0.007, 0.015  # what else sounds bends all copies the same way
FLOOR_MS = 0.012
WITHIN, SURELY = 0.683, 3.0  # one standard error; so many of them
TIMING = 2.0  # times the least error that timing may have


class Moment(msgspec.Struct, frozen=True):
    """The delay of the attack at `t_s`."""

    t_s: float
    ms: float


class Delay(msgspec.Struct, frozen=True):
    """The unit's delay: mean over the recording, its error (one standard deviation), and series.

    `error_ms` is the error of the mean while it was played, copies that were not found counted;
    `scatter_ms` is by how much, as the speed
    wavers, the mean of as many others would differ; `spread_ms` by how much single ones do.
    """

    ms: float
    error_ms: float
    count: int
    series: tuple[Moment, ...]
    spread_ms: float
    scatter_ms: float
    drift_ms_per_min: float


class Echoes(msgspec.Struct, frozen=True):
    """The attacks at samples `at` of `sound` that have copies `lags` samples later in `copies`."""

    sound: Whitened
    copies: Whitened
    at: Numbers
    lags: Samples


class DelayResult(msgspec.Struct, frozen=True):
    """A delay with the echoes that show it, or why there is none.

    With echoes and a `doubted` delay, where the recording may hold the unit's sound alone. With
    `ticks` in a recording of both, where none of them is played.
    """

    delay: Delay | None = None
    ticks: Ticks | None = None
    doubted: Delay | None = None
    echoes: Echoes | None = None
    why: NoDelay | None = None


def find_delay(dry: Thinned, wet: Thinned | None = None) -> DelayResult:
    """The delay in a recording with dry and wet mixed, or with a channel for each.

    Raises InputFault where a long recording of notes finds no room on the disk.
    """
    sound = whitened(dry)
    if sound is None:
        return DelayResult(why=NoDelay(Reason.SILENT))
    copies = sound if wet is None else whitened(wet)
    if copies is None:
        return DelayResult(why=NoDelay(Reason.WET_SILENT))
    struck, click = _struck(sound)
    heard = _Heard(sound, copies, click, mono=wet is None, notes=False)
    ring = ringing(sound, struck) if len(struck) and click is None else 0.0
    alone = None
    if ring > MAY_RING and (ring > RINGS or not (sound.hissing or len(struck) < LEAST_COPIES)):
        alone = _struck_alone(dry, wet)
        if alone and (ring > RINGS or len(alone[1]) > MANY_MORE * len(struck)):
            return _with_ticks_aside(*alone)
    result = _with_ticks_aside(heard, struck)
    hidden = result.why == NoDelay(Reason.NO_REPEATS) or len(struck) < LEAST_COPIES
    if hidden and click is None and sound.tonal:
        again = _of_strums(alone, dry, wet)
        return again if again is not None and again.delay else result
    return result


def _of_strums(
    alone: tuple[_Heard, Attacks] | None, dry: Thinned, wet: Thinned | None
) -> DelayResult | None:
    """What strikes alone shows, where quick strums on strings that ring hide both.

    None where that cannot be told.
    """
    alone = alone or _struck_alone(dry, wet)
    if alone is None:
        return None
    heard, shown = alone
    if len(shown) < FEW_ATTACKS:
        shown = _without_edge(heard.sound, attacks(heard.sound, FAINTLY))
    return _with_ticks_aside(heard, shown)


def _struck_alone(dry: Thinned, wet: Thinned | None) -> tuple[_Heard, Attacks] | None:
    """What strikes alone, of notes that ring on, with its attacks; None where nothing does."""
    sound = whitened(struck_alone(dry))
    copies = sound if wet is None else whitened(struck_alone(wet))
    if sound is None or copies is None:
        return None
    shown = _without_edge(sound, attacks(sound))
    return _Heard(sound, copies, None, mono=wet is None, notes=True), shown


def _with_ticks_aside(heard: _Heard, struck: Attacks) -> DelayResult:
    """What the attacks show without those that come once a turn; these too, if nothing else."""
    left, ticks = without_ticks(struck, len(heard.sound), heard.sound.rate_hz)
    explained = _explained(heard, left)
    if ticks is None:
        return explained.result
    if explained.result.delay is None:
        # They may have been echoes after all.
        return _explained(heard, struck).result
    return _with_ticks(explained, ticks, heard.sound) if heard.mono else explained.result


class _Heard(NamedTuple):
    """Where attacks are, and where their copies: the same if `mono`. With what all are like, if so.

    Of `notes` that ring on it is what strikes alone.
    """

    sound: Whitened
    copies: Whitened
    click: Alike | None
    mono: bool
    notes: bool


class _Explained(NamedTuple):
    """A result with the explanation that it is from."""

    result: DelayResult
    best: Explanation | None = None


def _explained(heard: _Heard, struck: Attacks) -> _Explained:
    """What these attacks show."""
    too_little = _too_little(heard.sound, struck)
    if too_little:
        return _Explained(DelayResult(why=too_little))
    evidence = _evidence(heard, struck)
    belief = believed(evidence, heard.sound, heard.copies)
    if belief.best is None:
        return _Explained(DelayResult(why=belief.why))
    result = _measured(heard.sound, heard.copies, struck, evidence, belief.best)
    if belief.why:
        result = DelayResult(doubted=result.delay, echoes=result.echoes, why=belief.why)
    return _Explained(result, belief.best)


def _with_ticks(explained: _Explained, ticks: Ticks, sound: Whitened) -> DelayResult:
    """The result, with the ticks if none of them is played."""
    result, best = explained
    if best is None:
        return result
    own = unplayed(ticks, sound, best.middle / sound.rate_hz, best.level_db(best.has_first_copy))
    return msgspec.structs.replace(result, ticks=ticks if own else None)


def _struck(sound: Whitened) -> tuple[Attacks, Alike | None]:
    """The attacks and, where hiss hides them and they are all alike, what they are like."""
    struck = _without_edge(sound, attacks(sound))
    click = alike(sound, struck)
    if click is None and len(struck) < FEW_ATTACKS:
        click = alike(sound, attacks(sound, FAINTLY))
    if click is None:
        return struck, None
    return struck_again(sound, struck, click), click


def _too_little(sound: Whitened, struck: Attacks) -> NoDelay | None:
    """Why the recording can show no delay, if it cannot."""
    if len(struck) < LEAST_COPIES:
        return NoDelay(Reason.FEW_ATTACKS, attacks=len(struck))
    too_short = KNOWN_PART * len(sound) <= SHORTEST_S * sound.rate_hz
    return NoDelay(Reason.NO_REPEATS) if too_short else None


def _without_edge(sound: Whitened, struck: Attacks) -> Attacks:
    """The attacks without a first one where the recording begins and that never comes again.

    It is the beginning, in the midst of hum or hiss, that sounds like one.
    """
    if not len(struck) or struck.at[0] > EDGE_S * sound.rate_hz:
        return struck
    low, high = (round(lag_s * sound.rate_hz) for lag_s in (SHORTEST_S, LONGEST_S))
    rho, _ = coherence(sound, template(sound, int(struck.at[0]), None), low, high)
    if np.abs(rho).max() > EDGE_COHERENCE:
        return struck
    return msgspec.structs.replace(struck, at=struck.at[1:], energy=struck.energy[1:])


def _evidence(heard: _Heard, struck: Attacks) -> Evidence:
    sound, copies, click, mono, notes = heard
    chosen, run = studied(len(struck))
    rate = sound.rate_hz
    low, high = round(SHORTEST_S * rate), round(min(LONGEST_S * rate, KNOWN_PART * len(sound)))
    following = [*struck.at[1:].tolist(), None]
    cuts = [
        template(sound, int(struck.at[k]), following[k])
        if click is None
        else cut_out(sound, int(struck.at[k]), click)
        for k in chosen
    ]
    found = [copies_of(copies, row, cut, low, high) for row, cut in enumerate(cuts)]
    if click is not None:
        found += faint_copies(copies, cuts, low, high, click)
    again = None if mono else attacks(copies)
    together = gathered(found)
    silent = _begins_in_silence(struck, together.only(together.attack == 0), rate)
    return Evidence(
        at=struck.at[chosen],
        energy=struck.energy[chosen],
        since=np.where(run > 0, struck.at[run], -len(sound) if silent else 0),
        matches=together,
        heard=None if again is None else again.at,
        end=len(sound),
        rate=rate,
        length_s=float(np.median([len(cut.sound) for cut in cuts])) / rate,
        tones=struck.tones,
        alike=click is not None,
        notes=notes,
    )


def _begins_in_silence(struck: Attacks, again: Matches, rate: float) -> bool:
    """Whether the first attack is the first sound played, `again` being where it seems to recur.

    It is where the recording begins with it, and where the silence before it is longer than any
    that goes before the same sound later: a cutting would hold what was played before.
    """
    first, gaps = int(struck.at[0]), np.diff(struck.at)
    if first <= AT_ONCE_S * rate or first > SILENT_START * float(np.median(gaps[:FIRST_ATTACKS])):
        return True
    likely = again.lag[again.coherence > ALIKE_COHERENCE] + first
    off = np.abs(likely[:, None] - struck.at[None, 1:])
    same = np.any(off < AGAIN_S * rate, axis=0)
    return bool(same.any()) and first > AGAIN_PART * float(np.max(gaps[same]))


def _measured(
    sound: Whitened, copies: Whitened, struck: Attacks, evidence: Evidence, best: Explanation
) -> DelayResult:
    rate, best = sound.rate_hz, as_like_as_may_be(best, evidence)
    begins, lags = pairs(best, evidence)
    awaited = evidence.at[best.due]
    if len(struck) > len(evidence.at):
        through = _throughout(sound, copies, struck, evidence, best)
        # Where repeats fall just where the next sound is played, hardly any of those seems played.
        if 2 * len(through[0]) > len(begins):
            (begins, lags), awaited = through, through[0]
    if len(begins) < LEAST_COPIES:
        return DelayResult(why=NoDelay(Reason.NO_REPEATS))
    line, line_error, left = _straight(begins, lags)
    spread = float(stats.median_abs_deviation(left, scale="normal"))
    clip = CLIP if best.likeness < SURE_LIKENESS else SURE_CLIP
    kept = np.abs(left) <= clip * max(spread, OUTLIER_S * rate)
    begins, lags, left = begins[kept], lags[kept], left[kept]
    passed = passing(sound.through(copies), copies, begins, lags, evidence.length_s)
    extra_s, unsure_s, unlike = extra_lag_s(passed)
    if best.likeness < ODD_LIKENESS and (unsure_s > ODD_S or unlike > UNLIKE_TAPE):
        return DelayResult(why=NoDelay(Reason.ONLY_PLAYED))
    extra_s, unsure_s = usually(extra_s, np.hypot(unsure_s, ASTRAY_S * unlike))
    ms = (lags / rate - extra_s) * 1e3
    spread_ms = float(np.sqrt(np.mean(left**2))) / rate * 1e3
    bent_ms = UNLIKE_NOTES_MS if evidence.notes else UNLIKE_MS
    unlike_ms = bent_ms * np.sqrt(max(0.0, 1 - best.likeness**2)) / best.likeness
    unsure_ms = np.hypot(np.hypot(unsure_s, FILTERS_UNLIKE * extra_s) * 1e3, unlike_ms)
    mean_of = float(np.sqrt(max(1, len(ms) - 2)))
    timing_ms = spread_ms
    if not evidence.notes:
        length = evidence.length_s * rate
        timing_ms = min(spread_ms, TIMING * timing_s(best.likeness, length, passed) * 1e3)
    # Of the mean over all that was played: some copies were not found.
    played = max(len(ms), best.awaited * len(struck) / len(evidence.at))
    lost_ms = spread_ms * np.sqrt(1 / len(ms) - 1 / played)
    error = np.hypot(np.hypot(timing_ms / mean_of, lost_ms), unsure_ms)
    # Where it surely drifts, those that are left out would move the mean.
    drifts = abs(line) > SURELY * line_error
    all_ms = carried_on(awaited.astype(float), begins.astype(float), ms) if drifts else ms
    later = float(np.mean(awaited) - np.mean(begins)) if drifts else 0.0
    delay = Delay(
        ms=float(np.mean(all_ms)),
        error_ms=float(np.hypot(np.hypot(error, line_error * later / rate * 1e3), FLOOR_MS)),
        count=len(ms),
        series=tuple(Moment(float(t), float(m)) for t, m in zip(begins / rate, ms, strict=True)),
        spread_ms=spread_ms,
        scatter_ms=spread_ms / mean_of,
        drift_ms_per_min=line * 60e3,
    )
    return DelayResult(delay, echoes=Echoes(sound, copies, begins, lags))


def usually(told_s: float, unsure_s: float) -> tuple[float, float]:
    """What filters add, and how unsure that is, knowing what they usually add.

    Where no filters explain the copies, as with overloaded ones, nor does what those would add. The
    mean of both, each by the inverse of its variance.
    """
    usual_s, spread_s = ADDED_S
    share = spread_s**2 / (spread_s**2 + unsure_s**2)
    mean_s = share * told_s + (1 - share) * usual_s
    return mean_s, float(np.sqrt(share)) * unsure_s


def timing_s(likeness: float, length: float, passed: Passing) -> float:
    """How exactly a copy of that coherence, the rest of it being noise, is timed: one deviation.

    It has `length` samples, and the spectrum of the attacks `passed`.

    The Cramer-Rao bound (e.g. Kay, Fundamentals of Statistical Signal Processing, 1993, 3.11): the
    root of noise over signal, in power, by the root mean square angular frequency and the root of
    the number of samples.
    """
    noise = (1 - likeness**2) / likeness**2
    square = np.sum(passed.weight * (2 * np.pi * passed.hz) ** 2) / np.sum(passed.weight)
    return float(np.sqrt(max(noise, 0.0) / square / length))


def _throughout(
    sound: Whitened, copies: Whitened, struck: Attacks, evidence: Evidence, best: Explanation
) -> tuple[Numbers, Samples]:
    """Attacks all through a long recording that are no copies, and the lags of their copies.

    Looked for near the lags of the attacks that were studied.
    """
    rate = sound.rate_hz
    known = undisturbed_rows(best)
    around = np.interp(struck.at, evidence.at[known], likeliest(best, evidence)[known])
    back = np.searchsorted(struck.at, struck.at - around - evidence.near_s * rate)
    ahead = np.searchsorted(struck.at, struck.at - around + evidence.near_s * rate)
    played = np.flatnonzero((back == ahead) | (evidence.heard is not None))
    chosen = evenly(played, MOST_SERIES)
    following = [*struck.at[1:].tolist(), None]
    at: list[int] = []
    rows: list[tuple[float, float, float]] = []
    for k in chosen:
        reach = stray(float(around[k]), rate)
        low, high = round(around[k] - reach), round(around[k] + reach)
        cut = template(sound, int(struck.at[k]), following[k])
        seen = copies_of(copies, 0, cut, low, high)
        like = seen.like(best.sign)
        worth = like - 0.2 * np.abs(seen.lag - around[k]) / reach
        if len(worth) and worth.max() > 0:
            likest = int(np.argmax(worth))
            at.append(int(struck.at[k]))
            rows.append((seen.lag[likest], seen.gain[likest], like[likest]))
    if not at:
        return np.zeros(0, np.int64), np.zeros(0)
    lag, gain, like = np.array(rows).T
    usual = undisturbed(gain, like)
    return np.array(at, np.int64)[usual], lag[usual]


def _straight(at: Numbers, lags: Samples) -> tuple[float, float, Samples]:
    """Slope of the line through the lags, its error, and what each is off it; few have no slope."""
    if len(at) <= 3:
        return 0.0, 0.0, lags - np.median(lags)
    some = evenly(np.arange(len(at)), MOST_IN_LINE)
    told = stats.theilslopes(lags[some], at[some], WITHIN)
    slope = float(told.slope)
    left = lags - slope * at
    return slope, float(told.high_slope - told.low_slope) / 2, left - np.median(left)
