"""Advice and curve as plain text, for a terminal, a pipe or a printer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from tempotape.advice.advise import Advice
from tempotape.advice.settings import Setting
from tempotape.advice.wording import answer_sentence, timing_word, zone_words
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve_report import CurveReport, GridRow
from tempotape.unit.knob import knob_text, reading_text

MOST_GUESSED_PERCENT = 50.0
# Before what stands below a row of a table.
BELOW = "     "
_BETWEEN = "  "
_FIGURES = "+-0123456789"


def advice_text(advice: Advice, width: int | None = None) -> str:
    """The answer, then every setting with its reasons; the table fits a width that is given."""
    lines = [
        f"{advice.unit}: {advice.tempo_bpm:g} BPM to the {advice.beat}, taste {advice.taste}",
        "",
        f"Answer: {answer_sentence(advice.settings[0])}",
        "",
    ]
    for row, setting in zip(_setting_rows(advice, width), (None, *advice.settings), strict=True):
        lines += row
        lines += [f"{BELOW}{reason}" for reason in setting.reasons] if setting else []
    return "\n".join(lines)


def _setting_rows(advice: Advice, width: int | None) -> list[list[str]]:
    """The lines of the heading and of each setting.

    Where there is little room, they do without what stands among the reasons too: the figure of
    the steadiness, and then the whole of it.
    """
    header = ("", "note value", "head", "knob", "delay", "error", "a step", "", "steadiness")
    rows = [header, *(_setting_row(setting) for setting in advice.settings)]
    short = [(*row[:-1], row[-1].partition(" (")[0]) for row in rows]
    told: list[list[str]] = []
    for table in (rows, short, [row[:-1] for row in rows]):
        told = list(folded(table, width))
        if all(len(lines) == 1 for lines in told):
            break
    return told


def _setting_row(setting: Setting) -> tuple[str, ...]:
    if setting.knob is None:
        target = f"{setting.target_ms:.1f} ms wanted"
        return (str(setting.rank), setting.note, setting.head, "-", target, "", "", "", "")
    return (
        str(setting.rank),
        setting.note,
        setting.head,
        setting.knob_text,
        f"{setting.delay_ms:.1f} ms",
        f"{setting.error_ms:.1f} ms",
        f"{setting.ms_per_step:.1f} ms",
        timing_word(setting),
        zone_words(setting),
    )


def curve_text(calibration: Calibration, report: CurveReport) -> str:
    """Heads, points, grid and the next measurement."""
    knob = calibration.unit.knob
    lines = [f"{report.unit}: the speed curve", ""]
    lines += [f"note: {remark}" for remark in report.remarks]
    lines += columns(
        [
            ("head", "gap", "gap ratio"),
            *(
                (
                    head.name,
                    "-" if head.gap_mm is None else f"{head.gap_mm:g} mm",
                    "-" if head.gap_ratio is None else f"{head.gap_ratio:.3f}",
                )
                for head in report.heads
            ),
        ]
    )
    lines += ["", "Measured points"]
    lines += columns(
        [
            ("head", "knob", "measured", "curve", "off", ""),
            *(
                (
                    point.head,
                    reading_text(knob, point.knob),
                    f"{point.delay_ms:.1f} ms",
                    f"{point.fitted_ms:.1f} ms",
                    f"{point.residual_percent:+.1f} %",
                    "SUSPECT: measure this one again" if point.suspect else "",
                )
                for point in report.points
            ),
        ]
    )
    names = [head.name for head in report.heads]
    lines += ["", "The curve"]
    lines += columns(
        [
            ("knob", *names, "error", "flutter", "zone", ""),
            *(
                (
                    reading_text(knob, row.knob),
                    *(_delay_text(row, name) for name in names),
                    f"{row.error_percent:.1f} %",
                    "-" if row.flutter_percent is None else f"{row.flutter_percent:.1f} %",
                    row.zone,
                    "" if row.measured_span else "not measured",
                )
                for row in report.grid
            ),
        ]
    )
    wanted = report.next_measurement
    lines += [
        "",
        f"Measure next: head {wanted.head}, knob at {knob_text(knob, wanted.knob)}: {wanted.why}",
    ]
    return "\n".join(lines)


def _delay_text(row: GridRow, head: str) -> str:
    """The delay, or `?` where the curve carried on unmeasured says next to nothing."""
    delay_ms = row.delay_ms[head]
    if delay_ms is None:
        return "-"
    if not row.measured_span and row.error_percent > MOST_GUESSED_PERCENT:
        return "?"
    return f"{delay_ms:.1f} ms"


def columns(rows: Sequence[Sequence[str]]) -> Iterable[str]:
    """Rows with their cells lined up, two spaces apart."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        yield _BETWEEN.join(cells).rstrip()


def folded(rows: Sequence[Sequence[str]], width: int | None) -> Iterator[list[str]]:
    """The lines of each row of a table: one, and below it what the width has no room for.

    The first row holds the headings; a figure that goes below has its heading with it. Without a
    width every row is one line.
    """
    lines = list(columns(rows))
    if width is None or max(map(len, lines)) <= width:
        yield from ([line] for line in lines)
        return
    starts = _starts(rows)
    header, *_ = rows
    for row in rows:
        line, beside = "", 0
        for start, cell in zip(starts, row, strict=True):
            longer = line.ljust(start) + cell
            if beside and len(longer.rstrip()) > width:
                break
            line, beside = longer, beside + 1
        below = [
            f"{heading} {cell}" if heading and cell[0] in _FIGURES else cell
            for heading, cell in zip(header[beside:], row[beside:], strict=True)
            if cell
        ]
        more = [BELOW + ", ".join(below)] if below and row is not header else []
        yield [line.rstrip(), *more]


def _starts(rows: Sequence[Sequence[str]]) -> list[int]:
    """Where columns begin if no row's last cell, with nothing after it, makes its column wider."""
    starts = [0]
    for place in range(len(rows[0]) - 1):
        widest = max((len(row[place]) for row in rows if any(row[place + 1 :])), default=0)
        starts.append(starts[-1] + widest + len(_BETWEEN))
    return starts
