"""The first repeat of a tone, taken out of a mix with the dry tone and with later repeats.

In the frame that turns with the dry tone, the recording is `u(t) = D + y(t)`: the dry sound stands
still, and the unit gives `y(t) = c(t) (1 + g y(t - tau))`, where `c` turns as the speed moves it
and keeps its size, and `g` is what the unit feeds back. The size of `c` being constant is what `D`
and `g` are fitted by.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tempotape.bench.tone import CENTRE_HZ, NOMINAL_HZ, Complexes, Floats, Stretch

# An added term must bring the ripple of the size down to this share, else it is not believed.
_WORTH = 0.6
_SMOOTH_RIPPLE = 0.02  # nothing to explain
_SMOOTH_ENOUGH = 0.06
_MOSTLY_STILL = 0.7
_ALMOST_NONE = 1e-3
_ROUNDS = 4
_MOST_RIPPLE = 0.35
_CLOCKS_APART_HZ = 0.3  # 100 parts in a million of the tone
_MOST_LEFT = 0.08
_HISS_S = 0.005  # a mean over it keeps most hiss out of the size, and no beat
_SLOW_S = 0.08  # standard deviation of the smoothing: a level that wavers at up to about 1 Hz
_MOST_FAST = 0.2  # of the ripple, where the level wavers slowly
_BEATS_FAST_HZ = 3.0
_MOST_FITTED = 3000
_BLOCK_S = 0.05
_LEFT_OVER = 3.0  # times the ripple: a block that fits worse is not the model's
_LEAST_LEFT_OVER = 0.1


class FirstRepeat(NamedTuple):
    """`signal` turns with the first repeat, where `valid`; `believed` where its size is even
    enough, but for a relative scatter of `ripple`, hiss left out.

    `dry` and `fed_back` are the sizes of the dry tone and of the second repeat over the first.
    """

    signal: Complexes
    valid: npt.NDArray[np.bool_]
    believed: bool
    ripple: float
    dry: float
    fed_back: float


class _Model(NamedTuple):
    dry: complex
    feedback: complex
    size: float
    turn_hz: float

    def still(self, signal: Complexes, rate_hz: float) -> Complexes:
        turn = -2j * math.pi * self.turn_hz / rate_hz
        return np.asarray(signal * np.exp(turn * np.arange(len(signal))))


def slow_level(stretch: Stretch) -> Floats | None:
    """The size of the tone over its usual one, where it wavers, but too slowly to be a beat.

    A repeat beats at the rate by which its frequency is off, so a tone that moves by several Hz
    cannot beat slowly throughout. None where the size is even, or may be beating.
    """
    from scipy.ndimage import gaussian_filter1d  # noqa: PLC0415 - loaded by what needs it

    size = np.abs(stretch.signal)
    usual = float(np.median(size))
    if _ripple(size / usual) < _SMOOTH_ENOUGH:
        return None
    level = gaussian_filter1d(size, _SLOW_S * stretch.rate_hz, mode="nearest") / usual
    # Within what a level wavers by, so that what dies away is not lifted.
    level = np.clip(level, 0.5, 2.0)
    if _ripple(size / usual / level) > _MOST_FAST * _ripple(size / usual):
        return None
    step = np.angle(stretch.signal[1:] * np.conj(stretch.signal[:-1]))
    hz = gaussian_filter1d(step, 0.005 * stretch.rate_hz) * stretch.rate_hz / (2.0 * math.pi)
    off_hz = 1.4826 * float(np.median(np.abs(hz - np.median(hz))))
    return level if off_hz > _BEATS_FAST_HZ else None


def first_repeat(stretch: Stretch, delay_s: float | None) -> FirstRepeat:
    """What turns as one record and replay makes it; `delay_s` is needed to see later repeats.

    Where the plain signal is steady enough in size, or no model explains it much better, it is
    given as it stands.
    """
    from scipy.ndimage import uniform_filter1d  # noqa: PLC0415 - loaded by what needs it

    signal, rate_hz = stretch.signal, stretch.rate_hz
    lag = None if delay_s is None else np.full(len(signal), delay_s * rate_hz)
    middle = _middle(len(signal), delay_s, rate_hz)
    best = _best(signal, rate_hz, lag, middle)
    model, lag, ripple = best
    still = model.still(signal, rate_hz)
    turned, valid = _turned(still, model, lag, max(ripple * _LEFT_OVER, _LEAST_LEFT_OVER), rate_hz)
    sizes = uniform_filter1d(_sizes(model, still, lag), max(1, round(_HISS_S * rate_hz)))
    beating = min(ripple, _ripple(sizes[middle]))
    plain = model.dry == 0 == model.feedback
    believed = ripple < _MOST_RIPPLE if plain else beating < _MOST_LEFT
    if model.dry == 0 and ripple > _SMOOTH_ENOUGH:
        # A still tone with something weaker beating on it would read far too steady.
        line = abs(_line(signal, rate_hz, middle)[1]) / model.size
        believed = believed and line < _MOSTLY_STILL
    moved = np.exp(2j * math.pi * model.turn_hz / rate_hz * np.arange(len(signal)))
    return FirstRepeat(
        signal=turned * moved,
        valid=valid,
        believed=believed,
        ripple=beating,
        dry=abs(model.dry) / model.size,
        fed_back=abs(model.feedback) * model.size,
    )


def _middle(length: int, delay_s: float | None, rate_hz: float) -> slice:
    """Where dry tone and repeats all sound: without a delay, or a short tone, the middle half."""
    lag = length if delay_s is None else round(delay_s * rate_hz)
    if length - 3 * lag > length // 4:
        return slice(lag * 2, length - lag)
    return slice(max(length // 4, min(lag + 1, length // 2)), length - length // 4)


class _Fit(NamedTuple):
    model: _Model
    lag: Floats | None
    ripple: float


def _best(signal: Complexes, rate_hz: float, lag: Floats | None, middle: slice) -> _Fit:
    """The simplest model that explains the size; each further term must be worth it."""
    size = np.abs(signal[middle])
    usual = float(np.median(size))
    best = _Fit(_Model(0j, 0j, usual, 0.0), lag, _ripple(size / usual))
    if best.ripple < _SMOOTH_RIPPLE:
        return best
    hz, dry = _line(signal, rate_hz, middle)
    still = signal * np.exp(-2j * math.pi * hz / rate_hz * np.arange(len(signal)))
    mixed = _Model(dry, 0j, float(np.median(np.abs(still[middle] - dry))), hz)
    # The line may also be the repeat's own, where the transport is very steady.
    little = _Model(_ALMOST_NONE * dry, 0j, usual, hz)
    fits = [_refined(signal, rate_hz, lag, middle, start) for start in (mixed, little)]
    best = _worthwhile(best, fits)
    if lag is None or best.ripple < _SMOOTH_RIPPLE:
        return best
    nearest = min(fits, key=lambda fit: fit.ripple).model
    starts = [mixed, nearest]
    # Without a dry tone to show its frequency, the wet tone was played at a nominal one, as far as
    # two clocks agree.
    nominal = min(NOMINAL_HZ, key=lambda known: abs(known - CENTRE_HZ - hz)) - CENTRE_HZ
    clocks = nominal + np.linspace(-_CLOCKS_APART_HZ, _CLOCKS_APART_HZ, 13)
    starts += [_Model(0j, 0j, usual, float(clock)) for clock in clocks]
    fed = [_with_feedback(start, signal, rate_hz, lag, middle) for start in starts]
    alone = min(fed[2:], key=lambda known: _fit_ripple(known, signal, rate_hz, lag, middle))
    fed = [*fed[:2], alone]
    return _worthwhile(best, [_refined(signal, rate_hz, lag, middle, start) for start in fed])


def _worthwhile(best: _Fit, fits: list[_Fit]) -> _Fit:
    better = min(fits, key=lambda fit: fit.ripple)
    return better if better.ripple < _WORTH * best.ripple else best


def _refined(
    signal: Complexes, rate_hz: float, lag: Floats | None, middle: slice, start: _Model
) -> _Fit:
    """`start` fitted, and the lag with it as far as that helps."""
    fit = _fit(signal, rate_hz, lag, middle, start)
    for _ in range(_ROUNDS if lag is not None and start.feedback != 0 else 0):
        assert fit.lag is not None  # noqa: S101 - for the type checker: `lag` is not None
        moved = _moved_lag(signal, rate_hz, fit.model, fit.lag, middle)
        closer = _fit(signal, rate_hz, moved, middle, fit.model)
        if closer.ripple >= fit.ripple:
            break
        fit = closer
    return fit


def _fit(
    signal: Complexes, rate_hz: float, lag: Floats | None, middle: slice, start: _Model
) -> _Fit:
    model = _fitted(signal, rate_hz, lag, middle, start)
    return _Fit(model, lag, _fit_ripple(model, signal, rate_hz, lag, middle))


def _fit_ripple(
    model: _Model, signal: Complexes, rate_hz: float, lag: Floats | None, middle: slice
) -> float:
    return _ripple(_sizes(model, model.still(signal, rate_hz), lag)[middle])


def _line(signal: Complexes, rate_hz: float, middle: slice) -> tuple[float, complex]:
    """The strongest line: a dry tone is one, a repeat is spread about it. Phase at sample 0."""
    part = signal[middle]
    window = np.hanning(len(part))
    points = 1 << (4 * len(part) - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.fft(part * window, points))))
    hz = float(np.fft.fftfreq(points, 1.0 / rate_hz)[peak])
    turn = np.exp(-2j * math.pi * hz / rate_hz * np.arange(middle.start, middle.stop))
    return hz, complex(np.sum(part * turn * window) / np.sum(window))


def _with_feedback(
    model: _Model, signal: Complexes, rate_hz: float, lag: Floats, middle: slice
) -> _Model:
    """The same model with the feedback, of those on a grid, that leaves the least ripple."""
    numbers = np.arange(middle.start, middle.stop, max(1, (middle.stop - middle.start) // 700))
    wet = model.still(signal, rate_hz) - model.dry
    here = np.abs(wet[numbers])
    held = _delayed(wet, lag, numbers)
    usual = float(np.median(here))
    best, least = model, math.inf
    for strength in (0.15, 0.3, 0.45, 0.6, 0.8):
        for way in np.exp(2j * math.pi * np.arange(20) / 20.0):
            feedback = strength * complex(way) / usual
            size = here / np.maximum(np.abs(1.0 + feedback * held), 0.1)
            middle_size = float(np.median(size))
            ripple = _ripple(size / middle_size)
            if ripple < least:
                best, least = model._replace(feedback=feedback, size=middle_size), ripple
    return best


def _moved_lag(
    signal: Complexes, rate_hz: float, model: _Model, lag: Floats, middle: slice
) -> Floats:
    """The lag as the first repeat's own phase says that it moved, about its mean."""
    still = model.still(signal, rate_hz)
    back = 1.0 + model.feedback * _delayed(still - model.dry, lag)
    turned = (still - model.dry) / np.where(np.abs(back) > 0.1, back, 0.1)
    phase = np.unwrap(np.angle(turned))
    moved = -phase / (2.0 * math.pi * (CENTRE_HZ + model.turn_hz)) * rate_hz
    numbers = np.arange(len(signal))
    drift = np.polyfit(numbers[middle], moved[middle], 1)
    off = np.clip(moved - np.polyval(drift, numbers), -0.05 * lag, 0.05 * lag)
    return np.asarray(np.mean(lag) + off)


def _ripple(size: Floats) -> float:
    """Scatter of a size about 1, not led by a few dropouts."""
    return float(1.4826 * np.median(np.abs(size - 1.0)))


def _sizes(model: _Model, still: Complexes, lag: Floats | None) -> Floats:
    """The size of `c`, over what it should be: 1 throughout where the model holds."""
    wet = still - model.dry
    expected = model.size * np.abs(1.0 + model.feedback * _delayed(wet, lag))
    return np.asarray(np.abs(wet) / np.maximum(expected, 0.1 * model.size))


def _delayed(
    wet: Complexes, lag: Floats | None, numbers: npt.NDArray[np.int64] | None = None
) -> Complexes:
    """`wet` as it was `lag` samples earlier, at every sample or at `numbers`; 0 before it began."""
    here = np.arange(len(wet)) if numbers is None else numbers
    if lag is None:
        return np.zeros(len(here), dtype=wet.dtype)
    at = here - lag[here]
    every = np.arange(len(wet))
    return np.asarray(
        np.interp(at, every, wet.real, left=0.0) + 1j * np.interp(at, every, wet.imag, left=0.0)
    )


def _fitted(
    signal: Complexes, rate_hz: float, lag: Floats | None, middle: slice, start: _Model
) -> _Model:
    """`start` by least squares; a dry tone or a feedback that it lacks stays away."""
    from scipy.optimize import least_squares  # noqa: PLC0415 - loaded by what needs it

    with_dry, with_feedback = start.dry != 0, lag is not None and start.feedback != 0
    span = middle.stop - middle.start
    numbers = np.arange(middle.start, middle.stop, max(1, span // _MOST_FITTED))
    here = signal[numbers]
    delay = np.zeros(len(signal)) if lag is None else lag
    before = _delayed(signal, delay, numbers)
    unit = start.size
    # The turn is fitted as the phase it gathers over the middle, and the dry tone as it stands
    # there, so that all unknowns are near 1 and none leans on another.
    per_turn = rate_hz / (2.0 * math.pi * span)
    centre = 1j * math.pi * (middle.start + middle.stop) / rate_hz

    def model(x: Floats) -> _Model:
        hz = start.turn_hz + x[5] * per_turn
        dry = complex(complex(x[0], x[1]) * unit * np.exp(-centre * hz))
        return _Model(
            dry if with_dry else 0j,
            complex(x[2], x[3]) / unit if with_feedback else 0j,
            x[4] * unit,
            hz,
        )

    def misfit(x: Floats) -> Floats:
        tried = model(x)
        turn = -2j * math.pi * tried.turn_hz / rate_hz
        wet = np.abs(here * np.exp(turn * numbers) - tried.dry)
        if not with_feedback:
            return np.asarray((wet - tried.size) / unit)
        held = before * np.exp(turn * (numbers - delay[numbers])) - tried.dry
        return np.asarray((wet - tried.size * np.abs(1 + tried.feedback * held)) / unit)

    dry = start.dry * np.exp(centre * start.turn_hz) / unit
    fed = start.feedback * unit
    first = [dry.real, dry.imag, fed.real, fed.imag, 1.0, 0.0]
    fit = least_squares(misfit, first, loss="soft_l1", f_scale=0.1, max_nfev=60)
    return model(fit.x)


def _turned(
    still: Complexes, model: _Model, lag: Floats | None, most: float, rate_hz: float
) -> tuple[Complexes, npt.NDArray[np.bool_]]:
    """`c`, block by block with or without the dry tone, which ends before its repeat does."""
    block = max(1, round(_BLOCK_S * rate_hz))
    choices = [model] if model.dry == 0 else [model, model._replace(dry=0j)]
    signals, misfits = [], []
    for choice in choices:
        wet = still - choice.dry
        back = 1.0 + model.feedback * _delayed(still - model.dry, lag)
        signals.append(wet / np.where(np.abs(back) > 0.1, back, 0.1))
        off = np.abs(_sizes(choice, still, lag) - 1.0)
        count = -(-len(off) // block)
        padded = np.pad(off, (0, count * block - len(off)), mode="edge")
        misfits.append(np.median(padded.reshape(count, block), axis=1))
    chosen = np.argmin(misfits, axis=0)
    fits = np.min(misfits, axis=0) <= most
    of_sample = np.repeat(chosen, block)[: len(still)]
    valid = np.repeat(fits, block)[: len(still)]
    # Between two choices the phase jumps.
    jump = np.flatnonzero(np.diff(of_sample)) + 1
    for at in jump:
        valid[max(0, at - 2) : at + 2] = False
    return np.choose(of_sample, signals), valid
