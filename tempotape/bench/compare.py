"""Two calibrations side by side: what changed, by how much, and whether that is more than error.

The differences are judged from the measured points (`differences`); the rows show the two fitted
curves. Only readings that both have measured are compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import msgspec

from tempotape.bench.charts import even_ticks
from tempotape.bench.compared_points import FLUTTER_ERROR, Pair
from tempotape.bench.differences import Difference, Unchanged, differences
from tempotape.faults import InputFault
from tempotape.text import listed, quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve_report import GridSpan
from tempotape.unit.knob import reading_text
from tempotape.unit.model import Unit
from tempotape.unit.steadiness import Zone

_USUAL_ROWS = 12


class HeadRow(msgspec.Struct, frozen=True):
    """Delays of a head at one reading; errors are one standard deviation of the fitted curves."""

    before_ms: float
    before_error_ms: float
    after_ms: float
    after_error_ms: float
    change_percent: float
    change_error_percent: float


class Row(msgspec.Struct, frozen=True):
    """Both calibrations at one reading.

    The speed is told by the heads whose gap seems unchanged, None where no head tells it; in cm/s
    where the gap is known to both. Flutter is None where it was not measured, and its error is one
    standard deviation of a reading.
    """

    knob: float
    heads: dict[str, HeadRow]
    speed_change_percent: float | None
    speed_change_error_percent: float | None
    speed_before_cm_s: float | None
    speed_after_cm_s: float | None
    flutter_before_percent: float | None
    flutter_before_error_percent: float | None
    flutter_after_percent: float | None
    flutter_after_error_percent: float | None
    zone_before: Zone
    zone_after: Zone


class Condition(msgspec.Struct, frozen=True):
    """Something said of the unit that differs between the two; None where it is not said."""

    name: str
    before: str | None
    after: str | None


class Comparison(msgspec.Struct, frozen=True):
    """Field names are the JSON contract. `span` holds the readings that both have measured."""

    unit_before: str
    unit_after: str
    span: tuple[float, float]
    rows: tuple[Row, ...]
    differences: tuple[Difference, ...]
    unchanged: tuple[Unchanged, ...]
    conditions: tuple[Condition, ...]
    remarks: tuple[str, ...]


def compare(before: Calibration, after: Calibration, at: GridSpan | None = None) -> Comparison:
    """The comparison, with rows over `at`, or over both ends and round readings between.

    Raises InputFault where the scales differ, where no head or no reading is common, and where
    `at` leaves the common ones.
    """
    pair = _pair(before, after)
    readings = _readings(pair, at)
    found = differences(pair)
    return Comparison(
        unit_before=before.unit.name,
        unit_after=after.unit.name,
        span=(pair.low, pair.high),
        rows=tuple(_row(pair, found.steady_heads, knob) for knob in readings),
        differences=found.differences,
        unchanged=found.unchanged,
        conditions=tuple(_conditions(before.unit, after.unit)),
        remarks=(*_remarks(pair), *found.remarks),
    )


def _pair(before: Calibration, after: Calibration) -> Pair:
    have = [
        [
            name
            for name, gap in zip(one.curve.heads, one.curve.log_gap, strict=True)
            if gap is not None
        ]
        for one in (before, after)
    ]
    heads = tuple(name for name in have[0] if name in have[1])
    if not heads:
        told = (listed(map(quoted, names), "and") for names in have)
        raise InputFault(
            "the two have no measured head in common ({} before, {} after)".format(*told),
            expected="units with a head of the same name",
        )
    scales = [(one.unit.knob.low, one.unit.knob.high) for one in (before, after)]
    if scales[0] != scales[1]:
        # Equal readings would be different turns of the knob.
        raise InputFault(
            "the knob is read from {:g} to {:g} before and from {:g} to {:g} after".format(
                *scales[0], *scales[1]
            ),
            expected="two calibrations read on the same scale",
        )
    low = max(one.curve.measured_low for one in (before, after))
    high = min(one.curve.measured_high for one in (before, after))
    if low > high:
        told = (
            f"{_told(one, one.curve.measured_low)} to {_told(one, one.curve.measured_high)}"
            for one in (before, after)
        )
        raise InputFault(
            "the two were measured at no common readings ({} before, {} after)".format(*told),
            expected="points that overlap along the knob",
        )
    return Pair(before, after, heads, low, high)


def _told(one: Calibration, knob: float) -> str:
    return reading_text(one.unit.knob, knob)


def _readings(pair: Pair, at: GridSpan | None) -> list[float]:
    """The readings to show: those asked for, or the common ends and round readings between."""
    if at is not None:
        if at.low < pair.low or at.high > pair.high:
            raise InputFault(
                f"readings run from {at.low:g} to {at.high:g}",
                expected=f"readings that both have measured, {pair.low:g} to {pair.high:g}",
                entry="--at",
            )
        return at.readings()
    if pair.low == pair.high:
        return [pair.low]
    return sorted({pair.low, pair.high, *even_ticks(pair.low, pair.high, _USUAL_ROWS)})


def _row(pair: Pair, steady_heads: tuple[str, ...], knob: float) -> Row:
    heads = {name: row for name in pair.heads if (row := _head_row(pair, name, knob)) is not None}
    change, error = _speed_change({name: heads[name] for name in steady_heads if name in heads})
    speeds = [_speed_cm_s(one, _ruled(pair, steady_heads), knob) for one in pair.both]
    flutters = [one.flutter_at(knob) for one in pair.both]
    errors = [None if flutter is None else FLUTTER_ERROR * flutter for flutter in flutters]
    return Row(
        knob=knob,
        heads=heads,
        speed_change_percent=change,
        speed_change_error_percent=error,
        speed_before_cm_s=speeds[0],
        speed_after_cm_s=speeds[1],
        flutter_before_percent=flutters[0],
        flutter_before_error_percent=errors[0],
        flutter_after_percent=flutters[1],
        flutter_after_error_percent=errors[1],
        zone_before=pair.before.zone_at(knob),
        zone_after=pair.after.zone_at(knob),
    )


def _head_row(pair: Pair, name: str, knob: float) -> HeadRow | None:
    """The head at a reading; None off the scale of one of the two."""
    before_ms, after_ms = (one.curve.delay_ms(name, knob) for one in pair.both)
    if before_ms is None or after_ms is None:
        return None
    before_error, after_error = (one.curve.error_percent_at(name, knob) for one in pair.both)
    ratio = after_ms / before_ms
    return HeadRow(
        before_ms=before_ms,
        before_error_ms=before_ms * before_error / 100,
        after_ms=after_ms,
        after_error_ms=after_ms * after_error / 100,
        change_percent=100 * (ratio - 1),
        change_error_percent=ratio * math.hypot(before_error, after_error),
    )


def _speed_change(heads: dict[str, HeadRow]) -> tuple[float | None, float | None]:
    """Mean over the heads; their errors are mostly the curve's own, so they do not average out."""
    if not heads:
        return None, None
    ratios = [1 + row.change_percent / 100 for row in heads.values()]
    ratio = math.exp(-math.fsum(map(math.log, ratios)) / len(ratios))
    errors = [
        row.change_error_percent / one for row, one in zip(heads.values(), ratios, strict=True)
    ]
    return 100 * (ratio - 1), ratio * math.fsum(errors) / len(errors)


def _ruled(pair: Pair, heads: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the heads whose gap by ruler both files give."""
    known = [{head.name for head in one.unit.head if head.gap_mm is not None} for one in pair.both]
    return tuple(name for name in heads if name in known[0] & known[1])


def _speed_cm_s(one: Calibration, heads: tuple[str, ...], knob: float) -> float | None:
    """Tape speed, v = d / tau, the geometric mean over the heads; None where no gap is known."""
    gaps = {head.name: head.gap_mm for head in one.unit.head}
    logs = []
    for name in heads:
        gap_mm, delay_ms = gaps[name], one.curve.delay_ms(name, knob)
        if gap_mm is not None and delay_ms is not None:
            logs.append(math.log(100.0 * gap_mm / delay_ms))
    return math.exp(math.fsum(logs) / len(logs)) if logs else None


def _conditions(before: Unit, after: Unit) -> Iterator[Condition]:
    """What the files say of either unit, where they differ: conditions first, then the build."""
    said = [_said(unit) for unit in (before, after)]
    for name in dict.fromkeys((*said[0], *said[1])):
        values = [one.get(name) for one in said]
        if values[0] != values[1]:
            yield Condition(name, *values)


def _said(unit: Unit) -> dict[str, str]:
    limits, knob = unit.steadiness, unit.knob
    figures = {
        "loop": (unit.loop.length_mm, " mm"),
        **{f"gap of head {head.name}": (head.gap_mm, " mm") for head in unit.head},
        "knob sweep": (knob.sweep_deg, " degrees"),
        "called steady up to": (limits.steady_percent, " %"),
        "called unstable from": (limits.unstable_percent, " %"),
        "unstable by ear at": (limits.unstable_knob, ""),
    }
    said = {name: _plain(value) for name, value in unit.conditions.items()}
    return {name: value for name, value in said.items() if value.strip()} | {
        name: f"{_plain(value)}{suffix}"
        for name, (value, suffix) in figures.items()
        if value is not None
    }


def _plain(value: str | float | bool) -> str:  # noqa: FBT001 - a value of the file as it stands
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{value:g}"


def _remarks(pair: Pair) -> Iterator[str]:
    knobs = [one.unit.knob for one in pair.both]
    if knobs[0].sweep_deg != knobs[1].sweep_deg:
        yield "the knobs turn through different angles; equal readings are compared"
    for one, when in zip(pair.both, ("before", "after"), strict=True):
        for head, gap in zip(one.curve.heads, one.curve.log_gap, strict=True):
            if gap is not None and head not in pair.heads:
                yield f"head {quoted(head)} has a delay only {when}, so it is not compared"
    spans = [(one.curve.measured_low, one.curve.measured_high) for one in pair.both]
    if spans[0] != spans[1]:
        yield (
            f"compared {pair.over(pair.low, pair.high)}, which both have measured "
            f"(before {_told(pair.before, spans[0][0])} to {_told(pair.before, spans[0][1])}, "
            f"after {_told(pair.after, spans[1][0])} to {_told(pair.after, spans[1][1])})"
        )
    if any(point.suspect for one in pair.both for point in one.fit.points):
        yield "suspect points do not count; see the curve of each unit"
    if pair.before.unit.measured == pair.after.unit.measured:
        yield "both hold the very same points: is it the same file, or a copy not measured anew?"
