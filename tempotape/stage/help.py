"""The keys, from the bindings themselves."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

_WORDS = """
Digits set the tempo at once; a pause or Enter closes it.

The large letters are the head and the knob reading. On the dial the thin \
arc is what you measured, the thick stretch stays in time, spokes mark the \
stretch not to trust. "In time" means: expected to land closer than a \
listener notices.

= steady   ~ wobbly   ! unstable   ? not known

Near self-oscillation the echo can get loud suddenly: turn the level down \
first, and protect ears and speakers.
"""


class HelpScreen(ModalScreen[None]):
    """What every key does; any of its own keys closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,question_mark,f1,q,space", "dismiss", "Close", show=False)
    ]
    DEFAULT_CSS = """
    HelpScreen { align: center middle; }
    HelpScreen > VerticalScroll {
        width: 80; max-width: 100%; height: auto; max-height: 100%;
        background: black; border: solid white; padding: 0 1;
    }
    """

    def __init__(self, keys: tuple[tuple[str, str], ...]) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        told = [f"{keys:<18} {does}" for keys, does in self._keys]
        with VerticalScroll():
            yield Static(Text("\n".join(told) + "\n" + _WORDS.rstrip()), markup=False)
