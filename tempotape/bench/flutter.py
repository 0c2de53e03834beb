"""Wow and flutter of a recorded test tone, as AES6-2008 reads it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from tempotape.bench.components import Component, Line, components_of, lines_of
from tempotape.bench.tone import (
    CENTRE_HZ,
    LOWEST_SAMPLE_RATE_HZ,
    SEARCH_HZ,
    Ceiling,
    Complexes,
    Floats,
    Stretch,
    ToneKeeper,
    low_pass,
)
from tempotape.bench.unmixing import first_repeat, slow_level
from tempotape.bench.weighting import (
    SINE_READS_PEAK,
    filtered,
    in_band,
    padded_hz,
    two_sigma,
    weight,
)

SHORTEST_S = 5.0  # AES6-2008: a reading takes at least 5 s
_SHORT_OF_S = 0.15  # edges may hide this much
_EDGE_S = 0.12
_RING_S = 0.005  # the filter that found the tone, to either side
_FULL = 0.85  # of the usual size: the tone is cut there, and does not fade
_DEEPEST_DIP = 0.6  # of the usual size; deeper is a dropout, and its phase is noise
_DIP_REACH_S = 0.015
_BRIDGE_S = 0.006
_LEVEL_STEP = 10 ** (-4.0 / 20.0)
_MOST_NOISE = 0.7
_NOISE_UNSURE = 0.1  # of the noise that was taken out, what may be left
_STEADIER_THAN_TAPE_PERCENT = 0.004  # about what a crystal clock and 16 bits give
_LOUD_DRY = 0.05
_MOST_STILL = 0.5
_BEATING = 0.1
# Shares that one standard deviation of the error is of: the reading, for the weighting between the
# rows of its table; the scatter, for moments that are left out (as seen on simulated transports,
# without and with something taken out of the tone); what is left of a beat.
_WEIGHTING_UNSURE = 0.005
_SPAN_UNSURE, _SPAN_UNSURE_OF_REST = 0.1, 0.25
_BEAT_UNSURE = 0.4
_MOST_BEAT = 0.08  # of the reading
_MOST_LOST = 0.35  # of the time
_LOUD_FEEDBACK = 0.05
_STANDS_STILL = 0.98  # of the tone: one line, and the rest 34 dB under it
_SERIES_RATE_HZ = 100.0


_BEATS = (
    "flutter: the tone beats with something else, or its level wavers; record the wet sound on a "
    "side of its own, with the repeats turned down"
)


_STANDS = (
    "flutter: the tone stands still, as the dry sound alone does, but for a little too weak "
    "to read; record what the unit plays, best as WAV or FLAC"
)


class Flutter(msgspec.Struct, frozen=True):
    """Readings in percent of the mean frequency `tone_hz`.

    `weighted_percent` is the weighted two-sigma reading of what the tape did in these `seconds` of
    tone, `error_percent` one standard deviation of the error in it; `scatter_percent` that by which
    readings of as long tones scatter, as the flutter itself does from one to the next.
    `unweighted_rms_percent` covers 0.1 to 200 Hz. What hiss alone adds, `noise_percent` in the
    weighted reading, is taken out of both. Where repeats are fed back, all this is of the first.
    """

    tone_hz: float
    weighted_percent: float
    error_percent: float
    scatter_percent: float
    unweighted_rms_percent: float
    components: tuple[Component, ...]
    seconds: float
    noise_percent: float


class Deviation(msgspec.Struct, frozen=True):
    """Deviation in percent of the mean, from `start_s` on, at `rate_hz`: for pictures."""

    start_s: float
    rate_hz: float
    percent: tuple[float, ...]


class FlutterResult(msgspec.Struct, frozen=True):
    """`flutter` or, in `warnings`, why there is none; `deviation` of each tone read."""

    flutter: Flutter | None
    warnings: tuple[str, ...]
    deviation: tuple[Deviation, ...] = ()


class _Part(NamedTuple):
    """One demodulated tone: `ratio` is deviation over mean, `valid` false in dropouts.

    `beat` is the deviation that the ripple of the size would be, were it one of the phase: what is
    left of a beat scatters both alike. `unread` is what to say where that hides the reading.
    """

    start_s: float
    rate_hz: float
    mean_hz: float
    ratio: Floats
    valid: npt.NDArray[np.bool_]
    beat: Floats
    plain: bool
    phase_noise: float  # one-sided density of the phase that noise gives, rad^2/Hz
    unread: str


class FlutterMeter:
    """Takes a recording block by block, then reads the flutter of the test tone in it."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._keeper = (
            ToneKeeper(sample_rate_hz) if sample_rate_hz >= LOWEST_SAMPLE_RATE_HZ else None
        )
        self._ceiling = Ceiling()
        self._sample_rate_hz = sample_rate_hz

    def feed(self, block: Floats) -> None:
        """Take the next samples, mono, full scale 1.0, any number of them."""
        if self._keeper is not None:
            self._keeper.feed(block)
            self._ceiling.feed(block)

    def result(self, delay_ms: float | None, loop_period_s: float | None) -> FlutterResult:
        """The reading over all tones long enough; what is known of the unit names components."""
        if self._keeper is None:
            return _refused(
                f"flutter: the sample rate is too low to hold the tone; expected at least "
                f"{LOWEST_SAMPLE_RATE_HZ:g} Hz"
            )
        stretches = self._keeper.stretches()
        longest_s = max((_seconds(stretch) for stretch in stretches), default=0.0)
        if longest_s < SHORTEST_S - _SHORT_OF_S:
            return _refused(_why_no_tone(longest_s, self._keeper.longest_hint_s))
        tone_samples = sum(map(_seconds, stretches)) * self._sample_rate_hz
        delay_s = None if delay_ms is None else delay_ms / 1000.0
        warnings: list[str] = []
        parts = []
        for stretch in stretches:
            if _seconds(stretch) >= SHORTEST_S - _SHORT_OF_S:
                unclipped, told = self._ceiling.taken_off(stretch, tone_samples)
                part, remarks = _demodulated(unclipped, delay_s, size_told=told)
                warnings += [remark for remark in remarks if remark not in warnings]
                if part is not None:
                    parts.append(part)
        if not parts:
            return FlutterResult(None, tuple(warnings))
        return _read(parts, delay_s, loop_period_s, warnings)


def _refused(why: str) -> FlutterResult:
    return FlutterResult(None, (why,))


def _seconds(stretch: Stretch) -> float:
    return len(stretch.signal) / stretch.rate_hz


def _why_no_tone(longest_s: float, hint_s: float) -> str:
    if longest_s >= 1.0:
        return (
            f"flutter: the tone lasts {longest_s:.1f} s, too short for a two-sigma reading; "
            f"expected at least {SHORTEST_S:g} s"
        )
    if hint_s >= 1.0:
        return "flutter: the tone is too noisy to read; expected it at least 10 dB over the hiss"
    return "flutter: no steady tone near 3150 or 3000 Hz"


def _demodulated(
    stretch: Stretch, delay_s: float | None, *, size_told: bool
) -> tuple[_Part | None, list[str]]:
    """The deviation of one tone, and remarks on it; None where it cannot be told."""
    remarks: list[str] = []
    level = slow_level(stretch)
    if level is not None:
        stretch = stretch._replace(signal=stretch.signal / level)
        remarks.append("flutter: the level of the tone wavers slowly; that was taken out")
    repeat = first_repeat(stretch, delay_s)
    plain = repeat.dry == 0 == repeat.fed_back
    stands = repeat.still > _STANDS_STILL * max(1.0, repeat.dry)
    unread = _STANDS if stands else _BEATS
    if not repeat.believed:
        return None, [unread]
    if plain and not size_told and repeat.still > _MOST_STILL:
        return None, [
            "flutter: the tone is clipped so hard that a dry tone in it would not show; record it "
            "softer"
        ]
    if repeat.ripple > _BEATING:
        remarks.append("flutter: the level of the tone wavers, which makes the reading less sure")
    if repeat.dry > _LOUD_DRY:
        remarks.append("flutter: the dry tone sounds too; it was taken out")
    if repeat.fed_back > _LOUD_FEEDBACK:
        remarks.append("flutter: later repeats sound too; they were taken out")
    usual = np.median(repeat.size[repeat.valid]) if repeat.valid.any() else 1.0
    size = repeat.size / usual
    first, last = _usable(size, repeat.valid, stretch.rate_hz, plain=plain)
    signal, valid = repeat.signal[first:last], repeat.valid[first:last]
    if len(signal):
        valid = valid & ~_dips(size[first:last], stretch.rate_hz)
    good_s = float(np.count_nonzero(valid)) / stretch.rate_hz
    if good_s < SHORTEST_S - _SHORT_OF_S - 2 * _EDGE_S:
        why = (
            f"flutter: the tone lasts {_seconds(stretch):.1f} s, but only {good_s:.1f} s of it can "
            f"be read, without dropouts, fades and beats; expected at least {SHORTEST_S:g} s"
        )
        return None, [_STANDS if stands else why]
    hz = _instantaneous_hz(signal, valid, stretch.rate_hz)
    mean_hz = float(np.mean(hz[valid]))
    low, high = SEARCH_HZ
    if not low < mean_hz < high:
        return None, ["flutter: no steady tone near 3150 or 3000 Hz"]
    phase_noise = _phase_noise(signal, valid, mean_hz, stretch.rate_hz)
    start_s = stretch.start_s + first / stretch.rate_hz
    return (
        _Part(
            start_s,
            stretch.rate_hz,
            mean_hz,
            hz / mean_hz - 1.0,
            valid,
            _as_deviation(size[first:last], valid, mean_hz, stretch.rate_hz),
            plain,
            phase_noise,
            unread,
        ),
        remarks,
    )


def _beat_reading(parts: Sequence[_Part], noise: float) -> float:
    """What the ripple of the size reads, without the share of hiss in it."""
    beats = [
        filtered(part.beat, weight(padded_hz(len(part.beat), part.rate_hz)))[part.valid]
        for part in parts
    ]
    return math.sqrt(max(two_sigma(beats, parts[0].rate_hz).value ** 2 - noise**2, 0.0))


def _as_deviation(
    size: Floats, valid: npt.NDArray[np.bool_], mean_hz: float, rate_hz: float
) -> Floats:
    numbers = np.arange(len(size))
    ripple = np.interp(numbers, numbers[valid], size[valid] / np.median(size[valid]))
    return np.asarray(np.gradient(ripple) * rate_hz / (2.0 * math.pi * mean_hz))


def _dips(size: Floats, rate_hz: float) -> npt.NDArray[np.bool_]:
    reach = max(1, round(_DIP_REACH_S * rate_hz))
    deep = size < _DEEPEST_DIP
    near = np.convolve(deep, np.ones(2 * reach + 1))
    return near[reach : reach + len(size)] > 0.5


def _usable(
    size: Floats, valid: npt.NDArray[np.bool_], rate_hz: float, *, plain: bool
) -> tuple[int, int]:
    """Where the tone stands: without its fades, and without repeats that die away after it."""
    window = max(1, round(0.05 * rate_hz))
    count = len(size) // window
    shaped = size[: count * window].reshape(count, window).mean(axis=1)
    good = valid & ~_dips(size, rate_hz)
    full = (shaped > _LEVEL_STEP) & good[: count * window].reshape(count, window).all(axis=1)
    standing = np.flatnonzero(full)
    edge = round(_EDGE_S * rate_hz)
    if not len(standing):
        return 0, 0
    begin, end = int(standing[0]) * window, (int(standing[-1]) + 1) * window
    first, last = begin + edge, end - edge
    if plain:
        loud = valid & (size > _LEVEL_STEP)
        first = _cut(size, loud, begin, rate_hz) or first
        off = _cut(size[::-1], loud[::-1], len(size) - end, rate_hz)
        last = last if off is None else len(size) - off
    return first, last


def _cut(size: Floats, loud: npt.NDArray[np.bool_], begin: int, rate_hz: float) -> int | None:
    """Where a tone that starts at once is full, before or at `begin`; None where it fades in."""
    softer = np.flatnonzero(~loud[:begin])
    first = (int(softer[-1]) + 1 if len(softer) else 0) + round(_RING_S * rate_hz)
    # A mean over a ring's length: hiss is no fade.
    ring = round(_RING_S * rate_hz)
    stands = np.convolve(
        size[first : begin + round(_EDGE_S * rate_hz)], np.ones(ring) / ring, mode="valid"
    )
    return first if np.all(stands > _FULL) else None


def _instantaneous_hz(signal: Complexes, valid: npt.NDArray[np.bool_], rate_hz: float) -> Floats:
    """The frequency at each sample, from the phase step across it; bridged in dropouts."""
    step = np.angle(signal[1:] * np.conj(signal[:-1])) * rate_hz / (2.0 * math.pi)
    middle = float(np.median(step[valid[1:]]))
    # Hiss is kept out of the phase by a band no wider than the tone needs: what it deviates, and
    # the 200 Hz that the reading covers.
    smooth = np.convolve(step, np.ones(12) / 12.0, mode="same")[valid[1:]]
    widest = float(np.quantile(np.abs(smooth - middle), 0.99))
    reach = min(250.0 + 1.5 * widest, 0.4 * rate_hz - 100.0)
    turn = np.exp(-2j * math.pi * middle / rate_hz * np.arange(len(signal)))
    taps = low_pass(reach, reach + 100.0, 50.0, rate_hz)
    narrow = np.convolve(np.where(valid, signal * turn, 0.0), taps, mode="same")
    half = len(taps) // 2
    # The filter rings in where the tone is cut: the ends keep the wide band.
    wide = signal * turn
    narrow[:half], narrow[len(narrow) - half :] = wide[:half], wide[len(wide) - half :]
    step = np.angle(narrow[1:] * np.conj(narrow[:-1])) * rate_hz / (2.0 * math.pi)
    hz = np.concatenate([step, step[-1:]])
    both = valid & np.concatenate([valid[1:], valid[-1:]])
    if np.all(both):
        return np.asarray(CENTRE_HZ + middle + hz)
    # A gap is bridged between means: the hiss of a single sample would become slow flutter.
    near = np.ones(2 * round(_BRIDGE_S * rate_hz) + 1)
    weights = np.convolve(both, near, mode="same")
    mean = np.convolve(np.where(both, hz, 0.0), near, mode="same") / np.maximum(weights, 1.0)
    numbers = np.arange(len(hz))
    bridged = np.interp(numbers, numbers[both], mean[both])
    return np.asarray(CENTRE_HZ + middle + np.where(both, hz, bridged))


def _phase_noise(
    signal: Complexes, valid: npt.NDArray[np.bool_], mean_hz: float, rate_hz: float
) -> float:
    """One-sided density of the phase noise that hiss gives, from the hiss beside the tone."""
    from scipy.signal import welch  # noqa: PLC0415 - loaded by what needs it

    turn = np.exp(-2j * math.pi * (mean_hz - CENTRE_HZ) / rate_hz * np.arange(len(signal)))
    still = np.where(valid, signal * turn, 0.0)
    hz, density = welch(
        still, rate_hz, window="blackmanharris", nperseg=1024, return_onesided=False, detrend=False
    )
    beside = (np.abs(hz) > 500.0) & (np.abs(hz) < 700.0)
    carrier = float(np.mean(np.abs(signal[valid]) ** 2))
    # Hiss of density n on both sides gives a phase of density n / carrier: half of it is
    # phase, and both sides fold into one.
    return float(np.median(density[beside])) / carrier


def _read(
    parts: Sequence[_Part],
    delay_s: float | None,
    loop_period_s: float | None,
    warnings: list[str],
) -> FlutterResult:
    rate_hz = parts[0].rate_hz
    spectra = [lines_of(part.ratio, rate_hz) for part in parts]
    weighted = [_banded(part, lines, weight) for part, lines in zip(parts, spectra, strict=True)]
    plain = [_banded(part, lines, in_band) for part, lines in zip(parts, spectra, strict=True)]
    reading = two_sigma(weighted, rate_hz)
    noise = max(map(_noise_reading, parts))
    if noise > max(
        _MOST_NOISE * math.hypot(reading.value, noise), _STEADIER_THAN_TAPE_PERCENT / 100.0
    ):
        why = f"flutter: hiss alone reads {100 * noise:.2g} %, and hides it; record the tone louder"
        return FlutterResult(None, (*warnings, why))
    if 100 * reading.value < _STEADIER_THAN_TAPE_PERCENT:
        why = (
            f"flutter: the tone is steady within {_STEADIER_THAN_TAPE_PERCENT:g} %, as no tape is "
            "and the dry sound alone is; record what the unit plays"
        )
        return FlutterResult(None, (*warnings, why))
    longest = max(range(len(parts)), key=lambda number: len(parts[number].ratio))
    lines = [Line(line.hz, 100.0 * line.cosine, 100.0 * line.sine) for line in spectra[longest]]
    longest_s = len(parts[longest].ratio) / rate_hz
    seconds = sum(float(np.count_nonzero(part.valid)) for part in parts) / rate_hz
    beat = _beat_reading(parts, noise)
    whole = sum(len(part.valid) for part in parts)
    lost = 1.0 - sum(np.count_nonzero(part.valid) for part in parts) / whole
    if beat > _MOST_BEAT * reading.value or lost > _MOST_LOST:
        return FlutterResult(None, tuple(dict.fromkeys(part.unread for part in parts)))
    untouched = all(part.plain for part in parts)
    error = math.hypot(
        _WEIGHTING_UNSURE * reading.value,
        (_SPAN_UNSURE if untouched else _SPAN_UNSURE_OF_REST) * reading.error,
        math.sqrt(lost) * reading.error,
        _NOISE_UNSURE * noise,
        _BEAT_UNSURE * beat,
    )
    flutter = Flutter(
        tone_hz=_mean_hz(parts, spectra),
        weighted_percent=100.0 * reading.value,
        error_percent=100.0 * error,
        scatter_percent=100.0 * reading.error,
        unweighted_rms_percent=100.0 * math.sqrt(float(np.mean(np.concatenate(plain) ** 2))),
        components=components_of(lines, longest_s, delay_s, loop_period_s),
        seconds=seconds,
        noise_percent=100.0 * noise,
    )
    return FlutterResult(flutter, tuple(warnings), tuple(map(_for_pictures, parts)))


def _mean_hz(parts: Sequence[_Part], spectra: Sequence[Sequence[Line]]) -> float:
    """The mean frequency, without what a slow line adds where the tone cuts its turn short."""
    weights = [len(part.ratio) for part in parts]
    means = [
        part.mean_hz
        * (1.0 - sum(float(np.mean(line.drawn(length, part.rate_hz))) for line in lines))
        for part, lines, length in zip(parts, spectra, weights, strict=True)
    ]
    return float(np.average(means, weights=weights))


def _banded(part: _Part, lines: Sequence[Line], band: Callable[[Floats], Floats]) -> Floats:
    """The deviation as `band` passes it, where valid, with the hiss taken out.

    Lines are passed each as a whole, so that the ends of the tone do not smear them. Of the rest,
    each frequency is brought down to the power that it has over the hiss.
    """
    rate_hz, length = part.rate_hz, len(part.ratio)
    rest = part.ratio - sum(line.drawn(length, rate_hz) for line in lines)
    hz = padded_hz(length, rate_hz)
    # A phase step over one sample is the mean frequency across it.
    droop = np.sinc(hz / rate_hz)
    passed = filtered(rest, band(hz) / droop * _over_noise(part, rest, hz))
    for line in lines:
        at = np.array([line.hz])
        passed += line.drawn(length, rate_hz, float((band(at) / np.sinc(at / rate_hz))[0]))
    return passed[part.valid]


def _over_noise(part: _Part, rest: Floats, hz: Floats) -> Floats:
    """The amplitude factor that leaves of `rest` the power over the phase noise."""
    from scipy.signal import welch  # noqa: PLC0415 - loaded by what needs it

    bins_hz, power = welch(rest, part.rate_hz, nperseg=min(len(rest), 2048))
    noise = _deviation_noise(part, bins_hz)
    share = np.clip(1.0 - noise / np.maximum(power, 1e-300), 0.0, 1.0)
    return np.asarray(np.interp(hz, bins_hz, np.sqrt(share)))


def _deviation_noise(part: _Part, hz: Floats) -> Floats:
    """One-sided density of the deviation that phase noise gives: frequency is turning phase."""
    return np.asarray(part.phase_noise * (hz / part.mean_hz) ** 2)


def _noise_reading(part: _Part) -> float:
    """The weighted two-sigma reading of hiss alone; of Gaussian noise it is 1.96 times the rms."""
    hz = np.arange(0.0, 400.0, 0.1)
    power = float(np.sum(weight(hz) ** 2 * _deviation_noise(part, hz))) * 0.1
    return 1.959964 * SINE_READS_PEAK * math.sqrt(power)


def _for_pictures(part: _Part) -> Deviation:
    step = max(1, int(part.rate_hz / _SERIES_RATE_HZ))
    count = len(part.ratio) // step
    means = 100.0 * part.ratio[: count * step].reshape(count, step).mean(axis=1)
    return Deviation(part.start_s, part.rate_hz / step, tuple(map(float, means)))
