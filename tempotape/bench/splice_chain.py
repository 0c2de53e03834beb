"""Which short sounds come once a turn: chains of them, and whether one may be a splice's.

Ticks too faint to stand out one by one are found by folding: hiss adds up to nothing at any pace.
"""

from __future__ import annotations

import bisect
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tempotape.bench.splice_time import Band

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FEWEST_TICKS = 4
PERIODS_S = (0.3, 30.0)
MAINS_S = 0.1
NOISE_PEAKS_DB = 5.0  # hiss seldom comes this far over its own loudest tenth
LEAST_WANDER_S = 0.003
_HOPELESS = 4  # more misses than hits by this many: no chain
_HIDING_S = 0.2
_SEEDS = 60
_SAME_LEVEL_DB = 5.0
_CLOSE_LEVEL_DB = 2.5  # where few ticks are heard, what else is as loud counts more
_WANDER = 0.004  # of the period, from one tick to the next
_CHANCE = 1e-4
_CHANCE_FAINT = 1e-5
_FAINT_HITS = 0.75
_STRONG_HITS = 0.93
_STRONG_DB = 10.0  # over the loudest tenth of the noise: no tick can go unheard
# From these on a tick is loud: full scale 1.0, and over the floor.
_LOUD_PEAK = 0.04
_LOUD_OVER_FLOOR_DB = 48.0
# From these on it is somebody playing, at any pace.
_LOUDEST_PEAK = 0.1
_LOUDEST_OVER_FLOOR_DB = 60.0
_ALONE_DB = 25.0
_HISS_DB = 8.0  # hiss comes hardly ever this far over its own loudest tenth
_RINGS_S = 0.05
_ALONE = 0.75  # of the ticks: so many pops
_GHOST_S = 0.008
_GHOST_DB = -3.0
_APART_TICK_S = 0.015
_COMPANY = 0.5  # of the ticks
_COMPANY_DB = 2.0  # a tick fed back comes again, weaker, and is a splice still
# Where nothing is much louder, clicks at the pace of a metronome may be what is played, and what
# comes after them its repeats.
_COMPANY_ALONE_DB = 9.0
_PLAYED_DB = 15.0
_PLAYED_SOUNDS = 4
SLOWEST_BEAT_S = 2.05  # 30 beats a minute; slower clicks are hardly a metronome's
_MOST_BEATS = 8  # in a bar
_BAR_STEPS = (12, 16)
_OFF_STEP_S = 0.006
_RINGING_S = 0.12
_ONSET_DB = 3.0
_OFF_LINE = 4.0  # times the scatter of the ticks that nothing disturbs
_SILENT = 0.9  # of the recording
_FOLDED_S = 60.0  # of a recording: more takes long, and tells little more
_FOLD_PERIOD_S = 1.0
_FOLD_TURNS = 5
_FOLD_REACH = 3  # bins that a tick may come early or late
_FOLD_APART_S = 0.1
_FOLD_MOST = 100
_FOLD_SPAN = 0.4  # of the recording, between the two places that give a period to try
_FOLD_CHANCE = 3e-5  # of one band, the periods tried counted
_FOLD_OTHER = 0.01  # chance of what comes between the ticks, below which there are more of them
_FOLD_HUM = 1e-3  # chance of what comes so many bins before, below which it is hum
_FOLD_CLEAR = 8
_FOLD_HEARD = 1.5  # chances are logarithms: one in four and a half
_BESIDE = np.array([-5, -4, -3, -2, -1, 1, 2, 3, 4, 5])  # times a common multiple of mains cycles


class Events(NamedTuple):
    """Short sounds in the quiet: `level_db` is over the loudest tenth of the noise."""

    t_s: Floats
    bins: npt.NDArray[np.intp]
    band: npt.NDArray[np.intp]  # the one that it stands out of most
    level_db: Floats
    over_floor_db: Floats
    peak: Floats  # full scale 1.0, without hum
    sounds_s: Floats  # whatever stands out anywhere, in the quiet or not
    sounds_db: Floats


class _Hearing(NamedTuple):
    """The bins of `bin_s` in which a tick would be heard, and how long they last together."""

    bins: Bools
    bin_s: float
    seconds: float


class Chain(NamedTuple):
    """Events one period apart: `numbers` of the events, `turns` counted from the first."""

    numbers: tuple[int, ...]
    turns: tuple[int, ...]
    misses: int
    log_chance: float


class BestChain(NamedTuple):
    """The chain that may be the splice's, or else the one in company that it cannot have."""

    chain: Chain | None
    played: Chain | None


def best_chain(events: Events, quiet: Bools, bin_s: float) -> BestChain:
    """The chain of events that chance explains least; of a fainter and a louder, the fainter."""
    from scipy.ndimage import minimum_filter1d  # noqa: PLC0415

    best: list[Chain | None] = [None, None, None, None]
    best_log = [0.0, 0.0, 0.0, 0.0]
    tried = 0
    seeds = np.argsort(-events.level_db)[:_SEEDS]
    # A tick at the very edge of the quiet may fall outside.
    width = 2 * round(_HIDING_S / bin_s) + 1
    inner = minimum_filter1d(quiet.astype(np.uint8), width, mode="constant") > 0
    for seed in seeds:
        own = float(events.t_s[seed])
        louder_s = events.sounds_s[events.sounds_db > events.level_db[seed] + _SAME_LEVEL_DB]
        heard = inner & ~_near(louder_s, len(quiet), bin_s)
        hearing = _Hearing(heard, bin_s, max(float(np.count_nonzero(heard)), 1.0) * bin_s)
        for within_db in (_CLOSE_LEVEL_DB, _SAME_LEVEL_DB):
            close = np.abs(events.level_db - events.level_db[seed]) < within_db
            alike = np.flatnonzero(close).tolist()
            t_s = events.t_s[alike].tolist()
            first, last = (bisect.bisect(t_s, own + far_s) for far_s in PERIODS_S)
            for other_s in t_s[first:last]:
                tried += 1
                chain = _chain(alike, t_s, own, other_s - own, hearing)
                # Of so many tried, from the loudest on, one may have come out by chance.
                log_chance = chain.log_chance + math.log(tried)
                if log_chance >= max(best_log):
                    continue
                loud = loudness(chain, events)
                if log_chance < best_log[loud] and _sound(chain, events, loud):
                    best[loud], best_log[loud] = chain, log_chance
                if log_chance < best_log[3] and _loud_enough(chain, events):
                    best[3], best_log[3] = chain, log_chance
    faint, louder, loudest, played = (
        chain if chain is not None and _beyond_chance(chain, log_chance, events) else None
        for chain, log_chance in zip(best, best_log, strict=True)
    )
    return BestChain(faint or louder or loudest, played)


def _beyond_chance(chain: Chain, log_chance: float, events: Events) -> bool:
    faint = float(np.median(events.level_db[list(chain.numbers)])) < _STRONG_DB
    return log_chance < math.log(_CHANCE_FAINT if faint else _CHANCE)


def _loud_enough(chain: Chain, events: Events) -> bool:
    """Whether nobody would say that there is no tick, whatever else is heard."""
    level_db = float(np.median(events.level_db[list(chain.numbers)]))
    whole = len(chain.numbers) >= _STRONG_HITS * (max(chain.turns) - min(chain.turns))
    return level_db > _STRONG_DB and whole and len(chain.numbers) >= FEWEST_TICKS


def loudness(chain: Chain, events: Events) -> int:
    """0: as faint as a tick may be in any company; 1: loud; 2: too loud for a splice."""
    members = list(chain.numbers)
    peak = float(np.median(events.peak[members]))
    over_db = float(np.median(events.over_floor_db[members]))
    return (peak >= _LOUD_PEAK or over_db >= _LOUD_OVER_FLOOR_DB) + (
        peak >= _LOUDEST_PEAK or over_db >= _LOUDEST_OVER_FLOOR_DB
    )


def _near(louder_s: Floats, length: int, bin_s: float) -> Bools:
    """The bins where something louder hides a tick."""
    change = np.zeros(length + 1, dtype=np.int64)
    for way, off_s in ((1, -_HIDING_S), (-1, _HIDING_S)):
        at = np.clip(((louder_s + off_s) / bin_s).astype(np.int64), 0, length)
        np.add.at(change, at, way)
    return np.asarray(np.cumsum(change[:-1]) > 0)


def _chain(
    alike: list[int], t_s: list[float], start_s: float, period_s: float, hearing: _Hearing
) -> Chain:
    """Events one period apart, both ways from `start_s` to the ends of the recording.

    A miss counts where a tick would have been heard.
    """
    places = [bisect.bisect_left(t_s, start_s)]
    taken = set(places)
    turns = [0]
    misses = 0
    reach_s = max(LEAST_WANDER_S, _WANDER * period_s)
    for way in (1, -1):
        last_s, last_turn, turn = start_s, 0, 0
        step_s = period_s
        while True:
            turn += way
            away = abs(turn - last_turn)
            due_s = last_s + way * away * step_s
            number = int(due_s / hearing.bin_s)
            if due_s < 0 or number >= len(hearing.bins) or misses > len(places) + _HOPELESS:
                break
            found = bisect.bisect_left(t_s, due_s)
            if found == len(t_s) or (found and due_s - t_s[found - 1] < t_s[found] - due_s):
                found -= 1
            # Over a gap the error of the step adds up, up to a tenth of it.
            allowed_s = min(reach_s * away, 0.1 * period_s)
            if abs(t_s[found] - due_s) <= allowed_s and found not in taken:
                step_s += 0.3 * ((t_s[found] - last_s) * way / away - step_s)
                last_s, last_turn = t_s[found], turn
                places.append(found)
                taken.add(found)
                turns.append(turn)
            elif hearing.bins[number]:
                misses += 1
    # What else sounds like these events may fall in place by chance. The first step was chosen to
    # fit, so two of the hits come for nothing.
    others = len(alike) - len(places) + 1
    chance = min(1.0, others / hearing.seconds * 2.0 * reach_s)
    hits = len(places) - 2
    return Chain(
        tuple(alike[place] for place in places),
        tuple(turns),
        misses,
        _log_chance(hits, hits + misses, chance),
    )


def _log_chance(hits: int, tries: int, chance: float) -> float:
    """The logarithm of the chance of at least `hits` in `tries` (binomial)."""
    from scipy.special import bdtrc  # noqa: PLC0415

    if hits <= 0:
        return 0.0
    return math.log(max(float(bdtrc(hits - 1, tries, chance)), 1e-300))


def _sound(chain: Chain, events: Events, loud: int) -> bool:
    """Whether a chain may be a splice: it ticks from end to end, and alone."""
    hits = len(chain.numbers)
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    if hits < FEWEST_TICKS or chain.misses > hits * (1.0 / _FAINT_HITS - 1.0):
        return False
    if loud and not _alone(np.sort(events.t_s[members]), level_db, events):
        return False
    run = _undisturbed(chain, events)
    run_s = np.sort(events.t_s[members[run]])
    if len(run_s) < FEWEST_TICKS:
        return False
    alone = np.count_nonzero(events.sounds_db > level_db + _PLAYED_DB) < _PLAYED_SOUNDS
    fast = float(np.min(np.diff(run_s))) < SLOWEST_BEAT_S
    weaker_db = _COMPANY_ALONE_DB if alone and fast else _COMPANY_DB
    least_db = max(level_db - weaker_db, NOISE_PEAKS_DB)
    if _in_company(run_s, level_db, least_db, events):
        return False
    if level_db < _STRONG_DB:
        return True
    # Where a pop hides it, a tick is not missed.
    due = hits + chain.misses if len(run_s) == hits else int(np.ptp(np.array(chain.turns)[run])) + 1
    pops_s, _ = _pops(run_s, level_db, least_db, events)
    between_s = pops_s[(pops_s > run_s[0]) & (pops_s < run_s[-1])]
    nearest = np.searchsorted(events.t_s, between_s - LEAST_WANDER_S)
    quiet = np.searchsorted(events.t_s, between_s + LEAST_WANDER_S) > nearest
    pops = int(np.count_nonzero(quiet))
    return pops <= _ALONE * len(run_s) and len(run_s) >= _STRONG_HITS * (due - 1)


def _undisturbed(chain: Chain, events: Events) -> Bools:
    """Which of the ticks are the most in a row with nothing louder between them but a few pops.

    In the tails of what is played there is no such row.
    """
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    ticks_s = np.sort(events.t_s[members])
    louder_s, _ = _pops(ticks_s, level_db, level_db + _SAME_LEVEL_DB, events)
    if len(louder_s) <= _ALONE * len(ticks_s):
        return np.ones(len(members), dtype=np.bool_)
    before = np.searchsorted(louder_s, events.t_s[members])
    return np.asarray(before == np.argmax(np.bincount(before)))


def _alone(ticks_s: Floats, level_db: float, events: Events) -> bool:
    """Whether what comes between the ticks, down to 25 dB below them, are a few pops."""
    least_db = max(level_db - _ALONE_DB, _HISS_DB)
    pops_s, _ = _pops(ticks_s, level_db, least_db, events)
    few = len(pops_s) <= _ALONE * len(ticks_s)
    return few and not _in_company(ticks_s, level_db, least_db, events)


def _pops(
    ticks_s: Floats, level_db: float, least_db: float, events: Events
) -> tuple[Floats, Floats]:
    """What comes between the ticks, and its level over theirs; without what rings and ghosts."""
    heard = events.sounds_db > least_db
    heard_s, over_db = events.sounds_s[heard], events.sounds_db[heard] - level_db
    apart = np.ones(len(heard_s), dtype=np.bool_)
    for step in range(1, len(heard_s)):  # pairs so many apart, in order of time
        away_s = heard_s[step:] - heard_s[:-step]
        if np.min(away_s) >= max(_RINGS_S, MAINS_S + _GHOST_S):
            break
        rings, ghost = away_s < _RINGS_S, np.abs(away_s - MAINS_S) < _GHOST_S
        more_db = over_db[step:] - over_db[:-step]
        apart[step:] &= ~((more_db <= 0.0) & (rings | (ghost & (more_db < _GHOST_DB))))
        apart[:-step] &= ~((more_db > 0.0) & (rings | (ghost & (-more_db < _GHOST_DB))))
    nearest = np.searchsorted(ticks_s, heard_s)
    away_s = np.minimum(
        np.abs(heard_s - ticks_s[np.maximum(nearest - 1, 0)]),
        np.abs(heard_s - ticks_s[np.minimum(nearest, len(ticks_s) - 1)]),
    )
    apart &= away_s > _RINGS_S
    return heard_s[apart], over_db[apart]


def _after_s(ticks_s: Floats, level_db: float, least_db: float, events: Events) -> list[float]:
    """After how long something above `least_db` comes, again and again, after half of the ticks.

    Of what rings or has ghosts, for 0.12 s before and after, the first that is as loud counts.
    """
    period_s = float(np.min(np.diff(ticks_s)))
    loud = events.sounds_db > least_db
    loud_s, over_db = events.sounds_s[loud], events.sounds_db[loud] - level_db
    last = np.searchsorted(ticks_s, loud_s) - 1
    away_s = loud_s - ticks_s[np.maximum(last, 0)]
    before_s = ticks_s[np.minimum(last + 1, len(ticks_s) - 1)] - loud_s
    # Where hum was taken out, a tick has ghosts of its own, 6 dB weaker.
    ghost = (np.abs(away_s - MAINS_S) < _GHOST_S) | (np.abs(before_s - MAINS_S) < _GHOST_S)
    heard = (away_s > _APART_TICK_S) & (away_s < period_s - _APART_TICK_S) & (last >= 0)
    heard &= ~(ghost & (over_db < _GHOST_DB))
    away_s, over_db = away_s[heard], over_db[heard]
    order = np.argsort(away_s)
    away_s, over_db = away_s[order], over_db[order]
    window_s = 2.0 * max(LEAST_WANDER_S, _WANDER * period_s)
    fewest = max(3, round(_COMPANY * len(ticks_s)))
    found = []
    while len(away_s) >= fewest:
        count = np.searchsorted(away_s, away_s + window_s) - np.arange(len(away_s))
        often = np.flatnonzero(count >= fewest)
        if not len(often):
            break
        levels_db = np.array([np.median(over_db[at : at + count[at]]) for at in often])
        loudest_s = away_s[often[np.argmax(levels_db)]]
        onset = (levels_db > np.max(levels_db) - _ONSET_DB) & (
            away_s[often] > loudest_s - _RINGING_S
        )
        at = int(often[np.argmax(onset)])
        found.append(float(np.median(away_s[at : at + fewest])))
        apart = np.abs(away_s - found[-1]) > _RINGING_S
        away_s, over_db = away_s[apart], over_db[apart]
    return found


def _in_company(ticks_s: Floats, level_db: float, least_db: float, events: Events) -> bool:
    """Whether something above `least_db` comes at one same distance after most of the ticks.

    A splice ticks once a turn; what repeats played notes comes after louder ones.
    """
    return bool(_after_s(ticks_s, level_db, least_db, events))


def beaten(ticks_s: Floats, period_s: float, events: Events) -> bool:
    """Whether the time between ticks is beaten in 2 to 8 equal parts: a bar and its accents."""
    heard_s = events.sounds_s[events.sounds_db > NOISE_PEAKS_DB]
    for parts in range(2, _MOST_BEATS + 1):
        due_s = (ticks_s[:-1, None] + period_s / parts * np.arange(1, parts)).ravel()
        near = np.searchsorted(heard_s, due_s - LEAST_WANDER_S)
        last = np.searchsorted(heard_s, due_s + LEAST_WANDER_S)
        if np.count_nonzero(last > near) > _COMPANY * len(due_s):
            return True
    return False


def on_a_grid(ticks_s: Floats, period_s: float, level_db: float, events: Events) -> bool:
    """Whether all that comes between the ticks falls on the steps of a bar, twelve or sixteen."""
    with_s = _after_s(ticks_s, level_db, NOISE_PEAKS_DB, events)
    return bool(with_s) and any(
        all(abs(away_s - round(away_s / step_s) * step_s) < _OFF_STEP_S for away_s in with_s)
        for step_s in (period_s / steps for steps in _BAR_STEPS)
    )


def in_line(chain: Chain, events: Events) -> Bools:
    """Which ticks keep the pace of those that nothing disturbs, as far as that tells it."""
    run = _undisturbed(chain, events)
    if np.count_nonzero(run) < FEWEST_TICKS:
        run = np.ones(len(run), dtype=np.bool_)
    turns = np.array(chain.turns, dtype=np.float64)
    t_s = events.t_s[np.array(chain.numbers)]
    slope_s, start_s = np.polyfit(turns[run], t_s[run], 1)
    off_s = np.abs(t_s - start_s - slope_s * turns)
    wander_s = max(LEAST_WANDER_S / 3.0, math.sqrt(float(np.mean(off_s[run] ** 2))))
    half = 0.5 * np.ptp(turns[run])
    away = np.abs(turns - np.mean(turns[run])) / half
    return np.asarray(run | (off_s < _OFF_LINE * wander_s * np.maximum(away, 1.0)))


def silent(events: Events, quiet: Bools) -> bool:
    """Whether nothing plays: quiet nearly all along, and few sounds that stand out."""
    sounds = np.count_nonzero(events.sounds_db > _STRONG_DB)
    return bool(np.mean(quiet) > _SILENT and sounds < _PLAYED_SOUNDS)


class Folded(NamedTuple):
    """Ticks that only stand out together: the bins, in the band of that number, and the turns."""

    bins: npt.NDArray[np.intp]
    turns: Floats
    band: int
    log_chance: float


def folded(band: Band, number: int, bin_s: float) -> Folded | None:
    """The period at which sounds too faint by themselves add up to what hiss hardly would.

    Each place has a chance, by its rank among all, to be as loud in hiss. The chances of places one
    period apart are put together as Fisher did (1932, Statistical Methods for Research Workers):
    the sum of n of their negative logarithms is half a chi-squared of 2 n degrees of freedom.
    """
    smooth = band.smooth[: round(_FOLDED_S / bin_s)]
    loud, surprise = _surprise(smooth, bin_s)
    length = len(smooth)
    first, period, apart = _tries(loud, bin_s)
    if not len(first):
        return None
    start = first % period
    count = np.floor((length - 1 - start) / period).astype(np.intp) + 1
    total = np.zeros(len(first))
    for turn in range(int(count.max())):
        on = turn < count
        total[on] += surprise[np.rint(start[on] + turn * period[on]).astype(np.intp)]
    # Two of the places were chosen for being loud.
    total -= surprise[first] + surprise[first + apart]
    best = int(np.argmin(_log_together(total, count - 2)))
    chance = float(_log_together(float(total[best]), int(count[best]) - 2)) + math.log(len(first))
    due = start[best] + period[best] * np.arange(count[best])
    if chance > math.log(_FOLD_CHANCE) or not _whole(surprise, due, float(period[best]), bin_s):
        return None
    places = np.rint(due).astype(np.intp)
    heard = surprise[places] > _FOLD_HEARD
    if np.count_nonzero(heard) < max(FEWEST_TICKS, _FAINT_HITS * len(places)):
        return None
    around = np.clip(places[heard, None] + np.arange(-_FOLD_REACH, _FOLD_REACH + 1), 0, length - 1)
    bins = around[np.arange(len(around)), np.argmax(smooth[around], axis=1)]
    return Folded(bins, np.flatnonzero(heard).astype(np.float64), number, chance)


def _surprise(smooth: Floats, bin_s: float) -> tuple[Floats, Floats]:
    """How loud each bin is, hum and slow changes told by what comes whole mains cycles away;
    and the negative logarithm of the chance that one as loud is as near.
    """
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415
    from scipy.stats import rankdata  # noqa: PLC0415

    near = maximum_filter1d(smooth, 2 * _FOLD_REACH + 1)
    away = np.rint(_BESIDE * MAINS_S / bin_s).astype(np.intp)
    usual = np.maximum(np.mean([np.roll(near, by) for by in away], axis=0), 1e-30)
    return smooth / usual, -np.log1p((1.0 - rankdata(near / usual, "max")) / len(near))


def _tries(loud: Floats, bin_s: float) -> tuple[npt.NDArray[np.intp], Floats, npt.NDArray[np.intp]]:
    """First places, periods and how far the second place is, in bins, of what is worth a try."""
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415

    highest = maximum_filter1d(loud, 2 * round(_FOLD_APART_S / bin_s) + 1)
    places = np.flatnonzero(loud == highest)
    places = np.sort(places[np.argsort(-loud[places])[:_FOLD_MOST]])
    apart = places[None, :] - places[:, None]
    one, other = np.nonzero(apart >= _FOLD_SPAN * len(loud))
    apart = apart[one, other]
    parts = (apart * (bin_s / _FOLD_PERIOD_S)).astype(np.intp)
    pair = np.repeat(np.arange(len(apart)), parts)
    part = np.arange(len(pair)) - np.repeat(np.cumsum(parts) - parts, parts) + 1
    period = apart[pair] / part
    often = period * _FOLD_TURNS <= len(loud)
    return places[one[pair[often]]], period[often], apart[pair[often]]


def _log_together(total: Floats | float, count: npt.NDArray[np.intp] | int) -> Floats:
    from scipy.special import chdtrc  # noqa: PLC0415

    chance = chdtrc(2.0 * np.asarray(count), 2.0 * np.maximum(total, 0.0))
    return np.asarray(np.log(np.maximum(chance, 1e-300)))


def _whole(surprise: Floats, due: Floats, period: float, bin_s: float) -> bool:
    """Whether the ticks come no more often than they are `due`, in bins, and are no hum.

    Hum and the bins beat, in places one period apart; some cycles before, hum is heard as well.
    """

    def chance(places: Floats) -> float:
        inside = np.rint(places[places >= 0.0]).astype(np.intp)
        return float(_log_together(float(np.sum(surprise[inside])), len(inside)))

    before = range(_FOLD_CLEAR, round(MAINS_S / bin_s) - _FOLD_CLEAR, _FOLD_REACH)
    if min(chance(due - away) for away in before) < math.log(_FOLD_HUM):
        return False
    for parts in (2, 3):
        between = due[:-1, None] + period / parts * np.arange(1, parts)
        if chance(between.ravel()) < math.log(_FOLD_OTHER):
            return False
    return True
