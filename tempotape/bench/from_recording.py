"""Calibration points from recordings: one knob position each, or a walk through many."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec

from tempotape.bench.delay import Delay
from tempotape.bench.flutter import Flutter
from tempotape.bench.measure import Lengths, Measured, measured
from tempotape.bench.recording import open_recording
from tempotape.bench.sides import in_one
from tempotape.bench.testsignal import USUAL_TURN_S
from tempotape.bench.walk import FoundMark, read_walk, walk_layout
from tempotape.unit.model import Point, Unit

Progress = Callable[[float], None]

# The code of a mark that could not be read was counted from its neighbours.
_COUNTED = "its code could not be read, so the mark was counted from its neighbours"


class Outcome(msgspec.Struct, frozen=True):
    """What a recording says of one knob position: a point, or None and `why` there is none.

    `notes` says what else was found wrong with delay or flutter, sentence by sentence.
    """

    knob: float
    point: Point | None
    why: str
    notes: tuple[str, ...]


class WalkOutcome(msgspec.Struct, frozen=True):
    """One outcome for each knob mark of a walk, in the order walked, and what is missing."""

    marks: tuple[Outcome, ...]
    missing: tuple[str, ...]


def from_recording(
    path: Path, unit: Unit, head: str, knob: float, *, progress: Progress | None = None
) -> Outcome:
    """The point of one recording. Raises InputFault as `measure` does."""
    return _outcome(measured(path, lengths=_lengths(unit, head), progress=progress), head, knob)


def from_walk(
    path: Path,
    unit: Unit,
    head: str,
    readings: Sequence[float],
    *,
    turn_s: float = USUAL_TURN_S,
    progress: Progress | None = None,
) -> WalkOutcome:
    """One point for each of `readings`, the knob marks in the order in which they were walked.

    `turn_s` was left before each mark to turn the knob; it places a block whose code is unreadable.

    `progress` is told the part done, 0 to 1. Raises InputFault as `measure` and `walk_layout` do;
    a mark that is not found or says nothing costs none of the others.
    """
    told = progress or _nothing
    recording = open_recording(path)
    layout = walk_layout(len(readings), turn_s)
    reading = recording.reading()
    walk = read_walk(map(in_one, reading), recording.sample_rate_hz, layout)
    told(_FINDING)
    found = {mark.index: mark for mark in walk.marks}
    outcomes = []
    for number, knob in enumerate(readings):
        if number in found:
            outcomes.append(_from_mark(path, unit, head, knob, found[number]))
        else:
            outcomes.append(Outcome(knob, None, "its block is not in the recording", ()))
        told(1.0 - (1.0 - _FINDING) * (len(readings) - number - 1) / len(readings))
    return WalkOutcome(tuple(outcomes), (*reading.warnings, *walk.missing))


_FINDING = 0.2  # of the time
SAME = 0.02  # of the delay
_ANOTHER_DELAY = "flutter: what sounds with the tone has another delay than the clicks"


def _from_mark(path: Path, unit: Unit, head: str, knob: float, mark: FoundMark) -> Outcome:
    """The delay from the clicks alone, so that nothing else passes for it; flutter from the tone.

    What reads the tone needs the delay too, so that it is given the clicks with it.
    """
    if mark.clicks is None:
        return Outcome(knob, None, "its clicks are cut off", ())
    lengths, clicks, tone = _lengths(unit, head), mark.clicks, mark.tone
    alone = measured(path, lengths=lengths, span_s=(clicks.start_s, clicks.end_s))
    # What the clicks say of flutter is that no tone sounds there.
    flutter: Flutter | None = None
    about_flutter: tuple[str, ...] = ()
    if tone is not None:
        both = measured(path, lengths=lengths, span_s=(clicks.start_s, tone.end_s))
        flutter, about_flutter = both.report.flutter, both.remarks.flutter
        if not _agree(alone.report.delay, both.report.delay):
            flutter, about_flutter = None, (_ANOTHER_DELAY,)
    of_both = msgspec.structs.replace(
        alone,
        report=msgspec.structs.replace(alone.report, flutter=flutter),
        # What is odd about the file is told once for all marks.
        remarks=msgspec.structs.replace(alone.remarks, file=(), flutter=about_flutter),
    )
    outcome = _outcome(of_both, head, knob)
    counted = () if mark.certain else (_COUNTED,)
    return msgspec.structs.replace(outcome, notes=(*counted, *outcome.notes))


def _agree(delay: Delay | None, again: Delay | None) -> bool:
    """Whether a delay found twice, if it is, is the same."""
    return delay is None or again is None or abs(again.ms - delay.ms) < SAME * delay.ms


def _outcome(done: Measured, head: str, knob: float) -> Outcome:
    report, remarks = done.report, done.remarks
    # Loop gain, splice and noise are no part of a point: that they are missing is not told.
    notes = (*remarks.file, *remarks.sound, *remarks.growth, *remarks.flutter)
    if report.delay is None:
        if report.flutter is not None:
            unused = f"flutter: {report.flutter.weighted_percent:.2f} %, not kept without a delay"
            notes = (*notes, unused)
        return Outcome(knob, None, " ".join(remarks.delay), notes)
    # Of the unit at this position: another take would differ by how its speed wavers as well.
    error_ms = math.hypot(report.delay.error_ms, report.delay.scatter_ms)
    point = Point(
        head=head,
        knob=knob,
        delay_ms=round(report.delay.ms, 3),
        error_ms=max(round(error_ms, 3), 0.001),
        flutter_percent=(
            None if report.flutter is None else round(report.flutter.weighted_percent, 3)
        ),
    )
    return Outcome(knob, point, "", notes)


def _lengths(unit: Unit, head: str) -> Lengths:
    gap_mm = next((known.gap_mm for known in unit.head if known.name == head), None)
    return Lengths(loop_mm=unit.loop.length_mm, gap_mm=gap_mm)


def _nothing(_part: float) -> None:
    """Nobody watches."""
