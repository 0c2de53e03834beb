"""The keys, from the bindings themselves."""

from __future__ import annotations

from itertools import zip_longest
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widgets import Static

from tempotape.stage.boxes import Box

_WORDS = """
Digits set the tempo at once; a pause or Enter closes it. Digits and then r: \
the repeats take so many milliseconds, trim by them; where they cannot \
take that, the digits are a tempo.

The large letters are the head and the knob reading. On the dial the thin \
arc is what you measured, the thick stretch stays in time, spokes mark the \
stretch not to trust. "In time" means: expected to land closer than a \
listener notices.

= steady   ~ wobbly   ! unstable   ? not known

Near self-oscillation the echo can get loud suddenly: turn the level down \
first, and protect ears and speakers.
"""

_COLUMN_CELLS = 39


class HelpScreen(Box[None]):
    """What every key does; any of its own keys closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,question_mark,f1,q,space", "dismiss", "Close", show=False)
    ]

    def __init__(self, keys: tuple[tuple[str, str], ...]) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        told = [f"{keys:<9} {does}" for keys, does in self._keys]
        half = (len(told) + 1) // 2
        rows = zip_longest(told[:half], told[half:], fillvalue="")
        lines = [f"{left:<{_COLUMN_CELLS}}{right}" for left, right in rows]
        with VerticalScroll():
            yield Static(Text("\n".join(lines) + "\n" + _WORDS.rstrip()), markup=False)
