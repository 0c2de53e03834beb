"""Ticks that only stand out together: found where hiss would not add up so, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from tempotape.bench.splice_chain import folded
from tempotape.bench.splice_time import Band

BIN_S = 0.001
BINS = 30_000


def heard(seed, places, power):
    """Hiss whose power in a bin is exponential, as that of one complex sample, and `power` more."""
    hiss = np.random.default_rng(seed).exponential(size=BINS)
    for place in places:
        hiss[place : place + 2] += power
    smooth = np.convolve(hiss, np.ones(3) / 3.0, mode="same")
    return folded(Band(hiss, np.zeros(BINS, np.int8), smooth, 2.0, 1.0, 1.0, 6), 1, BIN_S)


@pytest.mark.parametrize("seed", range(3))
def test_a_period_at_which_little_adds_up_is_found(seed):
    places = 800 + 2_430 * np.arange(12)
    found = heard(seed, places, 8.0)
    slope = np.polyfit(found.turns, found.bins, 1)[0]
    assert slope == pytest.approx(2_430, rel=1e-3)


def test_hiss_alone_adds_up_at_no_period():
    assert [heard(seed, (), 0.0) for seed in range(12)] == [None] * 12


def test_a_tick_faster_than_any_period_tried_is_not_told_at_a_multiple_of_its_own():
    for period in (600, 800):
        assert heard(1, 300 + period * np.arange(29_000 // period), 8.0) is None


def test_hum_that_beats_with_the_bins_is_no_tick():
    # Two of every 2430 ms alike, 60 ms apart: three cycles of 50 Hz.
    places = 800 + 2_430 * np.arange(12)
    assert heard(1, np.concatenate([places, places - 60]), 8.0) is None
