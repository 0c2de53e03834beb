"""The cue sheet of a planned set, as text and as CSV; `sheet_html` has it for the printer."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterator

from tempotape.songs.plan_report import LIVE_OUTSIDE, Plan, PlannedSong
from tempotape.songs.plan_text import (
    legend_text,
    shortened,
    state_words,
    tempo_text,
    totals_text,
    way_out,
    with_openings,
)
from tempotape.text import printable
from tempotape.unit.calibration import Calibration

WIDTH = 78
LONGEST_TITLE = 90
LONGEST_NOTES = 220
CSV_COLUMNS = (
    "number", "title", "section", "tempo_bpm", "beat", "note", "delay_ms", "head", "knob",
    "steadiness", "in_time", "touchy", "hand", "notes",
)  # fmt: skip
# What a spreadsheet takes for the start of a formula.
_FORMULA_MARKS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


def conditions_text(calibration: Calibration) -> str:
    """What the unit file says about how it was measured, its date first."""
    conditions = calibration.unit.conditions
    keys = sorted(conditions, key=lambda key: key.casefold() != "date")
    told = "; ".join(f"{key.replace('_', ' ')}: {conditions[key]}" for key in keys)
    return f"Measured with {told}" if told else ""


def sheet_text(plan: Plan, calibration: Calibration) -> str:
    """The sheet in plain text, head and knob first on each line."""
    lines = [shortened(plan.set_name, WIDTH), shortened(f"Echo unit: {plan.unit}", WIDTH)]
    lines += textwrap.wrap(shortened(conditions_text(calibration), LONGEST_NOTES), WIDTH)
    lines += [totals_text(plan), ""]
    for song, opens in with_openings(plan.songs):
        first, *rest = _lines(song, opens=opens)
        number = f"{song.number:2}" if opens else "  "
        lines.append(f"{number}  {first}")
        lines += [f"    {line}" for line in rest]
        lines.append("")
    if told := legend_text(plan):
        lines += [*textwrap.wrap(told, WIDTH), ""]
    return "\n".join(lines)


def _lines(song: PlannedSong, *, opens: bool) -> Iterator[str]:
    setting = f"{song.head.upper()} {song.knob_text}" if song.head else song.knob_text.upper()
    section = [] if song.section is None else [f"... {song.section}"]
    place = f"{shortened(setting, 30):<14}  "
    for named in (song.title, *section) if opens else section:
        yield place + shortened(named, WIDTH - 4 - len(place))
        place = " " * len(place)
    told = [] if song.note is None else [f"{song.note} {song.delay_ms:.0f} ms"]
    if song.tempo_bpm is not None:
        told.append(f"{tempo_text(song)} BPM to the {song.beat}")
    told.append(state_words(song))
    yield from textwrap.wrap(", ".join(part for part in told if part), WIDTH - 4)
    yield from textwrap.wrap(song.hand if song.head else song.reasons[0], WIDTH - 4)
    yield from textwrap.wrap(way_out(song), WIDTH - 4)
    yield from (LIVE_OUTSIDE,) if LIVE_OUTSIDE in song.reasons else ()
    yield from textwrap.wrap(shortened(song.notes, LONGEST_NOTES), WIDTH - 4)


def sheet_csv(plan: Plan) -> str:
    """The sheet as CSV, one row a part. Text that a spreadsheet would run gets a `'` before it."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    table.writerow(CSV_COLUMNS)
    for song in plan.songs:
        table.writerow(
            (
                song.number,
                _inert(song.title),
                _inert(song.section or ""),
                "" if song.tempo_bpm is None else f"{song.tempo_bpm:.6g}",
                song.beat,
                song.note or "",
                "" if song.delay_ms is None else f"{song.delay_ms:.1f}",
                _inert(song.head or ""),
                song.knob_text,
                "" if song.knob is None else song.zone,
                "" if song.knob is None else _yes(song.in_time),
                "" if song.knob is None else _yes(song.touchy),
                _inert(song.hand),
                _inert(song.notes),
            )
        )
    return text.getvalue()


def _yes(fact: bool) -> str:  # noqa: FBT001 - one fact, one word
    return "yes" if fact else "no"


def _inert(text: str) -> str:
    shown = printable(text)
    return f"'{shown}" if shown.lstrip(" '\"").startswith(_FORMULA_MARKS) else shown
