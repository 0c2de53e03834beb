"""What the hand may choose at each part of a set, and what each choice costs by itself.

One unit of cost is one timing error that a listener just notices. The weights below are judgement,
not measurement.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from tempotape.advice.advise import Wish
from tempotape.advice.ranking import Taste
from tempotape.advice.settings import Setting, setting_for
from tempotape.advice.timing import expected_error, noticeable_ms
from tempotape.tempo.notes import NOTE_VALUES
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


class Choice(msgspec.Struct, frozen=True):
    """A head and a reading for one note value, with what it costs apart from the handwork.

    `mark` is the reading in whole hand steps from the low end of the scale, `target_ms` how long
    the note value lasts. Where the reading is lent by another part, `lender` is that part's index.
    """

    note: str
    head: str
    knob: float
    mark: int
    zone: Zone
    timing: float
    steadiness: float
    preference: float
    target_ms: float
    lender: int | None = None

    @property
    def own_cost(self) -> float:
        return self.timing + self.steadiness + self.preference


def setting_of(calibration: Calibration, wish: Wish, choice: Choice) -> Setting:
    """The setting that the choice of the part with this wish comes to."""
    setting = setting_for(
        calibration,
        note=NOTE_VALUES[choice.note],
        head=choice.head,
        quarter_bpm=wish.quarter_bpm,
        beat_bpm=wish.tempo_bpm,
    )
    if choice.lender is None:
        return setting
    error = expected_error(calibration, choice.head, choice.knob)
    return msgspec.structs.replace(
        setting,
        knob=choice.knob,
        knob_text=knob_text(calibration.unit.knob, choice.knob),
        delay_ms=calibration.curve.delay_ms(choice.head, choice.knob),
        error_ms=error.total_ms,
        ms_per_step=error.hand_ms,
        in_time=True,
        flutter_percent=calibration.flutter_at(choice.knob),
        zone=choice.zone,
        error_parts_ms=error,
    )


class Found(msgspec.Struct, frozen=True):
    """What is within reach of one wish: the choices at readings of its own, in its order."""

    wish: Wish
    own: tuple[Choice, ...]


def knob_mark(knob: Knob, reading: float) -> int:
    """The reading in whole hand steps from the low end: what a hand can tell apart."""
    return round((reading - knob.low) / knob.step)


def timing_cost(looseness: float) -> float:
    """Expected error in units of what a listener notices, and more so beyond it."""
    return looseness + LOOSE * max(0.0, looseness - 1.0)


def gain_over(wish: Wish, planned: Setting, best: Setting) -> str:
    """What a planned setting has over the one that is best by itself, in two or three words."""
    if _own_cost(wish, best) <= _own_cost(wish, planned):
        return "less turning"
    if timing_cost(planned.looseness) < timing_cost(best.looseness):
        return "surer timing"
    return "the song's wishes"


def _own_cost(wish: Wish, setting: Setting) -> float:
    place = [note.name for note in wish.repeats].index(setting.note)
    unsteady = UNSTEADY[wish.taste][setting.zone]
    return timing_cost(setting.looseness) + unsteady + PLACE * place


class Finder:
    """The choices at each part of a set on one unit; what the tape does is computed once."""

    def __init__(self, calibration: Calibration) -> None:
        self._curve = calibration.curve
        self._calibration = calibration
        self._spans_ms = {
            head: span_ms
            for head in calibration.unit.head_names
            if (span_ms := self._curve.measured_delays_ms(head)) is not None
        }
        self._delays_ms: dict[tuple[str, float], float] = {}
        self._tapes: dict[tuple[str, float], tuple[float, Zone]] = {}

    def found(self, wishes: Iterable[Wish | None]) -> list[Found | None]:
        """What is within reach of each wish; wishes that are the same are looked at once."""
        known: dict[object, Found] = {}
        every: list[Found | None] = []
        for wish in wishes:
            if wish is None:
                every.append(None)
                continue
            # By name: the exact lengths of note values take long to hash.
            names = tuple(note.name for note in wish.repeats)
            key = (wish.tempo_bpm, wish.beat.name, names, wish.taste, wish.head)
            if key not in known:
                known[key] = Found(wish, tuple(self._own(wish)))
            every.append(known[key])
        return every

    def _own(self, wish: Wish) -> Iterator[Choice]:
        """As advice finds its settings, without the words and the figures that cost nothing."""
        curve, knob = self._curve, self._calibration.unit.knob
        unsteady = UNSTEADY[wish.taste]
        quarter_bpm = wish.quarter_bpm
        for place, note in enumerate({note.name: note for note in wish.repeats}.values()):
            target_ms = note.delay_ms(quarter_bpm)
            leeway_ms = noticeable_ms(target_ms)
            for head, (shortest_ms, longest_ms) in self._spans_ms.items():
                met_ms = min(max(target_ms, shortest_ms), longest_ms)
                if abs(met_ms - target_ms) > leeway_ms or wish.head not in {None, head}:
                    continue
                reading = curve.knob_for(head, met_ms)
                assert reading is not None  # noqa: S101 - met_ms lies on the curve
                reading = min(max(reading, curve.measured_low), curve.measured_high)
                off_ms = abs(self._delay_ms(head, reading) - target_ms)
                error_ms, zone = self._tape(head, reading)
                yield Choice(
                    note.name,
                    head,
                    reading,
                    knob_mark(knob, reading),
                    zone,
                    timing_cost((off_ms + error_ms) / leeway_ms),
                    unsteady[zone],
                    PLACE * place,
                    target_ms,
                )

    def choices(self, found: Sequence[Found | None]) -> list[tuple[Choice, ...]]:
        """The choices at each part; none where the tempo is found live or nothing is in reach.

        They are the part's own settings and, where it stays in time, any reading that one of the
        nearest parts wants for itself. Unstable ones stand only where there is no other.
        """
        places = [index for index, part in enumerate(found) if part is not None and part.own]
        choices: list[tuple[Choice, ...]] = [()] * len(found)
        for place, index in enumerate(places):
            part = found[index]
            assert part is not None  # noqa: S101 - picked so above
            near = [
                places[place + step]
                for away in range(1, LENDERS + 1)
                for step in (-away, away)
                if 0 <= place + step < len(places)
            ]
            every = (*part.own, *self._lent(part, {other: found[other] for other in near}))
            stable = tuple(choice for choice in every if choice.zone != "unstable")
            choices[index] = stable or every
        return choices

    def _lent(self, part: Found, others: Mapping[int, Found | None]) -> Iterator[Choice]:
        """Choices at readings of `others`, nearest first, that keep this part in time."""
        unsteady = UNSTEADY[part.wish.taste]
        taken = {(choice.note, choice.head, choice.mark) for choice in part.own}
        heads: dict[str, list[tuple[float, float, Choice]]] = {}
        for choice in part.own:
            target_ms = choice.target_ms
            heads.setdefault(choice.head, []).append((target_ms, noticeable_ms(target_ms), choice))
        for index, other in others.items():
            for lender in other.own if other else ():
                reading, mark = lender.knob, lender.mark
                for head, wanted in heads.items():
                    delay_ms = self._delay_ms(head, reading)
                    for target_ms, leeway_ms, choice in wanted:
                        off_ms = abs(delay_ms - target_ms)
                        if off_ms > leeway_ms or (choice.note, head, mark) in taken:
                            continue
                        error_ms, zone = self._tape(head, reading)
                        looseness = (off_ms + error_ms) / leeway_ms
                        if looseness > 1.0:
                            continue
                        taken.add((choice.note, head, mark))
                        yield Choice(
                            choice.note,
                            head,
                            reading,
                            mark,
                            zone,
                            timing_cost(looseness),
                            unsteady[zone],
                            choice.preference,
                            target_ms,
                            index,
                        )

    def _delay_ms(self, head: str, reading: float) -> float:
        key = (head, reading)
        delay_ms = self._delays_ms.get(key)
        if delay_ms is None:
            delay_ms = self._curve.delay_ms(head, reading)
            assert delay_ms is not None  # noqa: S101 - the head has a delay all over the scale
            self._delays_ms[key] = delay_ms
        return delay_ms

    def _tape(self, head: str, reading: float) -> tuple[float, Zone]:
        """The error to expect in ms, and the zone."""
        key = (head, reading)
        tape = self._tapes.get(key)
        if tape is None:
            error = expected_error(self._calibration, head, reading)
            tape = (error.total_ms, self._calibration.zone_at(reading))
            self._tapes[key] = tape
        return tape
