"""Expected error and what a listener notices."""

import math

import pytest

from tempotape.advice.timing import expected_error, noticeable_ms
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
