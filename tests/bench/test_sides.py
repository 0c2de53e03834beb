"""Which side is which, of recordings whose sides are known, from the simulated unit."""

import numpy as np
import pytest

from tempotape.bench.sides import Sides, in_one, sides_of
from tempotape.bench.thinned import Thinner
from tests.simulated_unit import SimulatedUnit, beside, clicks, mixed, play, plucked

RATE_HZ = 48_000


def told(recording):
    thinners = []
    for channel in recording.T:
        thinner = Thinner(RATE_HZ)
        thinner.feed(channel)
        thinners.append(thinner.thinned())
    return sides_of(*thinners)


def click_sides(times_s, end_s, **unit):
    sound = clicks(times_s, round(end_s * RATE_HZ), RATE_HZ)
    return sound, play(SimulatedUnit(**unit), sound, RATE_HZ)


@pytest.mark.parametrize(
    ("times_s", "end_s", "gap_mm", "feedback"),
    [
        # The recording ends three intervals before the last echo.
        (np.arange(0.002, 5.8, 0.385), 5.806, 133.9, 0.0),
        # Many echoes of few clicks, to the end.
        (np.arange(0.002, 6.2, 0.679), 8.7, 24.1, 0.94),
    ],
    ids=["cut off", "near oscillation"],
)
def test_equal_clicks_tell_the_sides_either_way(times_s, end_s, gap_mm, feedback):
    sound, played = click_sides(times_s, end_s, gap_mm=gap_mm, speed_mm_s=117.3, feedback=feedback)
    both = beside(sound, played)
    assert told(both) == Sides("left", "right")
    assert told(both[:, ::-1]) == Sides("right", "left")


def test_notes_tell_the_sides_though_more_attacks_stand_out_in_what_is_played():
    rng = np.random.default_rng(7)
    times_s = np.arange(0.4, 14, 0.23)
    sound = plucked(times_s, rng.choice([98.0, 123.5, 196.0], len(times_s)), 16 * RATE_HZ, RATE_HZ)
    played = play(SimulatedUnit(gap_mm=90.0, speed_mm_s=117.3, feedback=0.7), sound, RATE_HZ)
    both = beside(sound, played)
    assert told(both) == Sides("left", "right")
    assert told(both[:, ::-1]) == Sides("right", "left")


def test_one_mix_on_both_sides_is_a_mix():
    sound, played = click_sides(np.arange(0.5, 6, 0.9), 8.0, gap_mm=60.0, speed_mm_s=117.3)
    mix = mixed(sound, played)
    assert told(np.column_stack((mix, 0.6 * mix))).mixed


@pytest.mark.parametrize(("level", "side"), [(-1.0, "left"), (-0.6, "left"), (-1.5, "right")])
def test_of_one_mix_and_the_same_turned_over_the_louder_is_taken(level, side):
    # As a balanced mono output gives it to a stereo input: the mean would be next to nothing.
    sound, played = click_sides(np.arange(0.5, 6, 0.9), 8.0, gap_mm=60.0, speed_mm_s=117.3)
    mix = mixed(sound, played)
    both = np.column_stack((mix, level * mix))
    assert told(both) == Sides(side, side, opposite=True)
    np.testing.assert_array_equal(in_one(both), both[:, 0 if side == "left" else 1])


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_channels_that_are_not_opposite_are_taken_in_their_mean(channels):
    block = np.random.default_rng(1).standard_normal((400, channels))
    np.testing.assert_allclose(in_one(block), np.mean(block, axis=1))


def test_a_stray_click_on_the_other_side_is_neither_playing_nor_an_echo():
    sound, played = click_sides(np.arange(0.5, 6, 0.9), 8.0, gap_mm=60.0, speed_mm_s=117.3)
    stray = clicks([2.3], len(sound), RATE_HZ)
    both = np.column_stack((mixed(sound, played), stray))
    assert told(both) == Sides("left", "left")
    assert told(both[:, ::-1]) == Sides("right", "right")
