"""Songs as plain CSV, `title,tempo_bpm`: read as a set, or turned into a set file to go on with."""

from __future__ import annotations

import csv
import io
import os
import tomllib
from collections.abc import Sequence
from pathlib import Path

from tempotape.faults import InputFault
from tempotape.songs.setlist import Setlist, Song, inside_tree, read_setlist
from tempotape.tempo.typed import tempo_bpm
from tempotape.text import printable, quoted
from tempotape.userfiles import LARGEST_BYTES, checked, read_text, resolved, write_whole

COLUMNS = ("title", "tempo_bpm")
_EXPECTED_HEADER = "a first line title,tempo_bpm"


def read_set(path: Path) -> Setlist:
    """The set in a TOML file, or in a file that ends in `.csv`.

    Raises InputFault as `read_setlist` and `songs_from_csv` do.
    """
    if path.suffix.casefold() != ".csv":
        return read_setlist(path)
    return Setlist(format=1, name=printable(path.stem) or "set", song=songs_from_csv(path))


def songs_from_csv(path: Path) -> tuple[Song, ...]:
    """The songs in a CSV file; an empty tempo is a song counted in live.

    Raises InputFault naming file and row.
    """
    source = str(path)
    text = read_text(path, what="CSV file of songs")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as fault:
        raise InputFault(
            f"is not CSV ({fault})", expected=_EXPECTED_HEADER, source=source
        ) from None
    numbered = [(at, row) for at, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    columns = _columns(numbered[0][1] if numbered else [], source)
    songs = tuple(_song(columns, row, source=source, entry=f"row {at}") for at, row in numbered[1:])
    if not songs:
        raise InputFault("no songs", expected="at least one row of a title", source=source)
    return songs


def _columns(header: Sequence[str], source: str) -> list[str]:
    columns = [printable(cell).strip().casefold() for cell in header]
    if sorted(columns) == sorted(COLUMNS):
        return columns
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        if header and mark in header[0]:
            raise InputFault(
                f"cells are parted by {name}",
                expected="commas: save it again as comma-separated",
                source=source,
                entry="row 1",
            )
    raise InputFault(
        f"columns are {quoted(','.join(header))}",
        expected=_EXPECTED_HEADER,
        source=source,
        entry="row 1",
    )


def _song(columns: Sequence[str], row: Sequence[str], *, source: str, entry: str) -> Song:
    if len(row) != len(columns):
        raise InputFault(
            f"{len(row)} cells",
            expected=f"{len(columns)}; a title or tempo with a comma in it stands in quotes",
            source=source,
            entry=entry,
        )
    cells = dict(zip(columns, row, strict=True))
    try:
        known: dict[str, object] = {"title": cells["title"]}
        if cells["tempo_bpm"].strip():
            known["tempo_bpm"] = tempo_bpm(cells["tempo_bpm"])
        return checked(known, Song, source=source)
    except InputFault as fault:
        raise InputFault(
            fault.problem, expected=fault.expected, source=source, entry=entry
        ) from None


def new_set(path: Path, songs: Sequence[Song], *, name: str, unit: Path | None) -> Setlist:
    """Write a set file for `songs` of a CSV and return the set; an existing file is left alone.

    Raises InputFault, with nothing written, where `path` exists or cannot be written, the name or
    the songs make no set, or `unit` lies outside its tree.
    """
    import tomlkit  # noqa: PLC0415 - needed only to write a file

    if path.exists():
        raise InputFault("exists already", expected="the name of a new file", source=str(path))
    document = tomlkit.document()
    document.update({"format": 1, "name": printable(name).strip()})
    if unit is not None:
        named = Path(os.path.relpath(resolved(unit), resolved(path.parent))).as_posix()
        if not _is_unicode(named):
            raise InputFault(
                "its name is not UTF-8, and a set file is",
                expected="a unit file of another name, or leave --unit out here",
                source=str(unit),
            )
        inside_tree(named, path, key="unit", otherwise="leave --unit out here")
        document["unit"] = named
    tables = tomlkit.aot()
    for song in songs:
        table = tomlkit.table()
        table["title"] = song.title
        if song.tempo_bpm is not None:
            table["tempo_bpm"] = song.tempo_bpm
        tables.append(table)
    document["song"] = tables
    text = tomlkit.dumps(document)
    if len(text.encode()) > LARGEST_BYTES:
        raise InputFault(
            f"{len(songs)} songs are more than a set can hold",
            expected=f"a set file of at most {LARGEST_BYTES / 1e6:.0f} MB",
            source=str(path),
        )
    # Checked before it is written, so that nothing is left behind that cannot be read.
    setlist = checked(tomllib.loads(text), Setlist, source=str(path))
    write_whole(path, text)
    return setlist


def _is_unicode(text: str) -> bool:
    """Whether UTF-8 can hold it: the name of a file may be any bytes."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
