"""Which changes made on the stage belong in the set file, and which stay with the stage."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from tempotape.songs.set_edit import SongEdit
from tempotape.stage.state import Edit, StageState


def song_edits(state: StageState) -> tuple[SongEdit, ...]:
    """The changes of songs, as the set file can hold them."""
    return tuple(change for _, change in _song_edits(state))


def change_count(state: StageState) -> int:
    """How many things were changed of songs and sections."""
    return sum(
        (edit.tempo_bpm is not None)
        + (edit.note is not None)
        + (edit.taste is not None)
        + edit.head_chosen
        + (edit.factor is not None)
        + (edit.way is not None)
        for edit in state.edits.values()
    )


def edits_left(state: StageState) -> dict[int, Edit]:
    """What stays with the stage once the songs are written: all that the file cannot hold."""
    left = dict(state.edits)
    for at, change in _song_edits(state):
        edit = left[at]
        if change.tempo_bpm is not None:
            edit = msgspec.structs.replace(edit, tempo_bpm=None)
        if change.note is not None:
            edit = msgspec.structs.replace(edit, note=None)
        if change.taste is not None:
            edit = msgspec.structs.replace(edit, taste=None)
        if change.head is not None or change.no_head:
            edit = msgspec.structs.replace(edit, head=None, head_chosen=False)
        left[at] = edit
    return {at: edit for at, edit in left.items() if edit != Edit()}


def _song_edits(state: StageState) -> Iterator[tuple[int, SongEdit]]:
    for at, edit in sorted(state.edits.items()):
        part = state.parts[at]
        made = _song_edit if part.section is None and not part.inside else _section_edit
        change = made(state, at, edit)
        if change is not None:
            yield at, change


def _song_edit(state: StageState, at: int, edit: Edit) -> SongEdit | None:
    place = state.parts[at].number - 1
    assert state.setlist is not None  # noqa: S101 - parts come from a set
    song = state.setlist.song[place]
    # A tempo that a MIDI file gives is not the song's to write.
    own_tempo = song.midi_file is None
    change = SongEdit(
        place=place,
        title=song.title,
        tempo_bpm=edit.tempo_bpm if own_tempo and edit.tempo_bpm != song.tempo_bpm else None,
        note=edit.note.name if edit.note and edit.note != song.repeat_notes[0] else None,
        taste=edit.taste if edit.taste != song.taste else None,
        head=edit.head if edit.head_chosen and edit.head != song.head else None,
        no_head=edit.head_chosen and edit.head is None and song.head is not None,
    )
    return None if change == SongEdit(place, song.title) else change


def _section_edit(state: StageState, at: int, edit: Edit) -> SongEdit | None:
    """Tempo and note of a section that the file itself has; those of a MIDI file stay its own."""
    part = state.parts[at]
    assert state.setlist is not None  # noqa: S101 - parts come from a set
    song = state.setlist.song[part.number - 1]
    earlier = state.parts[state.first_part(part.number - 1) : at]
    section = sum(one.section is not None for one in earlier)
    if section >= len(song.section) or song.section[section].name != part.section:
        return None
    wanted = part.wish.repeats[0] if part.wish else song.repeat_notes[0]
    same = SongEdit(part.number - 1, song.title, section=section, section_name=part.section or "")
    change = msgspec.structs.replace(
        same,
        tempo_bpm=edit.tempo_bpm if edit.tempo_bpm != part.tempo_bpm else None,
        note=edit.note.name if edit.note and edit.note != wanted else None,
    )
    return None if change == same else change
