"""MIDI clock ticks turned into a tempo, fed with times so that it can be replayed.

A line is fitted through (tick number, arrival time) for as long as one line explains the ticks.
When two lines explain them clearly better, the tempo has changed and the older part is let go: so
a steady clock is averaged over many seconds and a new tempo is there within a beat.

MIDI 1.0 Detailed Specification, System Real Time messages: F8 is the timing clock, 24 to a
quarter note; FA starts, FB continues, FC stops. Clock may run while stopped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import msgspec

from tempotape.tempo.rounded_times import Period, RoundedTimes, rounding_error_s
from tempotape.tempo.tempo_change import (
    ALONE_TICKS,
    CHANGE_EVIDENCE,
    ROUNDING_S,
    SHORTEST_STRETCH,
    abruptly_changed,
    is_other_period,
    parted,
    place_of_change,
)
from tempotape.tempo.tick_line import CLIP_SD, Slope, TickLine
from tempotape.tempo.tick_numbers import (
    LATEST_TICKS,
    LONGEST_PERIOD_S,
    SHORTEST_PERIOD_S,
    FirstTicks,
    LatestTicks,
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
# ... or this many, where the jitter is more than this part of the period; and then until the
# numbers are sure, up to the last.
_UNCLEAR_TICKS = 96
_MOST_FIRST_TICKS = 288
_CLEAR_JITTER = 1 / 6
_ABRUPT_JITTER = 1 / 10

# What a tick's jitter is taken for before anything is known, with the weight of two ticks, and
# the number of ticks it is averaged over afterwards.
_FIRST_JITTER_S = 0.001
_JITTER_TICKS = 128
# No arrival is known better than this: one byte takes 0.32 ms on a MIDI cable.
_LEAST_JITTER_S = 0.0001

# Ticks numbered afresh must be so much likelier than as they were: e^10 to one.
_AGAIN_EVIDENCE = 20.0
# The share of lost and doubled ticks, below which it is not believed, and its running average.
_LEAST_ODD_SHARE = 0.0015
_ODD_WEIGHT = 1 / 256
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
        self._odd_share = _LEAST_ODD_SHARE
        self._last_tempo: tuple[float, float] | None = None
        self._line: TickLine | None = None
        self._latest = LatestTicks(0)
        self._first = FirstTicks(self._variance_s2, self._ticks_known)
        self._rounded: RoundedTimes | None = None
        self._rounded_of: tuple[TickLine, int] | None = None
        self._changed_s = -math.inf
        self._faster = False
        self._begin([])

    def feed(self, t_s: float, message: bytes) -> None:
        """Take one MIDI message that arrived at `t_s` seconds from any fixed origin."""
        status = message[0] if message and math.isfinite(t_s) else 0
        if status == _TIMING_CLOCK:
            self._tick(t_s)
        elif status in (_START, _CONTINUE):
            # Often another song, or another place in it, and so perhaps another tempo.
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
        elif line and line.whole_ms and (rounded := self._rounded_period(line)):
            return _bpm(rounded.period_s, rounded.error_s)
        variance_s2 = self._variance_s2 if line else self._first.variance_s2
        error_s = math.sqrt(max(variance_s2, _LEAST_JITTER_S**2) / spread)
        if line and line.whole_ms:
            error_s = math.hypot(error_s, rounding_error_s(period_s, len(line), variance_s2))
        return _bpm(period_s, error_s)

    def _rounded_period(self, line: TickLine) -> Period | None:
        """The period where times are rounded and there is no jitter besides, else None."""
        if self._rounded is None or self._rounded_of != (line, line.revision):
            self._rounded_of = (line, line.revision)
            self._rounded = RoundedTimes(line.fitted)
        return self._rounded.period(line.numbers, line.times_s)

    def _begin(self, arrivals_s: Sequence[float]) -> None:
        """Start a new tempo with these arrivals; the jitter is the sender's and stays known."""
        self._last_tempo = self._tempo() or self._last_tempo
        self._line = None
        self._moving = False
        self._again: FirstTicks | None = None
        self._ask_next, self._ask_wait = 0, _UNCLEAR_TICKS
        self._first = FirstTicks(self._variance_s2, self._well_known)
        for arrival_s in arrivals_s:
            self._first.append(arrival_s)

    @property
    def _well_known(self) -> int:
        """How many ticks the variance counts for beside those of a new tempo."""
        return min(self._ticks_known, _SETTLED_TICKS)

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
        enough = first.is_sure and (clear or len(first) >= _UNCLEAR_TICKS)
        if enough or len(first) >= _MOST_FIRST_TICKS:
            self._variance_s2 = max(first.variance_s2, _LEAST_JITTER_S**2)
            self._ticks_known += len(first)
            jitter_s = math.sqrt(self._variance_s2)
            self._take_line(TickLine(first.numbers, first.times_s, first.slope, jitter_s))

    def _take_line(self, line: TickLine) -> None:
        """Follow this line from now on; its latest numbers may yet turn out otherwise."""
        self._line = line
        before = max(0, len(line) - LATEST_TICKS)
        self._latest = LatestTicks(line.numbers[before])
        for time_s in line.times_s[before + 1 :]:
            self._latest.append(time_s, line.fitted, self._variance_s2)

    def _follow(self, line: TickLine, t_s: float) -> None:
        """Take a tick whose arrival the line predicts."""
        period_s = line.fitted.period_s
        jitter_s = math.sqrt(self._variance_s2)
        otherwise = self._latest.append(t_s, line.fitted, self._variance_s2)
        number, before = self._latest.numbers[-1], line.numbers[-1]
        off_s = line.append(number, t_s, jitter_s)
        if not _is_tempo(line.fitted.period_s):
            self._begin([t_s])
        elif self._changed(line, at_once=otherwise):
            return
        elif otherwise:
            line.renumber(self._latest.numbers, jitter_s)
        if self._line is line:
            self._learn_jitter(line)
            self._ask_again(line, t_s, odd=number != before + 1)
        strange = number != before + 1 or abs(off_s) >= CLIP_SD * jitter_s
        if strange and self._line is line:
            arrivals_s = abruptly_changed(
                line, period_s, self._variance_s2, self._odd_share, self._well_known
            )
            if arrivals_s:
                own_s = (arrivals_s[-1] - arrivals_s[0]) / (len(arrivals_s) - 1)
                self._begin_changed(arrivals_s, t_s, faster=own_s < period_s)

    def _learn_jitter(self, line: TickLine) -> None:
        """Learn from the newest tick whose number is sure."""
        count = len(line)
        off_s = line.times_s[-LATEST_TICKS] - line.fitted.time_s(line.numbers[-LATEST_TICKS])
        limit_s2 = CLIP_SD**2 * self._variance_s2
        # The line through n ticks comes nearer to each than the true one, by 2/n of its variance.
        seen_s2 = min(limit_s2, off_s * off_s) * count / (count - 2)
        odd = line.numbers[-LATEST_TICKS] != line.numbers[-LATEST_TICKS - 1] + 1
        self._odd_share += (odd - self._odd_share) * _ODD_WEIGHT
        self._odd_share = max(_LEAST_ODD_SHARE, self._odd_share)
        self._ticks_known += 1
        weight = 1 / min(self._ticks_known, _JITTER_TICKS)
        self._variance_s2 += (seen_s2 - self._variance_s2) * weight
        least_s = ROUNDING_S if line.whole_ms else _LEAST_JITTER_S
        self._variance_s2 = max(least_s**2, self._variance_s2)

    def _ask_again(self, line: TickLine, t_s: float, *, odd: bool) -> None:
        """Where ticks are hard to number and seem lost or doubled, number some of them afresh.

        A wrong tempo with lost ticks made up to suit it is found out in this way.
        """
        again = self._again
        if again is None:
            unclear = self._variance_s2 > (line.fitted.period_s * _CLEAR_JITTER) ** 2
            if odd and unclear and self._ticks_known >= self._ask_next:
                self._again = FirstTicks(self._variance_s2, _SETTLED_TICKS)
            return
        again.append(t_s)
        count = len(again)
        if count % (_UNCLEAR_TICKS // 2) or count < _UNCLEAR_TICKS:
            return
        other = is_other_period(again, line.fitted.period_s)
        if other and again.spared(line.numbers[-count:]) > _AGAIN_EVIDENCE:
            self._begin([])
            self._first = again
        elif count >= 2 * _UNCLEAR_TICKS:
            self._again = None
            self._ask_wait *= 2
            self._ask_next = self._ticks_known + self._ask_wait

    def _changed(self, line: TickLine, *, at_once: bool = False) -> bool:
        """Begin anew where two lines explain the ticks clearly better than one; whether it was so.

        Stretches of 6, 12, 24 ... ticks at the end are tried, each as often as half its length,
        or the three shortest at once.
        """
        count = len(line)
        odd = line.numbers[-1] - line.numbers[-ALONE_TICKS] != ALONE_TICKS - 1
        if odd and self._variance_s2 < (line.fitted.period_s * _ABRUPT_JITTER) ** 2:
            # Not jitter made these odd: a change so abrupt that their numbers are wrong, perhaps.
            return False
        last = SHORTEST_STRETCH
        while 2 * last <= count:
            due = count % (last // 2) == 0 or (at_once and last <= 4 * SHORTEST_STRETCH)
            if due and parted(line, count - last, self._variance_s2) > CHANGE_EVIDENCE:
                if line.whole_ms and self._rounded_period(line):
                    # One line suits all, and rounding alone made it look like two.
                    return False
                self._take_change(line, max(SHORTEST_STRETCH, count - 2 * last))
                return True
            last *= 2
        return False

    def _take_change(self, line: TickLine, first: int) -> None:
        """Let go of the ticks before the likeliest place of a change, from place `first` on."""
        place = place_of_change(line, first, self._variance_s2)
        earlier, later = line.stretch(0, place), line.stretch(place, len(line))
        jitter_s = math.sqrt(self._variance_s2)
        numbers, times_s = line.numbers[place:], line.times_s[place:]
        settled = len(numbers) >= _SETTLED_TICKS
        faster = later.period_s < earlier.period_s
        self._begin_changed([] if settled else times_s, times_s[-1], faster=faster)
        if settled:
            self._take_line(TickLine(numbers, times_s, later, jitter_s))

    def _begin_changed(self, arrivals_s: Sequence[float], now_s: float, *, faster: bool) -> None:
        """Start a new tempo with these arrivals; two the same way soon are a tempo on the move."""
        moving = faster == self._faster and now_s - self._changed_s < _MOVE_S
        self._faster, self._changed_s = faster, now_s
        self._begin(arrivals_s)
        self._moving = moving


def _bpm(period_s: float, error_s: float) -> tuple[float, float]:
    """Tempo and standard deviation of a period: the same relative error, to first order."""
    tempo_bpm = 60.0 / (TICKS_A_QUARTER * period_s)
    return tempo_bpm, tempo_bpm * error_s / period_s


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
