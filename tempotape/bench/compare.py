"""Two calibrations side by side: what changed, by how much, and whether that is more than error.

The rows show the two fitted curves side by side, and the differences told are between these
(`differences`). Only readings that both have measured are compared.
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from tempotape.bench.charts import even_ticks
from tempotape.bench.compared_points import Pair
from tempotape.bench.differences import Difference, Unchanged, differences
from tempotape.bench.side_by_side import Row, row
from tempotape.faults import InputFault
from tempotape.text import listed, quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve_report import GridSpan
from tempotape.unit.knob import reading_text
from tempotape.unit.model import Unit

_USUAL_ROWS = 12


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
        rows=tuple(row(pair, found.steady_heads, knob) for knob in readings),
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
        yield (
            "the delays of suspect points do not count, their flutter does; "
            "see the curve of each unit"
        )
    if pair.before.unit.measured == pair.after.unit.measured:
        yield "both hold the very same points: is it the same file, or a copy not measured anew?"
