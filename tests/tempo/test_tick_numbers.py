"""Which tick is which, against a search through every way to number them."""

import itertools
import random

import pytest

from tempotape.tempo.tick_line import Slope
from tempotape.tempo.tick_numbers import ODD_STEP_COST, FirstTicks, LatestTicks

PERIOD_S = 60 / 300 / 24
LINE = Slope(PERIOD_S, 0.0, 0.0, 1.0, 0.0)


def damaged(count, jitter_s, rng, *, missing=0.05, doubled=0.03):
    """Numbers and arrival times of ticks of which some are lost and some come twice."""
    ticks = [(n * PERIOD_S + rng.gauss(0, jitter_s), n) for n in range(1, count + 1)]
    kept = [tick for tick in ticks if rng.random() > missing]
    kept += [(t + 0.0005, n) for t, n in kept if rng.random() < doubled]
    times, numbers = zip(*sorted(kept), strict=True)
    return list(times), list(numbers)


def likeliest_by_search(times, variance_s2):
    """Numbers of least cost: squared distances in sd, and a price for steps that are not one."""

    def cost(steps):
        numbers = list(itertools.accumulate(steps))
        off = sum((t - n * PERIOD_S) ** 2 for t, n in zip(times, numbers, strict=True))
        return off / variance_s2 + ODD_STEP_COST * sum(abs(step - 1) for step in steps)

    return tuple(
        itertools.accumulate(min(itertools.product(range(4), repeat=len(times)), key=cost))
    )


def test_the_latest_ticks_are_numbered_as_a_search_through_all_ways_does():
    rng = random.Random(1)
    odd = 0
    for _ in range(25):
        times, _ = damaged(7, 0.0025, rng, missing=0.15, doubled=0.1)
        times = times[:6]
        latest = LatestTicks(0)
        for t in times:
            latest.append(t, LINE, 0.0025**2)
        expected = likeliest_by_search(times, 0.0025**2)
        assert latest.numbers[1:] == expected
        odd += expected != tuple(range(1, len(times) + 1))
    # Not all of them were easy.
    assert odd >= 5


def test_second_thoughts_are_told():
    latest = LatestTicks(0)
    # From the second on all are a period late: one was lost, which a single one does not show.
    late = [1.0, 2.55, 3.9, 5.0, 6.0, 7.0]
    told = [latest.append(n * PERIOD_S, LINE, 0.0035**2) for n in late]
    assert any(told)
    assert latest.numbers == (0, 1, 3, 4, 5, 6, 7)


@pytest.mark.parametrize("kind", [{"doubled": 0.0}, {"missing": 0.0}])
def test_the_first_ticks_are_numbered_right_where_they_are_sure(kind):
    rng = random.Random(str(kind))
    sure = right = 0
    for _ in range(12):
        times, _ = damaged(110, 0.002, rng, **kind)
        first = FirstTicks(0.001**2, 2)
        for t in times[:96]:
            first.append(t)
        if first.is_sure:
            sure += 1
            # One tick more or fewer in 96 is 1 %.
            right += abs(first.slope.period_s / PERIOD_S - 1) < 0.006
    assert sure >= 9
    assert right >= sure - 1


def test_what_right_numbers_spare_shows_against_wrong_ones():
    first = FirstTicks(0.001**2, 2)
    numbers = [n for n in range(30) if n not in (7, 19)]
    for n in numbers:
        first.append(n * PERIOD_S)
    assert list(first.numbers) == numbers
    assert first.spared(numbers) == pytest.approx(0.0, abs=1e-9)
    assert first.spared(range(len(numbers))) > 20
    # No tempo has such a period.
    assert first.spared([40 * n for n in range(len(numbers))]) == float("inf")
