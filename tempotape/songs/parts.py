"""A set taken apart into what is played one after another: songs, and the sections inside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from tempotape.advice.advise import Wish
from tempotape.songs.moving_tempo import Moving
from tempotape.songs.setlist import Section, Setlist, Song, song_entry
from tempotape.tempo.notes import note_value
from tempotape.text import quoted

# A tempo typed from a file is rounded; further off, song and file speak of different tempi.
SAME_TEMPO_SHARE = 0.005


class Part(msgspec.Struct, frozen=True):
    """A song, or a section of it, that is played at one tempo.

    `number` counts songs from 1. `wish` is None where the tempo is found live. `inside` says that
    the part before it belongs to the same song, so that there is next to no time between them.
    `moves` says between what the tempo moves, None where it is steady. `remark` is what a player
    should know of how the tempo was taken, or nothing.
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
    moves: Moving | None = None
    remark: str = ""

    @property
    def named(self) -> str | None:
        """The section as it is told: how a song begins has a name only where its tempo moves."""
        return self.section or (self.moves.name if self.moves else None)

    @property
    def live_outside(self) -> bool:
        """Whether a song begins here that has no tempo but in its sections."""
        return self.section is not None and not self.inside

    @property
    def entry(self) -> str:
        """The part as a message names it: `song 3 "Low Tide", section "bridge"`."""
        song = song_entry(self.number, self.title)
        return song if self.named is None else f"{song}, section {quoted(self.named)}"


def parts_of(
    setlist: Setlist, midi_sections: Mapping[int, Sequence[Section]] | None = None
) -> tuple[Part, ...]:
    """Everything the set plays, in order.

    `midi_sections` holds, by song number, the tempi that the song's MIDI file gives, counted in the
    song's beat. A song's own sections come before those of its file, but the file's tempo before
    the song's own, unless that is the same but for rounding. A song begins with a part of its own,
    unless only its sections have a tempo: then they are the whole song.
    """
    return tuple(
        part
        for number, song in enumerate(setlist.song, 1)
        for part in _parts(number, song, (midi_sections or {}).get(number, ()))
    )


def _parts(number: int, song: Song, from_file: Sequence[Section]) -> Iterator[Part]:
    first = from_file[0] if from_file else None
    tempo_bpm, remark = _tempo_bpm(song, first)
    sections = song.section or tuple(from_file[1:])
    opens_itself = tempo_bpm is not None or not any(section.tempo_bpm for section in sections)
    if opens_itself:
        part = _part(number, song, Section(""), tempo_bpm, first, inside=False)
        yield msgspec.structs.replace(part, remark=remark)
    for place, section in enumerate(sections):
        yield _part(number, song, section, tempo_bpm, first, inside=opens_itself or place > 0)


def _tempo_bpm(song: Song, first: Section | None) -> tuple[float | None, str]:
    """The tempo the song begins with, and what to say where its file, which counts, differs."""
    own, in_file = song.tempo_bpm, first.tempo_bpm if first else None
    if own is None or in_file is None:
        return own or in_file, ""
    moves = first if isinstance(first, Moving) else None
    low_bpm, high_bpm = (moves.low_bpm, moves.high_bpm) if moves else (in_file, in_file)
    if low_bpm * (1 - SAME_TEMPO_SHARE) <= own <= high_bpm * (1 + SAME_TEMPO_SHARE):
        return in_file if moves else own, ""
    begins = moves.span if moves else f"at {in_file:.4g}"
    file = quoted(song.midi_file)
    return in_file, f"tempo_bpm is {own:g}, but {file} begins {begins}: the file's tempo is taken"


def _part(
    number: int,
    song: Song,
    section: Section,
    song_bpm: float | None,
    first: Section | None,
    *,
    inside: bool,
) -> Part:
    """The part; a section without a tempo has that of the song, be it `first` of its file."""
    tempo_bpm = section.tempo_bpm or song_bpm
    timed = section if section.tempo_bpm else first
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
        moves=timed if isinstance(timed, Moving) else None,
    )
