"""Which two points of a head are at odds, against every pair compared one by one."""

import itertools
import math
import random

import pytest

from tempotape.faults import InputFault
from tempotape.unit.contradictions import check_one_way
from tempotape.unit.curve import FittedPoint
from tempotape.unit.model import Point


def by_pairs(points, *, faster_up):
    """The largest number of sds by which two delays of a head stand in the wrong order."""

    def error(point):
        return 0.02 if point.error_ms is None else max(0.01, point.error_ms / point.delay_ms)

    def above(slow, fast):
        return math.log(fast.delay_ms / slow.delay_ms) / math.hypot(error(slow), error(fast))

    found = [(0.0, None)]
    for one, other in itertools.permutations(points, 2):
        in_order = one.knob == other.knob or (one.knob < other.knob) == faster_up
        if one.head == other.head and in_order:
            found.append((above(one, other), (one, other)))
    return max(found, key=lambda pair: pair[0])


@pytest.mark.parametrize("seed", range(60))
def test_the_two_most_at_odds_are_named(seed):
    rng = random.Random(seed)
    up, noise = rng.random() < 0.5, rng.choice((0.01, 0.03, 0.1))
    points = [
        Point(
            rng.choice("ab"),
            knob := rng.choice((1.0, 2.0, 2.0, 3.5, 5.0, 8.0)),
            800 * math.exp((-0.1 if up else 0.1) * knob + rng.gauss(0, noise)),
            rng.choice((None, 1.0, 30.0)),
        )
        for _ in range(rng.randint(0, 9))
    ]
    fitted = [FittedPoint(p.head, p.knob, p.delay_ms, p.delay_ms, 0.0, False) for p in points]
    sds, pair = by_pairs(points, faster_up=up)
    if sds <= 3.5:
        check_one_way(fitted, points, faster_up=up)
        return
    slow, fast = pair
    with pytest.raises(InputFault) as fault:
        check_one_way(fitted, points, faster_up=up)
    assert fault.value.problem.startswith(
        f'head "{slow.head}" takes {slow.delay_ms:.4g} ms at {slow.knob:.4g} and '
        f"{fast.delay_ms:.4g} ms at {fast.knob:.4g}, against the trend"
    )


def test_a_suspect_is_not_counted():
    points = [Point("a", 1.0, 800.0), Point("a", 2.0, 400.0), Point("a", 3.0, 700.0)]
    fitted = [FittedPoint(p.head, p.knob, p.delay_ms, p.delay_ms, 0.0, p.knob == 3) for p in points]
    check_one_way(fitted, points, faster_up=True)
