"""The curve's arithmetic, against values worked out by hand from delay = gap / speed."""

import math
import subprocess
import sys

import msgspec
import pytest

from tempotape.unit.curve import SpeedCurve

# Speed doubles from one reading to the next: 1, 2, 4. The heads' delays at full speed are
# 100 ms and 250 ms, so 400, 200, 100 and 1000, 500, 250.
RISING = SpeedCurve(
    knob=(0.0, 5.0, 10.0),
    log_speed=(math.log(0.25), math.log(0.5), 0.0),
    heads=("short", "long", "spare"),
    log_gap=(math.log(100), math.log(250), None),
    error_percent=((3.0, 1.0, 2.0), (4.0, 2.0, 3.0), (100.0, 100.0, 100.0)),
    measured_low=5.0,
    measured_high=10.0,
    faster_up=True,
)
FALLING = msgspec.structs.replace(RISING, log_speed=RISING.log_speed[::-1], faster_up=False)


def test_delay_is_the_gap_over_the_speed():
    assert [RISING.delay_ms("short", k) for k in (0, 5, 10)] == pytest.approx([400, 200, 100])
    assert [RISING.delay_ms("long", k) for k in (0, 5, 10)] == pytest.approx([1000, 500, 250])
    assert RISING.delay_ms("long", 2.5) == pytest.approx(1000 / math.sqrt(2))  # linear in the log


def test_no_delay_off_the_scale_or_for_a_head_without_a_gap():
    assert RISING.delay_ms("short", -0.1) is None
    assert RISING.delay_ms("short", 10.1) is None
    assert RISING.delay_ms("spare", 5.0) is None
    assert RISING.delay_ms("short", 10 + 1e-9) == pytest.approx(100)  # dust of arithmetic


@pytest.mark.parametrize("curve", [RISING, FALLING])
def test_knob_for_is_the_inverse_of_delay(curve):
    for head in ("short", "long"):
        for knob in (0, 0.01, 2.2, 5, 7.77, 10):
            assert curve.knob_for(head, curve.delay_ms(head, knob)) == pytest.approx(knob)


@pytest.mark.parametrize("curve", [RISING, FALLING])
@pytest.mark.parametrize("delay_ms", [99.9, 400.1, 0.0, -3.0, math.inf, math.nan])
def test_no_knob_for_a_delay_off_the_scale(curve, delay_ms):
    assert curve.knob_for("short", delay_ms) is None


def test_no_knob_for_a_head_without_delay():
    assert RISING.knob_for("spare", 200.0) is None


def test_slope_is_the_derivative_and_signed():
    # d tau / d k = -tau ln 2 / 5 on this curve.
    for curve, sign in ((RISING, -1), (FALLING, 1)):
        for knob in (2.5, 7.5):
            expected = sign * curve.delay_ms("short", knob) * math.log(2) / 5
            assert curve.ms_per_reading("short", knob) == pytest.approx(expected, rel=1e-4)
        # At an end stop the difference looks inwards only, a hundredth of the scale.
        assert curve.ms_per_reading("short", 10.0) == pytest.approx(
            sign * curve.delay_ms("short", 9.95) * math.log(2) / 5, rel=1e-4
        )
    assert RISING.ms_per_reading("spare", 5.0) == 0.0


def test_error_is_interpolated_and_held_beyond_the_ends():
    assert RISING.error_percent_at("long", 2.5) == 3.0
    assert RISING.error_percent_at("short", 0.0) == 3.0
    assert RISING.error_percent_at("short", 99.0) == 2.0


def test_log_speed_is_held_beyond_the_ends():
    assert RISING.log_speed_at(-3.0) == math.log(0.25)
    assert RISING.log_speed_at(7.5) == pytest.approx(math.log(0.5) / 2)


def test_measured_span_includes_its_ends():
    assert [RISING.in_measured_span(k) for k in (4.99, 5.0, 7.0, 10.0, 10.01)] == [
        False, True, True, True, False,
    ]  # fmt: skip


@pytest.mark.parametrize("curve", [RISING, FALLING])
def test_measured_delays_are_those_at_the_ends_of_the_span(curve):
    shortest, longest = (100, 200) if curve is RISING else (200, 400)
    assert curve.measured_delays_ms("short") == pytest.approx((shortest, longest))
    assert curve.measured_delays_ms("spare") is None


def test_reading_a_curve_loads_neither_numpy_nor_scipy():
    code = (
        "import sys, tempotape.unit.curve, tempotape.unit.next_measurement;"
        "sys.exit('numpy' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
