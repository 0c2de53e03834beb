"""Files that a person edits: read with care, checked against a type, written whole.

Every fault is an `InputFault` that names the file and the entry, quotes what was met and says what
would be right.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec import inspect as types

from tempotape.faults import InputFault
from tempotape.text import listed, nearest, printable, quoted

LARGEST_BYTES = 1_000_000
# A person writes two or three levels; the parser's own recursion must not be reached.
DEEPEST_NESTING = 60

T = TypeVar("T", bound=msgspec.Struct)
Table = dict[str, Any]
_PLACE = re.compile(r"\.(?P<key>\w+)|\[(?P<index>\d+)\]|\[(?P<any>\.\.\.)\]")


def read_text(path: Path, *, what: str) -> str:
    """The text of a UTF-8 file of at most `LARGEST_BYTES`; `what` names its kind, as `unit file`.

    Raises InputFault where there is no such file, it cannot be read, is too large or is not text.
    """
    source = str(path)
    try:
        if path.is_dir():
            raise InputFault("is a folder", expected=f"a {what}", source=source)
        if not path.is_file() and path.exists():
            raise InputFault("is not a plain file", expected=f"a {what}", source=source)
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise InputFault(
                f"holds {size / 1e6:.1f} MB",
                expected=f"a {what} of at most {LARGEST_BYTES / 1e6:.0f} MB",
                source=source,
            )
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES)
        return content.decode("utf-8-sig")
    except FileNotFoundError:
        raise InputFault("no such file", expected=f"a {what}", source=source) from None
    except UnicodeDecodeError as fault:
        raise InputFault(
            f"byte {fault.start + 1} is not UTF-8",
            expected=f"a {what} in UTF-8 text",
            source=source,
        ) from None
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise InputFault(f"cannot be read ({reason})", source=source) from None


def read_toml(path: Path, *, what: str) -> Table:
    """The tables of a TOML file. Raises InputFault as `read_text` does, and on broken TOML."""
    text = read_text(path, what=what)
    source = str(path)
    try:
        if max(text.count("["), text.count("{")) > DEEPEST_NESTING and _too_deep(text):
            raise InputFault(
                f"nests lists deeper than {DEEPEST_NESTING}", expected=f"a {what}", source=source
            )
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        told, _, place = str(fault).rpartition(" (at ")
        entry = place.rstrip(")") if told else ""
        raise InputFault(
            f"is not TOML: {(told or str(fault)).lower()}",
            expected=f"a {what} as README.md shows it",
            source=source,
            entry=entry,
        ) from None
    except (RecursionError, ValueError):
        # tomllib lets an integer of thousands of digits end in a plain ValueError.
        raise InputFault("is not TOML", expected=f"a {what}", source=source) from None


def _too_deep(text: str) -> bool:
    depth = deepest = 0
    for mark in text:
        if mark in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif mark in "]}":
            depth -= 1
    return deepest > DEEPEST_NESTING


def checked(table: Table, kind: type[T], *, source: str) -> T:
    """`table` as a value of the struct `kind`, its texts made printable.

    Raises InputFault naming `source` and the entry: an unknown key with the nearest known one, a
    missing key, a wrong type, a number out of its range (NaN and infinity are out of every range).
    """
    try:
        return msgspec.convert(_all_printable(table), kind)
    except RecursionError:
        raise InputFault(
            "nests tables too deeply", expected="the tables README.md shows", source=source
        ) from None
    except msgspec.ValidationError as fault:
        root = types.type_info(kind)
        raise _unknown(table, root, source) or _located(str(fault), table, root, source) from None


def _unknown(table: Table, root: types.Type, source: str) -> InputFault | None:
    """The first unknown key, told before anything else: a misspelt key also misses its own."""
    for path, unknown, known in _unknown_keys(table, root, ()):
        close = nearest(unknown, known)
        return InputFault(
            f"unknown key {quoted(unknown)}",
            expected=quoted(close) if close else listed(known),
            source=source,
            entry=_entry(table, path),
        )
    return None


def _all_printable(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value).strip()
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()  # a date of the TOML kind is taken as the text it was written as
    if isinstance(value, dict):
        return {printable(key).strip(): _all_printable(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_all_printable(part) for part in value]
    return value


def _unknown_keys(
    value: object, kind: types.Type, path: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], str, list[str]]]:
    kind = _without_none(kind)
    if isinstance(kind, types.StructType) and isinstance(value, dict):
        fields = {field.encode_name: field.type for field in kind.fields}
        for key, part in value.items():
            if key not in fields:
                yield path, key, list(fields)
            else:
                yield from _unknown_keys(part, fields[key], (*path, key))
    elif isinstance(kind, types.VarTupleType) and isinstance(value, list):
        for index, part in enumerate(value):
            yield from _unknown_keys(part, kind.item_type, (*path, index))


def _without_none(kind: types.Type) -> types.Type:
    """The type itself where a field may also be left out."""
    if isinstance(kind, types.UnionType):
        rest = [part for part in kind.types if not isinstance(part, types.NoneType)]
        return rest[0] if len(rest) == 1 else kind
    return kind


def _located(message: str, table: Table, root: types.Type, source: str) -> InputFault:
    """msgspec's message turned into ours: entry, key, the value met and what would be right."""
    told, _, place = message.rpartition(" - at `$")
    if not told:  # a fault of the file as a whole carries no place
        told, place = message, ""
    path = _steps(place, table)
    missing = re.search(r"missing required field `(\w+)`", told)
    if missing:
        key, (wanted, _) = missing[1], _walk(root, table, (*path, missing[1]))
        return InputFault(
            f"{key} is missing",
            expected=_wanted(wanted),
            source=source,
            entry=_entry(table, path),
        )
    wanted, met = _walk(root, table, path)
    key = next((step for step in reversed(path) if isinstance(step, str)), "")
    inside = path[: len(path) - path[::-1].index(key) - 1] if key else ()
    if path and isinstance(path[-1], int):
        key = f"{key} {path[-1] + 1}"
    return InputFault(
        f"{key} is {quoted(met)}" if met != "" else f"{key} is empty",
        expected=_wanted(wanted),
        source=source,
        entry=_entry(table, inside),
    )


def _steps(place: str, table: Table) -> tuple[str | int, ...]:
    """Keys and list places on the way to `place`, written as `.measured[3].delay_ms`."""
    path: list[str | int] = []
    value: Any = table
    for step in _PLACE.finditer(place.rstrip("`")):
        if step["any"]:
            # msgspec does not say which key of a free table: the one that holds no plain value.
            path.append(next(key for key, part in value.items() if isinstance(part, list | dict)))
        else:
            path.append(int(step["index"]) if step["index"] else step["key"])
        with contextlib.suppress(KeyError, IndexError, TypeError):
            value = value[path[-1]]
    return tuple(path)


def _walk(
    kind: types.Type,
    value: Any,
    path: tuple[str | int, ...],
) -> tuple[types.Type, Any]:
    """The type wanted at `path` and the value met there (None where there is none)."""
    for step in path:
        kind = _without_none(kind)
        if isinstance(kind, types.StructType):
            kind = next(field.type for field in kind.fields if field.encode_name == step)
        elif isinstance(kind, types.VarTupleType):
            kind = kind.item_type
        elif isinstance(kind, types.DictType):
            kind = kind.value_type
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None
    return _without_none(kind), value


def _entry(table: Table, path: tuple[str | int, ...]) -> str:
    """A path as a reader finds it: `song 3 "Low Tide"`, `measured 4`, `knob`."""
    told: list[str] = []
    value: Any = table
    for step in path:
        value = value[step]
        if isinstance(step, int):
            told[-1] += f" {step + 1}"
            if isinstance(value, dict):
                label = value.get("title", value.get("name"))
                told[-1] += f" {quoted(label)}" if isinstance(label, str) and label else ""
        else:
            told.append(str(step))
    return ", ".join(told)


def _wanted(kind: types.Type) -> str:
    if isinstance(kind, types.FloatType | types.IntType):
        return _range_text(kind)
    if isinstance(kind, types.LiteralType):
        return listed(quoted(value) for value in kind.values)
    if isinstance(kind, types.StrType):
        return f"text of up to {kind.max_length} characters" if kind.max_length else "text"
    if isinstance(kind, types.VarTupleType):
        return "a list"
    if isinstance(kind, types.UnionType):
        return "text, a number or a date"
    return "a table"


def _range_text(kind: types.FloatType | types.IntType) -> str:
    if kind.gt is not None:
        return f"a number above {kind.gt:g}, at most {kind.le:g}"
    whole = "a whole number from " if isinstance(kind, types.IntType) else ""
    return f"{whole}{kind.ge:g} to {kind.le:g}"


def resolved(path: Path) -> Path:
    """Where `path` leads, links followed. Raises InputFault for a link that leads to itself."""
    try:
        target = path.resolve()
        if not target.is_symlink():
            return target
    except (OSError, RuntimeError):  # the latter up to Python 3.12
        pass
    raise InputFault("is a link that leads to itself", expected="a file", source=str(path))


def write_whole(path: Path, text: str) -> None:
    """Write `text` to `path` as `written_whole` does."""
    with (
        written_whole(path) as handle,
        open(handle, "w", encoding="utf-8", newline="", closefd=False) as file,
    ):
        file.write(text)


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[int]:
    """A descriptor to write to; what is written takes the place of the file at `path` at the end.

    A reader or a power cut meets the old file or the new one, and what breaks in leaves the old
    one. A link is followed, so that the file it names is the one replaced. Raises InputFault where
    the folder cannot be written, the disk is full, or the links lead nowhere.
    """
    target = resolved(path)
    try:
        import tempfile  # noqa: PLC0415 - not to read

        handle, partial = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        try:
            try:
                yield handle
                os.fsync(handle)
            finally:
                os.close(handle)
            mode = target.stat().st_mode & 0o777 if target.exists() else 0o644
            Path(partial).chmod(mode)
            Path(partial).replace(target)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(partial).unlink()
            raise
    except OSError as fault:
        raise InputFault(f"cannot be written ({fault.strerror})", source=str(path)) from None
