"""MIDI clock ticks turned into a tempo, fed with times so that it can be replayed.

A line is fitted through (tick number, arrival time) for as long as one line explains the ticks.
When two lines explain them clearly better, the tempo has changed and the older part is let go: so
a steady clock is averaged over many seconds and a new tempo is there within a beat.

MIDI 1.0 Detailed Specification, System Real Time messages: F8 is the timing clock, 24 to a
quarter note; FA starts, FB continues, FC stops. Clock may run while stopped.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from itertools import pairwise
from typing import Literal

import msgspec

from tempotape.tempo.tick_line import CLIP_SD, Slope, TickLine
from tempotape.tempo.tick_numbers import (
    LONGEST_PERIOD_S,
    ODD_STEP_COST,
    SHORTEST_PERIOD_S,
    FirstTicks,
    likeliest_step,
    overlooked_shift,
)

ClockState = Literal["waiting", "locking", "locked", "lost"]

TICKS_A_QUARTER = 24
_TIMING_CLOCK, _START, _CONTINUE, _STOP = 0xF8, 0xFA, 0xFB, 0xFC

# No tick for this long, or for this many periods if that is longer: the clock is gone.
_SILENCE_S = 0.5
_SILENCE_TICKS = 8
# An arrival this much before the one ahead of it means that the times begin anew.
_DISORDER_S = 0.25

# Ticks before a tempo is told, before it may count as locked, and before it does however unsure.
_FIRST_TICKS = 6
_LOCK_TICKS = 12
_SURELY_LOCKED_TICKS = 20
_LOCK_ERROR = 0.005
# Until there are this many, all ticks of a new tempo are numbered again with each that comes.
_SETTLED_TICKS = 24
# ... or this many, where the jitter is more than this part of the period.
_UNCLEAR_TICKS = 96
_CLEAR_JITTER = 1 / 6

# What a tick's jitter is taken for before anything is known, with the weight of two ticks, and
# the number of ticks it is averaged over afterwards.
_FIRST_JITTER_S = 0.001
_JITTER_TICKS = 128
# No arrival is known better than this: one byte takes 0.32 ms on a MIDI cable.
_LEAST_JITTER_S = 0.0001

# Two lines must explain the ticks better than one by this much, in squared standard deviations:
# exceeded by chance, with two degrees of freedom, exp(-40/2) = 2e-9 of the time.
_CHANGE_EVIDENCE = 40.0
# And they must part by more than rounding to a whole millisecond can make up, which is all the
# jitter that some drivers' times have (its standard deviation is 1 ms / sqrt(12)).
_CHANGE_S = 0.0016
_ROUNDING_S = 0.0003
_SHORTEST_STRETCH = 6
# A change too abrupt to number the ticks by the old line shows as this many strange ones of the
# last, whose own line has a period clearly different.
_STRANGE_TICKS = 6
_CHANGED_PERIOD_SD = 4.0
_LAST_TICKS = 12
_ALONE_TICKS = 8
# Two changes the same way within this time are a tempo on the move, until this long after.
_MOVE_S = 2.0


class ClockReading(msgspec.Struct, frozen=True):
    """What is known of the clock at `t_s`.

    `state` is `waiting` (no clock yet, or too little of it to tell a tempo before it fell
    silent), `locking`, `locked`, or `lost` (the clock fell silent, of its own or by a stop).
    `error_bpm` is one standard deviation. While the clock is lost, and for the first ticks after,
    the tempo is the last one known. `running` is what FA, FB and FC last said, False before any.
    """

    t_s: float
    state: ClockState
    tempo_bpm: float | None
    error_bpm: float | None
    running: bool


class ClockFollower:
    r"""Follows MIDI clock: feed it every message with its arrival time, read it at any moment.

    >>> follower = ClockFollower()
    >>> for tick in range(48):
    ...     follower.feed(tick * 0.5 / 24, b"\xf8")
    >>> reading = follower.at(0.99)
    >>> reading.state, round(reading.tempo_bpm, 3)
    ('locked', 120.0)
    """

    def __init__(self) -> None:
        self._running = False
        self._last_s: float | None = None
        self._variance_s2 = _FIRST_JITTER_S**2
        self._ticks_known = 2
        self._last_tempo: tuple[float, float] | None = None
        self._line: TickLine | None = None
        self._first = FirstTicks(self._variance_s2, self._ticks_known)
        self._changed_s = -math.inf
        self._faster = False
        self._begin([])

    def feed(self, t_s: float, message: bytes) -> None:
        """Take one MIDI message that arrived at `t_s` seconds from any fixed origin."""
        status = message[0] if message and math.isfinite(t_s) else 0
        if status == _TIMING_CLOCK:
            self._tick(t_s)
        elif status in (_START, _CONTINUE):
            if status == _START:
                # Often another song: the next tick is beat 0, and may have another tempo.
                self._begin([])
            self._running = True
        elif status == _STOP:
            self._running = False

    def at(self, now_s: float) -> ClockReading:
        """What is known at `now_s`; changes nothing."""
        tempo = self._tempo() or self._last_tempo
        return ClockReading(
            now_s,
            self._state(now_s),
            tempo[0] if tempo else None,
            tempo[1] if tempo else None,
            self._running,
        )

    @property
    def lost_at_s(self) -> float | None:
        """When the clock will count as lost if no further tick comes; None before the first."""
        if self._last_s is None:
            return None
        slope = self._slope()
        quiet_s = _SILENCE_TICKS * slope.period_s if slope else 0.0
        return self._last_s + max(_SILENCE_S, quiet_s)

    def _state(self, now_s: float) -> ClockState:
        lost_at_s = self.lost_at_s
        if lost_at_s is None:
            return "waiting"
        tempo = self._tempo()
        if now_s > lost_at_s:
            return "lost" if tempo or self._last_tempo else "waiting"
        count = len(self._line or self._first)
        if tempo is None or count < _LOCK_TICKS:
            return "locking"
        sure = tempo[1] < _LOCK_ERROR * tempo[0]
        return "locked" if sure or count >= _SURELY_LOCKED_TICKS else "locking"

    def _slope(self) -> Slope | None:
        if self._line:
            return self._line.fitted
        return self._first.slope if len(self._first) >= _FIRST_TICKS else None

    def _tempo(self) -> tuple[float, float] | None:
        """Tempo and its standard deviation in BPM, or None while too few ticks are known."""
        slope = self._slope()
        if slope is None or not _is_tempo(slope.period_s):
            return None
        period_s, spread = slope.period_s, slope.spread
        line = self._line
        if line and self._moving and line.times_s[-1] < self._changed_s + _MOVE_S:
            # The whole line lags behind by half its length. The halves tell the trend, and half
            # a step of it beyond the second half's middle is now.
            half = len(line) // 2
            first, second = line.stretch(0, half), line.stretch(half, len(line))
            ahead_s = 1.5 * second.period_s - 0.5 * first.period_s
            if first.spread and second.spread and _is_tempo(ahead_s):
                period_s = ahead_s
                spread = 1.0 / (1.5**2 / second.spread + 0.5**2 / first.spread)
        tempo_bpm = 60.0 / (TICKS_A_QUARTER * period_s)
        # Variance of a fitted slope, and the same relative error for its inverse.
        variance_s2 = self._variance_s2 if line else self._first.variance_s2
        period_error_s = math.sqrt(max(variance_s2, _LEAST_JITTER_S**2) / spread)
        return tempo_bpm, tempo_bpm * period_error_s / period_s

    def _begin(self, arrivals_s: Iterable[float]) -> None:
        """Start a new tempo with these arrivals; the jitter is the sender's and stays known."""
        self._last_tempo = self._tempo() or self._last_tempo
        self._line = None
        self._moving = False
        self._first = FirstTicks(self._variance_s2, min(self._ticks_known, _SETTLED_TICKS))
        # Arrival, how far off the line, and what an odd step to its number cost.
        self._last: deque[tuple[float, float, float]] = deque(maxlen=_LAST_TICKS)
        for arrival_s in arrivals_s:
            self._first.append(arrival_s)

    def _tick(self, t_s: float) -> None:
        lost_at_s = self.lost_at_s
        if (
            lost_at_s is not None
            and self._last_s is not None
            and not self._last_s - _DISORDER_S <= t_s <= lost_at_s
        ):
            self._begin([])
        self._last_s = t_s
        if self._line is None:
            self._lock_on(t_s)
        else:
            self._follow(self._line, t_s)

    def _lock_on(self, t_s: float) -> None:
        """Take a tick while there are too few to trust a prediction."""
        first = self._first
        first.append(t_s)
        if first.slope is None or len(first) < _SETTLED_TICKS:
            if len(first) >= _UNCLEAR_TICKS:
                self._begin([])
            return
        clear = first.variance_s2 < (first.slope.period_s * _CLEAR_JITTER) ** 2
        if clear or len(first) >= _UNCLEAR_TICKS:
            self._variance_s2 = max(first.variance_s2, _LEAST_JITTER_S**2)
            self._ticks_known += len(first)
            self._line = TickLine(
                first.numbers, first.times_s, first.slope, math.sqrt(self._variance_s2)
            )

    def _follow(self, line: TickLine, t_s: float) -> None:
        """Take a tick whose arrival the line predicts."""
        period_s = line.fitted.period_s
        number = line.numbers[-1] + 1
        off_s = t_s - line.fitted.time_s(number)
        step = likeliest_step(off_s, period_s, self._variance_s2)
        off_s -= (step - 1) * period_s
        before_s2 = self._variance_s2
        count = len(line)
        clipped_s = line.append(number + step - 1, t_s, math.sqrt(before_s2))
        # A prediction from n ticks has itself the variance of 4/n of one.
        seen_s2 = clipped_s * clipped_s * count / (count + 4)
        self._ticks_known += 1
        weight = 1 / min(self._ticks_known, _JITTER_TICKS)
        self._variance_s2 = max(_LEAST_JITTER_S**2, before_s2 + (seen_s2 - before_s2) * weight)
        cost_s2 = ODD_STEP_COST * before_s2 if step != 1 else 0.0
        self._last.append((t_s, off_s, cost_s2))
        if not _is_tempo(line.fitted.period_s):
            self._begin([t_s])
        elif self._changed(line) or (step == 1 and clipped_s == off_s):
            return
        elif not self._renumbered(line):
            self._watch_abrupt_change(period_s)

    def _renumbered(self, line: TickLine) -> bool:
        """Put right the last numbers if a lost or doubled tick went unseen in heavy jitter."""
        offs_s = [off_s for _, off_s, _ in self._last]
        period_s = line.fitted.period_s
        count, shift = overlooked_shift(offs_s, period_s, self._variance_s2)
        if not count:
            return False
        # Or is it a new tempo that has by now drifted so far from the line?
        if self._changed(line, at_once=True):
            return True
        line.renumber(len(line) - count, shift, math.sqrt(self._variance_s2))
        for place in range(-count, 0):
            t_s, off_s, cost_s2 = self._last[place]
            self._last[place] = (t_s, off_s - shift * period_s, cost_s2)
        return True

    def _watch_abrupt_change(self, period_s: float) -> None:
        """Begin anew if the last arrivals make a line of their own, far from the one followed."""
        limit_s2 = CLIP_SD**2 * self._variance_s2
        costs_s2 = [off_s * off_s + cost_s2 for _, off_s, cost_s2 in self._last]
        strange = [place for place, cost_s2 in enumerate(costs_s2) if cost_s2 > limit_s2]
        if len(strange) < _STRANGE_TICKS or len(costs_s2) - strange[0] < _ALONE_TICKS:
            return
        arrivals_s = [t_s for t_s, _, _ in self._last][strange[0] :]
        alone = FirstTicks(self._variance_s2, min(self._ticks_known, _SETTLED_TICKS))
        for arrival_s in arrivals_s:
            alone.append(arrival_s)
        if alone.slope is None or len(alone) < len(arrivals_s):
            return
        misfit_s2 = alone.slope.misfit_s2
        variance_s2 = max(self._variance_s2, misfit_s2 / (len(alone) - 2))
        moved_s = alone.slope.period_s - period_s
        if moved_s * moved_s * alone.slope.spread < _CHANGED_PERIOD_SD**2 * variance_s2:
            return
        odd_steps = sum(after - before != 1 for before, after in pairwise(alone.numbers))
        cost_s2 = misfit_s2 + ODD_STEP_COST * odd_steps * variance_s2
        if sum(costs_s2[strange[0] :]) - cost_s2 > _CHANGE_EVIDENCE * variance_s2:
            self._begin(arrivals_s)

    def _changed(self, line: TickLine, *, at_once: bool = False) -> bool:
        """Begin anew where two lines explain the ticks clearly better than one; whether it was so.

        Stretches of 6, 12, 24 ... ticks at the end are tried, each as often as half its length,
        or the three shortest at once.
        """
        count = len(line)
        last = _SHORTEST_STRETCH
        while 2 * last <= count:
            due = count % (last // 2) == 0 or (at_once and last <= 4 * _SHORTEST_STRETCH)
            if due and self._parted(line, count - last) > _CHANGE_EVIDENCE:
                self._take_change(line, max(_SHORTEST_STRETCH, count - 2 * last))
                return True
            last *= 2
        return False

    def _parted(self, line: TickLine, first: int) -> float:
        """How much better two lines, the second from place `first`, explain the ticks than one.

        Twice the log of the likelihood ratio; 0 where the lines part by less than can be told.
        """
        count = len(line)
        earlier = line.stretch(0, first)
        later = line.stretch(first, count)
        number = line.numbers[-1]
        if abs(earlier.time_s(number) - later.time_s(number)) < _CHANGE_S:
            return 0.0
        spared_s2 = line.fitted.misfit_s2 - earlier.misfit_s2 - later.misfit_s2
        return spared_s2 / max(self._variance_s2, _ROUNDING_S**2)

    def _take_change(self, line: TickLine, first: int) -> None:
        """Let go of the ticks before the likeliest place of a change, from place `first` on."""
        place = max(
            range(first, len(line) - 3), key=lambda candidate: self._parted(line, candidate)
        )
        earlier, later = line.stretch(0, place), line.stretch(place, len(line))
        jitter_s = math.sqrt(self._variance_s2)
        numbers, times_s = line.numbers[place:], line.times_s[place:]
        faster = later.period_s < earlier.period_s
        moving = faster == self._faster and times_s[-1] - self._changed_s < _MOVE_S
        self._faster, self._changed_s = faster, times_s[-1]
        settled = len(numbers) >= _SETTLED_TICKS
        self._begin([] if settled else times_s)
        self._line = TickLine(numbers, times_s, later, jitter_s) if settled else None
        self._moving = moving


def _is_tempo(period_s: float) -> bool:
    return SHORTEST_PERIOD_S < period_s < LONGEST_PERIOD_S


class HeldFigure:
    """The tempo to display, to a tenth, changed only when the evidence says so.

    Nothing is shown before the first lock. After that the figure stays while the tempo followed
    is within its own error and a little more than rounding of what is shown.
    """

    def __init__(self) -> None:
        self._figure: float | None = None

    def hold(self, reading: ClockReading) -> float | None:
        """The figure to show after `reading`, BPM to a tenth, or None before the first lock."""
        if reading.state == "waiting":
            self._figure = None
        elif (
            reading.state == "locked"
            and reading.tempo_bpm is not None
            and reading.error_bpm is not None
        ):
            tolerance_bpm = 0.06 + 2 * reading.error_bpm
            if self._figure is None or abs(reading.tempo_bpm - self._figure) > tolerance_bpm:
                self._figure = round(reading.tempo_bpm, 1)
        return self._figure
