"""Courses of a drift, among matches that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.drifting import courses
from tempotape.bench.explaining import explain
from tempotape.bench.offered import offered
from tempotape.bench.played_again import _without
from tests.made_evidence import made_evidence

RATE_HZ, LAG, ATTACKS = 24_000.0, 9600.0, 60
LOW, HIGH = 0.03 * RATE_HZ, 5 * RATE_HZ
AT = 20_000 * (1 + np.arange(ATTACKS))
THROUGH = np.arange(ATTACKS) / (ATTACKS - 1)
# As a motor warms up, speed nears its last value exponentially; common practice, no source.
DRIFTS = {
    "even": 1 + 0.044 * (THROUGH - 0.5),
    "warming up": 1 + 0.10 * np.exp(-THROUGH * 3),
    "there and back": 1 + 0.08 * np.sin(np.pi * THROUGH),
}


def matches_along(lag, seed=3, others=5):
    """A copy of each attack at these lags, and as many others, nearly as like, all about it."""
    rng = np.random.default_rng(seed)
    attack = np.repeat(np.arange(ATTACKS), 1 + others)
    is_copy = np.arange(len(attack)) % (1 + others) == 0
    lags = lag[attack] * np.where(is_copy, 1.0, np.exp(rng.uniform(-0.06, 0.06, len(attack))))
    like = np.where(is_copy, 0.65, rng.uniform(0.4, 0.8, len(attack)))
    order = np.lexsort((lags, attack))
    return Matches(attack[order], lags[order], like[order], np.full(len(attack), 0.5))


@pytest.mark.parametrize("drift", DRIFTS)
def test_copies_are_followed_along_the_course_on_which_they_fall_together(drift):
    lag = LAG * DRIFTS[drift]
    matches = matches_along(lag)
    first = courses(matches, AT.astype(float), LOW, HIGH)[0]
    assert np.abs(first / lag - 1).max() < 0.02
    found = explain(made_evidence(AT, matches), first, 1)
    assert np.mean(np.abs(found.lag - lag) < 1) > 0.85


def test_a_lag_that_stays_is_no_course():
    found = courses(matches_along(np.full(ATTACKS, LAG)), AT.astype(float), LOW, HIGH)
    assert all(np.abs(np.median(course) / LAG - 1) > 0.02 for course in found)


def test_few_attacks_show_no_course():
    few = Matches(np.arange(5), LAG + 50.0 * np.arange(5), np.full(5, 0.95), np.full(5, 0.5))
    assert courses(few, AT[:5].astype(float), LOW, HIGH) == []


def test_courses_lie_between_the_shortest_and_the_longest_lag():
    matches = matches_along(LAG * DRIFTS["even"])
    assert courses(matches, AT.astype(float), LOW, LAG / 2) == []
    assert courses(matches, AT.astype(float), 2 * LAG, HIGH) == []


@pytest.mark.parametrize(("due", "offers"), [(1.0, True), (0.9, True), (0.5, False)])
def test_a_course_is_offered_where_nearly_all_copies_are_there(due, offers):
    lag = LAG * DRIFTS["warming up"]
    matches = matches_along(lag, others=0)
    matches = matches.only(np.random.default_rng(1).random(ATTACKS) < due)
    told = offered(made_evidence(AT, matches))
    assert any(found.copied > 0.8 * due * ATTACKS for found in told) is offers


def test_a_course_of_a_few_lags_is_not_offered():
    # 60 attacks in seven times the lag, as where a tempo moves.
    at = AT[0] + (AT - AT[0]) // 20
    matches = matches_along(LAG * DRIFTS["warming up"], others=0)
    told = offered(made_evidence(at, matches))
    assert not any(found.copied > 0.8 * ATTACKS for found in told)


@pytest.mark.parametrize("times", [1, 2])
def test_a_played_interval_is_put_aside_along_its_course(times):
    # A tempo that moves by a tenth, and an echo of 45 ms by it.
    beat = LAG * DRIFTS["warming up"]
    matches = matches_along(times * beat, others=0)
    evidence = made_evidence(AT, matches)
    played = explain(evidence, times * beat, 1)
    played = msgspec.structs.replace(played, lag=beat, around=beat)
    assert not len(_without(evidence, [played]).matches.lag)
    echo = msgspec.structs.replace(matches, lag=times * beat - 0.045 * RATE_HZ)
    left = _without(made_evidence(AT, echo), [played]).matches
    assert left.lag == pytest.approx(echo.lag)
