"""The command that turns advice round: tempos that the tape gives."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from tempotape.cli.shared import (
    calibration_of,
    json_option,
    room,
    say,
    say_json,
    unit_option,
    wish_options,
)

if TYPE_CHECKING:
    from tempotape.advice.lead import LeadReport, LeadTempo


@click.command()
@unit_option
@click.option("--near", metavar="BPM", help="The song's own tempo; without it, all tempos.")
@wish_options
@json_option
def lead(
    unit: str,
    near: str | None,
    beat: str,
    repeats: Sequence[str],
    taste: str,
    head: str | None,
    *,
    as_json: bool,
) -> None:
    """List tempos that the tape gives at knob marks that are easy to find and not unstable.

    With --near, those within 20 % of the song's own tempo, best first. At a mark called loose the
    repeats may be off the beat by more than a listener notices.
    """
    from tempotape.advice.advise import head_named  # noqa: PLC0415
    from tempotape.advice.lead import lead_tempos  # noqa: PLC0415
    from tempotape.advice.ranking import taste_named  # noqa: PLC0415
    from tempotape.tempo.notes import USUAL_REPEATS, note_value  # noqa: PLC0415
    from tempotape.tempo.typed import tempo_bpm  # noqa: PLC0415

    near_bpm = None if near is None else tempo_bpm(near, entry="--near")
    beat_note = note_value(beat, entry="--beat")
    notes = tuple(note_value(name, entry="--repeats") for name in repeats) or USUAL_REPEATS
    wanted_taste = taste_named(taste, entry="--taste")
    calibration = calibration_of(unit)
    if head is not None:
        head = head_named(calibration, head, entry="--head")
    report = lead_tempos(calibration, near_bpm, beat_note, notes, wanted_taste, head=head)
    if as_json:
        say_json(report)
    else:
        say(lead_text(report, room(sys.stdout)))


def lead_text(report: LeadReport, width: int | None = None) -> str:
    """The tempos as a table, after what was asked for and any remark."""
    from tempotape.tables import folded  # noqa: PLC0415

    near = "" if report.near_bpm is None else f" near {report.near_bpm:g} BPM"
    lines = [
        f"{report.unit}: tempos of the tape{near}, to the {report.beat}, taste {report.taste}",
        *(f"note: {remark}" for remark in report.remarks),
    ]
    if not report.tempos:
        return "\n".join(lines)
    rows = [
        ("", "tempo", "change", "note value", "head", "knob", "delay", "error", "a step", "", ""),
        *(_row(tempo) for tempo in report.tempos),
    ]
    lines.append("")
    lines += [line for row in folded(rows, width) for line in row]
    if not all(tempo.in_time for tempo in report.tempos):
        lines += ["", "loose: the repeats may be off by more than a listener notices"]
    return "\n".join(lines)


def _row(tempo: LeadTempo) -> tuple[str, ...]:
    flutter = "" if tempo.flutter_percent is None else f" (flutter {tempo.flutter_percent:.1f} %)"
    zone = "steadiness unknown" if tempo.zone == "unknown" else tempo.zone
    return (
        str(tempo.rank),
        f"{tempo.tempo_bpm:.2f} BPM",
        "" if tempo.change_percent is None else f"{tempo.change_percent:+.1f} %",
        tempo.note,
        tempo.head,
        tempo.knob_text,
        f"{tempo.delay_ms:.1f} ms",
        f"{tempo.error_ms:.1f} ms",
        f"{tempo.bpm_per_step:.2f} BPM",
        "in time" if tempo.in_time else "loose",
        zone + flutter,
    )
