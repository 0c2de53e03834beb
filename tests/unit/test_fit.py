"""What a fit says about few points, bad points, rulers and contradictions."""

import itertools
import math
import random
import time

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tempotape.faults import InputFault
from tempotape.unit.fit import fit_unit
from tempotape.unit.model import Head, Knob, Point, Unit
from tests.made_units import made_unit, shown_unit

# A motor linear in the knob above a dead band of 1: delay = 2400 / (knob - 1), the long head's
# 2.5 times that. Worked out by hand, no noise.
LINEAR = [("short", k, 2400 / (k - 1)) for k in (2, 3, 4, 5, 7, 9)]
LONG = [("long", k, 6000 / (k - 1)) for k in (2.5, 4, 6, 8, 10)]


def fault_of(unit):
    with pytest.raises(InputFault) as caught:
        fit_unit(unit)
    return str(caught.value)


def test_one_curve_serves_both_heads():
    fit = fit_unit(shown_unit(LINEAR + LONG))
    for knob in (2.2, 3.5, 5.5, 8.7):
        assert fit.curve.delay_ms("short", knob) == pytest.approx(2400 / (knob - 1), rel=0.01)
        ratio = fit.curve.delay_ms("long", knob) / fit.curve.delay_ms("short", knob)
        assert ratio == pytest.approx(2.5, rel=0.005)
    assert fit.curve.faster_up
    assert (fit.curve.measured_low, fit.curve.measured_high) == (2, 10)
    assert fit.remarks == ()


def test_points_come_back_in_file_order_with_their_residuals():
    given_points = LONG[::-1] + LINEAR
    fit = fit_unit(shown_unit(given_points))
    assert [(p.head, p.knob, p.delay_ms) for p in fit.points] == given_points
    for point in fit.points:
        assert point.fitted_ms == pytest.approx(fit.curve.delay_ms(point.head, point.knob))
        assert point.residual_percent == pytest.approx(100 * (point.delay_ms / point.fitted_ms - 1))
        assert not point.suspect


def test_the_grid_runs_from_end_stop_to_end_stop():
    curve = fit_unit(shown_unit(LINEAR, knob=Knob(low=0.0, high=10.0, step=0.1))).curve
    assert (curve.knob[0], curve.knob[-1], len(curve.knob)) == (0.0, 10.0, 401)
    assert len(curve.log_speed) == 401
    assert [len(row) for row in curve.error_percent] == [401, 401]
    assert curve.log_speed_at(9) == pytest.approx(0.0)  # relative to the fastest point


def test_a_knob_that_runs_the_other_way_gives_the_mirrored_curve():
    mirrored = [(head, 10 - knob, ms) for head, knob, ms in LINEAR + LONG]
    there, back = fit_unit(shown_unit(LINEAR + LONG)), fit_unit(shown_unit(mirrored))
    assert not back.curve.faster_up
    assert back.remarks == ()
    for knob in (0, 2, 5.1, 8, 10):
        assert back.curve.delay_ms("long", 10 - knob) == pytest.approx(
            there.curve.delay_ms("long", knob), rel=2e-3
        )


def test_the_answer_does_not_depend_on_the_scale_printed_on_the_knob():
    stretched = [(head, 100 + 7 * knob, ms) for head, knob, ms in LINEAR + LONG]
    plain = fit_unit(shown_unit(LINEAR + LONG)).curve
    other = fit_unit(shown_unit(stretched, knob=Knob(low=100.0, high=170.0, step=1.0))).curve
    for knob in (0, 3.3, 9):
        assert other.delay_ms("short", 100 + 7 * knob) == pytest.approx(
            plain.delay_ms("short", knob)
        )


def test_the_same_points_give_the_same_curve_again():
    assert fit_unit(shown_unit(LINEAR + LONG)) == fit_unit(shown_unit(LINEAR + LONG))


def test_the_error_grows_outside_the_measured_span():
    inner = [point for point in LINEAR if 3 <= point[1] <= 7]
    curve = fit_unit(shown_unit(inner)).curve
    within = max(curve.error_percent_at("short", k) for k in (3, 4, 5, 6, 7))
    assert within < 3
    assert curve.error_percent_at("short", 10) > within
    # At 1 this unit stalls: no delay there is right, and the error says so.
    assert curve.error_percent_at("short", 1) > 5 * within
    assert not curve.in_measured_span(1)


def test_one_point_gives_a_wide_answer_and_says_what_it_does_not_know():
    fit = fit_unit(shown_unit([("long", 5.0, 400.0)]))
    curve = fit.curve
    assert curve.delay_ms("long", 5.0) == pytest.approx(400.0, rel=1e-3)
    assert 0.5 < curve.error_percent_at("long", 5.0) < 5
    assert curve.error_percent_at("long", 7.0) > 25
    assert curve.delay_ms("long", 8.0) < 400 < curve.delay_ms("long", 2.0)
    assert curve.delay_ms("short", 5.0) is None
    assert curve.log_gap[0] is None
    assert fit.remarks == (
        "the points do not tell which way the knob speeds the tape up; taken as faster towards 10 "
        "until another reading is measured",
        'head "short" has no delay yet: measure one point, or give gap_mm for it and for a '
        "measured head",
    )


def test_two_points_that_fall_up_the_knob_turn_the_direction_round():
    fit = fit_unit(shown_unit([("long", 2.0, 300.0), ("long", 8.0, 700.0)]))
    assert not fit.curve.faster_up
    assert 300 < fit.curve.delay_ms("long", 5.0) < 700


def test_a_head_measured_once_takes_the_shape_from_the_other():
    fit = fit_unit(shown_unit([*LINEAR, ("long", 5.0, 1500.0)]))
    for knob in (2.5, 8.0):
        assert fit.curve.delay_ms("long", knob) == pytest.approx(6000 / (knob - 1), rel=0.02)
        assert fit.curve.error_percent_at("long", knob) > fit.curve.error_percent_at("short", knob)


def test_an_unmeasured_head_comes_from_the_ruler_to_a_millimetre():
    heads = (Head("short", gap_mm=30.0), Head("long", gap_mm=75.0))
    fit = fit_unit(shown_unit(LINEAR, heads=heads))
    assert fit.curve.delay_ms("long", 5.0) == pytest.approx(1500.0, rel=0.01)
    # Each gap is known to 1 mm: 1/30 and 1/75 add as squares to 3.6 %.
    assert fit.curve.error_percent_at("long", 5.0) == pytest.approx(
        100 * math.hypot(1 / 30, 1 / 75), rel=0.1
    )
    assert fit.remarks == ('head "long" is not measured; its delay comes from the ruler alone',)


def test_a_ruler_that_the_delays_deny_is_pointed_out_and_not_followed():
    heads = (Head("short", gap_mm=30.0), Head("long", gap_mm=50.0))
    fit = fit_unit(shown_unit(LINEAR + LONG, heads=heads))
    assert fit.curve.delay_ms("long", 5.0) == pytest.approx(1500.0, rel=0.01)
    assert fit.remarks == (
        'by the delays the gap of head "long" is 2.5 times that of "short", by the ruler 1.67 '
        "times; the delays are believed",
    )


@pytest.mark.parametrize("bad", range(len(LINEAR + LONG)))
@pytest.mark.parametrize("factor", [0.5, 0.8, 1.25, 2.0])
def test_a_gross_error_anywhere_is_named_and_does_not_pull(bad, factor):
    points = LINEAR + LONG
    head, knob, delay_ms = points[bad]
    spoilt = [*points[:bad], (head, knob, delay_ms * factor), *points[bad + 1 :]]
    fit = fit_unit(shown_unit(spoilt))
    assert [number for number, point in enumerate(fit.points) if point.suspect] == [bad]
    assert fit.points[bad].residual_percent == pytest.approx(100 * (factor - 1), abs=5)
    assert fit.curve.delay_ms("short", 5.5) == pytest.approx(2400 / 4.5, rel=0.01)
    assert fit.remarks[0].startswith(f'head "{head}" at {knob:g}: {delay_ms * factor:.4g} ms is ')
    assert fit.remarks[0].endswith("so it does not count; measure it again")


def test_a_suspect_does_not_stretch_the_measured_span():
    points = [point for point in LINEAR + LONG if point[1] >= 3]
    fit = fit_unit(shown_unit([*points, ("short", 2.0, 5200.0)]))
    assert fit.points[-1].suspect
    assert fit.curve.measured_low == 3


def test_a_repeat_within_noise_is_averaged():
    fit = fit_unit(shown_unit([*LINEAR, *LONG, ("short", 5, 606.0), ("short", 5, 594.0)]))
    assert not any(point.suspect for point in fit.points)
    assert fit.curve.delay_ms("short", 5) == pytest.approx(600, rel=0.01)


def test_a_stated_error_weighs_the_point():
    def at_five(error_ms):
        unit = shown_unit([("short", 2, 900.0), ("short", 8, 300.0)])
        pair = (Point("short", 5, 490.0, error_ms=9.0), Point("short", 5, 510.0, error_ms=error_ms))
        return fit_unit(msgspec.structs.replace(unit, measured=unit.measured + pair)).curve

    # Weighted mean of 490 +- 9 and 510 +- 90, or of two equals.
    assert at_five(90.0).delay_ms("short", 5) == pytest.approx(490.2, rel=0.005)
    assert at_five(9.0).delay_ms("short", 5) == pytest.approx(500, rel=0.005)


def test_nothing_measured_is_told():
    assert fault_of(shown_unit([])) == (
        "measured: nothing measured yet; expected at least one [[measured]] point"
    )


def test_three_points_at_odds_name_the_two_out_of_order():
    assert fault_of(shown_unit([("long", 2, 800.0), ("long", 5, 900.0), ("long", 8, 300.0)])) == (
        'measured: head "long" takes 800 ms at 2 and 900 ms at 5, against the trend of its other '
        "points, which do not tell which one is wrong; expected delays that only rise or only fall "
        "along the knob: measure these two again"
    )


@pytest.mark.parametrize(
    "delays",
    [
        [300, 420, 560, 700, 830, 700, 550, 430, 310],  # rise, then fall
        [800, 640, 480, 350, 280, 360, 490, 650, 790],  # fall, then rise
        [300, 700, 310, 690, 305, 720, 290],  # two of everything
        [400, 300],  # one reading, two answers
    ],
)
def test_delays_that_turn_round_are_refused(delays):
    knobs = [5, 5] if len(delays) == 2 else [1 + i for i in range(len(delays))]
    message = fault_of(shown_unit([("long", k, d) for k, d in zip(knobs, delays, strict=True)]))
    assert 'head "long" takes ' in message
    assert "which do not tell which one is wrong" in message


def test_a_slight_disorder_within_noise_is_no_fault():
    points = [("long", 2, 800.0), ("long", 4, 500.0), ("long", 4.2, 507.0), ("long", 8, 300.0)]
    assert not any(point.suspect for point in fit_unit(shown_unit(points)).points)


def test_a_walk_through_of_many_points_is_followed_and_its_slips_named():
    rng = random.Random(5)
    points = []
    for head, scale in (("short", 2400), ("long", 6000)):
        for i in range(150):
            knob = 2 + 8 * i / 149
            points.append((head, knob, scale / (knob - 1) * (1 + rng.gauss(0, 0.01))))
    slips = (20, 170, 250)
    for slip in slips:
        head, knob, delay_ms = points[slip]
        points[slip] = (head, knob, delay_ms * 1.3)
    fit = fit_unit(shown_unit(points))
    assert [number for number, point in enumerate(fit.points) if point.suspect] == list(slips)
    for knob in (2.2, 3, 5, 9):
        assert fit.curve.delay_ms("long", knob) == pytest.approx(6000 / (knob - 1), rel=0.01)


def test_a_unit_of_sixteen_points_fits_in_the_time_of_a_key_press():
    unit = made_unit(random.Random(1), points_a_head=(8, 8), with_error=False).unit
    fit_unit(unit)
    durations = []
    for _ in range(3):
        start = time.perf_counter()
        fit_unit(unit)
        durations.append(time.perf_counter() - start)
    assert min(durations) < 0.25  # budget 150 ms on a free core; this leaves room for a busy one


@settings(max_examples=60, deadline=None)
@given(
    points=st.lists(
        st.tuples(
            st.sampled_from(["short", "long"]),
            st.floats(-3, 7),
            st.floats(1e-3, 60_000),
            st.one_of(st.none(), st.floats(1e-6, 60_000)),
        ),
        min_size=1,
        max_size=12,
    ),
    gaps=st.tuples(*[st.one_of(st.none(), st.floats(0.01, 10_000))] * 2),
)
def test_any_points_give_a_strictly_monotone_finite_curve_or_a_told_fault(points, gaps):
    heads = (Head("short", gap_mm=gaps[0]), Head("long", gap_mm=gaps[1]))
    unit = shown_unit([], heads=heads, knob=Knob(low=-3.0, high=7.0, step=0.1))
    unit = msgspec.structs.replace(unit, measured=tuple(Point(*point) for point in points))
    try:
        fit = fit_unit(unit)
    except InputFault as fault:
        assert "which do not tell which one is wrong" in str(fault)
        return
    curve = fit.curve
    steps = [after - before for before, after in itertools.pairwise(curve.log_speed)]
    assert all(step > 0 for step in steps) if curve.faster_up else all(step < 0 for step in steps)
    assert all(after > before for before, after in itertools.pairwise(curve.knob))
    for row in curve.error_percent:
        assert all(math.isfinite(error) and error > 0 for error in row)
    for head, knob in itertools.product(curve.heads, (-3.0, 0.123, 7.0)):
        delay_ms = curve.delay_ms(head, knob)
        if delay_ms is not None:
            assert math.isfinite(delay_ms)
            assert curve.knob_for(head, delay_ms) == pytest.approx(knob, abs=1e-6)
    for point in fit.points:
        assert math.isfinite(point.residual_percent)


def test_a_misread_ruler_is_told_and_not_followed_even_with_two_points_on_a_head():
    knob = Knob(low=0, high=10, step=0.1)
    heads = (Head("a", 50.0), Head("b", 50.0))
    # Both gaps read 50 mm, but head b takes twice as long at 3 and at 7.
    delays_a = ((1, 900.0), (3, 500.0), (5, 330.0), (7, 250.0), (9, 200.0))
    points = [Point("a", at, delay_ms) for at, delay_ms in delays_a]
    points += [Point("b", 3, 1000.0), Point("b", 7, 500.0)]
    unit = Unit(format=1, name="K", knob=knob, head=heads, measured=tuple(points))
    fit = fit_unit(unit)
    assert fit.curve.delay_ms("b", 7) == pytest.approx(500, rel=0.02)
    assert any("by the ruler" in remark for remark in fit.remarks)
