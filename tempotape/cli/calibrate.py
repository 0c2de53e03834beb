"""The command that builds or extends a unit file: typed, tapped, recorded or live points."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from tempotape import remembered
from tempotape.cli.calibrate_asked import Asked, check_use
from tempotape.cli.shared import check_not_read, json_option, note, same_file, unit_option
from tempotape.faults import InputFault

if TYPE_CHECKING:
    from tempotape.bench.collecting import Collection
    from tempotape.unit.model import Unit


@click.command()
@unit_option
@click.option("--point", multiple=True, metavar="HEAD:KNOB:MS[:ERROR]", help="A point by hand.")
@click.option("--tap", multiple=True, metavar="HEAD:KNOB[:N]", help="Tap along, every Nth repeat.")
@click.option("--recording", multiple=True, metavar="FILE", help="One recording, one position.")
@click.option("--walk", metavar="FILE", help="One recording of all --marks, by testsignal --walk.")
@click.option("--live", is_flag=True, help="Play the test signal and record at once.")
@click.option("--head", multiple=True, metavar="HEAD", help="The head that was recorded.")
@click.option("--knob", multiple=True, metavar="KNOB", help="The reading, one for each recording.")
@click.option("--marks", metavar="READINGS", help="Of a walk, as 0,2.5,5 or LOW:HIGH:STEP.")
@click.option("--turn", type=float, default=8.0, metavar="S", help="Time to turn the knob; 8.")
@click.option("--device", metavar="NAME", help="With --live: the sound interface.")
@click.option("--inputs", type=int, default=1, metavar="N", help="2: dry left, wet right; 1.")
@click.option("--save", metavar="FILE.wav", help="With --live: keep what was recorded.")
@click.option("--svg", metavar="FILE", help="Draw the curve with the new points to this file.")
@click.option("--csv", "csv_in", metavar="FILE", help="Add the points of this CSV file.")
@click.option("--csv-out", metavar="FILE", help="Write all measured points to this CSV file.")
@click.option("--new", is_flag=True, help="Make the unit file: --name, --heads and --scale.")
@click.option("--name", metavar="NAME", help="With --new: what the unit is called.")
@click.option("--heads", metavar="HEAD[:MM],...", help="With --new: heads, with gaps in mm.")
@click.option("--scale", metavar="LOW:HIGH:STEP[:MARKS]", help="With --new: the knob's scale.")
@click.option("--loop", type=float, metavar="MM", help="With --new: length of the loop.")
@click.option("--yes", is_flag=True, help="Write, and play, without asking.")
@click.option("--resume", is_flag=True, help="Take up the points of an interrupted calibration.")
@json_option
def calibrate(**typed: object) -> None:
    """Build or extend a unit file with measured points.

    Points are typed, tapped along with the repeats, or come from recordings of the test signal or
    of any playing with attacks. Before anything is written the curve is shown with the new points,
    those that do not fit, and what to measure next. Without a terminal nothing is written unless
    --yes is given. An interrupted calibration loses nothing: its points are offered again.

    Points of a CSV file that the unit file does not hold yet are shown and asked about in a
    terminal, and added without asking where there is none, unless they contradict one another; the
    columns are head,knob,delay_ms and, where known, error_ms,flutter_percent. Comments in the unit
    file are kept.

    Keep fingers, hair and straps off the moving tape. Turn the level down before anything plays:
    near self-oscillation an echo can get loud suddenly. Unplug a unit before opening it; work on
    mains wiring is for the qualified, under local codes.
    """
    asked = msgspec.convert(typed, Asked)
    check_use(asked)
    _check_written(asked)
    if asked.tap:
        from tempotape.cli.tapping import check_terminal  # noqa: PLC0415

        check_terminal()
    unit = _unit(asked)
    if _at_the_tape(asked):
        from tempotape.cli.calibrate_sources import CAUTION_AT_HAND, check_typed  # noqa: PLC0415

        check_typed(asked, unit)
        note(CAUTION_AT_HAND)
    if asked.csv_in is not None or asked.csv_out is not None:
        from tempotape.cli.calibrate_csv import by_csv  # noqa: PLC0415

        try:
            if not by_csv(asked, unit):
                _take_back(asked, unit)
        except (InputFault, KeyboardInterrupt, click.Abort):
            _take_back(asked, unit)
            raise
    else:
        _measure(asked, unit)


def _at_the_tape(asked: Asked) -> bool:
    """Whether somebody is about to turn and tap; a live recording has its own caution."""
    if asked.live or asked.csv_in is not None or asked.csv_out is not None:
        return False
    return bool(asked.tap) or (asked.new and sys.stdin.isatty() and sys.stderr.isatty())


def _check_written(asked: Asked) -> None:
    """Raises InputFault where a file to be written is one that is read, or that holds the take."""
    read = (asked.unit, asked.csv_in, asked.walk, *asked.recording)
    for out in (asked.svg, asked.csv_out, asked.save):
        if out is not None:
            check_not_read(out, *read)
    if asked.svg is not None and asked.save is not None and same_file(asked.svg, asked.save):
        raise InputFault(
            "is to hold the take as well", expected="another file for one", source=asked.svg
        )


def _unit(asked: Asked) -> Unit:
    """The unit of the file, which is made where it is to be new."""
    from tempotape.unit.unitfile import read_unit  # noqa: PLC0415

    path = Path(asked.unit)
    if not asked.new:
        return read_unit(path)
    from tempotape.cli.calibrate_sources import check_typed  # noqa: PLC0415
    from tempotape.unit.newunit import heads_in, knob_in, new_unit, write_new  # noqa: PLC0415

    unit = new_unit(
        asked.name or "",
        knob_in(asked.scale or "", entry="--scale"),
        heads_in(asked.heads or "", entry="--heads"),
        asked.loop,
    )
    check_typed(asked, unit)  # first, so that a slip leaves no file behind
    write_new(path, unit)
    note(f"{path} written, with nothing measured yet")
    return unit


def _take_back(asked: Asked, unit: Unit) -> None:
    """Remove a unit file made in vain, so that the same command can be given once more."""
    from tempotape.unit.newunit import unit_text  # noqa: PLC0415

    path = Path(asked.unit)
    if not asked.new:
        return
    with suppress(OSError, UnicodeDecodeError):
        if path.read_text(encoding="utf-8") == unit_text(unit):
            path.unlink()
            note(f"{path} removed again, as nothing was measured")


def _measure(asked: Asked, unit: Unit) -> None:
    """Collect points, show what they do, and write them where the player says so."""
    from tempotape.bench.collecting import Collection  # noqa: PLC0415
    from tempotape.cli.calibrate_decision import decide, offer_waiting  # noqa: PLC0415
    from tempotape.cli.calibrate_sources import Gathering, gather  # noqa: PLC0415
    from tempotape.cli.tapping import Left  # noqa: PLC0415

    collection = Collection(remembered.state_folder(), Path(asked.unit), unit)
    if collection.problem:
        note(collection.problem)
    if not (asked.measures or collection.waiting):
        if asked.new:
            return
        raise click.UsageError(
            "give --point, --tap, --recording, --walk, --live or --csv, or --csv-out"
        )
    gathering = Gathering(asked, unit, collection, [])
    try:
        offer_waiting(asked, unit, collection)
        gather(gathering)
        if decide(asked, unit, collection, gathering.refused) in {"dry run", "drop"}:
            _take_back(asked, unit)
    except Left:
        _tell_left(asked, unit, collection)
    except (KeyboardInterrupt, EOFError, click.Abort):
        _tell_left(asked, unit, collection)
        raise click.Abort from None
    except InputFault:
        _tell_left(asked, unit, collection)
        raise


def _tell_left(asked: Asked, unit: Unit, collection: Collection) -> None:
    """What a run that ended early leaves: its points, or no trace."""
    from tempotape.cli.calibrate_decision import tell_kept  # noqa: PLC0415

    tell_kept(collection)
    if not (collection.in_hand or collection.waiting):
        _take_back(asked, unit)
