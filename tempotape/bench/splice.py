"""The tick of the splice: a faint click once a turn of the loop, found in the quiet parts.

Clicks that somebody plays may be as faint and as regular. They are told by what tape cannot do:
keep time to some hundredths of a millisecond. Where noise hides that, nothing is reported.
"""

from __future__ import annotations

import bisect
import math
from typing import NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FEWEST_TICKS = 4
_WINDOW_S = 200.0  # a longer recording is searched in parts, to bound the memory
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
_CLOSE_LEVEL_DB = 2.5  # where few ticks are heard, what else is as loud counts more
_WANDER = 0.004  # of the period, from one tick to the next
_LEAST_WANDER_S = 0.003
_CHANCE = 1e-4
_CHANCE_FAINT = 1e-5
_FAINT_HITS = 0.75
_STRONG_HITS = 0.93
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
_COMPANY_DB = 2.0  # a tick fed back comes again, weaker, and is a splice still
# Where nothing is much louder, clicks at the pace of a metronome may be what is played, and what
# comes after them its repeats.
_COMPANY_ALONE_DB = 9.0
_PLAYED_DB = 15.0
_PLAYED_SOUNDS = 4
# No tape is so steady that its splice keeps time to this; a metronome is.
_EVEN_S = 3e-5
_EVEN_CHANCE = 0.05
_SLOWEST_BEAT_S = 2.05  # 30 beats a minute; slower clicks are hardly a metronome's
_MOST_BEATS = 8  # in a bar
_NO_TAPE_NOISE = 1e-5  # rms in a band: a recording of tape has more, digital silence less
_PROFILE_BINS = 6
_PROFILE_PART = 0.02  # of the loudest bin of the mean tick
_OFF_LINE = 4.0  # times the scatter of the ticks that nothing disturbs
_PLACES = 254.0  # steps of a place within a bin
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
    bins: npt.NDArray[np.intp]
    band: npt.NDArray[np.intp]  # the one that it stands out of most
    level_db: Floats
    over_floor_db: Floats
    peak: Floats  # full scale 1.0, above 1.5 kHz
    sounds_s: Floats  # whatever stands out anywhere, in the quiet or not
    sounds_db: Floats


class _Hearing(NamedTuple):
    """The bins of `bin_s` in which a tick would be heard, and how long they last together."""

    bins: Bools
    bin_s: float
    seconds: float


class _Chain(NamedTuple):
    """Events one period apart: `numbers` of the events, `turns` counted from the first."""

    numbers: tuple[int, ...]
    turns: tuple[int, ...]
    misses: int
    log_chance: float


class _Band(NamedTuple):
    """Power in each bin, where in it the power lies, and the noise of the quiet."""

    power: Floats
    places: npt.NDArray[np.int8]  # from the middle of the bin, in 254ths of it
    smooth: Floats
    tenth: float  # the loudest tenth of the noise, smoothed
    floor: float
    variance: float


class _Timed(NamedTuple):
    """The line through the ticks: `rms_s` is their scatter, `noise_s` what noise explains of it."""

    period_s: float
    error_s: float
    rms_s: float
    noise_s: float


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
        # Bytes, which grow in place: an hour of small arrays would be held twice to join them.
        self._sizes = [bytearray() for _ in range(3)]  # half floats
        self._places = [bytearray() for _ in range(3)]  # signed bytes
        self._peaks = bytearray()  # half floats

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
            power = blocks * blocks
            mean = power.mean(axis=1)
            size = _FULL_SCALE * np.sqrt(np.minimum(mean, 3600.0))
            self._sizes[number] += size.astype(np.float16).tobytes()
            across = (np.arange(self._bin) + 0.5) / self._bin - 0.5
            place = power @ across / np.maximum(self._bin * mean, 1e-30)
            self._places[number] += np.rint(_PLACES * place).astype(np.int8).tobytes()
            if number == 1:
                peak = np.abs(blocks).max(axis=1)
                self._peaks += (_FULL_SCALE * np.minimum(peak, 60.0)).astype(np.float16).tobytes()
        return held[count * self._bin :]

    def result(self, loop_period_s: float | None) -> SpliceResult:
        """The tick, where one stands out; `loop_period_s` tells whether it is the loop's own."""
        length = min(len(kept) // 2 for kept in (*self._sizes, self._peaks))
        window = round(_WINDOW_S / self._bin_s)
        looks = [
            self._look(first, min(first + window, length), loop_period_s)
            for first in range(0, max(length, 1), window)
        ]
        found = [look for look in looks if isinstance(look, Splice)]
        if found:
            return SpliceResult(max(found, key=lambda splice: splice.ticks), ())
        # The most telling reason comes last in this order.
        reasons = sorted((look for look in looks if isinstance(look, str)), key=_telling)
        return SpliceResult(None, (f"splice: {reasons[-1]}",))

    def _look(self, first: int, last: int, loop_period_s: float | None) -> Splice | str:
        """The tick found in these bins, or why there is none."""
        powers = [
            (_halves(kept, first, last).astype(np.float64) / _FULL_SCALE) ** 2
            for kept in self._sizes
        ]
        quiet = _quiet(powers[:2])
        if float(np.count_nonzero(quiet)) * self._bin_s < FEWEST_TICKS * PERIODS_S[0]:
            return _NEVER_QUIET
        bands = [
            _band(power, np.frombuffer(kept, np.int8)[first:last], quiet)
            for power, kept in zip(powers, self._places, strict=True)
        ]
        bands.append(_sharp(bands[1], quiet))
        events = _events(bands, _halves(self._peaks, first, last), quiet, self._bin_s)
        chain = _best_chain(events, quiet, self._bin_s)
        if chain is None:
            return _NO_TICK
        return _judged(events, bands, chain, loop_period_s, self._bin_s)


def _halves(kept: bytearray, first: int, last: int) -> npt.NDArray[np.float16]:
    return np.frombuffer(kept, np.float16)[first:last]


_NEVER_QUIET = "nothing is quiet for long enough to hear a tick"
_NO_TICK = "no tick that comes once a turn"


def _telling(why: str) -> int:
    return 0 if why == _NEVER_QUIET else 1 if why == _NO_TICK else 2


def _band(power: Floats, places: npt.NDArray[np.int8], quiet: Bools) -> _Band:
    smooth = np.convolve(power, np.ones(3) / 3.0, mode="same")
    tenth = max(float(np.quantile(smooth[quiet], 0.9)), _SILENCE)
    noise = np.minimum(power[quiet], 2.0 * tenth)
    floor = max(float(np.mean(np.minimum(smooth[quiet], tenth))), _SILENCE)
    return _Band(power, places, smooth, tenth, floor, float(np.var(noise)))


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


def _sharp(high: _Band, quiet: Bools) -> _Band:
    """The upper band unsmoothed, where a tick shorter than 1 ms stands out best."""
    tenth = max(float(np.quantile(high.power[quiet], 0.9)), _SILENCE)
    return high._replace(smooth=high.power, tenth=tenth)


def _events(
    bands: list[_Band], peaks: npt.NDArray[np.float16], quiet: Bools, bin_s: float
) -> _Events:
    """The loudest short sounds, at least 0.15 s apart."""
    over = np.max([band.smooth / band.tenth for band in bands], axis=0)
    sounds = _peaks(over, round(_SOUNDS_APART_S / bin_s))
    sounds = np.sort(sounds[np.argsort(-over[sounds])[:_MOST_SOUNDS]])
    sounds_db = 10.0 * np.log10(over[sounds])
    over[~quiet] = 0.0
    numbers = _peaks(over, round(_APART_S / bin_s))
    most = min(_MOST_EVENTS, _FEWEST_EVENTS + int(_EVENTS_PER_S * np.count_nonzero(quiet) * bin_s))
    numbers = numbers[np.argsort(-over[numbers])[:most]]
    numbers = np.sort(numbers)
    strongest = np.argmax([band.smooth[numbers] / band.tenth for band in bands], axis=0)
    t_s, over_floor, peak = [], [], []
    for number, which in zip(numbers, strongest, strict=True):
        band = bands[which]
        at = _around(number, len(over))
        t_s.append(_centre(band, at, number) * bin_s)
        over_floor.append(float(np.mean(band.power[max(number - 1, 0) : number + 2])) / band.floor)
        peak.append(float(np.max(peaks[at])) / _FULL_SCALE)
    return _Events(
        t_s=np.array(t_s),
        bins=numbers,
        band=strongest,
        level_db=10.0 * np.log10(np.maximum(over[numbers], 1e-6)),
        over_floor_db=10.0 * np.log10(np.maximum(over_floor, 1e-6)),
        peak=np.array(peak),
        sounds_s=(sounds.astype(np.float64) + 0.5) * bin_s,
        sounds_db=sounds_db,
    )


def _around(number: int, length: int) -> npt.NDArray[np.intp]:
    return np.arange(max(0, number - _PROFILE_BINS), min(length, number + _PROFILE_BINS + 1))


def _centre(band: _Band, at: npt.NDArray[np.intp], number: int) -> float:
    """Where the power above the floor lies in the bins `at`, in bins from the first one's start."""
    above = np.maximum(band.power[at] - band.floor, 0.0)
    total = float(np.sum(above))
    if total <= 0.0:
        return number + 0.5
    return float(np.sum((at + band.places[at] / _PLACES) * above)) / total + 0.5


def _peaks(over: Floats, apart: int) -> npt.NDArray[np.intp]:
    """Bins that no other within `apart` exceeds."""
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415

    highest = maximum_filter1d(over, 2 * apart + 1)
    return np.flatnonzero((over == highest) & (over > 1.0))


def _best_chain(events: _Events, quiet: Bools, bin_s: float) -> _Chain | None:
    """The chain of events that chance explains least, or None where chance will do."""
    from scipy.ndimage import minimum_filter1d  # noqa: PLC0415

    best: _Chain | None = None
    best_log, tried = 0.0, 0
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
                if log_chance < best_log and _sound(chain, events):
                    best, best_log = chain, log_chance
    if best is None:
        return None
    faint = float(np.median(events.level_db[list(best.numbers)])) < _STRONG_DB
    most = _CHANCE_FAINT if faint else _CHANCE
    return best if best_log < math.log(most) else None


def _near(louder_s: Floats, length: int, bin_s: float) -> Bools:
    """The bins where something louder hides a tick."""
    change = np.zeros(length + 1, dtype=np.int64)
    for way, off_s in ((1, -_HIDING_S), (-1, _HIDING_S)):
        at = np.clip(((louder_s + off_s) / bin_s).astype(np.int64), 0, length)
        np.add.at(change, at, way)
    return np.asarray(np.cumsum(change[:-1]) > 0)


def _chain(
    alike: list[int], t_s: list[float], start_s: float, period_s: float, hearing: _Hearing
) -> _Chain:
    """Events one period apart, both ways from `start_s` to the ends of the recording.

    A miss counts where a tick would have been heard.
    """
    places = [bisect.bisect_left(t_s, start_s)]
    taken = set(places)
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
    return _Chain(
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


def _sound(chain: _Chain, events: _Events) -> bool:
    """Whether a chain may be a splice: it ticks from end to end, faintly, and alone."""
    hits = len(chain.numbers)
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    if (
        hits < FEWEST_TICKS
        or chain.misses > hits * (1.0 / _FAINT_HITS - 1.0)
        or float(np.median(events.peak[members])) >= _LOUDEST_PEAK
        or float(np.median(events.over_floor_db[members])) >= _LOUDEST_OVER_FLOOR_DB
    ):
        return False
    run = _undisturbed(chain, events)
    run_s = np.sort(events.t_s[members[run]])
    if len(run_s) < FEWEST_TICKS:
        return False
    alone = np.count_nonzero(events.sounds_db > level_db + _PLAYED_DB) < _PLAYED_SOUNDS
    fast = float(np.min(np.diff(run_s))) < _SLOWEST_BEAT_S
    weaker_db = _COMPANY_ALONE_DB if alone and fast else _COMPANY_DB
    least_db = max(level_db - weaker_db, _NOISE_PEAKS_DB)
    if _in_company(run_s, level_db, least_db, events):
        return False
    if level_db < _STRONG_DB:
        return True
    between = (events.t_s >= run_s[0]) & (events.t_s <= run_s[-1])
    as_loud = between & (events.level_db > least_db)
    turns = int(np.ptp(np.array(chain.turns)[run])) + 1
    return int(np.count_nonzero(as_loud)) <= 1.5 * len(run_s) and len(run_s) >= _STRONG_HITS * turns


def _undisturbed(chain: _Chain, events: _Events) -> Bools:
    """Which of the ticks are the most in a row with nothing louder between them.

    In the tails of what is played there is no such row.
    """
    members = np.array(chain.numbers)
    level_db = float(np.median(events.level_db[members]))
    louder_s = events.sounds_s[events.sounds_db > level_db + _SAME_LEVEL_DB]
    before = np.searchsorted(louder_s, events.t_s[members])
    return np.asarray(before == np.argmax(np.bincount(before)))


def _in_company(ticks_s: Floats, level_db: float, least_db: float, events: _Events) -> bool:
    """Whether something above `least_db` comes at one same distance after most of the ticks.

    A splice ticks once a turn; what repeats played notes comes after louder ones.
    """
    period_s = float(np.min(np.diff(ticks_s)))
    loud = events.sounds_db > least_db
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
    return int(np.max(most, initial=0)) >= max(3, round(_COMPANY * len(ticks_s)))


def _judged(
    events: _Events,
    bands: list[_Band],
    chain: _Chain,
    loop_period_s: float | None,
    bin_s: float,
) -> Splice | str:
    """The splice that the chain shows, or why it may as well be clicks that somebody played."""
    chosen = np.array(chain.numbers)
    band = bands[int(np.argmax(np.bincount(events.band[chosen])))]
    in_line = _in_line(chain, events)
    members = chosen[in_line]
    turns = np.array(chain.turns, dtype=np.float64)[in_line]
    timed = _timed(band, events.bins[members], turns, bin_s)
    own = None if loop_period_s is None else abs(timed.period_s / loop_period_s - 1.0) < _OWN_PERIOD
    at_pace = (
        timed.period_s < _SLOWEST_BEAT_S
        or math.sqrt(band.floor) < _NO_TAPE_NOISE
        or _beaten(np.sort(events.t_s[members]), timed.period_s, events)
    )
    if at_pace and not own and _may_be_even(timed, len(members)):
        told = f"clicks come every {timed.period_s:.4f} s"
        if timed.noise_s > _EVEN_S:
            return f"{told}, too faint to tell a turning loop from a metronome"
        return f"{told}, more evenly than tape runs; they seem to be played"
    return Splice(
        period_s=timed.period_s,
        level_db=float(np.median(events.over_floor_db[members])),
        ticks=len(members),
        error_s=timed.error_s,
        is_loop=own,
    )


def _in_line(chain: _Chain, events: _Events) -> Bools:
    """Which ticks keep the pace of those that nothing disturbs, as far as that tells it."""
    run = _undisturbed(chain, events)
    turns = np.array(chain.turns, dtype=np.float64)
    t_s = events.t_s[np.array(chain.numbers)]
    slope_s, start_s = np.polyfit(turns[run], t_s[run], 1)
    off_s = np.abs(t_s - start_s - slope_s * turns)
    wander_s = max(_LEAST_WANDER_S / 3.0, math.sqrt(float(np.mean(off_s[run] ** 2))))
    half = 0.5 * np.ptp(turns[run])
    away = np.abs(turns - np.mean(turns[run])) / half
    return np.asarray(run | (off_s < _OFF_LINE * wander_s * np.maximum(away, 1.0)))


def _beaten(ticks_s: Floats, period_s: float, events: _Events) -> bool:
    """Whether the time between ticks is beaten in 2 to 8 equal parts: a bar and its accents."""
    heard_s = events.sounds_s[events.sounds_db > _NOISE_PEAKS_DB]
    for parts in range(2, _MOST_BEATS + 1):
        due_s = (ticks_s[:-1, None] + period_s / parts * np.arange(1, parts)).ravel()
        near = np.searchsorted(heard_s, due_s - _LEAST_WANDER_S)
        last = np.searchsorted(heard_s, due_s + _LEAST_WANDER_S)
        if np.count_nonzero(last > near) > _COMPANY * len(due_s):
            return True
    return False


def _may_be_even(timed: _Timed, ticks: int) -> bool:
    """Whether noise alone may scatter the ticks as much (chi-squared, one-sided)."""
    from scipy.special import chdtri  # noqa: PLC0415

    most = float(chdtri(ticks - 2, _EVEN_CHANCE)) / (ticks - 2)
    return timed.rms_s**2 < most * (timed.noise_s**2 + _EVEN_S**2)


def _timed(band: _Band, bins: npt.NDArray[np.intp], turns: Floats, bin_s: float) -> _Timed:
    """A line through the ticks, each timed by the bins that the mean tick fills."""
    around = np.arange(-_PROFILE_BINS, _PROFILE_BINS + 1)
    at = np.clip(bins[:, None] + around, 0, len(band.power) - 1)
    above = band.power[at] - band.floor
    mean = above.mean(axis=0)
    used = mean > _PROFILE_PART * mean.max()
    used[1:] |= used[:-1].copy()
    used[:-1] |= used[1:].copy()
    above, at = np.maximum(above[:, used], 0.0), at[:, used]
    total = above.sum(axis=1)
    where = at + band.places[at] / _PLACES
    centre = (where * above).sum(axis=1) / total
    # The power of noise scatters by itself, and with the tick's amplitude.
    variance = band.variance * (1.0 + 2.0 * above / band.floor)
    noise = (((where - centre[:, None]) ** 2 * variance).sum(axis=1)) / total**2
    t_s = centre * bin_s
    centred = turns - np.mean(turns)
    spread = float(np.sum(centred**2))
    period_s = float(np.sum(centred * t_s)) / spread
    off = t_s - np.mean(t_s) - period_s * centred
    noise_s = bin_s * math.sqrt(float(np.mean(noise)))
    # Few ticks may lie on a line by chance: what is expected at least counts as two of them.
    scatter = (float(np.sum(off**2)) + 2.0 * (noise_s**2 + _EVEN_S**2)) / len(off)
    return _Timed(
        period_s,
        math.sqrt(scatter / spread),
        math.sqrt(float(np.sum(off**2)) / (len(off) - 2)),
        noise_s,
    )
