"""Tempo and time signature from a Standard MIDI File, with bar numbers, and as sections.

Standard MIDI Files 1.0: a tempo event gives microseconds a quarter note, a time signature its
denominator as a power of two; 120 BPM and 4/4 hold until told otherwise. In format 1 the map
belongs in the first track; it is taken from every track, because not every writer keeps to that.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from tempotape.faults import InputFault
from tempotape.text import printable

# Reading takes about a second and 130 MB of memory for each megabyte of the densest file.
LARGEST_BYTES = 2_000_000
LONGEST_S = 86_400
# The largest variable-length quantity of Standard MIDI Files 1.0.
LONGEST_WAIT_TICKS = 0x0FFF_FFFF
LONGEST_NAME = 200
_FINEST_DENOMINATOR = 64
# A variable-length quantity is read byte by byte while its top bit is set; over a whole file of
# such bytes the reader's arithmetic would take minutes.
_RUNAWAY = re.compile(rb"[\x80-\xff]{1000}")
_MOST_REMARKS = 10
_UNTOLD_TEMPO_US = 500_000
_WANTED = "a MIDI file (.mid) of format 0 or 1"

# Tempos this close are one tempo: writers round to whole microseconds or to tenths of a BPM.
SAME_BPM = 0.05
# So many changes in a row, none lasting longer than a bar, are one movement of the tempo.
_FEWEST_STEPS = 3
# The held tempo beside a ramp is its end where the step to it is no larger than its own steps.
_STEP_ALIKE = 2.0


class Change(msgspec.Struct, frozen=True):
    """From `tick` on, this tempo and signature hold.

    Bars and beats count from 1; `beat_in_bar` counts notes of the denominator, 2.5 lying halfway
    between the second and the third. `tempo_bpm` counts quarter notes, whatever the signature.
    """

    tick: int
    time_s: float
    bar: int
    beat_in_bar: float
    tempo_bpm: float
    numerator: int
    denominator: int


class Marker(msgspec.Struct, frozen=True):
    """A name that the file gives to a place."""

    tick: int
    bar: int
    name: str


class TempoMap(msgspec.Struct, frozen=True):
    """All changes of a file in order, the first at tick 0; `bars` counts a last part of a bar too.

    A change of signature off a bar line starts a new bar there; `remarks` says where.
    """

    ticks_per_quarter: int
    changes: tuple[Change, ...]
    length_ticks: int
    length_s: float
    bars: int
    markers: tuple[Marker, ...] = ()
    remarks: tuple[str, ...] = ()


class TempoSection(msgspec.Struct, frozen=True):
    """Bars that a player meets as one: a held tempo, a ramp, or a tempo that wanders.

    `tempo_bpm` is the mean, quarter notes over time; `start_bpm` and `end_bpm` are what it starts
    from and arrives at, `low_bpm` and `high_bpm` what it keeps within. All count quarter notes.
    """

    name: str
    first_bar: int
    last_bar: int
    start_s: float
    end_s: float
    tempo_bpm: float
    start_bpm: float
    end_bpm: float
    low_bpm: float
    high_bpm: float
    numerator: int
    denominator: int

    @property
    def held(self) -> bool:
        return self.high_bpm - self.low_bpm < SAME_BPM

    @property
    def text(self) -> str:
        """Where and how fast, as `bars 9-12, 4/4, 120 to 140 BPM`."""
        many = self.last_bar > self.first_bar
        bars = f"bars {self.first_bar}-{self.last_bar}" if many else f"bar {self.first_bar}"
        return f"{bars}, {self.numerator}/{self.denominator}, {self._tempo_text} BPM"

    @property
    def _tempo_text(self) -> str:
        if self.held:
            return _bpm(self.tempo_bpm)
        ends = sorted((self.start_bpm, self.end_bpm))
        if ends == [self.low_bpm, self.high_bpm]:
            return f"{_bpm(self.start_bpm)} to {_bpm(self.end_bpm)}"
        return f"about {_bpm(self.tempo_bpm)}, between {_bpm(self.low_bpm)} and " + _bpm(
            self.high_bpm
        )


def _bpm(tempo_bpm: float) -> str:
    return f"{round(tempo_bpm, 1):g}"


def read_tempo_map(path: Path) -> TempoMap:
    """The tempo map of the MIDI file at `path`.

    Raises InputFault naming the file where it is missing, unreadable, larger than 2 MB, damaged,
    of format 2, divided by SMPTE frames, longer than a day, or holds a tempo or a signature that
    is none.
    """
    try:
        return _tempo_map(_parsed(_content(path)))
    except InputFault as fault:
        raise fault.located(source=str(path)) from None


def _content(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise InputFault("is a folder", expected=_WANTED)
        if not path.is_file() and path.exists():
            raise InputFault("is not a plain file", expected=_WANTED)
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise InputFault("no such file", expected=_WANTED) from None
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise InputFault(f"cannot be read ({reason})") from None
    if len(content) > LARGEST_BYTES:
        raise InputFault(
            "is too large", expected=f"a MIDI file of at most {LARGEST_BYTES / 1e6:g} MB"
        )
    if not content.startswith(b"MThd"):
        raise InputFault("is not a MIDI file", expected=_WANTED)
    return content


def _parsed(content: bytes) -> Any:
    """The file as mido reads it, its header in order."""
    import mido  # noqa: PLC0415 - needed only by sets that name a MIDI file

    if _RUNAWAY.search(content):
        raise InputFault("is damaged (a number without end)", expected=_WANTED)
    try:
        # Clipping mends data bytes of notes, which do not matter here.
        parsed = mido.MidiFile(file=io.BytesIO(content), clip=True)
    except EOFError:
        raise InputFault("ends in the middle", expected="a whole MIDI file") from None
    except Exception as fault:  # mido's faults have no base class of their own
        # Only its OSErrors say what was met; the others come from deep inside.
        reason = f" ({fault})" if isinstance(fault, OSError) else ""
        raise InputFault(f"is damaged{reason}", expected=_WANTED) from None
    if parsed.type not in {0, 1}:
        raise InputFault(f"is a MIDI file of format {parsed.type}", expected="format 0 or 1")
    if parsed.ticks_per_beat < 0:
        raise InputFault(
            "counts SMPTE frames, not beats, so it has no tempo",
            expected="ticks a quarter note (division without SMPTE)",
        )
    if parsed.ticks_per_beat == 0:
        raise InputFault("has 0 ticks a quarter note", expected="1 to 32767")
    if not parsed.tracks:
        raise InputFault("holds no tracks", expected=_WANTED)
    return parsed


def _at_ticks(track: Iterable[Any]) -> Iterator[tuple[int, Any]]:
    """The messages of a track with the ticks since the start of the file."""
    tick = 0
    for message in track:
        if message.time > LONGEST_WAIT_TICKS:
            raise InputFault(
                "holds a wait longer than MIDI files can write",
                expected=f"at most {LONGEST_WAIT_TICKS} ticks",
            )
        tick += message.time
        yield tick, message


def _tempo_map(parsed: Any) -> TempoMap:
    tempos_us = {0: _UNTOLD_TEMPO_US}
    signatures = {0: (4, 4)}
    names: list[tuple[int, str]] = []
    length_ticks = 0
    # Where several tracks speak at one tick, the later track holds, as when mido merges them.
    for track in parsed.tracks:
        tick = 0
        for tick, message in _at_ticks(track):
            if message.type == "set_tempo":
                if message.tempo == 0:
                    raise InputFault(
                        f"tempo at tick {tick} is 0 microseconds a quarter note",
                        expected="1 to 16777215",
                    )
                tempos_us[tick] = message.tempo
            elif message.type == "time_signature":
                signatures[tick] = _signature(tick, message)
            elif message.type == "marker":
                names.append((tick, _name(message.text)))
        length_ticks = max(length_ticks, tick)
    meter = _Meter(signatures, parsed.ticks_per_beat)
    changes, length_s = _changes(tempos_us, meter, length_ticks)
    return TempoMap(
        ticks_per_quarter=parsed.ticks_per_beat,
        changes=changes,
        length_ticks=length_ticks,
        length_s=length_s,
        bars=meter.bar_before(length_ticks) if length_ticks else 0,
        markers=tuple(
            Marker(tick, meter.place(tick)[0], name)
            for tick, name in sorted(names, key=lambda at: at[0])
            if name
        ),
        remarks=meter.remarks,
    )


def _signature(tick: int, message: Any) -> tuple[int, int]:
    if message.numerator == 0 or message.denominator > _FINEST_DENOMINATOR:
        # The denominator may be as large as 2 to the 255th.
        below = message.denominator.bit_length() - 1
        raise InputFault(
            f"time signature at tick {tick} is {message.numerator}/2^{below}",
            expected=f"at least one beat, of a note value from 1 to {_FINEST_DENOMINATOR}",
        )
    return message.numerator, message.denominator


def _name(text: str) -> str:
    """A marker's text. Files do not say how they write letters: UTF-8 where it is that."""
    raw = text.encode("latin-1")
    with contextlib.suppress(UnicodeDecodeError):
        text = raw.decode("utf-8")
    return printable(text[:LONGEST_NAME]).strip()


class _Meter:
    """Bars and beats by tick: where each signature begins, and the number of its first bar."""

    def __init__(self, signatures: dict[int, tuple[int, int]], ticks_per_quarter: int) -> None:
        self.ticks_per_quarter = ticks_per_quarter
        self._ticks = [0]
        self._told = [(1, *signatures[0])]
        remarks: list[str] = []
        for tick in sorted(signatures):
            numerator, denominator = signatures[tick]
            if (numerator, denominator) == self._told[-1][1:]:
                continue  # a signature told again is no change
            bar, beats = self.place(tick)
            if beats > 1:
                remarks.append(
                    f"bar {bar} ends after {beats - 1:g} of {self._told[-1][1]} beats: "
                    f"{numerator}/{denominator} starts a new bar there"
                )
                bar += 1
            self._ticks.append(tick)
            self._told.append((bar, numerator, denominator))
        more = len(remarks) - _MOST_REMARKS
        self.remarks = (*remarks[:_MOST_REMARKS], *([f"and {more} more bars"] if more > 0 else []))
        self.ticks = frozenset(self._ticks)

    def signature(self, tick: int) -> tuple[int, int]:
        return self._told[bisect_right(self._ticks, tick) - 1][1:]

    def place(self, tick: int) -> tuple[int, float]:
        """Bar and beat at a tick, both from 1. A whole note holds `denominator` beats."""
        since = bisect_right(self._ticks, tick) - 1
        first_bar, numerator, denominator = self._told[since]
        parts = (tick - self._ticks[since]) * denominator
        parts_a_beat = 4 * self.ticks_per_quarter
        bars, parts = divmod(parts, parts_a_beat * numerator)
        return first_bar + bars, 1 + parts / parts_a_beat

    def bar_before(self, tick: int) -> int:
        """The bar in which the time just before `tick` lies."""
        return self.place(tick - 1)[0]

    def told_bars(self, start: int, end: int) -> tuple[int, int, int]:
        """First and last bar as a player would tell the ticks from `start` to `end`.

        What begins or ends within a beat of a bar line (a quarter of the bar, where that is less)
        counts as on it. The third figure is the tick from which a marker names the stretch: its
        own start, or the line of the bar that it starts in.
        """
        numerator, denominator = self.signature(start)
        leeway = min(1.0, numerator / 4)
        first_bar, beat = self.place(start)
        last_bar, last_beat = self.place(end)
        if last_beat - 1 <= leeway:
            last_bar -= 1
        named_from = start
        if numerator + 1 - beat <= leeway and last_bar > first_bar:
            first_bar += 1
        else:
            named_from -= round((beat - 1) * 4 * self.ticks_per_quarter / denominator)
        return first_bar, max(first_bar, last_bar), named_from

    def bar_ticks(self, tick: int) -> float:
        numerator, denominator = self.signature(tick)
        return 4 * self.ticks_per_quarter * numerator / denominator


def _changes(
    tempos_us: dict[int, int], meter: _Meter, length_ticks: int
) -> tuple[tuple[Change, ...], float]:
    """The changes with their times in seconds, and the length in seconds."""
    changes: list[Change] = []
    # Ticks times microseconds a quarter note, summed in whole numbers, so nothing is rounded.
    passed = last_tick = 0
    tempo_us = _UNTOLD_TEMPO_US
    second = meter.ticks_per_quarter * 1_000_000
    for tick in sorted({*tempos_us, *meter.ticks}):
        passed += (tick - last_tick) * tempo_us
        last_tick = tick
        if tick and tempos_us.get(tick, tempo_us) == tempo_us and tick not in meter.ticks:
            continue
        tempo_us = tempos_us.get(tick, tempo_us)
        changes.append(
            Change(
                tick, passed / second, *meter.place(tick), 6e7 / tempo_us, *meter.signature(tick)
            )
        )
    passed += (length_ticks - last_tick) * tempo_us
    if passed > LONGEST_S * second:
        raise InputFault(
            f"lasts {passed / second / 3600:.0f} hours",
            expected=f"at most {LONGEST_S / 3600:g} hours",
        )
    return tuple(changes), passed / second


class _Stretch(msgspec.Struct, frozen=True):
    """Ticks from `start` to `end` at one tempo and signature."""

    start: int
    end: int
    start_s: float
    end_s: float
    bpm: float
    signature: tuple[int, int]


def sections(tempo_map: TempoMap) -> tuple[TempoSection, ...]:
    """The map as a player would tell it: held tempos, ramps, and stretches that wander.

    Tempos less than 0.05 BPM apart are one. Three or more changes in a row, none of them lasting
    longer than a bar, are told as one section, from the tempo they leave to the one they arrive
    at; where the tempo turns, each way of three or more changes is a section of its own, and
    anything less regular is one section that wanders. A marker in its first bar names a section.
    Bars are told as a player would: within a beat of a bar line is on it.
    """
    changes = tempo_map.changes
    meter = _Meter(
        {change.tick: (change.numerator, change.denominator) for change in changes},
        tempo_map.ticks_per_quarter,
    )
    told: list[TempoSection] = []
    stretches = _stretches(tempo_map)
    for _, group in itertools.groupby(stretches, key=lambda stretch: stretch.signature):
        alike = tuple(group)
        told += [_told(part, around, meter, tempo_map) for part, around in _parts(alike, meter)]
    return tuple(told)


def _stretches(tempo_map: TempoMap) -> list[_Stretch]:
    """The changes as stretches, those of one signature and nearly one tempo joined."""
    stretches: list[_Stretch] = []
    following: Iterable[Change | None] = (*tempo_map.changes[1:], None)
    for change, after in zip(tempo_map.changes, following, strict=True):
        end = tempo_map.length_ticks if after is None else after.tick
        end_s = tempo_map.length_s if after is None else after.time_s
        signature = (change.numerator, change.denominator)
        last = stretches[-1] if stretches else None
        if last and last.signature == signature and abs(last.bpm - change.tempo_bpm) < SAME_BPM:
            stretches[-1] = msgspec.structs.replace(last, end=end, end_s=end_s)
        else:
            stretches.append(
                _Stretch(change.tick, end, change.time_s, end_s, change.tempo_bpm, signature)
            )
    return stretches


_Part = tuple[Sequence[_Stretch], tuple[float, float]]


def _parts(stretches: Sequence[_Stretch], meter: _Meter) -> Iterator[_Part]:
    """Stretches of one signature by section, each with the tempos it leaves and arrives at."""
    for brief, run in itertools.groupby(
        range(len(stretches)),
        key=lambda place: (
            stretches[place].end - stretches[place].start <= meter.bar_ticks(stretches[place].start)
        ),
    ):
        places = list(run)
        first, last = places[0], places[-1]
        changes = min(last + 1, len(stretches) - 1) - max(first - 1, 0)
        if brief and changes >= _FEWEST_STEPS:
            yield from _movements(stretches, first, last)
        else:
            for stretch in stretches[first : last + 1]:
                yield (stretch,), (stretch.bpm, stretch.bpm)


def _movements(stretches: Sequence[_Stretch], first: int, last: int) -> Iterator[_Part]:
    """The brief stretches `first` to `last`, cut where the tempo turns if each way is long enough.

    The stretch at a turn opens the way back, and both ways name its tempo.
    """
    bpms = [stretch.bpm for stretch in stretches]
    left, right = max(first - 1, 0), min(last + 1, len(stretches) - 1)
    turns = [
        place
        for place in range(left + 1, right)
        if (bpms[place] > bpms[place - 1]) != (bpms[place + 1] > bpms[place])
    ]
    edges = [left, *turns, right]
    if any(after - before < _FEWEST_STEPS for before, after in itertools.pairwise(edges)):
        edges = [left, right]
    for before, after in itertools.pairwise(edges):
        start = before if before in turns else first
        end = after if after in turns else last + 1
        step_bpm = _STEP_ALIKE * max(
            abs(bpms[place] - bpms[place - 1]) for place in range(start + 1, end)
        )
        leaves, arrives = bpms[before], bpms[after]
        if abs(bpms[start] - leaves) > step_bpm:
            leaves = bpms[start]
        if abs(bpms[end - 1] - arrives) > step_bpm and after not in turns:
            arrives = bpms[end - 1]
        yield stretches[start:end], (leaves, arrives)


def _told(
    part: Sequence[_Stretch], ends: tuple[float, float], meter: _Meter, tempo_map: TempoMap
) -> TempoSection:
    first, last = part[0], part[-1]
    first_bar, last_bar, named_from = meter.told_bars(first.start, last.end)
    bpms = [*ends, *(stretch.bpm for stretch in part)]
    took_s = last.end_s - first.start_s
    quarters = (last.end - first.start) / tempo_map.ticks_per_quarter
    return TempoSection(
        name=_marked(tempo_map.markers, named_from, first_bar),
        first_bar=first_bar,
        last_bar=last_bar,
        start_s=first.start_s,
        end_s=last.end_s,
        tempo_bpm=first.bpm if len(part) == 1 else 60 * quarters / took_s,
        start_bpm=ends[0],
        end_bpm=ends[1],
        low_bpm=min(bpms),
        high_bpm=max(bpms),
        numerator=first.signature[0],
        denominator=first.signature[1],
    )


def _marked(markers: Sequence[Marker], tick: int, bar: int) -> str:
    """The name of the first marker from `tick` to the end of `bar`, or nothing."""
    found = bisect_left(markers, tick, key=lambda marker: marker.tick)
    return markers[found].name if found < len(markers) and markers[found].bar <= bar else ""
