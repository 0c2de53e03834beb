"""The tick of the splice: a click once a turn of the loop, found in the quiet parts.

Clicks that somebody plays may be as regular. They are told by their pace, by how loud they are, by
what else sounds, and by what tape cannot do: keep time to some hundredths of a millisecond. Where
that leaves a doubt, nothing is reported.

One doubt is decided for the splice: faint ticks (peak under 0.06 of full scale and less than 30 dB
over the noise, or under 0.025 and 48 dB) slower than one in 1.45 s are believed though they are
exactly even, since a silent recording of a steady unit gives just that. The price is that a
metronome as faint, at 40 a minute or slower, is taken for a splice. Where noise hides how even the
ticks are, 1.1 s is slow enough. And ticks amid what is played, of which the delay search knows that
no echo follows them, are believed where no hand is as even.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from tempotape.bench.explaining import landed
from tempotape.bench.no_splice import NoSplice, Reason
from tempotape.bench.splice_chain import (
    FEWEST_TICKS,
    MAINS_S,
    PERIODS_S,
    SLOWEST_BEAT_S,
    Chain,
    Events,
    beaten,
    best_chain,
    folded,
    in_line,
    loudness,
    on_a_grid,
    silent,
)
from tempotape.bench.splice_time import (
    PLACES,
    Band,
    Timed,
    Wander,
    centre,
    line_through,
    may_be_even,
    timed,
    wander,
)

if TYPE_CHECKING:
    from tempotape.bench.turning import Ticks

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_WINDOW_S = 200.0  # a longer recording is searched in parts, to bound the memory
# Of the bands: without hum, above it all, and below it all.
_COMBED, _SHARP, _DEEP = 2, 3, 4
_FOLDED_BANDS = (1, _COMBED, _SHARP)
_BAND_HZ = (300.0, 1500.0)
_BIN_S = 0.001
_DEEPEST_HZ = 25.0
_DEEP_BINS = 9
_PROFILE_BINS = 6
_SEGMENT_BINS = 50
_QUIET_OVER_FLOOR = 10 ** (6.0 / 10.0)
_SHORTEST_QUIET_S = 1.0
_TONE = 0.3  # of the scatter of hiss
_BRIDGED_SEGMENTS = 2
_APART_S = 0.15
_EVENTS_PER_S = 4.0
_FEWEST_EVENTS = 40
_MOST_EVENTS = 1500
_OWN_PERIOD = 0.02
_AS_PLAYED_S, _PLAYED_PART = 0.02, 0.5  # from a sound with an echo; of the ticks
_BETWEEN = (0.2, 0.35, 0.5, 0.65, 0.8)  # of a turn
_SOUNDS_APART_S = 0.02
_MOST_SOUNDS = 4000
# A metronome goes at 40 to 208 beats a minute, and what is played peaks near full scale (1.0) and
# far over the hiss. What is this faint on both counts and slower is the splice of a silent loop,
# whether it wavers about a beat or keeps it: a speed that swings moves the ticks to and fro.
_FAINT_PEAK = 0.06
_FAINT_OVER_DB = 30.0
_FAINTER_PEAK = 0.025  # hardly anybody records clicks so low, even with little hiss
_CLEAR_OVER_DB = 48.0
_FAINT_BEAT_S = 1.45
_FAINTEST_BEAT_S = 1.1  # where noise hides how even the ticks are, a slow beat is rare enough
# Loud clicks may be somebody's who times a delay by them, even at a slow pace; heard through tape
# they do not keep time as a machine does, but are seldom this slow.
_LOUD_EVEN_BEAT_S = 4.0
_LOUD_BEAT_S = 2.6
# Digital silence has less noise than this, rms in a band, and far less than the tick.
_NO_TAPE_NOISE = 2e-5  # that of 16 bits, dithered, is 1.5e-5
_NO_TAPE_DB = 25.0
_TELLING_S = 3e-5  # with more noise than this the ticks' timing tells little
_DISTURBED_S = 2e-4  # what rings on between a machine's clicks moves them by no more
# Logarithms of likelihoods: beyond these a machine is surely heard, as it is or through tape.
_SURELY_EVEN = 3.0
_STAYING = 2.2
_STAYING_OFTEN = 0.5  # at a metronome's pace, ticks enough to tell
_MANY_TICKS = 10
# Loud ticks are a splice's where they walk; by this much a tick, for more ticks show it better.
_WALK = 0.1
_LEAST_WALK = 1.2
_NO_WAVES = 0.05
_TOO_LOUD = 2
_BY_HAND_S = 1.5e-3  # no hand is as even; few tapes are less
_ATTACK_S = 1.5e-4  # within which an attack is timed, one standard deviation
_HAND = 5e-4  # of the period; a hand plays less evenly than that
_CYCLES_S = (1.0 / 50.0, 1.0 / 60.0)
_SWELL = 0.5  # of the tick
# Kept as rms at half precision, one part in two thousand, scaled so that the faintest fits.
_FULL_SCALE = 1000.0
_SILENCE = 1e-18  # power


class Splice(msgspec.Struct, frozen=True):
    """A tick every `period_s` (one standard deviation `error_s`), `ticks` of them heard.

    `error_s` is that of the mean turn between the first and the last tick, wow counted.
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


class SpliceFinder:
    """Takes a recording block by block, and looks for the tick of the splice in every 200 s."""

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
        self._wide = self._bin_s * (sample_rate_hz / 2.0 - high)
        self._mains = round(MAINS_S * sample_rate_hz)
        self._held: list[Floats] = [np.zeros(0), np.zeros(0)]
        self._combed: Floats = np.zeros(self._mains)
        self._combed_rest: Floats = np.zeros(0)
        self._deep: Floats = np.zeros(self._mains)
        self._deep_rest: Floats = np.zeros(0)
        # Of what was not looked at yet; bytes grow in place.
        self._sizes = [bytearray() for _ in range(3)]  # half floats
        self._places = [bytearray() for _ in range(3)]  # signed bytes
        self._peaks = bytearray()  # half floats
        self._means = bytearray()  # half floats, signed
        self._looks: list[_Ticks | NoSplice] = []

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
                self._combed, clean = _combed(self._combed, passed, self._mains)
                self._combed_rest = self._binned(2, np.concatenate([self._combed_rest, clean]))
        self._deep, clean = _combed(self._deep, block, self._mains)
        held = np.concatenate([self._deep_rest, clean])
        count = len(held) // self._bin
        means = held[: count * self._bin].reshape(count, self._bin).mean(axis=1)
        self._means += (_FULL_SCALE * np.clip(means, -60.0, 60.0)).astype(np.float16).tobytes()
        self._deep_rest = held[count * self._bin :]
        window = round(_WINDOW_S / self._bin_s)
        while self._length >= window:
            self._looks.append(self._look(window))
            for kept in (*self._sizes, self._peaks, self._means):
                del kept[: 2 * window]
            for kept in self._places:
                del kept[:window]

    @property
    def _length(self) -> int:
        """How many bins are held of every kind."""
        return min(len(kept) // 2 for kept in (*self._sizes, self._peaks, self._means))

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
            self._places[number] += np.rint(PLACES * place).astype(np.int8).tobytes()
            if number == 1:
                peak = np.abs(blocks).max(axis=1)
                self._peaks += (_FULL_SCALE * np.minimum(peak, 60.0)).astype(np.float16).tobytes()
        return held[count * self._bin :]

    def result(self, loop_period_s: float | None, played_s: Sequence[float] = ()) -> SpliceResult:
        """The tick, where one stands out; `loop_period_s` tells whether it is the loop's own.

        Sounds with an echo, and echoes, at `played_s` from the first sample fed, are no ticks.
        """
        rest = [self._look(self._length)] if self._length or not self._looks else []
        window_s, played = round(_WINDOW_S / self._bin_s) * self._bin_s, np.array(played_s)
        looks = [
            look
            if isinstance(look, NoSplice)
            else _judged(look, loop_period_s, played - number * window_s)
            for number, look in enumerate((*self._looks, *rest))
        ]
        found = [look for look in looks if isinstance(look, Splice)]
        if found:
            return SpliceResult(max(found, key=lambda splice: splice.ticks), ())
        # Of alike reasons the last.
        reasons = [look for look in reversed(looks) if isinstance(look, NoSplice)]
        return SpliceResult(None, (max(reasons, key=lambda look: look.telling).sentence,))

    def _look(self, last: int) -> _Ticks | NoSplice:
        """The ticks found in the first bins that are held, or why there are none."""
        powers = [
            (_halves(kept, last).astype(np.float64) / _FULL_SCALE) ** 2 for kept in self._sizes
        ]
        quiet = _quiet(powers[:2])
        if float(np.count_nonzero(quiet)) * self._bin_s < FEWEST_TICKS * PERIODS_S[0]:
            return NoSplice(Reason.NEVER_QUIET)
        if _steady_tone(powers[1][quiet], self._wide):
            return NoSplice(Reason.NEVER_QUIET)
        bands = [
            _band(power, np.frombuffer(kept, np.int8)[:last].copy(), quiet)
            for power, kept in zip(powers, self._places, strict=True)
        ]
        peaks = _halves(self._peaks, last)
        bands.append(_sharp(bands[1], peaks, quiet))
        bands.append(_below(_halves(self._means, last), quiet, self._bin_s))
        events = _events(bands, peaks, quiet, self._bin_s)
        sample_s = self._bin_s / self._bin
        found = best_chain(events, quiet, self._bin_s)
        chain = found.chain or found.played
        if chain is None:
            return self._faintest(bands, events, peaks, quiet)
        heard = _heard(events, bands, chain, self._bin_s, sample_s)
        if found.chain is None:
            return NoSplice(Reason.OTHERS_BETWEEN, heard.timed.period_s)
        return heard

    def _faintest(
        self,
        bands: list[Band],
        events: Events,
        peaks: npt.NDArray[np.float16],
        quiet: Bools,
    ) -> _Ticks | NoSplice:
        """The ticks that no event shows, in a recording of silence."""
        if not silent(events, quiet):
            return NoSplice(Reason.NO_TICK)
        found = [folded(bands[number], number, self._bin_s) for number in _FOLDED_BANDS]
        best = min((fold for fold in found if fold), key=lambda fold: fold.log_chance, default=None)
        if best is None:
            return NoSplice(Reason.NO_TICK)
        strongest = np.full(len(best.bins), best.band)
        ticks = _described(bands, peaks, best.bins, strongest, self._bin_s)
        ticks = ticks._replace(sounds_s=events.sounds_s, sounds_db=events.sounds_db)
        band = bands[best.band]
        timing = timed(band, best.bins, best.turns, self._bin_s, self._bin_s / self._bin)
        is_hum = _is_hum(band, best.bins, self._bin_s)
        return _Ticks(ticks, np.arange(len(best.bins)), timing, 0, band.floor, is_hum)


def _combed(before: Floats, sound: Floats, span: int) -> tuple[Floats, Floats]:
    """What to keep for the next, and each sample less the mean of those `span` before and after it.

    Hum goes; a tick stays whole, with two ghosts of a quarter of its power.
    """
    line = np.concatenate([before, sound])
    count = len(line) - 2 * span
    if count <= 0:
        return line, np.zeros(0)
    return line[count:], line[span : span + count] - 0.5 * (line[:count] + line[2 * span :])


def _halves(kept: bytearray, last: int) -> npt.NDArray[np.float16]:
    return np.frombuffer(kept, np.float16)[:last].copy()


def _band(power: Floats, places: npt.NDArray[np.int8], quiet: Bools, width: int = 3) -> Band:
    smooth = np.convolve(power, np.ones(width) / width, mode="same")
    tenth = max(float(np.quantile(smooth[quiet], 0.9)), _SILENCE)
    noise = np.minimum(power[quiet], 2.0 * tenth)
    floor = max(float(np.mean(np.minimum(smooth[quiet], tenth))), _SILENCE)
    return Band(
        power, places, smooth, tenth, floor, float(np.var(noise)), max(width, _PROFILE_BINS)
    )


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


def _steady_tone(power: Floats, wide: float) -> bool:
    """Whether the power in a bin scatters far less than that of hiss `wide` hertz by a bin would.

    Power of a time-bandwidth product `wide` is chi-squared with twice as many degrees of freedom.
    """
    low, middle, high = np.quantile(power, [0.25, 0.5, 0.75])
    return bool(high - low < _TONE * 1.35 * middle / math.sqrt(max(wide, 1.0)))


def _bridged(marks: Bools, longest: int) -> Bools:
    """`marks` with every unmarked run of up to `longest` filled; runs at the ends as well."""
    filled = marks.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[True], marks, [True]]).astype(np.int8)))
    for first, last in edges.reshape(-1, 2):
        if last - first <= longest:
            filled[first:last] = True
    return filled


def _sharp(high: Band, peaks: npt.NDArray[np.float16], quiet: Bools) -> Band:
    """The largest sample of each bin, by which a tick shorter than 1 ms stands out best."""
    power = (peaks.astype(np.float64) / _FULL_SCALE) ** 2
    tenth = max(float(np.quantile(power[quiet], 0.9)), _SILENCE)
    return high._replace(smooth=power, tenth=tenth)


def _below(means: npt.NDArray[np.float16], quiet: Bools, bin_s: float) -> Band:
    """What is below the other bands, hum taken out: there a thump stands out best."""
    from scipy.signal import butter, sosfiltfilt  # noqa: PLC0415

    sos = butter(2, _DEEPEST_HZ, "highpass", fs=1.0 / bin_s, output="sos")
    sound = sosfiltfilt(sos, means.astype(np.float64) / _FULL_SCALE)
    band = _band(sound * sound, np.zeros(len(sound), np.int8), quiet, _DEEP_BINS)
    return band._replace(sound=sound)


def _events(
    bands: list[Band], peaks: npt.NDArray[np.float16], quiet: Bools, bin_s: float
) -> Events:
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
    sounds_s = (sounds.astype(np.float64) + 0.5) * bin_s
    events = _described(bands, peaks, numbers, strongest, bin_s)
    return events._replace(sounds_s=sounds_s, sounds_db=sounds_db)


def _described(
    bands: list[Band],
    peaks: npt.NDArray[np.float16],
    numbers: npt.NDArray[np.intp],
    strongest: npt.NDArray[np.intp],
    bin_s: float,
) -> Events:
    """The events at the bins `numbers`, each in its `strongest` band, without other sounds."""
    t_s, level, over_floor, peak = [], [], [], []
    combed, deep = bands[_COMBED], bands[_DEEP].sound
    for number, which in zip(numbers, strongest, strict=True):
        band = bands[which]
        at = _around(number, band.reach, len(peaks))
        t_s.append(centre(band, at, number) * bin_s)
        level.append(float(band.smooth[number]) / band.tenth)
        over_floor.append(float(np.mean(band.power[max(number - 1, 0) : number + 2])) / band.floor)
        # Of what is above 1.5 kHz, between 0.3 and 1.5 kHz (a tone's peak), and below.
        middle = math.sqrt(2.0 * float(np.max(combed.power[at])))
        low = 0.0 if deep is None else float(np.max(np.abs(deep[at])))
        peak.append(max(float(np.max(peaks[at])) / _FULL_SCALE, middle, low))
    return Events(
        t_s=np.array(t_s),
        bins=numbers,
        band=strongest,
        level_db=10.0 * np.log10(np.maximum(level, 1e-6)),
        over_floor_db=10.0 * np.log10(np.maximum(over_floor, 1e-6)),
        peak=np.array(peak),
        sounds_s=np.zeros(0),
        sounds_db=np.zeros(0),
    )


def _around(number: int, reach: int, length: int) -> npt.NDArray[np.intp]:
    return np.arange(max(0, number - reach), min(length, number + reach + 1))


def _peaks(over: Floats, apart: int) -> npt.NDArray[np.intp]:
    """Bins that no other within `apart` exceeds."""
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415

    highest = maximum_filter1d(over, 2 * apart + 1)
    return np.flatnonzero((over == highest) & (over > 1.0))


class _Ticks(NamedTuple):
    """Events, which `members` of them are ticks that keep one pace, and how well they keep it.

    How loud they are, 0 to 2; and of their band the power of the noise, and whether it is hum that
    they stand out of.
    """

    events: Events
    members: npt.NDArray[np.intp]
    timed: Timed
    loud: int
    floor: float
    is_hum: bool


def _heard(
    events: Events, bands: list[Band], chain: Chain, bin_s: float, sample_s: float
) -> _Ticks:
    chosen = np.array(chain.numbers)
    band = bands[int(np.argmax(np.bincount(events.band[chosen])))]
    kept = in_line(chain, events)
    members = chosen[kept]
    turns = np.array(chain.turns, dtype=np.float64)[kept]
    timing = timed(band, events.bins[members], turns, bin_s, sample_s)
    is_hum = _is_hum(band, events.bins[members], bin_s)
    return _Ticks(events, members, timing, loudness(chain, events), band.floor, is_hum)


def _judged(heard: _Ticks, loop_period_s: float | None, played_s: Floats) -> Splice | NoSplice:
    """The splice that the ticks show, or why they may as well be clicks that somebody played."""
    timing = heard.timed
    if heard.is_hum:
        return NoSplice(Reason.HUM, timing.period_s)
    at_s = heard.events.t_s[heard.members]
    # Where much is played, some sound is near any moment.
    here, *between = (
        np.mean(landed(at_s + part * timing.period_s, played_s, _AS_PLAYED_S))
        for part in (0.0, *_BETWEEN)
    )
    if here - np.mean(between) > _PLAYED_PART:
        return NoSplice(Reason.ECHOED, timing.period_s)
    own = _is_own(timing.period_s, loop_period_s)
    doubt = None if own else _doubt(heard, other=own is not None)
    if doubt is not None:
        return NoSplice(doubt, timing.period_s)
    return Splice(
        period_s=timing.period_s,
        level_db=float(np.median(heard.events.over_floor_db[heard.members])),
        ticks=len(heard.members),
        error_s=timing.error_s,
        is_loop=own,
    )


def _is_own(period_s: float, loop_period_s: float | None) -> bool | None:
    return None if loop_period_s is None else abs(period_s / loop_period_s - 1.0) < _OWN_PERIOD


def amid_playing(ticks: Ticks, loop_period_s: float | None) -> Splice | None:
    """The splice of ticks among attacks that are known to be no played sounds, nor their echoes.

    None where they may be a beat in the room: as uneven as a hand, or as even as a metronome and
    as often.
    """
    timing = line_through(ticks.t_s, ticks.turns, _ATTACK_S, 0.0)
    own = _is_own(timing.period_s, loop_period_s)
    even = timing.period_s < _FAINT_BEAT_S and may_be_even(timing)
    if not own and (even or timing.rms_s > _BY_HAND_S):
        return None
    return Splice(
        period_s=timing.period_s,
        level_db=10.0 * math.log10(float(np.median(ticks.over))),
        ticks=len(ticks.t_s),
        error_s=timing.error_s,
        is_loop=own,
    )


def _doubt(heard: _Ticks, *, other: bool) -> Reason | None:
    """Why the ticks may be played, not known to be the loop's; None where they hardly are.

    `other` says that the loop's own period is known, and is not theirs.
    """
    events, members, ticks, loud = heard.events, heard.members, heard.timed, heard.loud
    at_s = np.sort(events.t_s[members])
    level_db = float(np.median(events.level_db[members]))
    peak = float(np.median(events.peak[members]))
    clear_db = max(level_db, float(np.median(events.over_floor_db[members])))
    faint = not other and any(
        peak < most and clear_db < most_db
        for most, most_db in ((_FAINT_PEAK, _FAINT_OVER_DB), (_FAINTER_PEAK, _CLEAR_OVER_DB))
    )
    faint_beat_s = _FAINTEST_BEAT_S if ticks.noise_s > _TELLING_S else _FAINT_BEAT_S
    even_beat_s = faint_beat_s if faint else _LOUD_EVEN_BEAT_S if loud else SLOWEST_BEAT_S
    even = may_be_even(ticks)
    at_pace = ticks.period_s < even_beat_s or (
        math.sqrt(heard.floor) < _NO_TAPE_NOISE and clear_db > _NO_TAPE_DB
    )
    in_bar = beaten(at_s, ticks.period_s, events) or (
        (even or ticks.rms_s < _DISTURBED_S) and on_a_grid(at_s, ticks.period_s, level_db, events)
    )
    walked = wander(ticks)
    surely_even = walked.over_even < -_SURELY_EVEN
    if surely_even and (at_pace or loud >= _TOO_LOUD):
        return Reason.TOO_EVEN
    if even and (at_pace or in_bar):
        return Reason.TOO_FAINT if ticks.noise_s > _TELLING_S else Reason.TOO_EVEN
    if in_bar:
        return Reason.STEPS_BETWEEN
    if ((even or surely_even) and loud < _TOO_LOUD) or (faint and ticks.period_s > faint_beat_s):
        return None
    return _wavers(ticks, walked, loud)


def _wavers(ticks: Timed, walked: Wander, loud: int) -> Reason | None:
    """Why uneven ticks may be a machine's, played through tape."""
    often = ticks.period_s < _FAINT_BEAT_S and len(ticks.t_s) >= _MANY_TICKS
    stays = walked.over_scatter < -(_STAYING_OFTEN if often else _STAYING)
    if stays or min(walked.over_waves, walked.over_smooth) < -_STAYING:
        return Reason.ONE_BEAT
    if not loud or (loud < _TOO_LOUD and ticks.period_s > _LOUD_BEAT_S):
        return None
    count = len(ticks.t_s)
    walks = (
        walked.over_scatter > max(_LEAST_WALK, _WALK * count)
        and walked.over_waves > _NO_WAVES * count
    )
    if walks and (loud < _TOO_LOUD or ticks.rms_s < _HAND * ticks.period_s):
        return None
    return Reason.TOO_LOUD_SO_OFTEN if loud < _TOO_LOUD else Reason.TOO_LOUD


def _is_hum(band: Band, bins: npt.NDArray[np.intp], bin_s: float) -> bool:
    """Whether the ticks stand out no more than what comes one, two and three mains cycles before.

    Bins of one length and cycles of another beat; a beat of theirs may come as slowly as a loop.
    """
    before = np.arange(1, round(3.5 * _CYCLES_S[0] / bin_s))
    mean = band.smooth[np.maximum(bins[:, None] - before, 0)].mean(axis=0)
    rest = float(np.median(mean))
    tick = float(np.mean(band.smooth[bins])) - rest
    for cycle_s in _CYCLES_S:
        at = np.rint(np.arange(1, 4) * cycle_s / bin_s).astype(np.intp) - 1
        swell = np.max(mean[at[:, None] + np.arange(-1, 2)], axis=1) - rest
        if float(np.min(swell)) > _SWELL * tick:
            return True
    return False
