"""One head at one knob reading for one note value: what it gives, or why it is out of reach."""

from __future__ import annotations

import msgspec

from tempotape.advice.timing import ExpectedError, expected_error, noticeable_ms
from tempotape.tempo.notes import NOTE_VALUES, NoteValue
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text, told_exactly
from tempotape.unit.steadiness import Zone


class WayOut(msgspec.Struct, frozen=True):
    """A trustworthy setting, or tempo, near one that is not."""

    note: str
    head: str
    knob: float
    knob_text: str
    tempo_bpm: float
    zone: Zone


class Setting(msgspec.Struct, frozen=True):
    """One ranked answer. Field names are the JSON contract.

    Delays and errors are in ms, `error_ms` one standard deviation, `ms_per_step` the size of what
    one knob step changes, `in_time_knob` the readings between which a listener hears the repeat on
    the beat. `miss_ms` says how far an unreachable target lies beyond what the head gives.
    """

    rank: int
    note: str
    head: str
    knob: float | None
    knob_text: str
    target_ms: float
    delay_ms: float | None
    error_ms: float | None
    ms_per_step: float | None
    in_time: bool
    flutter_percent: float | None
    zone: Zone
    reachable: bool
    reasons: tuple[str, ...] = ()
    in_time_knob: tuple[float, float] | None = None
    error_parts_ms: ExpectedError | None = None
    miss_ms: float | None = None
    nearest_tempo_bpm: float | None = None
    nearest_note: str | None = None
    way_out: WayOut | None = None

    @property
    def looseness(self) -> float:
        """Expected error in units of what a listener notices; 1.0 or less is in time."""
        if self.error_ms is None or self.delay_ms is None:
            return float("inf")
        off_ms = abs(self.delay_ms - self.target_ms) + self.error_ms
        return off_ms / noticeable_ms(self.target_ms)


def setting_for(
    calibration: Calibration, *, note: NoteValue, head: str, quarter_bpm: float, beat_bpm: float
) -> Setting:
    """The setting of `head` that repeats after `note`, unranked and without reasons.

    A target that the measured span misses by less than a listener notices is met at the end of
    the span. Anything further out is unreachable: what was not measured is not promised.
    """
    target_ms = note.delay_ms(quarter_bpm)
    span_ms = calibration.curve.measured_delays_ms(head)
    if span_ms is None:
        return _unreachable(note, head, target_ms)
    met_ms = min(max(target_ms, span_ms[0]), span_ms[1])
    if abs(met_ms - target_ms) > noticeable_ms(target_ms):
        return msgspec.structs.replace(
            _unreachable(note, head, target_ms),
            miss_ms=target_ms - met_ms,
            nearest_tempo_bpm=nearest_tempo_bpm(calibration, note, head, quarter_bpm, beat_bpm),
            nearest_note=_nearest_note(calibration, note, head, quarter_bpm),
        )
    return _reachable(calibration, note, head, target_ms, met_ms)


def _reachable(
    calibration: Calibration, note: NoteValue, head: str, target_ms: float, met_ms: float
) -> Setting:
    curve = calibration.curve
    knob = curve.knob_for(head, met_ms)
    assert knob is not None  # noqa: S101 - met_ms lies on the curve
    knob = min(max(knob, curve.measured_low), curve.measured_high)
    error = expected_error(calibration, head, knob)
    delay_ms = curve.delay_ms(head, knob)
    setting = Setting(
        rank=0,
        note=note.name,
        head=head,
        knob=knob,
        knob_text=knob_text(calibration.unit.knob, knob),
        target_ms=target_ms,
        delay_ms=delay_ms,
        error_ms=error.total_ms,
        ms_per_step=error.hand_ms,
        in_time=False,
        flutter_percent=calibration.flutter_at(knob),
        zone=calibration.zone_at(knob),
        reachable=True,
        in_time_knob=_in_time_knob(calibration, head, target_ms),
        error_parts_ms=error,
    )
    return msgspec.structs.replace(setting, in_time=setting.looseness <= 1.0)


def _in_time_knob(calibration: Calibration, head: str, target_ms: float) -> tuple[float, float]:
    """The measured readings, low then high, whose delay is within what a listener notices."""
    curve = calibration.curve
    leeway_ms = noticeable_ms(target_ms)
    ends = [
        curve.knob_for(head, target_ms + leeway_ms),
        curve.knob_for(head, target_ms - leeway_ms),
    ]
    slow_end, fast_end = (curve.measured_low, curve.measured_high)[:: 1 if curve.faster_up else -1]
    slow = slow_end if ends[0] is None else ends[0]
    fast = fast_end if ends[1] is None else ends[1]
    low, high = sorted((slow, fast))
    return max(low, curve.measured_low), min(high, curve.measured_high)


def _unreachable(note: NoteValue, head: str, target_ms: float) -> Setting:
    return Setting(
        rank=0,
        note=note.name,
        head=head,
        knob=None,
        knob_text="out of reach",
        target_ms=target_ms,
        delay_ms=None,
        error_ms=None,
        ms_per_step=None,
        in_time=False,
        flutter_percent=None,
        zone="unknown",
        reachable=False,
    )


def slowest_to_aim_at(calibration: Calibration) -> float | None:
    """The slowest reading to send a hand to: measured, and a hand's step off the unstable stretch.

    Where that stretch is what bounds it, it is a reading that is told exactly as it is. None where
    no reading can be trusted.
    """
    if calibration.trusted is None:
        return None
    slow, fast = calibration.trusted
    aim = _a_step_off_unstable(calibration)
    if aim is None:
        return slow
    knob, up = calibration.unit.knob, calibration.curve.faster_up
    aim = told_exactly(knob, aim, up=up)
    return min(max(slow, aim), fast) if up else max(min(slow, aim), fast)


def safe_to_aim_at(calibration: Calibration, knob: float) -> bool:
    """Whether a hand that lands within its step of the reading stays off the unstable stretch."""
    aim = _a_step_off_unstable(calibration)
    return aim is None or (knob >= aim if calibration.curve.faster_up else knob <= aim)


def _a_step_off_unstable(calibration: Calibration) -> float | None:
    if calibration.unstable is None:
        return None
    step = calibration.unit.knob.step
    low, high = calibration.unstable
    return high + step if calibration.curve.faster_up else low - step


def trusted_delays_ms(calibration: Calibration, head: str) -> tuple[float, float] | None:
    """Shortest and longest delay of `head` where the tape is measured and safe from instability."""
    slowest = slowest_to_aim_at(calibration)
    if slowest is None or calibration.trusted is None:
        return None
    curve = calibration.curve
    slow, fast = (curve.delay_ms(head, knob) for knob in (slowest, calibration.trusted[1]))
    return None if slow is None or fast is None else (fast, slow)


def nearest_tempo_bpm(
    calibration: Calibration, note: NoteValue, head: str, quarter_bpm: float, beat_bpm: float
) -> float | None:
    """The tempo nearest to `beat_bpm` at which `head` gives `note` at a trusted reading.

    None where no tempo from 20 to 400 does.
    """
    span_ms = trusted_delays_ms(calibration, head)
    if span_ms is None:
        return None
    target_ms = note.delay_ms(quarter_bpm)
    nearest_ms = min(max(target_ms, span_ms[0]), span_ms[1])
    tempo_bpm = beat_bpm * target_ms / nearest_ms
    return tempo_bpm if SLOWEST_BPM <= tempo_bpm <= FASTEST_BPM else None


def _nearest_note(
    calibration: Calibration, note: NoteValue, head: str, quarter_bpm: float
) -> str | None:
    """The note value nearest in length to `note` that `head` gives at a trusted reading."""
    span_ms = trusted_delays_ms(calibration, head)
    if span_ms is None:
        return None
    fitting = [
        other
        for other in NOTE_VALUES.values()
        if span_ms[0] <= other.delay_ms(quarter_bpm) <= span_ms[1]
    ]
    if not fitting:
        return None
    return min(
        fitting,
        key=lambda other: max(other.quarters / note.quarters, note.quarters / other.quarters),
    ).name
