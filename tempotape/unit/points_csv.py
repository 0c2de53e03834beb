"""Measured points as plain CSV: `head,knob,delay_ms[,error_ms,flutter_percent]`."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from tempotape.faults import InputFault
from tempotape.text import listed, nearest, printable, quoted
from tempotape.unit.model import Point, Unit
from tempotape.unit.unitfile import check_points
from tempotape.userfiles import checked, read_text

COLUMNS = Point.__struct_fields__
REQUIRED = ("head", "knob", "delay_ms")


def points_to_csv(points: Sequence[Point]) -> str:
    """The points as CSV text, every column present, an empty cell where nothing is known."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(COLUMNS)
    for point in points:
        cells = [getattr(point, column) for column in COLUMNS]
        table.writerow(["" if cell is None else cell for cell in cells])
    return text.getvalue()


def points_from_csv(path: Path, unit: Unit) -> tuple[Point, ...]:
    """The points in a CSV file, checked against `unit`. Raises InputFault naming file and line."""
    source = str(path)
    text = read_text(path, what="CSV file of points")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as fault:
        raise InputFault(
            f"is not CSV ({fault})", expected="lines of " + ",".join(COLUMNS), source=source
        ) from None
    rows = [row for row in rows if any(cell.strip() for cell in row)] or [[]]
    header = [printable(cell).strip() for cell in rows[0]]
    _check_header(header, source)
    points = tuple(
        _point(header, row, source=source, line=number) for number, row in enumerate(rows[1:], 2)
    )
    for number, point in enumerate(points, 2):
        try:
            check_points(unit, [point])
        except InputFault as fault:
            raise InputFault(
                fault.problem, expected=fault.expected, source=source, entry=f"row {number}"
            ) from None
    return points


def not_there_yet(
    points: Sequence[Point], measured: Sequence[Point]
) -> tuple[tuple[Point, ...], tuple[Point, ...]]:
    """The points that say something new, and those that repeat one of `measured` or an earlier one.

    A point repeats another of the same head, knob and delay where it knows nothing besides that
    the other does not say as well. Two measurements seldom agree to the last digit.
    """
    new: list[Point] = []
    again: list[Point] = []
    alike: dict[tuple[str, float, float], list[Point]] = {}
    for point in measured:
        alike.setdefault(_required(point), []).append(point)
    for point in points:
        others = alike.setdefault(_required(point), [])
        if any(_says_no_more(point, other) for other in others):
            again.append(point)
        else:
            new.append(point)
            others.append(point)
    return tuple(new), tuple(again)


def _required(point: Point) -> tuple[str, float, float]:
    return point.head, point.knob, point.delay_ms


def _says_no_more(point: Point, other: Point) -> bool:
    return all(
        getattr(point, column) in {None, getattr(other, column)}
        for column in COLUMNS
        if column not in REQUIRED
    )


def _check_header(header: Sequence[str], source: str) -> None:
    for column in header:
        if column not in COLUMNS:
            close = nearest(column, COLUMNS)
            raise InputFault(
                f"unknown column {quoted(column)}",
                expected=f'"{close}"' if close else listed(COLUMNS),
                source=source,
                entry="row 1",
            )
    lacking = [column for column in REQUIRED if column not in header]
    if lacking or len(set(header)) < len(header):
        raise InputFault(
            f"columns are {quoted(','.join(header))}",
            expected="head,knob,delay_ms and, if known, error_ms,flutter_percent, each once",
            source=source,
            entry="row 1",
        )


def _point(header: Sequence[str], row: Sequence[str], *, source: str, line: int) -> Point:
    entry = f"row {line}"
    if len(row) != len(header):
        raise InputFault(f"{len(row)} cells", expected=f"{len(header)}", source=source, entry=entry)
    cells: dict[str, str | float] = {}
    for column, cell in zip(header, row, strict=True):
        met = cell.strip()
        if column == "head":
            cells[column] = met
        elif met:
            try:
                cells[column] = float(met)
            except ValueError:
                raise InputFault(
                    f"{column} is {quoted(met)}", expected="a number", source=source, entry=entry
                ) from None
    try:
        return checked(cells, Point, source=source)
    except InputFault as fault:
        raise InputFault(
            fault.problem, expected=fault.expected, source=source, entry=entry
        ) from None
