"""What new points do to the curve, as text and as data, before they are written."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from tempotape.bench.collecting import Collected
from tempotape.bench.plots import curve_lines
from tempotape.tables import MOST_GUESSED_PERCENT, columns, folded
from tempotape.unit.curve_report import GridRow
from tempotape.unit.knob import knob_text, reading_text
from tempotape.unit.model import Knob
from tempotape.unit.preview import BandRow, Preview

_WIDTH, _ROWS = 78, 12
_MOST_LISTED = 60  # points; of more, the suspects alone


class Refused(msgspec.Struct, frozen=True):
    """A position that gave no point."""

    source: str
    knob: float
    why: str


def preview_text(shown: Preview, collected: Sequence[Collected], width: int | None = None) -> str:
    """The new points beside the curve, what became of its error, and what to measure next.

    The tables fit a width that is given.
    """
    report, knob = shown.report, shown.calibration.unit.knob
    lines = [f"{report.unit}: the curve with {_points(len(collected))} added", ""]
    pairs = list(zip(shown.points, collected, strict=True))
    if len(pairs) > _MOST_LISTED:
        pairs = [pair for pair in pairs if pair[0].suspect][:_MOST_LISTED]
        lines[0] += ", only the suspects among them listed"
    points = folded(
        [
            ("head", "knob", "measured", "", "curve", "off", "flutter", "from", ""),
            *(
                (
                    point.head,
                    reading_text(knob, point.knob),
                    f"{point.delay_ms:.1f} ms",
                    "" if point.error_ms is None else f"+-{point.error_ms:.2g}",
                    f"{point.fitted_ms:.1f} ms",
                    f"{round(point.residual_percent, 1) + 0.0:+.1f} %",  # no minus before a zero
                    "-" if point.flutter_percent is None else f"{point.flutter_percent:.1f} %",
                    one.origin,
                    "SUSPECT: measure this one again" if point.suspect else "",
                )
                for point, one in pairs
            ),
        ],
        width,
    )
    lines += [line for row in points for line in row]
    if report.remarks:
        lines += ["", *(f"note: {remark}" for remark in report.remarks)]
    lines.append("")
    if not _one_reading(shown):
        lines += [*curve_lines(shown.calibration, _WIDTH, _ROWS), ""]
    names = [head.name for head in report.heads]
    while names:
        beside = len(names)
        while beside > 1 and width is not None and _length(_errors(shown, names[:beside])) > width:
            beside -= 1
        if table := _errors(shown, names[:beside]):
            lines += [*table, ""]
        names = names[beside:]
    return "\n".join([*lines, _next(shown, knob)])


def _errors(shown: Preview, heads: Sequence[str]) -> list[str]:
    """The delays of these heads along the knob, with their errors before and now.

    Of a curve through one reading, only where it is more than a guess.
    """
    header = ("knob", *(cell for name in heads for cell in (name, "error was", "now")), "")
    rows = []
    for row, band in zip(shown.report.grid, shown.band, strict=True):
        cells = [_head_cells(row, band, name) for name in heads]
        if _one_reading(shown) and all(delay in {"?", "-"} for delay, *_ in cells):
            continue
        knob = reading_text(shown.calibration.unit.knob, row.knob)
        told = "" if row.measured_span else "not measured"
        rows.append((knob, *(cell for some in cells for cell in some), told))
    return list(columns([header, *rows])) if rows else []


def _one_reading(shown: Preview) -> bool:
    """Whether all points are at one reading, which tells little of any other."""
    curve = shown.calibration.curve
    return curve.measured_low == curve.measured_high


def _length(lines: Sequence[str]) -> int:
    return max(map(len, lines), default=0)


def preview_data(
    shown: Preview, collected: Sequence[Collected], refused: Sequence[Refused], *, written: bool
) -> dict[str, Any]:
    """The same as data; field names are a contract with other programs."""
    return {
        "unit": shown.report.unit,
        "points": [
            {**msgspec.structs.asdict(point), "origin": one.origin}
            for point, one in zip(shown.points, collected, strict=True)
        ],
        "refused": refused,
        "suspects": [point for point in shown.report.points if point.suspect],
        "band": shown.band,
        "next_measurement": shown.report.next_measurement,
        "remarks": shown.report.remarks,
        "written": written,
    }


def _points(count: int) -> str:
    return "1 point" if count == 1 else f"{count} points"


def _head_cells(row: GridRow, band: BandRow, head: str) -> tuple[str, str, str]:
    """Delay of a head, its error before and its error now."""
    delay_ms, now_percent = row.delay_ms[head], band.after_percent[head]
    if delay_ms is None or now_percent is None:
        return "-", "-", "-"
    guessed = not row.measured_span and now_percent > MOST_GUESSED_PERCENT
    return (
        "?" if guessed else f"{delay_ms:.1f} ms",
        _percent(band.before_percent[head]),
        _percent(now_percent),
    )


def _percent(percent: float | None) -> str:
    return "-" if percent is None else f"{percent:.1f} %"


def _next(shown: Preview, knob: Knob) -> str:
    wanted = shown.report.next_measurement
    where = knob_text(knob, wanted.knob)
    return f"Measure next: head {wanted.head}, knob at {where}: {wanted.why}"
