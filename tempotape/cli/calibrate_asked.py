"""What `tempotape calibrate` was asked for."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click
import msgspec

if TYPE_CHECKING:
    from tempotape.unit.model import Knob, Point


class Asked(msgspec.Struct, frozen=True):
    """What the command line asks for, as typed."""

    unit: str
    csv_in: str | None
    csv_out: str | None
    point: tuple[str, ...]
    tap: tuple[str, ...]
    recording: tuple[str, ...]
    walk: str | None
    live: bool
    head: tuple[str, ...]
    knob: tuple[str, ...]
    marks: str | None
    turn: float
    device: str | None
    inputs: int
    save: str | None
    svg: str | None
    new: bool
    name: str | None
    heads: str | None
    scale: str | None
    loop: float | None
    yes: bool
    resume: bool
    as_json: bool

    @property
    def recorded(self) -> bool:
        return bool(self.recording or self.walk is not None or self.live)

    @property
    def measures(self) -> bool:
        return bool(self.point or self.tap or self.recorded)


def check_use(asked: Asked) -> None:
    """Options that do not go together are a wrong call, exit code 2."""
    named = (asked.name, asked.heads, asked.scale)
    sources = [bool(asked.recording), asked.walk is not None, asked.live]
    plain_live = asked.live and asked.marks is None
    positions = len(asked.recording) + plain_live
    rules = (
        ((asked.csv_in or asked.csv_out) and asked.measures, "--csv and --csv-out go alone"),
        (
            asked.svg
            and not (asked.measures or asked.csv_in or asked.resume)
            and bool(asked.csv_out or asked.new),
            "--svg goes with points to add",
        ),
        (asked.new and None in named, "--new needs --name, --heads and --scale"),
        (
            not asked.new and (any(named) or asked.loop is not None),
            "--name, --heads, --scale and --loop go with --new",
        ),
        (sum(sources) > 1, "give one of --recording, --walk and --live at a time"),
        (plain_live and not asked.knob, "--live needs --knob, or --marks for a walk"),
        (len(asked.knob) != positions, "give one --knob for each --recording"),
        (
            asked.recorded and len(asked.head) not in {1, max(1, positions)},
            "give one --head, or one for each --recording",
        ),
        (asked.head and not asked.recorded, "--head goes with --recording, --walk and --live"),
        (
            asked.marks and not (asked.live or asked.walk is not None),
            "--marks goes with --walk and --live",
        ),
        ((asked.device or asked.save) and not asked.live, "--device and --save go with --live"),
    )
    for wrong, told in rules:
        if wrong:
            raise click.UsageError(told)


def asks(asked: Asked) -> bool:
    """Whether there is someone to ask what becomes of points."""
    return not asked.yes and not asked.as_json and sys.stdin.isatty() and sys.stdout.isatty()


def points_text(count: int) -> str:
    return "1 point" if count == 1 else f"{count} points"


def point_text(point: Point, knob: Knob) -> str:
    from tempotape.unit.knob import reading_text  # noqa: PLC0415

    return f"head {point.head}, knob at {reading_text(knob, point.knob)}: {point.delay_ms:g} ms"


def them(count: int) -> str:
    return "it" if count == 1 else "them"
