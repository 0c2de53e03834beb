"""Whether ticks walk as a loop's turns do, against walks and beats of known kind."""

from __future__ import annotations

import numpy as np

from tempotape.bench.splice_time import Timed, wander

TURNS = np.arange(24.0)


def ticks(off_s):
    return Timed(1.5 * TURNS + off_s, TURNS, 1.5, 0.0, 0.0, 0.0, 0.0)


def test_turns_that_add_up_are_told_from_a_beat_that_scatters():
    rng = np.random.default_rng(1)
    walks = [wander(ticks(np.cumsum(rng.normal(0.0, 1e-3, 24)))) for _ in range(20)]
    beats = [wander(ticks(rng.normal(0.0, 1e-3, 24))) for _ in range(20)]
    assert sum(walk.over_scatter > 1.0 for walk in walks) >= 16
    assert sum(beat.over_scatter > 1.0 for beat in beats) <= 1


def test_slow_wow_of_the_delay_is_no_walk():
    for hz in (0.11, 0.23, 0.4):
        wavering = wander(ticks(1e-3 * np.sin(2 * np.pi * hz * 1.5 * TURNS)))
        assert wavering.over_wavering < 1.0


def test_how_far_ticks_walk_does_not_hang_on_the_unit_of_time_or_on_the_period():
    off_s = np.cumsum(np.random.default_rng(2).normal(0.0, 1e-3, 24))
    one, other = wander(ticks(off_s)), wander(ticks(10.0 * off_s + 0.002 * TURNS))
    np.testing.assert_allclose(one, other, atol=1e-6)
