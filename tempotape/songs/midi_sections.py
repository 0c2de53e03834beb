"""Tempo and its changes from the MIDI files that the songs of a set name."""

from __future__ import annotations

from pathlib import Path

import msgspec

from tempotape.faults import InputFault
from tempotape.songs.moving_tempo import Moving
from tempotape.songs.setlist import Section, Setlist, Song, inside_tree, song_entry
from tempotape.tempo.midi_file import SAME_BPM, TempoSection, read_tempo_map, sections
from tempotape.tempo.notes import NoteValue
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM

# More changes than this are no song that a hand can follow.
MOST_SECTIONS = 100


def midi_sections(setlist: Setlist, path: Path) -> dict[int, tuple[Section, ...]]:
    """By song number, the sections in the song's MIDI file, tempi counted in the song's beat.

    The first one is how the song begins; what has no name in the file is named after its bars, and
    one whose tempo moves also says between what. A song with sections of its own takes only the
    first. `path` is the set's own file. Raises InputFault naming the set, the song and the MIDI
    file.
    """
    found: dict[int, tuple[Section, ...]] = {}
    for number, song in enumerate(setlist.song, 1):
        if song.midi_file is None:
            continue
        entry = song_entry(number, song.title)
        file = inside_tree(song.midi_file, path, key="midi_file", entry=entry)
        try:
            found[number] = _sections(song, file)
        except InputFault as fault:
            told = f"midi_file {fault.source}: {fault.problem}"
            raise InputFault(told, expected=fault.expected, source=str(path), entry=entry) from None
    return found


def _sections(song: Song, file: Path) -> tuple[Section, ...]:
    kept: list[TempoSection] = []
    for section in sections(read_tempo_map(file)):
        # A tempo that moves about the one before it is still no steady one.
        steady = kept and kept[-1].held and section.held
        if not steady or abs(section.tempo_bpm - kept[-1].tempo_bpm) >= SAME_BPM:
            kept.append(section)
    if song.section:
        kept = kept[:1]
    if len(kept) > MOST_SECTIONS:
        raise InputFault(
            f"changes its tempo {len(kept) - 1} times",
            expected=f"at most {MOST_SECTIONS - 1} times, or sections of the song's own",
            source=str(file),
        )
    return tuple(_section(section, song.beat_note, file) for section in kept)


def _section(section: TempoSection, beat: NoteValue, file: Path) -> Section:
    """The section with its tempo counted in `beat`. Raises InputFault where no song has that."""
    quarters = float(beat.quarters)
    tempo_bpm = section.tempo_bpm / quarters
    if not SLOWEST_BPM <= tempo_bpm <= FASTEST_BPM:
        raise InputFault(
            f"bar {section.first_bar} is at {section.tempo_bpm:.4g} to the quarter, "
            f"{tempo_bpm:.4g} to the {beat.name}, the song's beat",
            expected=f"{SLOWEST_BPM:g} to {FASTEST_BPM:g} to the beat, or another beat",
            source=str(file),
        )
    many = section.last_bar > section.first_bar
    bars = f"bars {section.first_bar}-{section.last_bar}" if many else f"bar {section.first_bar}"
    name = section.name or f"{bars}, {section.numerator}/{section.denominator}"
    if section.held:
        return Section(name, tempo_bpm)
    low_bpm, high_bpm = section.low_bpm / quarters, section.high_bpm / quarters
    moving = Moving(name, tempo_bpm, low_bpm=low_bpm, high_bpm=high_bpm)
    return msgspec.structs.replace(moving, name=f"{name}, {moving.span}")
