"""Changes along the knob, asked at all readings at once: limits, stretches and their means."""

import numpy as np
import pytest
from scipy.stats import norm

from tempotape.bench.stretches import along

READINGS = tuple(range(8))


def asked(log, *, independent=True, chance=0.05, sd=1.0):
    knob = READINGS[: len(log)]
    return along(knob, log, [sd] * len(log), independent=independent, chance=chance)


def spans(found):
    return [(one.first, one.last) for one in found.found()]


def test_one_reading_has_the_limit_of_the_normal_law_and_many_share_it():
    assert asked([0.0]).limit_sds == pytest.approx(norm.isf(0.025), abs=0.02)
    assert asked([0.0], independent=False).limit_sds == pytest.approx(norm.isf(0.025))
    # Bonferroni's limit for eight.
    assert asked([0.0] * 8, independent=False).limit_sds == pytest.approx(norm.isf(0.025 / 8))
    # Over all stretches more than eight are asked, but they are not 36 that have nothing in common.
    limit = asked([0.0] * 8).limit_sds
    assert norm.isf(0.025 / 8) < limit < norm.isf(0.025 / 36)


@pytest.mark.parametrize("independent", [True, False])
def test_chance_alone_finds_something_in_the_share_of_cases_stated(independent):
    rng = np.random.default_rng(8)
    cases = 400
    found = sum(
        bool(asked(rng.standard_normal(8).tolist(), independent=independent).found())
        for _ in range(cases)
    )
    print(f"{found} of {cases}")
    # 5 % of 400 is 20, give or take 4.4.
    assert 8 <= found <= 33


def test_stretches_are_found_where_they_are_with_their_means():
    found = asked([4.0, 4.2, 0.1, -0.2, 0.3, 0.0, -5.0, 0.1])
    assert spans(found) == [(0, 1), (6, 6)]
    first = found.found()[0]
    assert (first.log, first.sd) == (pytest.approx(4.1), pytest.approx(0.5**0.5))
    assert [(one.first, one.last) for one in found.others(found.found())] == [(2, 5), (7, 7)]
    # Errors that go together do not average out.
    together = asked([4.0, 4.2, 0.1, -0.2, 0.3, 0.0, -5.0, 0.1], independent=False)
    assert spans(together) == [(0, 1), (6, 6)]
    assert together.found()[0].sd == 1.0


def test_independent_readings_add_up_where_none_stands_out_alone():
    changes = [2.2, 2.3, 2.1, 0.0, 0.1, -0.1, 0.0, 0.1]
    assert spans(asked(changes)) == [(0, 2)]
    assert spans(asked(changes, independent=False)) == []


def test_a_mean_weighs_each_reading_by_what_it_is_known_to():
    # Weights 1 and 1/9: (2 + 5/9) / (10/9) = 2.3, and the sd is (10/9) ** -0.5.
    found = along((1, 2), (2.0, 5.0), (1.0, 3.0), independent=True, chance=0.05)
    assert found.whole.log == pytest.approx(2.3)
    assert found.whole.sd == pytest.approx((10 / 9) ** -0.5)


@pytest.mark.parametrize(
    ("changes", "uneven"),
    [
        ([5.0] * 8, False),
        ([5.5, 4.5] * 4, False),
        ([5.0] * 4 + [0.0] * 4, True),
        ([5.0] * 7 + [0.0], True),
        ([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5], True),
    ],
)
def test_uneven_is_what_one_change_for_all_does_not_say(changes, uneven):
    assert asked(changes).uneven() is uneven
