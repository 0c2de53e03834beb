"""The cue sheet as one HTML file: nothing in it runs, nothing is fetched, it prints in black."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Iterator
from html import escape
from pathlib import Path

from tempotape.songs.dial_svg import dial_svg
from tempotape.songs.plan_report import LIVE_OUTSIDE, Plan, PlannedSong
from tempotape.songs.plan_text import shortened, tempo_text, totals_text, way_out, with_openings
from tempotape.songs.sheet import LONGEST_NOTES, LONGEST_TITLE, conditions_text
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_figure

_STYLE = Path(__file__).with_name("sheet.css")
_HEADINGS = (
    ("number", ""), ("dial", ""), ("head", "head"), ("knob", "knob"), ("song", "song"), ("mark", "")
)  # fmt: skip
# The classes size1 to size6 of sheet.css, in points, and the room in the cells that use them.
_SIZES_PT = (34, 28, 23, 17, 13, 10)
_HEAD_MM, _KNOB_MM = 40.0, 34.0
_MM_PER_PT = 25.4 / 72
# Letters in bold against their size: of figures and marks no less than the widest common sans-serif
# faces have, of capitals what these have on the whole, since a head's name breaks where it must.
_FIGURE_EM, _POINT_EM, _CAPITAL_EM = 0.72, 0.48, 0.79
# A title of more letters than this, some two lines, is printed smaller.
_LONG_TITLE = 44
# Shapes that differ in outline, so that they are told apart without colour.
_TRIANGLE = '<svg viewBox="0 0 20 20"><path d="M10 2L19 18H1Z" stroke="black" fill="none" '
_TRIANGLE += 'stroke-width="2"/></svg>'
_WAVE = '<svg viewBox="0 0 20 20"><path d="M1 10q4.5 -11 9 0t9 0" stroke="black" fill="none" '
_WAVE += 'stroke-width="2.5"/></svg>'
_CROSS = '<svg viewBox="0 0 20 20"><path d="M3 3L17 17M17 3L3 17" stroke="black" fill="none" '
_CROSS += 'stroke-width="3"/></svg>'


def sheet_html(plan: Plan, calibration: Calibration) -> str:
    """The whole file. Every text of a person is escaped, cut, and set apart by direction.

    The policy in its head forbids everything but its own style sheet, known by its hash.
    """
    style = _STYLE.read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    name = _text(plan.set_name, LONGEST_TITLE)
    conditions = conditions_text(calibration)
    told = f"<p>{_text(conditions, LONGEST_NOTES)}</p>" if conditions else ""
    headings = "".join(f'<th class="{kind}">{heading}</th>' for kind, heading in _HEADINGS)
    rows = "\n".join(
        _row(song, calibration, opens=opens) for song, opens in with_openings(plan.songs)
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; \
style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'">
<title>{escape(shortened(plan.set_name, LONGEST_TITLE))}</title>
<style>{style}</style>
</head>
<body>
<header>
<h1>{name}</h1>
<p>Echo unit: {_text(plan.unit, LONGEST_TITLE)}. {escape(totals_text(plan))}</p>
{told}
</header>
<table>
<thead><tr>{headings}</tr></thead>
<tbody>
{rows}
</tbody>
</table>
<footer>{_legend(plan, calibration)}</footer>
</body>
</html>
"""


def _text(text: str, longest: int) -> str:
    """Text of a person: printable, cut, inert, and with a reading direction of its own."""
    return f"<bdi>{escape(shortened(text, longest))}</bdi>"


def _row(song: PlannedSong, calibration: Calibration, *, opens: bool) -> str:
    number = str(song.number) if opens else ""
    cells = [
        f'<td class="number">{number}</td>',
        f'<td class="dial">{dial_svg(calibration, song.knob)}</td>',
        *_setting(song, calibration),
        f'<td class="song">{"".join(_song(song, opens=opens))}</td>',
        f'<td class="mark">{"".join(_marks(song))}</td>',
    ]
    inside = "" if opens else ' class="inside"'
    return f"<tr{inside}>{''.join(cells)}</tr>"


def _setting(song: PlannedSong, calibration: Calibration) -> Iterator[str]:
    if song.knob is None or song.head is None:
        yield f'<td class="dead" colspan="2">{escape(song.knob_text)}{_way_out(song)}</td>'
        return
    head = shortened(song.head.upper(), LONGEST_TITLE)
    size = _size(_CAPITAL_EM * len(head), _HEAD_MM)
    yield f'<td class="head {size}"><bdi>{escape(head)}</bdi></td>'
    figure = knob_figure(calibration.unit.knob, song.knob)
    in_words = (
        ""
        if figure == song.knob_text
        else f'<span class="in-words">{escape(song.knob_text)}</span>'
    )
    ems = math.fsum(_FIGURE_EM if mark.isdigit() else _POINT_EM for mark in figure)
    large = f'<span class="{_size(ems, _KNOB_MM)}">{escape(figure)}</span>'
    yield f'<td class="knob">{large}{in_words}</td>'


def _size(ems: float, room_mm: float) -> str:
    """The class of the largest letters in which text of this width fits the room."""
    fits = (ems * size_pt * _MM_PER_PT <= room_mm for size_pt in _SIZES_PT[:-1])
    return f"size{1 + next((place for place, fit in enumerate(fits) if fit), len(_SIZES_PT) - 1)}"


def _song(song: PlannedSong, *, opens: bool) -> Iterator[str]:
    named = song.title if opens else song.section or song.title
    size = "title long" if len(named) > _LONG_TITLE else "title"
    yield f'<span class="{size}">{_text(named, LONGEST_TITLE)}</span>'
    if opens and song.section is not None:
        yield f'<span class="hand">{_text(song.section, LONGEST_TITLE)}</span>'
    told = []
    if song.note is not None:
        told.append(f"{song.note}, {song.delay_ms:.0f} ms")
    if song.tempo_bpm is not None:
        beat = "" if song.beat == "quarter" else f" to the {song.beat}"
        told.append(f"{tempo_text(song)} BPM{beat}")
    if told:
        yield f'<span class="told">{escape("; ".join(told))}</span>'
    hand = song.hand if song.knob is not None else song.reasons[0]
    yield f'<span class="hand">{_text(hand, LONGEST_NOTES)}</span>'
    if song.knob is not None:  # else it stands where head and knob would
        yield _way_out(song)
    if LIVE_OUTSIDE in song.reasons:
        yield f'<span class="hand">{escape(LIVE_OUTSIDE)}</span>'
    if song.notes:
        yield f'<span class="notes">{_text(song.notes, LONGEST_NOTES)}</span>'


def _way_out(song: PlannedSong) -> str:
    out = way_out(song)
    return f'<span class="way-out">{_text(out, LONGEST_NOTES)}</span>' if out else ""


def _marks(song: PlannedSong) -> Iterator[str]:
    if song.knob is None:
        return
    if song.zone == "unstable":
        yield f"{_CROSS}do not trust"
    elif song.zone in {"wobbly", "unknown"}:
        yield f"{_WAVE}{'wobbly' if song.zone == 'wobbly' else 'steady?'}"
    if song.touchy or not song.in_time:
        yield f"{_TRIANGLE}{'touchy' if song.in_time else 'loose'}"


def _legend(plan: Plan, calibration: Calibration) -> str:
    instead = " In bold: what would work instead." if any(map(way_out, plan.songs)) else ""
    hatched = " The dashed stretch of a dial is not to be trusted." if calibration.unstable else ""
    return (
        "Triangle: a hair too far is heard. Wave: the pitch wavers, or steadiness was not "
        f"measured. Cross: unstable.{instead}{hatched}"
    )
