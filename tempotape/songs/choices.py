"""What the hand may choose at each part of a set, and what each choice costs by itself.

One unit of cost is one timing error that a listener just notices. The weights below are judgement,
not measurement.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from tempotape.advice.advise import Wish
from tempotape.advice.ranking import Taste
from tempotape.advice.settings import Setting, setting_for
from tempotape.advice.timing import ExpectedError, expected_error, noticeable_ms
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text
from tempotape.unit.model import Knob
from tempotape.unit.steadiness import Zone

# Error beyond what is noticed counts this many times more.
LOOSE = 4.0
# One place further down the wanted note values.
PLACE = 0.5
# A zone against the song's taste: dear enough that only a hand without time breaks it.
UNSTEADY: Mapping[Taste, Mapping[Zone, float]] = {
    "steady": {"steady": 0.0, "wobbly": 4.0, "unknown": 4.5, "unstable": 6.0},
    "wobbly": {"wobbly": 0.0, "steady": 4.0, "unknown": 4.5, "unstable": 6.0},
    "either": {"steady": 0.0, "wobbly": 0.0, "unknown": 0.0, "unstable": 6.0},
}
# How many parts before and after a part may lend it their reading, so that the knob can stay.
LENDERS = 2


class Tape(msgspec.Struct, frozen=True):
    """What the tape does under one head at one reading."""

    delay_ms: float
    error: ExpectedError
    error_ms: float
    zone: Zone
    flutter_percent: float | None


class Choice(msgspec.Struct, frozen=True):
    """A head and a reading for one note value, with what it costs apart from the handwork.

    `mark` is the reading in whole hand steps from the low end of the scale. `wanted` is the setting
    that puts the note value right; where the reading is lent by another part instead, `lender` is
    that part's index and `tape` what the tape does there.
    """

    note: str
    head: str
    knob: float
    mark: int
    zone: Zone
    timing: float
    steadiness: float
    preference: float
    wanted: Setting
    lender: int | None = None
    tape: Tape | None = None

    @property
    def own_cost(self) -> float:
        return self.timing + self.steadiness + self.preference


def setting_of(calibration: Calibration, choice: Choice) -> Setting:
    """The setting that the choice comes to."""
    tape = choice.tape
    if tape is None:
        return choice.wanted
    return msgspec.structs.replace(
        choice.wanted,
        knob=choice.knob,
        knob_text=knob_text(calibration.unit.knob, choice.knob),
        delay_ms=tape.delay_ms,
        error_ms=tape.error_ms,
        ms_per_step=tape.error.hand_ms,
        in_time=True,
        flutter_percent=tape.flutter_percent,
        zone=tape.zone,
        error_parts_ms=tape.error,
    )


class Found(msgspec.Struct, frozen=True):
    """The settings within reach of one wish, in the order of its note values and heads."""

    wish: Wish
    reachable: tuple[Setting, ...]


def knob_mark(knob: Knob, reading: float) -> int:
    """The reading in whole hand steps from the low end: what a hand can tell apart."""
    return round((reading - knob.low) / knob.step)


def timing_cost(looseness: float) -> float:
    """Expected error in units of what a listener notices, and more so beyond it."""
    return looseness + LOOSE * max(0.0, looseness - 1.0)


def all_found(calibration: Calibration, wishes: Sequence[Wish | None]) -> list[Found | None]:
    """What is within reach of each wish; wishes that are the same are computed once."""
    spans_ms = {
        head: span_ms
        for head in calibration.unit.head_names
        if (span_ms := calibration.curve.measured_delays_ms(head)) is not None
    }
    known: dict[Wish, Found] = {}
    found: list[Found | None] = []
    for wish in wishes:
        if wish is not None and wish not in known:
            known[wish] = Found(wish, tuple(_reachable(calibration, wish, spans_ms)))
        found.append(None if wish is None else known[wish])
    return found


def _reachable(
    calibration: Calibration, wish: Wish, spans_ms: Mapping[str, tuple[float, float]]
) -> Iterator[Setting]:
    quarter_bpm = wish.quarter_bpm
    for note in dict.fromkeys(wish.repeats):
        target_ms = note.delay_ms(quarter_bpm)
        leeway_ms = noticeable_ms(target_ms)
        for head, (shortest_ms, longest_ms) in spans_ms.items():
            # Advice would find the same, and then what would work instead: too long for each song.
            out_of_reach = not shortest_ms - leeway_ms <= target_ms <= longest_ms + leeway_ms
            if out_of_reach or wish.head not in {None, head}:
                continue
            setting = setting_for(
                calibration, note=note, head=head, quarter_bpm=quarter_bpm, beat_bpm=wish.tempo_bpm
            )
            if setting.reachable:
                yield setting


def all_choices(
    calibration: Calibration, found: Sequence[Found | None]
) -> list[tuple[Choice, ...]]:
    """The choices at each part; none where the tempo is found live or nothing is in reach.

    They are the part's own settings and, where it stays in time, any reading that one of the
    nearest parts wants for itself. Unstable ones stand only where there is no other.
    """
    borrowing = _Borrowing(calibration)
    places = [index for index, part in enumerate(found) if part is not None and part.reachable]
    choices: list[tuple[Choice, ...]] = [()] * len(found)
    for place, index in enumerate(places):
        part = found[index]
        assert part is not None  # noqa: S101 - picked so above
        own = _own(calibration.unit.knob, part)
        near = [
            places[place + step]
            for away in range(1, LENDERS + 1)
            for step in (-away, away)
            if 0 <= place + step < len(places)
        ]
        lent = borrowing.lent(part, own, {other: found[other] for other in near})
        every = (*own, *lent)
        stable = tuple(choice for choice in every if choice.zone != "unstable")
        choices[index] = stable or every
    return choices


def _own(knob: Knob, part: Found) -> tuple[Choice, ...]:
    place = {note.name: at for at, note in enumerate(dict.fromkeys(part.wish.repeats))}
    unsteady = UNSTEADY[part.wish.taste]
    return tuple(
        Choice(
            note=setting.note,
            head=setting.head,
            knob=setting.knob,
            mark=knob_mark(knob, setting.knob),
            zone=setting.zone,
            timing=timing_cost(setting.looseness),
            steadiness=unsteady[setting.zone],
            preference=PLACE * place[setting.note],
            wanted=setting,
        )
        for setting in part.reachable
        if setting.knob is not None
    )


class _Borrowing:
    """Readings of other parts, tried for this one; what the tape does there is kept."""

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self._tape: dict[tuple[str, float], Tape] = {}

    def lent(
        self, part: Found, own: Sequence[Choice], others: Mapping[int, Found | None]
    ) -> Iterator[Choice]:
        """Choices at readings of `others`, nearest first, that keep this part in time."""
        taken = {(choice.note, choice.head, choice.mark) for choice in own}
        knob = self.calibration.unit.knob
        for index, other in others.items():
            for lender in other.reachable if other else ():
                reading = lender.knob
                assert reading is not None  # noqa: S101 - it is reachable
                for choice in own:
                    low, high = choice.wanted.in_time_knob or (reading, reading)
                    if not low <= reading <= high:
                        continue
                    key = (choice.note, choice.head, knob_mark(knob, reading))
                    if key in taken:
                        continue
                    moved = self._moved(part, choice, reading, index)
                    if moved is not None:
                        taken.add(key)
                        yield moved

    def _moved(self, part: Found, choice: Choice, reading: float, lender: int) -> Choice | None:
        """The choice at another reading, or None where it would not be in time there."""
        tape = self._tape_at(choice.head, reading)
        target_ms = choice.wanted.target_ms
        looseness = (abs(tape.delay_ms - target_ms) + tape.error_ms) / noticeable_ms(target_ms)
        if looseness > 1.0:
            return None
        return Choice(
            note=choice.note,
            head=choice.head,
            knob=reading,
            mark=knob_mark(self.calibration.unit.knob, reading),
            zone=tape.zone,
            timing=timing_cost(looseness),
            steadiness=UNSTEADY[part.wish.taste][tape.zone],
            preference=choice.preference,
            wanted=choice.wanted,
            lender=lender,
            tape=tape,
        )

    def _tape_at(self, head: str, reading: float) -> Tape:
        key = (head, reading)
        if key not in self._tape:
            delay_ms = self.calibration.curve.delay_ms(head, reading)
            assert delay_ms is not None  # noqa: S101 - the head has reachable settings
            error = expected_error(self.calibration, head, reading)
            self._tape[key] = Tape(
                delay_ms=delay_ms,
                error=error,
                error_ms=error.total_ms,
                zone=self.calibration.zone_at(reading),
                flutter_percent=self.calibration.flutter_at(reading),
            )
        return self._tape[key]
