"""What several commands share: options, and printing."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click
import msgspec

from tempotape import remembered
from tempotape.faults import InputFault
from tempotape.text import fitted

if TYPE_CHECKING:
    from tempotape.unit.calibration import Calibration

F = TypeVar("F", bound=Callable[..., Any])

# A plot below a report, in letters.
PLOT_WIDTH = 78
PLOT_ROWS = 12
UNIT_HELP = "Unit file (TOML) with the heads, the knob and the measured points."


def room(stream: TextIO) -> int | None:
    """How many letters a line of the terminal holds; None where the stream goes elsewhere."""
    return shutil.get_terminal_size().columns if stream.isatty() else None


def say(text: str) -> None:
    """Print lines, with nothing in them that a terminal would act on, folded to fit it."""
    click.echo("\n".join(fitted(text, room(sys.stdout))))


def note(text: str) -> None:
    """A message on standard error, beside the report."""
    for line in fitted(text, room(sys.stderr)):
        click.echo(line, err=True)


def say_json(value: object) -> None:
    click.echo(msgspec.json.format(msgspec.json.encode(value), indent=2))


def calibration_of(unit: str) -> Calibration:
    """The fitted unit of a file. Raises InputFault as `load_calibration` does."""
    from tempotape.unit.calibration import load_calibration  # noqa: PLC0415

    return load_calibration(Path(unit), keep_in=remembered.fits_folder())


def check_not_read(out: str, *read: str | None) -> None:
    """Raises InputFault where `out`, to be written, is one of the files read."""
    if any(same_file(out, one) for one in read if one is not None):
        raise InputFault("is one of the files read", expected="another file", source=out)


def same_file(one: str, other: str) -> bool:
    """Whether both names lead to one file, there already or not. Raises InputFault on a loop."""
    from tempotape.userfiles import resolved  # noqa: PLC0415

    if resolved(Path(one)) == resolved(Path(other)):
        return True
    try:
        return Path(one).samefile(other)  # in capitals or not, where a system takes both
    except OSError:
        return False


def write_picture(out: str, drawing: str) -> None:
    from tempotape.userfiles import write_whole  # noqa: PLC0415

    write_whole(Path(out), drawing)
    note(f"picture written to {out}")


def unit_option(function: F) -> F:
    return click.option("--unit", required=True, metavar="FILE", help=UNIT_HELP)(function)


def wish_options(function: F) -> F:
    """What is wanted of the unit: beat, note values, taste and head."""
    for option in reversed(_WISH_OPTIONS):
        function = option(function)
    return function


_WISH_OPTIONS = (
    click.option(
        "--beat", default="quarter", metavar="NOTE", help="The note that the tempo counts."
    ),
    click.option(
        "--repeats",
        multiple=True,
        metavar="NOTE",
        help="Wanted note value, best first; may be given several times.",
    ),
    click.option("--taste", default="steady", metavar="TASTE", help="steady, wobbly or either."),
    click.option("--head", metavar="HEAD", help="Insist on this playback head."),
)


def json_option(function: F) -> F:
    option = click.option("--json", "as_json", is_flag=True, help="Report as JSON.")
    return option(function)
