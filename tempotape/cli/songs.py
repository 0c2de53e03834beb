"""Commands about a set: plan it, print its cue sheet, start one from a CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tempotape.cli.shared import calibration_of, json_option, note, same_file, say, say_json
from tempotape.faults import InputFault
from tempotape.remembered import state_folder
from tempotape.text import listed, quoted

if TYPE_CHECKING:
    from tempotape.songs.plan_report import Plan
    from tempotape.unit.calibration import Calibration

_UNIT_HELP = "Unit file (TOML); default the one that the set names."
_fresh_option = click.option(
    "--fresh", is_flag=True, help="Plan anew, whatever the set was last played with."
)
_ENDINGS = {".html": "html", ".htm": "html", ".txt": "text", ".csv": "csv"}
_FORMS = ("html", "text", "csv")


@click.command()
@click.argument("setlist", metavar="SET")
@click.option("--unit", metavar="FILE", help=_UNIT_HELP)
@_fresh_option
@click.option("--choices", is_flag=True, help="With --json: every choice weighed, and its cost.")
@json_option
def plan(setlist: str, unit: str | None, *, fresh: bool, choices: bool, as_json: bool) -> None:
    """Choose one setting a song for the whole set, with the least handwork.

    SET is a set file, or a CSV of title,tempo_bpm. Warnings about what will not work on stage come
    first. What the set was last played with counts: its gaps, and its note values and heads where
    there is little in it.
    """
    from tempotape.songs.plan_text import plan_text  # noqa: PLC0415

    if choices and not as_json:
        raise click.UsageError("--choices goes with --json")
    planned, _, _ = _planned(setlist, unit, fresh=fresh, with_choices=choices)
    if as_json:
        say_json(planned)
    else:
        say(plan_text(planned))


@click.command()
@click.argument("setlist", metavar="SET")
@click.option("--unit", metavar="FILE", help=_UNIT_HELP)
@_fresh_option
@click.option(
    "-o",
    "--out",
    required=True,
    metavar="FILE",
    help="Where to, by its ending: .html to print, .txt or .csv; - for standard output.",
)
@click.option("--as", "form", metavar="FORM", help="html, text or csv, whatever the ending.")
def sheet(setlist: str, unit: str | None, out: str, form: str | None, *, fresh: bool) -> None:
    """Write the cue sheet of a set: one HTML file to print, plain text, or CSV.

    A sheet of the same name is written over.
    """
    from tempotape.songs.sheet import sheet_csv, sheet_text  # noqa: PLC0415
    from tempotape.songs.sheet_html import sheet_html  # noqa: PLC0415
    from tempotape.userfiles import write_whole  # noqa: PLC0415

    kind = _form(out, form)
    planned, calibration, read = _planned(setlist, unit, fresh=fresh)
    if kind == "csv":
        text = sheet_csv(planned)
    elif kind == "text":
        text = sheet_text(planned, calibration)
    else:
        text = sheet_html(planned, calibration)
    if out == "-":
        click.echo(text, nl=False)
        return
    for what, file in read.items():
        if same_file(out, str(file)):
            raise InputFault(
                f"is the {what} itself", expected="another file for the sheet", source=out
            )
    write_whole(Path(out), text)
    for warning in planned.warnings:
        note(f"WARNING {warning}")
    count = len(planned.songs)
    say(f"sheet of {count} setting{'' if count == 1 else 's'} written to {out}")


def _form(out: str, form: str | None) -> str:
    if form is not None:
        if form.casefold() not in _FORMS:
            raise InputFault(f"form is {quoted(form)}", expected=listed(_FORMS), entry="--as")
        return form.casefold()
    if out == "-":
        return "text"
    kind = _ENDINGS.get(Path(out).suffix.casefold())
    if kind is None:
        raise InputFault(
            "ends in none of .html, .txt and .csv", expected="one of them, or --as", source=out
        )
    return kind


def _planned(
    setlist: str, unit: str | None, *, fresh: bool, with_choices: bool = False
) -> tuple[Plan, Calibration, dict[str, Path]]:
    """The plan, the unit it is for, and the files read."""
    from tempotape.songs.plan_report import plan_of  # noqa: PLC0415
    from tempotape.songs.set_csv import read_set  # noqa: PLC0415
    from tempotape.songs.setlist import unit_path  # noqa: PLC0415
    from tempotape.songs.used_log import last_used, read_used, used_file  # noqa: PLC0415

    path = Path(setlist)
    songs = read_set(path)
    unit_file = unit_path(songs, path) if unit is None else Path(unit)
    if unit_file is None:
        raise InputFault("names no unit", expected='a line unit = "FILE" or --unit', source=setlist)
    calibration = calibration_of(str(unit_file))
    used = {}
    if not fresh:
        lines, damage = read_used(used_file(state_folder()))
        used = last_used(lines, songs.name)
        if damage:
            note(damage)
    planned = plan_of(songs, path, calibration, used=used, with_choices=with_choices)
    read = {"set": path, "unit file": unit_file}
    for number, song in enumerate(songs.song, 1):
        if song.midi_file is not None:
            read[f"MIDI file of song {number}"] = path.parent / song.midi_file
    return planned, calibration, read


@click.group("set")
def set_group() -> None:
    """Start a set file."""


@set_group.command("new")
@click.argument("out", metavar="OUT.toml")
@click.option("--csv", "csv_in", required=True, metavar="FILE", help="Songs as title,tempo_bpm.")
@click.option("--unit", metavar="FILE", help="Unit file that the set is for.")
@click.option("--name", metavar="TEXT", help="The set's name; default that of the file.")
def set_new(out: str, csv_in: str, unit: str | None, name: str | None) -> None:
    """Turn a CSV of title,tempo_bpm into a set file, ready for an editor.

    A file that exists is not written over.
    """
    from tempotape.songs.set_csv import new_set, songs_from_csv  # noqa: PLC0415
    from tempotape.unit.unitfile import read_unit  # noqa: PLC0415

    path = Path(out)
    songs = songs_from_csv(Path(csv_in))
    if unit is not None:
        read_unit(Path(unit))
    name = path.stem if name is None else name
    written = new_set(path, songs, name=name, unit=None if unit is None else Path(unit))
    count = len(written.song)
    say(f"{count} song{'' if count == 1 else 's'} written to {out}")
