"""The answer where the terminal has no room for the stage."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Iterable, Iterator, Sequence

from rich.cells import cell_len, chop_cells
from rich.style import Style
from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from tempotape.stage.marks import can_print
from tempotape.stage.shown import Shown
from tempotape.stage.widgets.large import QUARTERS, block_letters, small_letters

_BETWEEN = "   "
_UNBOUNDED = 1000
_ANSWER = Style(color="bright_yellow", bold=True)
_UNSTABLE = Style(color="bright_red", bold=True)


class Small(Widget):
    """Head and reading in the largest letters that leave room for the note value and the timing;
    below them whatever else finds room whole, phrase by phrase.
    """

    DEFAULT_CSS = """
    Small { height: 1fr; text-wrap: nowrap; }
    """

    shown: reactive[Shown | None] = reactive(None, layout=False)
    message: reactive[str] = reactive("", layout=False)
    keys: reactive[str] = reactive("", layout=False)

    def render(self) -> Text:
        if self.shown is None:
            return Text("")
        letters, rows = small_stage(
            self.shown, *self.size, message=self.message, keys=self.keys, halves=can_print(QUARTERS)
        )
        style = _UNSTABLE if self.shown.unstable else _ANSWER
        answer = Text("".join(f"{row}\n" for row in letters), style, no_wrap=True)
        return Text.assemble(answer, "\n".join(rows), no_wrap=True)


def small_stage(
    shown: Shown, width: int, height: int, *, message: str = "", keys: str = "", halves: bool = True
) -> tuple[tuple[str, ...], list[str]]:
    """The rows of the large letters and the rows below, on a screen of `width` by `height` cells.

    Nothing is cut: what does not fit whole takes a smaller form or is left out. `halves` says
    whether the terminal can print letters of half the size.
    """
    note, timing = shown.brief
    needed = len(filled([note, timing[:2]], width, _UNBOUNDED))
    forms = list(_forms(shown, width, height, halves=halves))
    roomy = (form for form in forms if len(form) + needed <= height)
    letters = next(roomy, min(forms, key=len, default=()))
    phrases = [
        () if letters else (shown.head.upper(), shown.figure),
        note,
        timing[:3],
        (message,),
        *((sentence,) for sentence in shown.warning),
        (shown.tempo, shown.source, shown.unit),
        (shown.next_song,),
        (shown.song,),
        timing[3:],
        *((other,) for other in shown.others),
        (shown.choices,),
        keys.split("  "),
        *((song,) for song in shown.songs),
    ]
    return letters, filled(phrases, width, height - len(letters))


def filled(groups: Iterable[Sequence[str]], width: int, height: int) -> list[str]:
    """Groups of phrases, each begun on a row of its own; a phrase without room is left out."""
    rows: list[str] = []
    for phrases in groups:
        joined = False
        for phrase in phrases:
            if joined and cell_len(rows[-1] + _BETWEEN + phrase) <= width:
                rows[-1] += _BETWEEN + phrase
                continue
            wrapped = textwrap.wrap(phrase, width, break_long_words=False, break_on_hyphens=False)
            if wrapped and _fits(wrapped, width, height - len(rows)):
                rows += wrapped
                joined = True
    return rows


def _forms(shown: Shown, width: int, height: int, *, halves: bool) -> Iterator[tuple[str, ...]]:
    """Head and reading in every form that fits, the smaller of the two as large as it may be.

    Of two forms alike in that, the one with the larger reading comes first. Words that stand in
    place of head and reading, as "out of" "reach", are read as one: neither is the larger.
    """
    if cell_len(shown.figure) > width:  # a name goes on in the next row, a figure must not
        return
    sizes = (1.0, 0.5, 0.0) if halves else (1.0, 0.0)
    pairs = itertools.product(sizes, sizes) if shown.brief[1] else zip(sizes, sizes, strict=True)
    for sized in sorted(pairs, key=lambda pair: (min(pair), pair), reverse=True):
        lower, upper = _word(shown.figure, sized[0], width), _word(shown.head, sized[1], width)
        if not (lower and upper):
            continue
        if sized[0] == sized[1] and len(lower) == len(upper):
            across = max(map(cell_len, upper)) + (4 if sized[0] else 1)
            rows = zip(upper, lower, strict=True)
            beside = tuple(left + " " * (across - cell_len(left)) + right for left, right in rows)
            if _fits(beside, width, height):
                yield beside
        below = (*upper, *[""] * (sized[1] == 1), *lower)
        if _fits(below, width, height):
            yield below


def _word(word: str, size: float, width: int) -> tuple[str, ...]:
    """A word's rows at a size: block letters, those of half the size, or at 0 plain capitals."""
    if size == 1:
        return block_letters(word, 1)
    if size:
        return small_letters(word)
    rows = textwrap.wrap(word.upper(), width)
    # Some marks are two cells wide.
    return tuple(row for one in rows for row in chop_cells(one, width))


def _fits(rows: Sequence[str], width: int, height: int) -> bool:
    return len(rows) <= height and max(map(cell_len, rows)) <= width
