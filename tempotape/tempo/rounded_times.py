"""The line through ticks whose times a driver has rounded to whole milliseconds.

Rounding errors are not random where the period is nearly a whole number of milliseconds: least
squares is then far off, and far too sure. But each time says that the tick came within a span of
one millisecond, and only few lines go through all these spans.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import msgspec

from tempotape.tempo.tick_line import Slope

# USB sends full-speed MIDI data in frames of 1 ms (Universal Serial Bus Specification 2.0, 5.3.3).
FRAME_S = 0.001
# Less room than this is none: it is what floats leave of a difference.
_NO_ROOM_S = 1e-9

_Point = tuple[float, float]


class Period(msgspec.Struct, frozen=True):
    """Time between two ticks and its standard deviation, in seconds."""

    period_s: float
    error_s: float


class RoundedTimes:
    """The corners of the ticks' spans, of which few bound the lines that go through all.

    Times are counted from the guide line.
    """

    def __init__(self, guide: Slope) -> None:
        self._guide = guide
        self._count = 0
        self._upper: list[_Point] = []
        self._lower: list[_Point] = []

    def period(self, numbers: Sequence[int], times_s: Sequence[float]) -> Period | None:
        """The period by all ticks, of which those given before must still be the first.

        Every line through all spans is taken to be equally likely. None where there is no such
        line, because there is more jitter than rounding.
        """
        for number, time_s in zip(numbers[self._count :], times_s[self._count :], strict=True):
            self._add(number, time_s - self._guide.time_s(number))
        self._count = len(numbers)
        tilt = self._mean_tilt(numbers[-1] - numbers[0])
        return tilt and Period(self._guide.period_s + tilt.period_s, tilt.error_s)

    def _add(self, number: float, off_s: float) -> None:
        """Keep the upper and the lower convex hull of the ticks (Andrew's monotone chain)."""
        for hull, sign in ((self._upper, 1.0), (self._lower, -1.0)):
            point = (number, off_s)
            if hull and hull[-1][0] >= number:
                # The same tick twice, or nearly: whatever bounds the lines less is left out.
                if sign * (off_s - hull[-1][1]) <= 0:
                    continue
                point = (hull.pop()[0], off_s)
            while len(hull) > 1 and sign * _turn(hull[-2], hull[-1], point) >= 0:
                hull.pop()
            hull.append(point)

    def _room_s(self, tilt_s: float) -> float:
        """In how wide a band lines of this slope go through all spans; negative where none do."""
        highest = max(off_s - tilt_s * number for number, off_s in self._upper)
        lowest = min(off_s - tilt_s * number for number, off_s in self._lower)
        return FRAME_S - (highest - lowest)

    def _mean_tilt(self, ticks: int) -> Period | None:
        """Mean and standard deviation of the slope over all lines through all spans.

        The room for lines of one slope is made of straight pieces between the hulls' own slopes,
        and so is integrated exactly.
        """
        slopes = sorted(
            {
                (after[1] - before[1]) / (after[0] - before[0])
                for hull in (self._upper, self._lower)
                for before, after in pairwise(hull)
            }
        )
        low, high = 0, len(slopes) - 1
        while low < high:
            # There is one top, and the way up to it is steep.
            at = (low + high) // 2
            if self._room_s(slopes[at]) < self._room_s(slopes[at + 1]):
                low = at + 1
            else:
                high = at
        middle = slopes[low]
        if self._room_s(middle) < _NO_ROOM_S:
            return None
        # A line tilted by more than this leaves a span at one end or the other.
        widest = 2 * FRAME_S / ticks
        inner = [slope for slope in slopes if abs(slope - middle) < widest]
        corners = [(at, self._room_s(at)) for at in (middle - widest, *inner, middle + widest)]
        return _moments(corners)


def rounding_error_s(period_s: float, ticks: int, variance_s2: float) -> float:
    """Standard deviation that rounding adds to a period by least squares, where there is jitter.

    The mean error of a rounded time swings with the time within the frame. Its first harmonic is
    1/pi of a frame, times exp(-2 pi^2 s^2) where jitter s, in frames, blurs it (Widrow and Kollar,
    Quantization Noise, 2008). A slow swing tilts the line, one of many cycles hardly does.
    """
    jitter_2 = max(0.0, variance_s2 / FRAME_S**2 - 1 / 12)
    swing_s = FRAME_S / math.pi * math.exp(-2 * math.pi**2 * jitter_2) / math.sqrt(2)
    frames = period_s / FRAME_S
    cycles = abs(frames - round(frames)) * ticks
    return 6 * swing_s / ticks / max(1.0, math.pi * cycles)


def _moments(corners: Sequence[_Point]) -> Period:
    """Mean and standard deviation of a density with these corners, nought where it is negative."""
    weight = first = second = 0.0
    for one, other in pairwise(corners):
        left, low = _from_nought(one, other)
        right, high = _from_nought(other, one)
        width = right - left
        area = (low + high) / 2 * width
        along = (low + 2 * high) / 6 * width * width
        weight += area
        first += left * area + along
        second += left * left * area + 2 * left * along + (low + 3 * high) / 12 * width**3
    mean = first / weight
    return Period(mean, math.sqrt(max(0.0, second / weight - mean * mean)))


def _from_nought(end: _Point, other: _Point) -> _Point:
    """The end of a straight piece, or where the piece crosses nought if the end is below it."""
    if end[1] >= 0:
        return end
    if other[1] <= 0:
        return other[0], 0.0
    return end[0] - end[1] * (other[0] - end[0]) / (other[1] - end[1]), 0.0


def _turn(before: _Point, corner: _Point, after: _Point) -> float:
    """Positive where the way by the corner turns left (for points of a hull, see Andrew 1979)."""
    return (corner[0] - before[0]) * (after[1] - before[1]) - (corner[1] - before[1]) * (
        after[0] - before[0]
    )
