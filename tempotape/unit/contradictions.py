"""Measured points that no single-valued knob can explain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

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
    worst = _most_at_odds(trusted, faster_up=faster_up)
    if worst is None:
        return
    slow, fast = worst
    raise InputFault(
        f"head {quoted(slow.head)} takes {slow.delay_ms:.4g} ms at {slow.knob:.4g} and "
        f"{fast.delay_ms:.4g} ms at {fast.knob:.4g}, against the trend of its other points, "
        "which do not tell which one is wrong",
        expected="delays that only rise or only fall along the knob: measure these two again",
        entry="measured",
    )


def _most_at_odds(points: Sequence[Point], *, faster_up: bool) -> tuple[Point, Point] | None:
    """The two points of a head most at odds beyond noise, the one at the slower reading first.

    Each point against all later ones at once: thousands of points are checked in seconds.
    """
    head = np.array([point.head for point in points])
    knob = np.array([point.knob for point in points])
    log_ms = np.log([point.delay_ms for point in points])
    error = np.array([_error(point) for point in points])
    worst, found = _SDS, None
    for at, point in enumerate(points[:-1]):
        later = slice(at + 1, None)
        # How many sds the delay at the faster reading is above that at the slower one; at one and
        # the same reading either may be the slower.
        above = (log_ms[later] - log_ms[at]) / np.hypot(error[later], error[at])
        turned = (knob[later] < point.knob) == faster_up
        same = knob[later] == point.knob
        sds = np.where(same, np.abs(above), np.where(turned, -above, above))
        sds[head[later] != point.head] = 0.0
        most = int(np.argmax(sds))
        if sds[most] > worst:
            worst = float(sds[most])
            other = points[at + 1 + most]
            first = above[most] > 0 if same[most] else not turned[most]
            found = (point, other) if first else (other, point)
    return found


def _error(point: Point) -> float:
    if point.error_ms is None:
        return _USUAL_ERROR
    return max(_LEAST_ERROR, point.error_ms / point.delay_ms)
