"""Drawing with braille dots: each terminal cell holds two dots across and four down."""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text

# Unicode numbers the dots of a braille cell in this order (U+2800 block, column by column).
_DOT = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_BLANK = 0x2800


class Canvas:
    """A grid of `width` by `height` cells, drawn on in dots: x to the right, y downwards.

    What is drawn later sets the style of the cells it touches. Anything off the grid is left out.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width = width
        self.height = height
        self._dots = [[0] * width for _ in range(height)]
        self._letters: list[list[str]] = [[""] * width for _ in range(height)]
        self._styles: list[list[Style | None]] = [[None] * width for _ in range(height)]

    @property
    def dots_across(self) -> int:
        return self.width * 2

    @property
    def dots_down(self) -> int:
        return self.height * 4

    def dot(self, x: float, y: float, style: Style | None = None) -> None:
        column, row = math.floor(x + 0.5), math.floor(y + 0.5)
        if 0 <= column < self.dots_across and 0 <= row < self.dots_down:
            self._dots[row // 4][column // 2] |= _DOT[row % 4][column % 2]
            if style is not None:
                under = self._styles[row // 4][column // 2]
                behind = Style(bgcolor=under.bgcolor) if under else Style.null()
                self._styles[row // 4][column // 2] = behind + style

    def line(self, x0: float, y0: float, x1: float, y1: float, style: Style | None = None) -> None:
        steps = max(1, math.ceil(2 * max(abs(x1 - x0), abs(y1 - y0))))
        for step in range(steps + 1):
            share = step / steps
            self.dot(x0 + (x1 - x0) * share, y0 + (y1 - y0) * share, style)

    def letters(self, column: int, row: int, text: str, style: Style | None = None) -> None:
        """Write `text` from a cell on; it covers the dots there."""
        for offset, letter in enumerate(text):
            if 0 <= row < self.height and 0 <= column + offset < self.width:
                self._letters[row][column + offset] = letter
                self._styles[row][column + offset] = style

    def shade(self, column: int, row: int, style: Style) -> None:
        """Lay a background behind a cell, under what is drawn there."""
        if 0 <= row < self.height and 0 <= column < self.width:
            over = self._styles[row][column]
            self._styles[row][column] = style + over if over else style

    def text(self) -> Text:
        """The drawing as styled text, one line a row."""
        drawn = Text(no_wrap=True, end="")
        for row in range(self.height):
            if row:
                drawn.append("\n")
            for column in range(self.width):
                dots = self._dots[row][column]
                mark = self._letters[row][column] or (chr(_BLANK + dots) if dots else " ")
                drawn.append(mark, self._styles[row][column])
        return drawn
