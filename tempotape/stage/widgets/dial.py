"""The motor-speed knob, drawn with its pointer and what is known of each stretch."""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from tempotape.stage.canvas import Canvas
from tempotape.stage.shown import DialShown, Mark

_IN_TIME = Style(bold=True, color="green")
_UNSTABLE = Style(color="red")
_POINTER = Style(bold=True)
_PLAIN = Style(dim=True)
_SPOKE_DEG = 7.5


class Dial(Widget):
    """A thin arc over the measured span, a thick one where it stays in time, spokes where not to
    trust the tape; loose dots where nothing was measured.
    """

    DEFAULT_CSS = """
    Dial { width: 1fr; height: 1fr; text-wrap: nowrap; }
    """

    dial: reactive[DialShown | None] = reactive(None, layout=False)

    def render(self) -> Text:
        if self.dial is None or self.size.width < 12 or self.size.height < 6:
            return Text("")
        return draw_dial(self.dial, self.size.width, self.size.height).text()


class _Face:
    """The dial's geometry on a canvas: angles in degrees clockwise from straight up, dots."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas
        # Room for a row of labels above and below, and for two letters on either side.
        self.radius = min(canvas.dots_across / 2 - 7, canvas.dots_down / 2 - 6)
        self._middle = (canvas.dots_across - 1) / 2, (canvas.dots_down - 1) / 2

    def at(self, deg: float, length: float) -> tuple[float, float]:
        turn = math.radians(deg)
        return (
            self._middle[0] + length * math.sin(turn),
            self._middle[1] - length * math.cos(turn),
        )

    def arc(
        self, span: tuple[float, float], style: Style, *, inset: float = 0.0, every: float = 0.0
    ) -> None:
        """Dots along a span, `every` so many degrees, or close enough to make a line."""
        low, high = span
        steps = max(1, round((high - low) / (every or math.degrees(0.5 / self.radius))))
        for step in range(steps + 1):
            deg = low + (high - low) * step / steps
            self.canvas.dot(*self.at(deg, self.radius - inset), style)

    def spokes(self, span: tuple[float, float], style: Style) -> None:
        low, high = span
        for step in range(math.ceil((high - low) / _SPOKE_DEG) + 1):
            deg = min(low + step * _SPOKE_DEG, high)
            self.canvas.line(*self.at(deg, self.radius * 0.78), *self.at(deg, self.radius), style)

    def label(self, mark: Mark) -> None:
        x, y = self.at(mark.deg, self.radius + 5)
        column = round(x / 2 - len(mark.label) / 2 + 0.25)
        self.canvas.letters(column, round(y / 4 - 0.5), mark.label)

    def pointer(self, deg: float, style: Style) -> None:
        """A hand five half-dots thick."""
        turn = math.radians(deg)
        (x0, y0), (x1, y1) = self.at(deg, self.radius * 0.15), self.at(deg, self.radius - 4)
        for aside in (-1.0, -0.5, 0.0, 0.5, 1.0):
            across, down = aside * math.cos(turn), aside * math.sin(turn)
            self.canvas.line(x0 + across, y0 + down, x1 + across, y1 + down, style)


def draw_dial(dial: DialShown, width: int, height: int) -> Canvas:
    """The dial on a canvas of `width` by `height` cells, labels around it."""
    face = _Face(Canvas(width, height))
    face.arc(dial.scale, _PLAIN, every=12.0)
    face.arc(dial.measured, _PLAIN)
    if dial.unstable is not None:
        face.spokes(dial.unstable, _UNSTABLE)
    for mark in dial.marks:
        face.label(mark)
    if dial.in_time is not None:
        for inset in (-1.0, 0.0, 1.0, 2.0):
            face.arc(dial.in_time, _IN_TIME, inset=inset)
    if dial.pointer is not None:
        face.pointer(dial.pointer, _POINTER)
    return face.canvas
