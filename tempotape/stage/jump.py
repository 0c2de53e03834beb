"""Jumping to a song by typing part of its title."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.widgets import OptionList

from tempotape.stage.boxes import ListBox
from tempotape.text import printable

_MOST_TYPED = 40
_LINE_CELLS = 74


class JumpScreen(ListBox[int | None]):
    """The songs that hold what is typed; gives the place of one, or None."""

    ASKED = "Jump to: type part of a title, Enter"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Close", show=False),
        Binding("backspace", "erase", "Erase", show=False),
    ]

    def __init__(self, find: Callable[[str], tuple[tuple[int, str], ...]]) -> None:
        super().__init__()
        self._find = find
        self._typed = ""
        self._found: tuple[tuple[int, str], ...] = ()

    def on_mount(self) -> None:
        self._look()

    def on_key(self, event: events.Key) -> None:
        key = event.character or ""
        if key.isprintable() and key and len(self._typed) < _MOST_TYPED:
            event.stop()
            self._typed += key
            self._look()

    def action_erase(self) -> None:
        self._typed = self._typed[:-1]
        self._look()

    def _look(self) -> None:
        self._found = self._find(self._typed)
        self.tell(f"Jump to: {printable(self._typed)}_" if self._typed else self.ASKED)
        lines = tuple(printable(title)[:_LINE_CELLS] for _, title in self._found)
        self.offer(lines, keep_marked=False)

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        self.dismiss(self._found[chosen.option_index][0])
