"""Delay against knob reading for every head, with the error band and the present setting."""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from tempotape.stage.canvas import Canvas
from tempotape.stage.shown import CurveShown
from tempotape.unit.curve import SpeedCurve

_BAND = Style(bgcolor="grey30")
_CHOSEN = Style(bold=True)
_OTHER = Style(dim=True)
_POINT = Style(bold=True, reverse=True)
_UNSTABLE = Style(color="red")
_LABEL_CELLS = 6


class CurvePlot(Widget):
    """The curve; the band in the cells' background is twice the expected error either way."""

    DEFAULT_CSS = """
    CurvePlot { width: 1fr; height: 1fr; text-wrap: nowrap; }
    """

    curve: reactive[CurveShown | None] = reactive(None, layout=False)

    def render(self) -> Text:
        if self.curve is None or self.size.width < 24 or self.size.height < 6:
            return Text("")
        return draw_curve(self.curve, self.size.width, self.size.height).text()


class _Frame:
    """Where a reading and a delay lie on the canvas, in dots; the delay on a logarithmic scale."""

    def __init__(
        self, curve: SpeedCurve, canvas: Canvas, spans_ms: list[tuple[float, float]]
    ) -> None:
        self.shortest_ms = min(span[0] for span in spans_ms)
        self.longest_ms = max(span[1] for span in spans_ms)
        self._low, self._scale = curve.knob[0], curve.knob[-1] - curve.knob[0]
        self._across = canvas.dots_across - 2 * _LABEL_CELLS - 1
        self._down = canvas.dots_down - 5
        self._decades = math.log(self.longest_ms / self.shortest_ms) or 1.0

    def x(self, knob: float) -> float:
        return 2 * _LABEL_CELLS + (knob - self._low) / self._scale * self._across

    def y(self, delay_ms: float) -> float:
        height = math.log(delay_ms / self.shortest_ms) / self._decades
        return min(max(1 - height, 0.0), 1.0) * self._down


def draw_curve(shown: CurveShown, width: int, height: int) -> Canvas:
    """The measured part of the curve on a canvas, readings across and delays up."""
    canvas = Canvas(width, height)
    curve = shown.curve
    spans = {head: curve.measured_delays_ms(head) for head in curve.heads}
    known = {head: span for head, span in spans.items() if span is not None}
    if not known:
        return canvas
    frame = _Frame(curve, canvas, list(known.values()))
    for head in known:
        _draw_head(canvas, frame, curve, head, _CHOSEN if head == shown.head else _OTHER)
    if shown.unstable is not None:
        row = frame.y(frame.shortest_ms) + 2
        canvas.line(frame.x(shown.unstable[0]), row, frame.x(shown.unstable[1]), row, _UNSTABLE)
    _write_scales(canvas, shown, frame)
    if shown.head in known and shown.knob is not None:
        delay_ms = curve.delay_ms(shown.head, shown.knob)
        if delay_ms is not None:
            column, row = int(frame.x(shown.knob)) // 2, int(frame.y(delay_ms)) // 4
            canvas.letters(column, row, "o", _POINT)
    return canvas


def _draw_head(canvas: Canvas, frame: _Frame, curve: SpeedCurve, head: str, style: Style) -> None:
    before: tuple[float, float] | None = None
    for knob in curve.knob:
        delay_ms = curve.delay_ms(head, knob)
        if delay_ms is None or not curve.in_measured_span(knob):
            continue
        x, y = frame.x(knob), frame.y(delay_ms)
        spread = 2 * curve.error_percent_at(head, knob) / 100
        top, bottom = frame.y(delay_ms * (1 + spread)), frame.y(delay_ms / (1 + spread))
        for row in range(int(top) // 4, int(bottom) // 4 + 1):
            canvas.shade(int(x) // 2, row, _BAND)
        if before is not None:
            canvas.line(*before, x, y, style)
        before = x, y


def _write_scales(canvas: Canvas, shown: CurveShown, frame: _Frame) -> None:
    bottom = canvas.height - 1
    canvas.letters(0, 0, f"{frame.longest_ms:.0f}")
    canvas.letters(0, bottom - 1, f"{frame.shortest_ms:.0f}")
    canvas.letters(0, 1, "ms")
    canvas.letters(_LABEL_CELLS, bottom, shown.ends[0])
    canvas.letters(canvas.width - len(shown.ends[1]), bottom, shown.ends[1])
