"""Flutter and zones: measured values, the player's limits and ear, and the trade's one rule."""

import pytest

from tempotape.unit.model import Knob, Point, Steadiness
from tempotape.unit.steadiness import flutter_curve
from tests.plain_units import plain_calibration, plain_unit

LIMITS = Steadiness(steady_percent=1.0, unstable_percent=3.0)


def rising(knob):
    """A tape whose speed is proportional to the reading, in mm/s; one reading is one cm/s."""
    return 10.0 * max(knob, 0.01)


def falling(knob):
    return 10.0 * max(10.0 - knob, 0.01)


def calibration(limits, flutter, *, speed=rising, measured=(1.0, 9.0)):
    unit = plain_unit(heads={"short": 28.0, "long": 71.0}, limits=limits)
    return plain_calibration(unit, speed, measured=measured, flutter=flutter)


def test_flutter_passes_through_what_was_measured():
    known = calibration(LIMITS, {2.0: 4.0, 4.0: 2.0, 8.0: 0.5})
    assert known.flutter_at(2.0) == pytest.approx(4.0)
    assert known.flutter_at(4.0) == pytest.approx(2.0)
    assert known.flutter_at(8.0) == pytest.approx(0.5)


def test_flutter_between_measured_values_is_log_log():
    # On logarithmic axes halfway from (2, 4 %) to (8, 1 %) in speed is (4, 2 %): sqrt(2 * 8) = 4.
    known = calibration(LIMITS, {2.0: 4.0, 8.0: 1.0})
    assert known.flutter_at(4.0) == pytest.approx(2.0, rel=1e-6)


@pytest.mark.parametrize("speed", [rising, falling])
def test_zones_follow_the_players_limits(speed):
    at = (lambda knob: knob) if speed is rising else (lambda knob: 10 - knob)
    known = calibration(LIMITS, {at(2.0): 4.0, at(4.0): 2.0, at(8.0): 0.5}, speed=speed)
    assert known.zone_at(at(2.0)) == "unstable"
    assert known.zone_at(at(4.0)) == "wobbly"
    assert known.zone_at(at(8.0)) == "steady"


def test_faster_than_measured_steady_stays_steady_inside_the_measured_span():
    # Fast tape is steady (common practice, no source).
    known = calibration(LIMITS, {4.0: 2.0, 6.0: 0.8})
    assert known.zone_at(8.5) == "steady"
    assert known.flutter_at(8.5) is None
    assert known.zone_at(9.5) == "unknown"


def test_slower_than_measured_unstable_stays_unstable():
    known = calibration(LIMITS, {4.0: 3.5, 6.0: 0.8})
    assert known.zone_at(2.0) == "unstable"


def test_nothing_else_is_known_beyond_the_measured_values():
    known = calibration(LIMITS, {4.0: 2.0, 6.0: 1.5})
    assert known.zone_at(3.0) == "unknown"
    assert known.zone_at(7.0) == "unknown"


def test_without_any_measured_flutter_nothing_is_known():
    known = calibration(LIMITS, {})
    assert [known.zone_at(knob) for knob in (2.0, 5.0, 8.0)] == ["unknown"] * 3
    assert known.flutter_at(5.0) is None


def test_without_limits_no_zone_is_made_up():
    known = calibration(Steadiness(), {2.0: 4.0, 8.0: 0.5})
    assert known.zone_at(4.0) == "unknown"
    assert known.flutter_at(4.0) == pytest.approx(1.414, abs=0.001)


@pytest.mark.parametrize(
    ("limits", "zones"),
    [
        (Steadiness(steady_percent=1.0), ["wobbly", "wobbly", "steady"]),
        (Steadiness(unstable_percent=3.0), ["unstable", "unknown", "unknown"]),
    ],
)
def test_half_the_limits_give_half_the_zones(limits, zones):
    known = calibration(limits, {2.0: 4.0, 4.0: 2.0, 8.0: 0.5})
    assert [known.zone_at(knob) for knob in (2.0, 4.0, 8.0)] == zones


@pytest.mark.parametrize(("speed", "shaky", "sound"), [(rising, 2.9, 3.1), (falling, 3.1, 2.9)])
def test_the_ear_overrules_the_figures(speed, shaky, sound):
    limits = Steadiness(steady_percent=9.0, unstable_knob=3.0)
    known = calibration(limits, {1.0: 2.0, 9.0: 2.0}, speed=speed)
    assert known.zone_at(shaky) == "unstable"
    assert known.zone_at(3.0) == "unstable"
    assert known.zone_at(sound) == "steady"


def test_the_ear_counts_without_any_figures():
    known = calibration(Steadiness(unstable_knob=3.0), {})
    assert known.zone_at(2.0) == "unstable"
    assert known.zone_at(4.0) == "unknown"
    assert known.unstable == pytest.approx((0.0, 3.0))
    assert known.trusted == pytest.approx((3.0, 9.0), abs=0.03)


def test_all_unstable_leaves_nothing_to_trust():
    known = calibration(Steadiness(unstable_knob=10.0), {})
    assert known.trusted is None


def point(knob, flutter, head="long"):
    return Point(head, knob, 500.0, None, flutter)


def fitted(points):
    unit = plain_unit(heads={"short": 28.0, "long": 71.0}, limits=LIMITS)
    curve = plain_calibration(unit, rising, measured=(1.0, 9.0)).curve
    unit = type(unit)(
        format=1, name="Plain", knob=Knob(low=0, high=10, step=0.1), head=unit.head,
        measured=tuple(points), steadiness=LIMITS,
    )  # fmt: skip
    return flutter_curve(unit, curve)


def test_heads_share_one_tape_so_their_values_are_pooled():
    pooled = fitted([point(4.0, 2.0), point(4.0, 1.0, "short"), point(8.0, 0.5)])
    assert pooled.flutter_percent == (1.5, 0.5)


def test_a_value_out_of_order_shares_its_neighbours_mean():
    # Isotonic regression of 3, 1, 2 falling is 3, 1.5, 1.5 (Barlow et al. 1972, by hand).
    pooled = fitted([point(2.0, 3.0), point(4.0, 1.0), point(8.0, 2.0)])
    assert pooled.flutter_percent == pytest.approx((3.0, 1.5, 1.5))


def test_points_without_flutter_say_nothing():
    assert fitted([Point("long", 2.0, 500.0)]).log_speed == ()
