"""What one pass through the unit does to a sound, from attacks and their copies.

The delay is the way along the tape over its speed; the unit's own filters add some hundredths of
a millisecond to the lag at which a copy correlates best. Fitting a high pass and a low pass with
their phases to the copies' spectra takes that out again.
"""

from __future__ import annotations

import itertools

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from tempotape.bench.onsets import Whitened
from tempotape.bench.recording import Samples
from tempotape.bench.rows import evenly

SIZE = 512  # of a spectrum, samples at the working rate
LOWEST_HZ, HIGHEST_PART = 250.0, 0.42  # the band looked at: its edges, the upper of the rate
BANDS = 5
USUAL_HZ = np.array([90.0, 6000.0])  # corners of the band of a tape unit
USUAL_SPREAD = np.array([0.6, 0.5])  # of their logarithms
PHASELESS_COST = 60.0  # filters without phase are not met in hardware
FIT_FLOOR = 0.003  # of the transfer: no unit is a Butterworth filter exactly
WARPED_HZ = 10_000.0  # a recording at so low a rate may have been filtered in digital form
TEMPER = 6.0  # neighbouring bins are not independent, and no model is quite right
LEAKS = 0.004  # of the strongest bin, into every other
LEAD_S, RAMP_S = 0.003, 0.002
MOST_PAIRS = 200

Spectrum = NDArray[np.complex128]


class Passing(msgspec.Struct, frozen=True):
    """The mean transfer from attacks to their copies, with the copies' lag taken out."""

    hz: Samples
    rate_hz: float
    transfer: Spectrum
    error: Samples  # one standard deviation of `transfer`, each part
    weight: Samples  # of the attacks' energy

    def band_db(self, weight: Samples | None = None) -> tuple[Samples, Samples]:
        """Gain overall, then in each of `BANDS` bands of equal energy; and the errors. In dB.

        A narrow sound leaves bands empty: their error is infinite. With a `weight` of one's own
        transfers of duller and brighter sounds are compared over the same frequencies.
        """
        weight = self.weight if weight is None else weight
        share = np.cumsum(weight) / np.sum(weight)
        which = np.minimum((share * BANDS).astype(int), BANDS - 1)
        told = [self._level(np.ones(len(share), bool), weight)]
        told += [self._level(which == band, weight) for band in range(BANDS)]
        return np.array([gain for gain, _ in told]), np.array([error for _, error in told])

    def _level(self, rows: NDArray[np.bool_], weight: Samples) -> tuple[float, float]:
        if not rows.any():
            return 0.0, np.inf
        weight = weight[rows]
        total = max(float(weight.sum()), 1e-30)
        # What noise adds to the square of a mean is taken off again.
        square = np.abs(self.transfer[rows]) ** 2 - 2 * self.error[rows] ** 2
        gain = np.sqrt(max(float(np.sum(weight * square)) / total, 1e-12))
        # Neighbouring bins of a windowed spectrum are not independent: they count half.
        error = np.sqrt(2 * np.sum((weight * self.error[rows]) ** 2)) / total
        return float(20 * np.log10(gain)), float(8.686 * error / gain)


def passing(
    sound: Whitened, copies: Whitened, begins: NDArray[np.int64], lags: Samples, length_s: float
) -> Passing:
    """The transfer from the attacks at `begins` (samples) to what follows `lags` later.

    `length_s` of each is looked at.
    """
    begins, lags = evenly(begins, MOST_PAIRS), evenly(lags, MOST_PAIRS)
    rate = sound.rate_hz
    hz = fft.rfftfreq(SIZE, 1 / rate)
    used = (hz >= LOWEST_HZ) & (hz <= HIGHEST_PART * rate)
    window = _window(rate, length_s)
    lead = round(LEAD_S * rate)
    heads, tails = [], []
    for begin, lag in zip(begins, lags, strict=True):
        whole = int(np.floor(lag))
        head = fft.rfft(sound.part(begin - lead, begin - lead + SIZE) * window)
        tail = fft.rfft(copies.part(begin - lead + whole, begin - lead + whole + SIZE) * window)
        heads.append(head[used])
        tails.append(tail[used] * np.exp(2j * np.pi * hz[used] * (lag - whole) / rate))
    head, tail = np.array(heads), np.array(tails)
    cross = np.sum(tail * np.conj(head), axis=0)
    noise = len(begins) * np.sum(window**2) * sound.background(hz[used])
    energy = np.maximum(np.sum(np.abs(head) ** 2, axis=0) - noise, 1e-3 * noise + 1e-30)
    transfer = cross / energy
    left = np.sum(np.abs(tail - transfer * head) ** 2, axis=0)
    error = np.sqrt(left / max(1, len(begins) - 1) / energy / 2 + 1e-8 * np.abs(transfer) ** 2)
    return Passing(hz[used], rate, transfer, error, energy)


def _window(rate: float, length_s: float) -> Samples:
    """Flat over the attack, with soft ends."""
    length = min(SIZE, round((length_s + LEAD_S + RAMP_S) * rate))
    ramp = round(RAMP_S * rate)
    window = np.zeros(SIZE)
    window[:length] = 1.0
    rise = np.sin(np.linspace(0, np.pi / 2, ramp)) ** 2
    window[:ramp] = rise
    window[length - ramp : length] = rise[::-1]
    return window


def extra_lag_s(passed: Passing) -> tuple[float, float, float]:
    """How much later than the tape's own delay the lags in `passed` are, and how unsure that is.

    Seconds. Fits gain, lag, a high pass of order 1 or 2 and a low pass of order 1 to 4
    (Butterworth, with their phases, or of the same size without phase) by least squares, corners
    near those usual for tape where the copies do not decide them. In a narrow band a copy fits
    nearly as well half a period off and turned over: that is tried too.
    """
    fits = [
        _fit(passed, Model(low, high, phased))
        for low, high, phased in itertools.product((1, 2), (1, 2, 3, 4), (True, False))
    ]
    if passed.rate_hz < WARPED_HZ:
        fits += [
            _fit(passed, Model(low, high, phased=True, warped=True))
            for low, high in itertools.product((1, 2), (1, 2, 3, 4))
        ]
    best = min(fits, key=lambda fit: fit.cost)
    half_s = min(5e-4, 0.5 * float(np.sum(passed.weight) / np.sum(passed.hz * passed.weight)))
    fits += [_fit(passed, best.model, steps * half_s) for steps in (-1, 1)]
    best = min(fits, key=lambda fit: fit.cost)
    # Weighed as by their likelihood, so that what the copies do not decide shows in the error.
    scale = max(1.0, best.cost / (2 * len(passed.hz)))
    weights = np.array([np.exp(-0.5 * (fit.cost - best.cost) / scale / TEMPER) for fit in fits])
    weights = weights / weights.sum()
    lags = np.array([fit.lag_s for fit in fits])
    mean = float(np.sum(weights * lags))
    between = np.sum(weights * (lags - mean) ** 2)
    within = np.sum(weights * np.array([fit.error_s for fit in fits]) ** 2) * scale
    return mean, float(np.sqrt(between + within)), best.unlike


class Model(msgspec.Struct, frozen=True):
    """Orders of the high pass and the low pass, and whether they turn phases."""

    high_pass_order: int
    low_pass_order: int
    phased: bool
    warped: bool = False  # as a digital filter is near half the rate, by the bilinear transform


class Fit(msgspec.Struct, frozen=True):
    """How well a model fits, and what it takes the lag for."""

    model: Model
    cost: float  # chi-square
    lag_s: float
    error_s: float
    unlike: float  # of the transfer's energy, the part that the model leaves


def _fit(passed: Passing, model: Model, begin_s: float = 0.0) -> Fit:
    hz, transfer = passed.hz, passed.transfer
    whole = float(np.sqrt(np.sum(passed.weight * np.abs(transfer) ** 2) / np.sum(passed.weight)))
    faint = np.sqrt(passed.weight.max() / passed.weight)
    sigma = np.hypot(passed.error, whole * np.hypot(FIT_FLOOR, LEAKS * faint))
    turn = -2j * np.pi * hz * 1e-3
    seen = passed.rate_hz / np.pi * np.tan(np.pi * hz / passed.rate_hz) if model.warped else hz

    def made(x: Samples) -> tuple[Spectrum, Spectrum]:
        """The model's transfer, and its derivatives by `x`, a column each."""
        low, low_slope = _butter(np.exp(x[2]) / seen, model.high_pass_order)
        high, high_slope = _butter(seen / np.exp(x[3]), model.low_pass_order, conjugate=True)
        shape, slopes = low * high, np.stack((low_slope, -high_slope), axis=1)
        if not model.phased:
            shape, slopes = np.abs(shape).astype(complex), slopes.real.astype(complex)
        shape = shape * np.exp(turn * x[1])
        passed_on = shape * x[0]
        return passed_on, np.column_stack((shape, passed_on * turn, passed_on[:, None] * slopes))

    def left(x: Samples) -> Samples:
        off = (transfer - made(x)[0]) / sigma
        return np.concatenate((off.real, off.imag, (x[2:] - np.log(USUAL_HZ)) / USUAL_SPREAD))

    def left_slopes(x: Samples) -> Samples:
        off = -made(x)[1] / sigma[:, None]
        usual = np.column_stack((np.zeros((2, 2)), np.diag(1 / USUAL_SPREAD)))
        return np.concatenate((off.real, off.imag, usual))

    turned = transfer * np.exp(-turn * begin_s * 1e3)
    sign = np.sign(np.sum(turned.real * passed.weight)) or 1.0
    start = np.array([sign * float(np.median(np.abs(transfer))), begin_s * 1e3, *np.log(USUAL_HZ)])
    bounds = (
        np.array([-np.inf, -0.7, np.log(10.0), np.log(500.0)]),
        np.array([np.inf, 0.7, np.log(2000.0), np.log(40_000.0)]),
    )
    solved = optimize.least_squares(left, start, left_slopes, bounds, max_nfev=40)
    count = len(hz)
    off = left(solved.x)[: 2 * count] * np.tile(sigma, 2)
    left_over = np.maximum(off[:count] ** 2 + off[count:] ** 2 - 2 * passed.error**2, 0)
    energy = np.abs(transfer) ** 2
    covariance = np.linalg.pinv(solved.jac.T @ solved.jac)
    return Fit(
        model=model,
        cost=2 * float(solved.cost) + (0.0 if model.phased else PHASELESS_COST),
        lag_s=-float(solved.x[1]) * 1e-3,
        # Neighbouring bins of a windowed spectrum are not independent: they count half.
        error_s=float(np.sqrt(2 * covariance[1, 1])) * 1e-3,
        unlike=float(np.sum(passed.weight * left_over) / np.sum(passed.weight * energy)),
    )


def _butter(ratio: Samples, order: int, *, conjugate: bool = False) -> tuple[Spectrum, Spectrum]:
    """A Butterworth response at `ratio`, corner over frequency (high pass) or its inverse.

    And the derivative of its logarithm by that of the ratio. A high pass at corner/f is the complex
    conjugate of the low pass at f/corner, mirrored.
    """
    s = (1j if conjugate else -1j) * ratio
    turns = np.arange(order) * 2 + order + 1
    poles = np.exp(1j * np.pi * turns / (2 * order))[:, None]
    away = 1 / (s - poles)
    return np.prod(-poles * away, axis=0), -s * away.sum(axis=0)
