"""What advice costs, as a ratio against plain arithmetic in the same run.

The budget is 1 ms for one tempo. The baseline, a sum over a hundred thousand whole numbers, took
2.0 ms on the machine where the budget was set, so half of it is the budget there.
"""

from __future__ import annotations

import statistics
import time

from tempotape.advice.advise import Wish, advise
from tests.plain_units import plain_calibration, plain_unit

BASELINE_NUMBERS = 100_000
MOST_OF_BASELINE = 0.5


def median_s(function, runs):
    taken = []
    for _ in range(runs):
        begun = time.perf_counter()
        function()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def baseline():
    total = 0
    for number in range(BASELINE_NUMBERS):
        total += number
    return total


def test_advice_for_one_tempo_costs_less_than_half_the_baseline(record_property):
    unit = plain_unit(heads={"short": 28.0, "long": 70.0})
    known = plain_calibration(
        unit, lambda k: 25 * max(k, 0.01), measured=(1, 10), flutter={1.0: 4.0, 10.0: 0.4}
    )
    wishes = [Wish(tempo_bpm=bpm) for bpm in (48.0, 96.0, 126.5, 300.0)]
    base_s = median_s(baseline, 9)
    advice_s = median_s(lambda: [advise(known, wish) for wish in wishes], 25) / len(wishes)
    record_property("advice_ms", advice_s * 1000)
    told = f"advice {advice_s * 1000:.2f} ms, baseline {base_s * 1000:.2f} ms"
    print(told)
    assert advice_s / base_s <= MOST_OF_BASELINE, told
