"""What the stage says, worked out from state, unit and clock into plain texts and angles."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import msgspec

from tempotape.advice.advise import advise
from tempotape.advice.settings import Setting
from tempotape.advice.timing import expected_error, noticeable_ms
from tempotape.advice.wording import timing_word, zone_words
from tempotape.stage.state import StageState, at_part, typing_fault
from tempotape.text import printable
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve import SpeedCurve
from tempotape.unit.knob import knob_figure, knob_text, pointer_deg
from tempotape.unit.trim import age_s, age_words, drift, faded

if TYPE_CHECKING:
    from tempotape.songs.plan_report import PlannedSong
    from tempotape.tempo.midi_link import LinkView

# The plan of the set: a setting for each of its parts, by place.
Plan = Mapping[int, "PlannedSong"]
# Song Position counts sixteenth notes (MIDI 1.0 Detailed Specification).
MIDI_BEATS_A_QUARTER = 4
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
    """Every text on the stage. `head` and `figure` are the large ones.

    `brief` is for a small terminal, where each phrase is shown whole or not at all: of the note
    value and delay, and of the timing: the word, steadiness and error first, then the rest.
    """

    tempo: str
    source: str
    unit: str
    head: str
    figure: str
    answer: str
    timing: str
    warning: tuple[str, ...]
    others: tuple[str, ...]
    song: str
    next_song: str
    songs: tuple[str, ...]
    choices: str
    dial: DialShown | None
    curve: CurveShown | None
    brief: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    unstable: bool = False


class Answered(msgspec.Struct, frozen=True):
    """What is shown, the setting it stands for, and all there are, best first."""

    shown: Shown
    setting: Setting | None
    settings: tuple[Setting, ...]


def answered(
    state: StageState,
    calibration: Calibration | None,
    link: LinkView | None,
    *,
    plan: Plan | None = None,
    now_unix_s: float = 0.0,
    rehearsal: str = "",
) -> Answered:
    """The whole stage for a state.

    `calibration`, with the trim applied, is None while the unit is still being fitted;
    `plan` is the plan of the set, by place among the parts; `now_unix_s` is the time of day, from
    which a trim has its age. `rehearsal` says where a rehearsal stands.
    """
    wish = state.wish
    settings: tuple[Setting, ...] = ()
    if calibration is not None and wish is not None:
        settings = advise(calibration, wish).settings
    setting = None if calibration is None else _setting(calibration, state, settings, plan)
    ways = sum(setting.reachable for setting in settings)
    head, figure = _large(calibration, state, setting)
    shown = Shown(
        tempo=_tempo(state),
        source=_source(state, link),
        unit=_unit(state, calibration, now_unix_s),
        head=head,
        figure=figure,
        answer=_answer(setting, ways),
        timing=_timing(setting),
        warning=_why_planned(state, setting, settings) or _warning(state, setting),
        others=_others([other for other in settings if not _same_way(other, setting)]),
        song=_song(state),
        next_song=_next_part(state, calibration, setting, plan),
        songs=_songs(state, plan),
        choices=rehearsal or _choices(state),
        dial=_dial(calibration, setting) if calibration else None,
        curve=_curve(calibration, setting) if calibration else None,
        brief=_brief(setting),
        unstable=setting is not None and setting.zone == "unstable",
    )
    return Answered(shown, setting, settings)


def _setting(
    calibration: Calibration, state: StageState, settings: Sequence[Setting], plan: Plan | None
) -> Setting | None:
    """The one to show: by the way that was chosen, else as planned, else the best."""
    if not settings:
        return None
    way = state.way
    chosen = None if way is None else _by_way(settings, way.note, way.head)
    if chosen is not None and way is not None and way.knob is not None:
        left = _at_reading(calibration, chosen, way.knob)
        if left is not None:
            return left
    planned = plan.get(state.part_at) if plan and state.as_planned else None
    of_plan = None
    if planned is not None and planned.tempo_bpm == state.tempo_bpm:
        of_plan = _of_plan(calibration, settings, planned)
    if chosen is not None:
        return of_plan if _same_way(chosen, of_plan) else chosen
    return of_plan or settings[0]


def _by_way(settings: Sequence[Setting], note: str | None, head: str | None) -> Setting | None:
    """The setting with that note value and head, None where it is not to be had."""
    return next((one for one in settings if one.reachable and _is_way(one, note, head)), None)


def _is_way(setting: Setting, note: str | None, head: str | None) -> bool:
    return (setting.note, setting.head) == (note, head)


def _at_reading(calibration: Calibration, setting: Setting, knob: float) -> Setting | None:
    """The setting with the knob a little beside; None where that is heard."""
    delay_ms = calibration.curve.delay_ms(setting.head, knob)
    if delay_ms is None or abs(delay_ms - setting.target_ms) > noticeable_ms(setting.target_ms):
        return None
    error = expected_error(calibration, setting.head, knob)
    beside = msgspec.structs.replace(
        setting,
        knob=knob,
        knob_text=knob_text(calibration.unit.knob, knob),
        delay_ms=delay_ms,
        error_ms=error.total_ms,
        ms_per_step=error.hand_ms,
        flutter_percent=calibration.flutter_at(knob),
        zone=calibration.zone_at(knob),
        error_parts_ms=error,
    )
    return msgspec.structs.replace(beside, in_time=beside.looseness <= 1.0)


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


_SOURCES = {
    "none": "no tempo yet",
    "song": "from the song",
    "changed": "changed on the stage",
    "typed": "typed",
    "tape": "the tape's own tempo",
}


def _source(state: StageState, link: LinkView | None) -> str:
    beat = "" if state.beat.name == "quarter" else f", {state.beat.name} beat"
    if typing_fault(state):
        # The digits to come may make it a tempo; what is wrong is said once they are closed.
        return "being typed"
    if state.leading_bpm is not None and link is not None:
        return _leading(state.leading_bpm, link)
    if not state.following or link is None:
        return _kept(state) + beat
    return _followed(state, link, beat)


def _followed(state: StageState, link: LinkView, beat: str) -> str:
    """What the clock that is followed does."""
    if not link.available:
        return link.problem
    if link.chosen is None:
        return "MIDI clock: no port chosen, press p"
    if link.listening is None:
        if _ambiguous(link.chosen, link.ports):
            return printable(link.problem)
        return printable(f"MIDI clock: waiting for port {link.chosen}")
    if link.own_clock:
        return printable(f"MIDI clock: our own comes back on {link.listening}, not followed")
    told = {
        "waiting": "no clock yet",
        "locking": "locking",
        "locked": "LOCKED",
        "lost": "LOST, tempo held",
    }[link.reading.state]
    told += ", playing" if link.reading.running and link.reading.state == "locked" else ""
    told += {0.5: ", halved", 1.0: "", 2.0: ", doubled"}.get(state.factor, f" x{state.factor:g}")
    return printable(f"MIDI clock {told}, {link.listening}{beat}")


def _ambiguous(asked: str, ports: Sequence[str]) -> bool:
    """Whether a name could be several of the ports, so that waiting for it is in vain."""
    from tempotape.tempo.port_names import matching  # noqa: PLC0415 - not before MIDI is there

    return len(matching(asked, ports)) > 1


def _kept(state: StageState) -> str:
    """Where a tempo that follows nothing came from."""
    if state.source == "clock":
        return "kept from the MIDI clock"
    if state.source == "tapped" and state.taps is not None:
        return f"{state.taps.count} taps, within {state.taps.error_bpm:.1f} BPM"
    return _SOURCES[state.source]


def _leading(bpm: float, link: LinkView) -> str:
    """What becomes of the clock that is sent."""
    unsent = f"tape's own {bpm:.2f}, NOT SENT"
    if not link.available:
        return f"{unsent}: no MIDI here"
    if link.output_chosen is None:
        return f"{unsent}: no port, press o"
    if link.sending_to is None:
        if _ambiguous(link.output_chosen, link.outputs):
            return printable(f"{unsent}: {link.out_problem}")
        return printable(f"{unsent}: waiting for port {link.output_chosen}")
    tempo = f"TAPE LEADS {bpm:.2f}"
    beat = link.position_beats // MIDI_BEATS_A_QUARTER + 1
    moving = f"playing, beat {beat}" if link.playing else "s starts"
    return printable(f"{tempo}, {moving}, to {link.sending_to}")


def _unit(state: StageState, calibration: Calibration | None, now_unix_s: float) -> str:
    """The unit, and how far it is trimmed."""
    if calibration is None:
        return ""
    if state.trim is None or faded(state.trim, now_unix_s):
        return calibration.unit.name
    percent = 100 * math.expm1(drift(state.trim, now_unix_s)[0])
    age = age_words(age_s(state.trim, now_unix_s))
    return f"{calibration.unit.name}, trim {percent:+.1f} % {age}"


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


def _brief(setting: Setting | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    if setting is None:
        return (), ()
    if setting.knob is None:
        return (f"{setting.note}: {setting.reasons[0]}",), ()
    steadiness, _, flutter = zone_words(setting).partition(" (")
    timing = (
        timing_word(setting).upper(),
        f"{ZONE_MARKS[setting.zone]} {steadiness}",
        f"within {setting.error_ms:.0f} ms",
        flutter.removesuffix(")"),
        f"a knob step is {setting.ms_per_step:.1f} ms",
    )
    return (f"{setting.note} {setting.delay_ms:.0f} ms",), timing


def _why_planned(
    state: StageState, setting: Setting | None, settings: Sequence[Setting]
) -> tuple[str, ...]:
    """Why the plan takes another way than the one that is best by itself."""
    wish, chosen = state.wish, state.way is not None or not state.as_planned
    if wish is None or setting is None or chosen or setting.rank == 1 or not setting.reachable:
        return ()
    if setting.zone == "unstable":  # its warning and the way out come first
        return ()
    from tempotape.songs.choices import gain_over  # noqa: PLC0415 - not without a set

    best = settings[0]
    gain = gain_over(wish, setting, best)
    return (f"the plan's choice for {gain}; way 1 is {best.note} on head {best.head}",)


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
                # Where there is no room, it is the end that is cut.
                f"{setting.rank}  {named}  {setting.knob_text:<{knobs}}  "
                f"{ZONE_MARKS[setting.zone]} {setting.zone:<8}  {timing_word(setting):<7}  "
                f"{setting.delay_ms:5.0f} ms"
            )
    return tuple(lines)


def _miss(setting: Setting) -> str:
    if setting.miss_ms is None:
        return ": no delay known"
    return f" by {abs(setting.miss_ms):.0f} ms, too {'long' if setting.miss_ms > 0 else 'short'}"


def _song(state: StageState) -> str:
    if state.song is None or state.part is None:
        return "no set open"
    show = state.show
    skipped = ", skipped" if state.song_at in show.skipped else ""
    section = f", {state.part.section}" if state.part.section else ""
    told = f"{show.order.index(state.song_at) + 1}/{len(show.order)} {state.song.title}"
    return " - ".join(filter(None, (f"{told}{section}{skipped}", state.part.notes)))


def _next_part(
    state: StageState, calibration: Calibration | None, setting: Setting | None, plan: Plan | None
) -> str:
    """What comes next and what the hand must do for it, so that it can move early."""
    at = state.next_part_at
    if at is None:
        return "last song of the set" if state.parts else ""
    from tempotape.songs.hand_moves import move_text  # noqa: PLC0415 - not without a set

    part = state.parts[at]
    named = f"next {_short(part.section if part.inside and part.section else part.title)}"
    hand = None if setting is None or setting.knob is None else (setting.head, setting.knob)
    best = None if calibration is None else _coming(at_part(state, at, hand), calibration, plan)
    if best is None or calibration is None:
        return f"{named}: tempo not known yet"
    bpm = f"{round(best[0], 2):g}"
    named = f"{named}, {bpm}"
    if best[1].knob is None:
        return f"{named}: out of reach"
    head, knob = hand or (None, None)
    move = move_text(calibration.unit.knob, head, knob, best[1].head, best[1].knob)
    told = f"{named}: {move} ({best[1].note})"
    # The move is worth more than the end of a title.
    return told if len(told) <= _LINE_CELLS else f"next, {bpm}: {move} ({best[1].note})"


def _coming(
    there: StageState, calibration: Calibration, plan: Plan | None
) -> tuple[float, Setting] | None:
    """The tempo and the setting of the part that comes, None where its tempo is not known."""
    wish = there.wish
    if wish is None:
        return None
    setting = _setting(calibration, there, advise(calibration, wish).settings, plan)
    return None if setting is None else (wish.tempo_bpm, setting)


def _of_plan(
    calibration: Calibration, settings: Sequence[Setting], planned: PlannedSong
) -> Setting | None:
    """The setting that the plan chose, be it at a reading a little beside; None where none is.

    Where the tape has drifted so far that the reading of the plan is no longer in time, the way of
    the plan at the reading it has now.
    """
    chosen = _by_way(settings, planned.note, planned.head)
    if chosen is None or planned.knob is None:
        return None
    return _as_planned(calibration, chosen, planned) or chosen


def _same_way(setting: Setting, other: Setting | None) -> bool:
    return other is not None and _is_way(setting, other.note, other.head)


def _as_planned(calibration: Calibration, setting: Setting, planned: PlannedSong) -> Setting | None:
    """The setting at the reading of the plan, where the knob may stay and is still in time."""
    assert planned.knob is not None  # noqa: S101 - looked at before
    there = _at_reading(calibration, setting, planned.knob)
    # The plan knows of a tempo that moves, too.
    return there and msgspec.structs.replace(there, in_time=planned.in_time)


def _songs(state: StageState, plan: Plan | None) -> tuple[str, ...]:
    """The set around the present song, a line a song or section."""
    if not state.parts:
        return ()
    order = state.show.order
    here = order.index(state.song_at)
    lines = []
    for song_at in order[max(0, here - _SONGS_BEFORE) : here + _MOST_SONGS]:
        first = state.first_part(song_at)
        for part_at, part in enumerate(state.parts[first:], first):
            if part.number != song_at + 1:
                break
            planned = plan.get(part_at) if plan else None
            name = f"  {part.section}" if part.inside else part.title
            place = ""
            if song_at in state.show.skipped:
                place = "skipped"
            elif planned is not None and planned.knob is not None:
                place = f"{planned.head} {planned.knob_text}"
            # Where the list is narrow, its first cell is all there is for it.
            left_out = "-" if song_at in state.show.skipped else " "
            mark = ">" if part_at == state.part_at else left_out
            lines.append(f"{mark} {_cut(name):<{_TITLE_CELLS}} {place}")
    return tuple(lines)


# How much of a title the list shows, the songs above the present one, and how many from there.
_TITLE_CELLS = 20
# A line of the narrowest stage, and how much of it the next title may take.
_LINE_CELLS = 80
_MOST_TITLE = 30
_SONGS_BEFORE = 1
_MOST_SONGS = 30


def _short(title: str) -> str:
    title = printable(title)
    if len(title) <= _MOST_TITLE:
        return title
    return f"{title[: _MOST_TITLE - 1]}\N{HORIZONTAL ELLIPSIS}"


def _cut(title: str) -> str:
    title = printable(title)
    return (
        title
        if len(title) <= _TITLE_CELLS
        else f"{title[: _TITLE_CELLS - 1]}\N{HORIZONTAL ELLIPSIS}"
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
