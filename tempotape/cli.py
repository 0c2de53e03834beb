"""The command line."""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
import msgspec

from tempotape import __version__, remembered
from tempotape.faults import InputFault
from tempotape.text import printable, quoted

if TYPE_CHECKING:
    from tempotape.unit.calibration import Calibration

F = TypeVar("F", bound=Callable[..., Any])

UNIT_HELP = "Unit file (TOML) with the heads, the knob and the measured points."
AT_FAULT = 1


def _say(text: str) -> None:
    """Print lines, with nothing in them that a terminal would act on."""
    click.echo("\n".join(printable(line) for line in text.splitlines()))


def _say_json(value: object) -> None:
    click.echo(msgspec.json.format(msgspec.json.encode(value), indent=2))


def _calibration(unit: str) -> Calibration:
    from tempotape.unit.calibration import load_calibration  # noqa: PLC0415

    return load_calibration(Path(unit), keep_in=remembered.fits_folder())


def _unit_option(function: F) -> F:
    return click.option("--unit", required=True, metavar="FILE", help=UNIT_HELP)(function)


def _json_option(function: F) -> F:
    option = click.option("--json", "as_json", is_flag=True, help="Report as JSON.")
    return option(function)


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
@click.pass_context
def commands(context: click.Context) -> None:
    """Which playback head and which knob position put the repeats on the beat.

    Without a command, opens the stage on the unit and the set used last, or on the demo.
    """
    if context.invoked_subcommand is None:
        context.invoke(stage)


@commands.command()
@click.option("--unit", metavar="FILE", help=UNIT_HELP)
@click.option("--set", "setlist", metavar="FILE", help="Setlist file (TOML).")
@click.option("--midi-in", metavar="PORT", help="Follow MIDI clock from the port of this name.")
@click.option("--tempo", metavar="BPM", help="Start at this tempo.")
def stage(
    unit: str | None = None,
    setlist: str | None = None,
    midi_in: str | None = None,
    tempo: str | None = None,
) -> None:
    """Open the live screen.

    Where there is no terminal, as in a pipe, prints the same answer as plain text.

    A unit played near self-oscillation can get loud suddenly: turn the level down first, and
    protect ears and speakers.
    """
    from tempotape.stage.opening import open_stage  # noqa: PLC0415

    opening = open_stage(unit=unit, setlist=setlist, midi_in=midi_in, tempo=tempo)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        from tempotape.stage.plain import plain_answer  # noqa: PLC0415

        _say(plain_answer(opening))
        return
    # Everything loaded from here to the first paint stays: collecting it would only delay that.
    gc.disable()
    from tempotape.stage.app import make_stage  # noqa: PLC0415 - the screen takes longest to load

    app = make_stage(opening)
    app.run()
    if app.fault:
        raise InputFault(app.fault)


@commands.command()
@_unit_option
@click.option("--tempo", required=True, metavar="BPM", help="Beats a minute, as 96 or 96.5.")
@click.option("--beat", default="quarter", metavar="NOTE", help="The note that the tempo counts.")
@click.option(
    "--repeats",
    multiple=True,
    metavar="NOTE",
    help="Wanted note value, best first; may be given several times.",
)
@click.option("--taste", default="steady", metavar="TASTE", help="steady, wobbly or either.")
@click.option("--head", metavar="HEAD", help="Insist on this playback head.")
@click.option("--from", "hand", metavar="HEAD:KNOB", help="Where the switch and knob stand now.")
@_json_option
def advise(
    unit: str,
    tempo: str,
    beat: str,
    repeats: Sequence[str],
    taste: str,
    head: str | None,
    hand: str | None,
    *,
    as_json: bool,
) -> None:
    """Rank the settings that put the repeats on the beat at one tempo."""
    from tempotape import tables  # noqa: PLC0415
    from tempotape.advice.advise import Wish, head_named  # noqa: PLC0415
    from tempotape.advice.advise import advise as advise_on  # noqa: PLC0415
    from tempotape.advice.ranking import taste_named  # noqa: PLC0415
    from tempotape.tempo.notes import USUAL_REPEATS, note_value  # noqa: PLC0415
    from tempotape.tempo.typed import tempo_bpm  # noqa: PLC0415

    wish = Wish(
        tempo_bpm=tempo_bpm(tempo, entry="--tempo"),
        beat=note_value(beat, entry="--beat"),
        repeats=tuple(note_value(name, entry="--repeats") for name in repeats) or USUAL_REPEATS,
        taste=taste_named(taste, entry="--taste"),
    )
    calibration = _calibration(unit)
    if head is not None:
        wish = msgspec.structs.replace(wish, head=head_named(calibration, head, entry="--head"))
    if hand is not None:
        wish = msgspec.structs.replace(wish, hand=_hand(calibration, hand))
    advice = advise_on(calibration, wish)
    if as_json:
        _say_json(advice)
    else:
        _say(tables.advice_text(advice))


def _hand(calibration: Calibration, text: str) -> tuple[str, float]:
    from tempotape.advice.advise import head_named  # noqa: PLC0415

    name, _, reading = text.rpartition(":")
    knob = calibration.unit.knob
    try:
        at = float(reading)
    except ValueError:
        at = float("nan")
    if not name or not knob.low <= at <= knob.high:
        raise InputFault(
            f"position is {quoted(text)}",
            expected=f"HEAD:KNOB with a reading from {knob.low:g} to {knob.high:g}",
            entry="--from",
        )
    return head_named(calibration, name, entry="--from"), at


@commands.command()
@_unit_option
@click.option("--at", metavar="LOW:HIGH:STEP", help="Readings to report; default the whole scale.")
@_json_option
def curve(unit: str, at: str | None, *, as_json: bool) -> None:
    """Report the fitted speed curve, its error, suspect points and what to measure next."""
    from tempotape import tables  # noqa: PLC0415
    from tempotape.unit.curve_report import curve_report, grid_span  # noqa: PLC0415

    span = None if at is None else grid_span(at, entry="--at")
    calibration = _calibration(unit)
    report = curve_report(calibration, span)
    if as_json:
        _say_json(report)
    else:
        _say(tables.curve_text(calibration, report))


@commands.command()
@_unit_option
@click.option("--csv", "csv_in", metavar="FILE", help="Add the points of this CSV file.")
@click.option("--csv-out", metavar="FILE", help="Write all measured points to this CSV file.")
def calibrate(unit: str, csv_in: str | None, csv_out: str | None) -> None:
    """Add measured points to a unit file from CSV, or write its points out as CSV.

    The columns are head,knob,delay_ms and, where known, error_ms,flutter_percent. Comments in the
    unit file are kept.

    Keep fingers, hair and straps off the moving tape. Unplug a unit before opening it; work on
    mains wiring is for the qualified, under local codes.
    """
    from tempotape.unit.points_csv import points_from_csv, points_to_csv  # noqa: PLC0415
    from tempotape.unit.unitfile import add_points, read_unit  # noqa: PLC0415
    from tempotape.userfiles import write_whole  # noqa: PLC0415

    if csv_in is None and csv_out is None:
        raise click.UsageError("give --csv, --csv-out or both")
    path = Path(unit)
    known = read_unit(path)
    if csv_out is not None and Path(csv_out).resolve() == path.resolve():
        raise InputFault(
            "is the unit file itself", expected="another file for the points", source=csv_out
        )
    if csv_in is not None:
        points = points_from_csv(Path(csv_in), known)
        known = add_points(path, points)
        _say(f"{len(points)} points added to {path}; it now holds {len(known.measured)}")
    if csv_out is not None:
        write_whole(Path(csv_out), points_to_csv(known.measured))
        _say(f"{len(known.measured)} points written to {csv_out}")


@commands.command()
@_json_option
def ports(*, as_json: bool) -> None:
    """List the MIDI input ports by name, as --midi-in takes them."""
    from tempotape.tempo.midi_link import MidiLink  # noqa: PLC0415

    link = MidiLink()
    link.start()
    try:
        until = time.monotonic() + PORTS_WITHIN_S
        view = link.view()
        while view.available and not view.listed and time.monotonic() < until:
            time.sleep(0.05)
            view = link.view()
    finally:
        link.close()
    if as_json:
        _say_json({"midi_in": view.ports, "problem": view.problem})
    elif not view.available:
        _say(view.problem)
    else:
        _say("\n".join(view.ports) or "no MIDI input ports")


PORTS_WITHIN_S = 4.0


def main() -> None:
    """Run a command; a fault of the input ends in one sentence and exit code 1."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        commands(prog_name="tempotape")
    except InputFault as fault:
        click.echo(fault.sentence, err=True)
        sys.exit(AT_FAULT)
    except OSError as fault:  # a full disk behind standard output, for one
        click.echo(f"cannot write: {printable(fault.strerror or str(fault))}", err=True)
        sys.exit(AT_FAULT)
