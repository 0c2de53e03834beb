"""What to measure next, each rule on a unit where a player can see it is right."""

import math
import random

import pytest

from tempotape.unit.fit import fit_unit
from tempotape.unit.model import Head, Knob, Steadiness
from tempotape.unit.next_measurement import next_measurement
from tests.made_units import made_unit, shown_unit

# delay = 2400 / (knob - 1), and 2.5 times that for the long head: stalls at 1.
ALL = [("short", k, 2400 / (k - 1)) for k in (2, 3, 4, 5, 6, 7, 8, 9, 10)]
LONG = [("long", k, 6000 / (k - 1)) for k in (2, 3, 4, 5, 6, 7, 8, 9, 10)]


def advice(points, **unit):
    made = shown_unit(points, **unit)
    return next_measurement(made, fit_unit(made))


def test_a_suspect_is_measured_again_before_anything_else():
    told = advice([*ALL[:4], ("short", 6.1, 900.0), *ALL[5:]])  # the long head has no point either
    assert (told.head, told.knob) == ("short", 6.1)
    assert told.why.startswith('head "short" at 6.1 gave 900 ms where the other points say 47')
    assert told.why.endswith(" ms: measure it again")


def test_an_unmeasured_head_is_measured_in_the_middle_of_the_span():
    told = advice(ALL)
    assert (told.head, told.knob) == ("long", 6.0)
    assert told.why == 'head "long" has no point yet; one at 6.0 gives its delay at every reading'


def test_after_one_reading_comes_a_second_well_apart():
    told = advice([("short", 5.0, 600.0), ("long", 5.0, 1500.0)])
    assert (told.head, told.knob) == ("short", 8.0)
    assert told.why == (
        "all points are at 5.0; one at 8.0 shows which way and how much the knob changes the delay"
    )
    assert advice([("short", 9.0, 300.0), ("long", 9.0, 750.0)]).knob == 6.0  # no room above


def test_an_uncovered_fast_end_is_measured():
    told = advice([point for point in ALL + LONG[1:] if point[1] <= 7])
    assert (told.head, told.knob) == ("long", 10.0)
    assert told.why == (
        "nothing is measured on the fast side of 7.0; a point at 10.0 gives the shortest delays"
    )


def test_the_slow_end_is_approached_but_not_where_the_tape_may_stall():
    told = advice([point for point in ALL + LONG if point[1] >= 5])
    assert told.head == "short"
    assert 1.5 < told.knob <= 4.2
    assert told.why.startswith("nothing is measured on the slow side of 5.0; at ")
    # With points down to 1.4 ms away from the stall there is nothing left to gain.
    near = [("short", 1.4, 6000.0), ("long", 1.4, 15000.0)]
    assert advice(ALL + LONG + near).knob > 1.4


def test_the_slow_end_is_left_alone_where_the_player_does_not_trust_it():
    told = advice(
        [point for point in ALL + LONG if point[1] >= 5],
        steadiness=Steadiness(unstable_knob=4.8),
    )
    assert 5 <= told.knob <= 10


def test_on_a_knob_that_runs_the_other_way_the_fast_end_is_the_low_one():
    mirrored = [(head, 10 - knob, ms) for head, knob, ms in ALL + LONG if knob <= 7]
    assert advice(mirrored).knob == 0.0
    trusted = [(head, 10 - knob, ms) for head, knob, ms in ALL + LONG if knob >= 5]
    assert 0 <= advice(trusted, steadiness=Steadiness(unstable_knob=5.2)).knob <= 5


def test_measured_readings_are_told_as_measured_on_a_step_of_the_hand_or_off_it():
    wide = Knob(low=0.0, high=10.0, step=0.4)
    until_9 = [(head, knob, ms) for head, knob, ms in ALL + LONG if 3 <= knob <= 9]
    assert advice(until_9, knob=wide).why.startswith(
        "nothing is measured on the fast side of 9; a point at 10.0 "
    )
    from_5 = [point for point in ALL + LONG if point[1] >= 5]
    assert advice(from_5, knob=wide).why.startswith("nothing is measured on the slow side of 5; ")
    assert advice([("short", 5.0, 600.0), ("long", 5.0, 1500.0)], knob=wide).why.startswith(
        "all points are at 5; one at 8.0 "
    )
    odd = Knob(low=0.0, high=10.0, step=1.5)
    told = advice([*ALL, *LONG, ("short", 1.4, 6000.0), ("long", 1.4, 15000.0)], knob=odd)
    assert told.why.startswith("the widest gap between points is from ")
    low, high = told.why.removeprefix("the widest gap between points is from ").split(" to ")
    assert {float(low), float(high)} <= {point[1] for point in ALL}


def test_a_hole_between_points_is_filled():
    holed = [point for point in ALL + LONG if not 4 < point[1] < 9]
    told = advice(holed)
    assert 4.6 <= told.knob <= 8.4
    assert "least sure at" in told.why or "widest gap between points" in told.why


def test_a_clock_face_is_named_by_its_hours():
    clock = Knob(low=7.0, high=17.0, step=0.25, marks="clock")
    points = [(head, knob + 7, ms) for head, knob, ms in ALL]
    assert advice(points, knob=clock).why == (
        'head "long" has no point yet; one at 1 o\'clock gives its delay at every reading'
    )


def test_a_step_as_wide_as_the_scale_leaves_the_end_stops():
    coarse = Knob(low=0.0, high=10.0, step=10.0)
    assert advice(ALL + LONG, knob=coarse).knob in (0.0, 10.0)


@pytest.mark.parametrize("seed", range(30))
def test_the_reading_is_on_a_mark_and_on_the_trusted_side(seed):
    rng = random.Random(seed)
    unit = made_unit(rng, points_a_head=(2, 7), slowest=(0.05, 0.5), heads=rng.choice((1, 2))).unit
    fit = fit_unit(unit)
    told = next_measurement(unit, fit)
    assert told.head in unit.head_names
    assert told.why
    again = any(point.suspect and point.knob == told.knob for point in fit.points)
    steps = (told.knob - unit.knob.low) / unit.knob.step
    assert again or steps == pytest.approx(round(steps), abs=1e-6)
    assert unit.knob.low <= told.knob <= unit.knob.high
    assert math.isfinite(told.knob)


def test_a_single_head_measured_once_is_answered():
    told = advice([("short", 5.0, 600.0)], heads=(Head("short"),))
    assert (told.head, told.knob) == ("short", 8.0)
