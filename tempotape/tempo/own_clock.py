"""Our own clock, recognised when it comes back: by a merge box, or a player who follows us."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from itertools import pairwise
from typing import Literal

Origin = Literal["undecided", "own", "foreign"]

# Sent ticks that an arrival may still belong to: over 2 s at the fastest tempo, and all judged.
_SENT = 512
# Ticks that are judged by, at most; that it takes for a verdict; that a hopeless one takes.
_JUDGED = 384
_FIRST_VERDICT = 24
_HOPELESS = 8
# Delays that do not change spread by no more than this, or than this part of a period. Were they
# spread evenly over the period, by a clock that drifts past ours, it would be 0.29 (1/sqrt(12)).
_SPREAD_S = 0.005
_SPREAD_PERIODS = 0.24
# A delay that grows by less than this share of the time passed is one that wanders: a fifth of a
# quarter note a minute, at the fastest 300, is more than twice as much.
_WANDERS = 0.0003
_SURE_SD = 5.0
# More than that while there are few, whose spread is not well known either.
_UNSURE_SD = 24.0
# Once there is a verdict it is looked at again so seldom.
_AGAIN = 8
# What the delays spread by at the least, a MIDI byte being 0.32 ms long.
_LEAST_SPREAD_S = 0.0003
# Of the arrivals so many, and this share, may follow one that was lost, or come twice.
_ODD, _ODD_SHARE = 4, 0.15
# A delay that is off by more than this part of a period belongs to another tick.
_OTHER_TICK = 0.6
# A clock silent for so long has stopped; what comes then may be another one.
_SILENT_S = 1.0
# For so long after the last tick sent, and after a change of tempo, what comes is still delayed.
_LONGEST_DELAY_S = 0.3


class OwnClock:
    """Tells whether the ticks that arrive are our own ones, a constant time after being sent.

    Feed it the times of ticks sent before those of the ticks they may come back as. A clock that
    was there before we sent anything is foreign until it stops.

    >>> own = OwnClock()
    >>> for tick in range(25):
    ...     own.sent(tick * 0.02)
    ...     origin = own.heard(tick * 0.02 + 0.005)
    >>> origin
    'own'
    """

    def __init__(self) -> None:
        self._sent_s: deque[float] = deque(maxlen=_SENT)
        self._dropped = 0
        self._origin: Origin = "undecided"
        self._there_before = False
        self._last_s = -math.inf
        self._settles_s = -math.inf
        self._place: int | None = None
        self._heard = 0
        # Arrival, delay, and whether it is of another tick than the next.
        self._delays: deque[tuple[float, float, bool]] = deque(maxlen=_JUDGED)

    @property
    def origin(self) -> Origin:
        """What the ticks that arrive are."""
        return self._origin

    def begin_anew(self) -> None:
        """What comes from now on is another clock."""
        self._origin, self._there_before = "undecided", False
        self._forget()

    def sent(self, time_s: float) -> None:
        """A tick of ours was sent."""
        if len(self._sent_s) == _SENT:
            self._dropped += 1
        self._sent_s.append(time_s)

    def retimed(self, now_s: float) -> None:
        """Our tempo changes: until the delayed ticks of the old one are through, none is judged."""
        self._settles_s = now_s + _LONGEST_DELAY_S
        self._forget()

    def heard(self, time_s: float) -> Origin:
        """A tick arrived: what it and those before it are."""
        if time_s - self._last_s > _SILENT_S:
            self.begin_anew()
        self._last_s = time_s
        if not self._sent_s or time_s - self._sent_s[-1] > _LONGEST_DELAY_S:
            self._origin, self._there_before = "foreign", True
        elif not self._there_before and time_s >= self._settles_s:
            self._judge(time_s)
        return self._origin

    def _forget(self) -> None:
        self._place = None
        self._delays.clear()

    def _judge(self, time_s: float) -> None:
        sent_s = self._sent_s
        if len(sent_s) < 2:
            return
        period_s = _median_gap(sent_s)
        place = self._place_of(time_s, period_s)
        if place is None:
            return
        odd = self._place is not None and place != self._place + 1
        self._place = place
        self._delays.append((time_s, time_s - self._sent_at(place, period_s), odd))
        self._heard += 1
        count = len(self._delays)
        if count < _HOPELESS or (count > _FIRST_VERDICT and self._heard % _AGAIN):
            return
        constant = self._constant(period_s)
        if self._origin == "foreign":
            # Taken back only on the strength of all that is kept.
            if count == _JUDGED:
                if constant:
                    self._origin = "own"
                else:
                    self._forget()
        elif not constant:
            self._origin = "foreign"
            self._forget()
        elif count >= _FIRST_VERDICT:
            self._origin = "own"

    def _place_of(self, time_s: float, period_s: float) -> int | None:
        """Which sent tick, counted from the first ever, this one is, if each is one on."""
        if self._place is None:
            before = bisect_right(self._sent_s, time_s)
            return self._dropped + before - 1 if before else None
        place = self._place + 1
        recent_s = [delay_s for _, delay_s, _ in list(self._delays)[-8:]]
        usual_s = sum(recent_s) / len(recent_s)
        off_s = time_s - self._sent_at(place, period_s) - usual_s
        if abs(off_s) > _OTHER_TICK * period_s:
            place += round(off_s / period_s)
        return place

    def _sent_at(self, place: int, period_s: float) -> float:
        """When that tick was sent, or would be."""
        kept = place - self._dropped
        if 0 <= kept < len(self._sent_s):
            return self._sent_s[kept]
        nearest = 0 if kept < 0 else len(self._sent_s) - 1
        return self._sent_s[nearest] + (kept - nearest) * period_s

    def _constant(self, period_s: float) -> bool:
        """Whether each is one on, and the delays neither spread nor grow by a line through them."""
        count = len(self._delays)
        if sum(odd for _, _, odd in self._delays) > _ODD + _ODD_SHARE * count:
            return False
        mean_t = sum(time_s for time_s, _, _ in self._delays) / count
        mean_d = sum(delay_s for _, delay_s, _ in self._delays) / count
        parts = [(time_s - mean_t, delay_s - mean_d) for time_s, delay_s, _ in self._delays]
        width = sum(t * t for t, _ in parts)
        total = sum(d * d for _, d in parts)
        if not width or math.sqrt(total / count) > min(_SPREAD_S, _SPREAD_PERIODS * period_s):
            return False
        growth = sum(t * d for t, d in parts) / width
        rest = max(0.0, total - growth * growth * width) / (count - 2)
        growth_sd = max(math.sqrt(rest), _LEAST_SPREAD_S) / math.sqrt(width)
        return abs(growth) < max(_WANDERS, (_SURE_SD + _UNSURE_SD / count) * growth_sd)


def _median_gap(times_s: deque[float]) -> float:
    """The middle one of the last gaps between times."""
    last = [times_s[place] for place in range(-min(9, len(times_s)), 0)]
    gaps = sorted(after - before for before, after in pairwise(last))
    return gaps[len(gaps) // 2]
