"""How the level of successive repeats falls, by frequency.

The power of the k-th repeat in a narrow cell of frequency is `exp(a + (k - 1) g)`, with a level `a`
of each cell's own and a fall `g` that is smooth over frequency. Both are fitted to all repeats at
once by quasi-likelihood (Wedderburn, Biometrika 61, 1974): each power is weighted by the variance
that the fit expects of it, so that no repeat is left out for being faint, which would favour those
that noise makes louder.
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, linalg, ndimage

from tempotape.bench.recording import Samples

LOWEST_HZ, HIGHEST_HZ = 62.0, 12_500.0
CELL = 2 ** (1 / 12)  # no filter of a unit falls much within
KNOTS_AN_OCTAVE = 3
BENT = 1.2  # in log power, a knot each: how far a fall may turn with frequency, as a corner does
LEVEL = 5.0  # in log power: about what any loop does in one pass
ORDERS, MOST_PRESS, PRESSED = (1.0, 2.0), 0.3, 12.0
MIDDLE_HZ = (300.0, 3000.0)
BINS_A_FIGURE = 2.5  # of a spectrum twice as long as the sound, with soft ends
UNEVEN = 0.015  # of the gain's span in a band: the spline rounds what bends much
UNLIKE = 0.02  # in power: no repeat is quite as it is fitted
FAR_OVER = 20.0  # strange sound, in power: repeats that tell anything
MOST_TURNS, LEAST_TURN = 60, 1e-5
MOST_STEP = 1.5  # in log power
DB = 10 / np.log(10)  # of log power


class Powers(msgspec.Struct, frozen=True):
    """Of each repeat (row) the power at `hz`, in parts of the attack's; and of what is beside it.

    `power` still holds `noise`, on the average. `strange` is what may add to the repeat's amplitude
    or take from it, for all attacks alike. Rows that were not heard are 0 in `heard`. `weight` is
    the energy of the attacks at `hz`, `attacks` how many each row is of.
    """

    hz: Samples
    power: Samples
    noise: Samples
    strange: Samples
    weight: Samples
    heard: NDArray[np.bool_]
    attacks: Samples


class Cells(msgspec.Struct, frozen=True):
    """Powers as `Powers`, in cells of frequency; `bins` are new figures in each."""

    hz: Samples
    power: Samples
    noise: Samples
    strange: Samples
    bins: Samples
    heard: NDArray[np.bool_]
    attacks: Samples


class Fall(msgspec.Struct, frozen=True):
    """Log power that a pass adds, as a spline over log2 frequency, and what it is unsure by.

    The first repeat's pass takes off `press` more, later ones less: `pressed` sums their parts.
    `left` is the sum of squares that the fit leaves, `scale` the same in parts of what noise makes;
    `together_db` is what repeats that are off the fit as a whole make the fall unsure by.
    """

    knots: Samples
    coefficients: Samples
    covariance: Samples
    levels: Samples
    press: float
    pressed: Samples
    scale: float
    left: float
    together_db: float

    def at(self, hz: Samples) -> tuple[Samples, Samples]:
        """The fall in dB at `hz`, and what each coefficient adds to it."""
        basis = _basis(self.knots, hz)
        return DB * (basis @ self.coefficients), DB * basis

    def mean(self, band: tuple[float, float]) -> tuple[float, float]:
        """Mean of the gain a pass in a band, and its error (one standard deviation), both dB.

        The mean is of amplitudes, over equal steps of log frequency.
        """
        hz = np.geomspace(*band, 49)
        gain_db, each = self.at(hz)
        amplitude = 10 ** (gain_db / 20)
        share = (amplitude / amplitude.sum()) @ each
        error = np.sqrt(share @ self.covariance @ share)
        uneven = UNEVEN * np.ptp(gain_db)
        error = np.hypot(np.hypot(error, uneven), self.together_db)
        return float(20 * np.log10(amplitude.mean())), float(error)

    def power_mean(self, band: tuple[float, float]) -> float:
        """Mean gain a pass in power over `band` (Hz), in dB; equal steps of frequency count alike.

        So a meter of the band's level reads it, of sound that is as strong at each frequency.
        """
        return float(DB * np.log(np.mean(10 ** (self.at(np.linspace(*band, 97))[0] / 10))))


def cells_of(powers: Powers) -> Cells:
    """The powers in cells of a twelfth of an octave, or of one bin where that is wider."""
    hz = powers.hz
    starts, edge = [], 0.0
    inside = np.flatnonzero((hz >= LOWEST_HZ) & (hz <= HIGHEST_HZ))
    for row in inside:
        if hz[row] >= edge:
            starts.append(row)
            edge = hz[row] * CELL
    begins = np.array(starts) - inside[0]
    weight = powers.weight[inside] + 1e-30
    total = np.add.reduceat(weight, begins)
    square = np.add.reduceat(weight**2, begins)

    def mean(rows: Samples) -> Samples:
        return np.asarray(np.add.reduceat(rows[:, inside] * weight, begins, axis=1) / total)

    noise = ndimage.uniform_filter1d(mean(powers.noise), 3, axis=1, mode="nearest")
    return Cells(
        hz=np.exp(np.add.reduceat(np.log(hz[inside]) * weight, begins) / total),
        power=mean(powers.power),
        noise=noise,
        strange=mean(powers.strange),
        bins=np.maximum(total**2 / square / BINS_A_FIGURE, 1 / BINS_A_FIGURE),
        heard=powers.heard,
        attacks=powers.attacks,
    )


def fall_of(cells: Cells, like: Fall | None = None) -> Fall:
    """The fall that explains the powers best; `like` is one near it, to begin with.

    Where the first repeats fall faster than later ones, as of a tape that saturates, the fall is
    that of repeats too faint for it.
    """
    if like is not None:
        return _fitted(cells, like.pressed[: len(cells.power)], like)
    plain = _fitted(cells, np.zeros(len(cells.power)))
    best = plain
    for order in ORDERS:
        other = _fitted(cells, _pressed(plain, len(cells.power), order), plain)
        if other.press > 0 and other.left < best.left:
            best = other
    return best if plain.left - best.left > PRESSED * max(1.0, best.scale) else plain


def _pressed(plain: Fall, count: int, order: float) -> Samples:
    """Of each repeat how much its earlier passes were pressed, in parts of the first repeat's pass.

    What saturation takes off goes with the amplitude written, or its square: `order` 1 or 2.
    """
    gain_db = float(np.mean(plain.at(np.geomspace(*MIDDLE_HZ, 9))[0]))
    level = 10 ** (np.arange(count) * min(gain_db, 0.0) * order / 20)
    return np.concatenate(([0.0], np.cumsum(level)[:-1]))


def _fitted(cells: Cells, pressed: Samples, like: Fall | None = None) -> Fall:
    knots = _knots(cells.hz) if like is None else like.knots
    basis = _basis(knots, cells.hz)
    count = basis.shape[1]
    prior = linalg.block_diag(_prior(count), [[1 / MOST_PRESS**2]])
    passes: Samples = np.arange(len(cells.power), dtype=np.float64)[:, None]
    by_press = -pressed[:, None]
    heard = cells.heard[:, None] * np.ones_like(cells.power)
    if like is None:
        levels, falls = _first(cells, count)
        told = np.append(falls, 0.0)
    else:
        levels, told = like.levels, np.append(like.coefficients, like.press)
    bend = prior
    for _ in range(MOST_TURNS):
        fitted = _like(levels, basis, told, passes, by_press)
        weight = heard / _variance(cells, fitted)
        pull = weight * fitted * (cells.power - cells.noise - fitted)
        weight = weight * fitted**2
        # The levels, one a cell, are solved for first: what is left are the falls alone.
        whole = np.sum(weight, axis=0) + 1e-9
        fall, press = np.sum(weight * passes, axis=0), np.sum(weight * by_press, axis=0)
        by_fall = np.sum(weight * passes**2, axis=0) - fall**2 / whole
        both = np.sum(weight * passes * by_press, axis=0) - fall * press / whole
        pressing = float(np.sum(weight * by_press**2) - np.sum(press**2 / whole))
        level_pull = np.sum(pull, axis=0)
        fall_pull = basis.T @ (np.sum(pull * passes, axis=0) - fall * level_pull / whole)
        press_pull = float(np.sum(pull * by_press) - np.sum(press * level_pull / whole))
        corner = (basis.T @ both)[:, None]
        bend = np.block([[(basis.T * by_fall) @ basis, corner], [corner.T, pressing]]) + prior
        step = linalg.solve(bend, np.append(fall_pull, press_pull) - prior @ told, assume_a="pos")
        level_step = (level_pull - fall * (basis @ step[:-1]) - press * step[-1]) / whole
        most = max(float(np.abs(step).max()), float(np.abs(level_step).max()))
        told = told + min(1.0, MOST_STEP / max(most, 1e-12)) * step
        levels = np.clip(levels + np.clip(level_step, -MOST_STEP, MOST_STEP), -60.0, 20.0)
        if float(np.abs(step).max()) < LEAST_TURN:
            break
    fitted = _like(levels, basis, told, passes, by_press)
    off = heard * (cells.power - cells.noise - fitted) ** 2 / _variance(cells, fitted)
    free = np.sum(heard) - len(cells.hz) - np.trace(linalg.solve(bend, bend - prior))
    scale = float(np.sum(off) / max(free, 1.0))
    covariance = linalg.inv(bend)[:count, :count] * max(1.0, scale)
    return Fall(
        knots=knots,
        coefficients=told[:-1],
        covariance=covariance,
        levels=levels,
        press=float(told[-1]),
        pressed=pressed,
        scale=scale,
        left=float(np.sum(off)),
        together_db=_together_db(cells, fitted, passes[:, 0]),
    )


def _together_db(cells: Cells, fitted: Samples, passes: Samples) -> float:
    """Error of the slope of a line through what each repeat is off the fit, over all cells."""
    share = cells.heard[:, None] * fitted / _variance(cells, fitted)
    off = np.sum(share * (cells.power - cells.noise), axis=1) / (
        np.sum(share * fitted, axis=1) + 1e-30
    )
    weight = np.sum(share * fitted, axis=1)
    off = np.where(cells.heard, DB * np.log(np.clip(off, 0.01, 100.0)), 0.0)
    weight /= weight.sum()
    middle = float(np.sum(weight * passes))
    spread = float(np.sum(weight * (passes - middle) ** 2))
    count = np.count_nonzero(cells.heard)
    left = float(np.sum(weight * off**2)) / max(1, int(count) - 2)
    return float(np.sqrt(left / max(spread, 1e-9)))


def _like(
    levels: Samples, basis: Samples, told: Samples, passes: Samples, by_press: Samples
) -> Samples:
    """The power of each repeat in each cell."""
    return np.asarray(np.exp(levels + passes * (basis @ told[:-1]) + by_press * told[-1]))


def _variance(cells: Cells, fitted: Samples) -> Samples:
    """Of a power with noise in it, as of a sum of squares; strange sound is one figure a cell."""
    noise, strange = cells.noise, cells.strange
    by_noise = (2 * fitted * noise + noise**2) / cells.bins
    by_noise += noise**2 / cells.bins / np.maximum(cells.attacks - 1, 0.5)[:, None]
    by_strange = 2 * fitted * strange + (FAR_OVER * strange) ** 2
    return np.asarray(by_noise + by_strange + (UNLIKE * fitted) ** 2 + 1e-24)


def _first(cells: Cells, count: int) -> tuple[Samples, Samples]:
    """Levels of the cells and an even fall to begin with."""
    rows = np.flatnonzero(cells.heard)
    one, two = rows[0], rows[1]
    over = np.maximum(cells.power - cells.noise, 0.1 * cells.noise + 1e-12)
    share = 1 / (cells.noise[one] + 1e-12)
    part = np.sum(over[two] * share) / np.sum(over[one] * share)
    fall = float(np.clip(np.log(part) / (two - one), -5.0, 0.5))
    return np.log(over[one]) - one * fall, np.full(count, fall)


def _knots(hz: Samples) -> Samples:
    low, high = np.log2(hz[0]), np.log2(hz[-1])
    spans = max(2, round(KNOTS_AN_OCTAVE * (high - low)))
    inner = np.linspace(low, high, spans + 1)
    return np.concatenate(([low] * 3, inner, [high] * 3))


def _basis(knots: Samples, hz: Samples) -> Samples:
    """Cubic B-splines over log2 of `hz`, one a column."""
    at = np.clip(np.log2(hz), knots[0], knots[-1])
    return np.asarray(interpolate.BSpline.design_matrix(at, knots, 3).toarray())


def _prior(count: int) -> Samples:
    bent = np.diff(np.eye(count), 2, axis=0) / BENT
    level = np.full((1, count), 1 / count / LEVEL)
    return np.asarray(bent.T @ bent + level.T @ level)
