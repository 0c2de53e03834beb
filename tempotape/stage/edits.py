"""Which changes made on the stage belong in the set file, and which stay with the stage."""

from __future__ import annotations

from collections.abc import Iterator

from tempotape.songs.set_edit import SongEdit
from tempotape.stage.state import Edit, StageState


def song_edits(state: StageState) -> tuple[SongEdit, ...]:
    """The changes of songs, as the set file can hold them; those of sections it cannot."""
    return tuple(_song_edits(state))


def edits_left(state: StageState) -> dict[int, Edit]:
    """What stays with the stage once the songs are written: sections, and half or double tempo."""
    return {
        at: edit if state.parts[at].inside else Edit(None, None, edit.taste, edit.head, edit.factor)
        for at, edit in state.edits.items()
        if state.parts[at].inside or edit.factor != 1.0
    }


def _song_edits(state: StageState) -> Iterator[SongEdit]:
    if state.setlist is None:
        return
    for at, edit in sorted(state.edits.items()):
        part = state.parts[at]
        song = state.setlist.song[part.number - 1]
        if part.inside:
            continue
        # A tempo that a MIDI file or a section gives is not the song's to write.
        own_tempo = song.midi_file is None and part.section is None
        note = edit.note.name if edit.note and edit.note != song.repeat_notes[0] else None
        change = SongEdit(
            place=part.number - 1,
            title=song.title,
            tempo_bpm=edit.tempo_bpm if own_tempo and edit.tempo_bpm != song.tempo_bpm else None,
            note=note,
            taste=edit.taste if edit.taste != song.taste else None,
            head=edit.head if edit.head != song.head else None,
        )
        if change != SongEdit(part.number - 1, song.title):
            yield change
