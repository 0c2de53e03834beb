"""The delay and the feedback of a tone that beats with its own repeats, from its size alone.

With `u(t)` the recording in the frame that turns with the tone played, `D` the dry tone and
`y = u - D` the unit's, `y(t) = c(t) (A + Q y(t - tau))` where only the phase of `c` moves. So
`|u|^2 = 2 Re(D* u) - |D|^2 + |A - Q D + Q u(t - tau)|^2`: but for one bond between them, linear in
six unknowns, and solved at every lag at once from correlations.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tempotape.bench.tone import Complexes, Floats

LAGS_S = (0.07, 1.6)
MOST_FED_BACK = 0.97  # nearer to 1, the size says only that the tone is like itself before
_STEP_OF_TURN = 0.1  # of a turn over the window: a finer frame changes nothing
_WINDOW_S = 9.0
_LEAST_WINDOW_S = 2.5
_NEAR_S = 0.008
_LEAST_SIZE = 0.3
_ALMOST_NONE = 1e-9
_MANY = 30
_STANDS_OUT = 0.75


class Loop(NamedTuple):
    """One explanation: `misfit` of the size, over the usual one, with the loop as above.

    `dry` stands as it does at the first sample of the signal, in the frame of `turn_hz`.
    """

    misfit: float
    turn_hz: float
    lag_s: float
    dry: complex
    feedback: complex  # Q
    size: float  # A


class Window(NamedTuple):
    """The samples whose size is explained, and the lags, in samples, tried."""

    first: int
    last: int
    lags: tuple[int, int]


def window_of(length: int, rate_hz: float, delay_s: float | None, near_s: float) -> Window | None:
    """Where to explain a tone of `length` samples; None where it is too short for any lag.

    Every lag within the window reaches back to samples of the tone.
    """
    low_s, high_s = LAGS_S if delay_s is None else (delay_s - near_s, delay_s + near_s)
    low = max(1, math.floor(low_s * rate_hz))
    high = min(math.ceil(high_s * rate_hz), (length * 2) // 5)
    last = min(length - min(high, length // 8), high + round(_WINDOW_S * rate_hz))
    if high <= low or last - high < _LEAST_WINDOW_S * rate_hz:
        return None
    return Window(high, last, (low, high))


def turns_hz(middle_hz: float, reach_hz: float, window: Window, rate_hz: float) -> Floats:
    """Frames about `middle_hz`, as fine as the window can tell them apart."""
    step = _STEP_OF_TURN * rate_hz / (window.last - window.first)
    count = math.ceil(reach_hz / step)
    return np.asarray(middle_hz + step * np.arange(-count, count + 1), dtype=np.float64)


class HeardTone(NamedTuple):
    """A tone of usual size 1, with no more than a few samples a turn of its deviation.

    `now` is the tone as heard at `place`, in samples, of which `before` is what was written a
    constant lag earlier than the sample's number: the lag's own moves are in `place`.
    """

    now: Complexes
    place: Floats
    before: Complexes


def loops(
    heard: HeardTone, rate_hz: float, window: Window, frames_hz: Floats, *, most: int
) -> list[Loop]:
    """The explanations that leave the least, each at a lag of its own, best first.

    Where many lags are tried, only what stands out among them counts.
    """
    found: list[Loop] = []
    numbers = np.arange(len(heard.before))
    for hz in frames_hz:
        turn = -2j * math.pi * hz / rate_hz
        now, before = heard.now * np.exp(turn * heard.place), heard.before * np.exp(turn * numbers)
        misfits, unknowns = _every_lag(now, before, window)
        usual = float(np.median(misfits)) if len(misfits) > _MANY else math.inf
        inner = misfits[1:-1]
        lows = np.flatnonzero((inner <= misfits[:-2]) & (inner < misfits[2:])) + 1
        lows = lows[misfits[lows] < _STANDS_OUT * usual]
        for number in lows[np.argsort(misfits[lows])][:most]:
            lag_s = (window.lags[0] + int(number)) / rate_hz
            found.append(_loop(float(misfits[number]), float(hz), lag_s, unknowns[number]))
    apart: list[Loop] = []
    for loop in sorted(found, key=lambda known: known.misfit):
        if all(abs(loop.lag_s - other.lag_s) > _NEAR_S for other in apart):
            apart.append(loop)
        if len(apart) == most:
            break
    return apart


def _every_lag(signal: Complexes, earlier: Complexes, window: Window) -> tuple[Floats, Floats]:
    """The misfit at each lag, and the unknowns of the linear fit there, one row a lag."""
    from scipy.fft import irfft, next_fast_len, rfft  # noqa: PLC0415 - loaded by what needs it

    low, high = window.lags
    length = len(signal)
    size = int(next_fast_len(length + high, real=True))
    power = np.abs(signal) ** 2
    here = np.zeros(length)
    inside = slice(window.first, window.last)
    # The error of a square is the size times twice the error of the size.
    here[inside] = 0.25 / np.maximum(power[inside], _LEAST_SIZE**2)
    now = [np.ones(length), signal.real, signal.imag]
    before = [earlier.real, earlier.imag, np.abs(earlier) ** 2]
    count, width = len(now), len(now) + 3
    lags = high - low + 1

    def against(first: Floats, second: Floats) -> Floats:
        return np.asarray(irfft(first * np.conj(second), size)[low : high + 1])

    now_spectra = [rfft(here * column, size) for column in now]
    before_spectra = [rfft(column, size) for column in before]
    power_spectrum = rfft(here * power, size)
    gram, target = np.zeros((lags, width, width)), np.zeros((lags, width))
    for row, column in enumerate(now):
        for other in range(row, count):
            gram[:, row, other] = gram[:, other, row] = np.sum(here * column * now[other])
        target[:, row] = np.sum(here * column * power)
        for other in range(3):
            cell = against(now_spectra[row], before_spectra[other])
            gram[:, row, count + other] = gram[:, count + other, row] = cell
    for row in range(3):
        for other in range(row, 3):
            cell = against(now_spectra[0], rfft(before[row] * before[other], size))
            gram[:, count + row, count + other] = gram[:, count + other, count + row] = cell
        target[:, count + row] = against(power_spectrum, before_spectra[row])
    unknowns = _solved(gram, target)
    held = np.clip(unknowns[:, -1], 0.0, MOST_FED_BACK**2)
    out = held != unknowns[:, -1]
    less = target[out, :-1] - gram[out, :-1, -1] * held[out, None]
    unknowns[out, :-1] = _solved(gram[out, :-1, :-1], less)
    unknowns[:, -1] = held
    left = (
        float(np.sum(here * power**2))
        - 2.0 * np.sum(unknowns * target, axis=1)
        + np.einsum("li,lij,lj->l", unknowns, gram, unknowns)
    )
    return np.sqrt(np.maximum(left, 0.0) / (window.last - window.first)), unknowns


def _solved(gram: Floats, target: Floats) -> Floats:
    """Least squares at each lag, columns brought to one size, and held where they lean."""
    scale = np.sqrt(np.maximum(np.einsum("lii->li", gram), _ALMOST_NONE))
    even = gram / scale[:, :, None] / scale[:, None, :]
    even = even + 1e-8 * np.eye(gram.shape[1])
    return np.asarray(np.linalg.solve(even, (target / scale)[:, :, None])[:, :, 0] / scale)


def _loop(misfit: float, hz: float, lag_s: float, unknowns: Floats) -> Loop:
    """The physical loop nearest to a linear fit; of `A - Q D` only the size can be told."""
    still = complex(unknowns[1], unknowns[2]) / 2.0
    cross = complex(unknowns[-3], -unknowns[-2]) / 2.0  # (A - Q D)* Q
    square = max(float(unknowns[0]) + abs(still) ** 2, 0.0025)
    fed = cross / math.sqrt(square)
    whole = math.sqrt(square) + fed * still  # A, but for its phase
    back = whole.conjugate() / max(abs(whole), _ALMOST_NONE)
    fed = fed * back
    fed *= min(1.0, MOST_FED_BACK / max(abs(fed), _ALMOST_NONE))
    return Loop(misfit, hz, lag_s, still, fed, max(abs(whole), 0.05))
