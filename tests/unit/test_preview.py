"""What new points would do to a curve."""

from __future__ import annotations

import msgspec
import pytest

from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.unit.calibration import calibrate
from tempotape.unit.model import Head, Knob, Point, Unit
from tempotape.unit.preview import preview
from tempotape.unit.unitfile import read_unit


def test_the_curve_shown_is_the_one_that_will_be_written():
    unit = read_unit(DEMO_UNIT)
    new = (Point("long", 6.2, 402.0, 2.0, 0.7),)
    shown = preview(unit, new)
    written = calibrate(msgspec.structs.replace(unit, measured=(*unit.measured, *new)))
    assert shown.calibration == written
    (point,) = shown.points
    assert (point.head, point.knob, point.delay_ms) == ("long", 6.2, 402.0)
    assert (point.error_ms, point.flutter_percent, point.suspect) == (2.0, 0.7, False)
    assert point.fitted_ms == pytest.approx(written.curve.delay_ms("long", 6.2))
    before = calibrate(unit)
    assert [row.knob for row in shown.band] == [row.knob for row in shown.report.grid]
    for row in shown.band:
        assert list(row.before_percent) == list(row.after_percent) == list(unit.head_names)
        for head in unit.head_names:
            was = before.curve.error_percent_at(head, row.knob)
            now = written.curve.error_percent_at(head, row.knob)
            assert row.before_percent[head] == pytest.approx(was)
            assert row.after_percent[head] == pytest.approx(now)


def test_a_first_point_has_no_band_before_it():
    unit = Unit(1, "Plover", Knob(0.0, 10.0, 0.1), (Head("long"),))
    shown = preview(unit, [Point("long", 5.0, 400.0)])
    assert all(row.before_percent == {"long": None} for row in shown.band)
    assert shown.points[0].fitted_ms == pytest.approx(400.0, rel=0.01)


def test_points_at_odds_are_a_fault():
    unit = Unit(1, "Plover", Knob(0.0, 10.0, 0.1), (Head("a"),))
    points = [Point("a", knob, ms) for knob, ms in ((1, 100), (2, 900), (3, 90), (4, 800))]
    with pytest.raises(InputFault, match="expected"):
        preview(unit, points)


def test_a_head_of_which_nothing_is_known_has_no_error():
    unit = Unit(1, "Plover", Knob(0.0, 10.0, 0.1), (Head("near"), Head("far")))
    before = msgspec.structs.replace(unit, measured=(Point("near", 5.0, 200.0),))
    shown = preview(before, [Point("near", 6.0, 170.0)])
    assert {(row.before_percent["far"], row.after_percent["far"]) for row in shown.band} == {
        (None, None)
    }
