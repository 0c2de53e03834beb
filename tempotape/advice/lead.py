"""The tape leads: tempos that the unit gives at marks of the knob that a hand finds.

Turned round from advice: a mark has a delay, and a note value that lasts as long gives a tempo.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import msgspec

from tempotape.advice.advise import head_named
from tempotape.advice.ranking import Taste, ranked
from tempotape.advice.settings import Setting
from tempotape.advice.timing import NOTICEABLE_SHARE, expected_error, noticeable_ms
from tempotape.tempo.notes import NOTE_VALUES, NoteValue
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM
from tempotape.text import listed, quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import DEG_PER_HOUR, mark_text
from tempotape.unit.model import Knob
from tempotape.unit.steadiness import Zone

# Songs lie here (common practice, no source); tempos outside come last.
USUAL_BPM = (40.0, 240.0)
# No band takes a song further than this from its own tempo for the tape's sake (our judgement).
_NEAR_PERCENT = 20.0
# Tempos are equally near within steps of what a listener just notices (see timing.py).
_BAND_PERCENT = 100 * NOTICEABLE_SHARE
# Where nothing is near, so many of the nearest are told.
_FEW = 3
# The dial shows no more parts than this.
_MOST_PARTS = 11
# Of a clock face, every so manieth hour is found at a glance.
_CLOCK_HOURS = (1, 2, 3, 6)
# Readings that arithmetic puts this share of the scale beside a mark are on it.
_SLACK = 1e-9


class LeadTempo(msgspec.Struct, frozen=True):
    """A tempo to lead at, and the setting that gives it. Field names are the JSON contract.

    `tempo_bpm` counts the beat asked for, unrounded. `error_ms` is one standard deviation of the
    delay, `error_percent` the same of delay and tempo; `ms_per_step` and `bpm_per_step` are what
    one step of the hand is worth. `change_percent` is how much faster than the song's own it is.
    """

    rank: int
    tempo_bpm: float
    note: str
    head: str
    knob: float
    knob_text: str
    delay_ms: float
    error_ms: float
    error_percent: float
    ms_per_step: float
    bpm_per_step: float
    in_time: bool
    zone: Zone
    flutter_percent: float | None
    change_percent: float | None = None


class LeadReport(msgspec.Struct, frozen=True):
    """Tempos best first; `remarks` say why there are none, or none near."""

    unit: str
    near_bpm: float | None
    beat: str
    taste: Taste
    tempos: tuple[LeadTempo, ...]
    remarks: tuple[str, ...] = ()


def tempo_of_setting(delay_ms: float, note: NoteValue, beat: NoteValue) -> float:
    """The tempo, in `beat` a minute, at which `note` lasts `delay_ms`.

    By definition of the metronome mark, a quarter note lasts 60000/BPM milliseconds.
    """
    return 60_000.0 * float(note.quarters / beat.quarters) / delay_ms


def easy_marks(knob: Knob) -> tuple[float, ...]:
    """Readings that a hand finds on a bare knob, ascending: its stops, and marks between them.

    On numbers, the round steps of which the scale holds up to eleven, and halfway between them
    where that is round too: whole and half numbers from 0 to 10. On a clock face, hours and half
    hours. Nothing finer than the hand's own step: for a coarse one every second hour, or third.

    >>> easy_marks(Knob(low=0, high=10, step=0.2))[:4]
    (0, 0.5, 1.0, 1.5)
    """
    scale, hand = knob.high - knob.low, knob.step * (1 - _SLACK)
    if knob.marks == "clock":
        hour = scale * DEG_PER_HOUR / knob.sweep_deg
        hours = next((hours for hours in _CLOCK_HOURS if hours * hour >= hand), math.inf)
        if math.isinf(hours):
            return knob.low, knob.high
        grain, halves = hours * hour, hours == 1
        origin = (knob.low + knob.high) / 2  # straight up
    else:
        finest = max(scale / _MOST_PARTS * (1 - _SLACK), hand)
        power = 10.0 ** math.floor(math.log10(finest))
        size = next((size for size in (1, 2, 5) if size * power >= finest), 10)
        # Half of 5 is 2.5, which is not round.
        grain, halves, origin = size * power, size != 5, 0.0
    if halves and grain / 2 >= hand:
        grain /= 2
    first = math.ceil((knob.low - origin) / grain - _SLACK)
    last = math.floor((knob.high - origin) / grain + _SLACK)
    # Rounding takes off what multiplying adds: 0.3, not 0.30000000000000004.
    between = (round(origin + place * grain, 9) for place in range(first, last + 1))
    return tuple(sorted({knob.low, *between, knob.high}))


def lead_tempos(
    calibration: Calibration,
    near_bpm: float | None,
    beat: NoteValue,
    repeats: Sequence[NoteValue],
    taste: Taste,
    *,
    head: str | None = None,
) -> LeadReport:
    """Tempos that the unit gives with one of `repeats` at easy marks it can be trusted at.

    Those are in the measured span, not unstable, and not where a measured point of the head is
    suspect. Without `near_bpm` all tempos from 20 to 400, 40 to 240 first, in the order in which
    advice would rank their settings. With it, those within 20 %: by how far they, and what the
    repeats may be off beyond notice, are from the song's own tempo; those equally near in the
    order of advice. Raises InputFault for a head that the unit does not have.
    """
    insisted = None if head is None else head_named(calibration, head)
    heads = [name for name in calibration.unit.head_names if insisted in (None, name)]
    notes = tuple(dict.fromkeys(repeats))
    settings = [
        msgspec.structs.replace(at_mark, note=note.name)
        for at_mark in _at_marks(calibration, heads, notes[0])
        for note in notes
        if SLOWEST_BPM <= tempo_of_setting(at_mark.target_ms, note, beat) <= FASTEST_BPM
    ]
    remarks: tuple[str, ...] = () if settings else (_why_none(calibration, heads),)
    if near_bpm is not None and settings:
        settings, remarks = _nearest(settings, beat, near_bpm)

    def band(setting: Setting) -> int:
        if near_bpm is None:
            tempo_bpm = _tempo(setting, beat)
            return 0 if USUAL_BPM[0] <= tempo_bpm <= USUAL_BPM[1] else 1
        off_percent = _change(setting, beat, near_bpm) + _beyond_notice_percent(setting)
        return int(off_percent / _BAND_PERCENT)

    def closeness(setting: Setting) -> float:
        return _tempo(setting, beat) if near_bpm is None else _change(setting, beat, near_bpm)

    # What the ranking cannot tell apart stays in this order.
    settings.sort(key=closeness)
    best_first = sorted(
        ranked(calibration, settings, wanted=[note.name for note in notes], taste=taste), key=band
    )
    return LeadReport(
        unit=calibration.unit.name,
        near_bpm=near_bpm,
        beat=beat.name,
        taste=taste,
        tempos=tuple(
            _led(setting, rank, beat, near_bpm) for rank, setting in enumerate(best_first, 1)
        ),
        remarks=remarks,
    )


def _nearest(
    settings: list[Setting], beat: NoteValue, near_bpm: float
) -> tuple[list[Setting], tuple[str, ...]]:
    """Those within reach of `near_bpm`, or the few nearest and a remark that says so."""
    near = [setting for setting in settings if _change(setting, beat, near_bpm) <= _NEAR_PERCENT]
    if near:
        return near, ()
    remark = (
        f"no tempo within {_NEAR_PERCENT:g} % of {near_bpm:g} BPM at an easy mark: "
        "the nearest instead"
    )
    return sorted(settings, key=lambda setting: _change(setting, beat, near_bpm))[:_FEW], (remark,)


def _tempo(setting: Setting, beat: NoteValue) -> float:
    return tempo_of_setting(setting.target_ms, NOTE_VALUES[setting.note], beat)


def _change(setting: Setting, beat: NoteValue, near_bpm: float) -> float:
    """How far the tempo is from `near_bpm`, in percent of the ratio: twice and half are as far."""
    return 100 * math.expm1(abs(math.log(_tempo(setting, beat) / near_bpm)))


def _beyond_notice_percent(setting: Setting) -> float:
    """The part of the expected error that a listener notices, in percent of the delay."""
    beyond_ms = max(0.0, setting.looseness - 1) * noticeable_ms(setting.target_ms)
    return 100 * beyond_ms / setting.target_ms


def _trusted_marks(calibration: Calibration) -> list[float]:
    """The easy marks in the measured span that are not unstable."""
    if calibration.trusted is None:
        return []
    low, high = sorted(calibration.trusted)
    knob = calibration.unit.knob
    slack = (knob.high - knob.low) * _SLACK
    return [
        mark
        for mark in easy_marks(knob)
        # Trust may begin just after a mark, and the slack must not let that mark in.
        if low - slack <= mark <= high + slack and calibration.zone_at(mark) != "unstable"
    ]


def _at_marks(calibration: Calibration, heads: Sequence[str], note: NoteValue) -> Iterator[Setting]:
    """A setting for each head at each mark to be trusted; its target is the delay it has."""
    knob = calibration.unit.knob
    for reading in _trusted_marks(calibration):
        for head in heads:
            delay_ms = calibration.curve.delay_ms(head, reading)
            if delay_ms is None or _suspect(calibration, head, reading):
                continue
            error = expected_error(calibration, head, reading)
            yield Setting(
                rank=0,
                note=note.name,
                head=head,
                knob=reading,
                knob_text=mark_text(knob, reading),
                target_ms=delay_ms,
                delay_ms=delay_ms,
                error_ms=error.total_ms,
                ms_per_step=error.hand_ms,
                in_time=error.total_ms <= noticeable_ms(delay_ms),
                flutter_percent=calibration.flutter_at(reading),
                zone=calibration.zone_at(reading),
                reachable=True,
            )


def _suspect(calibration: Calibration, head: str, reading: float) -> bool:
    """Whether a point of the head, measured within half a step of the mark, is suspect."""
    near = calibration.unit.knob.step / 2
    return any(
        point.suspect and point.head == head and abs(point.knob - reading) <= near
        for point in calibration.fit.points
    )


def _why_none(calibration: Calibration, heads: Sequence[str]) -> str:
    if all(calibration.curve.measured_delays_ms(head) is None for head in heads):
        return f"no delay is known of head {listed(map(quoted, heads))}"
    if calibration.trusted is None:
        return "every measured reading is unstable"
    if not _trusted_marks(calibration):
        low, high = (mark_text(calibration.unit.knob, at) for at in sorted(calibration.trusted))
        return f"no easy mark lies where the tape can be trusted, from {low} to {high}"
    return (
        f"no wanted note value gives a tempo from {SLOWEST_BPM:g} to {FASTEST_BPM:g} BPM at an "
        "easy mark that can be trusted"
    )


def _led(setting: Setting, rank: int, beat: NoteValue, near_bpm: float | None) -> LeadTempo:
    assert setting.knob is not None  # noqa: S101 - every setting here stands at a mark
    assert setting.error_ms is not None  # noqa: S101
    assert setting.ms_per_step is not None  # noqa: S101
    tempo_bpm = _tempo(setting, beat)
    return LeadTempo(
        rank=rank,
        tempo_bpm=tempo_bpm,
        note=setting.note,
        head=setting.head,
        knob=setting.knob,
        knob_text=setting.knob_text,
        delay_ms=setting.target_ms,
        error_ms=setting.error_ms,
        error_percent=100 * setting.error_ms / setting.target_ms,
        ms_per_step=setting.ms_per_step,
        bpm_per_step=tempo_bpm * setting.ms_per_step / setting.target_ms,
        in_time=setting.in_time,
        zone=setting.zone,
        flutter_percent=setting.flutter_percent,
        change_percent=None if near_bpm is None else 100 * (tempo_bpm / near_bpm - 1),
    )
