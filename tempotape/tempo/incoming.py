"""The clock that comes in: followed, unless it is our own."""

from __future__ import annotations

from collections.abc import Iterable

from tempotape.tempo.clock import ClockFollower, ClockReading
from tempotape.tempo.own_clock import OwnClock

_TIMING_CLOCK = 0xF8
_CLOCK_BYTES = frozenset((_TIMING_CLOCK, 0xFA, 0xFB, 0xFC))
# What may be our own waits for the verdict; a device that only ever sends Start cannot fill this.
_MOST_HELD = 256


class IncomingClock:
    """A follower behind a watch for our own clock: what may be our own is held back until told.

    Without any ticks sent it is a follower alone.
    """

    def __init__(self) -> None:
        self._own = OwnClock()
        self.begin_anew()

    @property
    def own(self) -> bool:
        """Whether the clock that comes in is our own."""
        return self._own.origin == "own"

    def begin_anew(self) -> None:
        """Another sender: nothing of the last one's tempo stays."""
        self._own.begin_anew()
        self._follower = ClockFollower()
        self._held_back: list[tuple[float, bytes]] = []

    def retimed(self, now_s: float) -> None:
        """Our own tempo changes."""
        self._own.retimed(now_s)

    def sent(self, times_s: Iterable[float]) -> None:
        """We sent ticks at these times."""
        for time_s in times_s:
            self._own.sent(time_s)

    def heard(self, messages: Iterable[tuple[float, bytes]]) -> None:
        """Messages arrived at these times."""
        for time_s, message in messages:
            if message[:1] and message[0] in _CLOCK_BYTES:
                self._clock(time_s, message)

    def at(self, now_s: float) -> ClockReading:
        """What is known at `now_s` of a clock that is not our own."""
        return self._follower.at(now_s)

    def _clock(self, time_s: float, message: bytes) -> None:
        before = self._own.origin
        origin = self._own.heard(time_s) if message[0] == _TIMING_CLOCK else before
        if origin == "own":
            if before != "own":
                self._follower = ClockFollower()
                self._held_back.clear()
            return
        self._held_back.append((time_s, message))
        if origin == "foreign" or len(self._held_back) > _MOST_HELD:
            for held in self._held_back:
                self._follower.feed(*held)
            self._held_back.clear()
