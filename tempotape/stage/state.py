"""Where the player stands on the stage, and what each key changes. No screen, no clock, no port.

Every function returns a new state; the old one is kept for undo.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from tempotape.advice.advise import Wish
from tempotape.advice.ranking import TASTES, Taste
from tempotape.faults import InputFault
from tempotape.songs.setlist import Setlist, Song
from tempotape.tempo.notes import NOTE_VALUES, QUARTER, USUAL_REPEATS, NoteValue
from tempotape.tempo.typed import tempo_bpm

Source = Literal["none", "song", "typed", "clock"]
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


class StageState(msgspec.Struct, frozen=True):
    """What the player has chosen.

    `tempo_bpm` counts the song's beat; `typing` holds the digits of a tempo not yet closed. `note`
    and `head` narrow the answer where not None. `way` counts down from the best setting. `hand` is
    where the switch and the knob were left by the answer before.
    """

    setlist: Setlist | None = None
    song_at: int = 0
    tempo_bpm: float | None = None
    source: Source = "none"
    typing: str = ""
    following: bool = False
    note: NoteValue | None = None
    taste: Taste = "steady"
    head: str | None = None
    way: int = 0
    hand: tuple[str, float] | None = None

    @property
    def song(self) -> Song | None:
        return self.setlist.song[self.song_at] if self.setlist else None

    @property
    def next_song(self) -> Song | None:
        if self.setlist is None or self.song_at + 1 >= len(self.setlist.song):
            return None
        return self.setlist.song[self.song_at + 1]

    @property
    def beat(self) -> NoteValue:
        return self.song.beat_note if self.song else QUARTER

    @property
    def wanted(self) -> tuple[NoteValue, ...]:
        """The note values asked for when the player has not narrowed them down."""
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


_replace = msgspec.structs.replace


def at_song(state: StageState, song_at: int, hand: tuple[str, float] | None) -> StageState:
    """The state on arriving at a song: its own tempo, taste and head; nothing typed is kept."""
    if state.setlist is None or not 0 <= song_at < len(state.setlist.song):
        return state
    song = state.setlist.song[song_at]
    follows = state.following
    return _replace(
        state,
        song_at=song_at,
        tempo_bpm=state.tempo_bpm if follows else song.tempo_bpm,
        source=state.source if follows else "song" if song.tempo_bpm else "none",
        typing="",
        note=None,
        taste=song.taste,
        head=song.head,
        way=0,
        hand=hand,
    )


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
    return _replace(typed, tempo_bpm=bpm, source="typed", following=False, way=0)


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
    """Follow MIDI clock, or leave it and keep the tempo it gave."""
    return _replace(state, following=on, typing="")


def with_clock(state: StageState, bpm: float) -> StageState:
    """The tempo that MIDI clock gives; a clock counts quarter notes, the song its own beat."""
    in_beats = bpm / float(state.beat.quarters)
    if not state.following or (state.tempo_bpm == in_beats and state.source == "clock"):
        return state
    return _replace(state, tempo_bpm=in_beats, source="clock", way=0)


def step_note(state: StageState, step: int) -> StageState:
    """The next note value: all wanted ones, each wanted one, then the other usual ones."""
    choices = (None, *dict.fromkeys((*state.wanted, *_MORE_NOTES)))
    at = (choices.index(state.note) + step) % len(choices)
    return _replace(state, note=choices[at], way=0)


def step_taste(state: StageState) -> StageState:
    return _replace(state, taste=TASTES[(TASTES.index(state.taste) + 1) % len(TASTES)], way=0)


def step_head(state: StageState, heads: tuple[str, ...]) -> StageState:
    """Insist on the next head in turn, then on none."""
    choices = (None, *heads)
    at = (choices.index(state.head) + 1) % len(choices) if state.head in choices else 0
    return _replace(state, head=choices[at], way=0)


def step_way(state: StageState, step: int, ways: int) -> StageState:
    """The next or the previous of the ranked settings."""
    return _replace(state, way=min(max(state.way + step, 0), max(ways - 1, 0)))
