"""What is known of one echo unit, as plain frozen data.

The `Meta` bounds are the single table of what a unit file may say; the reader checks against them
and quotes them in its messages. No unit lies beyond them; figures that do are slips of the pen.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

Reading = Annotated[float, Meta(ge=-1000, le=1000)]
Percent = Annotated[float, Meta(ge=0, le=100)]
Delay = Annotated[float, Meta(ge=0.1, le=60_000)]
Millimetres = Annotated[float, Meta(ge=1, le=100_000)]
Name = Annotated[str, Meta(min_length=1, max_length=10_000)]


class Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One table of a file that a person edits."""


class Head(Entry, frozen=True):
    """A playback head. `gap_mm` runs along the tape from the record head, by ruler."""

    name: Name
    gap_mm: Annotated[float, Meta(ge=0.1, le=10_000)] | None = None


class Knob(Entry, frozen=True):
    """The motor-speed knob as the player reads it, from end stop `low` to end stop `high`."""

    low: Reading
    high: Reading
    step: Annotated[float, Meta(ge=1e-6, le=1000)]
    sweep_deg: Annotated[float, Meta(ge=1, le=3600)] = 300.0
    marks: Literal["numbers", "clock"] = "numbers"


class Loop(Entry, frozen=True):
    length_mm: Millimetres | None = None


class Steadiness(Entry, frozen=True):
    """This player's limits in weighted flutter, and the slowest reading trusted by ear."""

    steady_percent: Annotated[float, Meta(gt=0, le=100)] | None = None
    unstable_percent: Annotated[float, Meta(gt=0, le=100)] | None = None
    unstable_knob: Reading | None = None


class Point(Entry, frozen=True):
    """One measured point: at reading `knob`, `head` repeats after `delay_ms`.

    `error_ms` is one standard deviation; `flutter_percent` is AES6-2008 weighted.
    """

    head: Name
    knob: Reading
    delay_ms: Delay
    error_ms: Annotated[float, Meta(ge=0.0001, le=60_000)] | None = None
    flutter_percent: Percent | None = None


Condition = str | int | float | bool


class Unit(Entry, frozen=True):
    """One unit with its calibration."""

    format: Literal[1]
    name: Name
    knob: Knob
    head: tuple[Head, ...]
    loop: Loop = Loop()
    steadiness: Steadiness = Steadiness()
    conditions: dict[str, Condition] = {}
    measured: tuple[Point, ...] = ()

    @property
    def head_names(self) -> tuple[str, ...]:
        return tuple(head.name for head in self.head)
