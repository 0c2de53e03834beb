"""A set file taken apart as text: its songs' lines cut out, edited, put in order, joined again.

Everything that is not edited stays as it was to the last blank; only the lines of an edited table
go through the TOML writer.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Any

SONG = re.compile(r"""^[ \t]*\[\[[ \t]*(?:song|"song"|'song')[ \t]*\]\]""", re.MULTILINE)
TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)
# A list of repeats with its values one a line, and such a line.
_LIST = re.compile(
    r"^[ \t]*repeats[ \t]*=[ \t]*\[[ \t]*(?:#[^\n]*)?\r?\n(?P<lines>.*?)^[ \t]*\]",
    re.MULTILINE | re.DOTALL,
)
_VALUE = re.compile(
    r"""(?P<indent>[ \t]*)(?P<value>"[^"\\\n]*"|'[^'\n]*')(?:[ \t]*(?P<comma>,))?"""
    r"(?P<rest>[ \t]*(?:#[^\n]*)?\r?\n)"
)
_HEAD = re.compile(
    r"""^(?P<indent>[ \t]*)head[ \t]*=[ \t]*(?:"[^"\\\n]*"|'[^'\n]*')[ \t]*"""
    r"(?:(?P<comment>#[^\n]*\n?)|\r?\n|\Z)",
    re.MULTILINE,
)


def edited(piece: str, changes: dict[str, Any], *tables: str) -> str:
    """The lines of a table with some entries changed; a new entry follows the table's own ones."""
    import tomlkit  # noqa: PLC0415 - needed only to rewrite a file

    if not changes:
        return piece
    body, gap = _without_gap(piece)
    line_end = "\r\n" if "\r\n" in piece else "\n"
    body = body if body.endswith("\n") else body + line_end
    left = dict(changes)
    if "repeats" in left:
        moved = _with_lines_moved(body, left["repeats"], line_end)
        if _entries(moved, tables).get("repeats") == list(left["repeats"]):
            body = moved
            del left["repeats"]
    if "head" in left and left["head"] is None:
        without = _HEAD.sub(_comment_alone, body, count=1)
        if "head" not in _entries(without, tables, {"head": "as before"}):
            body = without
            del left["head"]
    document = tomlkit.parse(body)
    table = _table(document, tables)
    for key, value in left.items():
        if value is None:
            del table[key]
        elif key == "repeats":
            _set_list(table, key, value)
        else:
            whole = isinstance(value, float) and value.is_integer()
            table[key] = int(value) if whole else value
    now = re.sub(r"\r?\n", line_end, tomlkit.dumps(document)).removesuffix(line_end)
    return f"{now}{gap}"


def _table(document: Any, tables: Sequence[str]) -> Any:
    """The one table in a piece, of which `tables` name the way."""
    for name in tables:
        document = document[name]
        document = document[0] if isinstance(document, list) else document
    return document


def _entries(text: str, tables: Sequence[str], otherwise: dict[str, Any] | None = None) -> Any:
    """What a piece says, or `otherwise` where it is not TOML."""
    return _table(tomllib.loads(text), tables) if is_toml(text) else otherwise or {}


def _comment_alone(line: re.Match[str]) -> str:
    """Of a line that goes, the comment beside it stays."""
    return f"{line['indent']}{line['comment']}" if line["comment"] else ""


def _with_lines_moved(body: str, values: Sequence[str], line_end: str) -> str:
    """The list of repeats in a new order, each value with its line and the comments above it.

    `values` may hold one value more than the list does. A list that is written otherwise, not a
    value a line, stays as it is.
    """
    found = _LIST.search(body)
    if found is None:
        return body
    lines: dict[str, list[tuple[str, re.Match[str]]]] = {}
    comments, indent, comma = "", "", ""
    for line in found["lines"].splitlines(keepends=True):
        value = _VALUE.fullmatch(line)
        if value is not None:
            lines.setdefault(value["value"][1:-1].strip(), []).append((comments, value))
            comments, indent, comma = "", value["indent"], value["comma"] or ""
        elif not line.strip() or line.lstrip().startswith("#"):
            comments += line
        else:
            return body
    told = ""
    for place, name in enumerate(values):
        ending = comma if place == len(values) - 1 else ","
        if lines.get(name):
            above, value = lines[name].pop(0)
            told += f"{above}{value['indent']}{value['value']}{ending}{value['rest']}"
        else:
            told += f'{indent}"{name}"{ending}{line_end}'
    begin, end = found.span("lines")
    return body[:begin] + told + comments + body[end:]


def _set_list(table: Any, key: str, values: Sequence[str]) -> None:
    """Write a list value by value, so that its lines and their comments stay where they are."""
    if key not in table:
        table[key] = list(values)
        return
    listed = table[key]
    if len(listed) < len(values):
        listed.insert(0, values[0])
    for place, value in enumerate(values):
        if listed[place] != value:
            listed[place] = value


def pieces_of(
    text: str, header: re.Pattern[str] = SONG, *, skip: re.Pattern[str] | None = None
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
        if cut < len(text) and not is_toml(text[begun:cut]):
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
        if not _is_comment(piece[line_start:at]):
            break
        at = line_start
    return at


def last_words(piece: str) -> int:
    """Where the comments begin that end the file: they are no song's.

    An entry of the last song that was made a comment is the song's still.
    """
    lines = piece.splitlines(keepends=True)
    begin = len(lines)
    while begin > 0 and (not lines[begin - 1].strip() or _is_comment(lines[begin - 1])):
        begin -= 1
    while begin < len(lines) and (
        not lines[begin].strip("# \t\r\n") or is_toml(lines[begin].lstrip("# \t"))
    ):
        begin += 1
    return len(piece) - sum(map(len, lines[begin:]))


def _is_comment(line: str) -> bool:
    """Whether the line is nothing but a comment."""
    # The last line of a string of several lines may look like one.
    return line.lstrip().startswith("#") and '"""' not in line and "'''" not in line


def _without_gap(piece: str) -> tuple[str, str]:
    """A piece without the blank lines at its end, and these with the last line's end."""
    body = piece.rstrip(" \t\r\n")
    return body, piece[len(body) :]


def ordered(pieces: Sequence[str], order: Sequence[int]) -> list[str]:
    """The pieces with the songs in another order; the blank lines between them stay in place."""
    songs = [_without_gap(piece) for piece in pieces[1:]]
    return [
        pieces[0],
        *(songs[place][0] + gap for place, (_, gap) in zip(order, songs, strict=True)),
    ]


def is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except ValueError:  # TOMLDecodeError is one
        return False
    return True
