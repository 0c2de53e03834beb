"""The test tone's way to a low rate, against scipy.signal."""

import numpy as np
import pytest
from scipy import signal

from tempotape.bench.tone import Decimator, low_pass


@pytest.mark.parametrize(
    ("rate_hz", "centre_hz", "pass_hz", "stop_hz", "factor"),
    [
        (48_000, 3100.0, 800.0, 1600.0, 20),
        (44_100, 3100.0, 800.0, 1600.0, 18),
        (8_000, 3100.0, 800.0, 1600.0, 3),  # the band reaches beyond half the rate
        (192_000, 0.0, 3200.0, 4800.0, 24),
    ],
)
def test_pieces_of_any_length_give_what_filtering_and_mixing_gives(
    rate_hz, centre_hz, pass_hz, stop_hz, factor
):
    rng = np.random.default_rng(1)
    sound = rng.normal(size=150_001)
    taps = low_pass(pass_hz, stop_hz, 80.0, rate_hz)
    decimator = Decimator(taps, factor, centre_hz, stop_hz, rate_hz)
    ends = np.sort(rng.integers(0, len(sound), 7))
    got = np.concatenate([decimator.feed(part) for part in np.split(sound, ends)])
    # Mixed down, filtered from end to end, and every so many samples taken.
    at = np.arange(len(sound))
    mixed = sound * np.exp(-2j * np.pi * centre_hz / rate_hz * at)
    reference = signal.fftconvolve(mixed, taps)[len(taps) // 2 :][: len(sound) : factor]
    assert len(got) >= len(reference) - len(taps) / factor
    assert got == pytest.approx(reference[: len(got)], abs=3e-4 * np.std(reference))
