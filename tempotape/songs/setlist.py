"""Reading and checking a set (`setlists/*.toml`)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from tempotape.advice.advise import Wish, known_head
from tempotape.advice.ranking import Taste
from tempotape.faults import InputFault
from tempotape.tempo.notes import QUARTER, USUAL_REPEATS, NoteValue, note_value
from tempotape.text import listed, quoted
from tempotape.userfiles import checked, read_toml

LongText = Annotated[str, Meta(min_length=0, max_length=10_000)]
Title = Annotated[str, Meta(min_length=1, max_length=10_000)]
Tempo = Annotated[float, Meta(ge=20, le=400)]
NoteName = Annotated[str, Meta(min_length=1, max_length=100)]
_MOST_NAMED = 4


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
        entry = song_entry(number, song.title)
        _check_notes("beat", (song.beat,), source=source, entry=entry)
        _check_notes("repeats", song.repeats, source=source, entry=entry)
        for place, section in enumerate(song.section, 1):
            if section.repeats is not None:
                inside = f"{entry}, section {place} {quoted(section.name)}"
                _check_notes("repeats", section.repeats, source=source, entry=inside)
    return setlist


def song_entry(number: int, title: str) -> str:
    """A song as a message names it: `song 3 "Low Tide"`."""
    return f"song {number} {quoted(title)}"


def shared_programs(setlist: Setlist) -> tuple[str, ...]:
    """A sentence for each program number of several songs: only the first of them can be called."""
    songs: dict[int, list[str]] = {}
    for number, song in enumerate(setlist.song, 1):
        if song.program is not None:
            songs.setdefault(song.program, []).append(song_entry(number, song.title))
    return tuple(
        f"{listed(_few(entries), 'and')} have the same program, {program}: "
        f"Program Change {program} calls only the first of them"
        for program, entries in songs.items()
        if len(entries) > 1
    )


def _few(entries: Sequence[str]) -> Sequence[str]:
    """At most four entries: of more than that, three and how many there are beside."""
    if len(entries) <= _MOST_NAMED:
        return entries
    shown = entries[: _MOST_NAMED - 1]
    return (*shown, f"{len(entries) - len(shown)} more songs")


def with_known_heads(setlist: Setlist, heads: Sequence[str], *, source: str = "") -> Setlist:
    """The set with every head named as in `heads`, those of the unit; case does not count.

    `source` is the set's own file. Raises InputFault naming it, the song and the head nearest to
    the one that the unit does not have.
    """
    songs = tuple(
        song
        if song.head is None
        else msgspec.structs.replace(
            song,
            head=known_head(song.head, heads, source=source, entry=song_entry(number, song.title)),
        )
        for number, song in enumerate(setlist.song, 1)
    )
    return msgspec.structs.replace(setlist, song=songs)


def unit_path(setlist: Setlist, path: Path) -> Path | None:
    """Where the unit named by the set read from `path` lies: relative to the set's own file.

    Raises InputFault for a unit outside the tree, as `inside_tree` does.
    """
    if setlist.unit is None:
        return None
    return inside_tree(setlist.unit, path, key="unit", otherwise="name it with --unit")


def inside_tree(
    named: str, set_file: Path, *, key: str, entry: str = "", otherwise: str = "move it there"
) -> Path:
    """The file `named` in a set, relative to the set's own file.

    A set may come from someone else, so what it names must lie in its tree: the folder above the
    set's own and everything below, links followed. `key` is the set's line and `otherwise` what
    else a player can do. Raises InputFault for a path from the root and for one that leads out.
    """
    told = f"{key} is {quoted(named)}"
    if any(kind(named).anchor for kind in (PurePosixPath, PureWindowsPath)):
        raise InputFault(
            f"{told}, a path from the root",
            expected=f"a path from the set's own folder, or {otherwise}",
            source=str(set_file),
            entry=entry,
        )
    found = set_file.parent / named
    try:
        tree = set_file.parent.resolve().parent
        inside = found.resolve().is_relative_to(tree)
    except (OSError, RuntimeError):  # a link that leads to itself
        inside = False
    if not inside:
        raise InputFault(
            f"{told}, which leads out of the set's tree",
            expected=f"a file in the set's folder or beside that folder, or {otherwise}",
            source=str(set_file),
            entry=entry,
        )
    return found


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
