"""Pictures as SVG that stands by itself: no script, no style sheet, nothing fetched.

Drawn for black ink: series differ by dashes, shapes and hatching before they differ by colour.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from tempotape.bench.charts import (
    CROSSED,
    Band,
    Line,
    Panel,
    Picture,
    Points,
    Zone,
    comparison_picture,
    curve_picture,
    tone_picture,
    unit_picture,
)
from tempotape.bench.compare import Comparison
from tempotape.bench.flutter import Deviation
from tempotape.text import printable
from tempotape.unit.calibration import Calibration

# All sizes are in the units of the drawing, which is `_WIDTH` wide.
_WIDTH = 900.0
_LEFT, _RIGHT = 78.0, 22.0
_TITLE, _ABOVE, _HEIGHT, _BELOW = 40.0, 28.0, 330.0, 58.0
_LEGEND_ROW, _SAMPLE = 22.0, 40.0
_LETTER = 7.4  # about the width of a letter at the size of the legend
_DASHES = ("", "9 4", "2 4", "10 4 2 4", "18 6")
_INKS = ("#000000", "#7a1f1f", "#1f3f7a", "#2f5f2f", "#5f3f7a")
_MARK = 4.5
_BAND_OPACITY = 0.2
_X_TICKS, _Y_TICKS = 12, 9


def curve_svg(calibration: Calibration) -> str:
    """Delay of every head against the knob, with its band and points."""
    return svg(curve_picture(calibration))


def unit_svg(calibration: Calibration) -> str:
    """Delay of every head against the knob, with its band and points, and the flutter."""
    return svg(unit_picture(calibration))


def tone_svg(tone: Deviation) -> str:
    """The deviation of a tone against time, and its spectrum."""
    return svg(tone_picture(tone))


def comparison_svg(before: Calibration, after: Calibration, comparison: Comparison) -> str:
    """Both curves and flutters overlaid, with the sentences below."""
    picture = comparison_picture(before, after, comparison.span)
    told = [one.sentence for one in comparison.differences]
    told += [one.sentence for one in comparison.unchanged]
    return svg(picture, told)


class _Box(NamedTuple):
    """Where a panel's axes stand."""

    left: float
    top: float
    right: float
    bottom: float


def svg(picture: Picture, sentences: Sequence[str] = ()) -> str:
    """The picture as one SVG document, with sentences below it."""
    parts: list[str] = []
    y = _TITLE
    parts.append(_text(_LEFT, 26, picture.title, size=17, weight="bold"))
    for number, panel in enumerate(picture.panels):
        box = _Box(_LEFT, y + _ABOVE, _WIDTH - _RIGHT, y + _ABOVE + _HEIGHT)
        parts += _panel(panel, box, clip=f"inside{number}")
        y = box.bottom + _BELOW
        legend, y = _legend(panel, y)
        parts += legend
    for sentence in sentences:
        for number, row in enumerate(_folded(sentence)):
            y += 20.0
            parts.append(_text(_LEFT if number == 0 else _LEFT + 14, y, row, size=13))
    height = y + 20.0
    label = html.escape(printable(picture.title))
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" '
            f'width="{_WIDTH:g}" height="{height:g}" role="img" aria-label="{label}" '
            'font-family="Helvetica, Arial, sans-serif" fill="none">',
            f"<title>{label}</title>",
            '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><path d="M0 0V7" stroke="#888888" stroke-width="1.2"/>'
            "</pattern></defs>",
            f'<rect width="{_WIDTH:g}" height="{height:g}" fill="#ffffff"/>',
            *parts,
            "</svg>\n",
        )
    )


def _panel(panel: Panel, box: _Box, *, clip: str) -> Iterator[str]:
    yield _text(box.left, box.top - 10, panel.title, size=13)
    yield (
        f'<clipPath id="{clip}"><rect x="{box.left:g}" y="{box.top:g}" '
        f'width="{box.right - box.left:g}" height="{box.bottom - box.top:g}"/></clipPath>'
    )
    for zone in panel.zones:
        yield from _zone(panel, box, zone)
    yield from _grid(panel, box)
    yield f'<g clip-path="url(#{clip})">'
    yield from (_band(panel, box, band, number) for number, band in enumerate(panel.bands))
    for limit in panel.limits:
        y = _y(panel, box, limit.y)
        yield f'<path d="M{box.left:g} {y:.1f}H{box.right:g}" stroke="#000000" stroke-width="1"/>'
        if limit.name:
            yield _text(box.right - 8, y - 5, limit.name, size=12, anchor="end")
    yield from (_line(panel, box, line) for line in panel.lines)
    yield "</g>"
    for points in panel.points:
        yield from (
            _mark(_x(panel, box, x), _y(panel, box, y), points)
            for x, y in zip(points.xs, points.ys, strict=True)
        )
    if panel.note:
        middle = (box.left + box.right) / 2
        yield _text(middle, (box.top + box.bottom) / 2, panel.note, size=15, anchor="middle")


def _grid(panel: Panel, box: _Box) -> Iterator[str]:
    for value, label in panel.x.ticks(_X_TICKS):
        x = _x(panel, box, value)
        yield (
            f'<path d="M{x:.1f} {box.top:g}V{box.bottom + 5:g}" stroke="#cccccc" '
            'stroke-width="0.8"/>'
        )
        yield _text(x, box.bottom + 20, label, size=13, anchor="middle")
    for value, label in panel.y.ticks(_Y_TICKS):
        y = _y(panel, box, value)
        yield (
            f'<path d="M{box.left - 5:g} {y:.1f}H{box.right:g}" stroke="#cccccc" '
            'stroke-width="0.8"/>'
        )
        yield _text(box.left - 9, y + 4.5, label, size=13, anchor="end")
    yield (
        f'<rect x="{box.left:g}" y="{box.top:g}" width="{box.right - box.left:g}" '
        f'height="{box.bottom - box.top:g}" stroke="#000000" stroke-width="1.2"/>'
    )
    yield _text(
        (box.left + box.right) / 2, box.bottom + 40, panel.x.label, size=13, anchor="middle"
    )
    x, y = 20.0, (box.top + box.bottom) / 2
    yield (
        f'<g transform="rotate(-90 {x:g} {y:g})">'
        f"{_text(x, y, panel.y.label, size=13, anchor='middle')}</g>"
    )


def _zone(panel: Panel, box: _Box, zone: Zone) -> Iterator[str]:
    left, right = _x(panel, box, zone.low), _x(panel, box, zone.high)
    fill = ("none", "#eeeeee", "url(#hatch)")[zone.shade]
    yield (
        f'<rect x="{left:.1f}" y="{box.top:g}" width="{right - left:.1f}" '
        f'height="{box.bottom - box.top:g}" fill="{fill}"/>'
    )
    if zone.name and right - left > _LETTER * len(zone.name):
        middle, width = (left + right) / 2, _LETTER * len(zone.name) + 8
        yield (
            f'<rect x="{middle - width / 2:.1f}" y="{box.top + 4:g}" width="{width:.1f}" '
            'height="18" fill="#ffffff"/>'
        )
        yield _text(middle, box.top + 17.5, zone.name, size=13, anchor="middle")


def _band(panel: Panel, box: _Box, band: Band, number: int) -> str:
    upper = list(zip(band.xs, band.highs, strict=True))
    lower = list(zip(band.xs, band.lows, strict=True))[::-1]
    places = (f"{_x(panel, box, x):.1f} {_y(panel, box, y):.1f}" for x, y in upper + lower)
    return (
        f'<path d="M{"L".join(places)}Z" fill="{_ink(number)}" fill-opacity="{_BAND_OPACITY:g}"/>'
    )


def _line(panel: Panel, box: _Box, line: Line) -> str:
    steps, pen_down = [], False
    for x, y in zip(line.xs, line.ys, strict=True):
        if not math.isfinite(y):
            pen_down = False
            continue
        steps.append(f"{'L' if pen_down else 'M'}{_x(panel, box, x):.1f} {_y(panel, box, y):.1f}")
        pen_down = True
    return f'<path d="{"".join(steps)}" {_stroke(line)}/>'


def _stroke(line: Line) -> str:
    width, opacity = (1.0, 0.55) if line.faint else (1.8, 1.0)
    dash = _DASHES[line.dash % len(_DASHES)]
    return (
        f'stroke="{_ink(line.ink)}" stroke-width="{width:g}" stroke-opacity="{opacity:g}" '
        'stroke-linejoin="round"' + (f' stroke-dasharray="{dash}"' if dash else "")
    )


def _ink(number: int) -> str:
    return _INKS[number % len(_INKS)]


def _mark(x: float, y: float, points: Points) -> str:
    size = _MARK
    if points.shape == CROSSED:
        size *= 1.5
        return (
            f'<path d="M{x - size:.1f} {y - size:.1f}L{x + size:.1f} {y + size:.1f}'
            f'M{x - size:.1f} {y + size:.1f}L{x + size:.1f} {y - size:.1f}" '
            'stroke="#000000" stroke-width="2.6"/>'
        )
    ink = _ink(points.ink)
    look = f'fill="{ink if points.filled else "#ffffff"}" stroke="{ink}" stroke-width="1.6"'
    corners = _CORNERS[points.shape % len(_CORNERS)]
    if not corners:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:g}" {look}/>'
    places = (f"{x + size * dx:.1f} {y + size * dy:.1f}" for dx, dy in corners)
    return f'<path d="M{"L".join(places)}Z" {look}/>'


# Corners of the shapes, in mark sizes from their middle; a circle has none.
_CORNERS: tuple[tuple[tuple[float, float], ...], ...] = (
    (),
    ((-0.95, -0.95), (0.95, -0.95), (0.95, 0.95), (-0.95, 0.95)),
    ((0.0, -1.25), (1.15, 0.85), (-1.15, 0.85)),
    ((0.0, -1.35), (1.35, 0.0), (0.0, 1.35), (-1.35, 0.0)),
    ((-1.15, -0.85), (1.15, -0.85), (0.0, 1.25)),
)


def _legend(panel: Panel, y: float) -> tuple[list[str], float]:
    """Samples with their names, in rows below a panel, and where the rows end."""
    parts: list[str] = []
    x = _LEFT
    entries: list[Line | Band | Points] = [*panel.lines, *panel.bands, *panel.points]
    for entry in entries:
        if not entry.name:
            continue
        width = _SAMPLE + _LETTER * len(entry.name) + 26
        if x > _LEFT and x + width > _WIDTH - _RIGHT:
            x, y = _LEFT, y + _LEGEND_ROW
        parts.append(_sample(entry, x, y))
        parts.append(_text(x + _SAMPLE + 7, y + 4.5, entry.name, size=13))
        x += width
    return parts, y + (_LEGEND_ROW if parts else 0.0)


def _sample(entry: Line | Band | Points, x: float, y: float) -> str:
    if isinstance(entry, Line):
        return f'<path d="M{x:.1f} {y:.1f}h{_SAMPLE:g}" {_stroke(entry)}/>'
    if isinstance(entry, Points):
        return _mark(x + _SAMPLE / 2, y, entry)
    return (
        f'<rect x="{x:.1f}" y="{y - 6:.1f}" width="{_SAMPLE:g}" height="12" '
        f'fill="{_ink(0)}" fill-opacity="{_BAND_OPACITY:g}"/>'
    )


def _folded(sentence: str) -> Iterator[str]:
    """Rows of a sentence that fit the drawing."""
    most = int((_WIDTH - _LEFT - _RIGHT) / _LETTER)
    row = ""
    for word in printable(sentence).split():
        if row and len(row) + 1 + len(word) > most:
            yield row
            row = word
        else:
            row = f"{row} {word}".strip()
    yield row


def _text(
    x: float, y: float, text: str, *, size: float, anchor: str = "start", weight: str = "normal"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" '
        f'font-weight="{weight}" fill="#000000">{html.escape(printable(text))}</text>'
    )


def _x(panel: Panel, box: _Box, value: float) -> float:
    return box.left + panel.x.share(value) * (box.right - box.left)


def _y(panel: Panel, box: _Box, value: float) -> float:
    return box.bottom - panel.y.share(value) * (box.bottom - box.top)
