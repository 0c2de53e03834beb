"""Attacks in a recording: where something begins to sound, over hum, hiss and what rings on.

The sound is first whitened by its own background, the median spectrum over the recording: steady
hum and hiss come out flat with unit spread, and what is struck stands out.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from tempotape.bench.recording import Samples
from tempotape.bench.thinned import Thinned

FFT_FRAMES = 2048  # 5 Hz a bin at the working rate: narrow enough for the lines of hum
MOST_FRAMES = 400  # spectra taken over the recording
WIDE_BINS, LINE = 31, 10.0  # in power: lines stand so far out
PEAKS_PERCENTILE, TONAL = 98, 12.0
MIDDLE_HZ = (250.0, 2500.0)
BRIEF_S, BRIEF_HZ = 0.004, (350.0, 3500.0)
HOP_S = 0.0005
SMOOTH_S = 0.001
BEFORE_S = 0.040  # an attack is louder than what went before over this time
APART_S = 0.008
FAINT = 3e-3  # in energy, of the louder attacks: fainter ones are not needed
RISE = 4.0  # in energy
OVER_NOISE = 14.0  # in energy, over the median
RINGING_S = FFT_FRAMES / 24_000
MOST_VALUES = 200_000
MARGIN = 4000  # steps of the envelope
RINGING = 8e-3  # in energy
LEAST_NOISE = 1e-3  # in energy; where nothing sounds, rounding must not count
LOUDEST = 20
AROUND_S, OVER_AROUND = 0.25, 7.0
TONE_S, TONE_HZ, OVER_HUM_HZ = 0.25, (2850.0, 3350.0), 400.0
TONE_PART, TONE_STEADY, PARTS = 0.7, 0.05, 5  # in energy; of a block
LASTS_S, RINGS_ON_S = 2.0, 0.6
BLOCKS_AT_ONCE = 32
HISSING = 0.15  # noise: the whitened background has about twice this where all of it is hiss
HISS_S, HISS_FRAME_S = 60.0, 0.040
STEADY = 1.2  # usual power over quiet: of 40 ms of hiss in this band 1.11 to 1.19
CHUNK = 1 << 16
MOST_HELD = 1_500_000  # samples, two minutes
BLOCK, BLOCKS_KEPT = 1 << 13, 512  # samples; six minutes of them in 17 MB
MOST_BLOCKS = 16  # asked for at once: more are looked at once only


class Whitened(msgspec.Struct, frozen=True, dict=True):
    """A thinned channel, seen through a filter that makes its background white."""

    thinned: Thinned
    taps: Samples  # symmetric, odd length
    magnitude: Samples  # of the filter, at equal steps of frequency up to half the rate
    raw_background: Samples  # power of the background before the filter, a sample, likewise
    tonal: bool  # of notes: what sounds loudest has partials

    @property
    def rate_hz(self) -> float:
        return self.thinned.rate_hz

    def __len__(self) -> int:
        return len(self.thinned)

    def background(self, hz: Samples) -> Samples:
        """Power of the background, a sample, at frequencies `hz`."""
        grid = np.linspace(0, self.rate_hz / 2, len(self.magnitude))
        return np.interp(hz, grid, self.raw_background * self.magnitude**2)

    @cached_property
    def noise(self) -> float:
        """Power of the background after the filter, a sample."""
        return float(np.mean(self.raw_background * self.magnitude**2))

    @cached_property
    def hissing(self) -> bool:
        """Whether hiss is heard, and all the time: repeats come and go, the most even ones too."""
        if self.noise < HISSING:
            return False
        frame = round(HISS_FRAME_S * self.rate_hz)
        heard = self.part(*self.middle)
        power = (heard[: len(heard) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
        quiet, usual = np.quantile(power, (0.05, 0.5)) if len(power) else (0.0, 1.0)
        return bool(usual < STEADY * quiet)

    @property
    def middle(self) -> tuple[int, int]:
        """First sample and the one after the last of the minute in the middle, or of all."""
        rest = max(0, len(self) - round(HISS_S * self.rate_hz)) // 2
        return rest, len(self) - rest

    def through(self, other: Whitened) -> Whitened:
        """This channel, seen through the filter of another."""
        return msgspec.structs.replace(self, taps=other.taps, magnitude=other.magnitude)

    @cached_property
    def brief(self) -> Whitened:
        """This channel, seen through a short filter: it does not ring, nor take out hum."""
        reach = round(BRIEF_S * self.rate_hz)
        taps = signal.firwin(2 * reach + 1, BRIEF_HZ, pass_zero=False, fs=self.rate_hz)
        _, response = signal.freqz(taps, worN=len(self.magnitude), include_nyquist=True)
        return msgspec.structs.replace(self, taps=taps, magnitude=np.abs(response))

    def part(self, begin: int, end: int) -> Samples:
        """Samples `begin` to `end`; zeros well outside the recording."""
        if self._whole is None:
            return self._kept.part(begin, end, self._filtered)
        half = len(self.taps) // 2  # so far the filter rings
        out = np.zeros(end - begin)
        low, high = max(begin, -half), min(end, len(self) + half)
        if high > low:
            out[low - begin : high - begin] = self._whole[low + half : high + half]
        return out

    @cached_property
    def _whole(self) -> Samples | None:
        """All of a short recording, or None: many of its parts are asked for over and over."""
        half = len(self.taps) // 2
        return self._filtered(-half, len(self) + half) if len(self) <= MOST_HELD else None

    @cached_property
    def _kept(self) -> _Kept:
        return _Kept()

    def _filtered(self, begin: int, end: int) -> Samples:
        half = len(self.taps) // 2
        # What is held is no finer than single precision.
        raw = self.thinned.part(begin - half, end + half).astype(np.float32)
        if end - begin > MOST_BLOCKS * BLOCK:
            taps = self.taps.astype(np.float32)
            return np.asarray(signal.oaconvolve(raw, taps, "valid").astype(float))
        size = fft.next_fast_len(len(raw), real=True)
        made = fft.irfft(fft.rfft(raw, size) * self._response(size), size)
        # As far as the filter is long, what comes round from the end is in it.
        return np.asarray(made[2 * half : len(raw)].astype(float))

    def _response(self, size: int) -> NDArray[np.complex64]:
        """The filter's response at the frequencies of so many samples; blocks are all as long."""
        if size not in self._responses:
            self._responses[size] = fft.rfft(self.taps.astype(np.float32), size)
        return self._responses[size]

    @cached_property
    def _responses(self) -> dict[int, NDArray[np.complex64]]:
        return {}


class _Kept:
    """What was made of parts of a long recording, block by block, the last that were asked for.

    The same attacks are looked at over and over. All the room is taken at once: blocks that come
    and go would leave gaps in memory.
    """

    def __init__(self) -> None:
        self._room = np.empty((BLOCKS_KEPT, BLOCK), np.float32)
        self._rows: OrderedDict[int, int] = OrderedDict()  # of the blocks, the latest last

    def part(self, begin: int, end: int, made: Callable[[int, int], Samples]) -> Samples:
        """Samples `begin` to `end`, as `made` gives them."""
        if end - begin > MOST_BLOCKS * BLOCK:
            return made(begin, end)
        blocks = range(begin // BLOCK, (end - 1) // BLOCK + 1)
        missing = [block for block in blocks if block not in self._rows]
        if missing:
            first = missing[0]
            fresh = made(first * BLOCK, (missing[-1] + 1) * BLOCK)
            for block in missing:
                row = self._free_row(blocks)
                self._room[row] = fresh[(block - first) * BLOCK :][:BLOCK]
                self._rows[block] = row
        out = np.empty(end - begin)
        for block in blocks:
            self._rows.move_to_end(block)
            first, kept = block * BLOCK, self._room[self._rows[block]]
            low, high = max(begin, first), min(end, first + BLOCK)
            out[low - begin : high - begin] = kept[low - first : high - first]
        return out

    def _free_row(self, wanted: range) -> int:
        """A row of the room, of the block that was asked for longest ago if all are taken."""
        if len(self._rows) < BLOCKS_KEPT:
            return len(self._rows)
        oldest = next(block for block in self._rows if block not in wanted)
        return self._rows.pop(oldest)


class Attacks(msgspec.Struct, frozen=True):
    """Attacks at sample numbers `at` of the working rate; `energy` over the noise at each.

    `tones` are the stretches in which a tone to measure flutter by sounds: none are told there.
    """

    at: NDArray[np.int64]
    energy: Samples
    tones: tuple[tuple[int, int], ...] = ()

    def __len__(self) -> int:
        return len(self.at)


def whitened(thinned: Thinned) -> Whitened | None:
    """The channel with its background made white, or None where there is no sound at all."""
    frames = max(1, min(MOST_FRAMES, len(thinned) // FFT_FRAMES))
    begins = np.linspace(0, max(0, len(thinned) - FFT_FRAMES), frames).astype(int)
    window = np.hanning(FFT_FRAMES)
    parts = np.stack([thinned.part(b, b + FFT_FRAMES) for b in begins])
    power = np.abs(fft.rfft(parts * window, axis=1)) ** 2 / np.sum(window**2)
    mean = power.mean(axis=0)
    if not mean.max() > 0:
        return None
    # A background much below the sounds is of no use: where there is none, flatten the sounds.
    background = np.median(power, axis=0) / np.log(2)
    wide = ndimage.median_filter(background, WIDE_BINS, mode="nearest")
    lines = background > LINE * wide
    tonal = _tonal(power[:, ~lines])
    if not tonal:
        # Sounds close together make ripples in the spectrum, which must not be undone.
        background = np.where(lines, background, wide)
    smooth = ndimage.uniform_filter1d(mean, 9, mode="nearest")
    floor = np.maximum(background, np.maximum(3e-4 * smooth, 1e-7 * smooth.max()))
    hz = fft.rfftfreq(FFT_FRAMES, 1 / thinned.rate_hz)
    magnitude = _middle(hz) / np.sqrt(floor)
    taps = np.roll(fft.irfft(magnitude), FFT_FRAMES // 2)
    taps = np.concatenate((taps, taps[:1])) * np.hanning(FFT_FRAMES + 1)
    return Whitened(thinned, taps, magnitude, background, tonal)


def _tonal(power: Samples) -> bool:
    """Whether what sounds loudest, in power spectra a row, has partials: notes, not clicks."""
    loud = power[np.argsort(power.sum(axis=1))[-LOUDEST:]]
    wide = ndimage.median_filter(loud, (1, WIDE_BINS), mode="nearest")
    ripple = np.percentile(loud / np.maximum(wide, 1e-30), PEAKS_PERCENTILE, axis=1)
    return float(np.median(ripple)) > TONAL


def _middle(hz: Samples) -> Samples:
    """Weight of the middle of the band, where a tape turns phases least."""
    low = hz**2 / (hz**2 + MIDDLE_HZ[0] ** 2)
    return low / (1 + (hz / MIDDLE_HZ[1]) ** 2)


def attacks(sound: Whitened, over_noise: float = OVER_NOISE) -> Attacks:
    """Every attack, in order of time, so far over the noise (in energy, over its median)."""
    hop = max(1, round(HOP_S * sound.rate_hz))
    width = max(1, round(SMOOTH_S * sound.rate_hz))
    envelope = _envelope(sound, hop, width)
    if len(envelope) < 8:
        return Attacks(np.zeros(0, np.int64), np.zeros(0))
    some = envelope[:: max(1, len(envelope) // MOST_VALUES)]
    noise = max(float(np.median(some)), LEAST_NOISE)
    steps = [
        _struck(
            envelope[max(0, begin - MARGIN) : begin + CHUNK + MARGIN],
            noise,
            over_noise,
            hop / sound.rate_hz,
        )
        + max(0, begin - MARGIN)
        for begin in range(0, len(envelope), CHUNK)
    ]
    found = np.concatenate(
        [
            part[(part >= begin) & (part < begin + CHUNK)]
            for part, begin in zip(steps, range(0, len(envelope), CHUNK), strict=True)
        ]
    )
    if len(found):
        found = found[envelope[found] > FAINT * _usual(envelope[found])]
    tones = _tones(sound.thinned) if len(found) else ()
    for begin, end in tones:
        found = found[(found * hop < begin) | (found * hop > end)]
    return Attacks(found * hop, envelope[found].astype(np.float64) / noise, tones)


def _tones(thinned: Thinned) -> tuple[tuple[int, int], ...]:
    """Where a tone to measure flutter by lasts, in samples, with what rings on after it.

    It wavers and, mixed, beats: what rises in it is no attack. Notes as high are short.
    """
    length = round(TONE_S * thinned.rate_hz)
    begins, ends = [], []
    since, heard = 0, _tone_heard(thinned, length)
    for block in range(len(heard) + 1):
        if block < len(heard) and heard[block]:
            continue
        if (block - since) * TONE_S >= LASTS_S:
            begins.append((since - 1) * length)
            ends.append(block * length + round(RINGS_ON_S * thinned.rate_hz))
        since = block + 1
    return tuple(zip(begins, ends, strict=True))


def _tone_heard(thinned: Thinned, length: int) -> NDArray[np.bool_]:
    """Of each block of that many samples, whether such a tone sounds all through it."""
    hz = fft.rfftfreq(length, 1 / thinned.rate_hz)
    over_hum, in_band = hz > OVER_HUM_HZ, (hz > TONE_HZ[0]) & (hz < TONE_HZ[1])
    window, count = np.hanning(length), len(thinned) // length
    told = [np.zeros(0, bool)]
    for first in range(0, count, BLOCKS_AT_ONCE):
        last = min(first + BLOCKS_AT_ONCE, count)
        sound = thinned.part(first * length, last * length).reshape(-1, length)
        power = np.abs(fft.rfft(sound * window, axis=1)) ** 2
        parts = np.add.reduceat(sound**2, np.arange(PARTS) * length // PARTS, axis=1)
        steady = parts.min(axis=1) > TONE_STEADY * parts.mean(axis=1)
        tone = power[:, in_band].sum(axis=1) > TONE_PART * power[:, over_hum].sum(axis=1)
        told.append(steady & tone)
    return np.concatenate(told)


def _struck(envelope: Samples, noise: float, over_noise: float, step_s: float) -> NDArray[np.int64]:
    """Where a stretch of envelope, `step_s` a value, rises to a peak as at an attack."""
    before = round(BEFORE_S / step_s)
    gap = max(1, round(2 * SMOOTH_S / step_s))
    past = ndimage.uniform_filter1d(envelope, before, mode="nearest")
    past = np.concatenate((np.full(before // 2 + gap, noise), past))[: len(envelope)]
    # The whitening filter rings, before and after, far below what it rings from.
    ringing = RINGING * ndimage.maximum_filter1d(envelope, 2 * round(RINGING_S / step_s) + 1)
    around = _around(envelope, round(AROUND_S / step_s))
    quiet = np.full_like(envelope, over_noise * noise)
    loud = envelope > np.maximum.reduce([quiet, OVER_AROUND * around, RISE * past, ringing])
    apart = max(1, round(APART_S / step_s))
    peak = envelope == ndimage.maximum_filter1d(envelope, 2 * apart + 1)
    return np.flatnonzero(loud & peak)


def _around(envelope: Samples, span: int) -> Samples:
    """The median around each value: what goes on there, a tone for one."""
    blocks = max(1, len(envelope) // span)
    parts = np.array_split(envelope, blocks)
    middle = ndimage.median_filter([float(np.median(part)) for part in parts], 5, mode="nearest")
    return np.repeat(middle, [len(part) for part in parts])


def _usual(energy: Samples) -> float:
    """The energy of the louder attacks."""
    return float(np.median(np.sort(energy)[-LOUDEST:]))


def _envelope(sound: Whitened, hop: int, width: int) -> Samples:
    """Mean square over `width` samples around every `hop`-th sample."""
    chunk = CHUNK // hop * hop
    parts = []
    for begin in range(0, len(sound), chunk):
        end = min(begin + chunk, len(sound))
        square = sound.part(begin - width, end + width) ** 2
        smooth = ndimage.uniform_filter1d(square, width)[width : width + end - begin]
        parts.append(smooth[::hop].astype(np.float32))  # an hour of it is held
    return np.concatenate(parts) if parts else np.zeros(0)
