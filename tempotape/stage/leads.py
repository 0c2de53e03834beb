"""Choosing among the tempos that the tape gives at easy knob marks."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import OptionList

from tempotape.advice.lead import LeadTempo
from tempotape.stage.boxes import ListBox
from tempotape.stage.shown import ZONE_MARKS


class LeadScreen(ListBox[LeadTempo | None]):
    """Tempos with their head and mark; gives the one to lead at, or None."""

    ASKED = "Tempos of the tape, best first. Set the knob, then Enter sends the clock."
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,L", "dismiss(None)", "Close", show=False)
    ]

    def __init__(self, tempos: tuple[LeadTempo, ...]) -> None:
        super().__init__()
        self._tempos = tempos

    def on_mount(self) -> None:
        heads = max(len(tempo.head) for tempo in self._tempos)
        self.offer(tuple(_line(tempo, heads) for tempo in self._tempos))

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        self.dismiss(self._tempos[chosen.option_index])


def _line(tempo: LeadTempo, heads: int) -> str:
    return (
        f"{tempo.tempo_bpm:7.2f}  head {tempo.head:<{heads}}  knob {tempo.knob_text:<6}  "
        f"{tempo.note:<14} {tempo.delay_ms:5.0f} ms  {ZONE_MARKS[tempo.zone]} {tempo.zone}"
    )
