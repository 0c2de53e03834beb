"""What was changed on the stage, written back into the set file that a person wrote.

The file is taken apart as text, one piece a song, so that everything that is not changed stays as
it was to the last blank; only the lines of an edited song go through the TOML writer.
"""

from __future__ import annotations

import hashlib
import re
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from tempotape.advice.ranking import Taste
from tempotape.faults import InputFault
from tempotape.songs.setlist import Setlist, Song, read_setlist, song_entry
from tempotape.tempo.notes import note_value
from tempotape.text import quoted
from tempotape.userfiles import LARGEST_BYTES, checked, read_text, write_whole

_WHAT = "setlist file"
_READ_AGAIN = "the set as it was read; read it again"
# A tempo is written to a hundredth: at 20 BPM that is 0.025 %, a hundredth of what a listener
# notices (2.5 %, Friberg and Sundberg 1995), where a tapped tempo has fifteen figures.
_TEMPO_DECIMALS = 2
# A file saved this soon before it was looked at may be saved again under the same time: the
# coarsest clock of a file system in use (FAT) counts two seconds.
_SETTLED_NS = 2_000_000_000

_SONG = re.compile(r"""^[ \t]*\[\[[ \t]*(?:song|"song"|'song')[ \t]*\]\]""", re.MULTILINE)
_TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)


class SongEdit(msgspec.Struct, frozen=True):
    """What was changed of the song at `place` in the file, counted from 0; None is left alone.

    `title` is the one the song had when the set was read. `note` is the note value wanted first.
    """

    place: int
    title: str
    tempo_bpm: float | None = None
    note: str | None = None
    taste: Taste | None = None
    head: str | None = None


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
    layout stay; a comment directly above a song goes with it. Returns the set as it now stands.
    Raises InputFault, with the file unchanged, where a song is no longer where it was, the content
    is no longer the one `seen`, an edit or the order does not fit, or the file is laid out so that
    it cannot be rewritten.
    """
    source = str(path)
    if seen is not None and changed(path, seen):
        raise InputFault("has changed", expected=_READ_AGAIN, source=source)
    before = read_setlist(path)
    text = read_text(path, what=_WHAT)
    pieces = _pieces(text)
    if len(pieces) != len(before.song) + 1:
        raise InputFault(
            "songs are not written as [[song]] tables",
            expected="a line [[song]] above each song, to write changes back",
            source=source,
        )
    songs = list(before.song)
    for edit in edits:
        _check_place(edit, before.song, source)
        try:
            changes = _changes(songs[edit.place], edit)
        except InputFault as fault:
            entry = song_entry(edit.place + 1, edit.title)
            raise InputFault(
                fault.problem, expected=fault.expected, source=source, entry=entry
            ) from None
        if changes:
            songs[edit.place] = msgspec.structs.replace(songs[edit.place], **changes)
            pieces[edit.place + 1] = _edited(pieces[edit.place + 1], changes)
    if order is not None:
        if sorted(order) != list(range(len(songs))):
            raise InputFault(
                f"the new order does not name each of the {len(songs)} songs once",
                expected=_READ_AGAIN,
                source=source,
            )
        songs = [songs[place] for place in order]
        pieces = _ordered(pieces, order)
    wanted = msgspec.structs.replace(before, song=tuple(songs))
    new = "".join(pieces)
    if new != text:
        _check(new, wanted, source)
        write_whole(path, new)
    return wanted


def _check_place(edit: SongEdit, songs: Sequence[Song], source: str) -> None:
    """The song must still be where it was when the set was read. Raises InputFault."""
    if not 0 <= edit.place < len(songs):
        raise InputFault(
            f"no song {edit.place + 1}",
            expected=f"{quoted(edit.title)}, as it was read; read the set again",
            source=source,
        )
    title = songs[edit.place].title
    if title != edit.title:
        raise InputFault(
            f"song {edit.place + 1} is {quoted(title)}",
            expected=f"{quoted(edit.title)}, as it was read; read the set again",
            source=source,
        )


def _changes(song: Song, edit: SongEdit) -> dict[str, Any]:
    """The entries of the song that become others. Raises InputFault."""
    changes: dict[str, Any] = {}
    if edit.tempo_bpm is not None:
        tempo_bpm = round(edit.tempo_bpm, _TEMPO_DECIMALS)
        if tempo_bpm != song.tempo_bpm:
            changes["tempo_bpm"] = tempo_bpm
    if "tempo_bpm" in changes and song.midi_file is not None:
        # The two would disagree, and such a set cannot be planned.
        raise InputFault(
            f"the tempo comes from {quoted(song.midi_file)}",
            expected="a song without midi_file, to write a tempo back",
        )
    if edit.note is not None:
        note = note_value(edit.note)
        if note != song.repeat_notes[0]:
            rest = tuple(name for name in song.repeats if note_value(name) != note)
            own = next((name for name in song.repeats if note_value(name) == note), note.name)
            changes["repeats"] = (own, *rest)
    if edit.taste not in (None, song.taste):
        changes["taste"] = edit.taste
    if edit.head not in (None, song.head):
        changes["head"] = edit.head
    return changes


def _edited(piece: str, changes: dict[str, Any]) -> str:
    """The lines of a song with some entries changed; a new entry follows the song's own ones."""
    import tomlkit  # noqa: PLC0415 - needed only to rewrite a file

    first, *rest = _pieces(piece, _TABLE, skip=_SONG)
    body, gap = _without_gap(first)
    line_end = "\r\n" if "\r\n" in piece else "\n"
    document = tomlkit.parse(body if body.endswith("\n") else body + line_end)
    song: Any = document["song"][0]
    for key, value in changes.items():
        if key == "repeats":
            _set_list(song, key, value)
        else:
            whole = isinstance(value, float) and value.is_integer()
            song[key] = int(value) if whole else value
    edited = re.sub(r"\r?\n", line_end, tomlkit.dumps(document)).removesuffix(line_end)
    return "".join((edited, gap, *rest))


def _set_list(song: Any, key: str, values: Sequence[str]) -> None:
    """Write a list value by value, so that its lines and their comments stay where they are."""
    if key not in song:
        song[key] = list(values)
        return
    listed = song[key]
    while len(listed) > len(values):
        del listed[-1]
    if len(listed) < len(values):
        listed.insert(0, values[0])
    for place, value in enumerate(values):
        if listed[place] != value:
            listed[place] = value


def _pieces(
    text: str, header: re.Pattern[str] = _SONG, *, skip: re.Pattern[str] | None = None
) -> list[str]:
    """`text` cut above each `header`, whose comment directly above goes with it.

    What looks like a header inside a string of several lines is none: the text above it is not
    TOML by itself. The first piece is what stands above the first header; a header that `skip`
    matches is passed over.
    """
    cuts = [
        found.start()
        for found in header.finditer(text)
        if skip is None or not skip.match(text, found.start())
    ]
    pieces: list[str] = []
    begun = 0
    for cut in (*cuts, len(text)):
        if cut < len(text) and not _is_toml(text[begun:cut]):
            continue
        pieces.append(text[begun:cut])
        begun = cut
    for place in range(len(pieces) - 1):
        at = _comment_start(pieces[place])
        pieces[place], above = pieces[place][:at], pieces[place][at:]
        pieces[place + 1] = above + pieces[place + 1]
    return pieces


def _comment_start(piece: str) -> int:
    """Where the lines of comment begin that end the piece, with no blank line after them."""
    at = len(piece)
    while at > 0:
        line_start = piece.rfind("\n", 0, at - 1) + 1
        line = piece[line_start:at].strip()
        # The last line of a string of several lines may look like a comment.
        if not line.startswith("#") or '"""' in line or "'''" in line:
            break
        at = line_start
    return at


def _without_gap(piece: str) -> tuple[str, str]:
    """A piece without the blank lines at its end, and these with the last line's end."""
    body = piece.rstrip(" \t\r\n")
    return body, piece[len(body) :]


def _ordered(pieces: Sequence[str], order: Sequence[int]) -> list[str]:
    """The pieces with the songs in another order; the blank lines between them stay in place."""
    songs = [_without_gap(piece) for piece in pieces[1:]]
    return [
        pieces[0],
        *(songs[place][0] + gap for place, (_, gap) in zip(order, songs, strict=True)),
    ]


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except ValueError:  # TOMLDecodeError is one
        return False
    return True


def _check(text: str, wanted: Setlist, source: str) -> None:
    """The new text must read back as the set that is wanted, and nothing else. Raises InputFault.

    The set before has been through all the checks of a setlist, and a note value through its own;
    types and ranges are checked here again.
    """
    found = checked(tomllib.loads(text), Setlist, source=source) if _is_toml(text) else None
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
