"""The delay of a unit, from any recording that has attacks in it.

An echo is the same sound again. Each attack, cut out, is correlated with what follows it; the lag
is taken that explains the recording with the fewest sounds left over, and none where two lags
explain it about equally well, or where what comes again is the played sound itself: unchanged and
as loud as before, while tape always changes it.
"""

from __future__ import annotations

import msgspec
import numpy as np
from scipy import stats

from tempotape.bench.copies import copies_of, gathered, template
from tempotape.bench.explaining import (
    LANDING_S,
    Evidence,
    Explanation,
    Numbers,
    candidates,
    explain,
    studied,
)
from tempotape.bench.onsets import Attacks, Whitened, attacks, whitened
from tempotape.bench.passing import extra_lag_s, passing
from tempotape.bench.recording import Samples
from tempotape.bench.thinned import Thinned

SHORTEST_S, LONGEST_S = 0.030, 5.0
LEAST_COPIES = 3
LEAST_PRESENCE = 0.7
MOST_SERIES, MOST_IN_LINE = 1500, 300
STRAY_S, STRAY = 0.002, 0.01  # how far a delay may stray between attacks studied
MOST_UNSTEADY_S, SHARP_COHERENCE = 0.0007, 0.7
LEAST_STRIKES = 0.4  # of the copies: a note that rings on resembles itself, but strikes once
MOST_SCATTER_DB = 3.0
LEAST_MARGIN_PART = 0.04  # of the sounds left over
AGAIN_S = 0.004
BESIDE_S, BESIDE_COHERENCE = 0.030, 0.6
NO_LOSS_DB, SAME_DB = 0.7, 0.1  # a pass
SURE_DB = 0.3
HARDLY_DB, EVEN_DB = 1.5, 0.1
SILENT_START, FIRST_ATTACKS = 1.5, 20  # of the usual time between the first attacks
ALIKE_DB, ALIKE_LEVEL_DB, SURE_PART = 0.15, 4.0, 0.15
LASTING = 0.34  # of the last sounds, the part that may have copies though what is played ends
DISTINCT = 0.03
PART_PRESENCE = 0.35  # at a half, third or quarter of the lag: then that may be the delay
CLIP = 4.0
OUTLIER_S = 0.0002
FILTERS_UNLIKE = 0.15  # of what the filters add: none are quite as they are fitted
UNLIKE_MS = 0.015  # what else sounds bends all copies of a phrase the same way
FLOOR_MS = 0.001


class Moment(msgspec.Struct, frozen=True):
    """The delay of the attack at `t_s`."""

    t_s: float
    ms: float


class Delay(msgspec.Struct, frozen=True):
    """The unit's delay: mean over the recording, its error (one standard deviation), and series."""

    ms: float
    error_ms: float
    count: int
    series: tuple[Moment, ...]
    spread_ms: float
    drift_ms_per_min: float


class Echoes(msgspec.Struct, frozen=True):
    """The attacks at samples `at` of `sound` that have copies `lags` samples later in `copies`."""

    sound: Whitened
    copies: Whitened
    at: Numbers
    lags: Samples


class Heard(msgspec.Struct, frozen=True):
    """A delay with the echoes that show it, or why there is none."""

    delay: Delay | None = None
    echoes: Echoes | None = None
    why: str = ""


def find_delay(dry: Thinned, wet: Thinned | None = None) -> Heard:
    """The delay in a recording with dry and wet mixed, or with a channel for each."""
    sound = whitened(dry)
    if sound is None:
        return Heard(why="no delay: the recording is silent")
    copies = sound if wet is None else whitened(wet)
    if copies is None:
        return Heard(why="no delay: the wet side is silent")
    struck = attacks(sound)
    if len(struck) < LEAST_COPIES:
        return Heard(why=f"no delay: {len(struck)} attacks stand out, {LEAST_COPIES} are needed")
    evidence = _evidence(sound, copies, struck, mono=wet is None)
    best, why = _best(evidence, sound, copies)
    if best is None:
        return Heard(why=why)
    return _measured(sound, copies, struck, evidence, best)


def _evidence(sound: Whitened, copies: Whitened, struck: Attacks, *, mono: bool) -> Evidence:
    chosen, run = studied(len(struck))
    rate = sound.rate_hz
    low, high = round(SHORTEST_S * rate), round(min(LONGEST_S * rate, 0.9 * len(sound)))
    following = [*struck.at[1:].tolist(), None]
    cuts = [template(sound, int(struck.at[k]), following[k]) for k in chosen]
    found = [copies_of(copies, row, cut, low, high) for row, cut in enumerate(cuts)]
    heard = None if mono else attacks(copies)
    return Evidence(
        at=struck.at[chosen],
        energy=struck.energy[chosen],
        since=np.where(run > 0, struck.at[run], _known_since(struck, len(sound))),
        found=gathered(found),
        heard=None if heard is None else heard.at,
        end=len(sound),
        rate=rate,
        length_s=float(np.median([len(cut.sound) for cut in cuts])) / rate,
    )


def _known_since(struck: Attacks, frames: int) -> int:
    """From where on every attack is known: a recording that begins in silence has missed none."""
    usual = float(np.median(np.diff(struck.at[:FIRST_ATTACKS])))
    return -frames if struck.at[0] > SILENT_START * usual else 0


def _best(evidence: Evidence, sound: Whitened, copies: Whitened) -> tuple[Explanation | None, str]:
    """The explanation to believe, or why none is."""

    def again(found: Explanation) -> bool:
        return evidence.heard is None and _again(found, evidence, sound, copies)

    told = _told(evidence)
    played = [found for found in told if again(found)]
    if played:
        evidence = _without(evidence, played)
        told = _told(evidence)
    if not told:
        return None, _ONLY_PLAYED if played else _NO_REPEATS
    best = told[0]
    if not _credible(best, evidence.rate):
        return None, _ONLY_PLAYED if played else _NO_REPEATS
    rivals = [
        other.cost for other in told[1:] if abs(np.log(other.middle / best.middle)) > DISTINCT
    ]
    margin = min(rivals, default=np.inf) - best.cost
    doubtful = (
        again(best)
        or (evidence.heard is None and _no_loop(best))
        or any(_part_of(best, other) for other in told)
        or any(_beside(best, other, evidence.rate) for other in played)
    )
    if doubtful or margin < _least_margin(best):
        return None, "no delay: what is played is too regular to tell the echo's lag"
    if evidence.heard is None and _all_wet(best, evidence, sound, copies):
        apart_ms = best.middle / evidence.rate * 1e3
        return None, (
            f"no delay: this seems to be the unit's sound alone, with repeats {apart_ms:.1f} ms "
            "apart; record it with the played sound"
        )
    return best, ""


def _credible(best: Explanation, rate: float) -> bool:
    """Whether the copies are there, alike in level, and strike or, where too faint, are steady."""
    if best.presence < LEAST_PRESENCE or best.gain_scatter_db > MOST_SCATTER_DB:
        return False
    if best.heard_as_attacks is not None and best.heard_as_attacks < LEAST_STRIKES:
        return False
    likeness = float(np.median(np.abs(best.coherence[best.root & best.found])))
    sharp = best.heard_as_attacks is not None and likeness > SHARP_COHERENCE
    return sharp or best.unsteadiness < MOST_UNSTEADY_S * rate


_NO_REPEATS = "no delay: no repeats found"
_ONLY_PLAYED = "no delay: what is played comes again, but no echo of it"


def _again(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether copies of copies are as loud as what they copy, and then end: played again.

    A loop loses level on every pass or, where it loses next to none, does not end. Where the
    recording does not tell whether it ends, level alone decides.
    """
    deep = found.deep
    if deep.sum() < 2 or found.sign < 0:
        return False
    passed = passing(sound, copies, evidence.at[deep], found.lag[deep], evidence.length_s)
    gain_db, error_db = passed.band_db()
    sure = error_db < SURE_DB
    # Hum fills a band, a crooked sample grid dulls another: the middle band tells.
    middle_db = float(np.median(gain_db[sure])) if sure.any() else float(gain_db[0])
    if found.lasting is not None:
        no_loss_db = NO_LOSS_DB + 2 * float(np.min(error_db))
        return abs(middle_db) < no_loss_db and found.lasting <= LASTING
    return abs(middle_db) < SAME_DB + float(np.min(error_db))


def _all_wet(best: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether first copies are to their originals as second copies are to first ones.

    So it is where the originals are repeats already; beside a played sound it would be chance.
    """
    first = best.found & best.root
    if min(first.sum(), best.deep.sum()) < 2:
        return False
    levels = [float(np.median(np.abs(best.gain[rows]))) for rows in (first, best.deep)]
    if abs(20 * np.log10(levels[0] / levels[1])) > ALIKE_LEVEL_DB:
        return False
    one, other = (
        passing(sound, copies, evidence.at[rows], best.lag[rows], evidence.length_s)
        for rows in (first, best.deep)
    )
    sure = (one.error < SURE_PART * np.abs(one.transfer)) & (
        other.error < SURE_PART * np.abs(other.transfer)
    )
    if not sure.any():
        return False
    apart_db = 20 * np.log10(np.abs(one.transfer[sure]) / np.abs(other.transfer[sure]))
    return float(np.median(np.abs(apart_db))) < ALIKE_DB


def _told(evidence: Evidence) -> list[Explanation]:
    """The explanations that the evidence offers, the one that leaves least over first."""
    rate = evidence.rate
    room = evidence.end - evidence.at.astype(float)
    told: list[Explanation] = []
    for lag, sign in candidates(evidence.found, room, SHORTEST_S * rate, LONGEST_S * rate):
        found = explain(evidence, lag, sign)
        if found.copied >= LEAST_COPIES or (found.copied and found.found.sum() >= LEAST_COPIES):
            told.append(found)
    return sorted(told, key=lambda found: found.cost)


def _without(evidence: Evidence, again: list[Explanation]) -> Evidence:
    """The evidence without the lags at which the played sound comes again, and multiples."""
    lag, rate = evidence.found.lag, evidence.rate
    keep = np.ones(len(lag), bool)
    for found in again:
        times = np.maximum(np.rint(lag / found.middle), 1)
        keep &= np.abs(lag - times * found.middle) > AGAIN_S * rate
    return msgspec.structs.replace(evidence, found=evidence.found.only(keep))


def _no_loop(best: Explanation) -> bool:
    """Whether copies of copies all keep their level, or nearly keep it and then end at once."""
    if best.deep.sum() < 2:
        return False
    level_db = 20 * np.log10(np.abs(best.gain[best.deep]))
    middle_db = float(np.median(level_db))
    even = float(np.median(np.abs(level_db - middle_db))) < EVEN_DB
    ends = best.lasting is not None and best.lasting <= LASTING
    return (even and abs(middle_db) < EVEN_DB) or (ends and abs(middle_db) < HARDLY_DB)


def _beside(best: Explanation, played: Explanation, rate: float) -> bool:
    """Whether `best` may be what rings on beside a lag at which the played sound comes again."""
    times = max(1, round(best.middle / played.middle))
    if abs(best.middle - times * played.middle) > BESIDE_S * rate:
        return False
    return float(np.median(np.abs(best.coherence[best.found]))) < BESIDE_COHERENCE


def _part_of(best: Explanation, other: Explanation) -> bool:
    """Whether `best` may be the second, third or fourth repeat at the lag of `other`."""
    times = best.middle / other.middle
    whole = round(times)
    fits = 2 <= whole <= 4 and abs(times / whole - 1) < 0.003 and best.sign == other.sign**whole
    return fits and other.presence > PART_PRESENCE


def _least_margin(best: Explanation) -> float:
    """How many sounds more a rival must leave over: odds of 60 to 1, copies lost as often as seen.

    Where many sounds are left over, their number is uncertain too.
    """
    lost = (best.missing + 0.5) / (best.awaited + 1)
    return max(float(np.log(60) / -np.log(lost)), LEAST_MARGIN_PART * best.cost)


def _pairs(found: Explanation, evidence: Evidence) -> tuple[Numbers, Samples]:
    rows = found.root & found.found
    return evidence.at[rows], found.lag[rows]


def _measured(
    sound: Whitened, copies: Whitened, struck: Attacks, evidence: Evidence, best: Explanation
) -> Heard:
    rate = sound.rate_hz
    if len(struck) > len(evidence.at):
        begins, lags = _throughout(sound, copies, struck, evidence, best)
    else:
        begins, lags = _pairs(best, evidence)
    line, left = _straight(begins, lags)
    spread = 1.4826 * float(np.median(np.abs(left)))
    kept = np.abs(left) <= CLIP * max(spread, OUTLIER_S * rate)
    begins, lags, left = begins[kept], lags[kept], left[kept]
    passed = passing(sound.through(copies), copies, begins, lags, evidence.length_s)
    extra_s, unsure_s = extra_lag_s(passed)
    ms = (lags / rate - extra_s) * 1e3
    scatter_ms = float(np.sqrt(np.mean(left**2))) / rate * 1e3
    likeness = float(np.median(np.abs(best.coherence[best.root & best.found])))
    unlike_ms = UNLIKE_MS * np.sqrt(max(0.0, 1 - likeness**2)) / likeness
    unsure_ms = np.hypot(np.hypot(unsure_s, FILTERS_UNLIKE * extra_s) * 1e3, unlike_ms)
    error = np.hypot(scatter_ms / np.sqrt(max(1, len(ms) - 2)), unsure_ms)
    delay = Delay(
        ms=float(np.mean(ms)),
        error_ms=float(np.hypot(error, FLOOR_MS)),
        count=len(ms),
        series=tuple(Moment(float(t), float(m)) for t, m in zip(begins / rate, ms, strict=True)),
        spread_ms=scatter_ms,
        drift_ms_per_min=line * 60e3,
    )
    return Heard(delay, Echoes(sound, copies, begins, lags))


def _throughout(
    sound: Whitened, copies: Whitened, struck: Attacks, evidence: Evidence, best: Explanation
) -> tuple[Numbers, Samples]:
    """Attacks all through a long recording that are no copies, and the lags of their copies.

    Looked for near the lags of the attacks that were studied.
    """
    rate = sound.rate_hz
    begins, lags = _pairs(best, evidence)
    around = np.interp(struck.at, begins, lags)
    back = np.searchsorted(struck.at, struck.at - around - LANDING_S * rate)
    ahead = np.searchsorted(struck.at, struck.at - around + LANDING_S * rate)
    played = np.flatnonzero((back == ahead) | (evidence.heard is not None))
    chosen = played[np.linspace(0, len(played) - 1, min(len(played), MOST_SERIES)).astype(int)]
    following = [*struck.at[1:].tolist(), None]
    at, found = [], []
    for k in chosen:
        reach = max(STRAY_S * rate, STRAY * around[k])
        low, high = round(around[k] - reach), round(around[k] + reach)
        cut = template(sound, int(struck.at[k]), following[k])
        seen = copies_of(copies, 0, cut, low, high)
        worth = best.sign * seen.coherence - 0.2 * np.abs(seen.lag - around[k]) / reach
        if len(worth) and worth.max() > 0:
            at.append(int(struck.at[k]))
            found.append(float(seen.lag[np.argmax(worth)]))
    return np.array(at, np.int64), np.array(found)


def _straight(at: Numbers, lags: Samples) -> tuple[float, Samples]:
    """Slope of the line through the lags, and what each is off it; the median where few."""
    if len(at) <= 3:
        return 0.0, lags - np.median(lags)
    some = np.linspace(0, len(at) - 1, min(len(at), MOST_IN_LINE)).astype(int)
    slope = float(stats.theilslopes(lags[some], at[some])[0])
    left = lags - slope * at
    return slope, left - np.median(left)
