"""Loop gain from successive repeats of the attacks in a recording.

The k-th repeat of an attack lies k delays after it. Over all attacks, the transfer from attack to
k-th repeat is found by least squares in each frequency, so that hiss, hum and other repeats
average out; how the transfer's level falls from k to k + 1 is the loop gain of that band.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tempotape.bench.copies import copies_of, template
from tempotape.bench.onsets import Whitened
from tempotape.bench.recording import Samples

OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
OVERALL_HZ = (500.0 / 2**0.5, 2000.0 * 2**0.5)
MOST_REPEATS = 12
MOST_ATTACKS = 48
BEFORE_S, LENGTH_S = 0.004, 0.034
HUM_S = 0.100  # whole periods of 50 and 60 Hz: what was heard then is taken off
CLEAR_S = 0.050  # before a repeat, free of other attacks
LOUD_COMPANY_DB = -10.0
LEAST_OVER_NOISE = 6.0  # in power, of a single frequency
LEAST_STANDING = 2.0  # of a whole band: hiss heard with the attack goes round as well
LEAST_REPEATS = 2
STRAY = 0.012  # of the lag: how far a repeat may lie from where it is expected
TONE_HZ, TONE_WIDTH_HZ, TONE_SHARE = 400.0, 50.0, 0.5  # above hum; as wide as flutter makes it
TONE_OVER = 4.0  # in power, over what is heard before first repeats
MOST_GROUPS = 10
ODD, ODD_PART = 9.0, 0.03  # in energy: of what usual stretches leave, and of the repeat itself
SLOPING = 0.03  # of the difference over a band: later repeats tell more of its stronger side
MOST_MISSING = 1 / 9  # of a band's thirds of octaves: one, of the overall gain's


class Octave(msgspec.Struct, frozen=True):
    """Loop gain in the octave band around `hz`; error is one standard deviation."""

    hz: float
    gain_db: float
    error_db: float


class Repeats(msgspec.Struct, frozen=True):
    """Loop gain a pass, around 500 Hz to 2 kHz; what follows from it is None where none falls."""

    loop_gain_db: float
    error_db: float
    count_to_60_db: float | None
    tail_s: float | None
    octaves: tuple[Octave, ...]
    seen: int  # repeats that stand over the noise


class Place(msgspec.Struct, frozen=True):
    """Where the `repeat`-th repeat of attack number `attack` begins, seconds; 0 is the attack.

    `others` are repeats of other attacks that fall in the same stretch: how many later each is in
    its series; `before` are those, and attacks, that fall in the stretch `HUM_S` earlier.
    """

    attack: int
    repeat: int
    at_s: float
    others: tuple[int, ...] = ()
    before: tuple[int, ...] = ()


def places(
    sound: Whitened, copies: Whitened, at: NDArray[np.int64], lags: Samples
) -> tuple[Place, ...]:
    """Where to look for repeats of the attacks at samples `at`, whose first copies lag by `lags`.

    Places near an attack of another sound are left out.
    """
    rate = sound.rate_hz
    chosen = np.unique(np.linspace(0, len(at) - 1, min(len(at), MOST_ATTACKS)).astype(int))
    found: list[Place] = []
    for number, row in enumerate(chosen):
        begin, lag = int(at[row]), float(lags[row])
        cut = template(sound, begin, None)
        own = [Place(number, 0, begin / rate, (), tuple(_before(at, lags, begin, rate)))]
        step = lag
        where = 0.0
        for repeat in range(1, MOST_REPEATS + 1):
            where += step
            reach = max(4, round(STRAY * lag))
            if begin + where + reach + LENGTH_S * rate >= len(sound):
                break
            seen = copies_of(copies, 0, cut, round(where) - reach, round(where) + reach)
            if len(seen.lag):
                worth = np.abs(seen.coherence) - 0.3 * np.abs(seen.lag - where) / reach
                where = float(seen.lag[np.argmax(worth)])
                step = where / repeat
            near = at - (begin + where)
            near = near[np.arange(len(at)) != row]
            if np.any((near > -CLEAR_S * rate) & (near < LENGTH_S * rate)):
                continue
            here = begin + where
            others = _others(at, lags, row, here, rate) - repeat
            before = _before(at, lags, here, rate) - repeat
            own.append(Place(number, repeat, here / rate, tuple(others), tuple(before)))
        found += own
    return tuple(found)


def _nearest(
    at: NDArray[np.int64], lags: Samples, here: float, rate: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Of each attack the repeat nearest the stretch at `here` (0: itself), and if it falls in."""
    number = np.maximum(np.rint((here + LENGTH_S / 4 * rate - at) / lags), 0).astype(np.int64)
    off = at + number * lags - here
    return number, (off > -LENGTH_S / 2 * rate) & (off < LENGTH_S * rate)


def _others(
    at: NDArray[np.int64], lags: Samples, row: int, here: float, rate: float
) -> NDArray[np.int64]:
    """Which repeats of attacks other than `row` fall in the stretch at `here`."""
    number, near = _nearest(at, lags, here, rate)
    near &= number > 0
    near[row] = False
    return number[near]


def _before(at: NDArray[np.int64], lags: Samples, here: float, rate: float) -> NDArray[np.int64]:
    """Which repeats of attacks, and attacks, fall in the stretch that hum is taken from."""
    number, near = _nearest(at, lags, here - HUM_S * rate, rate)
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

    @property
    def _hum(self) -> int:
        return round(HUM_S * self.rate_hz)

    @property
    def cuts(self) -> Samples:
        """The stretches from `BEFORE_S` before each place on."""
        return self._kept[:, self._hum :].astype(np.float64)

    @property
    def freed(self) -> Samples:
        """The same without hum: less what was heard `HUM_S` earlier."""
        cuts = self.cuts
        return cuts - self._kept[:, : cuts.shape[1]]

    @property
    def humming(self) -> NDArray[np.bool_]:
        """Of each place, whether the quiet before it is mostly what was heard `HUM_S` earlier."""
        quiet = round(0.75 * BEFORE_S * self.rate_hz)
        plain = np.sum(self.cuts[:, :quiet] ** 2, axis=1)
        left = np.sum(self.freed[:, :quiet] ** 2, axis=1)
        return np.asarray(left < 0.5 * plain)

    @property
    def in_tone(self) -> NDArray[np.bool_]:
        """Of each place, whether a tone sounds before it that is not there all the time."""
        half = self._hum // 2
        hz = fft.rfftfreq(half, 1 / self.rate_hz)
        first = np.array([place.repeat == 1 for place in self.wanted])
        tone = np.zeros(len(self.wanted), bool)
        for begin in (0, half):
            part = self._kept[:, begin : begin + half].astype(np.float64)
            power = np.abs(fft.rfft(part * np.hanning(half), axis=1)) ** 2 * (hz > TONE_HZ / 2)
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
        for k, at in self._open[self._next :]:
            if at >= end:
                break
            low, high = max(at, begin), min(at + self.length, end)
            if high > low:
                source = dry if wanted[k].repeat == 0 else wet
                self._kept[k, low - at : high - at] = source[low - begin : high - begin]
        while self._next < len(self._open) and self._open[self._next][1] + self.length <= end:
            self._next += 1


def repeats_of(cutter: Cutter, delay_s: float) -> Repeats | None:
    """Loop gain from the stretches that were kept; None where fewer than two repeats show."""
    clear = ~cutter.in_tone
    told = _told(cutter, cutter.cuts, clear, delay_s)
    humming = cutter.humming[clear].mean() > 0.5 if clear.any() else False
    if humming:
        told = _told(cutter, cutter.freed, clear, delay_s) or told
    if told is None:
        return None
    # Known how fast repeats fall, those in loud company are left out, if enough remain.
    alone = clear & _alone(cutter.wanted, told.loop_gain_db, before=False)
    if humming:
        parted = alone & _alone(cutter.wanted, told.loop_gain_db, before=True)
        # Where hum cannot be told from repeats, as at a delay of `HUM_S`, no figure is better.
        return _told(cutter, cutter.freed, parted, delay_s)
    return _told(cutter, cutter.cuts, alone, delay_s) or told


def _alone(wanted: Sequence[Place], gain_db: float, *, before: bool) -> NDArray[np.bool_]:
    """Where what falls in the same stretch, or in the one that hum is taken from, is weak."""
    company = [place.before if before else place.others for place in wanted]
    power = np.array([np.sum(10 ** (np.array(others) * gain_db / 10)) for others in company])
    return power < 10 ** (LOUD_COMPANY_DB / 10)


def _told(cutter: Cutter, cuts: Samples, rows: NDArray[np.bool_], delay_s: float) -> Repeats | None:
    sample_rate_hz = cutter.rate_hz
    heads = {
        place.attack
        for place, row in zip(cutter.wanted, rows, strict=True)
        if row and place.repeat == 0
    }
    rows = rows & np.array([place.attack in heads for place in cutter.wanted])
    wanted = [place for place, row in zip(cutter.wanted, rows, strict=True) if row]
    if not wanted:
        return None
    hz, spectra = _spectra(cuts[rows], wanted, sample_rate_hz)
    usual = np.flatnonzero(_usual(spectra, wanted))
    spectra, wanted = spectra[usual], [wanted[k] for k in usual]
    heard = _heard(hz, spectra, wanted)
    if len(heard.transfers) < LEAST_REPEATS:
        return None
    attacks = sorted(heads)
    groups = min(len(attacks), MOST_GROUPS)
    less = []
    for group in range(groups):
        without = set(attacks[group::groups])
        kept = [k for k, place in enumerate(wanted) if place.attack not in without]
        less.append(_heard(hz, spectra[kept], [wanted[k] for k in kept]))
    overall = _gain(heard, less, OVERALL_HZ)
    if overall is None:
        return None
    octaves = []
    for centre in OCTAVES_HZ:
        band = (centre / 2**0.5, centre * 2**0.5)
        if band[1] < 0.48 * sample_rate_hz:
            gain = _gain(heard, less, band)
            if gain is not None:
                octaves.append(Octave(centre, gain[0], gain[1]))
    gain_db, error_db, seen = overall
    falls = gain_db < 0
    # 60 dB after 60/|g| passes, as ISO 3382 defines reverberation time.
    return Repeats(
        loop_gain_db=gain_db,
        error_db=error_db,
        count_to_60_db=-60 / gain_db if falls else None,
        tail_s=-60 / gain_db * delay_s if falls else None,
        octaves=tuple(octaves),
        seen=seen,
    )


class Heard(msgspec.Struct, frozen=True):
    """For each repeat (row) the transfer from the attack at `hz`, and its error as power."""

    hz: Samples
    transfers: NDArray[np.complex128]
    errors: Samples


def _spectra(
    cuts: Samples, wanted: Sequence[Place], rate_hz: int
) -> tuple[Samples, NDArray[np.complex128]]:
    """Frequencies, and the spectrum of each stretch as from its place on."""
    length = cuts.shape[1]
    window = np.ones(length)
    ramp = round(0.003 * rate_hz)
    window[:ramp] = np.sin(np.linspace(0, np.pi / 2, ramp)) ** 2
    fall = round(0.010 * rate_hz)
    window[-fall:] = np.cos(np.linspace(0, np.pi / 2, fall)) ** 2
    size = fft.next_fast_len(2 * length, real=True)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    spectra = fft.rfft(cuts * window, size, axis=1)
    for k, place in enumerate(wanted):
        part = (place.at_s - BEFORE_S) * rate_hz % 1
        spectra[k] *= np.exp(2j * np.pi * hz * part / rate_hz)
    return hz, spectra


def _usual(spectra: NDArray[np.complex128], wanted: Sequence[Place]) -> NDArray[np.bool_]:
    """Of each stretch, whether it is like other attacks' repeats of its number.

    The likeness is the median over attacks, which a sound that is no repeat does not move.
    """
    heads = {place.attack: spectra[k] for k, place in enumerate(wanted) if place.repeat == 0}
    usual = np.ones(len(wanted), bool)
    for repeat in range(1, MOST_REPEATS + 1):
        rows = [k for k, place in enumerate(wanted) if place.repeat == repeat]
        if not rows:
            continue
        head = np.array([heads[wanted[k].attack] for k in rows])
        ratio = spectra[rows] * np.conj(head) / (np.abs(head) ** 2 + 1e-30)
        like = (np.median(ratio.real, axis=0) + 1j * np.median(ratio.imag, axis=0)) * head
        left = np.sum(np.abs(spectra[rows] - like) ** 2, axis=1)
        most = np.maximum(ODD * np.median(left), ODD_PART * np.sum(np.abs(like) ** 2, axis=1))
        usual[rows] = left <= most
    return usual


def _heard(hz: Samples, spectra: NDArray[np.complex128], wanted: Sequence[Place]) -> Heard:
    heads = {place.attack: spectra[k] for k, place in enumerate(wanted) if place.repeat == 0}
    transfers, errors = [], []
    for repeat in range(1, MOST_REPEATS + 1):
        rows = [k for k, place in enumerate(wanted) if place.repeat == repeat]
        if len(rows) < 2:
            break
        head = np.array([heads[wanted[k].attack] for k in rows])
        tail = spectra[rows]
        energy = np.sum(np.abs(head) ** 2, axis=0) + 1e-30
        transfer = np.sum(tail * np.conj(head), axis=0) / energy
        left = np.sum(np.abs(tail - transfer * head) ** 2, axis=0) / (len(rows) - 1)
        transfers.append(transfer)
        errors.append(left / energy)
    return Heard(hz, np.array(transfers), np.array(errors))


def _gain(
    heard: Heard, less: Sequence[Heard], band: tuple[float, float]
) -> tuple[float, float, int] | None:
    """Gain a pass in a band, its error (dB), and how many repeats were seen.

    The mean over the thirds of octaves in it, which steep slopes do not tilt as they would the
    energy of the whole; in an octave all of them must be seen. The error is the larger of what the
    fit leaves and of the jackknife (Efron, 1982) over `less`, each without a share of the attacks.
    """
    thirds = round(3 * float(np.log2(band[1] / band[0])))
    edges = band[0] * (band[1] / band[0]) ** (np.arange(thirds + 1) / thirds)
    told = [
        (span, one)
        for span in itertools.pairwise(edges)
        if (one := _decay(heard, span)) is not None
    ]
    if thirds - len(told) > MOST_MISSING * thirds:
        return None
    gains = np.array([one[0] for _, one in told])
    error = np.array([one[1] for _, one in told])
    share = 10 ** (gains / 20) / np.sum(10 ** (gains / 20))
    without = []
    for part in less:
        again = [_decay(part, span, one[2]) for span, one in told]
        seen = [one[0] for one in again if one is not None]
        if len(seen) == len(told):
            without.append(_mean_db(np.array(seen)))
    sloping = SLOPING * float(np.ptp(gains))
    fitted = np.hypot(np.hypot(np.sqrt(np.sum((share * error) ** 2)), sloping), 0.02)
    return (
        _mean_db(gains),
        float(max(fitted, _jackknife(np.array(without)))),
        int(np.median([one[2] for _, one in told])),
    )


def _mean_db(gains_db: Samples) -> float:
    return float(20 * np.log10(np.mean(10 ** (gains_db / 20))))


def _jackknife(without: Samples) -> float:
    """One standard deviation, widened as Student's t is where there are few."""
    count = len(without)
    if count < 2:
        return 0.0
    spread = np.sum((without - without.mean()) ** 2) * (count - 1) / count
    return float(np.sqrt(spread * (count - 1) / max(1, count - 3)))


def _decay(
    heard: Heard, band: tuple[float, float], most: int | None = None
) -> tuple[float, float, int] | None:
    """Gain a pass in a band, its error (dB), and how many repeats were used.

    That is those that stand over the noise, or, told how many do, these without asking.
    """
    hz, errors = heard.hz, heard.errors
    rows = (hz >= band[0]) & (hz <= band[1])
    weight = 1 / hz[rows] / np.sum(1 / hz[rows])  # the same for every third of an octave
    noise = errors[:, rows] @ weight
    power = np.abs(heard.transfers[:, rows]) ** 2 @ weight - noise
    least = noise * max(LEAST_OVER_NOISE / np.sqrt(max(1.0, rows.sum() / 4)), LEAST_STANDING)
    over = power > (least if most is None else 0)
    seen = int(np.argmin(over)) if not over.all() else len(over)
    seen = seen if most is None else min(seen, most)
    if seen < LEAST_REPEATS:
        return None
    # Of a spectrum twice as long as the sound, with soft ends, count one bin in eight as new.
    degrees = max(1.0, rows.sum() / 8)
    level = 10 * np.log10(power[:seen])
    error = np.hypot(4.34 * noise[:seen] / power[:seen] * np.sqrt(2 / degrees), 0.05)
    k = np.arange(seen)
    w = 1 / error**2
    middle = np.sum(w * k) / w.sum()
    spread = np.sum(w * (k - middle) ** 2)
    slope = float(np.sum(w * (k - middle) * level) / spread)
    left = level - np.sum(w * level) / w.sum() - slope * (k - middle)
    scale = max(1.0, float(np.sum(w * left**2)) / max(1, seen - 2))
    return slope, float(np.sqrt(scale / spread)), seen
