"""Measured points that no single-valued knob can explain."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from tempotape.faults import InputFault
from tempotape.text import quoted
from tempotape.unit.curve import FittedPoint
from tempotape.unit.model import Point

# Two delays of one head stand in the wrong order by mistake, not by noise, when they do so by
# more than this many sds of their difference. A careful hand measures within 2 %, one sd (common
# practice, no source); an error stated smaller than 1 % does not cover setting the knob again.
_SDS = 3.5
_USUAL_ERROR, _LEAST_ERROR = 0.02, 0.01


def check_one_way(
    fitted: Sequence[FittedPoint], measured: Sequence[Point], *, faster_up: bool
) -> None:
    """Raise InputFault where two trusted points of a head are at odds beyond noise.

    One bad point that the others point out is a suspect by now and not counted. What is left at
    odds after that has no bad point one could name: every reading of it would be a guess.
    """
    trusted = [point for point, one in zip(measured, fitted, strict=True) if not one.suspect]
    worst = max(
        (
            (_disorder(slow, fast), slow, fast)
            for one, other in itertools.combinations(trusted, 2)
            if one.head == other.head
            for slow, fast in _ordered(one, other, faster_up=faster_up)
        ),
        key=lambda found: found[0],
        default=None,
    )
    if worst is None or worst[0] <= _SDS:
        return
    _, slow, fast = worst
    raise InputFault(
        f"head {quoted(slow.head)} takes {slow.delay_ms:.4g} ms at {slow.knob:.4g} and "
        f"{fast.delay_ms:.4g} ms at {fast.knob:.4g}, against the trend of its other points, "
        "which do not tell which one is wrong",
        expected="delays that only rise or only fall along the knob: measure these two again",
        entry="measured",
    )


def _ordered(one: Point, other: Point, *, faster_up: bool) -> tuple[tuple[Point, Point], ...]:
    """The pair with the slower reading first; both ways round at one and the same reading."""
    if one.knob == other.knob:
        return (one, other), (other, one)
    return ((one, other),) if (one.knob < other.knob) == faster_up else ((other, one),)


def _disorder(slow: Point, fast: Point) -> float:
    """How many sds the delay at the faster reading is above that at the slower one."""
    return math.log(fast.delay_ms / slow.delay_ms) / math.hypot(_error(slow), _error(fast))


def _error(point: Point) -> float:
    if point.error_ms is None:
        return _USUAL_ERROR
    return max(_LEAST_ERROR, point.error_ms / point.delay_ms)
