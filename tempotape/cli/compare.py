"""The compare command: what changed between two calibrations."""

from __future__ import annotations

import click

from tempotape.cli.shared import (
    PLOT_ROWS,
    PLOT_WIDTH,
    calibration_of,
    check_not_read,
    json_option,
    say,
    say_json,
    write_picture,
)


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

    span = None if at is None else grid_span(at, entry="--at")
    if svg is not None:
        check_not_read(svg, before, after)
    first, second = calibration_of(before), calibration_of(after)
    comparison = compare_both(first, second, span)
    if svg is not None:
        write_picture(svg, comparison_svg(first, second, comparison))
    if as_json:
        say_json(comparison)
    else:
        plot = comparison_lines(first, second, comparison, PLOT_WIDTH, PLOT_ROWS)
        say("\n".join((comparison_text(first, comparison), "", *plot)))
