"""Many measured points gathered into the few places that the curve's sums are made over.

Heads measured at the very same readings differ by a constant: they are laid over one another by the
median of that, and tell the curve as one; how well it is known is added to their error again.
Points at one reading become their median. Where that still leaves too many, neighbours of a head
are moved along a smooth course through all points to the reading of one of them, and become their
median there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from tempotape.unit.evidence import Measured
from tempotape.unit.hypotheses import Floats
from tempotape.unit.model import Head, Unit

# Up to so many points are summed as they stand; more are gathered into about as many places.
_MOST_POINTS = 48
# A head laid over no other keeps this many places, or its part of so many in all.
_LEAST_PLACES, _MOST_SHARED = 4, 96
# A log gap of which nothing is known: one sd is a factor of e to the fifth.
_UNKNOWN_GAP = 25.0
_RULER_MM = 1.0
# The median of many has pi/2 times the variance of their mean (for Gaussian noise).
_MEDIAN = math.pi / 2
# The smooth course: how far it moves, how far along the knob it reaches, the least noise about it,
# and from how many sds on a point pulls no harder.
_COURSE_SD, _REACH, _LEAST_NOISE, _FAR_SDS = 2.0, 0.25, 0.002, 2.0
_MOST_ON_COURSE, _ROUNDS = 400, 4


class Gathered(msgspec.Struct, frozen=True):
    """Places to sum over, the numbers of the points at each, and how to come back to the heads.

    The places belong to leads: heads laid over one another. `lead` (heads,) numbers that of each
    head, `offset` is its log delay over the lead's, known from `offset_count` points of relative
    error `offset_error` (NaN: learnt); infinitely many where a head is its own lead.
    """

    measured: Measured
    places: tuple[tuple[int, ...], ...]
    lead: tuple[int, ...]
    offset: Floats
    offset_count: Floats
    offset_error: Floats

    def offset_variance(self, noise: float) -> Floats:
        """Variance of each head's offset, where the noise of one measurement is this."""
        error = np.where(np.isnan(self.offset_error), noise, self.offset_error)
        return np.asarray(_MEDIAN * error**2 / self.offset_count)


class _Points(msgspec.Struct, frozen=True):
    """The unit's points as arrays."""

    turn: Floats
    log_delay: Floats
    head: list[int]
    error: Floats

    def place(self, numbers: Sequence[int], moved: Floats) -> tuple[float, float, float, float]:
        """Turn, log delay, error and count of points that all were moved to one turn."""
        own = list(numbers)
        count = len(own) if len(own) < 3 else len(own) / _MEDIAN
        return (
            float(self.turn[own[0]]),
            float(np.median(moved[own])),
            float(np.median(self.error[own])),
            count,
        )


def gathered(unit: Unit) -> Gathered:
    """The unit's points, all of them where they are few."""
    points = _points(unit)
    heads = range(len(unit.head))
    covariance, ruler = _gaps_beforehand(unit)
    if len(unit.measured) <= _MOST_POINTS:
        leads = [[head] for head in heads]
    else:
        leads = _leads(points, [_spoken_for(covariance, head) for head in heads])
    lead = [next(at for at, own in enumerate(leads) if head in own) for head in heads]
    offset, count, error = np.zeros(len(lead)), np.full(len(lead), math.inf), np.zeros(len(lead))
    for own in leads:
        if len(own) > 1:
            for head, shift in zip(own, _offsets(points, own), strict=True):
                numbers = [number for number, at in enumerate(points.head) if at == head]
                offset[head], count[head] = shift, len(numbers)
                error[head] = math.sqrt(float(np.mean(points.error[numbers] ** 2)))
    of_lead = np.array([lead[head] for head in points.head])
    log_delay = points.log_delay - offset[points.head]
    places, rows = _places(points, log_delay, of_lead, len(leads))
    turn, delays, errors, counts = (np.array(column) for column in zip(*rows, strict=True))
    at = of_lead[[numbers[0] for numbers in places]]
    gap_covariance, ruler = _of_leads(leads, covariance, ruler - offset)
    level = ruler + float(np.mean(delays - ruler[at]))
    return Gathered(
        measured=Measured(
            turn=turn,
            log_delay=delays - level[at],
            head=at,
            error=errors,
            count=counts,
            gap_covariance=gap_covariance,
            level=level,
        ),
        places=places,
        lead=tuple(lead),
        offset=offset,
        offset_count=count,
        offset_error=error,
    )


def _points(unit: Unit) -> _Points:
    low, span = unit.knob.low, unit.knob.high - unit.knob.low
    head = {name: number for number, name in enumerate(unit.head_names)}
    return _Points(
        turn=np.array([(point.knob - low) / span for point in unit.measured]),
        log_delay=np.array([math.log(point.delay_ms) for point in unit.measured]),
        head=[head[point.head] for point in unit.measured],
        error=np.array([(point.error_ms or math.nan) / point.delay_ms for point in unit.measured]),
    )


def _gaps_beforehand(unit: Unit) -> tuple[Floats, Floats]:
    """Covariance of the log gaps, and the ruler's part in them, which is taken off first.

    The ruler speaks only where some head has no points: gaps known to a millimetre then share one
    unknown factor. Elsewhere every gap is free, so that a misread ruler spoils nothing.
    """
    covariance = np.eye(len(unit.head)) * _UNKNOWN_GAP
    ruler = np.zeros(len(unit.head))
    ruled = [number for number, head in enumerate(unit.head) if head.gap_mm is not None]
    if any(measured_count(unit, unit.head[number]) == 0 for number in ruled):
        covariance[np.ix_(ruled, ruled)] = _UNKNOWN_GAP
        for number in ruled:
            gap_mm = unit.head[number].gap_mm or math.nan
            covariance[number, number] += min(1.0, _RULER_MM / gap_mm) ** 2
            ruler[number] = math.log(gap_mm)
    return covariance, ruler


def measured_count(unit: Unit, head: Head) -> int:
    """How many points a head has."""
    return sum(point.head == head.name for point in unit.measured)


def _spoken_for(covariance: Floats, head: int) -> bool:
    """Whether the ruler ties this head's gap to another's."""
    return bool(np.count_nonzero(covariance[head]) > 1)


def _leads(points: _Points, ruled: Sequence[bool]) -> list[list[int]]:
    """Heads measured at the same readings, together; each of the others alone."""
    readings: list[set[float]] = [set() for _ in ruled]
    for turn, head in zip(points.turn.tolist(), points.head, strict=True):
        readings[head].add(round(turn, 9))
    found: dict[object, list[int]] = {}
    for head, own in enumerate(readings):
        found.setdefault((frozenset(own), ruled[head]) if own else head, []).append(head)
    return list(found.values())


def _offsets(points: _Points, heads: Sequence[int]) -> list[float]:
    """Log delay of each of these heads over their common course: medians, so slips move nothing."""
    turns = {round(turn, 9) for turn in points.turn.tolist()}
    place = {turn: number for number, turn in enumerate(sorted(turns))}
    values: list[list[list[float]]] = [[[] for _ in place] for _ in heads]
    row = {head: number for number, head in enumerate(heads)}
    for turn, value, head in zip(
        points.turn.tolist(), points.log_delay.tolist(), points.head, strict=True
    ):
        if head in row:
            values[row[head]][place[round(turn, 9)]].append(value)
    table = np.array(
        [[float(np.median(cell)) for cell in line if cell] for line in values]
    )  # (heads, readings)
    first = np.median(table - table[0], axis=1)
    course = np.median(table - first[:, None], axis=0)
    return [float(one) for one in np.median(table - course, axis=1)]


def _places(
    points: _Points, log_delay: Floats, lead: Floats, leads: int
) -> tuple[tuple[tuple[int, ...], ...], list[tuple[float, float, float, float]]]:
    """Numbers of the points at each place, and its turn, log delay, error and count."""
    if len(points.turn) <= _MOST_POINTS:
        each = tuple((number,) for number in range(len(points.turn)))
        return each, [points.place(numbers, log_delay) for numbers in each]
    at_reading: dict[tuple[int, float], list[int]] = {}
    for number in np.lexsort((points.turn, lead)).tolist():
        at = int(lead[number]), round(float(points.turn[number]), 9)
        at_reading.setdefault(at, []).append(number)
    moved = log_delay
    groups = list(at_reading.values())
    if len(groups) > _MOST_POINTS:
        first = [own[0] for own in groups]
        delays = np.array([float(np.median(log_delay[own])) for own in groups])
        course = _course(points.turn[first], delays, lead[first], leads)
        # Along the knob, and along the delay the way that it goes with the knob.
        way = course if np.cov(points.turn[first], course)[0, 1] >= 0 else -course
        along = points.turn[first] + (way - way.min()) / (np.ptp(way) or 1.0)
        merged: list[list[int]] = []
        moved = log_delay.copy()
        ends = {int(np.argmin(points.turn[first])), int(np.argmax(points.turn[first]))}
        for bunch in _bunches(along, lead[first], leads, ends):
            # One stands first: its reading is the place's. Where the curve ends, it ends.
            middle = next((one for one in bunch if one in ends), bunch[len(bunch) // 2])
            for one in bunch:
                moved[groups[one]] += course[middle] - course[one]
            merged.append(
                [*groups[middle], *(n for one in bunch if one != middle for n in groups[one])]
            )
        groups = merged
    return tuple(map(tuple, groups)), [points.place(own, moved) for own in groups]


def _bunches(along: Floats, lead: Floats, leads: int, ends: set[int]) -> list[list[int]]:
    """Neighbours of a lead: those in equal parts of the way the course takes, in order.

    The two `ends` of all are in no bunch together.
    """
    least = min(_LEAST_PLACES, max(1, _MOST_SHARED // leads))
    found = []
    for one in range(leads):
        own = np.flatnonzero(lead == one)
        if len(own) == 0:
            continue
        both = len(ends.intersection(own.tolist()))
        parts = max(least, both, round(_MOST_POINTS * len(own) / len(along)))
        if len(own) <= parts:
            found += [[number] for number in own.tolist()]
            continue
        way = along[own]
        share = (way - way.min()) / (way.max() - way.min()) * parts
        part = np.minimum(share.astype(int), parts - 1)
        found += [sorted(own[part == n].tolist()) for n in np.unique(part)]
    return found


def _course(turn: Floats, log_delay: Floats, lead: Floats, leads: int) -> Floats:
    """A smooth course along the turn, (places,), free constants for the leads taken off.

    A Gaussian process (Rasmussen and Williams, equation 2.25) that slips pull no harder than good
    points do: each round weighs a place by how far off the last one it lay (Huber's weights).
    """
    used = np.unique(np.linspace(0, len(turn) - 1, min(len(turn), _MOST_ON_COURSE)).astype(int))
    values = log_delay - np.array(
        [float(np.median(log_delay[lead == one])) if np.any(lead == one) else 0.0
         for one in range(leads)]
    )[lead.astype(int)]  # fmt: skip
    far = math.sqrt(5.0) * np.abs(turn[:, None] - turn[None, used]) / _REACH
    smooth = _COURSE_SD**2 * (1.0 + far + far * far / 3.0) * np.exp(-far)
    shared = smooth[used] + _UNKNOWN_GAP * (lead[used, None] == lead[None, used])
    variance = np.full(len(used), _LEAST_NOISE**2)
    pull = np.zeros(len(used))
    for _ in range(_ROUNDS):
        pull = np.linalg.solve(shared + np.diag(variance), values[used])
        off = np.abs(variance * pull)  # what the course and the constants leave over
        noise = max(_LEAST_NOISE, float(np.median(off)) / 0.6745)
        variance = noise**2 * np.maximum(1.0, off / (_FAR_SDS * noise))
    return np.asarray(smooth @ pull)


def _of_leads(
    leads: Sequence[Sequence[int]], covariance: Floats, ruler: Floats
) -> tuple[Floats, Floats]:
    """What is known beforehand of the leads' gaps: that of their heads, each by its own offset."""
    mean = np.zeros((len(leads), len(ruler)))
    for number, own in enumerate(leads):
        mean[number, list(own)] = 1.0 / len(own)
    of_leads = mean @ covariance @ mean.T
    # A lead of free heads is as free as any of them.
    free = [not _spoken_for(covariance, own[0]) for own in leads]
    of_leads[free, free] = _UNKNOWN_GAP
    return of_leads, np.where(free, 0.0, mean @ ruler)
