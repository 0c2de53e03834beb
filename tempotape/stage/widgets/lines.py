"""Plain lines of text."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static


class Lines(Static):
    """Text without markup, cut at the edge, repainted only when it changes."""

    DEFAULT_CSS = """
    Lines { height: auto; width: 1fr; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str) -> None:  # noqa: A002 - Textual's own name
        super().__init__("", id=id, markup=False)
        self.told = ""

    def tell(self, *lines: str) -> None:
        """Show these lines."""
        told = "\n".join(lines)
        if told != self.told:
            self.told = told
            self.update(Text(told, no_wrap=True, overflow="ellipsis"))
