"""The first repeat of a tone, taken out of a mix with the dry tone and with later repeats.

In the frame that turns with the dry tone, the recording is `u(t) = D + y(t)`: the dry sound stands
still, and the unit gives `y(t) = c(t) (1 + g y(t - tau))`, where `c` turns as the speed moves it
and keeps its size but for what the tape saturates, and `g` is what the unit feeds back. The size of
`c` being constant is what `D`, `g` and `tau` are fitted by.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tempotape.bench.looping import HeardTone, Loop, loops, turns_hz, window_of
from tempotape.bench.tone import CENTRE_HZ, NOMINAL_HZ, Complexes, Floats, Stretch, low_pass

# An added term must bring the ripple of the size down to this share, else it is not believed.
_WORTH = 0.4
_SMOOTH_RIPPLE = 0.004  # nothing to explain
_OVER_HISS = 1.5
_SMOOTH_ENOUGH = 0.06
_MOSTLY_STILL = 0.7
_ALMOST_NONE = 1e-3
_ROUNDS = 5
_MOST_RIPPLE = 0.35
_CLOCKS_APART_HZ = 0.3  # 100 parts in a million of the tone
_LINE_OFF_HZ = 0.1  # a line is found this well beside what beats with it
_MOST_LEFT = 0.08
_HISS_S = 0.005  # a mean over it keeps most hiss out of the size, and no beat
_SLOW_S = 0.08  # standard deviation of the smoothing: a level that wavers at up to about 1 Hz
_MOST_FAST = 0.2  # of the ripple, where the level wavers slowly
_BEATS_FAST_HZ = 3.0
_BLOCK_S, _LONG_BLOCKS = 0.05, 4
_LEFT_OVER = 3.0  # times the ripple: a block that fits worse is not the model's
_LEAST_LEFT_OVER = 0.1
_NEAR_S, _NEAR = 0.003, 0.01  # a known delay may be off by this, and by this share
_THIN_HZ = (200.0, 800.0)
_PER_TURN = 24.0
_TRIED = 3
_CLEARLY_DRY = 0.2  # of the usual size
_MUCH_WORSE = 3.0
_HELD_S = 0.1
_LEAST_HELD, _HELD_ROUNDS = 0.005, 3
_EDGE_BLOCKS, _LEAST_BLOCKS, _BRIDGED_BLOCKS = 3, 20, 5
_CLOSER = 0.9
_KEPT_HZ = 250.0
_APART_S = 0.012
_ALONE = 1.5
_PROMISING = 0.6  # of the ripple without a loop, before the lag is moved with the tape
_NEARLY = 0.6
_LAG_STEP_S = 0.002
_MOVED = 0.05  # of the lag
_MOST_MOVED_S = 0.03
_MUCH_MOVED = 0.08  # of a turn
_RING_S = 0.01
_LEAST_BACK = 0.1
_MOST_GAIN = 0.965
_LEAST_SIZE = 0.05
_LEAST_EXPECTED = 0.5
_STANDS, _STANDS_S = 0.6, 0.25


class _Effort(NamedTuple):
    """How many samples a fit takes in, and how often it is tried to come closer."""

    samples: int
    turns: int


_FIRST, _USUAL, _LAST = _Effort(1000, 20), _Effort(3000, 40), _Effort(3000, 100)


class FirstRepeat(NamedTuple):
    """`signal` turns with the first repeat, where `valid`; `believed` where its size is even
    enough, but for a relative scatter of `ripple`, hiss left out.

    `dry` and `fed_back` are the sizes of the dry tone and of the second repeat over the first,
    `size` is that of the signal over what it should be, and `still` the share of the strongest line
    in the size of the recording.
    """

    signal: Complexes
    valid: npt.NDArray[np.bool_]
    size: Floats
    believed: bool
    ripple: float
    still: float
    dry: float
    fed_back: float


class _Model(NamedTuple):
    dry: complex
    feedback: complex
    size: float
    turn_hz: float
    pressed: float = 0.0  # by how much the tape saturates a tone of the usual size

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
    """What turns as one record and replay makes it; `delay_s` None is looked for as well.

    Where the plain signal is steady enough in size, or no model explains it much better, it is
    given as it stands.
    """
    from scipy.ndimage import uniform_filter1d  # noqa: PLC0415 - loaded by what needs it

    signal, rate_hz = stretch.signal, stretch.rate_hz
    tone = _narrowed(signal, rate_hz)
    middle = _middle(len(signal), delay_s, rate_hz)
    found = _best(tone, delay_s, middle)
    model, lag, ripple = found.fit
    still = model.still(signal, rate_hz)
    turned, size, valid = _turned(
        still, model, lag, max(ripple * _LEFT_OVER, _LEAST_LEFT_OVER), rate_hz
    )
    smooth = uniform_filter1d(
        _sizes(model, model.still(tone.signal, rate_hz), lag), max(1, round(_HISS_S * rate_hz))
    )
    beating = min(ripple, _ripple(smooth[middle]))
    plain = model.dry == 0 == model.feedback
    believed = ripple < _MOST_RIPPLE if plain else beating < _MOST_LEFT
    believed = believed and found.alone
    line = abs(_line(signal, rate_hz, middle)[1]) / model.size
    if plain and ripple > _SMOOTH_ENOUGH:
        # A still tone with something weaker beating on it would read far too steady.
        believed = believed and line < _MOSTLY_STILL
    moved = np.exp(2j * math.pi * model.turn_hz / rate_hz * np.arange(len(signal)))
    return FirstRepeat(
        signal=turned * moved,
        valid=valid,
        size=size,
        believed=believed,
        ripple=beating,
        still=line,
        dry=abs(model.dry) / model.size,
        fed_back=abs(model.feedback) * model.size,
    )


class _Tone(NamedTuple):
    """A tone kept to the band that it needs, how far it turns, and the ripple that hiss gives."""

    signal: Complexes
    rate_hz: float
    widest_hz: float
    hiss: float


def _narrowed(signal: Complexes, rate_hz: float) -> _Tone:
    """Of hiss, no more is kept than the band that the tone needs."""
    from scipy.ndimage import uniform_filter1d  # noqa: PLC0415 - loaded by what needs it

    step = np.angle(signal[1:] * np.conj(signal[:-1])) * rate_hz / (2.0 * math.pi)
    centre = float(np.median(step))
    smooth = uniform_filter1d(step - centre, max(1, round(_HISS_S * rate_hz)))
    widest = float(np.quantile(np.abs(smooth), 0.97))
    reach = min(_KEPT_HZ + 1.5 * widest, 0.4 * rate_hz - 100.0)
    turn = np.exp(-2j * math.pi * centre / rate_hz * np.arange(len(signal)))
    taps = low_pass(reach, reach + 100.0, 50.0, rate_hz)
    kept = np.convolve(signal * turn, taps, mode="same")
    # The filter rings in at the ends, which keep the wide band.
    half = min(len(taps) // 2, len(signal))
    wide = signal * turn
    kept[:half], kept[len(kept) - half :] = wide[:half], wide[len(kept) - half :]
    beside = np.median(np.abs(wide - kept)[half : len(kept) - half])
    density = (1.2 * float(beside)) ** 2 / max(rate_hz - 2.0 * reach, 100.0)
    usual = float(np.median(np.abs(kept)))
    # Half of the hiss within the mean's band scatters the size.
    hiss = math.sqrt(density / _HISS_S / 2.0) / usual
    return _Tone(kept * np.conj(turn), rate_hz, widest, hiss)


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


class _Found(NamedTuple):
    """A fit, and whether no other delay explains nearly as much."""

    fit: _Fit
    alone: bool


def _best(tone: _Tone, delay_s: float | None, middle: slice) -> _Found:
    """The simplest model that explains the size; each further term must be worth it."""
    signal, rate_hz = tone.signal, tone.rate_hz
    usual = float(np.median(np.abs(signal[middle])))
    plain = _Model(0j, 0j, usual, 0.0)
    best = _Fit(plain, None, _fit_ripple(plain, tone, None, middle))
    enough = max(_SMOOTH_RIPPLE, _OVER_HISS * tone.hiss)
    if best.ripple < enough:
        return _Found(best, alone=True)
    hz, dry = _line(signal, rate_hz, middle)
    still = signal * np.exp(-2j * math.pi * hz / rate_hz * np.arange(len(signal)))
    mixed = _Model(dry, 0j, float(np.median(np.abs(still[middle] - dry))), hz)
    # The line may also be the repeat's own, where the transport is very steady.
    little = _Model(_ALMOST_NONE * dry, 0j, usual, hz)
    best = _worthwhile(best, [_fit(tone, None, middle, start) for start in (mixed, little)])
    if best.ripple < enough:
        return _Found(best, alone=True)
    return _looped(best, tone, delay_s, middle, mixed)


def _looped(best: _Fit, tone: _Tone, delay_s: float | None, middle: slice, line: _Model) -> _Found:
    """`best`, or the loop with or without a dry tone that explains much more."""
    starts, span = _starts(tone, delay_s, line, _WORTH * best.ripple)
    usual = float(np.median(np.abs(tone.signal[middle])))
    hopeful = [
        start
        for start in starts
        if _stable(start.model, usual) and start.ripple < _PROMISING * best.ripple
    ]
    hopeful.sort(key=lambda fit: fit.ripple)
    fits = [_refined(tone, span, start) for start in hopeful[:_TRIED]]
    fits = [fit for fit in fits if _stable(fit.model, usual)]
    if not fits:
        return _Found(best, alone=True)
    # Where the loop holds, which is as long as the tone is played.
    fits.sort(key=lambda fit: fit.ripple)
    fits = [_held(tone, fit) for fit in fits[:2]] + fits[2:]
    nearest = min(fits, key=lambda fit: fit.ripple)
    if nearest.ripple >= _WORTH * best.ripple:
        return _Found(best, alone=True)
    # The simplest of those that explain as much.
    without = [fit for fit in fits if fit.model.dry == 0 and fit.ripple * _NEARLY < nearest.ripple]
    chosen = min(without, key=lambda fit: fit.ripple, default=nearest)
    others = [
        fit.ripple
        for fit in fits
        if abs(_usual_lag(fit) - _usual_lag(chosen)) > _APART_S * tone.rate_hz
    ]
    return _Found(chosen, alone=min(others, default=math.inf) > _ALONE * chosen.ripple)


def _held(tone: _Tone, fit: _Fit) -> _Fit:
    """`fit` to all of the tone that it holds for, step by step."""
    for _ in range(_HELD_ROUNDS):
        span = _holding(tone, fit)
        if span is None:
            break
        wider = _refined(tone, span, _fit(tone, fit.lag, span, fit.model, _LAST), _LAST)
        if wider.ripple > max(_LEFT_OVER * fit.ripple, _SMOOTH_RIPPLE):
            break
        fit = wider
    return fit


def _holding(tone: _Tone, fit: _Fit) -> slice | None:
    """The longest stretch that `fit` holds for, dropouts and all, but for edges, where it fades."""
    from scipy.ndimage import binary_closing, label  # noqa: PLC0415 - loaded by what needs it

    signal, rate_hz = tone.signal, tone.rate_hz
    block = max(1, round(_HELD_S * rate_hz))
    count = len(signal) // block
    wet, expected = _two_sizes(fit.model, fit.model.still(signal, rate_hz), fit.lag)
    off = np.abs(wet - expected)[: count * block].reshape(count, block)
    most = max(_LEFT_OVER * max(fit.ripple, tone.hiss), _LEAST_HELD)
    good = np.median(off, axis=1) < most * float(np.median(np.abs(signal)))
    runs, _ = label(binary_closing(good, np.ones(_BRIDGED_BLOCKS)))
    lengths = np.bincount(runs.ravel())[1:]
    if not len(lengths) or lengths.max() < _LEAST_BLOCKS:
        return None
    blocks = np.flatnonzero(runs == 1 + int(np.argmax(lengths)))
    first, last = int(blocks[0]) + _EDGE_BLOCKS, int(blocks[-1]) + 1 - _EDGE_BLOCKS
    return slice(first * block, last * block)


def _stable(model: _Model, usual: float) -> bool:
    """Whether this is a loop that dies away, and not a sound that is like itself a lag before."""
    return abs(model.feedback) * model.size < _MOST_GAIN and model.size > _LEAST_SIZE * usual


def _usual_lag(fit: _Fit) -> float:
    return 0.0 if fit.lag is None else float(np.mean(fit.lag))


def _starts(
    tone: _Tone, delay_s: float | None, line: _Model, enough: float
) -> tuple[list[_Fit], slice]:
    """Loops that explain the size best, and the samples that they were found on.

    More of how the lag may move is tried until one leaves a ripple of less than `enough`.
    """
    rate_hz, line_hz = tone.rate_hz, line.turn_hz
    low, high = _THIN_HZ
    step = max(1, int(rate_hz / min(max(low, _PER_TURN * tone.widest_hz), high)))
    thin_hz = rate_hz / step
    turned = line.still(tone.signal, rate_hz)
    taps = low_pass(0.25 * thin_hz, 0.5 * thin_hz, 40.0, rate_hz) if step > 1 else np.ones(1)
    kept = np.convolve(turned, taps, mode="same")
    usual = float(np.median(np.abs(kept[::step])))
    near_s = _NEAR_S if delay_s is None else _NEAR_S + _NEAR * delay_s
    window = window_of(_standing(kept[::step], thin_hz), thin_hz, delay_s, near_s)
    if window is None:
        return [], slice(0, 0)
    # Where no dry tone shows its frequency, the tone was played at a nominal one, as far as two
    # clocks agree.
    nominal = min(NOMINAL_HZ, key=lambda known: abs(known - CENTRE_HZ - line_hz)) - CENTRE_HZ
    frames = [turns_hz(nominal - line_hz, _CLOCKS_APART_HZ, window, thin_hz)]
    if abs(nominal - line_hz) > _CLOCKS_APART_HZ - _LINE_OFF_HZ:
        frames.append(turns_hz(0.0, _LINE_OFF_HZ, window, thin_hz))
    frames_hz = np.concatenate(frames)
    span = slice(window.first * step, window.last * step)
    starts = []
    for moves in _likely_moves(tone, line, span):
        heard = _heard(kept / usual, moves, step)
        found = loops(heard, thin_hz, window, frames_hz, most=_TRIED)
        for loop in found:
            if loop.misfit > _MUCH_WORSE * found[0].misfit:
                break
            lag = loop.lag_s * rate_hz + moves
            mixed = _model_of(loop, usual, line_hz)
            # How the tape moved shows in the phase, with what is fed back taken out or not.
            still = mixed._replace(feedback=0j)
            lags = [lag] + [_moved_lag(tone, m, lag, span) for m in (mixed, still)]
            models = [mixed] if abs(loop.dry) > _CLEARLY_DRY else [mixed._replace(dry=0j), mixed]
            for model in models:
                tries = [_fit(tone, one, span, model, _FIRST) for one in lags]
                starts.append(min(tries, key=lambda fit: fit.ripple))
        if min((start.ripple for start in starts), default=math.inf) < enough:
            break
    return starts, span


def _likely_moves(tone: _Tone, line: _Model, span: slice) -> list[Floats]:
    """How the lag may move, in samples: not, or as the phase with or without the dry tone says.

    A lag that moves by little of a turn of what the tone deviates is as good as a constant one.
    """
    moves = [np.zeros(len(tone.signal))]
    for model in (line._replace(dry=0j), line):
        likely = np.clip(_moves(tone, model, 0j, span), -_MOST_MOVED_S * tone.rate_hz, None)
        likely = np.minimum(likely, _MOST_MOVED_S * tone.rate_hz)
        if float(np.std(likely[span])) * tone.widest_hz > _MUCH_MOVED * tone.rate_hz:
            moves.append(likely)
    return moves


def _heard(kept: Complexes, moves: Floats, step: int) -> HeardTone:
    """Every `step`-th sample, and what is heard when that is read from the tape."""
    numbers = np.arange(len(kept), dtype=np.float64)
    place = np.interp(numbers[::step], numbers - moves, numbers)
    before = kept[::step]
    now = _at(kept, place) if moves.any() else before
    return HeardTone(now, place / step, before)


def _standing(signal: Complexes, rate_hz: float) -> int:
    """The samples until the tone dies away."""
    block = max(1, round(_STANDS_S * rate_hz))
    count = len(signal) // block
    sizes = np.median(np.abs(signal)[: count * block].reshape(count, block), axis=1)
    return (int(np.flatnonzero(sizes > _STANDS * np.median(sizes))[-1]) + 1) * block


def _model_of(loop: Loop, usual: float, line_hz: float) -> _Model:
    """The loop in the units of the recording."""
    return _Model(
        loop.dry * usual,
        loop.feedback / loop.size / usual,
        loop.size * usual,
        line_hz + loop.turn_hz,
    )


def _worthwhile(best: _Fit, fits: list[_Fit]) -> _Fit:
    better = min(fits, key=lambda fit: fit.ripple)
    return better if better.ripple < _WORTH * best.ripple else best


def _refined(tone: _Tone, middle: slice, fit: _Fit, effort: _Effort = _USUAL) -> _Fit:
    """`fit`, and the lag moved with it as far as that helps."""
    for _ in range(_ROUNDS):
        assert fit.lag is not None  # noqa: S101 - for the type checker: a loop has a lag
        moved = _moved_lag(tone, fit.model, fit.lag, middle)
        closer = _fit(tone, moved, middle, fit.model, effort)
        if closer.ripple >= fit.ripple:
            break
        worth = closer.ripple < _CLOSER * fit.ripple
        fit = closer
        if not worth:
            break
    return fit


def _fit(
    tone: _Tone, lag: Floats | None, middle: slice, start: _Model, effort: _Effort = _USUAL
) -> _Fit:
    model, lag = _fitted(tone, lag, middle, start, effort)
    return _Fit(model, lag, _fit_ripple(model, tone, lag, middle))


def _fit_ripple(model: _Model, tone: _Tone, lag: Floats | None, middle: slice) -> float:
    from scipy.ndimage import uniform_filter1d  # noqa: PLC0415 - loaded by what needs it

    wet, expected = _two_sizes(model, model.still(tone.signal, tone.rate_hz), lag)
    usual = float(np.median(np.abs(tone.signal[middle])))
    off = uniform_filter1d(wet[middle] - expected[middle], max(1, round(_HISS_S * tone.rate_hz)))
    return 1.4826 * float(np.median(np.abs(off))) / usual


def _line(signal: Complexes, rate_hz: float, middle: slice) -> tuple[float, complex]:
    """The strongest line: a dry tone is one, a repeat is spread about it. Phase at sample 0."""
    part = signal[middle]
    window = np.hanning(len(part))
    points = 1 << (4 * len(part) - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.fft(part * window, points))))
    hz = float(np.fft.fftfreq(points, 1.0 / rate_hz)[peak])
    turn = np.exp(-2j * math.pi * hz / rate_hz * np.arange(middle.start, middle.stop))
    return hz, complex(np.sum(part * turn * window) / np.sum(window))


def _moved_lag(tone: _Tone, model: _Model, lag: Floats, middle: slice) -> Floats:
    """The lag as the first repeat's own phase says that it moved, about its mean or its drift."""
    fed = model.feedback * _delayed(model.still(tone.signal, tone.rate_hz) - model.dry, lag)
    moves = np.clip(_moves(tone, model, fed, middle), -_MOVED * lag, _MOVED * lag)
    numbers = np.arange(len(lag))
    drift = np.polyfit(numbers[middle], lag[middle], _drifts(model))
    return np.asarray(np.polyval(drift, numbers) + moves)


def _moves(tone: _Tone, model: _Model, fed: Complexes | complex, middle: slice) -> Floats:
    """How far the lag moves, in samples, as the phase of the unit's sound over what it wrote says.

    About its mean, or its drift where that cannot be told.
    """
    back = 1.0 + fed
    turned = model.still(tone.signal, tone.rate_hz) - model.dry
    phase = np.unwrap(np.angle(turned / np.where(np.abs(back) > 0.1, back, 0.1)))
    moved = -phase / (2.0 * math.pi * (CENTRE_HZ + model.turn_hz)) * tone.rate_hz
    numbers = np.arange(len(moved))
    drift = np.polyfit(numbers[middle], moved[middle], _drifts(model))
    return np.asarray(moved - np.polyval(drift, numbers))


def _drifts(model: _Model) -> int:
    """1 where no dry tone shows what was played: then a drift may be a tone a little off."""
    return int(abs(model.dry) <= _CLEARLY_DRY * model.size)


def _ripple(size: Floats) -> float:
    """Scatter of a size about 1, not led by a few dropouts."""
    return float(1.4826 * np.median(np.abs(size / np.median(size) - 1.0)))


def _sizes(model: _Model, still: Complexes, lag: Floats | None) -> Floats:
    """The size of `c`, over what it should be: 1 throughout where the model holds."""
    wet, expected = _two_sizes(model, still, lag)
    # Where little was written, little of the size is left to judge by.
    return np.asarray(1.0 + (wet - expected) / np.maximum(expected, _LEAST_EXPECTED * model.size))


def _two_sizes(model: _Model, still: Complexes, lag: Floats | None) -> tuple[Floats, Floats]:
    """The size of the unit's sound, and what the model makes it."""
    wet = still - model.dry
    written = np.abs(1.0 + model.feedback * _delayed(wet, lag))
    return np.abs(wet), model.size * _played(written, model)


def _played(written: Floats, model: _Model) -> Floats:
    """The size of a replay of the size `written`: a tape saturates by the square, at first."""
    return np.asarray(written * (1.0 - model.pressed * (written**2 - 1.0)))


def _delayed(wet: Complexes, lag: Floats | None) -> Complexes:
    """`wet` as it was `lag` samples earlier; 0 before it began."""
    if lag is None:
        return np.zeros(len(wet), dtype=wet.dtype)
    return _at(wet, np.arange(len(wet)) - lag)


def _at(signal: Complexes, place: Floats) -> Complexes:
    """`signal` between its samples, by the cubic through four of them; 0 before it began."""
    whole = np.clip(np.floor(place).astype(np.int64), 1, len(signal) - 3)
    x = place - whole
    # Lagrange's weights at -1, 0, 1 and 2.
    between = (
        signal[whole - 1] * (x * (x - 1.0) * (2.0 - x) / 6.0)
        + signal[whole] * ((x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0)
        + signal[whole + 1] * ((x + 1.0) * x * (2.0 - x) / 2.0)
        + signal[whole + 2] * ((x + 1.0) * x * (x - 1.0) / 6.0)
    )
    return np.asarray(np.where(place < 0, 0.0, between))


def _fitted(
    tone: _Tone, lag: Floats | None, middle: slice, start: _Model, effort: _Effort
) -> tuple[_Model, Floats | None]:
    """`start` by least squares; a dry tone or a feedback that it lacks stays away."""
    from scipy.optimize import least_squares  # noqa: PLC0415 - loaded by what needs it

    signal, rate_hz = tone.signal, tone.rate_hz
    with_dry, with_feedback = start.dry != 0, lag is not None and start.feedback != 0
    span = middle.stop - middle.start
    numbers = np.arange(middle.start, middle.stop, max(1, span // effort.samples))
    here = signal[numbers]
    delay = np.zeros(len(signal)) if lag is None else lag
    unit = start.size
    # The turn is fitted as the phase it gathers over the middle, and the dry tone as it stands
    # there, so that all unknowns are near 1 and none leans on another.
    per_turn = rate_hz / (2.0 * math.pi * span)
    centre = 1j * math.pi * (middle.start + middle.stop) / rate_hz
    per_lag = _LAG_STEP_S * rate_hz
    dry = start.dry * np.exp(centre * start.turn_hz) / unit
    fed = start.feedback * unit
    ramp = np.linspace(-1.0, 1.0, len(signal))
    first = np.array([dry.real, dry.imag, fed.real, fed.imag, 1.0, 0.0, 0.0, start.pressed, 0.0])
    drifts = with_feedback and _drifts(start) == 1
    free = np.flatnonzero(
        [with_dry] * 2 + [with_feedback] * 2 + [True, True] + [with_feedback] * 2 + [drifts]
    )
    if not (with_dry or with_feedback):
        free = np.array([4])

    def model(x: Floats) -> _Model:
        hz = start.turn_hz + x[5] * per_turn
        stands = complex(complex(x[0], x[1]) * unit * np.exp(-centre * hz))
        return _Model(stands, complex(x[2], x[3]) / unit, x[4] * unit, hz, float(x[7]))

    def whole(x: Floats) -> Floats:
        every = first.copy()
        every[free] = x
        return every

    def misfit(x: Floats) -> Floats:
        every = whole(x)
        tried = model(every)
        turn = -2j * math.pi * tried.turn_hz / rate_hz
        wet = np.abs(here * np.exp(turn * numbers) - tried.dry)
        if not with_feedback:
            return np.asarray((wet - tried.size) / unit)
        behind = delay[numbers] + (every[6] + every[8] * ramp[numbers]) * per_lag
        held = _at(signal, numbers - behind)
        held = held * np.exp(turn * (numbers - behind)) - np.where(held == 0, 0, tried.dry)
        written = _played(np.abs(1 + tried.feedback * held), tried)
        return np.asarray((wet - tried.size * written) / unit)

    fit = least_squares(misfit, first[free], loss="soft_l1", f_scale=0.05, max_nfev=effort.turns)
    every = whole(fit.x)
    return model(every), None if lag is None else lag + (every[6] + every[8] * ramp) * per_lag


def _turned(
    still: Complexes, model: _Model, lag: Floats | None, most: float, rate_hz: float
) -> tuple[Complexes, Floats, npt.NDArray[np.bool_]]:
    """`c`, weighted by the power that was written; its size over what it should be; where it holds.

    Block by block with or without the dry tone, which ends before its repeat does.
    """
    from scipy.ndimage import (  # noqa: PLC0415 - loaded by what needs it
        binary_dilation,
        binary_opening,
        uniform_filter1d,
    )

    ring = max(1, round(_RING_S * rate_hz))
    block = max(1, round(_BLOCK_S * rate_hz))
    choices = [model] if model.dry == 0 else [model, model._replace(dry=0j)]
    signals, sizes, misfits = [], [], []
    for choice in choices:
        wet = still - choice.dry
        back = 1.0 + model.feedback * _delayed(still - model.dry, lag)
        signals.append(wet * np.conj(back))
        expected = _played(np.abs(back), model)
        if model.feedback == 0:
            sizes.append(np.abs(wet) / expected)
        else:
            # Where little was written, its size is told by what is about it.
            heard = uniform_filter1d(np.abs(wet) * expected, ring)
            sizes.append(heard / np.maximum(uniform_filter1d(expected**2, ring), 1e-6))
        off = np.abs(_sizes(choice, still, lag) - 1.0)
        count = -(-len(off) // block)
        padded = np.pad(off, (0, count * block - len(off)), mode="edge")
        misfits.append(np.median(padded.reshape(count, block), axis=1))
    chosen = np.argmin(misfits, axis=0)
    fits = np.min(misfits, axis=0) <= most
    # Beside a long stretch that does not fit, something fades.
    away = binary_opening(~fits, np.ones(_LONG_BLOCKS))
    fits &= ~binary_dilation(away, np.ones(3))
    of_sample = np.repeat(chosen, block)[: len(still)]
    valid = np.repeat(fits, block)[: len(still)]
    # Where one choice gives way to another the dry tone fades, which neither holds for.
    for at in np.flatnonzero(np.diff(of_sample)) + 1:
        valid[max(0, at - block) : at + block] = False
    valid &= np.abs(back) > _LEAST_BACK
    size = np.choose(of_sample, sizes) / model.size
    return np.choose(of_sample, signals), size, valid
