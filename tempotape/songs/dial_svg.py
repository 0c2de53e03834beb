"""The knob as it stands at one reading, drawn in the unit's own marks for black ink."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import DEG_PER_HOUR, knob_text, pointer_deg, travel
from tempotape.unit.model import Knob

# The drawing is 100 units wide and high; the scale's arc has this radius.
_RADIUS = 33.0
_LABELS = 43.5
# A knob that turns further than this is drawn as if its scale took less than a turn.
_MOST_DEG = 330.0
_DRAWN_DEG = 300.0
_MOST_MARKS = 11
_ROUND_STEPS = tuple(size * 10.0**power for power in range(-3, 5) for size in (1, 2, 5))


def dial_svg(calibration: Calibration, reading: float | None) -> str:
    """An SVG element: the scale with its marks, the stretch not to trust, and the pointer.

    Without a reading there is no pointer. It holds no text but the marks, no style and no link.
    """
    knob = calibration.unit.knob
    told = "the knob" if reading is None else f"the knob at {knob_text(knob, reading)}"
    parts = [
        f'<svg class="dial" viewBox="0 0 100 100" role="img" aria-label="{told}">',
        _arc(_deg(knob, knob.low), _deg(knob, knob.high), _RADIUS, 'stroke-width="1.5"'),
    ]
    if calibration.unstable is not None:
        low, high = (_deg(knob, end) for end in calibration.unstable)
        parts.append(_arc(low, high, _RADIUS - 4, 'stroke-width="5" stroke-dasharray="1.2 2.4"'))
    for deg, label in _marks(knob):
        (x1, y1), (x2, y2), (x, y) = (_at(deg, away) for away in (_RADIUS, _RADIUS + 3, _LABELS))
        parts += [
            f'<path d="M{x1} {y1}L{x2} {y2}" stroke="black" stroke-width="1.5"/>',
            f'<text x="{x}" y="{y}" font-size="11.5" text-anchor="middle" '
            f'dominant-baseline="central">{label}</text>',
        ]
    if reading is not None:
        (x1, y1), (x2, y2) = (_at(_deg(knob, reading), away) for away in (-8.0, _RADIUS - 2))
        parts.append(
            f'<path d="M{x1} {y1}L{x2} {y2}" stroke="black" stroke-width="6" '
            'stroke-linecap="round"/>'
        )
    return "".join((*parts, "</svg>"))


def _deg(knob: Knob, reading: float) -> float:
    if knob.marks == "numbers" and knob.sweep_deg > _MOST_DEG:
        return (travel(knob, reading) - 0.5) * _DRAWN_DEG
    return pointer_deg(knob, reading)


def _at(deg: float, away: float) -> tuple[float, float]:
    """A point `away` from the middle in the direction `deg`, clockwise from straight up."""
    turn = math.radians(deg)
    return round(50 + away * math.sin(turn), 2), round(50 - away * math.cos(turn), 2)


def _arc(low_deg: float, high_deg: float, radius: float, stroke: str) -> str:
    """Two halves, because one arc cannot be a whole turn."""
    middle = (low_deg + high_deg) / 2
    (x0, y0), (x1, y1), (x2, y2) = (_at(deg, radius) for deg in (low_deg, middle, high_deg))
    half = f"A{radius} {radius} 0 0 1 "
    return (
        f'<path d="M{x0} {y0}{half}{x1} {y1}{half}{x2} {y2}" fill="none" stroke="black" {stroke}/>'
    )


def _marks(knob: Knob) -> Iterator[tuple[float, str]]:
    """Where the labels stand: hours on a clock face, else up to eleven round readings."""
    if knob.marks == "clock":
        hours = math.floor(knob.sweep_deg / 2 / DEG_PER_HOUR + 1e-9)
        # At a full turn the two ends are one mark.
        for hour in range(-hours + (hours == 6), hours + 1):
            yield hour * DEG_PER_HOUR, str((hour - 1) % 12 + 1)
        return
    scale = knob.high - knob.low
    step = next(size for size in _ROUND_STEPS if scale / size <= _MOST_MARKS - 1 + 1e-9)
    first = math.ceil(knob.low / step - 1e-9)
    for place in range(first, math.floor(knob.high / step + 1e-9) + 1):
        yield _deg(knob, place * step), f"{place * step:g}"
