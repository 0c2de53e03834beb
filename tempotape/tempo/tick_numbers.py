"""Which tick is which: numbers for arrivals of which some were lost and some came twice.

An arrival is the next tick (one step on), the same tick again (no step), or comes after lost ones
(two steps and more). Where the jitter is large beside the period this cannot be told from one
arrival, so several numberings are kept until those that follow decide. Their unlikeliness is minus
twice the log of the likelihood: squared distances in standard deviations, and a price for each
odd step.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from tempotape.tempo.tick_line import Slope

# Lost and doubled ticks are rare, and heavy jitter must not be taken for them at once: one in 700.
ODD_STEP_COST = 13.0
# A tick may be late for reasons of its own, so being far off the line costs no more than this.
_FAR_OFF_COST = 16.0
# Another way to number the latest ticks is given up when it is so much less likely.
_HOPELESS_PATH_COST = 30.0
# After so many more a tick keeps its number.
LATEST_TICKS = 12
# Among the first ticks odd steps are as rare as the first of these beside the second; where there
# turn out to be more, as when a clock comes in by two cables, more are believed.
_ODD_SEEN, _EVEN_SEEN = 0.3, 200.0
# However many were lost at one place, it is one thing that went wrong, and its follow-ups.
_ODD_STEPS_COUNTED = 3
# Before any period is known a gap may be nought to four of them.
_FIRST_STEPS = 5
# Numberings so much less likely than the best are given up, and so are more than these that end
# with the same number.
_HOPELESS_COST = 25.0
_NUMBERINGS = 4
# The best is surely right when it is so much likelier than the next, e^5 to one.
_SURE_COST = 10.0
# Periods of 15 and 480 quarter notes a minute, at 24 ticks each: nothing else is a tempo.
LONGEST_PERIOD_S = 60.0 / 24 / 15
SHORTEST_PERIOD_S = 60.0 / 24 / 480


class _Numbering(NamedTuple):
    """One numbering of the first arrivals, with running sums of the line through them."""

    cost: float
    numbers: tuple[int, ...]
    odd: int
    mean_x: float
    mean_y: float
    spread: float
    product: float
    misfit: float
    widening: float


class FirstTicks:
    """Numbers the first arrivals of an unknown tempo, and fits a line through them.

    The jitter is taken to have about the variance given, known as well as `weight` ticks tell it.
    """

    def __init__(self, variance_s2: float, weight: int) -> None:
        self.times_s: list[float] = []
        self._variance_s2 = variance_s2
        self._weight = weight
        self._numberings: list[_Numbering] = []

    def __len__(self) -> int:
        return len(self.times_s)

    def append(self, time_s: float) -> None:
        """Take the next arrival."""
        self.times_s.append(time_s)
        if len(self.times_s) == 1:
            self._numberings = [_Numbering(0.0, (0,), 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)]
            return
        y = time_s - self.times_s[0]
        grown = sorted(
            longer
            for numbering in self._numberings
            for step in self._steps(numbering, y)
            if (longer := self._extended(numbering, step, y)) is not None
        )
        # As many of each last number, so that variants of one do not crowd out the others.
        room = dict.fromkeys((numbering.numbers[-1] for numbering in grown), _NUMBERINGS)
        self._numberings = []
        for numbering in grown:
            if room[numbering.numbers[-1]] and numbering.cost < grown[0].cost + _HOPELESS_COST:
                room[numbering.numbers[-1]] -= 1
                self._numberings.append(numbering)
        if not self._numberings:
            # No tempo explains them: these were strays.
            self.times_s.clear()
            self.append(time_s)

    @property
    def numbers(self) -> tuple[int, ...]:
        """The likeliest numbers so far, one for each arrival."""
        return self._numberings[0].numbers

    @property
    def is_sure(self) -> bool:
        """Whether any other count of the ticks so far, and so another tempo, is unlikely."""
        best = self._numberings[0]
        return all(
            numbering.numbers[-1] == best.numbers[-1] or numbering.cost > best.cost + _SURE_COST
            for numbering in self._numberings
        )

    def spared(self, numbers: Sequence[int]) -> float:
        """By how much the likeliest numbers of these arrivals are likelier than those given."""
        given = _Numbering(0.0, (0,), 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        for (before, number), time_s in zip(pairwise(numbers), self.times_s[1:], strict=True):
            longer = self._extended(given, number - before, time_s - self.times_s[0])
            if longer is None:
                return math.inf
            given = longer
        return given.cost - self._numberings[0].cost

    @property
    def slope(self) -> Slope | None:
        """The line through the arrivals so numbered, or None while all have the same number."""
        if not self._numberings or not self._numberings[0].spread:
            return None
        best = self._numberings[0]
        return Slope(
            best.product / best.spread,
            best.mean_x,
            self.times_s[0] + best.mean_y,
            best.spread,
            best.misfit,
        )

    @property
    def variance_s2(self) -> float:
        """Variance of one arrival: as known before, and as these arrivals tell."""
        if self.slope is None:
            return self._variance_s2
        known = self._weight * self._variance_s2 + self.slope.misfit_s2
        return known / (self._weight + len(self) - 2)

    def _steps(self, numbering: _Numbering, y: float) -> Iterable[int]:
        if not numbering.spread:
            return range(_FIRST_STEPS)
        ahead = (y - numbering.mean_y) * numbering.spread / numbering.product + numbering.mean_x
        before = int(ahead) - numbering.numbers[-1]
        return {1, max(0, before), max(0, before + 1)}

    def _extended(self, numbering: _Numbering, step: int, y: float) -> _Numbering | None:
        """The numbering with one arrival more, or None where no tempo has such a period."""
        _, numbers, odd, mean_x, mean_y, spread, product, misfit, widening = numbering
        count = len(numbers)
        x = numbers[-1] + step
        dx, dy = x - mean_x, y - mean_y
        odd += min(abs(step - 1), _ODD_STEPS_COUNTED)
        if spread or not step:
            # Recursive least squares: the arrival against the line before it, whose own
            # uncertainty there is `leverage` of one arrival's variance.
            leverage = 1 / count + (dx * dx / spread if spread else 0.0)
            off = dy - (dx * product / spread if spread else 0.0)
            misfit += off * off / (1 + leverage)
            widening += math.log1p(leverage)
        spread += dx * dx * count / (count + 1)
        product += dx * dy * count / (count + 1)
        if spread and not SHORTEST_PERIOD_S * spread < product < LONGEST_PERIOD_S * spread:
            return None
        freedom = self._weight + count - 1
        known = self._weight * self._variance_s2
        cost = freedom * math.log1p(misfit / known) + widening + _odd_cost(odd, count)
        return _Numbering(
            cost,
            (*numbers, x),
            odd,
            mean_x + dx / (count + 1),
            mean_y + dy / (count + 1),
            spread,
            product,
            misfit,
            widening,
        )


@lru_cache(maxsize=4096)
def _odd_cost(odd: int, steps: int) -> float:
    """Unlikeliness of so many odd steps, whose share is unknown but likely small (beta prior)."""
    even = max(0, steps - odd)
    return 2.0 * (
        math.lgamma(_ODD_SEEN)
        - math.lgamma(_ODD_SEEN + odd)
        + math.lgamma(_EVEN_SEEN)
        - math.lgamma(_EVEN_SEEN + even)
        + math.lgamma(_ODD_SEEN + _EVEN_SEEN + odd + even)
        - math.lgamma(_ODD_SEEN + _EVEN_SEEN)
    )


class _Path(NamedTuple):
    """One numbering of the latest arrivals and how unlikely it is beside the others."""

    cost: float
    numbers: tuple[int, ...]


class LatestTicks:
    """Numbers arrivals by a line that is known, and thinks again about the latest of them.

    The likeliest path through all numberings is kept for each number the last arrival may have
    (Viterbi's algorithm), over the last `LATEST_TICKS` arrivals.
    """

    def __init__(self, number: int) -> None:
        self._paths = [_Path(0.0, (number,))]

    @property
    def numbers(self) -> tuple[int, ...]:
        """The likeliest numbers of the latest arrivals."""
        return self._paths[0].numbers

    def append(self, time_s: float, line: Slope, variance_s2: float) -> bool:
        """Take the next arrival; whether any before it now has another number than it had."""
        told = self.numbers
        ahead = (time_s - line.mean_s) / line.period_s + line.mean_number
        weight = line.period_s * line.period_s / variance_s2
        beside = 1.0 - 2.0 * abs(ahead - told[-1] - 1)
        if len(self._paths) == 1 and beside * weight > _HOPELESS_PATH_COST:
            # As nearly always: it can only be the next.
            self._paths = [_Path(0.0, (*told[1 - LATEST_TICKS :], told[-1] + 1))]
            return False
        grown: dict[int, _Path] = {}
        for cost, numbers in self._paths:
            last = numbers[-1]
            before = max(last, math.floor(ahead))
            for number in {last + 1, before, before + 1}:
                off = ahead - number
                odd = min(abs(number - last - 1), _ODD_STEPS_COUNTED)
                longer = cost + min(off * off * weight, _FAR_OFF_COST) + odd * ODD_STEP_COST
                if number not in grown or longer < grown[number].cost:
                    grown[number] = _Path(longer, (*numbers[1 - LATEST_TICKS :], number))
        best = min(grown.values())
        limit, oldest = best.cost + _HOPELESS_PATH_COST, best.numbers[0]
        self._paths = [
            _Path(cost - best.cost, numbers)
            for cost, numbers in sorted(grown.values())
            if cost < limit and numbers[0] == oldest
        ]
        return best.numbers[:-1] != told[1 - LATEST_TICKS :]
