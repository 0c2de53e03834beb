"""Commands that ask one unit: advice and the curve."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click
import msgspec

from tempotape.cli.shared import (
    PLOT_ROWS,
    PLOT_WIDTH,
    calibration_of,
    check_not_read,
    json_option,
    room,
    say,
    say_json,
    unit_option,
    wish_options,
    write_picture,
)
from tempotape.faults import InputFault
from tempotape.text import quoted

if TYPE_CHECKING:
    from tempotape.advice.advise import Advice
    from tempotape.unit.calibration import Calibration


@click.command()
@unit_option
@click.option("--tempo", required=True, metavar="BPM", help="Beats a minute, as 96 or 96.5.")
@wish_options
@click.option("--from", "hand", metavar="HEAD:KNOB", help="Where the switch and knob stand now.")
@json_option
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
    calibration = calibration_of(unit)
    if head is not None:
        wish = msgspec.structs.replace(wish, head=head_named(calibration, head, entry="--head"))
    if hand is not None:
        wish = msgspec.structs.replace(wish, hand=_hand(calibration, hand))
    advice = advise_on(calibration, wish)
    if as_json:
        say_json(advice)
    else:
        say(tables.advice_text(advice, room(sys.stdout)))
        if told := _other_taste(advice):
            say(f"\nnote: {told}")


def _other_taste(advice: Advice) -> str:
    """That the answer is not to the taste asked for, in a sentence; empty where it is."""
    answer = advice.settings[0]
    if answer.knob is None or advice.taste in {"either", answer.zone}:
        return ""
    if answer.zone == "unknown":
        return f"no setting in reach is known to be {advice.taste}"
    is_zone = f"{answer.zone}, and not to be trusted" if answer.zone == "unstable" else answer.zone
    trusted = " that can be trusted" if advice.taste == "wobbly" else ""
    return f"no {advice.taste} setting{trusted} is in reach, so the answer is {is_zone}"


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


@click.command()
@unit_option
@click.option("--at", metavar="LOW:HIGH:STEP", help="Readings to report; default the whole scale.")
@click.option("--svg", metavar="FILE", help="Draw curve and flutter to this SVG file.")
@json_option
def curve(unit: str, at: str | None, svg: str | None, *, as_json: bool) -> None:
    """Report the fitted speed curve, its error, suspect points and what to measure next."""
    from tempotape import tables  # noqa: PLC0415
    from tempotape.bench.pictures import unit_svg  # noqa: PLC0415
    from tempotape.bench.plots import unit_lines  # noqa: PLC0415
    from tempotape.unit.curve_report import curve_report, grid_span  # noqa: PLC0415

    span = None if at is None else grid_span(at, entry="--at")
    if svg is not None:
        check_not_read(svg, unit)
    calibration = calibration_of(unit)
    if svg is not None:
        write_picture(svg, unit_svg(calibration))
    report = curve_report(calibration, span)
    if as_json:
        say_json(report)
    else:
        plot = unit_lines(calibration, PLOT_WIDTH, PLOT_ROWS)
        say("\n".join((tables.curve_text(calibration, report), "", *plot)))
