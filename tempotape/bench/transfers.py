"""From attack to repeat: the transfer by frequency, over all attacks by least squares.

Hiss, hum and sound that is no repeat of the attack average out. Repeats of one attack that came a
little early or late, or were lost in a dropout of the tape, are put right or left out first.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from tempotape.bench.falling import HIGHEST_HZ, LOWEST_HZ, Powers
from tempotape.bench.recording import Samples, SingleSamples

Spectra = NDArray[np.complex128]
Numbers = NDArray[np.int64]

RISE_S, FADE_S = 0.003, 0.010
ODD, ODD_PART = 9.0, 0.03  # in energy: of what usual stretches leave, and of the repeat itself
SHIFT_S, SHIFTS = 0.00025, 21
SURE = 30.0  # in power over noise, of a repeat that can be timed
VERY_SURE = 1000.0  # of one that can be weighed
ODD_LEVEL, ODD_LEVEL_ERRORS = 0.1, 4.0  # in log amplitude: of a repeat lost in a dropout
ROUNDS = 2
SMOOTH_BINS = 5
STRANGE_BINS, STRAYING = 9, 1.0  # over so many, noise strays by half of itself
STEP = 2.0**-15
LEAST_ATTACKS = 2


class Stretches(msgspec.Struct, frozen=True):
    """Spectra, one a row, of the `repeat`-th repeat (0: the attack itself) of an `attack`.

    Rows `between` lie half a delay before that repeat, where none of the attack's is. `rounding` is
    the power of a stretch of what a file of sixteen bits leaves of silence.
    """

    hz: Samples
    spectra: Spectra
    attack: Numbers
    repeat: Numbers
    between: NDArray[np.bool_]
    rounding: float

    def only(self, rows: NDArray[np.bool_]) -> Stretches:
        """Some of the rows, less those of attacks that are not among them."""
        heads = self.attack[rows & (self.repeat == 0)]
        rows = rows & np.isin(self.attack, heads)
        return msgspec.structs.replace(
            self,
            spectra=self.spectra[rows],
            attack=self.attack[rows],
            repeat=self.repeat[rows],
            between=self.between[rows],
        )

    @property
    def last(self) -> int:
        return int(self.repeat[~self.between].max(initial=0))

    def heads_of(self, rows: Numbers) -> Spectra:
        """The spectra of the attacks that these rows are of."""
        first = np.flatnonzero(self.repeat == 0)
        order = first[np.argsort(self.attack[first])]
        number = np.searchsorted(self.attack[order], self.attack[rows])
        return np.asarray(self.spectra[order[number]])

    def rows(self, repeat: int, *, between: bool = False) -> Numbers:
        return np.flatnonzero((self.repeat == repeat) & (self.between == between))


def spectra_of(
    cuts: SingleSamples, early_s: Samples, rate_hz: int
) -> tuple[Samples, Spectra, float]:
    """Frequencies, and the spectrum of each stretch, which begins `early_s` too early.

    And the power there of rounding to sixteen bits, which the same sound brings again and again.
    """
    length = cuts.shape[1]
    window = np.ones(length)
    rise, fade = round(RISE_S * rate_hz), round(FADE_S * rate_hz)
    window[:rise] = np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
    window[-fade:] = np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    size = fft.next_fast_len(2 * length, real=True)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    used = (hz > LOWEST_HZ / 2) & (hz < min(HIGHEST_HZ, 0.47 * rate_hz))
    spectra = np.empty((len(cuts), int(used.sum())), np.complex128)
    for row, cut in enumerate(cuts):  # all at once would take much memory
        turn = np.exp(2j * np.pi * early_s[row] * hz[used])
        spectra[row] = fft.rfft(cut * window, size)[used] * turn
    rounding = float(np.sum(window**2)) * STEP**2 / 12
    return hz[used], spectra, rounding


def in_line(found: Stretches) -> Stretches:
    """The same with repeats moved to where the others are, attacks made as loud as their repeats.

    Repeats unlike those of other attacks are left out, and what follows one that was lost.
    """
    found = found.only(_usual(found))  # spectra of its own, to be changed in place
    for _ in range(ROUNDS):
        _move(found)
        found = found.only(_weigh(found))
    return found


def _usual(found: Stretches) -> NDArray[np.bool_]:
    """Of each row, whether it is like other attacks' repeats of its number.

    The likeness is the median over attacks, which a sound that is no repeat does not move.
    """
    usual = np.ones(len(found.attack), bool)
    for repeat in range(1, found.last + 1):
        rows = found.rows(repeat)
        if not len(rows):
            continue
        heads, tails = found.heads_of(rows), found.spectra[rows]
        ratio = tails * np.conj(heads) / (np.abs(heads) ** 2 + 1e-30)
        like = np.median(ratio.real, axis=0) + 1j * np.median(ratio.imag, axis=0)
        like = like * heads
        left = np.sum(np.abs(tails - like) ** 2, axis=1)
        most = np.maximum(ODD * np.median(left), ODD_PART * np.sum(np.abs(like) ** 2, axis=1))
        usual[rows] = left <= most
    return usual


def _match(found: Stretches, rows: Numbers, shifts_s: Samples) -> tuple[Samples, Samples]:
    """How well each row is the usual repeat at each shift, and what a perfect match gives."""
    heads = found.heads_of(rows)
    tails = found.spectra[rows]
    transfer, noise = _transfer(heads, tails)
    share = 1 / (_smooth(noise) + 1e-30)
    like = transfer * heads
    product = share * np.conj(like) * tails
    angle = 2 * np.pi * np.outer(found.hz, shifts_s)
    match = product.real @ np.cos(angle) - product.imag @ np.sin(angle)
    return match, np.sum(share * np.abs(like) ** 2, axis=1) + 1e-12


def _smooth(power: Samples, bins: int = SMOOTH_BINS) -> Samples:
    """Mean of a power over the frequencies around each."""
    return np.asarray(ndimage.uniform_filter1d(power, bins, mode="nearest"))


def _transfer(heads: Spectra, tails: Spectra) -> tuple[Spectra, Samples]:
    """From heads to tails, and the power of what is left of a tail."""
    energy = np.sum(np.abs(heads) ** 2, axis=0) + 1e-30
    transfer = np.sum(tails * np.conj(heads), axis=0) / energy
    left = np.sum(np.abs(tails - transfer * heads) ** 2, axis=0) / max(1, len(heads) - 1)
    return transfer, left


def _move(found: Stretches) -> None:
    """Move repeats to where the others of their number are."""
    shifts_s = np.linspace(-SHIFT_S, SHIFT_S, SHIFTS)
    for repeat in range(1, found.last + 1):
        rows = found.rows(repeat)
        if len(rows) < 3:
            continue
        match, whole = _match(found, rows, shifts_s)
        top = np.clip(np.argmax(match, axis=1), 1, SHIFTS - 2)
        one = np.arange(len(rows))
        left, here, right = match[one, top - 1], match[one, top], match[one, top + 1]
        part = 0.5 * (left - right) / np.minimum(left - 2 * here + right, -1e-30)
        shift = shifts_s[top] + np.clip(part, -1, 1) * (shifts_s[1] - shifts_s[0])
        sure = here * np.abs(here) / whole > SURE
        shift = np.where(sure, shift, 0.0)
        found.spectra[rows] *= np.exp(2j * np.pi * shift[:, None] * found.hz)


def _weigh(found: Stretches) -> NDArray[np.bool_]:
    """Make attacks as loud as their repeats. Of each row, whether it is to be kept.

    It is not where it was lost in a dropout, or a repeat before it.
    """
    kept, times = np.ones(len(found.attack), bool), np.ones(len(found.attack))
    weighed = np.ones(int(found.attack.max()) + 1, bool)
    for repeat in range(1, found.last + 1):
        rows = found.rows(repeat)
        if len(rows) < 3:
            continue
        match, whole = _match(found, rows, np.zeros(1))
        level = match[:, 0] / whole
        middle = float(np.median(level))
        if middle <= 0:
            continue
        off = np.log(np.maximum(level / middle, 1e-3))
        odd = np.abs(off) > np.maximum(ODD_LEVEL, ODD_LEVEL_ERRORS / np.sqrt(whole))
        sure = whole > VERY_SURE
        first = weighed[found.attack[rows]] & sure
        for row, by in zip(rows[first], level[first], strict=True):
            number = found.attack[row]
            times[(found.attack == number) & (found.repeat == 0)] = max(by, 0.1)
            weighed[number] = False
        for row in rows[odd & ~first]:
            later = (found.attack == found.attack[row]) & (found.repeat >= repeat)
            kept &= ~later
    found.spectra[:] *= times[:, None]
    return kept


def powers_of(found: Stretches, attacks: Sequence[int] | None = None) -> Powers | None:
    """The power of each repeat in the attack's; None where there are none."""
    if attacks is not None:
        found = found.only(np.isin(found.attack, attacks))
    last = found.last
    if not last:
        return None
    count = len(found.hz)
    power, noise = np.zeros((last, count)), np.ones((last, count))
    attacks_heard = np.zeros(last)
    for repeat in range(1, last + 1):
        rows = found.rows(repeat)
        if len(rows) < LEAST_ATTACKS:
            continue
        attacks_heard[repeat - 1] = len(rows)
        heads = found.heads_of(rows)
        transfer, left = _transfer(heads, found.spectra[rows])
        power[repeat - 1] = np.abs(transfer) ** 2
        noise[repeat - 1] = _smooth(left) / (np.sum(np.abs(heads) ** 2, axis=0) + 1e-30)
    weight = np.sum(np.abs(found.spectra[found.repeat == 0]) ** 2, axis=0)
    strange = _strange(found, last) + found.rounding / (weight / np.sum(found.repeat == 0) + 1e-30)
    return Powers(found.hz, power, noise, strange, weight, attacks_heard > 0, attacks_heard)


def _strange(found: Stretches, last: int) -> Samples:
    """Power of what comes again with every attack where no repeat is: what rings on."""
    told = []
    for repeat in range(1, last + 1):
        rows = found.rows(repeat, between=True)
        if len(rows) < 3:
            break
        heads = found.heads_of(rows)
        transfer, left = _transfer(heads, found.spectra[rows])
        energy = np.sum(np.abs(heads) ** 2, axis=0) + 1e-30
        over = np.abs(transfer) ** 2 * energy - (1 + STRAYING) * left
        told.append(_smooth(over, STRANGE_BINS) / _smooth(energy, STRANGE_BINS))
    if not told:
        return np.zeros((last, len(found.hz)))
    between = np.maximum(np.array(told), 0.0)
    number = np.minimum(np.arange(last), len(between) - 1)
    return np.asarray((between[number] + between[np.minimum(number + 1, len(between) - 1)]) / 2)
