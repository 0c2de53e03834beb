"""Pictures as lines of text: braille dots for lines, letters for points.

Each cell holds two dots across and four down, so a picture of 70 by 16 cells has 140 by 64 dots.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from tempotape.bench.charts import (
    CROSSED,
    Axis,
    Line,
    Panel,
    Picture,
    Points,
    comparison_picture,
    curve_picture,
    tone_picture,
    unit_picture,
)
from tempotape.bench.compare import Comparison
from tempotape.bench.flutter import Deviation
from tempotape.text import printable
from tempotape.unit.calibration import Calibration

LEAST_WIDTH, LEAST_HEIGHT = 24, 4
# Unicode numbers the dots of a braille cell in this order (U+2800 block, column by column).
_DOT = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_BLANK = 0x2800
# Of each dashed line, which of its dots are set: (drawn, left out), counted along x.
_DASHES = ((1, 0), (4, 4), (1, 3), (6, 2), (10, 4))
_FILLED, _HOLLOW, _CROSS = "O#A+V", "osa*v", "X"


def curve_lines(calibration: Calibration, width: int, height: int) -> tuple[str, ...]:
    """Delay of every head against the knob; `height` rows of drawing."""
    return text_lines(curve_picture(calibration), width, height)


def unit_lines(calibration: Calibration, width: int, height: int) -> tuple[str, ...]:
    """Delay of every head and flutter against the knob; `height` rows of drawing each."""
    return text_lines(unit_picture(calibration), width, height)


def tone_lines(tone: Deviation, width: int, height: int) -> tuple[str, ...]:
    """The deviation of a tone against time, and its spectrum; `height` rows of drawing each."""
    return text_lines(tone_picture(tone), width, height)


def comparison_lines(
    before: Calibration, after: Calibration, comparison: Comparison, width: int, height: int
) -> tuple[str, ...]:
    """Both curves, and below them both flutters; `height` rows of drawing each."""
    return text_lines(comparison_picture(before, after, comparison.span), width, height)


def text_lines(picture: Picture, width: int, height: int) -> tuple[str, ...]:
    """The picture as lines of at most `width` letters, `height` rows of drawing a panel."""
    width, height = max(width, LEAST_WIDTH), max(height, LEAST_HEIGHT)
    parts = ((line for line in _panel(panel, width, height)) for panel in picture.panels)
    return tuple(printable(line)[:width].rstrip() for line in itertools.chain(*parts))


def _panel(panel: Panel, width: int, height: int) -> Iterator[str]:
    yield f"{panel.y.label}: {panel.title}"
    ticks = panel.y.ticks(max(3, height // 2))
    margin = max(len(label) for _, label in ticks) + 1
    grid = _Grid(width - margin - 1, height)
    for limit in panel.limits:
        grid.line(panel, Line("", (panel.x.low, panel.x.high), (limit.y, limit.y), dash=2))
    for line in panel.lines:
        if not line.faint:
            grid.line(panel, line)
    for points in panel.points:
        grid.points(panel, points)
    labels = {grid.row(panel.y, value): label for value, label in ticks}
    for row, drawn in enumerate(grid.rows(panel.note)):
        label = labels.get(row, "")
        yield f"{label.rjust(margin - 1)} {'┤' if label else '│'}{drawn}"
    yield f"{' ' * margin}└{'─' * grid.width}"
    yield " " * (margin + 1) + _under(panel.x, grid.width)
    yield from _zone_row(panel, margin + 1, grid.width)
    for limit in panel.limits:
        if limit.name:
            yield f"{' ' * margin} dotted: {limit.name}"
    yield from (f"{' ' * margin} {row}" for row in _legend(panel, width - margin - 1))


class _Grid:
    """A grid of cells, drawn on in dots and letters."""

    def __init__(self, width: int, height: int) -> None:
        self.width = width
        self.height = height
        self._dots = [[0] * width for _ in range(height)]
        self._letters: dict[tuple[int, int], str] = {}

    def row(self, axis: Axis, value: float) -> int:
        return min(self.height - 1, int((1 - axis.share(value)) * self.height))

    def line(self, panel: Panel, line: Line) -> None:
        on, off = _DASHES[line.dash % len(_DASHES)]
        across, down = self.width * 2 - 1, self.height * 4 - 1
        places = [
            (panel.x.share(x) * across, (1 - panel.y.share(y)) * down) if math.isfinite(y) else None
            for x, y in zip(line.xs, line.ys, strict=True)
        ]
        for one, other in itertools.pairwise(places):
            if one is None or other is None:
                continue
            steps = max(1, math.ceil(2 * max(abs(other[0] - one[0]), abs(other[1] - one[1]))))
            for step in range(steps + 1):
                share = step / steps
                x, y = (a + (b - a) * share for a, b in zip(one, other, strict=True))
                if round(x) % (on + off) < on:
                    self._dot(round(x), round(y))

    def points(self, panel: Panel, points: Points) -> None:
        for x, y in zip(points.xs, points.ys, strict=True):
            column = min(self.width - 1, int(panel.x.share(x) * self.width))
            self._letters[self.row(panel.y, y), column] = _letter(points)

    def rows(self, note: str) -> Iterator[str]:
        for row in range(self.height):
            if note and row == self.height // 2:
                yield note.center(self.width)
            else:
                yield "".join(self._cell(row, column) for column in range(self.width))

    def _dot(self, x: int, y: int) -> None:
        if 0 <= x < self.width * 2 and 0 <= y < self.height * 4:
            self._dots[y // 4][x // 2] |= _DOT[y % 4][x % 2]

    def _cell(self, row: int, column: int) -> str:
        dots = self._dots[row][column]
        return self._letters.get((row, column)) or (chr(_BLANK + dots) if dots else " ")


def _letter(points: Points) -> str:
    if points.shape == CROSSED:
        return _CROSS
    letters = _FILLED if points.filled else _HOLLOW
    return letters[points.shape % len(letters)]


def _under(axis: Axis, width: int) -> str:
    """Labels of the x axis below their places, left out where they would touch; then its name."""
    row = [" "] * width
    free = 0
    name = f" {axis.label}"
    for value, label in axis.ticks(max(3, width // 8)):
        start = min(width - len(label), max(0, round(axis.share(value) * width - len(label) / 2)))
        if start >= free and start + len(label) <= width - len(name):
            row[start : start + len(label)] = label
            free = start + len(label) + 1
    row[width - len(name) :] = name
    return "".join(row)


def _zone_row(panel: Panel, margin: int, width: int) -> Iterator[str]:
    """The names of the zones below their stretches, between bars."""
    named = [zone for zone in panel.zones if zone.name]
    if not named:
        return
    row = [" "] * width
    for zone in named:
        left = round(panel.x.share(zone.low) * width)
        room = round(panel.x.share(zone.high) * width) - left
        row[left : left + room] = f"|{zone.name}"[:room].ljust(room)
    yield " " * margin + "".join(row)


def _legend(panel: Panel, width: int) -> Iterator[str]:
    """Names of the series, as many in a row as fit."""
    styles = ("line", "dashes", "dots", "long dashes", "longest dashes")
    lines = [line for line in panel.lines if line.name and not line.faint]
    told = [f"{styles[line.dash % len(styles)]}: {line.name}" for line in lines]
    told += [f"{_letter(points)} {points.name}" for points in panel.points if points.name]
    row = ""
    for one in told:
        if row and len(row) + len(one) + 3 > width:
            yield row
            row = one
        else:
            row = f"{row}   {one}" if row else one
    if row:
        yield row
