"""Choosing the MIDI port to follow, or the one to send to."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import OptionList

from tempotape.stage.boxes import ListBox
from tempotape.tempo.midi_link import LinkView

LOOK_EVERY_S = 0.3


class PortScreen(ListBox[str | None]):
    """The ports, as they come and go; gives the chosen name, or None where nothing was chosen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,p,o", "dismiss(None)", "Close", show=False)
    ]

    def __init__(
        self, view: Callable[[], LinkView], ports: Callable[[LinkView], tuple[str, ...]], asked: str
    ) -> None:
        super().__init__()
        self._view = view
        self._ports_of = ports
        self._asked = asked
        self._ports: tuple[str, ...] = ()

    @classmethod
    def to_follow(cls, view: Callable[[], LinkView]) -> PortScreen:
        return cls(view, lambda seen: seen.ports, "Listen for MIDI clock on")

    @classmethod
    def to_lead(cls, view: Callable[[], LinkView]) -> PortScreen:
        return cls(view, lambda seen: seen.outputs, "Send MIDI clock to")

    def on_mount(self) -> None:
        self._look()
        self.set_interval(LOOK_EVERY_S, self._look)

    def _look(self) -> None:
        view = self._view()
        ports = self._ports_of(view)
        told = f"{self._asked}: up, down, Enter"
        if not ports:
            told = view.problem or "No such MIDI port is here yet; it is shown when it appears."
        self.tell(told)
        if ports != self._ports:
            self._ports = ports
            self.offer(ports)

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        self.dismiss(self._ports[chosen.option_index])
