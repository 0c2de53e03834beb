"""Finding the steady test tone in a recording: streamed, and kept at a low rate."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

CENTRE_HZ = 3100.0
NOMINAL_HZ = (3150.0, 3000.0)
SEARCH_HZ = (2700.0, 3500.0)
LOWEST_SAMPLE_RATE_HZ = 7800.0
FRAME_S = 0.1
# The share of a frame's power that turns with the tone: 1 for a tone, near 0.4 for hiss alone.
_STEADY = 0.8
_HINT_OF_TONE = 0.55
_PASS_HZ, _STOP_HZ = 800.0, 1600.0
_LOWEST_RATE_HZ = 2400.0
_PIECE = 22_000  # samples filtered at once
_STOP_DB = 80.0
_BRIDGED_FRAMES = 3
_QUIETEST = 1e-10  # power; -100 dBFS
_AT_PEAK = 0.9985
_CLIPPED = 0.08  # of the samples; of a sine, 0.035 stand this near to its peak
_MOST_OVER = 2.8  # times the ceiling; above, the size does not tell
_MOSTLY = 0.7
_CLIPPED_S = 0.003
_MOST_KEPT_S = 120.0  # bounds the memory; a walk of twelve marks


class Stretch(NamedTuple):
    """A tone: `signal` is complex at `rate_hz`, with `CENTRE_HZ` moved to 0 Hz."""

    start_s: float
    rate_hz: float
    signal: Complexes


class Decimator:
    """Moves `centre_hz` to 0 Hz and keeps every `factor`-th sample, block by block.

    The filter of `taps`, odd in number, stands around `centre_hz`; it passes nothing that is more
    than `reach_hz` away. It is applied to overlapping pieces by their spectra, of which only the
    band is taken (overlap-save; Oppenheim and Schafer, Discrete-Time Signal Processing, 8.7.3).
    """

    def __init__(
        self, taps: Floats, factor: int, centre_hz: float, reach_hz: float, sample_rate_hz: float
    ) -> None:
        from scipy.fft import fft, next_fast_len  # noqa: PLC0415 - loaded by what needs it

        self._factor = factor
        self._overlap = len(taps) - 1
        # Half a filter of silence first, so that output m stands at input sample m * factor.
        self._held: Floats = np.zeros(self._overlap // 2)
        self._done = 0
        self._size = factor * int(next_fast_len(math.ceil((_PIECE + self._overlap) / factor)))
        self._turn = -2j * math.pi * centre_hz / sample_rate_hz
        moved = taps * np.exp(-self._turn * (np.arange(len(taps)) - self._overlap // 2))
        step_hz = sample_rate_hz / self._size
        low = math.floor((centre_hz - reach_hz) / step_hz)
        band = np.arange(low, min(low + self._size, math.ceil((centre_hz + reach_hz) / step_hz)))
        # Turned so that the first output is the first that the whole filter lies before.
        late = np.exp(2j * math.pi * band * self._overlap / self._size)
        self._response = fft(moved, self._size)[band % self._size] * late / factor
        # Of a real signal the other half of the spectrum is this one, turned.
        self._bins = np.minimum(band % self._size, -band % self._size)
        self._turned = band % self._size > self._size // 2
        self._folded = band % (self._size // factor)

    def feed(self, block: Floats) -> Complexes:
        """The outputs that `block` completes."""
        held = np.concatenate([self._held, block])
        out: list[Complexes] = [np.zeros(0, dtype=np.complex128)]
        begin = 0
        while (rest := len(held) - begin - self._overlap) > 0:
            count = -(-min(rest, self._size - self._overlap) // self._factor)
            out.append(self._passed(held[begin : begin + self._size])[:count])
            begin += count * self._factor
        self._held = held[begin:]
        got = np.concatenate(out)
        numbers = self._done + np.arange(len(got))
        self._done += len(got)
        return np.asarray(got * np.exp(self._turn * (numbers * self._factor)))

    def _passed(self, piece: Floats) -> Complexes:
        """What passes of a piece, every `factor`-th sample."""
        from scipy.fft import ifft, rfft  # noqa: PLC0415

        band = rfft(piece, self._size)[self._bins]
        band[self._turned] = np.conj(band[self._turned])
        band *= self._response
        count = self._size // self._factor
        # Keeping every factor-th sample lays parts of the spectrum on one another.
        real, imag = (np.bincount(self._folded, part, count) for part in (band.real, band.imag))
        return np.asarray(ifft(real + 1j * imag))


def low_pass(pass_hz: float, stop_hz: float, stop_db: float, sample_rate_hz: float) -> Floats:
    """Taps, odd in number, of a Kaiser-window low-pass of unit gain."""
    from scipy.signal import firwin, kaiserord  # noqa: PLC0415

    nyquist = sample_rate_hz / 2.0
    count, beta = kaiserord(stop_db, (stop_hz - pass_hz) / nyquist)
    taps: Floats = firwin(count | 1, (pass_hz + stop_hz) / 2.0 / nyquist, window=("kaiser", beta))
    return taps


class Ceiling:
    """The largest sample of a recording, and how many stand at it: where it was clipped."""

    def __init__(self) -> None:
        self._peak = 0.0
        self._at_peak = 0

    def feed(self, block: Floats) -> None:
        """Take the next samples of the recording, any number of them."""
        highest = max(float(np.max(block, initial=0.0)), -float(np.min(block, initial=0.0)))
        if highest * _AT_PEAK > self._peak:
            self._at_peak = 0
        self._peak = max(self._peak, highest)
        if highest >= _AT_PEAK * self._peak:
            self._at_peak += int(np.count_nonzero(np.abs(block) >= _AT_PEAK * self._peak))

    def taken_off(self, stretch: Stretch, tone_samples: float) -> tuple[Stretch, bool]:
        """`stretch` with the size that it had before it was clipped, and whether it can be told.

        Of a sine a times as high as the ceiling, with 1/a = sin x, the part at its own frequency is
        2/pi (x/sin x + cos x) times the ceiling (its Fourier coefficient). Its phase stays.
        """
        from scipy.ndimage import uniform_filter1d  # noqa: PLC0415 - loaded by what needs it

        if self._at_peak < _CLIPPED * tone_samples:
            return stretch, True
        angle = np.linspace(math.pi / 2.0, math.asin(1.0 / _MOST_OVER), 400)
        over = 1.0 / np.sin(angle)
        kept = 2.0 / math.pi * (angle * over + np.cos(angle))
        # The signal is half of the sine's size: the other half turns the other way.
        size = 2.0 * np.abs(stretch.signal) / self._peak
        size = uniform_filter1d(size, max(1, round(_CLIPPED_S * stretch.rate_hz)))
        if float(np.quantile(size, _MOSTLY)) > kept[-1]:
            return stretch, False
        whole = np.where(size > 1.0, np.interp(size, kept, over), size)
        return stretch._replace(signal=stretch.signal * whole / np.maximum(size, _QUIETEST)), True


class ToneKeeper:
    """Takes a recording block by block and keeps what may be the test tone."""

    def __init__(self, sample_rate_hz: float) -> None:
        factor = max(1, int(sample_rate_hz / _LOWEST_RATE_HZ))
        self.rate_hz = sample_rate_hz / factor
        self._frame = round(FRAME_S * self.rate_hz)
        taps = low_pass(_PASS_HZ, _STOP_HZ, _STOP_DB, sample_rate_hz)
        self._decimator = Decimator(taps, factor, CENTRE_HZ, _STOP_HZ, sample_rate_hz)
        self._held: Complexes = np.zeros(0, dtype=np.complex128)
        self._frames = 0
        self._kept: list[tuple[int, bool, npt.NDArray[np.complex64]]] = []
        self._last_tone = -_BRIDGED_FRAMES - 1
        self.longest_hint_s = 0.0
        self._hint_frames = 0

    def feed(self, block: Floats) -> None:
        """Take the next samples of the recording, any number of them."""
        signal = np.concatenate([self._held, self._decimator.feed(block)])
        count = len(signal) // self._frame
        frames = signal[: count * self._frame].reshape(count, self._frame)
        self._held = signal[count * self._frame :]
        if count:
            self._sort(frames)

    def _sort(self, frames: Complexes) -> None:
        power = np.mean(np.abs(frames) ** 2, axis=1)
        turned = np.mean(frames[:, 1:] * np.conj(frames[:, :-1]), axis=1)
        steady = np.abs(turned) / np.maximum(power, _QUIETEST)
        hz = CENTRE_HZ + np.angle(turned) * self.rate_hz / (2.0 * math.pi)
        low, high = SEARCH_HZ
        placed = (hz > low) & (hz < high) & (power > _QUIETEST)
        for frame, tone, hint in zip(
            frames, placed & (steady > _STEADY), placed & (steady > _HINT_OF_TONE), strict=True
        ):
            self._hint_frames = self._hint_frames + 1 if hint else 0
            self.longest_hint_s = max(self.longest_hint_s, self._hint_frames * FRAME_S)
            if tone:
                self._last_tone = self._frames
            room = len(self._kept) * FRAME_S < _MOST_KEPT_S
            if room and self._frames - self._last_tone <= _BRIDGED_FRAMES:
                self._kept.append((self._frames, bool(tone), frame.astype(np.complex64)))
            self._frames += 1

    def stretches(self) -> tuple[Stretch, ...]:
        """Each unbroken tone, in order; breaks of up to 0.3 s are bridged."""
        runs: list[list[tuple[int, bool, npt.NDArray[np.complex64]]]] = []
        for kept in self._kept:
            if not runs or kept[0] != runs[-1][-1][0] + 1:
                runs.append([])
            runs[-1].append(kept)
        found = []
        for run in runs:
            while not run[-1][1]:
                run.pop()
            signal = np.concatenate([frame for _, _, frame in run]).astype(np.complex128)
            if run[-1][0] == self._frames - 1:
                # The recording ends within a frame, and the tone with it.
                signal = np.concatenate([signal, self._held])
            start_s = run[0][0] * self._frame / self.rate_hz
            found.append(Stretch(start_s, self.rate_hz, signal))
        return tuple(found)
