"""What becomes of points: those left waiting, and those in hand."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tempotape.cli.calibrate_asked import Asked, asks, point_text, points_text, them
from tempotape.cli.shared import note, room, say, say_json, write_picture
from tempotape.faults import InputFault
from tempotape.text import fitted, printable

if TYPE_CHECKING:
    from tempotape.bench.collecting import Collected, Collection
    from tempotape.cli.calibrate_preview import Refused
    from tempotape.unit.calibration import Calibration
    from tempotape.unit.model import Point, Unit


# Letters for the default shown and what is typed.
_ANSWER = 10


def offer_waiting(asked: Asked, unit: Unit, collection: Collection) -> None:
    """What an interrupted run left: asked about, or taken with --resume, else told and left."""
    if not collection.waiting:
        return
    every = them(len(collection.waiting))
    last = max(collected.measured_at for collected in collection.waiting)
    told = (
        f"{points_text(len(collection.waiting))} from an interrupted calibration on "
        + printable(last.replace("T", " ")[:16])
    )
    if asks(asked) and not asked.resume:
        say(f"{told}:")
        say("\n".join(f"  {_collected_text(one, unit)}" for one in collection.waiting))
    if asked.resume or (asks(asked) and _agreed(f"Take {every}?", default=True)):
        if problem := collection.take_waiting():
            note(problem)
    elif asks(asked):
        if _agreed(f"Drop {every} for good?", default=False):
            collection.drop_waiting()
    else:
        note(f"{told} left waiting; --resume takes {every}")


def _collected_text(one: Collected, unit: Unit) -> str:
    error_ms = one.point.error_ms
    error = "" if error_ms is None else f" +-{error_ms:.2g}"
    return f"{point_text(one.point, unit.knob)}{error} ({one.origin})"


def decide(asked: Asked, unit: Unit, collection: Collection, refused: Sequence[Refused]) -> str:
    """Show what the points do to the curve; write, drop or leave them. Raises InputFault.

    Gives what became of them: `write`, `drop`, `leave`, `dry run`, or nothing without points.
    """
    from tempotape.cli.calibrate_preview import preview_data, preview_text  # noqa: PLC0415
    from tempotape.unit.preview import preview  # noqa: PLC0415

    new = collection.in_hand
    if not new:
        if asked.measures:
            raise InputFault("no point came of this, so nothing was written", source=asked.unit)
        return ""
    try:
        shown = preview(unit, collection.points)
    except InputFault as fault:
        raise fault.located(source=asked.unit) from None
    if not asked.as_json:
        say(preview_text(shown, new, room(sys.stdout)))
    if asked.svg is not None:
        _draw(asked.svg, shown.calibration)
    answer = _answer(asked, len(new))
    if answer == "write":
        _write(asked, collection)
    elif answer == "leave":
        tell_kept(collection)
    else:
        collection.forget()
        told = "; --yes writes" if answer == "dry run" else ""
        note(f"nothing was written to {asked.unit}{told}")
    if asked.as_json:
        say_json(preview_data(shown, new, refused, written=answer == "write"))
    return answer


def _draw(file: str, calibration: Calibration) -> None:
    from tempotape.bench.pictures import curve_svg  # noqa: PLC0415

    write_picture(file, curve_svg(calibration))


def _write(asked: Asked, collection: Collection) -> None:
    from tempotape.unit.unitfile import add_points  # noqa: PLC0415

    count = len(collection.points)
    collection.before_writing()
    unit = add_points(Path(asked.unit), collection.points)
    collection.forget()
    if not asked.as_json:
        say(f"\n{points_text(count)} added to {asked.unit}; it now holds {len(unit.measured)}")


def _answer(asked: Asked, count: int) -> str:
    """What becomes of the points: `write`, `drop`, `leave`, or `dry run` where nobody is asked."""
    if asked.yes:
        return "write"
    if not asks(asked):
        return "dry run"
    said = click.prompt(
        _question(
            f"\nWrite {points_text(count)} to {Path(asked.unit).name} (y), "
            f"drop {them(count)} (n), or leave {them(count)} for the next run (l)?"
        ),
        type=click.Choice(["y", "n", "l"], case_sensitive=False),
        show_choices=False,
        prompt_suffix=" ",
    )
    return {"y": "write", "n": "drop", "l": "leave"}[str(said)]


def _agreed(question: str, *, default: bool) -> bool:
    return click.confirm(_question(question), default=default)


def _question(text: str) -> str:
    """A question with room for its answer in the last line."""
    width = room(sys.stdout)
    return "\n".join(fitted(text, None if width is None else width - _ANSWER))


def tell_kept(collection: Collection) -> None:
    """What becomes of the points in hand: the next run offers them, or they are told to type in."""
    count = len(collection.in_hand)
    if count and collection.safe:
        note(f"{points_text(count)} kept; the next run offers {them(count)} again")
    elif count:
        note(
            f"the state folder cannot be written, so {points_text(count)} could not be kept; to "
            f"give {them(count)} again:"
        )
        for point in collection.points:
            note(f"  {_typed(point)}")


def _typed(point: Point) -> str:
    """The option that gives the point again."""
    figures = (point.knob, point.delay_ms, *(() if point.error_ms is None else (point.error_ms,)))
    word = ":".join((point.head, *(f"{figure:.10g}" for figure in figures)))
    return f"--point {shlex.quote(word)}"
