"""Calibration points in from CSV, and out to CSV."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from tempotape.cli.calibrate_asked import Asked, asks, point_text, points_text, them
from tempotape.cli.shared import note, room, say, say_json, write_picture
from tempotape.faults import InputFault
from tempotape.text import printable

if TYPE_CHECKING:
    from tempotape.unit.model import Point, Unit
    from tempotape.unit.preview import NewPoint, Preview

# So many are told before a wait that needs words.
_MANY = 2000


class _Brought(NamedTuple):
    """Points of a CSV file: new ones, those there already, and what the new ones do."""

    new: tuple[Point, ...] = ()
    again: tuple[Point, ...] = ()
    shown: Preview | None = None


def by_csv(asked: Asked, unit: Unit) -> bool:
    """Points in from CSV, out to CSV; False where those to come in were not wanted after all.

    Raises InputFault, with the unit file as it was.
    """
    from tempotape.unit.points_csv import points_to_csv  # noqa: PLC0415
    from tempotape.userfiles import write_whole  # noqa: PLC0415

    told: list[str] = []
    brought, wanted = _Brought(), True
    if asked.csv_in is not None:
        brought = _brought(asked, Path(asked.csv_in), unit)
        if asked.svg is not None and brought.shown is not None:
            from tempotape.bench.pictures import curve_svg  # noqa: PLC0415

            write_picture(asked.svg, curve_svg(brought.shown.calibration))
        wanted = not brought.new or _wanted(asked, brought)
        if wanted:
            unit = _added(asked, unit, brought.new)
            told += _told(asked, unit, brought)
        else:
            note(f"nothing was written to {asked.unit}")
            brought = brought._replace(new=())
    if asked.csv_out is not None:
        write_whole(Path(asked.csv_out), points_to_csv(unit.measured))
        told.append(f"{points_text(len(unit.measured))} written to {asked.csv_out}")
    if asked.as_json:
        counts = {"added": len(brought.new), "measured": len(unit.measured)}
        suspects = [point for point in _points(brought.shown) if point.suspect]
        say_json({"unit": unit.name, **counts, "already": brought.again, "suspects": suspects})
    elif told:
        say("\n".join(told))
    return wanted


def _brought(asked: Asked, file: Path, unit: Unit) -> _Brought:
    """What is new in the file and what it does to the curve. Raises InputFault as a fit does."""
    from tempotape.unit.points_csv import not_there_yet, points_from_csv  # noqa: PLC0415
    from tempotape.unit.preview import preview  # noqa: PLC0415
    from tempotape.unit.unitfile import check_room  # noqa: PLC0415

    new, again = not_there_yet(points_from_csv(file, unit), unit.measured)
    if not new and asked.svg is None:
        return _Brought(again=again)
    check_room(Path(asked.unit), new)
    if len(new) > _MANY:
        note(f"fitting the curve to {points_text(len(unit.measured) + len(new))}")
    try:
        return _Brought(new, again, preview(unit, new))
    except InputFault as fault:
        raise fault.located(source=asked.unit) from None


def _wanted(asked: Asked, brought: _Brought) -> bool:
    """Whether the points are to be written: asked in a terminal only, where they are shown."""
    from tempotape.bench.collecting import Collected  # noqa: PLC0415
    from tempotape.cli.calibrate_preview import preview_text  # noqa: PLC0415

    if brought.shown is None or not asks(asked):
        return True
    origin = Path(asked.csv_in or "").name
    new = [Collected(point, origin) for point in brought.new]
    say(preview_text(brought.shown, new, room(sys.stdout)))
    told = f"\nWrite {points_text(len(brought.new))} to {printable(Path(asked.unit).name)}?"
    return click.confirm(told, default=True)


def _added(asked: Asked, unit: Unit, new: Sequence[Point]) -> Unit:
    from tempotape.unit.unitfile import add_points  # noqa: PLC0415

    if len(new) > _MANY:
        note(f"writing {them(len(new))}")
    return add_points(Path(asked.unit), new) if new else unit


def _told(asked: Asked, unit: Unit, brought: _Brought) -> list[str]:
    added = points_text(len(brought.new))
    told = [f"{added} added to {asked.unit}; it now holds {len(unit.measured)}"]
    if brought.again:
        told.append(f"{points_text(len(brought.again))} not added, there already:")
        told += [f"  {point_text(point, unit.knob)}" for point in brought.again]
    if not asks(asked):  # then they were shown
        for point, new in zip(_points(brought.shown), brought.new, strict=True):
            if point.suspect:
                expected = f"the others say {point.fitted_ms:.4g} ms"
                note(f"suspect, {expected}, measure it again: {point_text(new, unit.knob)}")
    return told


def _points(shown: Preview | None) -> Sequence[NewPoint]:
    return () if shown is None else shown.points
