"""The answer in letters that are read from two metres."""

from __future__ import annotations

import functools
from typing import Any

from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from tempotape.stage.marks import can_print

# A block face of letters five cells high.
_FACE = "ansi_regular"
# By the quarters of the cell that are filled: 1, 2 above and 4, 8 below, from the left.
QUARTERS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"


class Large(Widget):
    """One word or figure, in the largest letters that fit, at the smallest in plain capitals."""

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
        letters = small_letters(self.word)
        if letters and can_print(QUARTERS) and _fits(letters, self.size.width, self.size.height):
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
    if not word.strip() or not _face().Font.chars.keys() >= set(map(ord, word)):
        return ()
    drawn = _face().renderText(word).split("\n")
    rows = [row.rstrip() for row in drawn[:5]]
    return tuple("".join(mark * scale for mark in row) for row in rows for _ in range(scale))


@functools.lru_cache(maxsize=64)
def small_letters(word: str) -> tuple[str, ...]:
    """`word` in block letters of half the size, 3 rows high; empty where the face lacks a letter.

    A decimal point is twice as high as in the face, or it would be lost.
    """
    rows = ["", "", ""]
    for letter in word:
        drawn = list(block_letters(letter, 1)) or [""] * 5
        if letter == ".":
            drawn[3] = drawn[4]
        if letter != " " and not any(drawn):
            return ()
        across = max(2, *map(len, drawn))
        # Standing on the lowest row; each letter begins and ends with whole cells.
        dots = [row.ljust(across + across % 2 + 2) for row in ("", *drawn)]
        for at in range(3):
            above, below = dots[2 * at], dots[2 * at + 1]
            for x in range(0, len(above), 2):
                quarters = above[x : x + 2] + below[x : x + 2]
                rows[at] += QUARTERS[sum(1 << bit for bit in range(4) if quarters[bit] != " ")]
    return tuple(row.rstrip() for row in rows) if word.strip() else ()
