"""Units whose speed curve is known in closed form, so that a test can say what must come out."""

from __future__ import annotations

import math
from collections.abc import Callable

from tempotape.unit.calibration import Calibration, complete
from tempotape.unit.curve import Fit, SpeedCurve
from tempotape.unit.model import Head, Knob, Steadiness, Unit
from tempotape.unit.steadiness import FlutterCurve

ROWS = 401


def plain_unit(
    *, heads: dict[str, float], knob: Knob | None = None, limits: Steadiness | None = None
) -> Unit:
    """A unit with the given gaps in mm, nothing measured."""
    return Unit(
        format=1,
        name="Plain",
        knob=knob or Knob(low=0.0, high=10.0, step=0.05),
        head=tuple(Head(name, gap_mm) for name, gap_mm in heads.items()),
        steadiness=limits or Steadiness(),
    )


def plain_calibration(
    unit: Unit,
    speed_mm_s: Callable[[float], float],
    *,
    measured: tuple[float, float],
    flutter: dict[float, float] | None = None,
    error_percent: float = 0.2,
) -> Calibration:
    """A calibration whose curve is exactly `speed_mm_s`, with flutter in percent at readings."""
    low, high = unit.knob.low, unit.knob.high
    readings = tuple(low + (high - low) * row / (ROWS - 1) for row in range(ROWS))
    speeds = tuple(math.log(speed_mm_s(reading)) for reading in readings)
    curve = SpeedCurve(
        knob=readings,
        log_speed=speeds,
        heads=unit.head_names,
        log_gap=tuple(math.log(1000 * head.gap_mm) if head.gap_mm else None for head in unit.head),
        error_percent=tuple((error_percent,) * ROWS for _ in unit.head),
        measured_low=measured[0],
        measured_high=measured[1],
        faster_up=speeds[-1] > speeds[0],
    )
    by_speed = sorted(
        (curve.log_speed_at(knob), percent) for knob, percent in (flutter or {}).items()
    )
    flutter_curve = FlutterCurve(
        tuple(speed for speed, _ in by_speed),
        tuple(percent for _, percent in by_speed),
        unit.steadiness,
    )
    return complete(unit, Fit(curve, (), ()), flutter_curve)
