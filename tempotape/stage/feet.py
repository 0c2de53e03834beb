"""Foot control: what each pedal does, and teaching one."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import OptionList

from tempotape.remembered import controls_file
from tempotape.stage.boxes import ListBox
from tempotape.stage.desk import Desk
from tempotape.tempo.controls import ACTIONS, Controls, describe
from tempotape.text import printable

LOOK_EVERY_S = 0.1


class FeetScreen(ListBox[None]):
    """The actions with their pedals; Enter on one waits for a pedal to be pressed."""

    ASKED = "Foot control: choose what a pedal shall do, Enter, then press the pedal."
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,f", "leave", "Close", show=False),
    ]

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._controls: Controls | None = None
        self._message = ""

    def on_mount(self) -> None:
        self._desk.message = self._desk.controls_fault
        self._look()
        self.set_interval(LOOK_EVERY_S, self._look)

    def _look(self) -> None:
        desk = self._desk
        if desk.learning is not None:
            view = desk.link_view
            if view is None or view.listening is None:
                self.tell(f"{desk.learning}: no MIDI port is open, choose one with p first. Esc")
            else:
                port = printable(view.listening)
                self.tell(f"{desk.learning}: press the pedal now, on {port}. Esc leaves it")
        else:
            self.tell(desk.message or self.ASKED)
        if desk.controls != self._controls:
            self._controls = desk.controls
            self.offer(tuple(self._line(name) for name in ACTIONS))

    def _line(self, action: str) -> str:
        known = self._desk.controls.control if self._desk.controls else ()
        pedals = [describe(control) for control in known if control.action == action]
        return f"{action:<18} {', '.join(pedals) or '-'}"

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        self._desk.learning = tuple(ACTIONS)[chosen.option_index]
        self._look()

    def action_leave(self) -> None:
        """Stop waiting for a pedal, or close."""
        if self._desk.learning is not None:
            self._desk.learning = None
            self._look()
        else:
            self._desk.message = f"pedals are kept in {controls_file()}"
            self.dismiss(None)
