"""The look that the boxes over the stage share."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.screen import ScreenResultType as Result
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

# What 24 lines of terminal leave for the choices.
_MOST_LINES = 20


class Box(ModalScreen[Result]):
    """A framed box in the middle, as high as what it holds; its style is in the stylesheet."""


class ListBox(Box[Result]):
    """A line that says what to choose, and the choices as plain text."""

    ASKED: ClassVar[str] = ""

    def compose(self) -> ComposeResult:
        with Vertical():
            yield Static(Text(self.ASKED), id="told", markup=False)
            yield OptionList(id="choices")

    def tell(self, told: str) -> None:
        self.query_one("#told", Static).update(Text(told))

    def offer(self, lines: tuple[str, ...], *, keep_marked: bool = True) -> None:
        """Show these choices; the first is marked, or the one at the place marked before."""
        options = self.query_one("#choices", OptionList)
        marked = options.highlighted if keep_marked else 0
        options.clear_options()
        options.add_options([Option(Text(line)) for line in lines])
        options.styles.height = max(1, min(len(lines), _MOST_LINES))
        options.highlighted = min(marked or 0, len(lines) - 1) if lines else None
