"""The live screen: keys change the state, the state is worked out into texts, widgets show them."""

from __future__ import annotations

import gc
import textwrap
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, ClassVar

from textual import events, work
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message

from tempotape.faults import InputFault
from tempotape.stage.desk import Desk
from tempotape.stage.marks import can_print, key_words, print_plain_marks
from tempotape.stage.opening import Opening
from tempotape.stage.shown import Shown
from tempotape.stage.state import TEMPO_KEYS
from tempotape.stage.widgets.curve import CurvePlot
from tempotape.stage.widgets.dial import Dial
from tempotape.stage.widgets.large import Large
from tempotape.stage.widgets.lines import Lines
from tempotape.stage.widgets.small import Small
from tempotape.unit.calibration import Calibration

if TYPE_CHECKING:
    from tempotape.advice.lead import LeadTempo
    from tempotape.tempo.midi_link import MidiLink

LOOK_EVERY_S = 0.1
KEYS_LINE = "0-9 tempo  space tap  n note  t taste  h head  r trim  l lead  ←→ song  ? keys"
# As wide, without the arrows.
PLAIN_KEYS_LINE = KEYS_LINE.replace("l lead  ←→", "left right")
# Timing clock and active sensing.
_CLOCK_ALONE = (b"\xf8", b"\xfe")


class Heard(Message):
    """MIDI messages other than clock, with their arrival times in monotonic seconds."""

    def __init__(self, messages: tuple[tuple[float, bytes], ...]) -> None:
        super().__init__()
        self.messages = messages


class StageApp(App[None]):
    """The stage: keys go to the desk, and what the desk answers is shown.

    `fit` gives the fitted unit and may take its time; `kept` is the unit fitted before.
    """

    CSS_PATH = "stage.tcss"
    TITLE = "tempotape"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - as Textual declares it
        (0, "-slim"),
        (46, "-narrow"),  # as wide as #large
        (110, "-wide"),
        (150, "-broad"),
    ]
    VERTICAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-flat"),
        (21, "-low"),  # every row but those of #bottom
        (38, "-tall"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "do('note', 1)", "Next note value", id="note.next"),
        Binding("N", "do('note', -1)", "Note value before", id="note.before"),
        Binding("t", "do('taste')", "Taste", id="taste"),
        Binding("h", "do('head')", "Insist on a head, or none", id="head"),
        Binding("space", "do('tap')", "Tap the tempo", id="tap"),
        Binding("minus", "do('times', 0.5)", "Half tempo", id="tempo.half"),
        Binding("plus,equals_sign", "do('times', 2.0)", "Double tempo", id="tempo.double"),
        Binding("m", "midi", "Follow MIDI clock, or not", id="midi"),
        Binding("p", "ports", "Port to follow", id="ports"),
        Binding("r", "do('repeats')", "Trim: tap the repeats", id="trim"),
        Binding("R", "do('trim_away')", "Trim no more", id="trim.away"),
        Binding("l", "lead", "Tape leads: send clock", id="lead"),
        Binding("L", "lead_list", "Lead at an easy mark", id="leads"),
        Binding("s", "do('play')", "Start, stop followers", id="play"),
        Binding("S", "do('go_on')", "Let followers go on", id="play.on"),
        Binding("o", "outputs", "Port to send to", id="outputs"),
        Binding("f", "feet", "Teach a pedal", id="feet"),
        Binding("right", "do('step', 1)", "Next song or section", id="step.next"),
        Binding("left", "do('step', -1)", "Song or section before", id="step.before"),
        Binding("pagedown", "do('song', 1)", "Next song", id="song.next"),
        Binding("pageup", "do('song', -1)", "Song before", id="song.before"),
        Binding("j", "jump", "Jump by title", id="jump"),
        Binding("less_than_sign", "do('move', -1)", "Song earlier in the show", id="move.up"),
        Binding("greater_than_sign", "do('move', 1)", "Song later in the show", id="move.down"),
        Binding("x", "do('skip')", "Skip the song, or not", id="skip"),
        Binding("w", "do('write')", "Write into the set file", id="write"),
        Binding("e", "do('take_file')", "Take the file from disk", id="take"),
        Binding("G", "do('rehearse')", "Rehearse, or end it", id="rehearse"),
        Binding("g", "do('go')", "Rehearsal: go on", id="go"),
        Binding("y", "do('hand_ready')", "Rehearsal: hand is set", id="ready"),
        Binding("down", "do('way', 1)", "Next best way", id="way.next"),
        Binding("up", "do('way', -1)", "Better way again", id="way.before"),
        Binding("backspace", "do('erase')", "Erase a digit", id="tempo.erase"),
        Binding("enter,escape", "do('close')", "Close what is typed", id="close"),
        Binding("u", "do('undo')", "Undo", id="undo"),
        Binding("a", "do('as_written')", "This song as written", id="written"),
        Binding("question_mark,f1", "help", "Help", id="help"),
        Binding("ctrl+q,ctrl+c", "quit", "Leave the stage", id="quit", priority=True),
    ]

    def __init__(
        self,
        desk: Desk,
        link: MidiLink | None = None,
        *,
        fit: Callable[[], Calibration],
        kept: Calibration | None = None,
    ) -> None:
        super().__init__()
        self.desk = desk
        self._fit_unit = fit
        self._kept = kept
        self._link = link
        self._link_started = False
        self._shown: Shown | None = None
        self._told: str | None = None
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
            yield Lines(id="songs")
        yield Lines(id="song")
        yield Lines(id="next")
        yield Lines(id="choices")
        yield Lines(id="keys")
        yield Small(id="small")

    def on_load(self) -> None:
        if not can_print("█⣿"):
            print_plain_marks()

    def on_mount(self) -> None:
        if self._kept is not None:
            self.desk.take_calibration(self._kept)
        self._show()
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        """What the first paint need not wait for."""
        if not self.fitted:
            self._fit()
        self._midi()
        self.set_interval(LOOK_EVERY_S, self._look)
        # What lives from here on lives to the end: leave it out of the collector's long stalls.
        gc.enable()
        gc.freeze()

    def _midi(self) -> MidiLink:
        """The MIDI link, which the first to ask for it starts."""
        if not self._link_started:
            from tempotape.tempo.clock import HeldFigure  # noqa: PLC0415
            from tempotape.tempo.midi_link import MidiLink  # noqa: PLC0415

            self._link_started = True
            self._link = self._link or MidiLink(hear=self._hear)
            self._link.start()
            self.desk.take_link(self._link, HeldFigure())
        assert self._link is not None  # noqa: S101 - made above
        return self._link

    def on_unmount(self) -> None:
        self.desk.close_down()
        if self._link is not None and self._link_started:
            self._link.close()

    @property
    def fitted(self) -> bool:
        return self.desk.fitted is not None

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
        self.desk.take_calibration(calibration)
        self._show()

    def _look(self) -> None:
        self.desk.look()
        self._show()

    # Pedals

    def _hear(self, messages: Sequence[tuple[float, bytes]]) -> None:
        """Called on the link's own thread; clock alone, hundreds a second, goes no further."""
        told = [one for one in messages if one[1][:1] not in _CLOCK_ALONE]
        if told:
            self.post_message(Heard(tuple(told)))

    def on_heard(self, heard: Heard) -> None:
        self.desk.hear(heard.messages)
        self._show()

    # Keys

    def on_key(self, event: events.Key) -> None:
        key = event.character or ""
        if key in TEMPO_KEYS and len(self.screen_stack) == 1 and key:
            event.stop()
            self.desk.digit(key)
            self._show()

    def action_do(self, what: str, *values: float) -> None:
        """One of the desk's actions by its name."""
        self.desk.message = ""
        getattr(self.desk, what)(*values)
        self._show()

    def action_midi(self) -> None:
        if self.desk.follow():
            self.action_ports()
        self._show()

    def action_lead(self) -> None:
        if self.desk.lead():
            self.action_outputs()
        self._show()

    def action_ports(self) -> None:
        from tempotape.stage.ports import PortScreen  # noqa: PLC0415 - not before it is asked for

        self.push_screen(PortScreen.to_follow(self._midi().view), self._choose_input)

    def action_outputs(self) -> None:
        from tempotape.stage.ports import PortScreen  # noqa: PLC0415 - not before it is asked for

        self.push_screen(PortScreen.to_lead(self._midi().view), self._choose_output)

    def _choose_input(self, name: str | None) -> None:
        if name is not None:
            self.desk.choose_input(name)
            self._show()

    def _choose_output(self, name: str | None) -> None:
        if name is not None:
            self.desk.choose_output(name)
            self._show()

    def action_lead_list(self) -> None:
        from tempotape.stage.leads import LeadScreen  # noqa: PLC0415 - not before it is asked for

        tempos = self.desk.lead_tempos()
        if tempos:
            self.push_screen(LeadScreen(tempos), self._lead_at)
        self._show()

    def _lead_at(self, tempo: LeadTempo | None) -> None:
        if tempo is not None and self.desk.lead_at(tempo):
            self.action_outputs()
        self._show()

    def action_jump(self) -> None:
        from tempotape.stage.jump import JumpScreen  # noqa: PLC0415 - not before it is asked for

        if self.desk.state.parts:
            self.push_screen(JumpScreen(self.desk.find), self._jump)

    def _jump(self, place: int | None) -> None:
        if place is not None:
            self.desk.to_song(place)
            self._show()

    def action_feet(self) -> None:
        from tempotape.stage.feet import FeetScreen  # noqa: PLC0415 - not before it is asked for

        self.push_screen(FeetScreen(self.desk))

    def action_help(self) -> None:
        from tempotape.stage.help import HelpScreen  # noqa: PLC0415 - not before it is asked for

        self.push_screen(HelpScreen(self.keys_told()))

    def keys_told(self) -> tuple[tuple[str, str], ...]:
        """What each key does, from the bindings: keys as shown, and their description."""
        told: dict[str, list[str]] = {"Tempo": ["0-9 ."]}
        for binding in self._bindings.key_to_bindings.values():
            for one in binding:
                told.setdefault(one.description, []).append(key_words(self.get_key_display(one)))
        return tuple((" ".join(keys), description) for description, keys in told.items())

    # The screen

    def _lines(self, name: str) -> Lines:
        return self.query_one(f"#{name}", Lines)

    def _tell(self, message: str) -> None:
        """A sentence in place of the keys, until the next key."""
        if message != self._told:
            self._told = message
            keys = self._lines("keys")
            keys_line = KEYS_LINE if can_print(KEYS_LINE) else PLAIN_KEYS_LINE
            # As many rows as the sentence needs; the style sheet allows two.
            rows = textwrap.wrap(message, max(self.size.width, 20), break_on_hyphens=False)
            keys.tell(*(rows or [keys_line]))
            keys.set_class(bool(message), "message")
            small = self.query_one("#small", Small)
            small.message, small.keys = message, keys_line

    def _show(self) -> None:
        self._tell(self.desk.message or self.desk.notice)
        shown = self.desk.answered.shown
        if shown == self._shown:
            return
        self._shown = shown
        self._lines("tempo").tell(shown.tempo)
        self._lines("source").tell(shown.source)
        self._lines("unit").tell(shown.unit)
        self.query_one("#head", Large).word = shown.head
        self.query_one("#figure", Large).word = shown.figure
        self._lines("answer").tell(shown.answer)
        self._lines("timing").tell(shown.timing)
        self._lines("warning").tell(*shown.warning)
        self._lines("others").tell(*shown.others)
        self._lines("song").tell(shown.song)
        self._lines("songs").tell(*shown.songs)
        self._lines("songs").display = bool(shown.songs)
        self._lines("next").tell(shown.next_song)
        self._lines("choices").tell(shown.choices)
        self.query_one("#dial", Dial).dial = shown.dial
        self.query_one("#curve", CurvePlot).curve = shown.curve
        self.query_one("#small", Small).shown = shown
        self.screen_stack[0].set_class(shown.unstable, "unstable")


def make_stage(
    opening: Opening,
    *,
    link: MidiLink | None = None,
    fit: Callable[[], Calibration] | None = None,
    clock: Callable[[], float] = time.monotonic,
    wall_clock: Callable[[], float] = time.time,
) -> StageApp:
    """The stage, built but not run, as the command line and the tests share it."""
    desk = Desk(opening, clock=clock, wall_clock=wall_clock)
    return StageApp(desk, link, fit=fit or opening.calibration, kept=opening.kept)
