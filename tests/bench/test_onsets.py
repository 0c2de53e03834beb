"""A channel seen through its whitening filter, part by part."""

import numpy as np
import pytest
from scipy import signal

from tempotape.bench import onsets
from tempotape.bench.thinned import Thinner

RATE_HZ = 24_000
FRAMES = 20 * RATE_HZ


@pytest.fixture(scope="module")
def thinned():
    thinner = Thinner(RATE_HZ)
    thinner.feed(np.random.default_rng(2).normal(0, 0.1, FRAMES))
    return thinner.thinned()


@pytest.mark.parametrize("brief", [False, True])
@pytest.mark.parametrize(
    ("begin", "end"),
    [
        (onsets.BLOCK, 2 * onsets.BLOCK),  # a block
        (5_000, 5_300),  # within one
        (8_000, 60_001),  # over some
        (-700, 900),  # over the beginning
        (FRAMES - 500, FRAMES + 300),  # over the end
        (10_000, 10_000 + (onsets.MOST_BLOCKS + 2) * onsets.BLOCK),  # more than is kept at once
    ],
)
def test_a_part_of_a_long_recording_is_filtered_as_scipy_filters_all_of_it(
    thinned, brief, begin, end, monkeypatch
):
    monkeypatch.setattr(onsets, "MOST_HELD", 0)  # as if it were long
    sound = onsets.whitened(thinned)
    sound = sound.brief if brief else sound
    half = len(sound.taps) // 2
    raw = thinned.part(begin - half, end + half)
    reference = signal.convolve(raw, sound.taps, "valid", method="direct")
    scale = np.abs(reference).max()
    for _ in range(2):  # made, and kept
        assert sound.part(begin, end) == pytest.approx(reference, abs=1e-5 * scale)
