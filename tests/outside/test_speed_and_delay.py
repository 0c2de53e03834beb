"""Tape facts that nobody here made up, through a fitted unit."""

import pytest

from tempotape.unit.fit import fit_unit
from tempotape.unit.model import Head
from tests.made_units import shown_unit

# Standard tape speeds in cm/s, IEC 60094-1: 1 7/8, 3 3/4, 7 1/2 and 15 inches a second.
SPEEDS_CM_S = {1: 4.76, 3: 9.53, 6: 19.05, 10: 38.1}


@pytest.fixture(scope="module")
def curve():
    """Heads 2 and 5 inches from the record head, timed at the four standard speeds."""
    heads = (Head("near", gap_mm=50.8), Head("far", gap_mm=127.0))
    points = [
        (head, knob, 100 * gap_mm / speed_cm_s)
        for head, gap_mm in (("near", 50.8), ("far", 127.0))
        for knob, speed_cm_s in SPEEDS_CM_S.items()
    ]
    return fit_unit(shown_unit(points, heads=heads)).curve


@pytest.mark.parametrize(
    ("knob", "delay_ms"),
    [
        (6, 266.7),  # 50.8 mm at 19.05 cm/s
        (3, 533.3),  # 2 inches at 3 3/4 inches a second
        (10, 133.3),  # 2 inches at 15
        (1, 1066.7),  # 2 inches at 1 7/8
    ],
)
def test_two_inches_of_tape_delay_by_the_standard_speeds(curve, knob, delay_ms):
    assert curve.delay_ms("near", knob) == pytest.approx(delay_ms, rel=0.01)


def test_the_ratio_of_two_heads_delays_is_the_ratio_of_their_gaps_at_every_reading(curve):
    # Both heads read the same tape, so 127 mm against 50.8 mm is 2.5 wherever the knob stands.
    ratios = [curve.delay_ms("far", k / 10) / curve.delay_ms("near", k / 10) for k in range(101)]
    assert ratios == pytest.approx([2.5] * 101, rel=0.005)
    assert max(ratios) - min(ratios) < 1e-9


def test_each_standard_speed_is_twice_the_next(curve):
    for slow, fast in ((1, 3), (3, 6), (6, 10)):
        ratio = curve.delay_ms("near", slow) / curve.delay_ms("near", fast)
        assert ratio == pytest.approx(2.0, rel=0.015)
