"""A fresh unit file with nothing measured yet, its keys explained."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from tempotape.faults import InputFault
from tempotape.text import quoted
from tempotape.unit.model import Head, Knob, Loop, Name, Unit
from tempotape.unit.unitfile import check_unit
from tempotape.userfiles import checked, write_whole

_SCALE = "LOW:HIGH:STEP, as 0:10:0.1, or 7:17:0.05:clock where readings are hours"
_HEADS = "names, each with its gap in mm where known, as short:28,long:66"

T = TypeVar("T", bound=msgspec.Struct)


def knob_in(text: str, *, entry: str) -> Knob:
    """The knob typed as `LOW:HIGH:STEP[:MARKS]`. Raises InputFault."""
    parts = [part.strip() for part in text.split(":")]
    figures = [_figure(part) for part in parts[:3]]
    if len(parts) not in {3, 4} or None in figures:
        raise InputFault(f"scale is {quoted(text)}", expected=_SCALE, entry=entry)
    table: dict[str, Any] = dict(zip(("low", "high", "step"), figures, strict=True))
    return _checked({**table, **({"marks": parts[3]} if parts[3:] else {})}, Knob, entry=entry)


def heads_in(text: str, *, entry: str) -> tuple[Head, ...]:
    """The heads typed as `NAME[:GAP_MM],...`. Raises InputFault."""
    heads = []
    for part in text.split(","):
        name, colon, gap = (word.strip() for word in part.partition(":"))
        gap_mm = _figure(gap)
        if not name or (colon and gap_mm is None):
            raise InputFault(f"heads are {quoted(text)}", expected=_HEADS, entry=entry)
        table = {"name": name} if gap_mm is None else {"name": name, "gap_mm": gap_mm}
        heads.append(_checked(table, Head, entry=entry))
    return tuple(heads)


def new_unit(name: str, knob: Knob, heads: Sequence[Head], loop_mm: float | None) -> Unit:
    """The unit of these parts, nothing measured. Raises InputFault where they disagree."""
    name = _checked({"name": name}, _Named, entry="--name").name
    loop = {} if loop_mm is None else {"length_mm": loop_mm}
    unit = Unit(
        format=1,
        name=name,
        knob=knob,
        head=tuple(heads),
        loop=_checked(loop, Loop, entry="--loop"),
    )
    check_unit(unit)
    return unit


def write_new(path: Path, unit: Unit) -> None:
    """Write the unit file at `path`. Raises InputFault where there is one already."""
    if path.exists() or path.is_symlink():
        raise InputFault(
            "exists already",
            expected="a new file, or no --new to add points to this one",
            source=str(path),
        )
    write_whole(path, unit_text(unit))


def unit_text(unit: Unit) -> str:
    """The unit file of a unit without points, with a comment for each key."""
    knob = unit.knob
    lines = [
        f"# Written by tempotape calibrate; {quoted(unit.name)} is measured with the same command.",
        "format = 1",
        f"name = {_text(unit.name)}",
        "",
        "[knob]            # the motor-speed knob as the player reads it",
        f"low = {knob.low!r}         # reading at one end stop",
        f"high = {knob.high!r}       # reading at the other",
        f"sweep_deg = {knob.sweep_deg:g}   # turn between the stops",
        f"step = {knob.step!r}        # how finely a hand sets it, in readings",
        f'marks = {_text(knob.marks)} # "numbers", or "clock": readings are hours',
    ]
    for head in unit.head:
        gap = "# gap_mm = 30.0   # along the tape from the record head, by ruler"
        if head.gap_mm is not None:
            gap = f"gap_mm = {head.gap_mm!r}     # along the tape from the record head, by ruler"
        lines += ["", "[[head]]", f"name = {_text(head.name)}", gap]
    length = "# length_mm = 640.0 # of the whole loop"
    if unit.loop.length_mm is not None:
        length = f"length_mm = {unit.loop.length_mm!r} # of the whole loop"
    lines += [
        "",
        "[loop]",
        length,
        "",
        "[steadiness]      # your limits, in weighted flutter (AES6-2008)",
        "# steady_percent = 1.0",
        "# unstable_percent = 3.0",
        "# unstable_knob = 1.5 # by ear: at this reading and slower, do not trust it",
        "",
        "[conditions]      # free text: tape, pads, supply, warm-up, date",
        "",
    ]
    return "\n".join(lines)


class _Named(msgspec.Struct, frozen=True):
    name: Name


def _checked(table: dict[str, Any], kind: type[T], *, entry: str) -> T:
    try:
        return checked(table, kind, source="")
    except InputFault as fault:
        raise InputFault(fault.problem, expected=fault.expected, entry=entry) from None


def _figure(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _text(text: str) -> str:
    """A TOML basic string; JSON escapes are a part of TOML's."""
    return msgspec.json.encode(text).decode()
