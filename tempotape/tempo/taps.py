"""A beat, or the repeats of an echo, tapped by hand: the period and how sure it is.

Taps are numbered by the beat they fall on and a line is fitted through (beat number, time); its
slope is the period. A beat that was not tapped leaves a number out; a tap that fits no beat is set
aside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import msgspec

from tempotape.faults import InputFault

# Contacts closer than this are one tap: a switch bouncing, or a key held down and repeating.
BOUNCE_S = 0.06
LONGEST_PERIOD_S = 4.0
# A silence of so many periods, and never less than so many seconds, ends a series.
PAUSE_PERIODS = 2.2
PAUSE_S = 2.0
# The silence after a first tap: the longest period there is, and a tenth.
LONE_PAUSE_S = 1.1 * LONGEST_PERIOD_S
# Older taps are let go: 32 taps with a spread of 15 ms already give the period to 0.3 ms.
MOST_TAPS = 32

# What is taken of a hand before its taps tell, in seconds for a period in seconds: 15 ms at half
# a second. People without training tap within about 4 % of the interval, musicians within 2 %
# (Repp, "Sensorimotor synchronization", Psychonomic Bulletin & Review 12 (2005) 969-992; figures
# from memory), and the share grows towards fast taps. It weighs as much as one tap.
PRIOR_LEAST_S = 0.010
PRIOR_SHARE = 0.010
PRIOR_WEIGHT = 1.0

# A tap further than so many standard deviations from where the others expect it is set aside.
_OUTLIER_SD = 3.5
# Whatever the others expect, a tap this near to its beat, in periods, is loose and not astray, and
# one this far between two beats belongs to neither.
_NEAR_ENOUGH = 0.12
_BETWEEN_BEATS = 0.3
# Odds as minus natural logarithms: 1 in 50 that a beat is not tapped, 1 in 20 that a tap is astray
# (our own choice).
_SKIP_COST = 4.0
_ASTRAY_COST = 3.0
# So many last taps may show a new tempo: where its period differs by so many standard deviations.
_TAILS = (4, 6, 9, 13)
_CHANGE_SD = 4.0

MOST_REPEATS_PER_TAP = 4
# Two readings of one series are told apart only by more than this (natural logarithm): twice the
# drift a tape usually has.
_AMBIGUOUS = 0.08


class TapReading(msgspec.Struct, frozen=True):
    """What a series of taps says.

    `count` taps were made and `used` of them lie on the line. `spread_s` is the standard deviation
    of one tap about the line and `error_s` that of the period.
    """

    count: int
    used: int
    period_s: float
    spread_s: float
    error_s: float

    @property
    def tempo_bpm(self) -> float:
        return 60.0 / self.period_s

    @property
    def error_bpm(self) -> float:
        return self.tempo_bpm * self.error_s / self.period_s

    @property
    def delay_ms(self) -> float:
        return 1000.0 * self.period_s

    @property
    def error_ms(self) -> float:
        return 1000.0 * self.error_s


class TapSeries:
    """Taps as they come, times in seconds of one clock that never runs back.

    A pause, or several taps in a row at another tempo, begin a new series, so that an old tempo
    never colours a new one. Memory is bounded.
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget all taps."""
        self._times_s: list[float] = []
        self._let_go = 0
        self._contact_s = -math.inf
        self._line: _Line | None = None

    def tap(self, t_s: float) -> None:
        """Take the tap at time `t_s`; a contact that bounces is not a second tap."""
        bounced = 0 <= t_s - self._contact_s < BOUNCE_S
        if not bounced and not self._goes_on(t_s):
            self.clear()
        self._contact_s = t_s
        if bounced:
            return
        self._times_s.append(t_s)
        self._keep_last(MOST_TAPS)
        if len(self._times_s) >= 2:
            self._line = _numbered(self._times_s)
            fresh = _at_a_new_tempo(self._times_s, self._line)
            if fresh:
                self._times_s, self._let_go = self._times_s[-fresh:], 0
                self._line = _numbered(self._times_s)

    @property
    def reading(self) -> TapReading | None:
        """The series as it stands; None before its second tap.

        The error is that of a line fit, `spread sqrt(12 / (n (n^2 - 1)))` for n taps without a
        gap (Kay, Fundamentals of Statistical Signal Processing, 1993).
        """
        line = self._line
        if line is None:
            return None
        return TapReading(
            count=len(self._times_s) + self._let_go,
            used=len(line),
            period_s=line.period_s,
            spread_s=line.spread_s,
            error_s=line.error_s,
        )

    def _goes_on(self, t_s: float) -> bool:
        """Whether a tap at `t_s` belongs to the taps before it."""
        pause_s = LONE_PAUSE_S
        if self._line is not None:
            pause_s = max(PAUSE_S, PAUSE_PERIODS * self._line.period_s)
        return 0 <= t_s - self._contact_s <= pause_s

    def _keep_last(self, most: int) -> None:
        over = len(self._times_s) - most
        if over > 0:
            del self._times_s[:over]
            self._let_go += over


def repeats_per_tap(period_ms: float, expected_ms: float) -> int:
    """How many repeats, 1 to 4, pass from tap to tap where one repeat takes about `expected_ms`.

    Below about 200 ms a hand taps every second repeat or fewer. Raises InputFault where two
    numbers fit about as well.
    """
    misfits = sorted(
        (abs(math.log(period_ms / (number * expected_ms))), number)
        for number in range(1, MOST_REPEATS_PER_TAP + 1)
    )
    (best, number), (second, other) = misfits[:2]
    if second - best < _AMBIGUOUS:
        few, many = sorted((number, other))
        raise InputFault(
            f"a tap every {period_ms:.0f} ms can be every {_ORDINALS[few]} or every "
            f"{_ORDINALS[many]} repeat of {expected_ms:.0f} ms",
            expected="taps on every repeat, or on every second one",
        )
    return number


_ORDINALS = {1: "single", 2: "second", 3: "third", 4: "fourth"}


class _Line:
    """Least-squares line through (beat number, time), grown tap by tap.

    Times count from the first tap given, so that no digits are lost. At least two taps at
    different beats.
    """

    def __init__(self, beats: Iterable[int], times_s: Sequence[float]) -> None:
        self.origin_s = times_s[0]
        self.beats: list[int] = []
        self.times_s: list[float] = []
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0)
        for beat, time_s in zip(beats, times_s, strict=True):
            self.add(beat, time_s)

    def __len__(self) -> int:
        return len(self.beats)

    def add(self, beat: int, time_s: float) -> None:
        self.beats.append(beat)
        self.times_s.append(time_s)
        x, y = float(beat), time_s - self.origin_s
        sum_x, sum_y, sum_xx, sum_xy, sum_yy = self._sums
        self._sums = (sum_x + x, sum_y + y, sum_xx + x * x, sum_xy + x * y, sum_yy + y * y)
        count = len(self.beats)
        if count < 2:
            return
        sum_x, sum_y, sum_xx, sum_xy, sum_yy = self._sums
        self.mean_beat = sum_x / count
        self.mean_s = sum_y / count
        self.beats_squared = sum_xx - sum_x * self.mean_beat
        self.period_s = (sum_xy - sum_x * self.mean_s) / self.beats_squared
        misfit_s2 = sum_yy - sum_y * self.mean_s - self.period_s**2 * self.beats_squared
        prior_s = PRIOR_LEAST_S + PRIOR_SHARE * self.period_s
        self.spread_s = math.sqrt(
            (PRIOR_WEIGHT * prior_s**2 + max(0.0, misfit_s2)) / (PRIOR_WEIGHT + count - 2)
        )

    @property
    def error_s(self) -> float:
        return self.spread_s / math.sqrt(self.beats_squared)

    def beat_at(self, time_s: float) -> float:
        """The beat number, with its fraction, at a time."""
        return self.mean_beat + (time_s - self.origin_s - self.mean_s) / self.period_s

    def takes(self, beat: int, time_s: float) -> bool:
        """Whether a new tap at `time_s` can be meant for `beat`: not too far from the line."""
        off_s = abs(self.beat_at(time_s) - beat) * self.period_s
        far = (beat - self.mean_beat) ** 2 / self.beats_squared
        expected_s = self.spread_s * math.sqrt(1 + 1 / len(self.beats) + far)
        least_s, most_s = _NEAR_ENOUGH * self.period_s, _BETWEEN_BEATS * self.period_s
        return off_s <= min(max(_OUTLIER_SD * expected_s, least_s), most_s)

    def cost(self, taps: int) -> float:
        """Minus the log likelihood of `taps` taps of which these are the ones on the line.

        A tap on the line is Gaussian with the line's spread; one astray may lie anywhere in a
        period; a beat that nobody tapped has its own odds.
        """
        used = len(self.beats)
        skipped = max(self.beats) - min(self.beats) + 1 - used
        on_line = math.log(self.spread_s * math.sqrt(2 * math.pi)) + 0.5
        astray = math.log(self.period_s) + _ASTRAY_COST
        return used * on_line + (taps - used) * astray + skipped * _SKIP_COST


def _numbered(times_s: Sequence[float]) -> _Line:
    """The likeliest line through taps: every interval is tried as the period.

    From the two taps of the interval the line grows both ways, each tap taken for the beat it
    falls nearest to, or set aside. To leave none out and skip none is tried too.
    """
    plain = _Line(range(len(times_s)), times_s)
    grown = (
        _grown(times_s, first)
        for first in range(len(times_s) - 1)
        if times_s[first + 1] - times_s[first] <= LONGEST_PERIOD_S * 1.1
    )
    # Of three taps that do not agree, nothing tells which is astray.
    lines = (line for line in grown if len(line) >= 3)
    return min((plain, *lines), key=lambda line: line.cost(len(times_s)))


def _grown(times_s: Sequence[float], first: int) -> _Line:
    line = _Line((0, 1), times_s[first : first + 2])
    last_beat, first_beat = 1, 0
    after, before = first + 2, first - 1
    while after < len(times_s) or before >= 0:
        if after < len(times_s):
            beat = round(line.beat_at(times_s[after]))
            if beat > last_beat and line.takes(beat, times_s[after]):
                line.add(beat, times_s[after])
                last_beat = beat
            after += 1
        if before >= 0:
            beat = round(line.beat_at(times_s[before]))
            if beat < first_beat and line.takes(beat, times_s[before]):
                line.add(beat, times_s[before])
                first_beat = beat
            before -= 1
    return line


def _at_a_new_tempo(times_s: Sequence[float], line: _Line) -> int:
    """How many of the last taps are a new series of their own; 0 where the old one goes on.

    Either the last three all miss the line, or a tail of taps, none skipped, has a period that
    differs from that of the taps before it by more than their errors allow.
    """
    if len(line) >= 3 and not set(times_s[-3:]) & set(line.times_s):
        return 3
    for tail in _TAILS:
        if len(times_s) < tail + 2:
            break
        new = _Line(range(tail), times_s[-tail:])
        if new.spread_s > _NEAR_ENOUGH * new.period_s:
            continue
        old = _numbered(times_s[:-tail])
        # One hand tapped both, so the looser of the two tells how sure their difference is.
        spread_s = max(new.spread_s, old.spread_s)
        error_s = spread_s * math.sqrt(1 / new.beats_squared + 1 / old.beats_squared)
        if abs(new.period_s - old.period_s) > _CHANGE_SD * error_s:
            return tail
    return 0
