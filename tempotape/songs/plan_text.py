"""A plan as plain text: the warnings, then a line a song and what the hand does there."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from tempotape.songs.plan_report import LIVE_OUTSIDE, Plan, PlannedSong
from tempotape.tables import columns
from tempotape.text import printable

WIDTH = 80
_SHORTEST_TITLE = 12
_LONGEST_HEAD = 14
_FROM_LAST = "Gaps and habits of the last run count; --fresh leaves them out."
_HEADER = ("", "song", "tempo", "note value", "head", "knob", "delay", "")


def plan_text(plan: Plan) -> str:
    """The whole plan; 80 columns wide, but no title shorter than 12 letters for that."""
    lines = [f"{shortened(plan.set_name, 50)} on {shortened(plan.unit, 26)}"]
    lines += [_FROM_LAST] if plan.from_last else []
    lines.append("")
    for warning in plan.warnings:
        lines += _wrapped(f"WARNING {warning}", after="  ")
    lines += [""] if plan.warnings else []
    told = list(_told(plan.songs))
    rows = [row for row, _ in told]
    others = sum(
        max(len(cell) for cell in column) + 2
        for place, column in enumerate(zip(_HEADER, *rows, strict=True))
        if place != 1
    )
    longest = max(_SHORTEST_TITLE, WIDTH - others)
    cut = [(row[0], shortened(row[1], longest), *row[2:]) for row in rows]
    header, *table = columns([_HEADER, *cut])
    lines.append(header)
    for line, (_, below) in zip(table, told, strict=True):
        lines.append(line)
        for sentence in below:
            lines += _wrapped(f"    {sentence}", after="      ")
    lines += ["", *_wrapped(legend_text(plan), after="  "), totals_text(plan)]
    return "\n".join(lines)


def with_openings(songs: Iterable[PlannedSong]) -> Iterator[tuple[PlannedSong, bool]]:
    """Each part, and whether its song begins with it."""
    before = None
    for song in songs:
        yield song, song.number != before
        before = song.number


def shortened(text: str, longest: int) -> str:
    """`text` on one line, cut to `longest` characters."""
    shown = printable(text[: 4 * longest])
    return shown if len(shown) <= longest else f"{shown[: longest - 1]}…"


def totals_text(plan: Plan) -> str:
    """The handwork of the whole set in one sentence."""
    switches, travel = plan.head_switches, plan.total_knob_travel
    decimals = 2 if travel < 10 else 1 if travel < 100 else 0
    return (
        f"In all the knob travels {travel:.{decimals}f} readings and the head is switched "
        f"{switches} time{'' if switches == 1 else 's'}."
    )


def legend_text(plan: Plan) -> str:
    """What the words beside the settings mean that are not plain; empty where none is there."""
    if any("touchy" in state_words(song) for song in plan.songs):
        return "touchy: a hair too far is heard; a step is most of what a listener notices"
    return ""


def state_words(song: PlannedSong) -> str:
    """What to beware of at this setting, or how steady it is."""
    if song.knob is None:
        return ""
    zone = {"unstable": "UNSTABLE", "unknown": "steady?"}.get(song.zone, song.zone)
    timing = "LOOSE" if not song.in_time else "touchy" if song.touchy else ""
    return f"{zone}, {timing}" if timing else zone


def way_out(song: PlannedSong) -> str:
    """What would work best where this does not, or that nothing would; empty where it works."""
    if song.offers:
        return song.offers[0]
    none = (reason for reason in song.reasons if reason.startswith("no trustworthy way out"))
    return next(none, "")


def tempo_text(song: PlannedSong) -> str:
    return "-" if song.tempo_bpm is None else f"{round(song.tempo_bpm, 1):g}"


def _wrapped(text: str, *, after: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=after)


def _told(songs: Iterable[PlannedSong]) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """The rows, each with the sentences below it; a song that begins with a section has a heading.

    Number and title so stand in the first row of every song.
    """
    for song, opens in with_openings(songs):
        if opens and song.section is not None:
            heading = (str(song.number), song.title, *("" for _ in _HEADER[2:]))
            yield heading, ((LIVE_OUTSIDE,) if LIVE_OUTSIDE in song.reasons else ())
        yield _row(song), tuple(_below(song))


def _row(song: PlannedSong) -> tuple[str, ...]:
    named = song.title if song.section is None else f"  {song.section}"
    number = str(song.number) if song.section is None else ""
    if song.knob is None or song.note is None or song.head is None:
        return (number, named, tempo_text(song), song.knob_text, "-", "-", "", "")
    return (
        number,
        named,
        tempo_text(song),
        song.note,
        shortened(song.head, _LONGEST_HEAD),
        song.knob_text,
        f"{song.delay_ms:.0f} ms",
        state_words(song),
    )


def _below(song: PlannedSong) -> Iterator[str]:
    if song.knob is None:
        yield from (reason for reason in song.reasons if reason != LIVE_OUTSIDE)
        return
    yield song.hand
    if song.instead:
        yield song.instead
    yield from song.offers
