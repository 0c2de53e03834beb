"""Lines through rounded times, against closed forms and linear programming (scipy)."""

import math
import random

import numpy as np
import pytest
from scipy.optimize import linprog

from tempotape.tempo.rounded_times import FRAME_S, RoundedTimes, rounding_error_s
from tempotape.tempo.tick_line import Slope


def period_of(numbers, times, guide_s):
    return RoundedTimes(Slope(guide_s, 0.0, 0.0, 1.0, 0.0)).period(numbers, times)


def slopes_through_all_frames(numbers, times):
    """Least and greatest slope of a line that is within one frame of all times (scipy's HiGHS)."""
    ones = np.ones(len(numbers))
    above = np.column_stack([numbers, ones])
    bounds = np.concatenate([np.add(times, FRAME_S / 2), -np.subtract(times, FRAME_S / 2)])
    ends = [
        linprog([sign, 0], A_ub=np.vstack([above, -above]), b_ub=bounds, bounds=(None, None))
        for sign in (1, -1)
    ]
    return [end.x[0] for end in ends]


def test_times_that_show_no_step_leave_a_triangle_of_slopes():
    # All lines through n equal frames: the density of slopes is a triangle of half width q / T,
    # whose standard deviation is that over sqrt(6).
    numbers = list(range(500))
    period = period_of(numbers, [0.02 * n for n in numbers], 0.02)
    assert period.period_s == pytest.approx(0.02, abs=1e-12)
    assert period.error_s == pytest.approx(FRAME_S / 499 / math.sqrt(6), rel=1e-6)


@pytest.mark.parametrize("true_s", [0.0200048, 0.0208333, 0.0080026, 0.0375])
def test_the_period_lies_between_the_outermost_slopes(true_s):
    rng = random.Random(true_s)
    for count in (24, 200):
        phase = rng.random()
        numbers = [n for n in range(count) if rng.random() < 0.95]
        times = [round(phase + n * true_s, 3) for n in numbers]
        low, high = slopes_through_all_frames(numbers, times)
        period = period_of(numbers, times, true_s * 1.0001)
        assert low - 1e-9 <= true_s <= high + 1e-9
        assert low < period.period_s < high
        assert period.error_s < (high - low) / 2


def test_ticks_added_later_and_ticks_that_came_twice_count_as_if_given_at_once():
    numbers = [0, 1, 1, 2, 3, 5, 5, 6, 7, 8]
    times = [round(0.3 + n * 0.0208333, 3) for n in numbers]
    grown = RoundedTimes(Slope(0.0208, 0.0, 0.0, 1.0, 0.0))
    for count in range(2, len(numbers)):
        grown.period(numbers[:count], times[:count])
    whole = period_of(numbers, times, 0.0208)
    assert grown.period(numbers, times) == whole
    low, high = slopes_through_all_frames(numbers, times)
    assert low < whole.period_s < high


def test_more_jitter_than_rounding_is_told_as_none():
    assert period_of([0, 1, 2, 3], [0.0, 0.022, 0.040, 0.062], 0.02) is None


def test_two_milliseconds_in_turn_leave_no_room_but_for_one_line():
    # What jitter does to a period of 20 ms: a line through all frames exists, but it is a chance.
    numbers = list(range(100))
    assert period_of(numbers, [0.02 * n + 0.001 * (n % 7 == 0) for n in numbers], 0.02) is None


def test_what_rounding_adds_is_least_far_from_whole_milliseconds_and_under_jitter():
    near = rounding_error_s(0.0200016, 500, FRAME_S**2 / 12)
    assert near == pytest.approx(6 / 500 * FRAME_S / math.pi / math.sqrt(2) / (math.pi * 0.8))
    assert rounding_error_s(0.0204, 500, FRAME_S**2 / 12) < near / 100
    assert rounding_error_s(0.0200016, 500, 1e-6) < near / 1e6
