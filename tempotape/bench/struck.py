"""What strikes, without the notes that ring on after it.

A note that rings can be foretold from its own last periods, and an attack cannot: what linear
prediction leaves of a sound is what strikes anew, and its echoes (J. Makhoul, "Linear prediction: a
tutorial review", Proc. IEEE 63, 1975). The prediction reaches back less far than the shortest delay
is long: it never foretells an echo.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import fft, linalg, signal

from tempotape.bench.copies import coherence, template
from tempotape.bench.onsets import Attacks, Whitened
from tempotape.bench.recording import Samples, SingleSamples
from tempotape.bench.rows import evenly
from tempotape.bench.thinned import Thinned

SPANS_S = ((0.012, 0.024), (0.024, 0.040))  # after an attack: each holds a period of low notes
RINGS = 0.4  # coherence in both: clicks, in hiss too, seldom reach 0.35, notes seldom stay below
MAY_RING = 0.25  # without hiss clicks stay below
MOST_ASKED = 40
FRAME_S, MEMORY_S = 0.5, 0.016
AT_ONCE = 16  # frames
REGULAR = 1e-4  # of the power, as if it were noise: no note is foretold more exactly


def ringing(sound: Whitened, struck: Attacks) -> float:
    """How much half of what is played resembles itself soon after, again and again: a coherence.

    The echo of another sound would come once.
    """
    following, rate = [*struck.at[1:].tolist(), None], sound.rate_hz
    found = []
    for k in evenly(np.arange(len(struck)), MOST_ASKED):
        cut = template(sound, int(struck.at[k]), following[k])
        alike = [
            np.abs(coherence(sound, cut, round(low * rate), round(high * rate))[0]).max()
            for low, high in SPANS_S
        ]
        found.append(min(alike))
    return float(np.median(found))


def struck_alone(thinned: Thinned) -> Thinned:
    """The sound without what its last 16 ms foretell, as long and at the same rate.

    Raises InputFault where a long recording finds no room on the disk.
    """
    return thinned.changed(_parts(thinned))


def _parts(thinned: Thinned) -> Iterator[Samples]:
    """What is left of each half frame, the prediction of one frame passing into the next's."""
    half, memory = round(FRAME_S * thinned.rate_hz / 2), round(MEMORY_S * thinned.rate_hz)
    window = signal.windows.hann(2 * half, sym=False).astype(np.float32)
    rest = np.zeros(half)
    for first in range(-half, len(thinned), AT_ONCE * half):
        last = min(first + AT_ONCE * half, len(thinned))
        begins = range(first, last, half)
        heard = thinned.part(first - memory, begins[-1] + 2 * half).astype(np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(heard, memory + 2 * half)[::half]
        for begin, left in zip(begins, _unforetold(frames, window) * window, strict=True):
            if begin >= 0:
                yield (rest + left[:half])[: len(thinned) - begin]
            rest = left[half:]


def _unforetold(heard: SingleSamples, window: SingleSamples) -> SingleSamples:
    """Frames as long as the window, a row each, less what the samples before them foretell.

    Each row of `heard` begins with as many of these as are asked. By the autocorrelation method,
    which is always stable; in single precision, as what is held is no finer.
    """
    memory = heard.shape[1] - len(window)
    size = fft.next_fast_len(heard.shape[1], real=True)
    spectrum = fft.rfft(heard[:, memory:] * window, size)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    alike = fft.irfft(power, size)[:, : memory + 1].astype(float)
    alike[:, 0] *= 1 + REGULAR
    errors = np.zeros((len(heard), memory + 1), np.float32)
    errors[:, 0] = 1.0
    for row, lags in zip(errors, alike, strict=True):
        if lags[0] > 0:
            row[1:] = -linalg.solve_toeplitz(lags[:-1], lags[1:])
    left: SingleSamples = fft.irfft(fft.rfft(heard, size) * fft.rfft(errors, size), size)
    return left[:, memory : heard.shape[1]]
