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
LEAST_OVER_NOISE = 6.0  # in power
LEAST_REPEATS = 2
STRAY = 0.012  # of the lag: how far a repeat may lie from where it is expected


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
    its series.
    """

    attack: int
    repeat: int
    at_s: float
    others: tuple[int, ...] = ()


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
        own = [Place(number, 0, begin / rate)]
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
            others = _others(at, lags, row, begin + where, rate)
            own.append(Place(number, repeat, (begin + where) / rate, tuple(others - repeat)))
        found += own
    return tuple(found)


def _others(
    at: NDArray[np.int64], lags: Samples, row: int, here: float, rate: float
) -> NDArray[np.int64]:
    """Which repeats of attacks other than `row` fall in the stretch at `here`."""
    number = np.rint((here + LENGTH_S / 4 * rate - at) / lags).astype(int)
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

    @property
    def _hum(self) -> int:
        return round(HUM_S * self.rate_hz)

    @property
    def cuts(self) -> Samples:
        """The stretches from `BEFORE_S` before each place on, without hum."""
        kept = self._kept.astype(np.float64)
        plain = kept[:, self._hum :]
        freed = plain - kept[:, : plain.shape[1]]
        quiet = round(0.75 * BEFORE_S * self.rate_hz)
        if np.sum(freed[:, :quiet] ** 2) < 0.5 * np.sum(plain[:, :quiet] ** 2):
            return freed
        return plain

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
    every = np.ones(len(cutter.wanted), bool)
    told = _told(cutter, every, delay_s)
    if told is None:
        return None
    # Known how fast repeats fall, those in loud company are left out, if enough remain.
    level_db = [
        10 * np.log10(np.sum(10 ** (np.array(place.others) * told.loop_gain_db / 10)) + 1e-9)
        for place in cutter.wanted
    ]
    return _told(cutter, np.array(level_db) < LOUD_COMPANY_DB, delay_s) or told


def _told(cutter: Cutter, rows: NDArray[np.bool_], delay_s: float) -> Repeats | None:
    sample_rate_hz = cutter.rate_hz
    wanted = [place for place, kept in zip(cutter.wanted, rows, strict=True) if kept]
    hz, transfers, errors = _transfers(cutter.cuts[rows], wanted, sample_rate_hz)
    if len(transfers) < LEAST_REPEATS:
        return None
    overall = _gain(hz, transfers, errors, OVERALL_HZ)
    if overall is None:
        return None
    octaves = []
    for centre in OCTAVES_HZ:
        band = (centre / 2**0.5, centre * 2**0.5)
        if band[1] < 0.48 * sample_rate_hz:
            gain = _gain(hz, transfers, errors, band)
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


def _transfers(
    cuts: Samples, wanted: Sequence[Place], rate_hz: int
) -> tuple[Samples, NDArray[np.complex128], Samples]:
    """Frequencies, and for each repeat the transfer from the attack and its error."""
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
    return hz, np.array(transfers), np.array(errors)


def _gain(
    hz: Samples, transfers: NDArray[np.complex128], errors: Samples, band: tuple[float, float]
) -> tuple[float, float, int] | None:
    """Gain a pass in a band, its error (dB), and how many repeats were seen.

    The mean over the thirds of octaves in it, which steep slopes do not tilt as they would the
    energy of the whole; all but one of them must be seen.
    """
    thirds = round(3 * float(np.log2(band[1] / band[0])))
    edges = band[0] * (band[1] / band[0]) ** (np.arange(thirds + 1) / thirds)
    told = [_decay(hz, transfers, errors, (low, high)) for low, high in itertools.pairwise(edges)]
    seen = [one for one in told if one is not None]
    if len(seen) < len(told) - 1:
        return None
    amplitude = np.array([10 ** (gain / 20) for gain, _, _ in seen])
    error = np.array([error for _, error, _ in seen])
    share = amplitude / amplitude.sum()
    return (
        float(20 * np.log10(amplitude.mean())),
        float(np.hypot(np.sqrt(np.sum((share * error) ** 2)), 0.02)),
        int(np.median([count for _, _, count in seen])),
    )


def _decay(
    hz: Samples, transfers: NDArray[np.complex128], errors: Samples, band: tuple[float, float]
) -> tuple[float, float, int] | None:
    """Gain a pass in a band, its error (dB), and how many repeats were used."""
    rows = (hz >= band[0]) & (hz <= band[1])
    weight = 1 / hz[rows] / np.sum(1 / hz[rows])  # the same for every third of an octave
    noise = errors[:, rows] @ weight
    power = np.abs(transfers[:, rows]) ** 2 @ weight - noise
    over = power > LEAST_OVER_NOISE * noise / np.sqrt(max(1.0, rows.sum() / 4))
    seen = int(np.argmin(over)) if not over.all() else len(over)
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
