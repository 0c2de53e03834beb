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
from typing import NamedTuple

from tempotape.tempo.tick_line import Slope

# Lost and doubled ticks are rare, and heavy jitter must not be taken for them: one that passes
# unseen shows soon enough as a shift of all that follow.
ODD_STEP_COST = 20.0
# Among the first ticks odd steps are as rare as the first of these beside the second; where there
# turn out to be more, as when a clock comes in by two cables, more are believed.
_ODD_SEEN, _EVEN_SEEN = 0.3, 200.0
# However many were lost at one place, it is one thing that went wrong, and its follow-ups.
_ODD_STEPS_COUNTED = 3
# Before any period is known a gap may be nought to four of them.
_FIRST_STEPS = 5
# Numberings so much less likely than the best are given up, and so are more than these that end
# with the same number.
_HOPELESS_COST = 40.0
_NUMBERINGS = 4
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
        nearest = round(ahead) - numbering.numbers[-1]
        return {0, 1, 2, max(0, nearest)}

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


def likeliest_step(off_s: float, period_s: float, variance_s2: float) -> int:
    """How many steps on an arrival is that came `off_s` after the next tick was expected."""
    if -0.5 * period_s < off_s < 0.5 * period_s:
        return 1
    nearest = max(0, 1 + round(off_s / period_s))
    rest_s = off_s - (nearest - 1) * period_s
    spared = (off_s * off_s - rest_s * rest_s) / variance_s2
    return nearest if spared > ODD_STEP_COST else 1


def overlooked_shift(
    offs_s: Sequence[float], period_s: float, variance_s2: float
) -> tuple[int, int]:
    """How many of the last arrivals are numbered wrong, and by how much: (0, 0) when none.

    `offs_s` is how far they came from the line. Of each arrival the squared distance spared by a
    shift of one is counted; together they must spare more than an odd step costs.
    """
    best, count, shift = ODD_STEP_COST * variance_s2, 0, 0
    total_s = 0.0
    for length, off_s in enumerate(reversed(offs_s), start=1):
        total_s += off_s
        spared = 2.0 * period_s * abs(total_s) - length * period_s * period_s
        if spared > best:
            best, count, shift = spared, length, 1 if total_s > 0 else -1
    return count, shift
