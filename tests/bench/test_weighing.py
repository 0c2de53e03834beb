"""What explanations cost once it is heard what they leave over; from the simulated unit."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.explaining import explain
from tempotape.bench.weighing import A_SOUND, EXCUSED_COST, FAR, FAR_SOUNDS, weighed
from tests.bench.test_leftover import evidence_of
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play

RATE_HZ = 48_000
FRAMES = 14 * RATE_HZ
TIMES_S = np.array([0.5, 1.4, 3.1, 4.0, 5.8, 7.5])
UNIT = SimulatedUnit(gap_mm=60.0, speed_mm_s=150.0, hiss=1e-5, feedback=0.85)  # 400 ms


def counted(found):
    return found.cost + EXCUSED_COST * found.excused


@pytest.fixture(scope="module")
def heard():
    """A recording of many repeats, with the explanations by its delay and by other lags."""
    sound = clicks(TIMES_S, FRAMES, RATE_HZ)
    recording, evidence = evidence_of(mixed(sound, play(UNIT, sound, RATE_HZ)))
    told = [explain(evidence, lag_s * evidence.rate, 1) for lag_s in (0.4, 0.8, 0.9, 1.2)]
    return told, evidence, recording


def test_the_delay_costs_least_and_what_is_heard_comes_on_top_of_what_is_counted(heard):
    told, evidence, sound = heard
    (delay, cost), *others = weighed(told, evidence, sound, sound)
    assert delay.middle == pytest.approx(told[0].middle, rel=1e-4)
    # As counted and as heard the played sounds are left over.
    assert cost - counted(told[0]) == pytest.approx(len(TIMES_S), abs=2)
    assert all(other > cost for _, other in others)


def test_what_costs_far_more_as_counted_is_not_listened_to(heard):
    told, evidence, sound = heard
    far = explain(evidence, 0.9 * evidence.rate, 1)
    costs = weighed([*told, far], evidence, sound, sound)
    least = min(cost for _, cost in costs)
    assert counted(far) - A_SOUND * far.excused > FAR * least + FAR_SOUNDS
    found, cost = costs[-1]
    assert found.middle == pytest.approx(far.middle, rel=1e-3)
    assert cost == counted(found)


def test_what_is_far_is_listened_to_where_what_is_near_is_unlikely(heard, monkeypatch):
    told, evidence, sound = heard
    far = explain(evidence, 0.9 * evidence.rate, 1)
    monkeypatch.setattr("tempotape.bench.weighing.LOUDER_COST", 1e3)
    # A first copy is so much louder than what it copies as no unit makes it.
    near = msgspec.structs.replace(told[0], gain=told[0].gain * 10)
    (_, cost), (other, more) = weighed([near, far], evidence, sound, sound)
    assert more > counted(other)
    assert more < cost


def test_what_is_nearly_as_likely_is_listened_to(heard):
    told, evidence, sound = heard
    double = told[1]
    costs = weighed(told[:2], evidence, sound, sound)
    assert costs[1][1] > counted(double)
