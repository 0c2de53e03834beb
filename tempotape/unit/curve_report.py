"""What `tempotape curve` reports: heads, points, the grid and what to measure next."""

from __future__ import annotations

import math

import msgspec

from tempotape.faults import InputFault
from tempotape.text import quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve import FittedPoint
from tempotape.unit.next_measurement import NextMeasurement, next_measurement
from tempotape.unit.steadiness import Zone

MOST_GRID_ROWS = 10_001
_USUAL_ROWS = 20


class HeadReport(msgspec.Struct, frozen=True):
    """`gap_ratio` is the gap by the measured delays, relative to the first head's."""

    name: str
    gap_mm: float | None
    gap_ratio: float | None


class GridRow(msgspec.Struct, frozen=True):
    """The unit at one reading; errors are one standard deviation of the delay.

    `error_percent` is the widest of the heads' own, which `head_error_percent` gives; None there
    for a head without delay.
    """

    knob: float
    measured_span: bool
    delay_ms: dict[str, float | None]
    error_percent: float
    head_error_percent: dict[str, float | None]
    flutter_percent: float | None
    zone: Zone


class CurveReport(msgspec.Struct, frozen=True):
    """Field names are the JSON contract."""

    unit: str
    heads: tuple[HeadReport, ...]
    points: tuple[FittedPoint, ...]
    grid: tuple[GridRow, ...]
    next_measurement: NextMeasurement
    remarks: tuple[str, ...]


class GridSpan(msgspec.Struct, frozen=True):
    """Readings from `low` to `high`, `step` apart."""

    low: float
    high: float
    step: float

    def readings(self) -> list[float]:
        # A step that divides the span up to rounding still ends on `high`; and readings are told
        # as they are written, 0.3 and not 0.30000000000000004.
        count = math.floor((self.high - self.low) / self.step + 1e-9)
        readings = (round(self.low + row * self.step, 12) for row in range(count + 1))
        return [min(max(reading, self.low), self.high) for reading in readings]


def grid_span(text: str, *, entry: str = "") -> GridSpan:
    """The span typed as `LOW:HIGH:STEP`. Raises InputFault."""
    wrong = InputFault(
        f"grid is {quoted(text)}",
        expected=f"LOW:HIGH:STEP, as 2:9:0.5, of at most {MOST_GRID_ROWS} readings",
        entry=entry,
    )
    try:
        low, high, step = (float(part) for part in text.split(":"))
    except ValueError:
        raise wrong from None
    if not (math.isfinite(low) and math.isfinite(high) and math.isfinite(step)):
        raise wrong
    if low > high or step <= 0 or (high - low) / step > MOST_GRID_ROWS - 1:
        raise wrong
    return GridSpan(low, high, step)


def curve_report(calibration: Calibration, span: GridSpan | None = None) -> CurveReport:
    """The report over `span`, or over the whole scale in about twenty rows on settable marks.

    Raises InputFault where the span leaves the knob's scale.
    """
    unit = calibration.unit
    if span is None:
        scale = unit.knob.high - unit.knob.low
        steps = max(1, round(scale / _USUAL_ROWS / unit.knob.step))
        span = GridSpan(unit.knob.low, unit.knob.high, min(steps * unit.knob.step, scale))
    elif span.low < unit.knob.low or span.high > unit.knob.high:
        raise InputFault(
            f"grid runs from {span.low:g} to {span.high:g}",
            expected=f"readings of this knob, {unit.knob.low:g} to {unit.knob.high:g}",
            entry="--at",
        )
    return CurveReport(
        unit=unit.name,
        heads=_heads(calibration),
        points=calibration.fit.points,
        grid=tuple(_grid_row(calibration, knob) for knob in span.readings()),
        next_measurement=next_measurement(unit, calibration.fit),
        remarks=calibration.fit.remarks,
    )


def _heads(calibration: Calibration) -> tuple[HeadReport, ...]:
    first = calibration.curve.log_gap[0]
    return tuple(
        HeadReport(
            head.name,
            head.gap_mm,
            None if first is None or log_gap is None else math.exp(log_gap - first),
        )
        for head, log_gap in zip(calibration.unit.head, calibration.curve.log_gap, strict=True)
    )


def _grid_row(calibration: Calibration, knob: float) -> GridRow:
    curve = calibration.curve
    errors = {
        head: None if log_gap is None else curve.error_percent_at(head, knob)
        for head, log_gap in zip(curve.heads, curve.log_gap, strict=True)
    }
    return GridRow(
        knob=knob,
        measured_span=curve.in_measured_span(knob),
        delay_ms={head: curve.delay_ms(head, knob) for head in curve.heads},
        error_percent=max(error for error in errors.values() if error is not None),
        head_error_percent=errors,
        flutter_percent=calibration.flutter_at(knob),
        zone=calibration.zone_at(knob),
    )
