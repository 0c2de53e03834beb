"""A comparison as plain text, for a terminal, a pipe or a bench log."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from tempotape.bench.compare import Comparison
from tempotape.bench.side_by_side import HeadRow, Row
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import reading_text

_WIDTH = 78
_BETWEEN = "  "


def comparison_text(before: Calibration, comparison: Comparison) -> str:
    """What changed, under what conditions, then both calibrations side by side."""
    return "\n".join((*_said(comparison), "", *_table(before, comparison)))


def _said(comparison: Comparison) -> Iterator[str]:
    names = comparison.unit_before, comparison.unit_after
    yield (
        f"{names[0]}, before and after" if names[0] == names[1] else f"{names[0]}, then {names[1]}"
    )
    if comparison.conditions:
        yield ""
        yield "What was changed"
        for one in comparison.conditions:
            yield from _line(f"{one.name}: {one.before or 'not said'} -> {one.after or 'not said'}")
    yield ""
    yield "What it did"
    if not comparison.differences:
        yield from _line("nothing beyond measuring error")
    for difference in comparison.differences:
        yield from _line(difference.sentence)
    for same in comparison.unchanged:
        yield from _line(same.sentence)
    yield from _line(
        "(all these ranges hold together in 95 % of comparisons, so chance alone shows a "
        "difference in at most 1 of 20)"
    )
    for remark in comparison.remarks:
        yield from textwrap.wrap(f"note: {remark}", _WIDTH, subsequent_indent="  ")


def _line(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="  ", subsequent_indent="    ")


def _table(before: Calibration, comparison: Comparison) -> Iterator[str]:
    yield "Side by side (± is one standard deviation of the curve or of a flutter reading)"
    names = list(dict.fromkeys(name for row in comparison.rows for name in row.heads))
    in_cm_s = any(row.speed_before_cm_s is not None for row in comparison.rows)
    heading = ["knob", *(f"{name}, ms" for name in names)]
    heading += ["speed, cm/s"] if in_cm_s else []
    rows = [[*heading, "speed change", "flutter, %"]]
    for row in comparison.rows:
        cells = [reading_text(before.unit.knob, row.knob)]
        cells += [_delays(row.heads.get(name)) for name in names]
        cells += [_pair(row.speed_before_cm_s, row.speed_after_cm_s)] if in_cm_s else []
        rows.append([*cells, _change(row), _flutters(row)])
    yield from _columns(rows)


def _delays(head: HeadRow | None) -> str:
    if head is None:
        return "-"
    return (
        f"{head.before_ms:.1f} ± {head.before_error_ms:.1f} -> "
        f"{head.after_ms:.1f} ± {head.after_error_ms:.1f}"
    )


def _pair(before: float | None, after: float | None) -> str:
    return f"{_figure(before)} -> {_figure(after)}"


def _figure(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.2f}" if value < 9.995 else f"{value:.1f}"


def _change(row: Row) -> str:
    if row.speed_change_percent is None:
        return "-"
    return f"{row.speed_change_percent:+.1f} % ± {row.speed_change_error_percent:.1f} %"


def _flutters(row: Row) -> str:
    if row.flutter_before_percent is None and row.flutter_after_percent is None:
        return "-"
    sides = (
        (row.flutter_before_percent, row.flutter_before_error_percent),
        (row.flutter_after_percent, row.flutter_after_error_percent),
    )
    return " -> ".join(
        "-" if percent is None else f"{percent:.2f} ± {error:.2f}" for percent, error in sides
    )


def _columns(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """The rows in columns; what a terminal has no room for beside stands below, again by knob."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    beside: list[list[int]] = []
    for number in range(1, len(widths)):
        used = sum(widths[one] + len(_BETWEEN) for one in (0, *(beside[-1] if beside else ())))
        if not beside or used + widths[number] > _WIDTH:
            beside.append([])
        beside[-1].append(number)
    for place, numbers in enumerate(beside):
        if place:
            yield ""
        for row in rows:
            yield _BETWEEN.join(row[one].ljust(widths[one]) for one in (0, *numbers)).rstrip()
