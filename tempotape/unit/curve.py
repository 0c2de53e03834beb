"""The fitted speed curve as plain data, read without numpy so the live screen opens at once."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from operator import neg

import msgspec

# Readings that arithmetic puts this close outside the scale still count as its end stop.
_END_SLACK = 1e-9
# The slope quoted to a player is taken over this part of the scale.
_SLOPE_SPAN = 0.01


class SpeedCurve(msgspec.Struct, frozen=True):
    """One tape speed for all heads: log(delay in ms) = log_gap of the head - log_speed(reading).

    `knob` ascends over the whole scale, ends included; `log_speed` is strictly monotone, the
    natural logarithm of the speed relative to the fastest trusted point. `log_gap` is None for a
    head whose delay nothing tells. `error_percent` is one standard deviation of the delay, for
    each head at each reading of `knob`. `measured_low` and `measured_high` bound the readings that
    have trusted points.
    """

    knob: tuple[float, ...]
    log_speed: tuple[float, ...]
    heads: tuple[str, ...]
    log_gap: tuple[float | None, ...]
    error_percent: tuple[tuple[float, ...], ...]
    measured_low: float
    measured_high: float
    faster_up: bool

    def delay_ms(self, head: str, knob: float) -> float | None:
        """The delay of `head` at a reading, or None off the scale and for an unmeasured head."""
        log_gap = self.log_gap[self.heads.index(head)]
        if log_gap is None or not self._on_scale(knob):
            return None
        return math.exp(log_gap - self.log_speed_at(knob))

    def log_speed_at(self, knob: float) -> float:
        """Natural logarithm of the relative speed; off the scale, that of the end stop."""
        return _interpolated(self.knob, self.log_speed, knob)

    def error_percent_at(self, head: str, knob: float) -> float:
        """One standard deviation of the delay in percent; off the scale, that of the end stop."""
        return _interpolated(self.knob, self.error_percent[self.heads.index(head)], knob)

    def ms_per_reading(self, head: str, knob: float) -> float:
        """Slope of the delay in ms a reading, negative where a higher reading shortens it.

        A difference over a hundredth of the scale; 0 for a head without delay.
        """
        half = (self.knob[-1] - self.knob[0]) * _SLOPE_SPAN / 2
        low = min(max(knob - half, self.knob[0]), self.knob[-1] - 2 * half)
        high = low + 2 * half
        slow_ms, fast_ms = self.delay_ms(head, low), self.delay_ms(head, high)
        if slow_ms is None or fast_ms is None:
            return 0.0
        return (fast_ms - slow_ms) / (high - low)

    def knob_for(self, head: str, delay_ms: float) -> float | None:
        """The reading where `head` has this delay, or None where the scale has no such reading."""
        log_gap = self.log_gap[self.heads.index(head)]
        if log_gap is None or not 0.0 < delay_ms < math.inf:
            return None
        wanted = log_gap - math.log(delay_ms)
        speeds = self.log_speed
        slowest, fastest = min(speeds[0], speeds[-1]), max(speeds[0], speeds[-1])
        if not slowest - _END_SLACK <= wanted <= fastest + _END_SLACK:
            return None
        wanted = min(max(wanted, slowest), fastest)
        if self.faster_up:
            after = bisect_left(speeds, wanted)
        else:
            after = bisect_left(speeds, -wanted, key=neg)
        after = min(max(after, 1), len(speeds) - 1)
        part = (wanted - speeds[after - 1]) / (speeds[after] - speeds[after - 1])
        return self.knob[after - 1] + part * (self.knob[after] - self.knob[after - 1])

    def in_measured_span(self, knob: float) -> bool:
        """Whether trusted points lie on both sides of the reading, or on it."""
        slack = self._slack
        return self.measured_low - slack <= knob <= self.measured_high + slack

    def measured_delays_ms(self, head: str) -> tuple[float, float] | None:
        """Shortest and longest delay of `head` inside the measured span, or None without delay."""
        ends = (self.delay_ms(head, self.measured_low), self.delay_ms(head, self.measured_high))
        if ends[0] is None or ends[1] is None:
            return None
        return min(ends[0], ends[1]), max(ends[0], ends[1])

    @property
    def _slack(self) -> float:
        return (self.knob[-1] - self.knob[0]) * _END_SLACK

    def _on_scale(self, knob: float) -> bool:
        return self.knob[0] - self._slack <= knob <= self.knob[-1] + self._slack


class FittedPoint(msgspec.Struct, frozen=True):
    """A measured point beside the curve; `residual_percent` is 100 (measured / fitted - 1)."""

    head: str
    knob: float
    delay_ms: float
    fitted_ms: float
    residual_percent: float
    suspect: bool


class Fit(msgspec.Struct, frozen=True):
    """The curve, the points in file order, and what a player should know about it in sentences."""

    curve: SpeedCurve
    points: tuple[FittedPoint, ...]
    remarks: tuple[str, ...]


def _interpolated(places: Sequence[float], values: Sequence[float], place: float) -> float:
    """Linear interpolation over ascending `places`; beyond them, the end value."""
    if place <= places[0]:
        return values[0]
    if place >= places[-1]:
        return values[-1]
    after = bisect_right(places, place)
    part = (place - places[after - 1]) / (places[after] - places[after - 1])
    return values[after - 1] + part * (values[after] - values[after - 1])
