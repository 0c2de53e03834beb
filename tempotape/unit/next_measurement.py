"""Which head and reading to measure next, and why."""

from __future__ import annotations

import itertools
import math
import statistics

import msgspec

from tempotape.text import quoted
from tempotape.unit.curve import Fit, FittedPoint
from tempotape.unit.knob import knob_text, mark_text, reading_text
from tempotape.unit.model import Unit

# A stretch this long (part of the scale) without points is worth one at its end.
_STRETCH = 0.06
# Towards the slow end the tape may stall: no further than where the delay is known to this error
# and at most this many times the longest one measured.
_STALL_ERROR_PERCENT, _STALL_TIMES = 25.0, 2.0
# The band counts as wide at one place when it is this many times its usual width.
_WIDE_TIMES = 1.5
# With one reading only, the next stands this far off (part of the scale).
_FIRST_STRIDE = 0.3


class NextMeasurement(msgspec.Struct, frozen=True):
    """The measurement that would help most; `why` is one sentence for the player."""

    head: str
    knob: float
    why: str


def next_measurement(unit: Unit, fit: Fit) -> NextMeasurement:
    """A suspect again, then an unmeasured head, an uncovered end of the scale, the weakest place.

    A new reading sits on a mark a hand can set, never slower than `unstable_knob`.
    """
    return (
        _suspect_again(unit, fit)
        or _unmeasured_head(unit, fit)
        or _second_reading(unit, fit)
        or _fast_end(unit, fit)
        or _slow_end(unit, fit)
        or _widest_band(unit, fit)
        or _largest_gap(unit, fit)
    )


def _suspect_again(unit: Unit, fit: Fit) -> NextMeasurement | None:
    suspects = [point for point in fit.points if point.suspect]
    if not suspects:
        return None
    worst = max(suspects, key=lambda point: abs(math.log(point.delay_ms / point.fitted_ms)))
    return NextMeasurement(
        worst.head,
        worst.knob,
        f"head {quoted(worst.head)} at {reading_text(unit.knob, worst.knob)} gave "
        f"{worst.delay_ms:.4g} ms where the other points say {worst.fitted_ms:.4g} ms: "
        "measure it again",
    )


def _unmeasured_head(unit: Unit, fit: Fit) -> NextMeasurement | None:
    measured = {point.head for point in fit.points}
    for head in unit.head:
        if head.name not in measured:
            middle = (fit.curve.measured_low + fit.curve.measured_high) / 2
            reading = _mark(unit, fit, middle)
            return NextMeasurement(
                head.name,
                reading,
                f"head {quoted(head.name)} has no point yet; one at "
                f"{knob_text(unit.knob, reading)} gives its delay at every reading",
            )
    return None


def _second_reading(unit: Unit, fit: Fit) -> NextMeasurement | None:
    curve = fit.curve
    stride = _FIRST_STRIDE * (unit.knob.high - unit.knob.low)
    if curve.measured_high - curve.measured_low > unit.knob.step / 2:
        return None
    towards = stride if curve.faster_up else -stride
    if not unit.knob.low <= curve.measured_low + towards <= unit.knob.high:
        towards = -towards
    reading = _mark(unit, fit, curve.measured_low + towards)
    return NextMeasurement(
        _fewest(unit, fit),
        reading,
        f"all points are at {mark_text(unit.knob, curve.measured_low)}; one at "
        f"{knob_text(unit.knob, reading)} shows which way and how much the knob changes the delay",
    )


def _fast_end(unit: Unit, fit: Fit) -> NextMeasurement | None:
    curve = fit.curve
    fast = unit.knob.high if curve.faster_up else unit.knob.low
    measured = curve.measured_high if curve.faster_up else curve.measured_low
    reading = _mark(unit, fit, fast)
    if abs(reading - measured) < _least_stretch(unit):
        return None
    return NextMeasurement(
        _fewest(unit, fit),
        reading,
        f"nothing is measured on the fast side of {mark_text(unit.knob, measured)}; a point at "
        f"{knob_text(unit.knob, reading)} gives the shortest delays",
    )


def _slow_end(unit: Unit, fit: Fit) -> NextMeasurement | None:
    curve = fit.curve
    measured = curve.measured_low if curve.faster_up else curve.measured_high
    head = _fewest(unit, fit)
    slowest = curve.log_speed_at(measured) - math.log(_STALL_TIMES)
    beyond = [
        reading
        for reading in curve.knob
        if (reading < measured) == curve.faster_up
        and reading != measured
        and curve.log_speed_at(reading) >= slowest
        and curve.error_percent_at(head, reading) <= _STALL_ERROR_PERCENT
    ]
    if not beyond:
        return None
    reading = _mark(unit, fit, max(beyond, key=lambda reading: abs(reading - measured)))
    if abs(reading - measured) < _least_stretch(unit) or (reading < measured) != curve.faster_up:
        return None
    expected_ms = curve.delay_ms(head, reading) or 0.0
    return NextMeasurement(
        head,
        reading,
        f"nothing is measured on the slow side of {mark_text(unit.knob, measured)}; at "
        f"{knob_text(unit.knob, reading)} head {quoted(head)} should take about "
        f"{expected_ms:.3g} ms, to {curve.error_percent_at(head, reading):.2g} %",
    )


def _widest_band(unit: Unit, fit: Fit) -> NextMeasurement | None:
    head = _fewest(unit, fit)
    marks = [reading for reading in _span_marks(unit, fit) if _apart(unit, fit, reading)]
    if not marks:
        return None
    errors = [fit.curve.error_percent_at(head, reading) for reading in marks]
    widest, usual = max(errors), statistics.median(errors)
    if widest < _WIDE_TIMES * usual:
        return None
    reading = marks[errors.index(widest)]
    return NextMeasurement(
        head,
        reading,
        f"the curve is least sure at {knob_text(unit.knob, reading)}: {widest:.2g} %, against "
        f"{usual:.2g} % elsewhere",
    )


def _largest_gap(unit: Unit, fit: Fit) -> NextMeasurement:
    readings = sorted({point.knob for point in _trusted(fit)})
    gaps = list(itertools.pairwise(readings)) or [(readings[0], readings[0])]
    low, high = max(gaps, key=lambda gap: gap[1] - gap[0])
    reading = _mark(unit, fit, (low + high) / 2)
    return NextMeasurement(
        _fewest(unit, fit),
        reading,
        f"the widest gap between points is from {mark_text(unit.knob, low)} to "
        f"{mark_text(unit.knob, high)}",
    )


def _trusted(fit: Fit) -> list[FittedPoint]:
    return [point for point in fit.points if not point.suspect]


def _fewest(unit: Unit, fit: Fit) -> str:
    """The head with the fewest trusted points, the first of them in the file."""
    trusted = [point.head for point in _trusted(fit)]
    return min(unit.head_names, key=trusted.count)


def _least_stretch(unit: Unit) -> float:
    return max(_STRETCH * (unit.knob.high - unit.knob.low), unit.knob.step)


def _apart(unit: Unit, fit: Fit, reading: float) -> bool:
    nearest = min(abs(reading - point.knob) for point in _trusted(fit))
    return nearest >= _least_stretch(unit) / 2


def _span_marks(unit: Unit, fit: Fit) -> list[float]:
    """Marks inside the measured span, ascending, no more than the curve has readings."""
    curve = fit.curve
    inside = {_mark(unit, fit, reading) for reading in curve.knob}
    return sorted(reading for reading in inside if curve.in_measured_span(reading))


def _mark(unit: Unit, fit: Fit, reading: float) -> float:
    """The nearest mark on the scale, on the trusted side of `unstable_knob`."""
    knob, unstable = unit.knob, unit.steadiness.unstable_knob
    first, last = 0, math.floor((knob.high - knob.low) / knob.step + 1e-9)
    if unstable is not None:
        steps = (unstable - knob.low) / knob.step
        if fit.curve.faster_up:
            first = min(last, math.floor(steps + 1e-9) + 1)
        else:
            last = max(first, math.ceil(steps - 1e-9) - 1)
    number = min(max(round((reading - knob.low) / knob.step), first), last)
    # Nine decimals: finer than any hand, and free of the dust of binary fractions.
    return round(knob.low + number * knob.step, 9)
