"""Choosing the MIDI port to listen to."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from tempotape.tempo.midi_link import LinkView

LOOK_EVERY_S = 0.3


class PortScreen(ModalScreen[str | None]):
    """The ports, as they come and go; gives the chosen name, or None where nothing was chosen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,p", "dismiss(None)", "Close", show=False)
    ]
    DEFAULT_CSS = """
    PortScreen { align: center middle; }
    PortScreen > Vertical {
        width: 70; max-width: 100%; height: auto; max-height: 100%;
        background: black; border: solid white; padding: 0 1;
    }
    PortScreen OptionList { height: auto; max-height: 14; background: black; border: none; }
    """

    def __init__(self, view: Callable[[], LinkView]) -> None:
        super().__init__()
        self._view = view
        self._ports: tuple[str, ...] = ()

    def compose(self) -> ComposeResult:
        with Vertical():
            yield Static("", id="told", markup=False)
            yield OptionList(id="ports")

    def on_mount(self) -> None:
        self._look()
        self.set_interval(LOOK_EVERY_S, self._look)

    def _look(self) -> None:
        view = self._view()
        told = "Listen for MIDI clock on: up, down, Enter"
        if not view.ports:
            told = view.problem or "No MIDI input port is here yet; it is shown when it appears."
        self.query_one("#told", Static).update(Text(told))
        if view.ports != self._ports:
            self._ports = view.ports
            options = self.query_one("#ports", OptionList)
            options.clear_options()
            options.add_options([Option(Text(port)) for port in view.ports])
            options.highlighted = 0 if view.ports else None

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        self.dismiss(self._ports[chosen.option_index])
