"""What every key and pedal does, without a screen: state, undo, taps, trim, and the MIDI link.

The screen calls an action or `look`, then shows `answered` and `message`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from tempotape.advice.settings import Setting
from tempotape.demos import DEMO_SET
from tempotape.faults import InputFault
from tempotape.remembered import LastOpened, controls_file, remember, state_folder
from tempotape.songs import show_order
from tempotape.songs.parts import Part
from tempotape.songs.setlist import Song
from tempotape.stage import state as stage_state
from tempotape.stage.opening import Opening, SetOpened, check_heads, open_set
from tempotape.stage.session import SessionKeeper, resumed, session_of
from tempotape.stage.shown import MIDI_BEATS_A_QUARTER, answered
from tempotape.stage.state import StageState
from tempotape.stage.tapping import LEAST_TAPS, RepeatsTapped
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.tempo.taps import TapSeries
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM, delay_ms
from tempotape.unit.calibration import Calibration
from tempotape.unit.trim import apply_trim, trim_text, trimmed_by, typed_error_ms
from tempotape.unit.trim_store import keep_trim, load_trim

if TYPE_CHECKING:
    from tempotape.advice.lead import LeadTempo
    from tempotape.songs.plan_report import PlannedSong
    from tempotape.songs.rehearsal import Item
    from tempotape.songs.used_log import PartKey, Used
    from tempotape.stage.rehearsing import Rehearsing
    from tempotape.tempo import controls
    from tempotape.tempo.clock import HeldFigure
    from tempotape.tempo.midi_link import LinkView, MidiLink

TYPING_CLOSES_AFTER_S = 2.0
MOST_UNDO = 100
# A song shown for less was passed on the way to another, and not played.
PLAYED_S = 20.0
_LOOK_AT_FILE_S = 1.0
_KEEP_CLOCK_S = 1.0
_TEMPO_LIMITS = f"a tempo is from {SLOWEST_BPM:g} to {FASTEST_BPM:g}"


class Desk:
    """The player's desk. `clock` gives monotonic seconds, `wall_clock` seconds of the epoch."""

    def __init__(
        self,
        opening: Opening,
        *,
        clock: Callable[[], float] = time.monotonic,
        wall_clock: Callable[[], float] = time.time,
    ) -> None:
        self.state = opening.state
        self.message = opening.remark
        self._songs = opening.songs
        self._keeper = SessionKeeper(state_folder(), opening.shown_for)
        self._plan: dict[int, PlannedSong] | None = None
        self._planned_for: tuple[object, ...] = ()
        self._calibration: Calibration | None = None
        self._trimmed_for: tuple[object, ...] = ()
        self._answered_for: tuple[object, ...] = ()
        self._looked_at_file_s = 0.0
        self._file_changed = False
        self._write_asked = False
        self._rehearsal: Rehearsing | None = None
        self._kept_state: StageState | None = None
        self._kept_s = 0.0
        self._here_since_s = clock()
        self.link_view: LinkView | None = None
        self._unit_file: Path = opening.unit_file
        self._last: LastOpened = opening.last
        self._clock = clock
        self._wall_clock = wall_clock
        self._link: MidiLink | None = None
        self._held: HeldFigure | None = None
        self._fitted: Calibration | None = None
        self._typed_at = 0.0
        self._before: list[StageState] = []
        self._before_typing: StageState | None = None
        self._taps = TapSeries()
        self._tap_undo: StageState | None = None
        self._repeats: RepeatsTapped | None = None
        self.controls: controls.Controls | None = None
        self._pedals: controls.ControlReader | None = None
        self.controls_fault = ""
        self.learning: str | None = None
        self._used = self._last_used()
        self.answered = answered(self.state, None, None)

    # What it works with

    @property
    def fitted(self) -> Calibration | None:
        """The unit as calibrated, no trim applied; None while it is still being fitted."""
        return self._fitted

    @property
    def calibration(self) -> Calibration | None:
        """The unit as it runs now; a trim fades, so it is applied anew every minute."""
        now_s = self._wall_clock()
        wanted = (self._fitted, self.state.trim, int(now_s // 60) if self.state.trim else 0)
        if wanted != self._trimmed_for:
            self._trimmed_for = wanted
            fitted = self._fitted
            self._calibration = fitted and apply_trim(fitted, self.state.trim, now_s)
        return self._calibration

    def take_calibration(self, calibration: Calibration) -> None:
        """The unit is fitted; what it had drifted by last is known again."""
        self._fitted = calibration
        self.state = stage_state.without_heads(self.state, calibration.unit.head_names)
        trim = load_trim(state_folder(), self._unit_file, calibration.unit)
        self.state = stage_state.with_trim(self.state, trim)
        self._replan()
        self._answer()

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

    def _keep(self, now_s: float) -> None:
        """Keep where the player stands; a clock on the move is kept no more than once a second."""
        state = self.state
        if state is self._kept_state:
            return
        if state.source == "clock" and now_s - self._kept_s < _KEEP_CLOCK_S:
            return
        self._kept_state, self._kept_s = state, now_s
        self._keeper.keep(session_of(state))

    def _answer(self) -> None:
        """Work out what is shown, where anything that it comes from has changed."""
        now_s = self._wall_clock()
        view = self.link_view
        # What a link is shown to do; when each of its clock ticks came is not.
        seen = view and (
            msgspec.structs.replace(view, reading=None, position_beats=0),
            (view.reading.state, view.reading.running),
            view.position_beats // MIDI_BEATS_A_QUARTER,
        )
        minute = int(now_s // 60) if self.state.trim else 0
        rehearsal = self._rehearsal.told(self._clock()) if self._rehearsal else ""
        asked = (self.state, self.calibration, id(self._plan), seen, minute, rehearsal)
        if asked != self._answered_for:
            self._answered_for = asked
            self.answered = answered(
                self.state,
                self.calibration,
                view,
                plan=self._plan,
                now_unix_s=now_s,
                rehearsal=rehearsal,
            )

    def _replan(self) -> None:
        """Choose the settings of the whole set together, where what they come from has changed."""
        state, calibration = self.state, self.calibration
        wanted = (state.parts, state.show, state.edits, calibration)
        if calibration is None or not state.parts or wanted == self._planned_for:
            return
        from tempotape.songs.plan_report import plan_parts  # noqa: PLC0415 - not without a set

        self._planned_for = wanted
        by_song: dict[int, list[int]] = {}
        for at, part in enumerate(state.parts):
            by_song.setdefault(part.number - 1, []).append(at)
        edited = {state.parts[at].number - 1 for at in state.edits}
        places = [at for song_at in state.show.played for at in by_song[song_at]]
        parts = [
            _as_edited(state, at) if state.parts[at].number - 1 in edited else state.parts[at]
            for at in places
        ]
        try:
            plan = plan_parts("", parts, calibration, used=self._used)
        except InputFault as fault:
            self.message = fault.sentence
            return
        self._plan = dict(zip(places, plan.songs, strict=True))

    # One step, and back

    def change(self, state: StageState, *, undo: bool = True, message: str = "") -> None:
        """Take a new state; the old one is kept to come back to."""
        self.message = message
        self._write_asked = False
        if state == self.state:
            return
        if undo:
            self._before = [*self._before[-MOST_UNDO:], self.state]
        self._take(state)

    def undo(self) -> None:
        self.message = ""
        self._repeats = self._tap_undo = self._before_typing = None
        self._taps.clear()
        if self._before:
            self._take(self._before.pop())

    def _take(self, state: StageState) -> None:
        """Make a state the present one, and let the files and the clock sent follow it."""
        before, self.state = self.state, state
        if state.trim != before.trim and self._fitted is not None:
            keep_trim(state_folder(), self._unit_file, self._fitted.unit, state.trim)
        if (state.show, state.trim) != (before.show, before.trim):
            self._replan()
        if state.leading_bpm != before.leading_bpm and self._link is not None:
            self._link.lead(state.leading_bpm)
        self._answer()

    # Tempo

    def digit(self, key: str) -> None:
        self._typed_at = self._clock()
        if self._before_typing is None:
            self._before_typing = self.state
            self._before = [*self._before[-MOST_UNDO:], self.state]
        self.change(stage_state.type_tempo(self.state, key), undo=False)

    def erase(self) -> None:
        self._typed_at = self._clock()
        self.change(stage_state.erase(self.state), undo=False)

    def close(self) -> None:
        """What is typed stands, if it is a tempo; taps with the repeats are taken for a trim."""
        fault = stage_state.typing_fault(self.state)
        before, self._before_typing = self._before_typing, None
        if fault and before is not None:
            self._before = self._before[:-1]
            self.change(before, undo=False, message=fault)
        else:
            self.change(stage_state.close_typing(self.state), undo=False)
        if self._repeats is not None:
            self._close_repeats()
            self._answer()

    def tap(self, t_s: float | None = None) -> None:
        """One tap of the beat, now or when a pedal said."""
        self._taps.tap(self._clock() if t_s is None else t_s)
        reading = self._taps.reading
        if reading is None:
            self._tap_undo = None
            self.message = "tap on"
            return
        # One series is one step to undo.
        first = self._tap_undo is None
        self._tap_undo = self._tap_undo or self.state
        self.change(stage_state.with_taps(self.state, reading), undo=first)
        if not SLOWEST_BPM <= reading.tempo_bpm <= FASTEST_BPM:
            self.message = f"{reading.tempo_bpm:.0f} BPM tapped: {_TEMPO_LIMITS}"

    def times(self, factor: float) -> None:
        changed = stage_state.times(self.state, factor)
        refused = changed is self.state and self.state.tempo_bpm is not None
        told = f"{(self.state.tempo_bpm or 0) * factor:g} BPM: {_TEMPO_LIMITS}" if refused else ""
        self.change(changed, message=told)

    def follow(self) -> bool:
        """Follow MIDI clock or leave it; whether a port has yet to be chosen."""
        on = not self.state.following
        self.change(stage_state.follow(self.state, on=on))
        view = self.link_view
        if not on or view is None or view.chosen is not None:
            return False
        if len(view.ports) == 1:
            self.choose_input(view.ports[0])
            return False
        return view.available

    def choose_input(self, name: str) -> None:
        if self._link is None:
            return
        self._link.choose(name)
        self.link_view = self._link.view()
        self.change(stage_state.follow(self.state, on=True))
        self._remember(msgspec.structs.replace(self._last, midi_in=name))

    def choose_output(self, name: str) -> None:
        if self._link is None:
            return
        self._link.choose_output(name)
        self.link_view = self._link.view()
        self._answer()
        self._remember(msgspec.structs.replace(self._last, midi_out=name))

    def _remember(self, last: LastOpened) -> None:
        self._last = last
        remember(state_folder(), last)

    # What is wanted of it

    def note(self, step: int) -> None:
        self.change(stage_state.step_note(self.state, step))

    def taste(self) -> None:
        self.change(stage_state.step_taste(self.state))

    def head(self) -> None:
        if self._fitted is not None:
            self.change(stage_state.step_head(self.state, self._fitted.unit.head_names))

    def way(self, step: int) -> None:
        self.change(stage_state.step_way(self.state, step, self.answered.ways))

    # The set

    def step(self, step: int) -> None:
        """The next song or section, or the one before."""
        at = self.state.next_part_at if step > 0 else self.state.part_before_at
        if at is not None:
            self.to_part(at)

    def song(self, step: int) -> None:
        """The next song, or the one before, whatever sections are left."""
        show = self.state.show
        ways = show_order.after if step > 0 else show_order.ahead_of
        place = ways(show, self.state.song_at) if self.state.parts else None
        if place is not None:
            self.to_song(place)

    def to_song(self, place: int) -> None:
        if self.state.parts:
            self.to_part(self.state.first_part(place))

    def to_part(self, part_at: int) -> None:
        """Leave what is played for another song or section."""
        self._leave_part()
        self._arrive(part_at)
        if self._rehearsal is not None:
            self._rehearsal.arrive(part_at, self._clock())
            self._answer()

    def _arrive(self, part_at: int) -> None:
        """Show a song or section; the hand comes from where the answer before left it."""
        setting = self.answered.setting
        hand = (setting.head, setting.knob) if setting and setting.knob is not None else None
        self._replan()
        self._before_typing = None
        view = self.link_view
        speaks = view is not None and view.reading.state in {"locking", "locked"}
        self.change(stage_state.at_part(self.state, part_at, hand, clock_gives=speaks))

    def find(self, typed: str) -> tuple[tuple[int, str], ...]:
        """The songs whose titles hold what is typed, best first: their places and titles."""
        if self.state.setlist is None:
            return ()
        titles = [song.title for song in self.state.setlist.song]
        places = show_order.find(titles, typed) if typed else self.state.show.order
        return tuple((place, titles[place]) for place in places)

    def move(self, by: int) -> None:
        """The present song later or earlier in the show."""
        if self.state.parts:
            self._change_show(stage_state.move_song(self.state, by))

    def skip(self) -> None:
        """Pass the present song over, or play it again."""
        if self.state.parts:
            self._change_show(stage_state.skip_song(self.state))

    def _change_show(self, state: StageState) -> None:
        """Another order of songs; a rehearsal of the old one is over."""
        rehearsed, self._rehearsal = self._rehearsal, None
        told = "the rehearsal ended: the order changed" if rehearsed is not None else ""
        self.change(state, message=told)

    def write(self) -> None:
        """Write what was changed on the stage into the set file, when asked twice."""
        from tempotape.songs.set_edit import write_back  # noqa: PLC0415
        from tempotape.stage.edits import song_edits  # noqa: PLC0415

        songs = self._songs
        if songs is None or songs.file.suffix.casefold() == ".csv":
            self.message = "there is no set file to write to"
            return
        if songs.file.resolve() == DEMO_SET.resolve():
            self.message = "the demo is left as it is: copy the set and open the copy"
            return
        edits = song_edits(self.state)
        order = self.state.show.order
        moved = order != tuple(sorted(order))
        if not edits and not moved:
            self.message = (
                "nothing to write: only a song's own tempo, note, taste and head go there"
            )
            return
        if not self._write_asked:
            self._write_asked = True
            told = f"{len(edits)} changed song{'s' if len(edits) != 1 else ''}"
            told += " and the order" if moved else ""
            self.message = f"w again writes {told} to {songs.file.name}"
            return
        try:
            write_back(songs.file, edits, order if moved else None, seen=songs.stamp)
            written = open_set(songs.file)
        except InputFault as fault:
            self.message = fault.sentence
            return
        self._take_written(written, order)
        self.message = f"written to {songs.file.name}"

    def take_file(self) -> None:
        """Take the set file as it is on the disk now; what was changed on the stage stays."""
        from tempotape.songs.set_edit import stamp  # noqa: PLC0415

        songs = self._songs
        if songs is None:
            self.message = "no set is open"
            return
        try:
            changed = open_set(songs.file)
            if self._fitted is not None:
                check_heads(changed, self._unit_file, self._fitted.unit.head_names)
        except InputFault as fault:
            # Known now, and told; the set in hand stays.
            self._songs = msgspec.structs.replace(songs, stamp=stamp(songs.file))
            self._file_changed = False
            self.message = fault.sentence
            return
        before = len(self.state.edits)
        self._take_set(changed, resumed(self._opened(changed), session_of(self.state)))
        told = [f"{songs.file.name} is taken as it is now"]
        gone = before - len(self.state.edits)
        if gone:
            told.append(f"{gone} change{'s' if gone > 1 else ''} of what is gone dropped")
        if changed.setlist.unit != songs.setlist.unit:
            told.append("its unit changed too: start again to use that")
        self.message = "; ".join(told)

    def _opened(self, songs: SetOpened) -> StageState:
        return stage_state.opened(songs.setlist, songs.parts)

    def _take_written(self, songs: SetOpened, order: tuple[int, ...]) -> None:
        """Go on with the set just written, in its new order, at the same song or section."""
        from tempotape.stage.edits import edits_left  # noqa: PLC0415

        state, fresh = self.state, self._opened(songs)
        moved_to = {place: now for now, place in enumerate(order)}

        def now_at(part_at: int) -> int:
            song_at = state.parts[part_at].number - 1
            return fresh.first_part(moved_to[song_at]) + part_at - state.first_part(song_at)

        skipped = frozenset(moved_to[place] for place in state.show.skipped)
        fresh = msgspec.structs.replace(
            fresh,
            show=msgspec.structs.replace(fresh.show, skipped=skipped),
            edits={now_at(at): edit for at, edit in edits_left(state).items()},
            following=state.following,
        )
        self._take_set(songs, stage_state.at_part(fresh, now_at(state.part_at), state.hand))

    def _take_set(self, songs: SetOpened, state: StageState) -> None:
        """Go on with another version of the set."""
        if self._fitted is not None:
            state = stage_state.without_heads(state, self._fitted.unit.head_names)
        state = msgspec.structs.replace(
            state, trim=self.state.trim, leading_bpm=self.state.leading_bpm, hand=self.state.hand
        )
        self._songs = songs
        self._file_changed = False
        self._before, self._before_typing = [], None
        self._plan = self._rehearsal = None
        self.state = state
        self._replan()
        self._answer()

    def _last_used(self) -> dict[PartKey, Used]:
        """What the set was last played with."""
        if self.state.setlist is None:
            return {}
        from tempotape.songs.used_log import last_used, read_used, used_file  # noqa: PLC0415

        lines, damage = read_used(used_file(state_folder()))
        self.message = self.message or damage
        return last_used(lines, self.state.setlist.name)

    @property
    def notice(self) -> str:
        """What stands to be decided, for as long as it does."""
        if self._keeper.failed:
            return "nothing can be kept for next time: the state folder cannot be written"
        if not self._file_changed or self._songs is None:
            return ""
        return f"{self._songs.file.name} has changed on disk: e takes it as it is now"

    def _watch_file(self, now_s: float) -> None:
        """Notice a set file that has changed on the disk."""
        songs = self._songs
        if songs is None or now_s - self._looked_at_file_s < _LOOK_AT_FILE_S:
            return
        from tempotape.songs.set_edit import changed  # noqa: PLC0415

        self._looked_at_file_s = now_s
        self._file_changed = changed(songs.file, songs.stamp)

    def _leave_part(self) -> None:
        """Put down what was played, and with what setting, for the next plan to start from."""
        now_s, since_s = self._clock(), self._here_since_s
        self._here_since_s = now_s
        state, setting = self.state, self.answered.setting
        playing = self._rehearsal is not None and self._rehearsal.playing
        if state.part is None or state.setlist is None:
            return
        if not playing and (self._rehearsal is not None or now_s - since_s < PLAYED_S):
            return
        from tempotape.songs.used_log import Used, log_used, used_file  # noqa: PLC0415

        used = Used(
            at_unix_s=self._wall_clock(),
            set_name=state.setlist.name,
            title=state.part.title,
            section=state.part.section,
            tempo_bpm=state.tempo_bpm,
            note=setting.note if setting else None,
            head=setting.head if setting else None,
            knob=setting.knob if setting else None,
            trim_log_scale=state.trim.log_scale if state.trim else None,
            gap_used_s=self._rehearsal.gap_used_s if self._rehearsal else None,
            length_s=now_s - since_s,
        )
        log_used(used_file(state_folder()), used)

    # Rehearsal

    def rehearse(self) -> None:
        """Begin to rehearse from the present song on, or end it and say how the hand did."""
        if self._rehearsal is not None:
            self._leave_part()
            self.message = self._rehearsal.summary(self._clock())
            self._rehearsal = None
        elif not self._plan:
            self.message = "there is no set to rehearse"
        else:
            from tempotape.stage.rehearsing import Rehearsing  # noqa: PLC0415

            places = list(self._plan)
            here = self.state.part_at if self.state.part_at in places else places[0]
            items = [
                _item(self.state.parts[at], self._plan[at], self._used, first=at == here)
                for at in places
            ]
            self._leave_part()
            self._rehearsal = Rehearsing(places, items, here, self._clock())
            if here != self.state.part_at:
                self._arrive(here)
        self._answer()

    def go(self) -> None:
        """Begin to play, or go on to what follows."""
        if self._rehearsal is None:
            self.message = "G begins a rehearsal"
            return
        if self._rehearsal.playing:
            self._leave_part()
        at = self._rehearsal.go(self._clock())
        self._here_since_s = self._clock()
        if at is not None and at != self.state.part_at:
            self._arrive(at)
        self._answer()

    def hand_ready(self) -> None:
        """Switch and knob stand as they should."""
        if self._rehearsal is not None:
            self._rehearsal.ready(self._clock())
            self._answer()

    def close_down(self) -> None:
        """Have everything on the disk before leaving."""
        self._leave_part()
        if self.link_view is not None and self.link_view.playing and self._link is not None:
            self._link.halt()
        self._keeper.keep(session_of(self.state))
        self._keeper.close()

    # Trim

    def repeats(self, t_s: float | None = None) -> None:
        """One tap along with the repeats; or the milliseconds typed are what they take."""
        if self.state.typing and self._before_typing is not None:
            # The digits were no tempo: the unit still stands where it stood before them.
            typed, self.state = self.state.typing, self._before_typing
            self._before_typing = None
            self._before = self._before[:-1]
            self._answer()
            setting = self._standing_at()
            if setting is not None:
                self._trim_by_typed(setting, typed)
            return
        if self._repeats is None:
            setting = self._standing_at()
            if setting is None:
                return
            self._repeats = RepeatsTapped(setting)
        self._repeats.tap(self._clock() if t_s is None else t_s)
        try:
            self.message = self._repeats.told
        except InputFault as fault:
            self.message = fault.sentence

    def trim_away(self) -> None:
        self._repeats = None
        self.change(stage_state.with_trim(self.state, None))

    def _standing_at(self) -> Setting | None:
        """The setting shown, which the unit is taken to stand at."""
        setting = self.answered.setting
        if setting is None or setting.knob is None:
            self.message = "there is no setting to trim: set a tempo that is in reach"
            return None
        return setting

    def _trim_by_typed(self, setting: Setting, typed: str) -> None:
        try:
            measured_ms = delay_ms(typed)
        except InputFault as fault:
            self.message = fault.sentence
            return
        self._trim(setting, measured_ms, typed_error_ms(measured_ms))

    def _close_repeats(self) -> None:
        repeats, self._repeats = self._repeats, None
        if repeats is None:
            return
        try:
            tapped = repeats.delay_ms
        except InputFault as fault:
            self.message = fault.sentence
            return
        if tapped is None:
            self.message = f"too few taps for a trim: {LEAST_TAPS} are the least"
        else:
            self._trim(repeats.setting, *tapped)

    def _trim(self, setting: Setting, measured_ms: float, error_ms: float) -> None:
        """Scale the curve by what the evidence supports; the unit stands at `setting`."""
        if self._fitted is None or setting.knob is None:
            return
        now_s = self._wall_clock()
        try:
            trim = trimmed_by(
                self.state.trim,
                self._fitted,
                head=setting.head,
                knob=setting.knob,
                measured_ms=measured_ms,
                measured_error_ms=error_ms,
                now_unix_s=now_s,
            )
        except InputFault as fault:
            self.message = fault.sentence
            return
        told = f"{trim_text(trim, now_s)}: u undoes it"
        self.change(stage_state.with_trim(self.state, trim), message=told)

    # The tape leads

    def lead(self) -> bool:
        """Send the tape's tempo as clock, or stop; whether a port has yet to be chosen."""
        if self.state.leading_bpm is not None:
            self.change(stage_state.lead_no_more(self.state))
            return False
        try:
            tempo_bpm = self._tempo_of_tape()
        except InputFault as fault:
            self.message = fault.sentence
            return False
        if tempo_bpm is None:
            self.message = "no tempo of the tape is known: set a tempo first"
            return False
        if not self._can_lead(tempo_bpm):
            return False
        self.change(stage_state.lead(self.state, tempo_bpm))
        return self._output_wanted()

    def _can_lead(self, tempo_bpm: float) -> bool:
        """Whether a tempo of the song's beat can be sent as clock; says so where not."""
        quarter_bpm = tempo_bpm * float(self.state.beat.quarters)
        if _is_clock(quarter_bpm):
            return True
        self.message = f"{quarter_bpm:.4g} quarter notes a minute are beyond what a clock can be"
        return False

    def lead_at(self, tempo: LeadTempo) -> bool:
        """Send the tempo of a listed knob mark; whether a port has yet to be chosen."""
        if not self._can_lead(tempo.tempo_bpm):
            return False
        note = NOTE_VALUES[tempo.note]
        self.change(stage_state.lead(self.state, tempo.tempo_bpm, note=note, head=tempo.head))
        return self._output_wanted()

    def lead_tempos(self) -> tuple[LeadTempo, ...]:
        """Tempos at easy knob marks near the song's; says why where there are none."""
        from tempotape.advice.lead import lead_tempos  # noqa: PLC0415

        calibration = self.calibration
        if calibration is None:
            return ()
        report = lead_tempos(
            calibration,
            self.state.tempo_bpm,
            self.state.beat,
            self.state.wanted if self.state.note is None else (self.state.note,),
            self.state.taste,
            head=self.state.head,
        )
        self.message = "; ".join(report.remarks)
        beat = float(self.state.beat.quarters)
        return tuple(tempo for tempo in report.tempos if _is_clock(tempo.tempo_bpm * beat))

    def _tempo_of_tape(self) -> float | None:
        """The tempo, in the song's beat, of the repeats just tapped or of the setting shown.

        Raises InputFault where it cannot be told which repeats were tapped.
        """
        from tempotape.advice.lead import tempo_of_setting  # noqa: PLC0415

        setting = self.answered.setting
        repeats, self._repeats = self._repeats, None
        if repeats is not None:
            tapped = repeats.delay_ms
            if tapped is None:
                raise InputFault(f"too few taps to lead by: {LEAST_TAPS} are the least")
            note = NOTE_VALUES[repeats.setting.note]
            return tempo_of_setting(tapped[0], note, self.state.beat)
        if setting is None:
            return None
        if setting.delay_ms is None:
            return setting.nearest_tempo_bpm
        return tempo_of_setting(setting.delay_ms, NOTE_VALUES[setting.note], self.state.beat)

    def _output_wanted(self) -> bool:
        view = self.link_view
        if view is None or view.output_chosen is not None:
            return False
        if len(view.outputs) == 1:
            self.choose_output(view.outputs[0])
            return False
        return view.available

    def play(self) -> None:
        """Start what follows our clock, or stop it."""
        if self._link is None or self.state.leading_bpm is None or self.link_view is None:
            self.message = "no clock is sent: l lets the tape lead"
        elif self.link_view.playing:
            self._link.halt()
        else:
            self._link.play()

    def go_on(self) -> None:
        """Let it go on from where it stopped."""
        if self._link is None or self.state.leading_bpm is None:
            self.message = "no clock is sent: l lets the tape lead"
        else:
            self._link.go_on()

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


def _is_clock(quarter_bpm: float) -> bool:
    """Whether clock can be sent at so many quarter notes a minute."""
    from tempotape.tempo.midi_link import FASTEST_BPM, SLOWEST_BPM  # noqa: PLC0415

    return SLOWEST_BPM <= quarter_bpm <= FASTEST_BPM


def _as_edited(state: StageState, part_at: int) -> Part:
    """A part of the set with what was changed of it on the stage."""
    there = stage_state.at_part(msgspec.structs.replace(state, following=False), part_at, None)
    return msgspec.structs.replace(state.parts[part_at], tempo_bpm=there.tempo_bpm, wish=there.wish)


def _item(part: Part, planned: PlannedSong, used: Mapping[PartKey, Used], *, first: bool) -> Item:
    """A part of the set to rehearse, as long as it was last; a hand that stays has no move."""
    from tempotape.songs.rehearsal import Item  # noqa: PLC0415

    move = planned.hand if planned.head_switch or planned.knob_travel > 0 else ""
    if first and planned.knob is not None:
        move = f"head {planned.head}, knob to {planned.knob_text}"
    last = used.get((part.title, part.section))
    return Item(
        title=part.title,
        section=part.section,
        gap_s=part.gap_s,
        length_s=last.length_s if last else None,
        move=move,
        inside=part.inside,
    )
