"""Trim: how far evidence moves the curve, how sure it leaves it, and how it fades."""

import math
import random

import msgspec
import pytest

from tempotape.faults import InputFault
from tempotape.unit.model import Knob
from tempotape.unit.trim import (
    CLOCK_SLACK_S,
    DRIFT_SD,
    DRIFT_TIME_S,
    FADED_S,
    Trim,
    age_s,
    apply_trim,
    drift,
    faded,
    trim_text,
    trimmed_by,
    typed_error_ms,
)
from tests.plain_units import plain_calibration, plain_unit

NOW = 1_700_000_000.0
HOUR = 3600.0


def echo(*, step=1e-6, error_percent=1e-6, heads=None):
    """Speed 50 mm/s a reading: a gap of 50 mm is 1000/k ms, its slope -1000/k^2 ms a reading."""
    unit = plain_unit(
        heads=heads or {"short": 20.0, "long": 50.0}, knob=Knob(low=0.0, high=10.0, step=step)
    )
    return plain_calibration(
        unit, lambda k: 50 * max(k, 0.01), measured=(1, 9), flutter={2: 2.0, 8: 1.0},
        error_percent=error_percent,
    )  # fmt: skip


def measured(
    calibration, measured_ms, error_ms, *, before=None, head="long", knob=2.0, now_unix_s=NOW
):
    return trimmed_by(
        before,
        calibration,
        head=head,
        knob=knob,
        measured_ms=measured_ms,
        measured_error_ms=error_ms,
        now_unix_s=now_unix_s,
    )


def conjugate(mean, variance, value, value_variance):
    """Normal mean with known variance: precisions add (Gelman et al., Bayesian Data Analysis)."""
    precision = 1 / variance + 1 / value_variance
    return (mean / variance + value / value_variance) / precision, 1 / precision


def test_a_first_trim_is_the_conjugate_update_of_the_drift_prior():
    trim = measured(echo(), 510.0, 10.2)
    mean, variance = conjugate(0, DRIFT_SD**2, math.log(510 / 500), 0.02**2)
    assert trim.log_scale == pytest.approx(mean)
    assert trim.error == pytest.approx(math.sqrt(variance))
    assert (trim.at_unix_s, trim.count) == (NOW, 1)


def test_a_second_trim_starts_from_the_first_widened_by_the_drift_since():
    calibration = echo()
    first = measured(calibration, 510.0, 10.2)
    trim = measured(calibration, 505.0, 5.05, before=first, now_unix_s=NOW + HOUR)
    # Ornstein-Uhlenbeck transition density, in its textbook form.
    left = math.exp(-HOUR / DRIFT_TIME_S)
    widened = first.error**2 * left**2 + DRIFT_SD**2 * (1 - left**2)
    mean, variance = conjugate(first.log_scale * left, widened, math.log(1.01), 0.01**2)
    assert trim.log_scale == pytest.approx(mean)
    assert trim.error == pytest.approx(math.sqrt(variance))
    assert trim.count == 2


def test_curve_and_hand_make_the_evidence_looser():
    # The hand: 0.05 readings at 1000/2^2 ms a reading is 12.5 ms of 500 ms; the curve: 1 %.
    trim = measured(echo(step=0.05, error_percent=1.0), 520.0, 5.2)
    sd = math.sqrt(0.01**2 + 0.01**2 + 0.025**2)
    mean, variance = conjugate(0, DRIFT_SD**2, math.log(1.04), sd**2)
    assert trim.log_scale == pytest.approx(mean, rel=1e-3)
    assert trim.error == pytest.approx(math.sqrt(variance), rel=1e-3)


def test_tight_taps_move_the_curve_more_than_loose_ones():
    calibration = echo(step=0.01, error_percent=0.2)
    moved = [measured(calibration, 515.0, error_ms).log_scale for error_ms in (2, 8, 20, 60)]
    assert moved == sorted(moved, reverse=True)
    assert all(0 < scale < math.log(515 / 500) for scale in moved)
    assert moved[0] > 0.9 * math.log(515 / 500)
    assert moved[-1] < 0.15 * math.log(515 / 500)
    errors = [measured(calibration, 515.0, error_ms).error for error_ms in (2, 8, 20, 60)]
    assert errors == sorted(errors)


def test_true_drift_over_stated_error_has_an_rms_of_one():
    calibration = echo(step=0.02, error_percent=0.8)
    rng = random.Random(3)
    squared = []
    for _ in range(2000):
        truth = rng.gauss(0, DRIFT_SD)
        wrong = rng.gauss(0, 0.008) + rng.gauss(0, 0.02 * 250 / 500) + rng.gauss(0, 0.015)
        measured_ms = 500 * math.exp(truth + wrong)
        if abs(truth + wrong) < 0.18:
            trim = measured(calibration, measured_ms, 0.015 * measured_ms)
            squared.append(((truth - trim.log_scale) / trim.error) ** 2)
    assert len(squared) > 1990
    assert math.sqrt(sum(squared) / len(squared)) == pytest.approx(1.0, abs=0.06)


def test_trimming_often_at_one_setting_never_claims_more_than_curve_and_hand_allow():
    calibration = echo(step=0.02, error_percent=0.8)
    standing = math.hypot(0.008, 0.01)
    rng = random.Random(4)
    squared = []
    for _ in range(400):
        truth = rng.gauss(0, DRIFT_SD)
        shared = rng.gauss(0, standing)
        trim = None
        for again in range(6):
            log_delay = min(0.18, max(-0.18, truth + shared + rng.gauss(0, 0.01)))
            trim = measured(
                calibration, 500 * math.exp(log_delay), 5.0, before=trim, now_unix_s=NOW + again
            )
        squared.append(((truth - trim.log_scale) / trim.error) ** 2)
    assert trim.error >= 0.99 * math.sqrt(1 / (1 / DRIFT_SD**2 + 1 / standing**2))
    assert math.sqrt(sum(squared) / len(squared)) < 1.15


def test_a_poor_measurement_never_makes_a_trim_less_sure():
    good = measured(echo(), 505.0, 2.0)
    after = measured(echo(step=0.5, error_percent=5.0), 505.0, 50.0, before=good)
    assert after.error <= good.error


def test_a_jump_that_the_last_trim_cannot_explain_is_followed():
    calibration = echo()
    before = measured(calibration, 500.0, 1.0)
    jumped = measured(calibration, 450.0, 4.5, before=before)
    assert jumped == measured(calibration, 450.0, 4.5)
    near = measured(calibration, 503.0, 3.0, before=before)
    assert near.count == 2
    assert near.log_scale < 0.2 * math.log(503 / 500)


@pytest.mark.parametrize(
    ("head", "knob", "measured_ms", "told"),
    [
        ("long", 4.0, 198.0,
         "check head switch and knob: 198 ms, head long at 4.0000 should give 250 ms"),
        ("long", 4.0, 98.0,
         "check the head switch: 98 ms is head short's, head long at 4.0000 gives 250 ms"),
        ("short", 4.0, 255.0,
         "check the head switch: 255 ms is head long's, head short at 4.0000 gives 100 ms"),
        ("long", 4.0, 496.0,
         "tap every repeat: 496 ms is twice the 250 ms of head long at 4.0000"),
        ("long", 4.0, 760.0,
         "tap every repeat: 760 ms is three times the 250 ms of head long at 4.0000"),
        ("long", 4.0, 126.0,
         "tap every repeat: 126 ms is half of the 250 ms of head long at 4.0000"),
    ],
)  # fmt: skip
def test_a_delay_further_off_than_drift_is_refused_with_what_it_means(
    head, knob, measured_ms, told
):
    with pytest.raises(InputFault) as fault:
        measured(echo(), measured_ms, 2.0, head=head, knob=knob)
    assert str(fault.value) == told
    assert len(told) <= 80


def test_a_fifth_off_is_the_most_that_drift_explains():
    assert measured(echo(), 500 * 1.19, 2.0).count == 1
    assert measured(echo(), 500 / 1.19, 2.0).count == 1
    for off_ms in (500 * 1.21, 500 / 1.21):
        with pytest.raises(InputFault, match="check head switch and knob"):
            measured(echo(), off_ms, 2.0)


def test_what_is_expected_includes_the_trim_before():
    before = Trim(log_scale=math.log(1.1), error=0.01, at_unix_s=NOW, count=1)
    with pytest.raises(InputFault, match=r"head long at 2\.0000 should give 550 ms"):
        measured(echo(), 420.0, 2.0, before=before)
    assert measured(echo(), 420.0, 2.0).count == 1


def test_a_delay_that_is_no_delay_is_refused():
    for typed in (0.0, -3.0, math.nan, math.inf):
        with pytest.raises(InputFault) as fault:
            measured(echo(), typed, 2.0)
        assert str(fault.value) == f"repeats {typed:g} ms apart; expected a number above 0"


def test_a_head_without_delay_and_a_knob_off_the_scale_are_refused():
    unit = plain_unit(heads={"long": 50.0, "third": None})
    calibration = plain_calibration(unit, lambda k: 50 * max(k, 0.01), measured=(1, 9))
    with pytest.raises(InputFault) as fault:
        measured(calibration, 500.0, 2.0, head="third")
    told = "head third has no delay yet to trim; expected one point measured on it"
    assert str(fault.value) == told
    with pytest.raises(InputFault) as fault:
        measured(calibration, 500.0, 2.0, knob=11.0)
    assert str(fault.value) == "knob at 11 is off the scale; expected 0 to 10"


def test_typed_milliseconds_are_good_to_one_percent_or_two_ms():
    assert typed_error_ms(612.0) == pytest.approx(6.12)
    assert typed_error_ms(90.0) == 2.0


@pytest.mark.parametrize("head", ["short", "long"])
@pytest.mark.parametrize("knob", [0.3, 1.0, 4.25, 9.9])
def test_a_trim_scales_every_delay_exactly(head, knob):
    calibration = echo()
    trim = Trim(log_scale=0.03, error=0.01, at_unix_s=NOW, count=1)
    trimmed = apply_trim(calibration, trim, NOW)
    before_ms, after_ms = (each.curve.delay_ms(head, knob) for each in (calibration, trimmed))
    assert after_ms == pytest.approx(before_ms * math.exp(0.03), rel=1e-12)
    assert trimmed.curve.knob_for(head, after_ms) == pytest.approx(knob, abs=1e-9)
    assert trimmed.curve.knob_for(head, before_ms) != pytest.approx(knob, abs=1e-3)


def test_zones_flutter_and_points_stay_with_the_knob():
    calibration = echo()
    trimmed = apply_trim(calibration, Trim(0.05, 0.01, NOW, 1), NOW)
    for knob in (1.0, 2.0, 5.5, 8.0):
        assert trimmed.flutter_at(knob) == calibration.flutter_at(knob)
        assert trimmed.zone_at(knob) == calibration.zone_at(knob)
    assert (trimmed.trusted, trimmed.unstable) == (calibration.trusted, calibration.unstable)
    assert trimmed.fit.points == calibration.fit.points
    assert trimmed.curve.error_percent == calibration.curve.error_percent


def test_a_head_without_delay_stays_without():
    unit = plain_unit(heads={"long": 50.0, "third": None})
    calibration = plain_calibration(unit, lambda k: 50 * max(k, 0.01), measured=(1, 9))
    trimmed = apply_trim(calibration, Trim(0.05, 0.01, NOW, 1), NOW)
    assert trimmed.curve.delay_ms("third", 2.0) is None


def test_without_a_trim_the_calibration_is_as_it_was():
    calibration = echo()
    assert calibration.drift_percent == 0.0
    assert apply_trim(calibration, None, NOW) is calibration


def test_a_trim_fades_to_nothing_and_its_error_grows_to_the_drift_of_a_day():
    trim = Trim(log_scale=0.03, error=0.005, at_unix_s=NOW, count=3)
    ages = [0, 600, HOUR, 6 * HOUR, 24 * HOUR, 240 * HOUR]
    means, sds = zip(*(drift(trim, NOW + age) for age in ages), strict=True)
    assert list(means) == sorted(means, reverse=True)
    assert list(sds) == sorted(sds)
    assert (means[0], sds[0]) == pytest.approx((0.03, 0.005))
    assert (means[-1], sds[-1]) == pytest.approx((0.0, DRIFT_SD), abs=1e-6)
    # Short times are a random walk with 2 s^2 / T a second (Uhlenbeck and Ornstein 1930).
    walked = sds[1] ** 2 - 0.005**2
    assert walked == pytest.approx(2 * DRIFT_SD**2 / DRIFT_TIME_S * 600, rel=0.03)


def test_the_fade_is_that_of_a_simulated_mean_reverting_walk():
    rng = random.Random(6)
    steps, age = 60, 6 * HOUR
    keep = 1 - age / steps / DRIFT_TIME_S
    kick = DRIFT_SD * math.sqrt(2 * age / steps / DRIFT_TIME_S)
    ends = []
    for _ in range(3000):
        place = rng.gauss(0.05, 0.01)
        for _ in range(steps):
            place = keep * place + kick * rng.gauss(0, 1)
        ends.append(place)
    mean, sd = drift(Trim(0.05, 0.01, NOW, 1), NOW + age)
    simulated = math.fsum(ends) / len(ends)
    assert mean == pytest.approx(simulated, abs=0.002)
    spread = math.sqrt(math.fsum((end - simulated) ** 2 for end in ends) / len(ends))
    assert sd == pytest.approx(spread, rel=0.05)


def test_the_drift_now_is_carried_by_the_calibration():
    trim = Trim(0.03, 0.005, NOW, 1)
    trimmed = apply_trim(echo(), trim, NOW + 2400)
    mean, sd = drift(trim, NOW + 2400)
    assert trimmed.drift_percent == pytest.approx(100 * sd)
    assert trimmed.trim_age_s == pytest.approx(2400)
    assert trimmed.curve.delay_ms("long", 2.0) == pytest.approx(500 * math.exp(mean))


def test_a_faded_trim_is_none():
    calibration = echo()
    trim = Trim(0.03, 0.005, NOW, 1)
    assert not faded(trim, NOW + FADED_S - 1)
    assert faded(trim, NOW + FADED_S + 1)
    assert apply_trim(calibration, trim, NOW + FADED_S + 1) is calibration


def test_a_clock_set_back_leaves_a_trim_of_unknown_age_that_is_half_faded():
    trim = Trim(0.03, 0.005, NOW, 1)
    assert age_s(trim, NOW - CLOCK_SLACK_S + 1) == 0.0
    early = NOW - 5 * HOUR
    assert age_s(trim, early) is None
    assert not faded(trim, early)
    assert drift(trim, early) == drift(trim, NOW + DRIFT_TIME_S)
    trimmed = apply_trim(echo(), trim, early)
    assert trimmed.trim_age_s is None
    assert trimmed.drift_percent > 3
    assert measured(echo(), 505.0, 2.0, before=trim, now_unix_s=early).at_unix_s == early


def test_undo_is_the_trim_before():
    calibration = echo()
    first = measured(calibration, 510.0, 5.0)
    shown = apply_trim(calibration, first, NOW)
    second = measured(calibration, 490.0, 5.0, before=first, now_unix_s=NOW + 60)
    assert apply_trim(calibration, second, NOW + 60) != shown
    assert apply_trim(calibration, first, NOW) == shown


@pytest.mark.parametrize(
    ("log_scale", "age", "told"),
    [
        (math.log(1.018), 240, "trimmed +1.8 % (repeats slower than calibrated), 4 min ago"),
        (math.log(0.97), 20, "trimmed -3.0 % (repeats faster than calibrated), just now"),
        (0.0002, 20, "trimmed +0.0 %, just now"),
        (-0.0002, 20, "trimmed +0.0 %, just now"),
        (math.log(1.02), 12 * HOUR, "trimmed +0.7 % (repeats slower than calibrated), 12 h ago"),
        (math.log(1.02), 40 * HOUR, "trim faded, it was made 40 h ago"),
        (math.log(1.02), -2 * HOUR,
         "trimmed +0.7 % (repeats slower than calibrated), an unknown time ago"),
    ],
)  # fmt: skip
def test_a_trim_in_words(log_scale, age, told):
    assert trim_text(Trim(log_scale, 0.005, NOW, 1), NOW + age) == told


def test_a_trim_is_plain_data():
    trim = Trim(0.03, 0.005, NOW, 2)
    assert msgspec.json.decode(msgspec.json.encode(trim), type=Trim) == trim
