"""What was changed on the stage, written back into the set file that a person wrote.

`set_lines` takes the file apart and puts it together again.
"""

from __future__ import annotations

import hashlib
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from tempotape.advice.ranking import Taste
from tempotape.faults import InputFault
from tempotape.songs.set_lines import (
    SONG,
    TABLE,
    edited,
    is_toml,
    last_words,
    ordered,
    pieces_of,
)
from tempotape.songs.setlist import Section, Setlist, Song, read_setlist, song_entry
from tempotape.tempo.notes import note_value
from tempotape.text import quoted
from tempotape.userfiles import LARGEST_BYTES, checked, read_text, write_whole

_WHAT = "setlist file"
_TAKE_FIRST = "take the file as it is now first"
_AS_READ = f"the set as it was read; {_TAKE_FIRST}"
# A tempo is written to a hundredth: at 20 BPM that is 0.025 %, a hundredth of what a listener
# notices (2.5 %, Friberg and Sundberg 1995), where a tapped tempo has fifteen figures.
_TEMPO_DECIMALS = 2
# A file saved this soon before it was looked at may be saved again under the same time: the
# coarsest clock of a file system in use (FAT) counts two seconds.
_SETTLED_NS = 2_000_000_000


class SongEdit(msgspec.Struct, frozen=True):
    """What was changed of the song at `place` in the file, counted from 0; None is left alone.

    `title` is the one the song had when the set was read. `note` is the note value wanted first.
    `no_head` takes the line that insists on a head out. With `section`, counted from 0 within the
    song, tempo and note are those of that section, which was called `section_name`.
    """

    place: int
    title: str
    tempo_bpm: float | None = None
    note: str | None = None
    taste: Taste | None = None
    head: str | None = None
    no_head: bool = False
    section: int | None = None
    section_name: str = ""


class FileStamp(msgspec.Struct, frozen=True):
    """A file as it was at one look: size, time saved, time of the look, SHA-256 of its content.

    A file that is not there, or cannot be read, has no content: `digest` is empty.
    """

    size: int
    saved_ns: int
    looked_ns: int
    digest: str


def stamp(path: Path) -> FileStamp:
    """The file at `path` as it is now. Never raises."""
    looked_ns = time.time_ns()
    try:
        state = path.stat()
        return FileStamp(state.st_size, state.st_mtime_ns, looked_ns, _digest(path))
    except (OSError, ValueError):
        return FileStamp(0, 0, looked_ns, "")


def changed(path: Path, before: FileStamp) -> bool:
    """Whether the content at `path` differs from what it was at the stamp. Never raises.

    Size and time are looked at first; the content is read only where they differ, or where they
    cannot tell because the file was saved just before the stamp.
    """
    try:
        state = path.stat()
        looks_same = (state.st_size, state.st_mtime_ns) == (before.size, before.saved_ns)
        if looks_same and before.looked_ns - before.saved_ns > _SETTLED_NS:
            return False
        return _digest(path) != before.digest
    except (OSError, ValueError):
        return before.digest != ""


def _digest(path: Path) -> str:
    """SHA-256 of as much of a plain file as would be read of a set. Raises OSError."""
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        return hashlib.sha256(file.read(LARGEST_BYTES + 1)).hexdigest()


def write_back(
    path: Path,
    edits: Sequence[SongEdit],
    order: tuple[int, ...] | None = None,
    *,
    seen: FileStamp | None = None,
) -> Setlist:
    """Write `edits` into the set file at `path`, and its songs in `order` where that is given.

    `order` lists the places of the songs in the file, each once, in the order wanted. Comments and
    layout stay; a comment directly above a song goes with it, one at the end of the file stays
    there. Returns the set as it now stands.
    Raises InputFault, with the file unchanged, where a song is no longer where it was, the content
    is no longer the one `seen`, an edit or the order does not fit, or the file is laid out so that
    it cannot be rewritten.
    """
    source = str(path)
    if seen is not None and changed(path, seen):
        raise InputFault("has changed", expected=_AS_READ, source=source)
    before = read_setlist(path)
    text = read_text(path, what=_WHAT)
    *pieces, last = pieces_of(text)
    end = last_words(last) if pieces else len(last)
    pieces.append(last[:end])
    if len(pieces) != len(before.song) + 1:
        raise InputFault(
            "songs are not written as [[song]] tables",
            expected="a line [[song]] above each song, to write changes back",
            source=source,
        )
    songs = list(before.song)
    for edit in edits:
        _check_place(edit, before.song, source)
        at = edit.place
        try:
            songs[at], pieces[at + 1] = _edited_song(songs[at], pieces[at + 1], edit)
        except InputFault as fault:
            entry = song_entry(at + 1, edit.title)
            raise InputFault(
                fault.problem, expected=fault.expected, source=source, entry=entry
            ) from None
    if order is not None:
        if sorted(order) != list(range(len(songs))):
            raise InputFault(
                f"the new order does not name each of the {len(songs)} songs once",
                expected=_AS_READ,
                source=source,
            )
        songs = [songs[place] for place in order]
        pieces = ordered(pieces, order)
    wanted = msgspec.structs.replace(before, song=tuple(songs))
    new = "".join((*pieces, last[end:]))
    if new != text:
        _check(new, wanted, source)
        write_whole(path, new)
    return wanted


def _check_place(edit: SongEdit, songs: Sequence[Song], source: str) -> None:
    """The song must still be where it was when the set was read. Raises InputFault."""
    if not 0 <= edit.place < len(songs):
        raise InputFault(
            f"no song {edit.place + 1}",
            expected=f"{quoted(edit.title)}, as it was read; {_TAKE_FIRST}",
            source=source,
        )
    title = songs[edit.place].title
    if title != edit.title:
        raise InputFault(
            f"song {edit.place + 1} is {quoted(title)}",
            expected=f"{quoted(edit.title)}, as it was read; {_TAKE_FIRST}",
            source=source,
        )


def _edited_song(song: Song, piece: str, edit: SongEdit) -> tuple[Song, str]:
    """The song and its lines after the edit. Raises InputFault."""
    own, *sections = pieces_of(piece, TABLE, skip=SONG)
    if edit.section is None:
        changes = _changes(song, edit)
        own = edited(own, changes, "song")
        return msgspec.structs.replace(song, **changes), "".join((own, *sections))
    section = _section(song, edit)
    if len(sections) != len(song.section):
        raise InputFault(
            "sections are not written as [[song.section]] tables",
            expected="a line [[song.section]] above each section, to write changes back",
        )
    changes = _section_changes(song, section, edit)
    sections[edit.section] = edited(sections[edit.section], changes, "song", "section")
    now = list(song.section)
    now[edit.section] = msgspec.structs.replace(section, **changes)
    return msgspec.structs.replace(song, section=tuple(now)), "".join((own, *sections))


def _section(song: Song, edit: SongEdit) -> Section:
    """The section that is edited, which must still be where it was. Raises InputFault."""
    wanted = f"{quoted(edit.section_name)}, as it was read; {_TAKE_FIRST}"
    place = edit.section or 0
    if not 0 <= place < len(song.section):
        raise InputFault(f"no section {place + 1}", expected=wanted)
    section = song.section[place]
    if section.name != edit.section_name:
        raise InputFault(f"section {place + 1} is {quoted(section.name)}", expected=wanted)
    return section


def _section_changes(song: Song, section: Section, edit: SongEdit) -> dict[str, Any]:
    if edit.taste is not None or edit.head is not None or edit.no_head:
        raise InputFault(
            f"section {quoted(section.name)} has no taste and no head of its own",
            expected="an edit of the song",
        )
    changes = _tempo_change(section.tempo_bpm, edit)
    changes |= _note_change(section.repeats or song.repeats, edit)
    return changes


def _changes(song: Song, edit: SongEdit) -> dict[str, Any]:
    """The entries of the song that become others, None where one goes. Raises InputFault."""
    changes = _tempo_change(song.tempo_bpm, edit)
    if changes and song.midi_file is not None:
        # The file's tempo counts, so that another one in the set would change nothing.
        raise InputFault(
            f"the tempo comes from {quoted(song.midi_file)}",
            expected="a song without midi_file, to write a tempo back",
        )
    changes |= _note_change(song.repeats, edit)
    if edit.taste not in (None, song.taste):
        changes["taste"] = edit.taste
    head = None if edit.no_head else song.head if edit.head is None else edit.head
    if head != song.head:
        changes["head"] = head
    return changes


def _tempo_change(now_bpm: float | None, edit: SongEdit) -> dict[str, Any]:
    if edit.tempo_bpm is None:
        return {}
    tempo_bpm = round(edit.tempo_bpm, _TEMPO_DECIMALS)
    return {} if tempo_bpm == now_bpm else {"tempo_bpm": tempo_bpm}


def _note_change(repeats: tuple[str, ...], edit: SongEdit) -> dict[str, Any]:
    """The note value wanted first moved up as it was written, or added. Raises InputFault."""
    if edit.note is None:
        return {}
    note = note_value(edit.note)
    notes = [note_value(name) for name in repeats]
    if note == notes[0]:
        return {}
    if note not in notes:
        return {"repeats": (note.name, *repeats)}
    at = notes.index(note)
    return {"repeats": (repeats[at], *repeats[:at], *repeats[at + 1 :])}


def _check(text: str, wanted: Setlist, source: str) -> None:
    """The new text must read back as the set that is wanted, and nothing else. Raises InputFault.

    The set before has been through all the checks of a setlist, and a note value through its own;
    types and ranges are checked here again.
    """
    found = checked(tomllib.loads(text), Setlist, source=source) if is_toml(text) else None
    if found != wanted:
        raise InputFault(
            "its layout does not allow the change", expected="the change by hand", source=source
        )
    if len(text.encode()) > LARGEST_BYTES:
        raise InputFault(
            "would grow too large to be read",
            expected=f"at most {LARGEST_BYTES / 1e6:.0f} MB",
            source=source,
        )
