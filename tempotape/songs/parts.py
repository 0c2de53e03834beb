"""A set taken apart into what is played one after another: songs, and the sections inside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from tempotape.advice.advise import Wish
from tempotape.faults import InputFault
from tempotape.songs.setlist import Section, Setlist, Song, song_entry
from tempotape.tempo.notes import note_value
from tempotape.text import quoted

# A tempo typed from a file is rounded; further off, song and file speak of different tempi.
SAME_TEMPO_SHARE = 0.005


class Part(msgspec.Struct, frozen=True):
    """A song, or a section of it, that is played at one tempo.

    `number` counts songs from 1. `wish` is None where the tempo is found live. `inside` says that
    the part before it belongs to the same song, so that there is next to no time between them.
    """

    number: int
    title: str
    section: str | None
    tempo_bpm: float | None
    beat: str
    wish: Wish | None
    gap_s: float | None
    inside: bool
    notes: str

    @property
    def entry(self) -> str:
        """The part as a message names it: `song 3 "Low Tide", section "bridge"`."""
        song = song_entry(self.number, self.title)
        return song if self.section is None else f"{song}, section {quoted(self.section)}"


def parts_of(
    setlist: Setlist, midi_sections: Mapping[int, Sequence[Section]] | None = None
) -> tuple[Part, ...]:
    """Everything the set plays, in order.

    `midi_sections` holds, by song number, the tempi that the song's MIDI file gives, counted in the
    song's beat. A song's own tempo and sections come before those of its file. A song begins with
    a part of its own, unless only its sections have a tempo: then they are the whole song.
    Raises InputFault where a song's tempo and that of its file disagree.
    """
    return tuple(
        part
        for number, song in enumerate(setlist.song, 1)
        for part in _parts(number, song, (midi_sections or {}).get(number, ()))
    )


def _parts(number: int, song: Song, from_file: Sequence[Section]) -> Iterator[Part]:
    tempo_bpm = _tempo_bpm(number, song, from_file)
    sections = song.section or tuple(from_file[1:])
    opens_itself = tempo_bpm is not None or not any(section.tempo_bpm for section in sections)
    if opens_itself:
        yield _part(number, song, Section(""), tempo_bpm, inside=False)
    for place, section in enumerate(sections):
        yield _part(number, song, section, tempo_bpm, inside=opens_itself or place > 0)


def _tempo_bpm(number: int, song: Song, from_file: Sequence[Section]) -> float | None:
    """The tempo the song begins with."""
    in_file = from_file[0].tempo_bpm if from_file else None
    own = song.tempo_bpm
    if own is None or in_file is None:
        return own or in_file
    if abs(own - in_file) > SAME_TEMPO_SHARE * in_file:
        raise InputFault(
            f"tempo_bpm is {own:g}, but {quoted(song.midi_file)} begins at {in_file:.4g}",
            expected="the same tempo in both, or only one of them",
            entry=song_entry(number, song.title),
        )
    return own


def _part(
    number: int, song: Song, section: Section, song_bpm: float | None, *, inside: bool
) -> Part:
    tempo_bpm = section.tempo_bpm or song_bpm
    wish = None if tempo_bpm is None else song.wish(tempo_bpm)
    if wish is not None and section.repeats is not None:
        wish = msgspec.structs.replace(
            wish, repeats=tuple(note_value(name) for name in section.repeats)
        )
    return Part(
        number=number,
        title=song.title,
        section=section.name or None,
        tempo_bpm=tempo_bpm,
        beat=song.beat_note.name,
        wish=wish,
        gap_s=0.0 if inside else song.gap_s,
        inside=inside,
        notes="" if inside else song.notes,
    )
