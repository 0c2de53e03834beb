"""The compare command: what changed between two calibrations."""

from __future__ import annotations

from pathlib import Path

import click

from tempotape.cli.shared import calibration_of, json_option, say, say_json
from tempotape.faults import InputFault

_WIDTH, _ROWS = 78, 12


@click.command()
@click.argument("before", metavar="U1")
@click.argument("after", metavar="U2")
@click.option(
    "--at",
    metavar="LOW:HIGH:STEP",
    help="Readings to report; default about a dozen over those both have measured.",
)
@click.option("--svg", metavar="FILE", help="Draw both calibrations to this SVG file.")
@json_option
def compare(before: str, after: str, at: str | None, svg: str | None, *, as_json: bool) -> None:
    """Compare two calibrations, unit files U1 and then U2: what changed, and what did not.

    A difference is told where it is larger than the measuring error. Only readings that both have
    measured are compared.
    """
    from tempotape.bench.compare import compare as compare_both  # noqa: PLC0415
    from tempotape.bench.compare_text import comparison_text  # noqa: PLC0415
    from tempotape.bench.pictures import comparison_svg  # noqa: PLC0415
    from tempotape.bench.plots import comparison_lines  # noqa: PLC0415
    from tempotape.unit.curve_report import grid_span  # noqa: PLC0415
    from tempotape.userfiles import write_whole  # noqa: PLC0415

    span = None if at is None else grid_span(at, entry="--at")
    if svg is not None and Path(svg).resolve() in {Path(one).resolve() for one in (before, after)}:
        raise InputFault("is a unit file itself", expected="another file to draw to", source=svg)
    first, second = calibration_of(before), calibration_of(after)
    comparison = compare_both(first, second, span)
    if svg is not None:
        write_whole(Path(svg), comparison_svg(first, second, comparison))
        click.echo(f"picture written to {svg}", err=True)
    if as_json:
        say_json(comparison)
    else:
        plot = comparison_lines(first, second, comparison, _WIDTH, _ROWS)
        say("\n".join((comparison_text(first, comparison), "", *plot)))
