"""Tapped tempo and tapped repeats: the period, its honest error, and taps gone wrong."""

import math
import random

import numpy as np
import pytest

from tempotape.faults import InputFault
from tempotape.tempo.taps import MOST_TAPS, TapReading, TapSeries, repeats_per_tap


def tapped(times_s):
    series = TapSeries()
    for time_s in times_s:
        series.tap(time_s)
    return series.reading


def beat(count, period_s, *, start_s=100.0, sd_s=0.0, rng=None):
    rng = rng or random.Random(1)
    return [start_s + index * period_s + rng.gauss(0, sd_s) for index in range(count)]


def test_a_first_tap_says_nothing_yet():
    assert TapSeries().reading is None
    assert tapped([3.0]) is None


def test_two_taps_give_the_interval_with_a_large_error():
    reading = tapped([10.0, 10.5])
    assert (reading.count, reading.used) == (2, 2)
    assert reading.period_s == pytest.approx(0.5)
    # Non-musicians tap with 15 to 25 ms, 2 to 5 % of the interval (from memory of the review cited
    # in the module); an interval has two taps' error, so sqrt(2) of it: Kay's formula at n = 2.
    assert 0.02 * 0.5 * math.sqrt(2) <= reading.error_s <= 0.05 * 0.5 * math.sqrt(2)


def test_the_properties_are_the_same_figures_in_other_units():
    reading = TapReading(count=4, used=4, period_s=0.5, spread_s=0.02, error_s=0.005)
    assert reading.tempo_bpm == pytest.approx(120)  # 60000 / 500 ms, the metronome mark
    assert reading.error_bpm == pytest.approx(1.2)  # 1 % of it
    assert reading.delay_ms == pytest.approx(500)
    assert reading.error_ms == pytest.approx(5)


@pytest.mark.parametrize("count", [3, 5, 16, 32])
@pytest.mark.parametrize("period_s", [0.13, 0.5, 2.0, 4.0])
def test_clean_taps_fit_the_line_that_numpy_fits(count, period_s):
    times_s = beat(count, period_s, sd_s=0.012 * period_s)
    reading = tapped(times_s)
    assert reading.used == count
    slope, _ = np.polyfit(np.arange(count), times_s, 1)
    assert reading.period_s == pytest.approx(slope, rel=1e-9)


def test_the_error_is_the_line_fit_formula():
    # Kay, Fundamentals of Statistical Signal Processing (1993): s sqrt(12 / (n (n^2 - 1))).
    for count in (2, 3, 8, 16):
        reading = tapped(beat(count, 0.5, sd_s=0.01))
        bound = math.sqrt(12 / (count * (count**2 - 1)))
        assert reading.error_s == pytest.approx(reading.spread_s * bound)


# "2-5 % of the interval": 10 ms to 25 ms at half a second.
@pytest.mark.parametrize(
    ("period_s", "sd_s"),
    [(0.25, 0.005), (0.25, 0.0125), (0.5, 0.01), (0.5, 0.015), (0.5, 0.025), (1.0, 0.02),
     (1.0, 0.04), (2.0, 0.02), (2.0, 0.04), (3.5, 0.05)],
)  # fmt: skip
def test_true_error_over_stated_error_is_0_6_to_1_6_rms(period_s, sd_s):
    rng = random.Random(7)
    squared = [
        ((reading.period_s - period_s) / reading.error_s) ** 2
        for count in range(3, 17)
        for _ in range(25)
        if (reading := tapped(beat(count, period_s, sd_s=sd_s, rng=rng)))
    ]
    assert len(squared) == 14 * 25
    assert 0.6 <= math.sqrt(sum(squared) / len(squared)) <= 1.6


def test_the_spread_of_many_taps_is_that_of_the_hand():
    for sd_s in (0.008, 0.02, 0.03):
        assert tapped(beat(32, 0.6, sd_s=sd_s)).spread_s == pytest.approx(sd_s, rel=0.3)


def right(reading, period_s):
    """Within 4 stated standard deviations, and stated better than 5 %."""
    off = abs(reading.period_s - period_s)
    return off <= 4 * reading.error_s and reading.error_s < 0.05 * period_s


def share_right(make, period_s, runs=60):
    rng = random.Random(11)
    return sum(right(tapped(make(rng)), period_s) for _ in range(runs)) / runs


@pytest.mark.parametrize("count", [4, 5, 8, 14])
def test_a_missed_tap_leaves_the_period_alone(count):
    def make(rng):
        taps = beat(count, 0.5, sd_s=0.012, rng=rng)
        del taps[rng.randrange(1, count - 1)]
        return taps

    assert share_right(make, 0.5) >= 0.95


def test_a_missed_second_beat_is_a_double_interval():
    reading = tapped([0.0, 1.0, 1.5])
    assert reading.period_s == pytest.approx(0.5)
    assert reading.used == 3


@pytest.mark.parametrize("count", [5, 8, 14])
def test_a_tap_between_two_beats_is_set_aside(count):
    def make(rng):
        taps = beat(count, 0.5, sd_s=0.012, rng=rng)
        return sorted([*taps, taps[rng.randrange(1, count - 1)] + rng.uniform(0.18, 0.32)])

    assert share_right(make, 0.5) >= 0.95
    assert tapped([0, 0.5, 1.0, 1.25, 1.5, 2.0]).used == 5


@pytest.mark.parametrize("count", [5, 8, 14])
def test_one_tap_far_off_is_set_aside(count):
    def make(rng):
        taps = beat(count, 0.5, sd_s=0.012, rng=rng)
        taps[rng.randrange(count)] += rng.choice((-1, 1)) * rng.uniform(0.125, 0.225)
        return sorted(taps)

    assert share_right(make, 0.5) >= 0.9
    off = tapped([0.0, 0.5, 1.0, 1.68, 2.0, 2.5])
    assert (off.count, off.used) == (6, 5)
    assert off.period_s == pytest.approx(0.5)


@pytest.mark.parametrize("last_s", [0.65, 1.2])
def test_three_taps_that_disagree_are_all_kept_and_the_error_says_so(last_s):
    reading = tapped([0.0, 0.5, last_s])
    assert reading.used == 3
    assert reading.error_s > 0.03


def test_a_bouncing_contact_is_one_tap_at_its_first_touch():
    clean = beat(8, 0.4, sd_s=0.01)
    bounced = sorted([*clean, *(time_s + 0.004 for time_s in clean), clean[3] + 0.055])
    assert tapped(bounced) == tapped(clean)


def test_a_held_key_that_repeats_is_one_tap():
    held = [100.0 + 0.033 * index for index in range(40)]
    assert tapped(held) is None


@pytest.mark.parametrize("old_s", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("new_s", [0.3, 0.62, 1.5])
def test_after_a_pause_nothing_of_the_old_tempo_is_left(old_s, new_s):
    old = beat(9, old_s, sd_s=0.01)
    pause_s = max(2.0, 2.2 * old_s) + 0.1
    new = beat(3, new_s, start_s=old[-1] + pause_s, sd_s=0.005)
    assert tapped([*old, *new]) == tapped(new)


def test_a_single_tap_waits_longer_than_the_longest_repeat():
    assert tapped([0.0, 4.0]).period_s == pytest.approx(4.0)
    assert tapped([0.0, 4.6]) is None


def test_a_beat_missed_at_a_slow_tempo_is_no_pause():
    assert tapped([0.0, 1.5, 3.0, 6.0, 7.5]).count == 5


# Half and double time, and neighbours: the last beat of the old tempo is the first of the new one.
@pytest.mark.parametrize(("new_s", "taps"), [(0.25, 3), (1.0, 3), (0.75, 4), (0.4, 4), (0.6, 4),
                                             (0.45, 6), (0.53, 9)])  # fmt: skip
def test_several_taps_in_a_row_at_another_tempo_begin_anew(new_s, taps):
    def make(rng):
        old = beat(8, 0.5, sd_s=0.01, rng=rng)
        start_s = 100.0 + 7 * 0.5 + new_s
        return [*old, *beat(taps, new_s, start_s=start_s, sd_s=0.01, rng=rng)]

    assert share_right(make, new_s) >= 0.95


def test_taps_that_start_over_in_another_place_of_the_beat_begin_anew():
    reading = tapped([*beat(8, 0.5), *beat(3, 0.5, start_s=100 + 7 * 0.5 + 0.7)])
    assert reading.count == 3
    assert reading.period_s == pytest.approx(0.5)


def test_a_steady_hand_keeps_its_series():
    rng = random.Random(5)
    broken = sum(tapped(beat(16, 0.5, sd_s=0.018, rng=rng)).count < 16 for _ in range(100))
    assert broken <= 3


def test_a_long_series_keeps_a_bounded_number_of_taps():
    series = TapSeries()
    for time_s in beat(3 * MOST_TAPS, 0.5, sd_s=0.01):
        series.tap(time_s)
    assert series.reading.count == 3 * MOST_TAPS
    assert series.reading.used <= MOST_TAPS
    assert len(series._times_s) == MOST_TAPS


def test_clear_forgets_all_taps():
    series = TapSeries()
    for time_s in beat(5, 0.5):
        series.tap(time_s)
    series.clear()
    assert series.reading is None
    series.tap(102.3)
    assert series.reading is None


def test_a_clock_that_runs_back_begins_anew():
    assert tapped([*beat(5, 0.5), 50.0, 50.7]) == tapped([50.0, 50.7])


@pytest.mark.parametrize(
    ("period_ms", "expected_ms", "repeats"),
    [(510, 500, 1), (470, 500, 1), (300, 150, 2), (320, 150, 2), (290, 95, 3), (410, 100, 4),
     (100, 500, 1), (9000, 500, 4)],
)  # fmt: skip
def test_repeats_from_tap_to_tap(period_ms, expected_ms, repeats):
    assert repeats_per_tap(period_ms, expected_ms) == repeats


def test_a_period_between_two_numbers_of_repeats_is_told():
    # log(346 / 300) and log(400 / 346) are the same: as near to three repeats as to four.
    with pytest.raises(InputFault) as fault:
        repeats_per_tap(346, 100)
    assert str(fault.value) == (
        "a tap every 346 ms can be every third or every fourth repeat of 100 ms; "
        "expected taps on every repeat, or on every second one"
    )
    with pytest.raises(InputFault, match="every single or every second repeat of 200 ms"):
        repeats_per_tap(283, 200)
