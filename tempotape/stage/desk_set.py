"""The set at the desk: steps, order, its file, rehearsal, and the log of what was used."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import msgspec

from tempotape.demos import DEMO_SET
from tempotape.faults import InputFault
from tempotape.remembered import state_folder
from tempotape.songs import show_order
from tempotape.stage import state as stage_state
from tempotape.stage.desk_base import DeskBase
from tempotape.stage.opening import SetOpened, open_set
from tempotape.stage.session import resumed, session_of
from tempotape.stage.state import StageState

if TYPE_CHECKING:
    from tempotape.songs.parts import Part
    from tempotape.songs.plan_report import PlannedSong
    from tempotape.songs.rehearsal import Item
    from tempotape.songs.used_log import PartKey, Used

# A song shown for less was passed on the way to another, and not played.
PLAYED_S = 20.0
_LOOK_AT_FILE_S = 1.0


class SetDesk(DeskBase):
    """What walks through the set and changes it."""

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
        there = stage_state.at_part(self.state, part_at, hand, clock_gives=self._clock_speaks)
        self.change(there)

    @property
    def _clock_speaks(self) -> bool:
        view = self.link_view
        return view is not None and view.reading.state in {"locking", "locked"}

    def as_written(self) -> None:
        """This song as the set has it: what was changed of it on the stage is dropped."""
        if not self.state.parts:
            self.message = "no set is open"
            return
        written = stage_state.song_as_written(self.state, clock_gives=self._clock_speaks)
        if written == self.state:
            self.message = "this song is as it is written"
            return
        self._before_typing = None
        self.change(written, message="this song is as it is written: u brings your changes back")

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
        from tempotape.stage.edits import change_count  # noqa: PLC0415

        songs = self._songs
        if songs is None:
            self.message = "no set is open"
            return
        try:
            heads = self._fitted.unit.head_names if self._fitted is not None else None
            changed = open_set(songs.file, heads)
        except InputFault as fault:
            # Known now, and told; the set in hand stays.
            self._songs = msgspec.structs.replace(songs, stamp=stamp(songs.file))
            self._file_changed = False
            self.message = fault.sentence
            return
        before = change_count(self.state)
        self._take_set(changed, resumed(self._opened(changed), session_of(self.state)))
        told = [f"{songs.file.name} is taken as it is now"]
        stay = change_count(self.state)
        gone = before - stay
        if stay:
            told.append(f"{stay} changes of yours stay" if stay > 1 else "1 change of yours stays")
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
        self._planned_for = ()
        self.state = state
        self._replan()
        self._answer()

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
