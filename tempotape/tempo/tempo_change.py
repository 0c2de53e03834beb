"""Whether the latest ticks show another tempo than those before, and from which on.

A small change shows where two lines explain the ticks clearly better than one. One so abrupt that
the old line numbers the new ticks wrong shows where they make quite another line by themselves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from tempotape.tempo.tick_line import CLIP_SD, TickLine
from tempotape.tempo.tick_numbers import FirstTicks

# Two lines must explain the ticks better than one by this much, in squared standard deviations:
# exceeded by chance, with two degrees of freedom, exp(-40/2) = 2e-9 of the time.
CHANGE_EVIDENCE = 40.0
# A period that differs by more than so many standard deviations is another.
OTHER_PERIOD_SD = 4.0
SHORTEST_STRETCH = 6
# Rounding to whole milliseconds is all the jitter that some drivers' times have; its standard
# deviation is 1 ms / sqrt(12). Two lines must part by more than it can make up.
ROUNDING_S = 0.0003
_CHANGE_S = 0.0016
# Up to so many places of a change are looked at by raw times.
_FEW_PLACES = 48
# An abrupt change shows as this many strange ticks among the last, and lines of fewer ticks than
# stand alone are not believed.
_STRANGE_TICKS = 6
_LAST_TICKS = (12, 24)
ALONE_TICKS = 8
# Late ticks are no change of tempo however late they are: they count as this far off at most.
_FAR_OFF_SD = 4.0


def parted(line: TickLine, first: int, variance_s2: float) -> float:
    """How much better two lines, the second from place `first`, explain the ticks than one.

    Twice the log of the likelihood ratio for jitter of this variance; 0 where the lines part by
    less than can be told.
    """
    count = len(line)
    earlier = line.stretch(0, first)
    later = line.stretch(first, count)
    number = line.numbers[-1]
    if abs(earlier.time_s(number) - later.time_s(number)) < _CHANGE_S:
        return 0.0
    spared_s2 = line.fitted.misfit_s2 - earlier.misfit_s2 - later.misfit_s2
    return spared_s2 / max(variance_s2, ROUNDING_S**2)


def place_of_change(line: TickLine, first: int, variance_s2: float) -> int:
    """The likeliest place of a change that came with the tick at `first` or later."""
    places = range(first, len(line) - 3)
    if len(places) > _FEW_PLACES:
        return max(places, key=lambda place: parted(line, place, variance_s2))
    # Arrivals clipped by the line make a change look longer ago than it is, which tells where
    # there are few. Here the raw ones are held against the line before, which was sure of them.
    raw = TickLine(line.numbers[first:], line.times_s[first:], line.stretch(0, first), math.inf)
    count = len(raw)
    return min(
        places,
        key=lambda place: (
            raw.strayed_s2(place - first) + raw.stretch(place - first, count).misfit_s2
        ),
    )


def abruptly_changed(
    line: TickLine, period_s: float, variance_s2: float, odd_share: float, known: int
) -> list[float]:
    """The last arrivals if they make a line of their own, far from that of `period_s`; else none.

    `odd_share` is how many ticks are lost or doubled, `known` how many the variance comes from.
    """
    odd_cost_s2 = -2.0 * math.log(odd_share) * variance_s2
    for last in _LAST_TICKS:
        if last + SHORTEST_STRETCH > len(line):
            break
        costs_s2 = _costs_s2(line, last, variance_s2, odd_cost_s2)
        limit_s2 = CLIP_SD**2 * variance_s2
        strange = [at for at, cost_s2 in enumerate(costs_s2) if cost_s2 > limit_s2]
        if len(strange) < _STRANGE_TICKS or last - strange[0] < ALONE_TICKS:
            continue
        arrivals_s = line.times_s[len(line) - last + strange[0] :]
        alone = FirstTicks(variance_s2, known)
        for arrival_s in arrivals_s:
            alone.append(arrival_s)
        cost_s2 = sum(costs_s2[strange[0] :])
        if len(alone) == len(arrivals_s) and _suits(alone, cost_s2, period_s, odd_cost_s2):
            return arrivals_s
    return []


def _costs_s2(line: TickLine, last: int, variance_s2: float, odd_cost_s2: float) -> Sequence[float]:
    """How badly each of the last ticks suits the line through those before."""
    place = len(line) - last
    earlier = line.stretch(0, place)
    limit_s2 = _FAR_OFF_SD**2 * variance_s2
    return [
        min(limit_s2, (line.times_s[at] - earlier.time_s(line.numbers[at])) ** 2)
        + (line.numbers[at] != line.numbers[at - 1] + 1) * odd_cost_s2
        for at in range(place, len(line))
    ]


def _suits(alone: FirstTicks, cost_s2: float, period_s: float, odd_cost_s2: float) -> bool:
    """Whether a line of their own has clearly another period, and suits the ticks much better."""
    slope = alone.slope
    if slope is None or not is_other_period(alone, period_s):
        return False
    odd_steps = sum(after - before != 1 for before, after in pairwise(alone.numbers))
    spared_s2 = cost_s2 - slope.misfit_s2 - odd_steps * odd_cost_s2
    return spared_s2 > CHANGE_EVIDENCE * alone.variance_s2


def is_other_period(ticks: FirstTicks, period_s: float) -> bool:
    """Whether these ticks clearly have another period."""
    slope = ticks.slope
    if slope is None:
        return False
    moved_s = slope.period_s - period_s
    return moved_s * moved_s * slope.spread > OTHER_PERIOD_SD**2 * ticks.variance_s2
