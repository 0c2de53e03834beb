"""Where along the knob a change is larger than its error, asked at all readings at once.

The changes at the readings are held against zero and against their own mean. The limit is one for
all that is asked, so that chance passes it anywhere in at most the given share of cases:
simultaneous intervals. Where the errors at the readings may go together, as those of one fitted
curve, each reading is asked alone, and the share is divided among them (Bonferroni: Dunn, Multiple
comparisons among means, 1961). Where they are independent, every stretch of neighbours is asked,
and the limit is the quantile of the largest of all these (Hothorn, Bretz and Westfall,
Simultaneous inference in general parametric models, 2008), drawn at random.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from statistics import NormalDist

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# A neighbour belongs to a stretch where its own change is more than this many sds: 95 %, two-sided.
_BELONGS_SDS = 1.96
# Where a change is found, it is told as one for all readings unless this chance speaks against it.
_UNEVEN = 0.05
_DRAWS, _SEED = 20_000, 1


class Stretch(msgspec.Struct, frozen=True):
    """Neighbouring readings, first to last by number, with their mean change and one sd of it."""

    first: int
    last: int
    log: float
    sd: float

    @property
    def numbers(self) -> range:
        return range(self.first, self.last + 1)


class Along(msgspec.Struct, frozen=True):
    """Changes of log value at ascending readings with their sds, and what they say together.

    `independent` is whether the errors at the readings are; `limit_sds` is how far from zero a mean
    has to be to count, `uneven_sds` how far from the mean of all for these to be told one by one.
    """

    knob: tuple[float, ...]
    log: tuple[float, ...]
    sd: tuple[float, ...]
    independent: bool
    limit_sds: float
    uneven_sds: float

    @property
    def whole(self) -> Stretch:
        return self.stretch(0, len(self.knob) - 1)

    def stretch(self, first: int, last: int) -> Stretch:
        """The mean over these readings, weighed by what each is known to."""
        logs = np.array(self.log[first : last + 1])
        sds = np.array(self.sd[first : last + 1])
        weight = 1.0 / sds**2
        sd = weight.sum() ** -0.5 if self.independent else (weight @ sds) / weight.sum()
        return Stretch(first, last, float(weight @ logs / weight.sum()), float(sd))

    def uneven(self) -> bool:
        """Whether some reading or stretch changes otherwise than all together, or more and more."""
        whole = self.whole
        if self.independent and abs(self._rise_sds()) > sds_of(_UNEVEN):
            return True
        for one in self._asked(0, len(self.knob) - 1):
            # What the mean shares with the part does not count (independent errors).
            own = one.sd**2 - (whole.sd**2 if self.independent else 0.0)
            if own > 1e-6 * one.sd**2 and abs(one.log - whole.log) > self.uneven_sds * own**0.5:
                return True
        return False

    def found(self) -> list[Stretch]:
        """The stretches that changed by more than the limit, ascending."""
        return self._found(0, len(self.knob) - 1)

    def others(self, found: Sequence[Stretch]) -> list[Stretch]:
        """What lies between the stretches found."""
        edges = [-1, *(edge for one in found for edge in (one.first, one.last)), len(self.knob)]
        return [
            self.stretch(before + 1, after - 1)
            for before, after in zip(edges[::2], edges[1::2], strict=True)
            if before + 1 < after
        ]

    def largest(self, one: Stretch) -> int:
        """The number of the reading of a stretch whose change stands out most."""
        return max(one.numbers, key=lambda number: abs(self.log[number]) / self.sd[number])

    def farthest(self, one: Stretch) -> int:
        """The number of the reading that changed most, of those that count by themselves if any."""
        alone = [n for n in one.numbers if abs(self.log[n]) > self.limit_sds * self.sd[n]]
        return max(alone or one.numbers, key=lambda number: abs(self.log[number]))

    def _rise_sds(self) -> float:
        """How steadily the change rises along the readings, in sds (weighted least squares)."""
        weight = 1.0 / np.array(self.sd) ** 2
        place = np.arange(len(self.log))
        place = place - weight @ place / weight.sum()
        spread = float(weight @ place**2)
        return float(weight * place @ np.array(self.log)) / spread**0.5 if spread > 0 else 0.0

    def _asked(self, low: int, high: int) -> list[Stretch]:
        return [
            self.stretch(first, last)
            for first in range(low, high + 1)
            for last in (range(first, high + 1) if self.independent else (first,))
        ]

    def _found(self, low: int, high: int) -> list[Stretch]:
        if low > high:
            return []
        best = max(self._asked(low, high), key=lambda one: abs(one.log) / one.sd)
        if abs(best.log) <= self.limit_sds * best.sd:
            return []
        first, last = best.first, best.last
        while first > low and self._goes_with(first - 1, best):
            first -= 1
        while last < high and self._goes_with(last + 1, best):
            last += 1
        return [
            *self._found(low, first - 1),
            self.stretch(first, last),
            *self._found(last + 1, high),
        ]

    def _goes_with(self, number: int, best: Stretch) -> bool:
        own = self.log[number]
        return own * best.log > 0 and abs(own) > _BELONGS_SDS * self.sd[number]


def along(
    knob: Sequence[float],
    log: Sequence[float],
    sd: Sequence[float],
    *,
    independent: bool,
    chance: float,
) -> Along:
    """The changes, with the limit that chance passes anywhere in this share of cases."""
    limit, uneven = (
        _largest_of_stretches(len(knob), one) if independent else sds_of(one / len(knob))
        for one in (chance, _UNEVEN)
    )
    return Along(tuple(knob), tuple(log), tuple(sd), independent, limit, uneven)


def sds_of(chance: float) -> float:
    """How many sds from zero a Gaussian is, either way, with this chance."""
    return NormalDist().inv_cdf(1.0 - chance / 2.0)


@lru_cache(maxsize=64)
def _largest_of_stretches(count: int, chance: float) -> float:
    """The quantile of the largest mean, in sds, over all stretches of so many readings."""
    drawn = np.random.default_rng(_SEED).standard_normal((_DRAWS, count))
    sums = np.concatenate([np.zeros((_DRAWS, 1)), np.cumsum(drawn, axis=1)], axis=1)
    largest = np.zeros(_DRAWS)
    for length in range(1, count + 1):
        means = np.abs(sums[:, length:] - sums[:, :-length]).max(axis=1) / length**0.5
        np.maximum(largest, means, out=largest)
    return float(np.quantile(largest, 1.0 - chance))
