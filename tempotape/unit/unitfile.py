"""Reading and checking a unit file (`calibrations/*.toml`)."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from tempotape.faults import InputFault
from tempotape.text import listed, nearest, quoted
from tempotape.unit.model import Head, Knob, Point, Steadiness, Unit
from tempotape.userfiles import LARGEST_BYTES, checked, read_text, read_toml, write_whole


def read_unit(path: Path) -> Unit:
    """The unit described in the TOML file at `path`.

    Raises InputFault for anything in it that cannot be used, naming file and entry.
    """
    source = str(path)
    unit = checked(read_toml(path, what="unit file"), Unit, source=source)
    try:
        check_unit(unit)
    except InputFault as fault:
        raise fault.located(source=source) from None
    return unit


def add_points(path: Path, points: Sequence[Point]) -> Unit:
    """Append measured points to the unit file at `path`, keeping its comments and order.

    Returns the unit as it now stands. Raises InputFault, with the file unchanged, where the unit or
    a point cannot be used.
    """
    import tomlkit  # noqa: PLC0415 - needed only to rewrite a file
    from tomlkit.items import Array  # noqa: PLC0415

    unit = read_unit(path)
    check_points(unit, points)
    text = read_text(path, what="unit file")
    document = tomlkit.parse(text)
    measured: Any = document.setdefault("measured", tomlkit.aot())
    known = [
        {key: value for key, value in msgspec.structs.asdict(point).items() if value is not None}
        for point in points
    ]
    if isinstance(measured, Array):
        for values in known:
            entry = tomlkit.inline_table()
            entry.update(values)
            measured.append(entry)
    else:
        _append_tables(measured, known, text)
    rewritten = tomlkit.dumps(document)
    longer = msgspec.structs.replace(unit, measured=(*unit.measured, *points))
    if _as_read(rewritten) != longer:
        raise InputFault(
            "points cannot be added to it as it is written",
            expected="each point as a table of its own, [[measured]]",
            source=str(path),
            entry="measured",
        )
    if len(rewritten.encode()) > LARGEST_BYTES:
        raise _no_room(path, points)
    write_whole(path, rewritten)
    return longer


def check_room(path: Path, points: Sequence[Point]) -> None:
    """Raises InputFault where the unit file at `path` can surely not hold so many points more.

    Quick, before any are fitted; `add_points` checks what is in fact to be written.
    """
    text = read_text(path, what="unit file")
    as_tables = "[[measured]]" in text or "measured" not in text
    mantle = "\n[[measured]]\n\n\n\n" if as_tables else "{, , }, "
    least = sum(
        len(f'{mantle}head = "{point.head}"knob = {point.knob}delay_ms = {point.delay_ms}')
        for point in points
    )
    if len(text) + least > LARGEST_BYTES:
        raise _no_room(path, points)


def _no_room(path: Path, points: Sequence[Point]) -> InputFault:
    return InputFault(
        f"{len(points)} points are more than it can hold besides what it holds",
        expected=f"a unit file of at most {LARGEST_BYTES / 1e6:.0f} MB",
        source=str(path),
    )


def _append_tables(measured: Any, known: Sequence[dict[str, Any]], text: str) -> None:
    """Append `[[measured]]` tables to those of a file with that text, a blank line before each."""
    import tomlkit  # noqa: PLC0415 - needed only to rewrite a file

    amid = len(measured) > 0  # then what follows those may go on after a blank line
    spaced = (measured[-1].as_string() if amid else text).endswith("\n\n")
    for number, values in enumerate(known, 1):
        table = tomlkit.table()
        table.update(values)
        if number > 1 or not spaced:
            table.trivia.indent = "\n"  # a blank line before each
        if amid and spaced and number == len(known):
            table.add(tomlkit.nl())  # and one after the last
        measured.append(table)


def _as_read(text: str) -> Unit | None:
    """The unit in that text, or None where it holds none."""
    try:
        return checked(tomllib.loads(text), Unit, source="")
    except (tomllib.TOMLDecodeError, InputFault):
        return None


def check_unit(unit: Unit) -> None:
    """What the types cannot say: the parts of a unit must agree. Raises InputFault."""
    _check_knob(unit.knob)
    _check_heads(unit.head)
    _check_loop(unit)
    _check_steadiness(unit.steadiness, unit.knob)
    check_points(unit, unit.measured)


def check_points(unit: Unit, points: Sequence[Point], *, first: int = 1) -> None:
    """Each point's head is one of the unit's and its knob on the scale. Raises InputFault."""
    low, high = unit.knob.low, unit.knob.high
    for number, point in enumerate(points, first):
        entry = f"measured {number}"
        if point.head not in unit.head_names:
            close = nearest(point.head, unit.head_names)
            raise InputFault(
                f"head is {quoted(point.head)}",
                expected=f'"{close}"' if close else listed(map(quoted, unit.head_names)),
                entry=entry,
            )
        if not low <= point.knob <= high:
            raise InputFault(
                f"knob is {point.knob:g}", expected=f"{low:g} to {high:g}", entry=entry
            )


def _check_knob(knob: Knob) -> None:
    if not knob.low < knob.high:
        raise InputFault(
            f"low is {knob.low:g} and high is {knob.high:g}",
            expected="low below high (which way speeds the tape up is read from the points)",
            entry="knob",
        )
    if knob.step > knob.high - knob.low:
        raise InputFault(
            f"step is {knob.step:g}",
            expected=f"at most the whole scale, {knob.high - knob.low:g}",
            entry="knob",
        )
    if knob.marks == "clock" and knob.sweep_deg > 360:
        raise InputFault(
            f"sweep_deg is {knob.sweep_deg:g}",
            expected='at most 360 with marks = "clock"',
            entry="knob",
        )


def _check_heads(heads: Sequence[Head]) -> None:
    if not heads:
        raise InputFault("no heads", expected="at least one [[head]]", entry="head")
    for (_, earlier), (number, head) in itertools.combinations(enumerate(heads, 1), 2):
        if head.name.casefold() == earlier.name.casefold():
            raise InputFault(
                f"name is {quoted(head.name)} again",
                expected="a different name for each head",
                entry=f"head {number}",
            )


def _check_loop(unit: Unit) -> None:
    length_mm = unit.loop.length_mm
    for head in unit.head:
        if length_mm is not None and head.gap_mm is not None and head.gap_mm >= length_mm:
            raise InputFault(
                f"length_mm is {length_mm:g}",
                expected=f"more than the gap of head {quoted(head.name)}, {head.gap_mm:g}",
                entry="loop",
            )


def _check_steadiness(limits: Steadiness, knob: Knob) -> None:
    steady, unstable = limits.steady_percent, limits.unstable_percent
    if steady is not None and unstable is not None and unstable <= steady:
        raise InputFault(
            f"unstable_percent is {unstable:g}",
            expected=f"more than steady_percent, {steady:g}",
            entry="steadiness",
        )
    reading = limits.unstable_knob
    if reading is not None and not knob.low <= reading <= knob.high:
        raise InputFault(
            f"unstable_knob is {reading:g}",
            expected=f"{knob.low:g} to {knob.high:g}",
            entry="steadiness",
        )
