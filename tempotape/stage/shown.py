"""What the stage says, worked out from state, unit and clock into plain texts and angles."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from tempotape.advice.advise import advise
from tempotape.advice.settings import Setting
from tempotape.advice.wording import timing_word, zone_words
from tempotape.stage.state import StageState, typing_fault
from tempotape.text import printable
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve import SpeedCurve
from tempotape.unit.knob import knob_figure, knob_text, pointer_deg

if TYPE_CHECKING:
    from tempotape.tempo.midi_link import LinkView

ZONE_MARKS = {"steady": "=", "wobbly": "~", "unstable": "!", "unknown": "?"}


class Mark(msgspec.Struct, frozen=True):
    """A label at an angle of the dial, in degrees clockwise from straight up."""

    deg: float
    label: str


class DialShown(msgspec.Struct, frozen=True):
    """Angles in degrees clockwise from straight up; a span is two angles, None where empty."""

    scale: tuple[float, float]
    measured: tuple[float, float]
    marks: tuple[Mark, ...]
    pointer: float | None = None
    in_time: tuple[float, float] | None = None
    unstable: tuple[float, float] | None = None


class CurveShown(msgspec.Struct, frozen=True):
    """The curve to draw: readings from `low` to `high` and, per head, delay with its error."""

    curve: SpeedCurve
    head: str | None = None
    knob: float | None = None
    unstable: tuple[float, float] | None = None
    ends: tuple[str, str] = ("", "")


class Shown(msgspec.Struct, frozen=True):
    """Every text on the stage. `head` and `figure` are the large ones."""

    tempo: str
    source: str
    head: str
    figure: str
    answer: str
    timing: str
    warning: tuple[str, ...]
    others: tuple[str, ...]
    song: str
    next_song: str
    choices: str
    dial: DialShown | None
    curve: CurveShown | None
    unstable: bool = False


class Answered(msgspec.Struct, frozen=True):
    """What is shown, and the setting it stands for."""

    shown: Shown
    setting: Setting | None
    ways: int


def answered(state: StageState, calibration: Calibration | None, link: LinkView | None) -> Answered:
    """The whole stage for a state; `calibration` is None while the unit is still being fitted."""
    wish = state.wish
    settings: tuple[Setting, ...] = ()
    if calibration is not None and wish is not None:
        settings = advise(calibration, wish).settings
    ways = sum(setting.reachable for setting in settings)
    setting = settings[min(state.way, max(ways - 1, 0))] if settings else None
    head, figure = _large(calibration, state, setting)
    shown = Shown(
        tempo=_tempo(state),
        source=_source(state, link),
        head=head,
        figure=figure,
        answer=_answer(setting, ways),
        timing=_timing(setting),
        warning=_warning(state, setting),
        others=_others([other for other in settings if other is not setting]),
        song=_song(state),
        next_song=_next_song(state, calibration, setting),
        choices=_choices(state),
        dial=_dial(calibration, setting) if calibration else None,
        curve=_curve(calibration, setting) if calibration else None,
        unstable=setting is not None and setting.zone == "unstable",
    )
    return Answered(shown, setting, ways)


def _large(
    calibration: Calibration | None, state: StageState, setting: Setting | None
) -> tuple[str, str]:
    if calibration is None:
        return "fitting", "curve"
    if setting is None or state.tempo_bpm is None:
        return "type a", "tempo"
    if setting.knob is None:
        return "out of", "reach"
    return setting.head, knob_figure(calibration.unit.knob, setting.knob)


def _tempo(state: StageState) -> str:
    if state.typing:
        return f"{state.typing}_ BPM"
    return "-- BPM" if state.tempo_bpm is None else f"{round(state.tempo_bpm, 1):g} BPM"


_SOURCES = {"none": "no tempo yet", "song": "from the song", "typed": "typed", "clock": ""}


def _source(state: StageState, link: LinkView | None) -> str:
    beat = "" if state.beat.name == "quarter" else f", {state.beat.name} beat"
    fault = typing_fault(state)
    if fault:
        return fault
    if not state.following or link is None:
        kept = "kept from the MIDI clock" if state.source == "clock" else _SOURCES[state.source]
        return kept + beat
    if not link.available:
        return link.problem
    if link.chosen is None:
        return "MIDI clock: no port chosen, press p"
    if link.listening is None:
        return printable(f"MIDI clock: waiting for port {link.chosen}")
    told = {
        "waiting": "no clock yet",
        "locking": "locking",
        "locked": "LOCKED",
        "lost": "LOST, tempo held",
    }[link.reading.state]
    return printable(f"MIDI clock {told}, {link.listening}{beat}")


def _answer(setting: Setting | None, ways: int) -> str:
    if setting is None:
        return ""
    if setting.knob is None:
        return f"{setting.note}: {setting.reasons[0]}"
    place = f"   way {setting.rank} of {ways}" if setting.rank > 1 else ""
    return (
        f"{setting.note} {setting.delay_ms:.0f} ms: head {setting.head}, "
        f"knob {setting.knob_text}{place}"
    )


def _timing(setting: Setting | None) -> str:
    if setting is None or setting.knob is None:
        return ""
    return (
        f"{timing_word(setting).upper()} within {setting.error_ms:.0f} ms   "
        f"{ZONE_MARKS[setting.zone]} {zone_words(setting)}   "
        f"a knob step is {setting.ms_per_step:.1f} ms"
    )


def _warning(state: StageState, setting: Setting | None) -> tuple[str, ...]:
    if setting is None:
        return ()
    if setting.knob is None:
        return setting.reasons[1:]
    if setting.zone == "unstable":
        return setting.reasons[:2]
    if state.note is None and state.song and setting.note != state.wanted[0].name:
        return (f"not the {state.wanted[0].name}, the first wish: see below",)
    return ()


def _others(settings: list[Setting]) -> tuple[str, ...]:
    """A line a setting: what it gives, or why it is out of reach."""
    notes, heads, knobs = (
        max((len(cell) for cell in column), default=0)
        for column in (
            [setting.note for setting in settings],
            [setting.head for setting in settings],
            [setting.knob_text for setting in settings if setting.reachable],
        )
    )
    lines = []
    for setting in settings:
        named = f"{setting.note:<{notes}}  {setting.head:<{heads}}"
        if setting.knob is None:
            lines.append(f"-  {named}  out of reach{_miss(setting)}")
        else:
            lines.append(
                f"{setting.rank}  {named}  {setting.knob_text:<{knobs}}  "
                f"{setting.delay_ms:5.0f} ms  {timing_word(setting):<7}  "
                f"{ZONE_MARKS[setting.zone]} {setting.zone}"
            )
    return tuple(lines)


def _miss(setting: Setting) -> str:
    if setting.miss_ms is None:
        return ": no delay known"
    return f" by {abs(setting.miss_ms):.0f} ms, too {'long' if setting.miss_ms > 0 else 'short'}"


def _song(state: StageState) -> str:
    if state.song is None or state.setlist is None:
        return "no set open"
    told = f"{state.song_at + 1}/{len(state.setlist.song)} {state.song.title}"
    return f"{told} - {state.song.notes}" if state.song.notes else told


def _next_song(state: StageState, calibration: Calibration | None, setting: Setting | None) -> str:
    song = state.next_song
    if song is None:
        return "last song of the set" if state.setlist else ""
    if song.tempo_bpm is None or calibration is None:
        return f"next {song.title}: tempo not known yet"
    hand = None if setting is None or setting.knob is None else (setting.head, setting.knob)
    wish = msgspec.structs.replace(song.wish(song.tempo_bpm), hand=hand)
    best = advise(calibration, wish).settings[0]
    if best.knob is None:
        return f"next {song.title}, {song.tempo_bpm:g}: out of reach"
    return (
        f"next {song.title}, {song.tempo_bpm:g}: head {best.head}, knob {best.knob_text}, "
        f"{best.note}"
    )


def _choices(state: StageState) -> str:
    note = "any wanted" if state.note is None else state.note.name
    head = "any" if state.head is None else state.head
    return f"note {note}   taste {state.taste}   head {head}"


def _dial(calibration: Calibration, setting: Setting | None) -> DialShown:
    knob, curve = calibration.unit.knob, calibration.curve

    def span(readings: tuple[float, float]) -> tuple[float, float]:
        low, high = (pointer_deg(knob, reading) for reading in readings)
        return low, high

    pointed = setting.knob if setting else None
    in_time = setting.in_time_knob if setting else None
    return DialShown(
        scale=span((knob.low, knob.high)),
        measured=span((curve.measured_low, curve.measured_high)),
        marks=_dial_marks(calibration),
        pointer=None if pointed is None else pointer_deg(knob, pointed),
        in_time=span(in_time) if in_time else None,
        unstable=span(calibration.unstable) if calibration.unstable else None,
    )


def _dial_marks(calibration: Calibration) -> tuple[Mark, ...]:
    """Labels for the dial: hours on a clock face, else about ten round readings."""
    knob = calibration.unit.knob
    if knob.marks == "clock":
        hours = range(-6, 7)
        return tuple(
            Mark(hour * 30.0, str((hour - 1) % 12 + 1))
            for hour in hours
            if abs(hour * 30.0) <= knob.sweep_deg / 2
        )
    scale = knob.high - knob.low
    step = next(size for size in _ROUND_STEPS if scale / size <= 11)
    first = -(-knob.low // step)
    count = int((knob.high - first * step) / step + 1e-9)
    readings = [(first + place) * step for place in range(count + 1)]
    return tuple(Mark(pointer_deg(knob, reading), f"{reading:g}") for reading in readings)


_ROUND_STEPS = tuple(size * 10.0**power for power in range(-3, 5) for size in (1, 2, 5))


def _curve(calibration: Calibration, setting: Setting | None) -> CurveShown:
    knob = calibration.unit.knob
    return CurveShown(
        curve=calibration.curve,
        head=setting.head if setting else None,
        knob=setting.knob if setting else None,
        unstable=calibration.unstable,
        ends=(knob_text(knob, knob.low), knob_text(knob, knob.high)),
    )
