"""The tick of the splice: a faint click once a turn of the loop, found in the quiet parts."""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FEWEST_TICKS = 4
_WINDOW_S = 600.0  # a longer recording is searched in parts, to bound the memory
PERIODS_S = (0.3, 30.0)
_BAND_HZ = (300.0, 1500.0)
# Five turns of 50 Hz mains and six of 60 Hz: what repeats after it is hum.
_MAINS_S = 0.1
_BIN_S = 0.001
_SEGMENT_BINS = 50
_QUIET_OVER_FLOOR = 10 ** (6.0 / 10.0)
_SHORTEST_QUIET_S = 1.0
_BRIDGED_SEGMENTS = 2
_APART_S = 0.15
_HOPELESS = 4  # more misses than hits by this many: no chain
_HIDING_S = 0.2
_EVENTS_PER_S = 4.0
_FEWEST_EVENTS = 40
_MOST_EVENTS = 1500
_SEEDS = 60
_SAME_LEVEL_DB = 5.0
_WANDER = 0.004  # of the period, from one tick to the next
_LEAST_WANDER_S = 0.003
_CHANCE = 1e-4
_CHANCE_FAINT = 1e-6
_FAINT_HITS = 0.75
_STRONG_DB = 10.0  # over the loudest tenth of the noise: no tick can go unheard
# Louder than these, it is somebody playing: full scale 1.0, and over the floor.
_LOUDEST_PEAK = 0.04
_LOUDEST_OVER_FLOOR_DB = 48.0
_OWN_PERIOD = 0.02
_SOUNDS_APART_S = 0.02
_NOISE_PEAKS_DB = 5.0  # hiss seldom comes this far over its own loudest tenth
_GHOST_S = 0.008
_GHOST_DB = -3.0
_MOST_SOUNDS = 4000
_APART_TICK_S = 0.015
_COMPANY = 0.5  # of the ticks
_COMPANY_DB = 9.0  # a tick fed back at a third is a splice still
# Kept as rms at half precision, one part in two thousand, scaled so that the faintest fits.
_FULL_SCALE = 1000.0
_SILENCE = 1e-18  # power


class Splice(msgspec.Struct, frozen=True):
    """A tick every `period_s` (one standard deviation `error_s`), `ticks` of them heard.

    `level_db` is the power of the tick's loudest 3 ms over that of the noise in the same band.
    `is_loop` says whether this is the loop's own period; None where that is not known.
    """

    period_s: float
    level_db: float
    ticks: int
    error_s: float
    is_loop: bool | None


class SpliceResult(msgspec.Struct, frozen=True):
    """`splice` or, in `warnings`, why none is reported."""

    splice: Splice | None
    warnings: tuple[str, ...]


class _Events(NamedTuple):
    """Short sounds in the quiet: `level_db` is over the loudest tenth of the noise."""

    t_s: Floats
    level_db: Floats
    over_floor_db: Floats
    peak: Floats  # full scale 1.0, above 1.5 kHz
    sounds_s: Floats  # whatever stands out anywhere, in the quiet or not
    sounds_db: Floats


class _Chain(NamedTuple):
    """Events one period apart: `numbers` of the events, `turns` counted from the first."""

    numbers: tuple[int, ...]
    turns: tuple[int, ...]
    misses: int
    log_chance: float


class SpliceFinder:
    """Takes a recording block by block, then looks for the tick of the splice in it."""

    def __init__(self, sample_rate_hz: float) -> None:
        from scipy.signal import butter  # noqa: PLC0415 - loaded by what needs it

        low, high = _BAND_HZ
        self._bin = max(1, round(_BIN_S * sample_rate_hz))
        self._bin_s = self._bin / sample_rate_hz
        self._filters = [
            butter(2, [low, high], "bandpass", fs=sample_rate_hz, output="sos"),
            butter(2, high, "highpass", fs=sample_rate_hz, output="sos"),
        ]
        self._states = [np.zeros((len(sos), 2)) for sos in self._filters]
        self._mains = round(_MAINS_S * sample_rate_hz)
        self._held: list[Floats] = [np.zeros(0), np.zeros(0)]
        self._combed: Floats = np.zeros(self._mains)
        self._combed_rest: Floats = np.zeros(0)
        self._sizes: list[list[npt.NDArray[np.float16]]] = [[], [], []]
        self._peaks: list[npt.NDArray[np.float16]] = []

    def feed(self, block: Floats) -> None:
        """Take the next samples, mono, full scale 1.0, any number of them."""
        from scipy.signal import sosfilt  # noqa: PLC0415

        if not len(block):
            return
        for number, sos in enumerate(self._filters):
            passed, self._states[number] = sosfilt(sos, block, zi=self._states[number])
            held = np.concatenate([self._held[number], passed])
            self._held[number] = self._binned(number, held)
            if number == 0:
                self._comb(passed)

    def _comb(self, passed: Floats) -> None:
        """Each sample less the mean of those one mains interval before and after it.

        Hum goes; a tick stays whole, with two ghosts of a quarter of its power.
        """
        span = self._mains
        line = np.concatenate([self._combed, passed])
        count = len(line) - 2 * span
        if count <= 0:
            self._combed = line
            return
        clean = line[span : span + count] - 0.5 * (line[:count] + line[2 * span :])
        self._combed = line[count:]
        self._combed_rest = self._binned(2, np.concatenate([self._combed_rest, clean]))

    def _binned(self, number: int, held: Floats) -> Floats:
        count = len(held) // self._bin
        if count:
            blocks = held[: count * self._bin].reshape(count, self._bin)
            mean = np.einsum("ij,ij->i", blocks, blocks) / self._bin
            self._sizes[number].append(
                (_FULL_SCALE * np.sqrt(np.minimum(mean, 3600.0))).astype(np.float16)
            )
            if number == 1:
                peak = np.abs(blocks).max(axis=1)
                self._peaks.append((_FULL_SCALE * np.minimum(peak, 60.0)).astype(np.float16))
        return held[count * self._bin :]

    def result(self, loop_period_s: float | None) -> SpliceResult:
        """The tick, where one stands out; `loop_period_s` tells whether it is the loop's own."""
        for kept in (*self._sizes, self._peaks):
            kept[:] = [np.concatenate(kept)] if kept else [np.zeros(0, dtype=np.float16)]
        length = min(len(kept[0]) for kept in (*self._sizes, self._peaks))
        window = round(_WINDOW_S / self._bin_s)
        looks = [
            self._look(first, min(first + window, length), loop_period_s)
            for first in range(0, max(length, 1), window)
        ]
        found = [splice for _, splice in looks if splice is not None]
        if found:
            return SpliceResult(max(found, key=lambda splice: splice.ticks), ())
        if not any(quiet for quiet, _ in looks):
            why = "splice: nothing is quiet for long enough to hear a tick"
        else:
            why = "splice: no tick that comes once a turn"
        return SpliceResult(None, (why,))

    def _look(
        self, first: int, last: int, loop_period_s: float | None
    ) -> tuple[bool, Splice | None]:
        """Whether it is quiet in these bins, and the tick found."""
        bands = [
            (kept[0][first:last].astype(np.float64) / _FULL_SCALE) ** 2 for kept in self._sizes
        ]
        quiet = _quiet(bands[:2])
        if float(np.count_nonzero(quiet)) * self._bin_s < FEWEST_TICKS * PERIODS_S[0]:
            return False, None
        events = _events(bands, self._peaks[0][first:last], quiet, self._bin_s)
        chain = _best_chain(events, quiet, self._bin_s)
        return True, None if chain is None else _measured(events, chain, loop_period_s)


def _quiet(bands: list[Floats]) -> Bools:
    """Where nothing plays: both bands near their lowest level for a second or longer.

    The level is the median over 50 ms, which a tick is too short to raise.
    """
    length = len(bands[0])
    count = length // _SEGMENT_BINS
    calm = np.ones(count, dtype=np.bool_)
    for band in bands:
        level = np.median(band[: count * _SEGMENT_BINS].reshape(count, _SEGMENT_BINS), axis=1)
        floor = float(np.quantile(level, 0.1)) if count else 0.0
        calm &= level <= max(floor, _SILENCE) * _QUIET_OVER_FLOOR
    calm = _bridged(calm, _BRIDGED_SEGMENTS)
    shortest = math.ceil(_SHORTEST_QUIET_S / (_SEGMENT_BINS * _BIN_S))
    calm = ~_bridged(~calm, shortest - 1)
    quiet = np.zeros(length, dtype=np.bool_)
    quiet[: count * _SEGMENT_BINS] = np.repeat(calm, _SEGMENT_BINS)
    return quiet


def _bridged(marks: Bools, longest: int) -> Bools:
    """`marks` with every unmarked run of up to `longest` filled; runs at the ends as well."""
    filled = marks.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[True], marks, [True]]).astype(np.int8)))
    for first, last in edges.reshape(-1, 2):
        if last - first <= longest:
            filled[first:last] = True
    return filled


def _events(
    bands: list[Floats], peaks: npt.NDArray[np.float16], quiet: Bools, bin_s: float
) -> _Events:
    """The loudest short sounds, at least 0.15 s apart."""
    smooth = [np.convolve(band, np.ones(3) / 3.0, mode="same") for band in bands]
    tenths = [max(float(np.quantile(band[quiet], 0.9)), _SILENCE) for band in smooth]
    floors = [max(float(np.mean(np.minimum(band[quiet], tenth))), _SILENCE)
              for band, tenth in zip(smooth, tenths, strict=True)]  # fmt: skip
    over = np.max([band / tenth for band, tenth in zip(smooth, tenths, strict=True)], axis=0)
    sounds = _peaks(over, round(_SOUNDS_APART_S / bin_s))
    sounds = np.sort(sounds[np.argsort(-over[sounds])[:_MOST_SOUNDS]])
    sounds_db = 10.0 * np.log10(over[sounds])
    over[~quiet] = 0.0
    numbers = _peaks(over, round(_APART_S / bin_s))
    most = min(_MOST_EVENTS, _FEWEST_EVENTS + int(_EVENTS_PER_S * np.count_nonzero(quiet) * bin_s))
    numbers = numbers[np.argsort(-over[numbers])[:most]]
    numbers = np.sort(numbers)
    strongest = np.argmax(
        [band[numbers] / tenth for band, tenth in zip(smooth, tenths, strict=True)], axis=0
    )
    t_s, over_floor, peak = [], [], []
    for number, which in zip(numbers, strongest, strict=True):
        at = np.arange(max(0, number - 6), min(len(over), number + 7))
        above = np.maximum(bands[which][at] - floors[which], 0.0)
        total = float(np.sum(above))
        place = float(np.sum(at * above)) / total if total > 0 else float(number)
        t_s.append((place + 0.5) * bin_s)
        over_floor.append(smooth[which][number] / floors[which])
        peak.append(float(np.max(peaks[at])) / _FULL_SCALE)
    return _Events(
        t_s=np.array(t_s),
        level_db=10.0 * np.log10(np.maximum(over[numbers], 1e-6)),
        over_floor_db=10.0 * np.log10(np.maximum(over_floor, 1e-6)),
        peak=np.array(peak),
        sounds_s=(sounds.astype(np.float64) + 0.5) * bin_s,
        sounds_db=sounds_db,
    )


def _peaks(over: Floats, apart: int) -> npt.NDArray[np.intp]:
    """Bins that no other within `apart` exceeds."""
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415

    highest = maximum_filter1d(over, 2 * apart + 1)
    return np.flatnonzero((over == highest) & (over > 1.0))


def _best_chain(events: _Events, quiet: Bools, bin_s: float) -> _Chain | None:
    """The chain of events that chance explains least, or None where chance will do."""
    from scipy.ndimage import minimum_filter1d  # noqa: PLC0415

    best: _Chain | None = None
    shortest, longest = PERIODS_S
    seeds = np.argsort(-events.level_db)[:_SEEDS]
    tried = 0
    # A tick at the very edge of the quiet may fall outside.
    width = 2 * round(_HIDING_S / bin_s) + 1
    inner = minimum_filter1d(quiet.astype(np.uint8), width, mode="constant") > 0
    for seed in seeds:
        alike = np.flatnonzero(np.abs(events.level_db - events.level_db[seed]) < _SAME_LEVEL_DB)
        t_s = events.t_s[alike]
        own = float(events.t_s[seed])
        louder_s = events.sounds_s[events.sounds_db > events.level_db[seed] + _SAME_LEVEL_DB]
        hearing = inner & ~_near(louder_s, len(quiet), bin_s)
        for period_s in t_s[(t_s > own + shortest) & (t_s < own + longest)] - own:
            tried += 1
            chain = _chain(alike, t_s, own, float(period_s), hearing=hearing, bin_s=bin_s)
            if (best is None or chain.log_chance < best.log_chance) and _sound(chain, events):
                best = chain
    if best is None:
        return None
    faint = float(np.median(events.level_db[list(best.numbers)])) < _STRONG_DB
    most = _CHANCE_FAINT if faint else _CHANCE
    return best if best.log_chance + math.log(tried) < math.log(most) else None


def _near(louder_s: Floats, length: int, bin_s: float) -> Bools:
    """The bins where something louder hides a tick."""
    change = np.zeros(length + 1, dtype=np.int64)
    for way, off_s in ((1, -_HIDING_S), (-1, _HIDING_S)):
        at = np.clip(((louder_s + off_s) / bin_s).astype(np.int64), 0, length)
        np.add.at(change, at, way)
    return np.asarray(np.cumsum(change[:-1]) > 0)


def _chain(
    alike: npt.NDArray[np.intp],
    t_s: Floats,
    start_s: float,
    period_s: float,
    *,
    hearing: Bools,
    bin_s: float,
) -> _Chain:
    """Events one period apart, both ways from `start_s` to the ends of the recording.

    A miss counts where a tick would have been heard.
    """
    numbers = [int(alike[int(np.searchsorted(t_s, start_s))])]
    turns = [0]
    misses = 0
    reach_s = max(_LEAST_WANDER_S, _WANDER * period_s)
    for way in (1, -1):
        last_s, last_turn, turn = start_s, 0, 0
        step_s = period_s
        while True:
            turn += way
            away = abs(turn - last_turn)
            due_s = last_s + way * away * step_s
            number = int(due_s / bin_s)
            if due_s < 0 or number >= len(hearing) or misses > len(numbers) + _HOPELESS:
                break
            near = int(np.searchsorted(t_s, due_s))
            close = [n for n in (near - 1, near) if 0 <= n < len(t_s)]
            found = min(close, key=lambda n: abs(t_s[n] - due_s))
            # Over a gap the error of the step adds up, up to a tenth of it.
            allowed_s = min(reach_s * away, 0.1 * period_s)
            if abs(t_s[found] - due_s) <= allowed_s and int(alike[found]) not in numbers:
                step_s += 0.3 * ((t_s[found] - last_s) * way / away - step_s)
                last_s, last_turn = float(t_s[found]), turn
                numbers.append(int(alike[found]))
                turns.append(turn)
            elif hearing[number]:
                misses += 1
    # What else sounds like these events may fall in place by chance. The first step was chosen to
    # fit, so two of the hits come for nothing.
    others = len(alike) - len(numbers) + 1
    quiet_s = float(np.count_nonzero(hearing)) * bin_s
    chance = min(1.0, others / quiet_s * 2.0 * reach_s)
    return _Chain(
        tuple(numbers),
        tuple(turns),
        misses,
        _log_chance(len(numbers) - 2, len(numbers) - 2 + misses, chance),
    )


def _log_chance(hits: int, tries: int, chance: float) -> float:
    """The logarithm of the chance of at least `hits` in `tries` (binomial)."""
    from scipy.special import bdtrc  # noqa: PLC0415

    if hits <= 0:
        return 0.0
    return math.log(max(float(bdtrc(hits - 1, tries, chance)), 1e-300))


def _sound(chain: _Chain, events: _Events) -> bool:
    """Whether a chain may be a splice: it ticks from end to end, faintly, and alone."""
    hits = len(chain.numbers)
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    most_missed = 0 if level_db > _STRONG_DB else hits * (1.0 / _FAINT_HITS - 1.0)
    alike = np.abs(events.level_db - level_db) < _SAME_LEVEL_DB
    others = int(np.count_nonzero(alike)) - int(np.count_nonzero(alike[members]))
    return (
        hits >= FEWEST_TICKS
        and chain.misses <= most_missed
        and float(np.median(events.peak[members])) < _LOUDEST_PEAK
        and float(np.median(events.over_floor_db[members])) < _LOUDEST_OVER_FLOOR_DB
        and (level_db < _STRONG_DB or others <= hits // 2)
        and _undisturbed(chain, events) >= FEWEST_TICKS
        and not _in_company(chain, events)
    )


def _undisturbed(chain: _Chain, events: _Events) -> int:
    """The most ticks in a row with nothing louder between them: not the tails of what is played."""
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    louder_s = events.sounds_s[events.sounds_db > level_db + _SAME_LEVEL_DB]
    before = np.searchsorted(louder_s, np.sort(events.t_s[members]))
    return int(np.max(np.bincount(before)))


def _in_company(chain: _Chain, events: _Events) -> bool:
    """Whether something nearly as loud comes at one same distance after most of the ticks.

    A splice ticks once a turn; played notes bring their repeats, and are louder than their tails.
    """
    members = np.array(chain.numbers)
    ticks_s = np.sort(events.t_s[members])
    level_db = float(np.median(events.level_db[members]))
    period_s = float(np.min(np.diff(ticks_s)))
    loud = events.sounds_db > max(level_db - _COMPANY_DB, _NOISE_PEAKS_DB)
    loud_s, over_db = events.sounds_s[loud], events.sounds_db[loud] - level_db
    last = np.searchsorted(ticks_s, loud_s) - 1
    away_s = loud_s - ticks_s[np.maximum(last, 0)]
    before_s = ticks_s[np.minimum(last + 1, len(ticks_s) - 1)] - loud_s
    # Where hum was taken out, a tick has ghosts of its own, 6 dB weaker.
    ghost = (np.abs(away_s - _MAINS_S) < _GHOST_S) | (np.abs(before_s - _MAINS_S) < _GHOST_S)
    heard = (away_s > _APART_TICK_S) & (away_s < period_s - _APART_TICK_S) & (last >= 0)
    away_s = np.sort(away_s[heard & ~(ghost & (over_db < _GHOST_DB))])
    window_s = 2.0 * max(_LEAST_WANDER_S, _WANDER * period_s)
    most = np.searchsorted(away_s, away_s + window_s) - np.arange(len(away_s))
    return int(np.max(most, initial=0)) >= max(3, round(_COMPANY * len(members)))


def _measured(events: _Events, chain: _Chain, loop_period_s: float | None) -> Splice:
    members = np.array(chain.numbers)
    turns = np.array(chain.turns, dtype=np.float64)
    t_s = events.t_s[members]
    centred = turns - np.mean(turns)
    spread = float(np.sum(centred**2))
    period_s = float(np.sum(centred * t_s)) / spread
    off = t_s - np.mean(t_s) - period_s * centred
    error_s = math.sqrt(float(np.sum(off**2)) / max(len(off) - 2, 1) / spread)
    is_loop = None if loop_period_s is None else abs(period_s / loop_period_s - 1.0) < _OWN_PERIOD
    return Splice(
        period_s=period_s,
        level_db=float(np.median(events.over_floor_db[members])),
        ticks=len(members),
        error_s=error_s,
        is_loop=is_loop,
    )
