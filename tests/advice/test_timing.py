"""Expected error and what a listener notices."""

import math

import msgspec
import pytest

from tempotape.advice.advise import Wish, advise
from tempotape.advice.timing import ExpectedError, expected_error, noticeable_ms
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.unit.model import Knob
from tempotape.unit.trim import Trim, apply_trim
from tests.plain_units import plain_calibration, plain_unit


# Friberg and Sundberg, JASA 98 (1995) 2524-2531: about 2.5 % from 240 ms to 1 s, 6 ms below 240 ms.
@pytest.mark.parametrize(
    ("interval_ms", "noticed_ms"),
    [(100, 6), (239, 6), (240, 6), (400, 10), (500, 12.5), (1000, 25)],
)
def test_the_just_noticeable_deviation(interval_ms, noticed_ms):
    assert noticeable_ms(interval_ms) == pytest.approx(noticed_ms)


def test_the_error_combines_curve_hand_and_flutter():
    # Speed 50 mm/s a reading, gap 50 mm: the delay is 1000/k ms, its slope -1000/k^2 ms a reading.
    unit = plain_unit(heads={"one": 50.0})
    known = plain_calibration(
        unit, lambda k: 50 * max(k, 0.01), measured=(1, 9), flutter={2: 2.0, 8: 1.0},
        error_percent=0.3,
    )  # fmt: skip
    error = expected_error(known, "one", 2.0)
    assert error.curve_ms == pytest.approx(500 * 0.003)
    assert error.hand_ms == pytest.approx(0.05 * 1000 / 2**2, rel=2e-3)
    assert error.flutter_ms == pytest.approx(500 * 0.02 / 2)
    assert error.total_ms == pytest.approx(math.sqrt(1.5**2 + 12.5**2 + 5.0**2), rel=2e-3)
    assert error.chief == "hand"


def test_without_a_trim_no_drift_is_expected():
    unit = plain_unit(heads={"one": 50.0})
    known = plain_calibration(unit, lambda k: 50 * max(k, 0.01), measured=(1, 9))
    assert expected_error(known, "one", 2.0).drift_ms == 0.0


def test_drift_adds_its_square():
    unit = plain_unit(heads={"one": 50.0})
    known = plain_calibration(unit, lambda k: 50 * max(k, 0.01), measured=(1, 9))
    drifting = msgspec.structs.replace(known, drift_percent=3.0)
    plain, error = (expected_error(each, "one", 2.0) for each in (known, drifting))
    assert error.drift_ms == pytest.approx(500 * 0.03)
    assert error.total_ms == pytest.approx(math.sqrt(plain.total_ms**2 + 15.0**2))
    assert error.chief == "drift"
    assert msgspec.to_builtins(error)["drift_ms"] == error.drift_ms


@pytest.mark.parametrize("chief", ["curve", "hand", "flutter", "drift"])
def test_the_chief_cause_is_the_largest(chief):
    parts = dict.fromkeys(("curve_ms", "hand_ms", "flutter_ms", "drift_ms"), 2.0)
    assert ExpectedError(**{**parts, f"{chief}_ms": 3.0}).chief == chief


@pytest.mark.parametrize(
    ("age_s", "told"),
    [
        (2400, "trim again, the last trim was 40 min ago"),
        (7 * 3600, "trim again, the last trim was 7 h ago"),
        (30, "the last trim is not sure, tap more of the repeats"),
        (-7200, "trim again, the last trim was an unknown time ago"),
    ],
)
def test_drift_as_the_chief_cause_is_told_with_what_to_do(age_s, told):
    unit = plain_unit(heads={"one": 50.0}, knob=Knob(low=0.0, high=10.0, step=0.01))
    known = plain_calibration(unit, lambda k: 50 * max(k, 0.01), measured=(1, 9))
    trim = Trim(log_scale=0.01, error=0.03, at_unix_s=1.7e9, count=1)
    trimmed = apply_trim(known, trim, 1.7e9 + age_s)
    wish = Wish(tempo_bpm=120, repeats=(NOTE_VALUES["quarter"],))
    (setting,) = advise(trimmed, wish).settings
    assert setting.error_parts_ms.drift_ms > 0.025 * 500
    (timing,) = (reason for reason in setting.reasons if reason.startswith("loose"))
    assert timing.endswith(f"; mostly from drift: {told}")
