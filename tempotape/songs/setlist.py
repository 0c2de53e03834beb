"""Reading and checking a set (`setlists/*.toml`)."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from tempotape.advice.advise import Wish
from tempotape.advice.ranking import Taste
from tempotape.faults import InputFault
from tempotape.tempo.notes import QUARTER, USUAL_REPEATS, NoteValue, note_value
from tempotape.text import quoted
from tempotape.userfiles import checked, read_toml

LongText = Annotated[str, Meta(min_length=0, max_length=10_000)]
Title = Annotated[str, Meta(min_length=1, max_length=10_000)]
Tempo = Annotated[float, Meta(ge=20, le=400)]
NoteName = Annotated[str, Meta(min_length=1, max_length=100)]


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A part of a song with a tempo or repeats of its own."""

    name: Title
    tempo_bpm: Tempo | None = None
    repeats: tuple[NoteName, ...] | None = None


class Song(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One song; `tempo_bpm` counts the note `beat`, and is None for a tempo found live."""

    title: Title
    tempo_bpm: Tempo | None = None
    beat: NoteName = QUARTER.name
    repeats: tuple[NoteName, ...] = tuple(note.name for note in USUAL_REPEATS)
    taste: Taste = "steady"
    head: Title | None = None
    gap_s: Annotated[float, Meta(ge=0, le=86_400)] | None = None
    notes: LongText = ""
    program: Annotated[int, Meta(ge=0, le=127)] | None = None
    midi_file: Title | None = None
    section: tuple[Section, ...] = ()

    @property
    def beat_note(self) -> NoteValue:
        return note_value(self.beat)

    @property
    def repeat_notes(self) -> tuple[NoteValue, ...]:
        return tuple(note_value(name) for name in self.repeats)

    def wish(self, tempo_bpm: float) -> Wish:
        """What this song asks of the unit at `tempo_bpm` of its beat."""
        return Wish(
            tempo_bpm=tempo_bpm,
            beat=self.beat_note,
            repeats=self.repeat_notes,
            taste=self.taste,
            head=self.head,
        )


class Setlist(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: Literal[1]
    name: Title
    unit: Title | None = None
    song: tuple[Song, ...] = ()


def read_setlist(path: Path) -> Setlist:
    """The set in the TOML file at `path`. Raises InputFault naming file, song and entry."""
    source = str(path)
    setlist = checked(read_toml(path, what="setlist file"), Setlist, source=source)
    if not setlist.song:
        raise InputFault("no songs", expected="at least one [[song]]", source=source)
    for number, song in enumerate(setlist.song, 1):
        entry = f"song {number} {quoted(song.title)}"
        _check_notes("beat", (song.beat,), source=source, entry=entry)
        _check_notes("repeats", song.repeats, source=source, entry=entry)
        for place, section in enumerate(song.section, 1):
            if section.repeats is not None:
                inside = f"{entry}, section {place} {quoted(section.name)}"
                _check_notes("repeats", section.repeats, source=source, entry=inside)
    return setlist


def unit_path(setlist: Setlist, path: Path) -> Path | None:
    """Where the unit named by the set read from `path` lies: relative to the set's own file."""
    return None if setlist.unit is None else path.parent / setlist.unit


def _check_notes(key: str, names: tuple[str, ...], *, source: str, entry: str) -> None:
    if not names:
        raise InputFault(
            f"{key} is an empty list",
            expected="at least one note value, or no such line",
            source=source,
            entry=entry,
        )
    for name in names:
        try:
            note_value(name)
        except InputFault as fault:
            raise InputFault(
                f"{key}: {fault.problem}", expected=fault.expected, source=source, entry=entry
            ) from None
