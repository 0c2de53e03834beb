"""The command that says what one recording tells about a unit."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tempotape.cli.shared import (
    PLOT_ROWS,
    PLOT_WIDTH,
    UNIT_HELP,
    check_not_read,
    json_option,
    say,
    say_json,
    write_picture,
)
from tempotape.faults import InputFault
from tempotape.text import listed, quoted

if TYPE_CHECKING:
    from tempotape.bench.measure import Lengths, Progress

_STEPS = 1000
_LONGEST_MM = 100_000.0


@click.command()
@click.argument("recording")
@click.option("--loop-mm", metavar="L", help="Length of the tape loop in mm.")
@click.option("--unit", metavar="FILE", help=f"{UNIT_HELP} Gives the loop's length and the gap.")
@click.option("--head", metavar="HEAD", help="The playback head that was recorded.")
@click.option("--svg", metavar="FILE", help="Draw the tone's deviation and spectrum to this file.")
@json_option
def measure(
    recording: str,
    loop_mm: str | None,
    unit: str | None,
    head: str | None,
    svg: str | None,
    *,
    as_json: bool,
) -> None:
    """Report what a recording of the unit says about it.

    The recording (WAV, AIFF, FLAC, OGG or MP3) holds the unit's output with what was played into
    it: mixed, or played sound left and unit right. Delay and loop gain want attacks, such as the
    clicks of the test signal or a strummed phrase; flutter wants the tone, splice and noise want
    silence. A part that the recording does not show is left out, with the reason.
    """
    from tempotape.bench.measure import measured  # noqa: PLC0415
    from tempotape.bench.pictures import tone_svg  # noqa: PLC0415
    from tempotape.bench.plots import tone_lines  # noqa: PLC0415
    from tempotape.bench.report import report_text  # noqa: PLC0415

    if not recording.strip():
        raise InputFault("no recording is named", expected="a file, as take.wav")
    lengths = _lengths(loop_mm, unit, head)
    if svg is not None:
        check_not_read(svg, recording, unit)
    with _progress() as progress:
        done = measured(Path(recording), lengths=lengths, progress=progress)
    tone = max(done.tones, key=lambda one: len(one.percent), default=None)
    if as_json:
        say_json(done.report)
    else:
        say(report_text(done.report))
        if tone is not None:
            say("\n".join(("", *tone_lines(tone, PLOT_WIDTH, PLOT_ROWS))))
    # Last, so that the report is not lost where there is no picture.
    if svg is not None:
        if tone is None:
            raise InputFault(
                "no picture was made, as there is no tone to draw",
                expected="a tone near 3150 Hz",
                source=recording,
            )
        write_picture(svg, tone_svg(tone))


def _lengths(loop_mm: str | None, unit: str | None, head: str | None) -> Lengths:
    from tempotape.bench.measure import Lengths  # noqa: PLC0415

    if unit is None:
        if head is not None:
            raise click.UsageError("--head needs --unit")
        return Lengths(loop_mm=_typed_mm(loop_mm))
    from tempotape.unit.unitfile import read_unit  # noqa: PLC0415

    known = read_unit(Path(unit))
    wanted = [one for one in known.head if head is None or one.name.casefold() == head.casefold()]
    if not wanted:
        named = listed(map(quoted, known.head_names))
        raise InputFault(f"no head {quoted(head)}", expected=named, entry="--head")
    typed_mm = _typed_mm(loop_mm)
    for one in known.head:
        if typed_mm is not None and one.gap_mm is not None and one.gap_mm >= typed_mm:
            raise InputFault(
                f"length is {typed_mm:g}",
                expected=f"more than the gap of head {quoted(one.name)}, {one.gap_mm:g}",
                entry="--loop-mm",
            )
    return Lengths(
        loop_mm=typed_mm or known.loop.length_mm,
        gap_mm=wanted[0].gap_mm if len(wanted) == 1 else None,
    )


def _typed_mm(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value <= _LONGEST_MM:
        raise InputFault(
            f"length is {quoted(text)}", expected="millimetres, as 640", entry="--loop-mm"
        )
    return value


def _at_terminal() -> bool:
    return sys.stderr.isatty()


@contextlib.contextmanager
def _progress() -> Iterator[Progress | None]:
    """A bar on standard error where that is a terminal, else nothing."""
    if not _at_terminal():
        yield None
        return
    with click.progressbar(length=_STEPS, label="measuring", file=sys.stderr) as bar:
        yield lambda part: bar.update(round(part * _STEPS) - bar.pos)
