"""The answer in letters that are read from two metres."""

from __future__ import annotations

import functools
from typing import Any

from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

# A block face of letters five cells high.
_FACE = "ansi_regular"


class Large(Widget):
    """One word or figure, in the largest block letters that fit; else in plain capitals."""

    DEFAULT_CSS = """
    Large {
        width: 1fr; height: 1fr;
        content-align: left middle; text-style: bold; text-wrap: nowrap;
    }
    """

    word: reactive[str] = reactive("", layout=False)

    def render(self) -> Text:
        for scale in range(max(1, self.size.height // 5), 0, -1):
            letters = block_letters(self.word, scale)
            if letters and _fits(letters, self.size.width, self.size.height):
                return Text("\n".join(letters), no_wrap=True)
        return Text(self.word.upper(), no_wrap=True, overflow="ellipsis")


def _fits(letters: tuple[str, ...], width: int, height: int) -> bool:
    return len(letters) <= height and max(map(len, letters)) <= width


@functools.lru_cache(maxsize=1)
def _face() -> Any:
    """The face, which is read from disk once."""
    from pyfiglet import Figlet  # noqa: PLC0415 - not before it is needed

    return Figlet(font=_FACE, width=10_000)


@functools.lru_cache(maxsize=64)
def block_letters(word: str, scale: int) -> tuple[str, ...]:
    """`word` in block letters `5 * scale` rows high; empty where the face lacks a letter."""
    if not word.isascii() or not word.strip():
        return ()
    drawn = _face().renderText(word).split("\n")
    rows = [row.rstrip() for row in drawn[:5]]
    return tuple("".join(mark * scale for mark in row) for row in rows for _ in range(scale))
