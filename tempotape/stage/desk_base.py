"""What the desk rests on: the state with its undo, the unit as it runs, plan and answer."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from tempotape.advice.advise import Wish
from tempotape.advice.settings import setting_for
from tempotape.faults import InputFault
from tempotape.remembered import LastOpened, state_folder
from tempotape.stage import state as stage_state
from tempotape.stage.opening import Opening
from tempotape.stage.session import SessionKeeper, session_of
from tempotape.stage.shown import MIDI_BEATS_A_QUARTER, answered
from tempotape.stage.state import StageState, Way
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.unit.calibration import Calibration
from tempotape.unit.trim import apply_trim
from tempotape.unit.trim_store import keep_trim, load_trim

if TYPE_CHECKING:
    from tempotape.songs.parts import Part
    from tempotape.songs.plan_report import PlannedSong
    from tempotape.songs.used_log import PartKey, Used
    from tempotape.stage.rehearsing import Rehearsing
    from tempotape.stage.tapping import RepeatsTapped
    from tempotape.tempo import controls
    from tempotape.tempo.clock import HeldFigure
    from tempotape.tempo.midi_link import LinkView, MidiLink
    from tempotape.tempo.taps import TapSeries

MOST_UNDO = 100
_KEEP_CLOCK_S = 1.0


class DeskBase:
    """State and answer. `clock` gives monotonic seconds, `wall_clock` seconds of the epoch."""

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
        self._taps: TapSeries | None = None
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
            _as_edited(state, at, calibration) if part.number - 1 in edited else part
            for at, part in ((at, state.parts[at]) for at in places)
        ]
        try:
            plan = plan_parts("", parts, calibration, used=self._used)
        except InputFault as fault:
            self.message = fault.sentence
            return
        self._plan = dict(zip(places, plan.songs, strict=True))

    def _last_used(self) -> dict[PartKey, Used]:
        """What the set was last played with."""
        if self.state.setlist is None:
            return {}
        from tempotape.songs.used_log import last_used, read_used, used_file  # noqa: PLC0415

        lines, damage = read_used(used_file(state_folder()))
        self.message = self.message or damage
        return last_used(lines, self.state.setlist.name)

    # One step, and back

    def change(self, state: StageState, *, undo: bool = True, message: str = "") -> None:
        """Take a new state; the old one is kept to come back to."""
        self.message = message
        self._write_asked = False
        if state == self.state:
            return
        if undo:
            self._before = [*self._before[-MOST_UNDO:], self.state]
            if not state.typing:  # the digits typed before are taken for what they are
                self._before_typing = None
        self._take(state)

    def _take(self, state: StageState) -> None:
        """Make a state the present one, and let the files and the clock sent follow it."""
        before, self.state = self.state, state
        if state.trim != before.trim and self._fitted is not None:
            keep_trim(state_folder(), self._unit_file, self._fitted.unit, state.trim)
        # While a tempo is typed its digits may yet be another; it is planned for once it stands.
        if not state.typing:
            self._replan()
        if state.leading_bpm != before.leading_bpm and self._link is not None:
            self._link.lead(state.leading_bpm)
        self._answer()

    # What is wanted of it

    def note(self, step: int) -> None:
        self.change(stage_state.step_note(self.state, step))

    def taste(self) -> None:
        self.change(stage_state.step_taste(self.state))

    def head(self) -> None:
        if self._fitted is not None:
            self.change(stage_state.step_head(self.state, self._fitted.unit.head_names))

    def way(self, step: int) -> None:
        shown = self.answered
        self.change(stage_state.step_way(self.state, step, shown.settings, shown.setting))


def _as_edited(state: StageState, part_at: int, calibration: Calibration) -> Part:
    """A part of the set with what was changed of it on the stage."""
    there = stage_state.at_part(msgspec.structs.replace(state, following=False), part_at, None)
    wish = there.wish and _by_way(there.wish, there.way, calibration)
    return msgspec.structs.replace(state.parts[part_at], tempo_bpm=there.tempo_bpm, wish=wish)


def _by_way(wish: Wish, way: Way | None, calibration: Calibration) -> Wish:
    """The wish for the way that was chosen alone, where it can be gone at this tempo."""
    note = None if way is None else NOTE_VALUES.get(way.note)
    if way is None or note is None or note not in wish.repeats:
        return wish
    setting = setting_for(
        calibration,
        note=note,
        head=way.head,
        quarter_bpm=wish.quarter_bpm,
        beat_bpm=wish.tempo_bpm,
    )
    if not setting.reachable or wish.head not in {None, way.head}:
        return wish
    return msgspec.structs.replace(wish, repeats=(note,), head=way.head)
