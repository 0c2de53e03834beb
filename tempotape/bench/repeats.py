"""Loop gain from successive repeats of the attacks in a recording.

The k-th repeat of an attack lies k delays after it. How the level falls from the k-th to the next,
at each frequency, is the gain of one pass round the loop: over the tape, its amplifiers and the
feedback. Of a band the gain told is the mean of that amplitude over it, each part of an octave
counting alike. Means of other kinds differ from it where the gain varies within the band: the
error shown is large enough for those. Where the tape saturates it is the gain of the repeats that
are faint enough not to.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tempotape.bench.copies import Matches, copies_of, template
from tempotape.bench.falling import DB, Cells, Fall, cells_of, fall_of
from tempotape.bench.onsets import Whitened
from tempotape.bench.recording import Samples, SingleSamples
from tempotape.bench.rows import evenly
from tempotape.bench.transfers import Stretches, in_line, powers_of, spectra_of
from tempotape.text import listed

OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
OVERALL_HZ = (500.0 / 2**0.5, 2000.0 * 2**0.5)
WIDER_HZ, MIDDLE_HZ = (250.0 / 2**0.5, 2000.0 * 2**0.5), (900.0, 1100.0)
MOST_REPEATS = 12
MOST_ATTACKS = 48
BEFORE_S, LENGTH_S = 0.004, 0.034
HUM_S = 0.100  # whole periods of 50 and 60 Hz: what was heard then is taken off
CLEAR_S = 0.050  # before a repeat, free of other attacks
LOUD_COMPANY_DB, SLOWEST_DB = -10.0, -0.2
LEAST_REPEATS = 2
STRAY = 0.012  # of the lag: how far a repeat may lie from where it is expected
LEAST_STRAY, STRAYING = 4, 4.0  # in samples, and of what the lag changes by between attacks
SURE_COPY, NEARLY = 0.8, 0.85  # coherence, and in parts of the highest
TONE_HZ, TONE_WIDTH_HZ, TONE_SHARE = 400.0, 50.0, 0.5  # above hum; as wide as flutter makes it
TONE_OVER = 4.0  # in power, over what is heard before first repeats
MOST_GROUPS = 10
BETWEEN = 3  # repeats before which the quiet is listened to
UNEVEN_DB = 1.0  # a pass, from the usual
STANDING = 5.0  # standard deviations of noise
MOST_ERROR_DB, LEAST_ERROR_DB = 0.5, 0.01
MOST_INSIDE_DB, MOST_OUTSIDE_DB = 0.2, 0.7  # of an octave from 250 Hz to 2 kHz, and of another
INSIDE_HZ = (200.0, 2500.0)
SURELY = 2.0  # standard deviations over 0 dB: an octave that feeds itself
TOP = 0.98  # of the highest frequency: no octave reaches beyond
CLIPPED, LEAST_CLIPPED = 0.9985, 3  # of the largest sample, and how often it is reached
ROWS, MOST_LISTENED = 16, 100
MAINS_S = tuple(1 / hz / (1 + off * 1e-3) for hz in (50.0, 60.0) for off in range(-2, 3))
MAINS_STEPS = (5e-4, 2.5e-4, 1e-4)
TOO_FEW = "fewer than two repeats of an attack stand over the noise"


class Octave(msgspec.Struct, frozen=True):
    """Loop gain in the octave band around `hz`.

    `error_db` is the root of the sum of two squares: one standard deviation of the gain told, which
    is `own_error_db`; and `kinds_db`, how far a mean of powers over equal steps of frequency is
    from it. The latter is no doubt about the gain: nothing is decided by it.
    """

    hz: float
    gain_db: float
    error_db: float
    kinds_db: float = 0.0

    @property
    def own_error_db(self) -> float:
        """One standard deviation of the gain told."""
        return math.sqrt(max(self.error_db**2 - self.kinds_db**2, 0.0))


class Repeats(msgspec.Struct, frozen=True):
    """Loop gain a pass, around 500 Hz to 2 kHz; what follows from it is None where none falls.

    `error_db` is the root of the sum of two squares: one standard deviation of the gain told; and
    how far means of other kinds are from it, the root mean square of three: a mean of powers, the
    mean from 250 Hz on and the gain at 1 kHz. Whether a gain is told is decided by the former.
    """

    loop_gain_db: float
    error_db: float
    count_to_60_db: float | None
    tail_s: float | None
    octaves: tuple[Octave, ...]
    seen: int  # repeats that stand over the noise


class Place(msgspec.Struct, frozen=True):
    """Where the `repeat`-th repeat of attack number `attack` begins, seconds; 0 is the attack.

    A place `between` is half a delay before it. `others` are repeats of other attacks that fall in
    the same stretch: how many later each is in its series.
    """

    attack: int
    repeat: int
    at_s: float
    others: tuple[int, ...] = ()
    between: bool = False


class RepeatsResult(msgspec.Struct, frozen=True):
    """`repeats` or, in `missing`, why all or an octave of them are not told; and their `growth`."""

    repeats: Repeats | None
    missing: tuple[str, ...]
    growth: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """All that is told of them, in sentences."""
        return (*self.missing, *self.growth)


def places(
    sound: Whitened, copies: Whitened, at: NDArray[np.int64], lags: Samples
) -> tuple[Place, ...]:
    """Where to look for repeats of the attacks at samples `at`, whose first copies lag by `lags`.

    Places near an attack of another sound are left out.
    """
    rate = sound.rate_hz
    chosen = evenly(np.arange(len(at)), MOST_ATTACKS)
    scatter = float(np.median(np.abs(np.diff(lags)))) if len(lags) > 1 else 0.0
    found: list[Place] = []
    for number, row in enumerate(chosen):
        begin, lag = int(at[row]), float(lags[row])
        cut = template(sound, begin, None)
        own = [Place(number, 0, begin / rate)]
        reach = max(LEAST_STRAY, round(STRAY * lag))
        step, where = lag, 0.0
        signs = (0.0, 0.0)  # of the last two repeats; 0: not known
        for repeat in range(1, MOST_REPEATS + 1):
            where += step
            if begin + where + reach + LENGTH_S * rate >= len(sound):
                break
            seen = copies_of(copies, 0, cut, round(where) - reach, round(where) + reach)
            # A loop that turns its polarity over does so in every pass.
            turned = signs[1] * signs[0] * signs[1]
            here, sign = _nearest(seen, where, max(LEAST_STRAY, STRAYING * scatter), turned)
            where = lag if repeat == 1 else here
            signs = (signs[1], sign)
            step = where / repeat
            for here in (begin + where, begin + where - lag / 2)[: 2 if repeat <= BETWEEN else 1]:
                near = np.delete(at, row) - here
                if not np.any((near > -CLEAR_S * rate) & (near < LENGTH_S * rate)):
                    others = tuple(_others(at, lags, row, here, rate) - repeat)
                    between = here < begin + where
                    own.append(Place(number, repeat, here / rate, others, between))
        found += own
    return tuple(found)


def _nearest(seen: Matches, where: float, usual: float, sign: float) -> tuple[float, float]:
    """Where the repeat expected at lag `where` is, of the likest copies the nearest; and its sign.

    It has to have the `sign` given, if that is not 0. What rings is nearly as like itself a turn
    early or late, so that a copy further away than `usual` has to be sure, and likelier by far.
    """
    away = np.abs(seen.lag - where)
    like = seen.like(sign)
    near, far = (away <= usual) & (like > 0), like > SURE_COPY
    highest = [float(like[rows].max(initial=0.0)) for rows in (near, far)]
    trusted = near if highest[0] > highest[1] / 2 else far
    if not trusted.any():
        return where, sign
    likest = trusted & (like >= (NEARLY if sign else 1.0) * like[trusted].max())
    row = np.flatnonzero(likest)[np.argmin(away[likest])]
    return float(seen.lag[row]), float(np.sign(seen.coherence[row]))


def _others(
    at: NDArray[np.int64], lags: Samples, row: int, here: float, rate: float
) -> NDArray[np.int64]:
    """Which repeats of attacks other than `row` fall in the stretch at `here`."""
    number = np.maximum(np.rint((here + LENGTH_S / 4 * rate - at) / lags), 0).astype(np.int64)
    off = at + number * lags - here
    near = (off > -LENGTH_S / 2 * rate) & (off < LENGTH_S * rate) & (number > 0)
    near[row] = False
    return number[near]


class Cutter:
    """Takes a recording block by block and keeps the stretches around some places.

    Stretches begin `BEFORE_S + HUM_S` before the place, at a whole sample. Of an attack itself the
    dry side is kept, of repeats the wet side.
    """

    def __init__(self, wanted: tuple[Place, ...], sample_rate_hz: int) -> None:
        self.wanted = wanted
        self.rate_hz = sample_rate_hz
        self.length = round((HUM_S + BEFORE_S + LENGTH_S) * sample_rate_hz)
        order = sorted(range(len(wanted)), key=lambda k: wanted[k].at_s)
        self._open = [
            (k, int(np.floor((wanted[k].at_s - BEFORE_S) * sample_rate_hz)) - self._hum)
            for k in order
        ]
        self._kept = np.zeros((len(wanted), self.length), np.float32)
        self._next = 0
        self._seen = 0
        self._peak = 0.0

    @property
    def _hum(self) -> int:
        return round(HUM_S * self.rate_hz)

    @property
    def cuts(self) -> SingleSamples:
        """The stretches from `BEFORE_S` before each place on."""
        return self._kept[:, self._hum :]

    @property
    def freed(self) -> SingleSamples:
        """The same without hum: less what was heard some of its periods earlier.

        Of these the median is taken, which a repeat that was heard in one of them does not move.
        """
        if not self.untouched.any():
            return self.cuts
        out = self.cuts.copy()
        for begin in range(0, len(out), ROWS):  # all at once would take much memory
            rows = self._kept[begin : begin + ROWS]
            out[begin : begin + ROWS] -= self._hum_in(rows, self._mains_s, out.shape[1])
        return out

    @functools.cached_property
    def _mains_s(self) -> float:
        """The period of the hum: what taking it off leaves least of the quiet before places."""
        rows = self._kept[evenly(np.flatnonzero(self.untouched), MOST_LISTENED)]
        quiet = rows[:, self._hum : self._hum + self._quiet]

        def left(period_s: float) -> float:
            off = quiet - self._hum_in(rows, period_s, self._quiet)
            return float(np.median(np.sum(off**2, axis=1)))

        period_s = min(MAINS_S, key=left)
        for step in MAINS_STEPS:
            period_s = min((period_s * (1 + off * step) for off in (-1, 0, 1)), key=left)
        return period_s

    def _hum_in(self, rows: SingleSamples, period_s: float, length: int) -> SingleSamples:
        """What was heard whole periods before each place, the median."""
        earlier = []
        for number in range(1, int(HUM_S / period_s + 0.5) + 1):
            at = min(number * period_s * self.rate_hz, self._hum - 1.0)
            first, part = self._hum - int(at), at % 1
            one, before = (rows[:, k : k + length] for k in (first, first - 1))
            earlier.append((1 - part) * one + part * before)
        # As numpy.median, in half its time.
        order = np.sort(np.stack(earlier), axis=0)
        return np.asarray((order[(len(order) - 1) // 2] + order[len(order) // 2]) / 2)

    @property
    def _quiet(self) -> int:
        return round(0.75 * BEFORE_S * self.rate_hz)

    @property
    def humming(self) -> bool:
        """Whether the quiet before most places is mostly what was heard before that."""
        rows = self._kept[self.untouched]
        if not len(rows):
            return False
        plain = rows[:, self._hum : self._hum + self._quiet]
        left = plain - self._hum_in(rows, self._mains_s, self._quiet)
        quieter = np.sum(left**2, axis=1) < 0.5 * np.sum(plain**2, axis=1)
        return bool(np.count_nonzero(quieter) > len(rows) / 2)

    @property
    def clipped(self) -> NDArray[np.bool_]:
        """Of each place, whether a repeat there reaches the largest sample again and again."""
        high = np.abs(self._kept[:, self._hum :]) >= CLIPPED * self._peak
        repeat = np.array([place.repeat > 0 for place in self.wanted])
        return np.asarray(repeat & (np.count_nonzero(high, axis=1) >= LEAST_CLIPPED))

    def kept(self, rows: NDArray[np.bool_]) -> Samples:
        """The stretches from `HUM_S + BEFORE_S` before some places on."""
        return self._kept[rows].astype(np.float64)

    @property
    def untouched(self) -> NDArray[np.bool_]:
        """Of each place, whether it is whole, not clipped and not within a tone."""
        late = np.array([place.at_s >= BEFORE_S + HUM_S for place in self.wanted])
        return np.asarray(late & ~self.clipped & ~self.in_tone)

    @functools.cached_property
    def in_tone(self) -> NDArray[np.bool_]:
        """Of each place, whether a tone sounds before it that is not there all the time."""
        half = self._hum // 2
        hz = fft.rfftfreq(half, 1 / self.rate_hz)
        first = np.array([place.repeat == 1 for place in self.wanted])
        tone = np.zeros(len(self.wanted), bool)
        window = np.hanning(half).astype(np.float32)  # wider numbers would take much memory
        for begin in (0, half):
            spectra = fft.rfft(self._kept[:, begin : begin + half] * window, axis=1)
            power = np.abs(spectra) ** 2 * (hz > TONE_HZ / 2)
            whole = np.sum(power, axis=1)
            peak = hz[np.argmax(power * (hz > TONE_HZ), axis=1)]
            near = np.abs(hz - peak[:, None]) < TONE_WIDTH_HZ
            usual = np.median(whole[first]) if first.any() else 0.0
            share = np.sum(power * near, axis=1)
            tone |= (share > TONE_SHARE * whole) & (whole > TONE_OVER * usual)
        return tone

    def feed(self, dry: Samples, wet: Samples) -> None:
        """One block of each side."""
        wanted = self.wanted
        begin, end = self._seen, self._seen + len(dry)
        self._seen = end
        self._peak = max(self._peak, float(np.abs(wet).max(initial=0.0)))
        for k, at in self._open[self._next :]:
            if at >= end:
                break
            low, high = max(at, begin), min(at + self.length, end)
            if high > low:
                source = dry if wanted[k].repeat == 0 else wet
                self._kept[k, low - at : high - at] = source[low - begin : high - begin]
        while self._next < len(self._open) and self._open[self._next][1] + self.length <= end:
            self._next += 1


def repeats_told(cutter: Cutter, delay_s: float) -> RepeatsResult:
    """Loop gain from the stretches that were kept, or why they show none."""
    clear = ~cutter.in_tone & ~cutter.clipped
    humming = cutter.humming
    if humming:
        clear &= cutter.untouched
    found = _stretches(cutter, cutter.freed if humming else cutter.cuts)
    # Not knowing how fast repeats fall, only such as are in weaker company are taken; knowing it,
    # all that are in weak company.
    first = clear & np.array([min(place.others, default=1) > 0 for place in cutter.wanted])
    told = _told(found.only(first), delay_s)
    if told.repeats is None:
        return told
    alone = clear & _alone(cutter.wanted, min(told.repeats.loop_gain_db, SLOWEST_DB))
    again = _told(found.only(alone), delay_s)
    return told if again.repeats is None else again


def _alone(wanted: Sequence[Place], gain_db: float) -> NDArray[np.bool_]:
    """Where what falls in the same stretch is weak."""
    power = np.array([np.sum(10 ** (np.array(place.others) * gain_db / 10)) for place in wanted])
    return power < 10 ** (LOUD_COMPANY_DB / 10)


def _stretches(cutter: Cutter, cuts: SingleSamples) -> Stretches:
    wanted, rate_hz = cutter.wanted, cutter.rate_hz
    at = np.array([(place.at_s - BEFORE_S) * rate_hz for place in wanted])
    hz, spectra, rounding = spectra_of(cuts, at % 1 / rate_hz, rate_hz)
    return Stretches(
        hz,
        spectra,
        np.array([place.attack for place in wanted]),
        np.array([place.repeat for place in wanted]),
        np.array([place.between for place in wanted]),
        rounding,
    )


def _told(found: Stretches, delay_s: float) -> RepeatsResult:
    if not len(found.attack):
        return _refused(TOO_FEW)
    found = in_line(found)
    powers = powers_of(found)
    if powers is None:
        return _refused(TOO_FEW)
    cells = cells_of(powers)
    over = _standing(cells)
    if np.count_nonzero(over) < LEAST_REPEATS:
        return _refused(TOO_FEW)
    cells = msgspec.structs.replace(cells, heard=over)
    fall = fall_of(cells)
    less = _without_some(found, over, fall)
    gain_db, error_db = _gain(fall, less, OVERALL_HZ)
    if error_db > MOST_ERROR_DB:
        return _refused(f"it would be {gain_db:.1f} dB, but only within {error_db:.1f} dB")
    shown = [
        _in_octave(centre, fall, less)
        for centre, band in zip(OCTAVES_HZ, map(_octave, OCTAVES_HZ), strict=True)
        if band[1] < found.hz[-1] * TOP and all(_shown(cells, third) for third in _thirds(band))
    ]
    octaves = [octave for octave in shown if octave.own_error_db <= _most_error_db(octave.hz)]
    unsure = [octave for octave in shown if octave not in octaves]
    growing = [one for one in shown if one.gain_db > SURELY * one.own_error_db]
    falls = gain_db < 0 and not growing
    others = [fall.power_mean(OVERALL_HZ), fall.mean(WIDER_HZ)[0], fall.mean(MIDDLE_HZ)[0]]
    kinds_db = float(np.sqrt(np.mean(np.square(np.array(others) - gain_db))))
    # 60 dB after 60/|g| passes, as ISO 3382 defines reverberation time.
    repeats = Repeats(
        loop_gain_db=gain_db,
        error_db=math.hypot(error_db, kinds_db),
        count_to_60_db=-60 / gain_db if falls else None,
        tail_s=-60 / gain_db * delay_s if falls else None,
        octaves=tuple(octaves),
        seen=int(np.count_nonzero(over)),
    )
    return RepeatsResult(repeats, _about_unsure(unsure), () if falls else (_GROWS,))


def _octave(centre_hz: float) -> tuple[float, float]:
    return (centre_hz / 2**0.5, centre_hz * 2**0.5)


def _in_octave(centre_hz: float, fall: Fall, less: Sequence[Fall]) -> Octave:
    band = _octave(centre_hz)
    gain_db, error_db = _gain(fall, less, band)
    kinds_db = abs(fall.power_mean(band) - gain_db)
    return Octave(centre_hz, gain_db, math.hypot(error_db, kinds_db), kinds_db)


def _most_error_db(centre_hz: float) -> float:
    return MOST_INSIDE_DB if INSIDE_HZ[0] < centre_hz < INSIDE_HZ[1] else MOST_OUTSIDE_DB


def _about_unsure(octaves: Sequence[Octave]) -> tuple[str, ...]:
    if not octaves:
        return ()
    told = listed(f"{one.hz:g} Hz (only within {one.own_error_db:.2f} dB)" for one in octaves)
    return (f"no loop gain in the octave around {told}",)


_GROWS = "the repeats grow: the echo feeds itself, so there is no count and no time to 60 dB down"


def _refused(why: str) -> RepeatsResult:
    return RepeatsResult(None, (f"no loop gain: {why}",))


def _standing(cells: Cells) -> NDArray[np.bool_]:
    """The repeats heard before the first that does not stand over noise and strange sound."""
    floor = cells.noise + cells.strange
    share = cells.bins / (floor[:1] + 1e-12)
    # What noise alone sums to strays by the root of its squares.
    over = np.sum((cells.power - cells.noise) * share, axis=1)
    stray = np.sqrt(np.sum((floor * share) ** 2 / cells.bins, axis=1))
    weak = cells.heard & (over < STANDING * stray)
    first = int(np.argmax(weak)) if weak.any() else len(weak)
    standing = np.flatnonzero(cells.heard & (np.arange(len(weak)) < first))
    middle = share * ((cells.hz > OVERALL_HZ[0]) & (cells.hz < OVERALL_HZ[1]))
    level = np.sum((cells.power - cells.noise) * middle, axis=1)[standing]
    stray = np.sqrt(np.sum((floor * middle) ** 2 / cells.bins, axis=1))[standing]
    level = np.maximum(level, stray)
    even = _evenly_falling(standing, DB * np.log(level), DB * stray / level)
    return np.asarray(np.isin(np.arange(len(weak)), standing[:even]))


def _thirds(band: tuple[float, float]) -> list[tuple[float, float]]:
    edges = np.geomspace(*band, 4).tolist()
    return list(itertools.pairwise(edges))


def _shown(cells: Cells, band: tuple[float, float]) -> bool:
    """Whether the first two repeats stand over noise and strange sound in a band itself."""
    inside = (cells.hz > band[0]) & (cells.hz < band[1])
    noise, strange = cells.noise[:, inside], cells.strange[:, inside]
    share = 1 / (noise + strange + 1e-12)
    level = np.sum((cells.power[:, inside] - noise) * share, axis=1)
    stray = np.sqrt(np.sum((noise * share) ** 2 / cells.bins[inside], axis=1))
    clear = level > STANDING * stray + STANDING * np.sum(strange * share, axis=1)
    return bool(np.all(clear[np.flatnonzero(cells.heard)[:2]]))


def _evenly_falling(number: NDArray[np.int64], level_db: Samples, unsure_db: Samples) -> int:
    """How many repeats there are before one that is louder or fainter than the fall lets expect.

    There another sound comes in, or the repeats are lost.
    """
    steps_db = np.diff(level_db) / np.diff(number)
    for k in range(2, len(steps_db)):
        usual_db = float(np.median(steps_db[:k]))
        unsure = np.hypot(unsure_db[k], unsure_db[k + 1])
        if abs(steps_db[k] - usual_db) > UNEVEN_DB + 3 * unsure:
            return k + 1
    return len(number)


def _without_some(found: Stretches, over: NDArray[np.bool_], fall: Fall) -> list[Fall]:
    """The fall again and again without a share of the attacks."""
    attacks = np.unique(found.attack)
    groups = min(len(attacks), MOST_GROUPS)
    less = []
    for group in range(groups):
        kept = np.delete(attacks, np.s_[group::groups])
        powers = powers_of(found, kept.tolist())
        if powers is None:
            continue
        cells = cells_of(powers)
        heard = cells.heard & over[: len(cells.heard)]
        if np.count_nonzero(heard) >= LEAST_REPEATS:
            less.append(fall_of(msgspec.structs.replace(cells, heard=heard), fall))
    return less


def _gain(fall: Fall, less: Sequence[Fall], band: tuple[float, float]) -> tuple[float, float]:
    """Gain a pass in a band and one standard deviation of it (dB).

    That is the larger of what the fit leaves and of the jackknife (Efron, 1982) over `less`, each
    without a share of the attacks.
    """
    gain_db, fitted = fall.mean(band)
    without = np.array([one.mean(band)[0] for one in less])
    return gain_db, math.hypot(max(fitted, _jackknife(without)), LEAST_ERROR_DB)


def _jackknife(without: Samples) -> float:
    """One standard deviation, widened as Student's t is where there are few."""
    count = len(without)
    if count < 2:
        return 0.0
    spread = np.sum((without - without.mean()) ** 2) * (count - 1) / count
    return float(np.sqrt(spread * (count - 1) / max(1, count - 3)))
