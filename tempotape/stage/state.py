"""Where the player stands on the stage, and what each key changes. No screen, no clock, no port.

Every function returns a new state; the old one is kept for undo.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import msgspec

from tempotape.advice.advise import Wish
from tempotape.advice.ranking import TASTES, Taste
from tempotape.faults import InputFault
from tempotape.songs.show_order import ShowOrder, after, ahead_of, as_written, moved, with_skip
from tempotape.tempo.notes import NOTE_VALUES, QUARTER, USUAL_REPEATS, NoteValue
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM, tempo_bpm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tempotape.advice.settings import Setting

    # What only a set, taps or a trim need is not loaded before there are any.
    from tempotape.songs.parts import Part
    from tempotape.songs.setlist import Setlist, Song
    from tempotape.tempo.taps import TapReading
    from tempotape.unit.trim import Trim

Source = Literal["none", "song", "changed", "typed", "tapped", "clock", "tape"]
TEMPO_KEYS = frozenset("0123456789.,")
LONGEST_TYPING = 6
# Offered after a song's own wishes, when a player steps on through the note values.
_MORE_NOTES = tuple(
    NOTE_VALUES[name]
    for name in (
        "half",
        "dotted quarter",
        "quarter",
        "quarter triplet",
        "dotted eighth",
        "eighth",
        "eighth triplet",
        "sixteenth",
    )
)


class Way(msgspec.Struct, frozen=True):
    """One of the ranked settings as the player chose it, by its note value and head.

    `knob` is the reading that the knob was left at, None where it is the setting's own.
    """

    note: str
    head: str
    knob: float | None = None


class Edit(msgspec.Struct, frozen=True):
    """What the player changed of one song, or section of one, on the stage; None is not changed.

    `head` counts where `head_chosen`, and is None there where the player insists on none. `factor`
    is what a followed clock's tempo is multiplied by, `way` the setting chosen among the ranked.
    """

    tempo_bpm: float | None = None
    note: NoteValue | None = None
    taste: Taste | None = None
    head: str | None = None
    head_chosen: bool = False
    factor: float | None = None
    way: Way | None = None


_UNCHANGED = Edit()
_replace = msgspec.structs.replace


class StageState(msgspec.Struct, frozen=True):
    """What the player has chosen.

    `parts` is what the set plays, `show` its order; `part_at` is the place among the parts.
    `tempo_bpm` counts the song's beat; `typing` holds the digits of a tempo not yet closed. `note`
    and `head` narrow the answer where not None. `way` is the setting chosen among the ranked, None
    for the best of them; `as_planned` asks for that of the plan instead. `hand` is where the switch
    and the knob were left by the answer before. `taps` is the series behind a tapped tempo. `edits`
    holds what was changed, by place among the parts. `trim` is what the unit has drifted by.
    `leading_bpm` is the tempo of the clock sent, in quarter notes a minute, None while none is.
    """

    setlist: Setlist | None = None
    parts: tuple[Part, ...] = ()
    show: ShowOrder = ShowOrder(())
    part_at: int = 0
    tempo_bpm: float | None = None
    source: Source = "none"
    typing: str = ""
    following: bool = False
    note: NoteValue | None = None
    taste: Taste = "steady"
    head: str | None = None
    way: Way | None = None
    as_planned: bool = False
    hand: tuple[str, float] | None = None
    taps: TapReading | None = None
    edits: dict[int, Edit] = {}
    trim: Trim | None = None
    leading_bpm: float | None = None

    @property
    def factor(self) -> float:
        """What a followed clock's tempo is multiplied by in this song."""
        return self.edit_at(self.part_at).factor or 1.0

    def edit_at(self, part_at: int) -> Edit:
        """What was changed of a part; taste, head and factor of a song hold in its sections too."""
        own = self.edits.get(part_at, _UNCHANGED)
        if not self.parts or not self.parts[part_at].inside:
            return own
        whole = self.edits.get(self.first_part(self.parts[part_at].number - 1), _UNCHANGED)
        return _replace(
            own,
            taste=own.taste or whole.taste,
            head=own.head if own.head_chosen else whole.head,
            head_chosen=own.head_chosen or whole.head_chosen,
            factor=own.factor or whole.factor,
        )

    @property
    def part(self) -> Part | None:
        return self.parts[self.part_at] if self.parts else None

    @property
    def song_at(self) -> int:
        """The song's place in the set file, from 0."""
        return self.part.number - 1 if self.part else 0

    @property
    def song(self) -> Song | None:
        return self.setlist.song[self.song_at] if self.setlist else None

    @property
    def section_at(self) -> int:
        """The place of the part among those of its song, from 0."""
        return self.part_at - self.first_part(self.song_at)

    def first_part(self, song_at: int) -> int:
        """The place among the parts where a song begins."""
        return next(at for at, part in enumerate(self.parts) if part.number == song_at + 1)

    @property
    def next_part_at(self) -> int | None:
        """What is played next: a section of the same song, or the next song that is not skipped."""
        if self.part_at + 1 < len(self.parts) and self.parts[self.part_at + 1].inside:
            return self.part_at + 1
        following = after(self.show, self.song_at)
        return None if following is None else self.first_part(following)

    @property
    def part_before_at(self) -> int | None:
        """What was played before: a section of the song, or the beginning of the song before."""
        if self.part is not None and self.part.inside:
            return self.part_at - 1
        earlier = ahead_of(self.show, self.song_at)
        return None if earlier is None else self.first_part(earlier)

    @property
    def beat(self) -> NoteValue:
        return self.song.beat_note if self.song else QUARTER

    @property
    def wanted(self) -> tuple[NoteValue, ...]:
        """The note values asked for when the player has not narrowed them down."""
        if self.part is not None and self.part.wish is not None:
            return self.part.wish.repeats
        return self.song.repeat_notes if self.song else USUAL_REPEATS

    @property
    def wish(self) -> Wish | None:
        """What to ask of the unit now; None while there is no tempo."""
        if self.tempo_bpm is None:
            return None
        return Wish(
            tempo_bpm=self.tempo_bpm,
            beat=self.beat,
            repeats=self.wanted if self.note is None else (self.note,),
            taste=self.taste,
            head=self.head,
            hand=self.hand,
        )


def opened(setlist: Setlist | None, parts: tuple[Part, ...] | None = None) -> StageState:
    """The state at the first song; `parts` is what the set plays, where its MIDI files count."""
    if setlist is None:
        return StageState()
    from tempotape.songs.parts import parts_of  # noqa: PLC0415 - not without a set

    played = parts_of(setlist) if parts is None else parts
    state = StageState(setlist=setlist, parts=played, show=as_written(len(setlist.song)))
    return at_part(state, 0, None)


def at_part(
    state: StageState, part_at: int, hand: tuple[str, float] | None, *, clock_gives: bool = False
) -> StageState:
    """The state on arriving at a song or section: its tempo, taste and head, or what was made of
    them. `clock_gives` says that a clock that is followed gives the tempo, whatever the song.
    """
    if not 0 <= part_at < len(state.parts):
        return state
    there = _replace(state, part_at=part_at)
    part, song, edit = state.parts[part_at], there.song, state.edit_at(part_at)
    assert song is not None  # noqa: S101 - parts come from a set
    tempo_bpm, source = state.tempo_bpm, state.source
    if not (state.following and clock_gives):
        tempo_bpm = edit.tempo_bpm or part.tempo_bpm
        source = "changed" if edit.tempo_bpm else "song" if part.tempo_bpm else "none"
    return _replace(
        there,
        tempo_bpm=tempo_bpm,
        source=source,
        typing="",
        note=edit.note,
        taste=edit.taste or song.taste,
        head=edit.head if edit.head_chosen else song.head,
        way=_free(edit.way) if source == "clock" else edit.way,
        as_planned=source != "clock",
        hand=hand,
    )


def song_as_written(state: StageState, *, clock_gives: bool = False) -> StageState:
    """The present song and its sections with nothing changed; a tape that led it leads no more."""
    if state.song is None:
        return state
    edits = {
        at: edit for at, edit in state.edits.items() if state.parts[at].number - 1 != state.song_at
    }
    led = {
        _quarter_bpm(state, edit.tempo_bpm)
        for at, edit in state.edits.items()
        if at not in edits and edit.tempo_bpm is not None
    }
    leading_bpm = None if state.leading_bpm in led else state.leading_bpm
    bare = _replace(state, edits=edits, leading_bpm=leading_bpm)
    return at_part(bare, state.part_at, state.hand, clock_gives=clock_gives)


def _free(way: Way | None) -> Way | None:
    """The way with the knob at its own reading, as another tempo asks for."""
    return None if way is None else _replace(way, knob=None)


def at_tempo(state: StageState, tempo_bpm: float, source: Source) -> StageState:
    """The state at another tempo, by the way that was chosen for the one before."""
    return _replace(
        state, tempo_bpm=tempo_bpm, source=source, way=_free(state.way), as_planned=False
    )


def _with_own_tempo(state: StageState, tempo_bpm: float, source: Source) -> StageState:
    """The state at a tempo that is the song's from now on, and no clock's."""
    there = _replace(at_tempo(state, tempo_bpm, source), following=False)
    return _edited(there, tempo_bpm=tempo_bpm, way=there.way)


def _edited(state: StageState, **changes: Any) -> StageState:
    """The state with these changes kept for this song or section."""
    edit = _replace(state.edits.get(state.part_at, _UNCHANGED), **changes)
    return _replace(state, edits={**state.edits, state.part_at: edit}, as_planned=False)


def move_song(state: StageState, by: int) -> StageState:
    """The present song played `by` songs later, or earlier where negative."""
    return _replace(state, show=moved(state.show, state.song_at, by))


def skip_song(state: StageState) -> StageState:
    """The present song passed over from now on, or played again."""
    on = state.song_at not in state.show.skipped
    return _replace(state, show=with_skip(state.show, state.song_at, on=on))


def type_tempo(state: StageState, key: str) -> StageState:
    """Take one more digit; as soon as the digits are a tempo, it is the tempo."""
    if len(state.typing) >= LONGEST_TYPING:
        return state
    return _with_typing(state, state.typing + key)


def erase(state: StageState) -> StageState:
    return _with_typing(state, state.typing[:-1]) if state.typing else state


def _with_typing(state: StageState, typing: str) -> StageState:
    typed = _replace(state, typing=typing)
    try:
        bpm = tempo_bpm(typing)
    except InputFault:
        return typed
    return _with_own_tempo(typed, bpm, "typed")


def close_typing(state: StageState) -> StageState:
    """The typed tempo stands, and the next digit begins a new one."""
    return _replace(state, typing="")


def typing_fault(state: StageState) -> str:
    """What is wrong with a tempo closed while it was none; empty where nothing is."""
    if not state.typing:
        return ""
    try:
        tempo_bpm(state.typing)
    except InputFault as fault:
        return fault.sentence
    return ""


def follow(state: StageState, *, on: bool) -> StageState:
    """Follow MIDI clock, and send none of our own; or leave it and keep the tempo it gave."""
    leading_bpm = None if on else state.leading_bpm
    return _replace(state, following=on, typing="", leading_bpm=leading_bpm)


def without_heads(state: StageState, known: tuple[str, ...]) -> StageState:
    """The state with no insistence of the player's on a head that the unit does not have."""

    def known_of(edit: Edit) -> Edit:
        if edit.head is not None and edit.head not in known:
            edit = _replace(edit, head=None, head_chosen=False)
        return _replace(edit, way=way_of(edit.way))

    def way_of(way: Way | None) -> Way | None:
        return way if way is not None and way.head in known else None

    edits = {at: known_of(edit) for at, edit in state.edits.items()}
    head = state.head if state.head in known else None
    there = _replace(state, edits=edits, head=head, way=way_of(state.way))
    return state if there == state else there


def with_clock(state: StageState, bpm: float) -> StageState:
    """The tempo that MIDI clock gives; a clock counts quarter notes, the song its own beat."""
    in_beats = bpm * state.factor / float(state.beat.quarters)
    same = state.tempo_bpm == in_beats and state.source == "clock"
    if not state.following or same or not SLOWEST_BPM <= in_beats <= FASTEST_BPM:
        return state
    return at_tempo(state, in_beats, "clock")


def times(state: StageState, factor: float) -> StageState:
    """Half or double tempo: of a followed clock for this song from now on, else of the tempo."""
    if state.tempo_bpm is None:
        return state
    bpm = state.tempo_bpm * factor
    if not SLOWEST_BPM <= bpm <= FASTEST_BPM:
        return state
    closed = close_typing(state)
    if state.source == "clock":
        return _edited(at_tempo(closed, bpm, "clock"), factor=state.factor * factor)
    there = at_tempo(closed, bpm, "typed")
    return _edited(there, tempo_bpm=bpm, way=there.way)


def with_taps(state: StageState, taps: TapReading) -> StageState:
    """The tempo tapped, where it is one; taps count the song's beat."""
    if not SLOWEST_BPM <= taps.tempo_bpm <= FASTEST_BPM:
        return state
    return _with_own_tempo(_replace(state, taps=taps, typing=""), taps.tempo_bpm, "tapped")


def with_trim(state: StageState, trim: Trim | None) -> StageState:
    """The unit has drifted by this much, or by nothing that is known."""
    return _replace(state, trim=trim, typing="")


def lead(state: StageState, tempo_bpm: float, way: Way | None, trim: Trim | None) -> StageState:
    """The tape's own tempo, counted in the song's beat, is the song's from now on, and sent.

    `way` is where the switch and the knob stand, and stay.
    """
    led = _with_own_tempo(_replace(state, typing="", trim=trim), tempo_bpm, "tape")
    sent = _replace(led, way=way, leading_bpm=_quarter_bpm(state, tempo_bpm))
    return _edited(sent, way=way)


def lead_at(state: StageState, tempo_bpm: float, note: NoteValue, head: str) -> StageState:
    """A tempo that the tape has with this note value on this head: insisted on, and sent."""
    led = _with_own_tempo(_replace(state, typing=""), tempo_bpm, "tape")
    sent = _replace(led, note=note, head=head, way=None, leading_bpm=_quarter_bpm(state, tempo_bpm))
    return _edited(sent, note=note, head=head, head_chosen=True, way=None)


def _quarter_bpm(state: StageState, tempo_bpm: float) -> float:
    return tempo_bpm * float(state.beat.quarters)


def lead_no_more(state: StageState) -> StageState:
    """No clock is sent any more; the tempo stays."""
    return _replace(state, leading_bpm=None)


def step_note(state: StageState, step: int) -> StageState:
    """The next note value: all wanted ones, each wanted one, then the other usual ones."""
    choices = (None, *dict.fromkeys((*state.wanted, *_MORE_NOTES)))
    at = (choices.index(state.note) + step) % len(choices)
    return _edited(_replace(state, note=choices[at], way=None), note=choices[at], way=None)


def step_taste(state: StageState) -> StageState:
    taste = TASTES[(TASTES.index(state.taste) + 1) % len(TASTES)]
    return _edited(_replace(state, taste=taste, way=None), taste=taste, way=None)


def step_head(state: StageState, heads: tuple[str, ...]) -> StageState:
    """Insist on the next head in turn, then on none."""
    choices = (None, *heads)
    at = (choices.index(state.head) + 1) % len(choices) if state.head in choices else 0
    head = choices[at]
    there = _replace(state, head=head, way=None)
    return _edited(there, head=head, head_chosen=True, way=None)


def step_way(
    state: StageState, step: int, settings: Sequence[Setting], shown: Setting | None
) -> StageState:
    """The next or the previous of the ranked settings, counted from the one that is shown."""
    if shown is None or shown.knob is None:
        return state
    ways = [(one.note, one.head) for one in settings if one.reachable]
    here = ways.index((shown.note, shown.head))
    at = min(max(here + step, 0), len(ways) - 1)
    way = Way(*ways[at])
    # At either end there is no other way, but the one shown may stand at another's reading.
    if at == here and not state.as_planned and _free(state.way) in {None, way}:
        return state
    return _edited(_replace(state, way=way), way=way)
