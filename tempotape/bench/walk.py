"""The test sound as data, and finding its parts again in a recording of the unit.

A block is: time to turn the knob, a sync chirp, a code that counts the marks, clicks that time the
delay, a tone for flutter, silence for noise and splice. After each sounding part comes a rest as
long as the longest echo. A walk is one block a knob mark.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from tempotape.bench.tone import Decimator, low_pass
from tempotape.faults import InputFault
from tempotape.text import listed, quoted
from tempotape.unit.model import Knob

Floats = npt.NDArray[np.float64]
Kind = Literal["turn", "sync", "code", "clicks", "tone", "silence", "rest"]

TONE_HZ = 3150.0
LONGEST_DELAY_S = 2.8
REST_S = 3.0
SYNC_S = 0.6
SYNC_HZ = (500.0, 3000.0)
DIGIT_S = 0.15
DIGIT_SOUNDS_S = 0.12
CLICKS_S = 10.5
TONE_S = 10.0
SILENCE_S = 20.0
WALK_SILENCE_S = 12.0
LEAD_S = 1.0
# A Golomb ruler of ten marks: no two pairs are the same distance apart, so that no echo is in time
# with the clicks more than once. 180 ms a unit.
RULER = (0, 1, 6, 10, 23, 26, 34, 41, 53, 55)
RULER_UNIT_S = 0.18
FIRST_CLICK_S = 0.1
MARK_BITS = 6
DIGITS = MARK_BITS + 2
MOST_MARKS = 2**MARK_BITS
USUAL_MARKS = 7
# Every digit has two frequencies of its own, so that the echo of an earlier digit never speaks for
# a later one. Each is 11 % from the next, more than any speed error.
DIGIT_HZ = tuple(550.0 * (2800.0 / 550.0) ** (n / (2 * DIGITS - 1)) for n in range(2 * DIGITS))

_WORK_RATE_HZ = 8000.0
_PASS_HZ, _STOP_HZ = 3200.0, 4800.0
_CHUNK_S = 20.0
_LIKENESS = 0.25  # of a chirp in noise alone: below 0.15
_EARLIER = 0.45  # the dry chirp may be this much weaker than its echo
_APART_S = 0.02
_DIGIT_OFF = 0.02  # speed error allowed for
_DIGIT_CLEAR = 10 ** (3.0 / 10.0)
_COUNTED_OFF_S = 0.5
_CUT_S = 0.25  # what may be cut off a part at the end of the recording


class Segment(msgspec.Struct, frozen=True):
    """A part of the test sound; `mark` counts the knob marks from 0."""

    kind: Kind
    start_s: float
    end_s: float
    mark: int


class Layout(msgspec.Struct, frozen=True):
    """The whole test sound, in order and without gaps."""

    segments: tuple[Segment, ...]
    marks: int
    coded: bool

    @property
    def duration_s(self) -> float:
        return self.segments[-1].end_s

    @property
    def block_s(self) -> float:
        return self.part("silence").end_s

    def part(self, kind: Kind, mark: int = 0) -> Segment:
        """The segment of this kind for this mark."""
        return next(part for part in self.segments if (part.kind, part.mark) == (kind, mark))


class Span(msgspec.Struct, frozen=True):
    start_s: float
    end_s: float


class FoundMark(msgspec.Struct, frozen=True):
    """Where the block of mark `index` lies in a recording, in seconds of the recording.

    `clicks` and `tone` go on for the rest after them, which holds their echoes. A part that the
    recording does not hold whole is None. `certain` is false where the code could not be read, and
    the mark was counted from its neighbours.
    """

    index: int
    start_s: float
    end_s: float
    clicks: Span | None
    tone: Span | None
    silence: Span | None
    certain: bool


class Walk(msgspec.Struct, frozen=True):
    """The marks found, by index, and one sentence for each thing missing."""

    marks: tuple[FoundMark, ...]
    missing: tuple[str, ...]


def plain_layout() -> Layout:
    """One block without a code."""
    return _layout(1, coded=False, turn_s=LEAD_S, silence_s=SILENCE_S)


def walk_layout(marks: int, turn_s: float) -> Layout:
    """A block for each of `marks` knob marks, with `turn_s` before each to turn the knob.

    Raises InputFault where there are too few or too many marks.
    """
    if not 1 <= marks <= MOST_MARKS:
        raise InputFault(f"{marks} knob marks", expected=f"1 to {MOST_MARKS}", entry="--walk")
    return _layout(marks, coded=True, turn_s=turn_s, silence_s=WALK_SILENCE_S)


def _layout(marks: int, *, coded: bool, turn_s: float, silence_s: float) -> Layout:
    parts: list[tuple[Kind, float]] = [("turn", turn_s), ("sync", SYNC_S)]
    if coded:
        parts += [("rest", 0.4), ("code", DIGITS * DIGIT_S)]
    parts += [
        ("rest", REST_S),
        ("clicks", CLICKS_S),
        ("rest", REST_S),
        ("tone", TONE_S),
        ("rest", REST_S),
        ("silence", silence_s),
    ]
    segments = []
    at_s = 0.0
    for mark in range(marks):
        for kind, length_s in parts:
            segments.append(Segment(kind, at_s, at_s + length_s, mark))
            at_s += length_s
    # The end of the wet sound comes later than that of the dry one.
    segments.append(Segment("rest", at_s, at_s + REST_S, marks - 1))
    return Layout(tuple(segments), marks, coded)


def click_times_s() -> tuple[float, ...]:
    """When the clicks come, from the start of their part."""
    return tuple(FIRST_CLICK_S + mark * RULER_UNIT_S for mark in RULER)


def digits(mark: int) -> tuple[int, ...]:
    """The code of a mark: six bits, lowest first, and the parity of the even and odd ones."""
    bits = tuple((mark >> place) & 1 for place in range(MARK_BITS))
    return (*bits, sum(bits[::2]) % 2, sum(bits[1::2]) % 2)


def mark_of(code: Sequence[int]) -> int | None:
    """The mark of a code, or None where its parity is off."""
    mark = sum(bit << place for place, bit in enumerate(code[:MARK_BITS]))
    return mark if digits(mark) == tuple(code) else None


def readings_in(text: str, *, entry: str) -> tuple[float, ...]:
    """Knob readings typed as `0,2.5,5` or as LOW:HIGH:STEP, in the order to walk them.

    Raises InputFault for anything else.
    """
    found = _span(text) if ":" in text else _figures(text, ",")
    if found is None or not found:
        raise InputFault(
            f"is {quoted(text)}", expected="readings as 0,2.5,5 or LOW:HIGH:STEP", entry=entry
        )
    if len(found) > MOST_MARKS:
        raise InputFault(
            f"{quoted(text)} is more than {MOST_MARKS} readings",
            expected=f"1 to {MOST_MARKS} knob marks",
            entry=entry,
        )
    return found


def readings_on(knob: Knob, readings: Sequence[float], *, entry: str) -> tuple[float, ...]:
    """The same readings; raises InputFault for one that is not on the knob's scale."""
    for reading in readings:
        if not knob.low <= reading <= knob.high:
            raise InputFault(
                f"reading {reading:g} is off the scale",
                expected=f"{knob.low:g} to {knob.high:g}",
                entry=entry,
            )
    return tuple(readings)


def twice_told(readings: Sequence[float]) -> str:
    """A sentence on readings that are walked more than once, else empty."""
    twice = sorted({reading for reading in readings if readings.count(reading) > 1})
    if not twice:
        return ""
    named = listed((f"{reading:g}" for reading in twice), last="and")
    return f"walked more than once, each time for a point of its own: {named}"


def even_readings(knob: Knob, marks: int | None) -> tuple[float, ...]:
    """Readings evenly over the scale that a hand can set; seven unless told how many.

    Raises InputFault where there are fewer than two, or too many.
    """
    wanted = USUAL_MARKS if marks is None else marks
    if not 2 <= wanted <= MOST_MARKS:
        raise InputFault(f"is {wanted}", expected=f"2 to {MOST_MARKS}", entry="--marks")
    even = np.linspace(knob.low, knob.high, wanted)
    steps = np.round((even - knob.low) / knob.step) * knob.step + knob.low
    return tuple(float(round(x, 9)) for x in np.unique(np.minimum(steps, knob.high)))


def _span(text: str) -> tuple[float, ...] | None:
    figures = _figures(text, ":")
    if figures is None or len(figures) != 3:
        return None
    low, high, step = figures
    if not (step > 0 and low <= high):
        return None
    steps = min((high - low) / step, MOST_MARKS)
    return tuple(round(low + step * number, 9) for number in range(math.floor(steps + 1e-6) + 1))


def _figures(text: str, mark: str) -> tuple[float, ...] | None:
    try:
        found = tuple(float(part) for part in text.split(mark))
    except ValueError:
        return None
    return found if all(map(math.isfinite, found)) else None


def chirp(rate_hz: float) -> Floats:
    """The sync chirp, peak 1.0, faded at both ends.

    Its period grows evenly with time (hyperbolic), so that a tape a little fast or slow shifts the
    found time by under a millisecond and does not blur it.
    """
    from scipy.signal import chirp as swept  # noqa: PLC0415 - loaded by what needs it
    from scipy.signal.windows import tukey  # noqa: PLC0415

    count = round(SYNC_S * rate_hz)
    t_s = np.arange(count) / rate_hz
    low, high = SYNC_HZ
    sound = swept(t_s, low, SYNC_S, high, method="hyperbolic", phi=-90)
    return np.asarray(sound * tukey(count, 0.2))


class _Sync(NamedTuple):
    at_s: float
    likeness: float
    mark: int | None


def read_walk(blocks: Iterable[Floats], sample_rate_hz: float, layout: Layout) -> Walk:
    """Find each block of the test sound in a recording, given as mono blocks of any length.

    The recording may start late, end early and run a few hundred parts in a million off; the unit
    may take away lows and highs and add echoes and hiss.
    """
    reader = _Reader(sample_rate_hz, layout)
    for block in blocks:
        reader.feed(block)
    return _walk(reader.finish(), reader.duration_s, layout)


class _Reader:
    """Looks for chirps, chunk by chunk, and reads the code after each."""

    def __init__(self, sample_rate_hz: float, layout: Layout) -> None:
        from scipy.signal import butter, hilbert, sosfilt  # noqa: PLC0415

        factor = max(1, int(sample_rate_hz / _WORK_RATE_HZ))
        self._sample_rate_hz = sample_rate_hz
        self._rate_hz = sample_rate_hz / factor
        self._decimator = (
            Decimator(
                low_pass(_PASS_HZ, _STOP_HZ, 60.0, sample_rate_hz),
                factor,
                0.0,
                _STOP_HZ,
                sample_rate_hz,
            )
            if factor > 1
            else None
        )
        self._sos = butter(2, [350.0, 3300.0], "bandpass", fs=self._rate_hz, output="sos")
        self._state = np.zeros((len(self._sos), 2))
        template = sosfilt(self._sos, chirp(self._rate_hz))
        self._template = hilbert(template) / math.sqrt(float(np.sum(template**2)))
        self._coded = layout.coded
        code_s = layout.part("code").end_s - layout.part("sync").start_s if layout.coded else 0.0
        self._tail = math.ceil((max(code_s, SYNC_S) + LONGEST_DELAY_S + 0.5) * self._rate_hz)
        self._code_s = code_s - DIGITS * DIGIT_S
        self._held: Floats = np.zeros(0)
        self._first = 0
        self._taken = 0
        self._syncs: list[_Sync] = []

    @property
    def duration_s(self) -> float:
        return self._taken / self._sample_rate_hz

    def feed(self, block: Floats) -> None:
        from scipy.signal import sosfilt  # noqa: PLC0415

        self._taken += len(block)
        thinned = block if self._decimator is None else self._decimator.feed(block).real
        if not len(thinned):
            return
        passed, self._state = sosfilt(self._sos, thinned, zi=self._state)
        self._held = np.concatenate([self._held, passed])
        chunk = round(_CHUNK_S * self._rate_hz)
        while len(self._held) >= chunk + self._tail:
            self._look(self._held[: chunk + self._tail], chunk)
            self._held = self._held[chunk:]
            self._first += chunk

    def finish(self) -> list[_Sync]:
        """All chirps, in order; of those closer than a block can be, the likest."""
        rest = np.concatenate([self._held, np.zeros(self._tail)])
        self._look(rest, len(self._held))
        kept: list[_Sync] = []
        for sync in self._syncs:
            if kept and sync.at_s - kept[-1].at_s < CLICKS_S + TONE_S:
                # An echo on the far side of a chunk's edge; or a lookalike before the true one.
                if _worth(sync) > 2.0 * _worth(kept[-1]):
                    kept[-1] = sync
            else:
                kept.append(sync)
        return kept

    def _look(self, sound: Floats, span: int) -> None:
        """Chirps that begin in the first `span` samples of `sound`."""
        from scipy.signal import fftconvolve  # noqa: PLC0415

        if span <= 0:
            return
        size = len(self._template)
        matched = np.abs(fftconvolve(sound, np.conj(self._template[::-1]), mode="full"))[size - 1 :]
        power = np.concatenate([[0.0], np.cumsum(sound**2)])
        ends = np.minimum(np.arange(len(sound)) + size, len(sound))
        energy = np.maximum(power[ends] - power[:-1], 1e-12)
        likeness = matched / np.sqrt(energy)
        while True:
            best = int(np.argmax(likeness[:span]))
            if likeness[best] < _LIKENESS:
                return
            self._syncs.append(self._first_of(sound, likeness, matched, best))
            self._syncs.sort(key=lambda sync: sync.at_s)
            around = round((CLICKS_S + TONE_S) * self._rate_hz)
            likeness[max(0, best - around) : best + around] = 0.0

    def _first_of(self, sound: Floats, likeness: Floats, matched: Floats, best: int) -> _Sync:
        """The earliest chirp of a dry one and its echoes."""
        back = round(LONGEST_DELAY_S * self._rate_hz)
        apart = max(1, round(_APART_S * self._rate_hz))
        at = best
        while True:
            first, last = max(0, at - back), max(0, at - apart)
            strong = matched[first:last] > _EARLIER * float(matched[best])
            earlier = np.flatnonzero(strong & (likeness[first:last] > _LIKENESS))
            if not len(earlier):
                break
            near = first + int(earlier[0])
            at = near + int(np.argmax(matched[near : near + apart]))
        mark = self._code(sound, at) if self._coded else 0
        if mark is None and at != best:
            mark = self._code(sound, best)
        return _Sync((self._first + at) / self._rate_hz, float(likeness[best]), mark)

    def _code(self, sound: Floats, at: int) -> int | None:
        size = round(DIGIT_SOUNDS_S * self._rate_hz)
        code = []
        for digit in range(DIGITS):
            start = at + round((self._code_s + digit * DIGIT_S) * self._rate_hz)
            part = sound[start : start + size]
            if len(part) < size:
                return None
            zero, one = (self._strength(part, DIGIT_HZ[2 * digit + bit]) for bit in (0, 1))
            if max(zero, one) < _DIGIT_CLEAR * min(zero, one) or max(zero, one) == 0.0:
                return None
            code.append(int(one > zero))
        return mark_of(code)

    def _strength(self, part: Floats, hz: float) -> float:
        tried = np.linspace(hz * (1 - _DIGIT_OFF), hz * (1 + _DIGIT_OFF), 13)
        turn = np.exp(-2j * math.pi * np.outer(tried, np.arange(len(part))) / self._rate_hz)
        return float(np.max(np.abs(turn @ (part * np.hanning(len(part)))) ** 2))


def _worth(sync: _Sync) -> float:
    return sync.likeness * (2.0 if sync.mark is not None else 1.0)


def _walk(syncs: list[_Sync], duration_s: float, layout: Layout) -> Walk:
    sync_s = layout.part("sync").start_s
    found: dict[int, FoundMark] = {}
    missing: list[str] = []
    for sync in syncs:
        mark = sync.mark if sync.mark is not None else _counted(sync, syncs, layout)
        if mark is not None and mark >= layout.marks:
            missing.append(
                f"walk: the block at {sync.at_s:.1f} s is of mark {mark + 1}, and only "
                f"{layout.marks} {'is' if layout.marks == 1 else 'are'} named; name all marks that "
                "were walked, in their order"
            )
            continue
        if mark is None or mark < 0:
            missing.append(f"walk: the block at {sync.at_s:.1f} s does not say which mark it is of")
            continue
        if mark in found:
            missing.append(f"walk: mark {mark + 1} comes twice; the later one is used")
        found[mark] = _found(mark, sync, sync.at_s - sync_s, duration_s, layout)
    absent: list[int] = []
    for mark in range(layout.marks):
        if mark not in found:
            absent.append(mark + 1)
            continue
        lacks = [
            name for name in ("clicks", "tone", "silence") if getattr(found[mark], name) is None
        ]
        if lacks:
            missing.append(f"walk: mark {mark + 1} is cut off; no {' and no '.join(lacks)}")
    if absent:
        which = "mark" if len(absent) == 1 else "marks"
        missing.append(
            f"walk: not in the recording: {which} {listed(map(str, absent), last='and')} of "
            f"{layout.marks}"
        )
    return Walk(tuple(found[mark] for mark in sorted(found)), tuple(missing))


def _counted(sync: _Sync, syncs: list[_Sync], layout: Layout) -> int | None:
    """The mark by the distance to the nearest block whose code was read."""
    known = [other for other in syncs if other.mark is not None]
    if not known:
        return None
    nearest = min(known, key=lambda other: abs(other.at_s - sync.at_s))
    blocks = (sync.at_s - nearest.at_s) / layout.block_s
    if abs(blocks - round(blocks)) * layout.block_s > _COUNTED_OFF_S or nearest.mark is None:
        return None
    return nearest.mark + round(blocks)


def _found(mark: int, sync: _Sync, start_s: float, duration_s: float, layout: Layout) -> FoundMark:
    def span(kind: Kind, rest_s: float) -> Span | None:
        part = layout.part(kind)
        end_s = min(start_s + part.end_s + rest_s, duration_s)
        whole = start_s + part.end_s <= duration_s + _CUT_S
        return Span(start_s + part.start_s, end_s) if whole else None

    return FoundMark(
        index=mark,
        start_s=max(0.0, start_s),
        end_s=min(start_s + layout.block_s, duration_s),
        clicks=span("clicks", REST_S),
        tone=span("tone", REST_S),
        silence=span("silence", 0.0),
        certain=sync.mark is not None,
    )
