"""What every key and pedal does, without a screen.

The screen calls an action or `look`, then shows `answered` and `message`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from tempotape.faults import InputFault
from tempotape.remembered import controls_file
from tempotape.songs.setlist import Song
from tempotape.stage import state as stage_state
from tempotape.stage.desk_set import SetDesk
from tempotape.stage.desk_tempo import TYPING_CLOSES_AFTER_S, TempoDesk
from tempotape.stage.session import session_of
from tempotape.stage.shown import MIDI_BEATS_A_QUARTER

if TYPE_CHECKING:
    from tempotape.tempo import controls
    from tempotape.tempo.clock import HeldFigure
    from tempotape.tempo.midi_link import MidiLink


class Desk(TempoDesk, SetDesk):
    """The player's desk: everything that a key, a pedal or the passing of time does."""

    def take_link(self, link: MidiLink, held: HeldFigure) -> None:
        """MIDI is there from now on, and pedals with it."""
        from tempotape.tempo import controls  # noqa: PLC0415 - not before the first paint

        self._link, self._held = link, held
        link.choose(self._last.midi_in)
        link.choose_output(self._last.midi_out)
        try:
            self._take_controls(controls.read_controls(controls_file()))
        except InputFault as fault:
            # Program Change and Song Select need no file.
            self._take_controls(controls.Controls(format=1))
            self.message = self.controls_fault = fault.sentence

    def look(self) -> None:
        """What time and MIDI have brought; to be called several times a second."""
        now_s = self._clock()
        if self._link is not None and self._held is not None:
            view = self.link_view = self._link.view()
            bpm = self._held.hold(view.reading)
            if self.state.following and view.listening and bpm is not None and not view.own_clock:
                self.state = stage_state.with_clock(self.state, bpm)
        if self.state.typing and now_s - self._typed_at > TYPING_CLOSES_AFTER_S:
            self.close()
        if self._repeats is not None and self._repeats.over(now_s):
            self._close_repeats()
        self._watch_file(now_s)
        self._keep(now_s)
        self._answer()

    def undo(self) -> None:
        tapping = self._repeats is not None or self._tap_undo is not None
        self.message = ""
        self._repeats = self._tap_undo = self._before_typing = None
        if self._taps is not None:
            self._taps.clear()
        if self._before:
            self._take(self._before.pop())
        elif not tapping:
            changed = stage_state.song_as_written(self.state).edits != self.state.edits
            offered = "; a sets this song as it is written" if changed else ""
            self.message = f"nothing to undo{offered}"

    def close_down(self) -> None:
        """Have everything on the disk before leaving."""
        self._leave_part()
        if self.link_view is not None and self.link_view.playing and self._link is not None:
            self._link.halt()
        self._keeper.keep(session_of(self.state))
        self._keeper.close()

    # Pedals

    def hear(self, messages: Sequence[tuple[float, bytes]]) -> None:
        """What feet and machines say: MIDI messages with their arrival times."""
        for t_s, message in messages:
            if self.learning is not None:
                self._learn(self.learning, message)
            elif self._pedals is not None:
                for heard in self._pedals.feed(t_s, message):
                    self._obey(heard)

    def _obey(self, heard: controls.Heard) -> None:
        from tempotape.tempo import controls  # noqa: PLC0415

        match heard:
            case controls.Acted(t_s, action):
                self.do(action, t_s)
            case controls.CallProgram(_, program):
                self._call(
                    [place for place, song in self._numbered if song.program == program],
                    f"no song has program = {program}, as Program Change asks",
                )
            case controls.CallSong(_, place):
                self._call(
                    [other for other, _ in self._numbered if other == place],
                    f"there is no song {place}, counted from 0, as Song Select asks",
                )
            case controls.Started(_) if self.state.following and self.state.parts:
                # A song that starts from the beginning is in its first section.
                first = self.state.first_part(self.state.song_at)
                if first != self.state.part_at:
                    self.to_part(first)
            case controls.Position(_, midi_beat):
                beat = midi_beat // MIDI_BEATS_A_QUARTER + 1
                self.message = f"the song stands at quarter note {beat}"
            case _:
                # Stop and continue reach the follower with the clock itself.
                pass

    @property
    def _numbered(self) -> list[tuple[int, Song]]:
        return list(enumerate(self.state.setlist.song)) if self.state.setlist else []

    def _call(self, places: list[int], nobody: str) -> None:
        if places:
            self.to_song(places[0])
        else:
            self.message = nobody

    def do(self, action: controls.Action, t_s: float | None = None) -> None:
        """One of the actions that a pedal can do."""
        actions: dict[controls.Action, Callable[[], object]] = {
            "tap": lambda: self.tap(t_s),
            "next_song": lambda: self.song(1),
            "previous_song": lambda: self.song(-1),
            "next_section": lambda: self.step(1),
            "next_note_value": lambda: self.note(1),
            "next_taste": self.taste,
            "next_head": self.head,
            "other_way": lambda: self.way(1),
            "follow_clock": self.follow,
            "trim_taps": lambda: self.repeats(t_s),
            "lead": self.lead,
            "start_or_stop": self.play,
            "go_on": self.go_on,
            "undo": self.undo,
            "half_tempo": lambda: self.times(0.5),
            "double_tempo": lambda: self.times(2.0),
        }
        self.message = ""
        actions[action]()

    def _learn(self, action: str, message: bytes) -> None:
        """Take the first press for the action, and write it to the control file."""
        from tempotape.tempo import controls  # noqa: PLC0415

        control = controls.learn([message], action)
        if control is None:
            return
        self.learning = None
        try:
            self._take_controls(controls.write_control(controls_file(), control))
            self.controls_fault = ""
        except InputFault as fault:
            self.message = fault.sentence

    def _take_controls(self, known: controls.Controls) -> None:
        from tempotape.tempo import controls  # noqa: PLC0415

        self.controls = known
        self._pedals = controls.ControlReader(known)
