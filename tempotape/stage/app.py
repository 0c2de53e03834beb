"""The live screen: keys change the state, the state is worked out into texts, widgets show them."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

import msgspec
from textual import events, work
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical

from tempotape.faults import InputFault
from tempotape.remembered import remember, state_folder
from tempotape.stage import state as stage_state
from tempotape.stage.opening import Opening
from tempotape.stage.shown import Answered, Shown, answered
from tempotape.stage.state import TEMPO_KEYS, StageState
from tempotape.stage.widgets.curve import CurvePlot
from tempotape.stage.widgets.dial import Dial
from tempotape.stage.widgets.large import Large
from tempotape.stage.widgets.lines import Lines
from tempotape.unit.calibration import Calibration

if TYPE_CHECKING:
    from tempotape.tempo.clock import HeldFigure
    from tempotape.tempo.midi_link import LinkView, MidiLink

LOOK_EVERY_S = 0.1
TYPING_CLOSES_AFTER_S = 2.0
MOST_UNDO = 100
KEYS_LINE = "0-9 tempo  n note  t taste  h head  m MIDI  ←→ song  ↑↓ way  u undo  ? help"


class StageApp(App[None]):
    """The stage. `fit` gives the fitted unit, and may take its time; `clock` gives seconds."""

    CSS_PATH = "stage.tcss"
    TITLE = "tempotape"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - as Textual declares it
        (0, "-narrow"),
        (110, "-wide"),
    ]
    VERTICAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-low"),
        (38, "-tall"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "note(1)", "Next note value", id="note.next"),
        Binding("N", "note(-1)", "Note value before", id="note.before"),
        Binding("t", "taste", "Taste: steady, wobbly, either", id="taste"),
        Binding("h", "head", "Insist on a head, or on none", id="head"),
        Binding("m", "midi", "Follow MIDI clock, or leave it", id="midi"),
        Binding("p", "ports", "Choose the MIDI port", id="ports"),
        Binding("right,pagedown,space", "song(1)", "Next song", id="song.next"),
        Binding("left,pageup", "song(-1)", "Song before", id="song.before"),
        Binding("down", "way(1)", "Next best way to get there", id="way.next"),
        Binding("up", "way(-1)", "Better way again", id="way.before"),
        Binding("backspace", "erase", "Erase a digit of the tempo", id="tempo.erase"),
        Binding("enter,escape", "close_typing", "Close the tempo typed", id="tempo.close"),
        Binding("u", "undo", "Undo", id="undo"),
        Binding("question_mark,f1", "help", "Help", id="help"),
        Binding("ctrl+q,ctrl+c", "quit", "Leave the stage", id="quit", priority=True),
    ]

    def __init__(
        self,
        opening: Opening,
        link: MidiLink | None = None,
        *,
        fit: Callable[[], Calibration],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self.opening = opening
        self.state = opening.state
        self.answered = Answered(answered(self.state, None, None).shown, None, 0)
        self._calibration: Calibration | None = None
        self._fit_unit = fit
        self._link = link
        self._link_view: LinkView | None = None
        self._held: HeldFigure | None = None
        self._clock = clock
        self._typed_at = 0.0
        self._before: list[StageState] = []
        self._shown: Shown | None = None
        # Why the unit could not be fitted, for the command line to tell after the screen is gone.
        self.fault = ""

    def compose(self) -> ComposeResult:
        with Horizontal(id="top"):
            yield Lines(id="tempo")
            yield Lines(id="source")
            yield Lines(id="unit")
        with Horizontal(id="middle"):
            with Vertical(id="large"):
                yield Large(id="head")
                yield Large(id="figure")
            yield Dial(id="dial")
        yield Lines(id="answer")
        yield Lines(id="timing")
        yield Lines(id="warning")
        with Horizontal(id="bottom"):
            yield Lines(id="others")
            yield CurvePlot(id="curve")
        yield Lines(id="song")
        yield Lines(id="next")
        yield Lines(id="choices")
        yield Lines(id="keys")

    def on_mount(self) -> None:
        self._tell(self.opening.remark)
        if self.opening.kept is not None:
            self._take_calibration(self.opening.kept)
        else:
            self._show()
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        """What the first paint need not wait for."""
        if not self.fitted:
            self._fit()
        from tempotape.tempo.clock import HeldFigure  # noqa: PLC0415
        from tempotape.tempo.midi_link import MidiLink  # noqa: PLC0415

        self._held = HeldFigure()
        if self._link is None:
            self._link = MidiLink()
        self._link.start()
        self._link.choose(self.opening.last.midi_in)
        self.set_interval(LOOK_EVERY_S, self._look_at_clock)
        # What lives from here on lives to the end: leave it out of the collector's long stalls.
        gc.enable()
        gc.freeze()

    def on_unmount(self) -> None:
        if self._link is not None:
            self._link.close()

    # The unit

    @property
    def fitted(self) -> bool:
        return self._calibration is not None

    @work(thread=True, exit_on_error=False)
    def _fit(self) -> None:
        try:
            calibration = self._fit_unit()
        except InputFault as fault:
            self.fault = fault.sentence
            self.call_from_thread(self.exit, return_code=1)
            return
        self.call_from_thread(self._take_calibration, calibration)

    def _take_calibration(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._lines("unit").tell(calibration.unit.name)
        self._show()

    # MIDI

    def _look_at_clock(self) -> None:
        if self._link is None or self._held is None:
            return
        view = self._link.view()
        self._link_view = view
        bpm = self._held.hold(view.reading)
        if self.state.following and view.listening and bpm is not None:
            self.state = stage_state.with_clock(self.state, bpm)
        if self.state.typing and self._clock() - self._typed_at > TYPING_CLOSES_AFTER_S:
            self.action_close_typing()
        self._show()

    def action_midi(self) -> None:
        on = not self.state.following
        self._change(stage_state.follow(self.state, on=on))
        if on and self._link_view is not None and self._link_view.chosen is None:
            if len(self._link_view.ports) == 1:
                self._choose_port(self._link_view.ports[0])
            elif self._link_view.available:
                self.action_ports()

    def action_ports(self) -> None:
        from tempotape.stage.ports import PortScreen  # noqa: PLC0415 - not before it is asked for

        if self._link is not None:
            self.push_screen(PortScreen(self._link.view), self._choose_port)

    def _choose_port(self, name: str | None) -> None:
        if name is None or self._link is None:
            return
        self._link.choose(name)
        self._change(stage_state.follow(self.state, on=True))
        last = msgspec.structs.replace(self.opening.last, midi_in=name)
        remember(state_folder(), last)

    # Keys

    def on_key(self, event: events.Key) -> None:
        key = event.character or ""
        if key in TEMPO_KEYS and len(self.screen_stack) == 1 and key:
            event.stop()
            self._typed_at = self._clock()
            if self.state.typing:
                self._change(stage_state.type_tempo(self.state, key), undo=False)
            else:
                self._change(stage_state.type_tempo(self.state, key))

    def action_erase(self) -> None:
        self._typed_at = self._clock()
        self._change(stage_state.erase(self.state), undo=False)

    def action_close_typing(self) -> None:
        fault = stage_state.typing_fault(self.state)
        self._change(stage_state.close_typing(self.state), undo=False)
        self._tell(fault)

    def action_note(self, step: int) -> None:
        self._change(stage_state.step_note(self.state, step))

    def action_taste(self) -> None:
        self._change(stage_state.step_taste(self.state))

    def action_head(self) -> None:
        if self._calibration is not None:
            heads = self._calibration.unit.head_names
            self._change(stage_state.step_head(self.state, heads))

    def action_song(self, step: int) -> None:
        setting = self.answered.setting
        hand = (setting.head, setting.knob) if setting and setting.knob is not None else None
        self._change(stage_state.at_song(self.state, self.state.song_at + step, hand))

    def action_way(self, step: int) -> None:
        self._change(stage_state.step_way(self.state, step, self.answered.ways))

    def action_undo(self) -> None:
        if self._before:
            self.state = self._before.pop()
            self._show()

    def action_help(self) -> None:
        from tempotape.stage.help import HelpScreen  # noqa: PLC0415 - not before it is asked for

        self.push_screen(HelpScreen(self.keys_told()))

    def keys_told(self) -> tuple[tuple[str, str], ...]:
        """What each key does, from the bindings: keys as shown, and their description."""
        told: dict[str, list[str]] = {"Tempo": ["0-9 ."]}
        for binding in self._bindings.key_to_bindings.values():
            for one in binding:
                told.setdefault(one.description, []).append(self.get_key_display(one))
        return tuple((" ".join(keys), description) for description, keys in told.items())

    def _change(self, state: StageState, *, undo: bool = True) -> None:
        if state == self.state:
            return
        self._tell("")
        if undo:
            self._before = [*self._before[-MOST_UNDO:], self.state]
        self.state = state
        self._show()

    # The screen

    def _lines(self, name: str) -> Lines:
        return self.query_one(f"#{name}", Lines)

    def _tell(self, message: str) -> None:
        """A sentence in place of the keys, until the next key."""
        keys = self._lines("keys")
        keys.tell(message or KEYS_LINE)
        keys.set_class(bool(message), "message")

    def _show(self) -> None:
        self.answered = answered(self.state, self._calibration, self._link_view)
        shown = self.answered.shown
        if shown == self._shown:
            return
        self._shown = shown
        self._lines("tempo").tell(shown.tempo)
        self._lines("source").tell(shown.source)
        self.query_one("#head", Large).word = shown.head
        self.query_one("#figure", Large).word = shown.figure
        self._lines("answer").tell(shown.answer)
        self._lines("timing").tell(shown.timing)
        self._lines("warning").tell(*shown.warning)
        self._lines("others").tell(*shown.others)
        self._lines("song").tell(shown.song)
        self._lines("next").tell(shown.next_song)
        self._lines("choices").tell(shown.choices)
        self.query_one("#dial", Dial).dial = shown.dial
        self.query_one("#curve", CurvePlot).curve = shown.curve
        self.screen_stack[0].set_class(shown.unstable, "unstable")


def make_stage(
    opening: Opening,
    *,
    link: MidiLink | None = None,
    fit: Callable[[], Calibration] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> StageApp:
    """The stage, built but not run, as the command line and the tests share it."""
    return StageApp(opening, link, fit=fit or opening.calibration, clock=clock)
