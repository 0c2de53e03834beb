"""Copies of an attack: the lags at which the same sound comes again."""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tempotape.bench.onsets import Whitened
from tempotape.bench.recording import Samples

BEFORE_S = 0.002
LEAST_CUT_S, LONGEST_CUT_S = 0.006, 0.025
LEAST_COHERENCE = 0.2
LEAST_SNR = 4.0
MOST_PEAKS = 160
BESIDE_S, BESIDE = 0.004, 0.6  # what is so near a peak, and smaller, is its own ringing
STEPS = 8  # a sample
PRODUCTS = 3_000_000  # more take less time by spectra
BETWEEN = 8  # samples either side that tell what is between two


def _fine() -> Samples:
    """Weights of the samples around a peak for `STEPS` values a sample, one sample either way."""
    away = np.arange(-STEPS, STEPS + 1)[None, :] / STEPS - np.arange(-BETWEEN, BETWEEN + 1)[:, None]
    window = np.cos(np.pi * np.clip(away / (BETWEEN + 1), -1, 1) / 2) ** 2
    return np.asarray(np.sinc(away) * window)


_FINE = _fine()


class Template(msgspec.Struct, frozen=True):
    """An attack, cut out of the whitened sound from sample `begin`; `noise` is power a sample.

    Whitened samples, shape (n,). Copies of less than `least_size`, the root of their energy, do not
    count. The `least_power` a sample is added to what is heard, so that near silence is like
    nothing: less where hiss does so itself.
    """

    begin: int
    sound: Samples
    noise: float
    least_size: float = LEAST_SNR
    least_power: float = 1.0

    @property
    def size(self) -> float:
        return float(np.sqrt(np.sum(self.sound**2)))

    @property
    def energy(self) -> float:
        """Energy of the attack alone, without the noise in it."""
        whole = self.size**2
        return max(whole - len(self.sound) * self.noise, 0.2 * whole)


class Matches(msgspec.Struct, frozen=True):
    """Lags (samples, fractional) at which attacks seem to come again, one row each."""

    attack: NDArray[np.int64]
    lag: Samples
    coherence: Samples  # signed
    gain: Samples  # signed, of the copy

    def near(self, attack: int, lag: float, reach: float) -> NDArray[np.int64]:
        """The rows of one attack whose lags are less than `reach` off, all in samples."""
        return np.flatnonzero((self.attack == attack) & (np.abs(self.lag - lag) < reach))

    def like(self, sign: float) -> Samples:
        """How like copies of that sign they are; of either, where it is 0."""
        return self.coherence * sign if sign else np.abs(self.coherence)

    def only(self, rows: NDArray[np.bool_ | np.int64]) -> Matches:
        return Matches(self.attack[rows], self.lag[rows], self.coherence[rows], self.gain[rows])


def gathered(parts: list[Matches]) -> Matches:
    """Rows of several attacks in one."""
    return Matches(
        np.concatenate([part.attack for part in parts]),
        np.concatenate([part.lag for part in parts]),
        np.concatenate([part.coherence for part in parts]),
        np.concatenate([part.gain for part in parts]),
    )


def template(sound: Whitened, at: int, following: int | None) -> Template:
    """The attack at sample `at`: from just before it until most of it is over."""
    rate = sound.rate_hz
    begin = at - round(BEFORE_S * rate)
    least = round(LEAST_CUT_S * rate)
    longest = round(LONGEST_CUT_S * rate)
    if following is not None:
        longest = min(longest, max(following - round(0.001 * rate) - begin, least))
    cut = sound.part(begin, begin + longest)
    energy = np.cumsum(np.maximum(cut**2 - 1.0, 0.0))
    if energy[-1] > 0:
        most = int(np.searchsorted(energy, 0.9 * energy[-1])) + round(0.001 * rate)
        cut = cut[: max(most, least)]
    return Template(begin, cut, sound.noise)


def coherence(sound: Whitened, cut: Template, low: int, high: int) -> tuple[Samples, Samples]:
    """Correlation of an attack with what follows at lags `low` to `high` (samples, inclusive).

    Gives the coherence, -1 to 1, and the gain of the copy by least squares.
    """
    width = len(cut.sound)
    heard = sound.part(cut.begin + low, cut.begin + high + width)
    correlation = correlated(heard, cut.sound)
    total = np.concatenate(([0.0], np.cumsum(heard**2)))
    energy = np.maximum(total[width:] - total[:-width], 0.0) + width * cut.least_power
    rho = correlation / (cut.size * np.sqrt(energy))
    # Where repeats never cease there is no quiet to tell the noise by: what is alike is none.
    return rho, correlation / np.maximum(cut.energy, np.abs(rho) * cut.size**2)


def correlated(heard: Samples, cut: Samples) -> Samples:
    """What correlates with `cut` from each sample of `heard` on, shape (heard - cut + 1,)."""
    if len(cut) * len(heard) < PRODUCTS:
        return np.correlate(heard, cut, "valid")
    # What is held is no finer than single precision.
    turned = cut[::-1].astype(np.float32)
    return np.asarray(signal.oaconvolve(heard.astype(np.float32), turned, "valid").astype(float))


def copies_of(sound: Whitened, attack: int, cut: Template, low: int, high: int) -> Matches:
    """The lags at which `cut` seems to come again, the most coherent ones."""
    rho, gain = coherence(sound, cut, low, high)
    size = np.abs(rho)
    inner = size[1:-1]
    top = (inner >= size[:-2]) & (inner > size[2:]) & (inner > LEAST_COHERENCE)
    top &= np.abs(gain[1:-1]) * cut.size > cut.least_size
    at = np.flatnonzero(top) + 1
    at = at[size[at] > BESIDE * _largest_near(size, at, round(BESIDE_S * sound.rate_hz))]
    if len(at) > MOST_PEAKS:
        at = np.sort(at[np.argsort(-size[at])[:MOST_PEAKS]])
    if not len(at):
        none = np.zeros(0)
        return Matches(np.zeros(0, np.int64), none, none, none)
    shift, rise = between(rho, at)
    return Matches(np.full(len(at), attack), at + shift + low, rho[at] * rise, gain[at] * rise)


def _largest_near(size: Samples, at: NDArray[np.int64], reach: int) -> Samples:
    """The largest of `size` within `reach` of each place."""
    ends = np.stack((np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(size))), axis=1)
    largest: Samples = np.maximum.reduceat(np.append(size, 0.0), ends.ravel())[::2]
    return largest


def between(rho: Samples, at: NDArray[np.int64]) -> tuple[Samples, Samples]:
    """Where between the samples each peak at `at` is, and how much higher there.

    The band reaches far up to half the rate: between samples a windowed sinc tells, no parabola.
    """
    wide = np.pad(rho, BETWEEN)
    around = wide[at[:, None] + np.arange(2 * BETWEEN + 1)[None, :]]
    fine = (around * np.sign(rho[at])[:, None]) @ _FINE
    top = np.clip(np.argmax(fine, axis=1), 1, fine.shape[1] - 2)
    rows = np.arange(len(at))
    left, here, right = fine[rows, top - 1], fine[rows, top], fine[rows, top + 1]
    part = 0.5 * (left - right) / np.minimum(left - 2 * here + right, -1e-12)
    part = np.clip(part, -0.5, 0.5)
    shift = (top + part) / STEPS - 1
    return shift, (here - 0.25 * (left - right) * part) / np.abs(rho[at])
