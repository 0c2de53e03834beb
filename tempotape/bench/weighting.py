"""The weighting of AES6-2008 and its two-sigma reading."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# AES6-2008 (IEC 60386, DIN 45507), Table 1: frequency in Hz, response in dB re 4 Hz.
TABLE_1: tuple[tuple[float, float], ...] = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
)
UNWEIGHTED_HZ = (0.1, 200.0)
EXCEEDED = 0.05  # AES6-2008: the value that is passed 5 % of the time
# |sin| passes sin(0.95 pi/2) = 0.997 for 5 % of the time; the meter is set so that a sine reads its
# peak.
SINE_READS_PEAK = 1.0 / math.sin((1.0 - EXCEEDED) * math.pi / 2.0)
_BATCHES_S = (0.5, 1.0, 1.5)
_ABOVE_DB_PER_OCTAVE = -24.0


class Reading(msgspec.Struct, frozen=True):
    """A two-sigma reading and its standard error, both in the unit of the series read."""

    value: float
    error: float


def weight(frequency_hz: npt.ArrayLike) -> Floats:
    """The weighting as an amplitude factor, 1.0 at 4 Hz, 0.0 at 0 Hz and above 1 kHz.

    Table 1 is joined by a monotone cubic over the logarithm of the frequency, so that its 17 rows
    are met exactly. Below them the end slope goes on; above them, where the standard gives nothing
    and hiss is strongest, it falls by 24 dB an octave.
    """
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415 - loaded by what needs it

    hz = np.asarray(frequency_hz, dtype=np.float64)
    rows_hz, rows_db = np.array(TABLE_1).T
    octaves = np.log2(rows_hz)
    low_slope = (rows_db[1] - rows_db[0]) / (octaves[1] - octaves[0])
    octave = np.log2(np.maximum(hz, 1e-6))
    inside = PchipInterpolator(octaves, rows_db)(np.clip(octave, octaves[0], octaves[-1]))
    below = np.minimum(octave - octaves[0], 0.0) * low_slope
    above = np.maximum(octave - octaves[-1], 0.0) * _ABOVE_DB_PER_OCTAVE
    factor = 10.0 ** ((inside + below + above) / 20.0)
    return np.where((hz > 0) & (hz <= 1000.0), factor, 0.0)


def in_band(frequency_hz: npt.ArrayLike) -> Floats:
    """1.0 from 0.1 to 200 Hz, the band read without weighting, else 0.0."""
    hz = np.asarray(frequency_hz, dtype=np.float64)
    low, high = UNWEIGHTED_HZ
    return ((hz >= low) & (hz <= high)).astype(np.float64)


def filtered(series: Floats, factor: Sequence[float] | Floats) -> Floats:
    """`series` with each frequency of `padded_hz` multiplied by `factor`, in phase.

    The ends are continued by reflection, so that neither end sees the other.
    """
    size = _padded_size(len(series))
    reach = min(len(series) - 1, (size - len(series)) // 2)
    head = series[reach:0:-1]
    tail = series[-2 : -reach - 2 : -1]
    padded = np.concatenate([series, tail, np.zeros(size - len(series) - 2 * reach), head])
    spectrum = np.fft.rfft(padded) * np.asarray(factor)
    return np.fft.irfft(spectrum, size)[: len(series)]


def padded_hz(length: int, rate_hz: float) -> Floats:
    """The frequencies that `filtered` works at for a series of `length` samples."""
    return np.asarray(np.fft.rfftfreq(_padded_size(length), 1.0 / rate_hz), dtype=np.float64)


def _padded_size(length: int) -> int:
    from scipy.fft import next_fast_len  # noqa: PLC0415

    return int(next_fast_len(3 * length, real=True))


def two_sigma(parts: Sequence[Floats], rate_hz: float) -> Reading:
    """The value that |series| passes 5 % of the time, over all `parts` together.

    The error is that of the quantile: the share above it, second by second, scatters as the flutter
    itself does, whatever its spectrum.
    """
    size = np.concatenate([np.abs(part) for part in parts])
    value = float(np.quantile(size, 1.0 - EXCEEDED))
    share_error = math.sqrt(
        float(np.mean([_batch_variance(size > value, round(s * rate_hz)) for s in _BATCHES_S]))
    )
    low, high = np.quantile(
        size,
        [max(0.0, 1.0 - EXCEEDED - share_error), min(1.0, 1.0 - EXCEEDED + share_error)],
    )
    error = float(high - low) / 2.0
    return Reading(value=value * SINE_READS_PEAK, error=error * SINE_READS_PEAK)


def _batch_variance(above: npt.NDArray[np.bool_], batch: int) -> float:
    """The variance of the share that is above, from its scatter between batches (batch means)."""
    count = len(above) // max(batch, 1)
    if count < 2:
        return 0.25
    share = above[: count * batch].reshape(count, batch).mean(axis=1)
    return float(np.var(share, ddof=1)) / count
