"""What new points would do to a unit's curve, before they are written."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from tempotape.faults import InputFault
from tempotape.unit.calibration import Calibration, calibrate
from tempotape.unit.curve import FittedPoint
from tempotape.unit.curve_report import CurveReport, curve_report
from tempotape.unit.model import Point, Unit


class NewPoint(msgspec.Struct, frozen=True):
    """A new point beside the curve that counts it in; `residual_percent` as `FittedPoint`."""

    head: str
    knob: float
    delay_ms: float
    error_ms: float | None
    flutter_percent: float | None
    fitted_ms: float
    residual_percent: float
    suspect: bool


class BandRow(msgspec.Struct, frozen=True):
    """The error of each head's delay at one reading, one standard deviation in percent.

    None for a head whose delay nothing tells, as before the first point.
    """

    knob: float
    before_percent: dict[str, float | None]
    after_percent: dict[str, float | None]


class Preview(msgspec.Struct, frozen=True):
    """The unit's curve with the new points; `report` is that of `tempotape curve`."""

    points: tuple[NewPoint, ...]
    band: tuple[BandRow, ...]
    report: CurveReport
    calibration: Calibration


def preview(unit: Unit, points: Sequence[Point]) -> Preview:
    """The curve of `unit` with `points` (at least one in all) added.

    Raises InputFault where the points contradict one another beyond noise.
    """
    after = calibrate(msgspec.structs.replace(unit, measured=(*unit.measured, *points)))
    try:
        before = calibrate(unit)
    except InputFault:  # nothing measured yet, or points at odds that the new ones settle
        before = None
    report = curve_report(after)
    fitted = report.points[len(unit.measured) :]
    return Preview(
        points=tuple(map(_new_point, points, fitted)),
        band=tuple(
            BandRow(row.knob, _errors_percent(unit, before, row.knob), row.head_error_percent)
            for row in report.grid
        ),
        report=report,
        calibration=after,
    )


def _new_point(point: Point, fitted: FittedPoint) -> NewPoint:
    return NewPoint(
        head=point.head,
        knob=point.knob,
        delay_ms=point.delay_ms,
        error_ms=point.error_ms,
        flutter_percent=point.flutter_percent,
        fitted_ms=fitted.fitted_ms,
        residual_percent=fitted.residual_percent,
        suspect=fitted.suspect,
    )


def _errors_percent(
    unit: Unit, calibration: Calibration | None, knob: float
) -> dict[str, float | None]:
    if calibration is None:
        return dict.fromkeys(unit.head_names)
    curve = calibration.curve
    return {
        head: None if log_gap is None else curve.error_percent_at(head, knob)
        for head, log_gap in zip(curve.heads, curve.log_gap, strict=True)
    }
