"""Whether ticks walk as a loop's turns do, against walks and beats of known kind."""

from __future__ import annotations

import numpy as np
import pytest

from tempotape.bench.splice_time import Band, Timed, timed, wander

TURNS = np.arange(24.0)
PERIOD_S = 1.5
NOISE_S = 2e-5


def walk(off_s):
    return wander(Timed(PERIOD_S * TURNS + off_s, TURNS, PERIOD_S, 0.0, 0.0, NOISE_S, 1e-5))


def normal(seed, scale):
    return np.random.default_rng(seed).normal(0.0, scale, 24)


def test_turns_that_add_up_are_told_from_a_beat_that_scatters():
    walks = [walk(np.cumsum(normal(seed, 3e-4))) for seed in range(20)]
    beats = [walk(normal(seed, 3e-4)) for seed in range(20)]
    assert sum(found.over_scatter > 1.0 for found in walks) >= 18
    assert sum(found.over_scatter > 1.0 for found in beats) == 0
    assert sum(found.over_scatter < -1.0 for found in beats) >= 16


def test_a_machine_heard_as_it_is_scatters_as_its_noise_does():
    for seed in range(20):
        assert walk(normal(seed, NOISE_S)).over_even < -3.0
        assert walk(np.cumsum(normal(seed, 1.5e-4)) + normal(99 - seed, NOISE_S)).over_even > 3.0


def test_slow_wow_of_the_delay_is_no_walk():
    for hz in (0.03, 0.05, 0.11, 0.23, 0.4):
        off_s = 1e-3 * np.sin(2 * np.pi * hz * PERIOD_S * TURNS) + normal(1, NOISE_S)
        assert walk(off_s).over_waves < -3.0
        both_s = off_s + 3e-4 * np.sin(4 * np.pi * hz * PERIOD_S * TURNS + 1.0)
        found = walk(both_s)
        assert min(found.over_waves, found.over_smooth, found.over_scatter) < -2.5


def test_a_drifting_delay_is_no_walk():
    off_s = 1e-3 * (TURNS / 24.0) ** 2 + normal(2, NOISE_S)
    found = walk(off_s)
    assert min(found.over_waves, found.over_smooth) < -2.5


def test_how_far_ticks_walk_does_not_hang_on_the_period_given():
    off_s = np.cumsum(normal(2, 3e-4))
    one = walk(off_s)
    other = walk(off_s + 0.002 * TURNS)
    np.testing.assert_allclose(one, other, atol=1e-6)


def test_thumps_are_timed_as_well_as_noise_allows():
    # One sample a bin; a thump of two lobes, whose power alone tells little of when it comes.
    rng = np.random.default_rng(5)
    turns = np.arange(40.0)
    true_bins = 300.0 + 250.3 * turns + rng.uniform(-1.0, 1.0, 40)
    sound = rng.normal(0.0, 0.05, 10_600)
    around = np.arange(-40, 41)
    for at in true_bins:
        bins = round(at) + around
        off = (bins - at) / 6.0
        sound[bins] += off * np.exp(-0.5 * off**2)
    power = sound**2
    floor = 0.05**2
    band = Band(power, np.zeros(len(power), np.int8), power, floor, floor, floor**2, 9, sound)
    loudest = np.rint(true_bins).astype(np.intp) + rng.choice([-6, 6], 40)
    found = timed(band, loudest, turns, 0.001, 1e-4)
    errors_s = found.t_s - 0.001 * true_bins
    errors_s -= np.mean(errors_s)
    # The bound of Cramer and Rao: noise over the root of the power of the thump's slope.
    fine = np.arange(-60.0, 60.0) / 6.0
    slope = (1.0 - fine**2) * np.exp(-0.5 * fine**2) / 6.0
    bound_s = 0.001 * 0.05 / np.sqrt(np.sum(slope**2))
    assert found.noise_s == pytest.approx(bound_s, rel=0.1)
    assert np.sqrt(np.mean(errors_s**2)) == pytest.approx(bound_s, rel=0.3)
