"""By how much the best lag must be better than others, from lags that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.believing import (
    LEAST_MARGIN,
    _least_margin,
    _may_be_made_up,
    _rivals,
)
from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain
from tempotape.bench.played_again import Offer
from tests.made_evidence import made_evidence

BEAT, SHORT, LONG, ATTACKS = 12_000, 4800.0, 7300.0, 20
AT = BEAT * (1 + np.arange(ATTACKS))
STUDIED_FROM = np.where(np.arange(ATTACKS) < ATTACKS // 2, 0, AT[ATTACKS // 2])  # in two runs


def evidence_of(*lags, since=-10 * BEAT):
    """Clicks that come again at each of the lags, at 24 000 samples a second."""
    lag = np.concatenate([np.broadcast_to(one, ATTACKS) for one in lags])
    matches = Matches(
        np.tile(np.arange(ATTACKS), len(lags)),
        lag,
        np.full(len(lag), 0.95),
        np.full(len(lag), 0.5),
    )
    return made_evidence(AT, matches, since=since)


def found_of(*, missing=0, strays=0.0, excused=0):
    """What a lag explains, of which copies are missing, stray in level or are excused."""
    found = explain(evidence_of(SHORT), SHORT, 1)
    lag = np.where(np.arange(ATTACKS) < missing, np.nan, found.lag)
    gain = found.gain * 10 ** (strays * (np.arange(ATTACKS) % 3) / 20)
    return msgspec.structs.replace(found, lag=lag, gain=gain, excused=excused)


@pytest.mark.parametrize("missing", [4, 8, 12])
def test_a_rival_leaves_over_what_copies_lost_as_often_would_once_in_sixty(missing):
    # So many more are lost by chance with that probability to their power; half of one is counted
    # as a probability estimated from counts allows for (Jeffreys' prior, from memory).
    margin = _least_margin(found_of(missing=missing), on_beat=True, apart=False)
    assert ((missing + 0.5) / (ATTACKS + 1)) ** (margin + 0.5) == pytest.approx(1 / 60)


def test_where_none_is_lost_one_sound_is_nearly_enough():
    assert _least_margin(found_of(), on_beat=True, apart=False) == LEAST_MARGIN


def test_where_much_is_left_over_more_is_asked_unless_it_is_sure():
    loose = found_of(missing=1, strays=3.0)
    left = msgspec.structs.replace(loose, orphans=100)
    assert not left.exact
    assert _least_margin(left, on_beat=False, apart=False) > 2 * _least_margin(
        left, on_beat=True, apart=False
    )


@pytest.mark.parametrize("hidden", [0.1, 0.25, 0.4])
def test_of_the_same_echoes_the_one_lag_seldom_misses_so_many_more_than_the_other(hidden):
    # Each misses a copy with that chance, whichever the other misses: numpy's binomial numbers. By
    # two standard deviations a normal distribution strays once in 22 times.
    missed = np.random.default_rng(5).binomial(ATTACKS, hidden, (2000, 2))
    margin = _least_margin(found_of(missing=round(hidden * ATTACKS)), on_beat=False, apart=True)
    more = 2 * np.abs(np.diff(missed, axis=1))
    assert 0.01 < np.mean(more >= margin) < 0.1


def test_rivals_come_with_what_they_cost_more():
    evidence = evidence_of(SHORT, LONG)
    short, long = (explain(evidence, lag, 1) for lag in (SHORT, LONG))
    assert _rivals(short, 7.0, [(short, 7.0), (long, 12.0)], evidence) == [(long, 5.0)]


@pytest.mark.parametrize(
    ("lag", "is_rival"),
    [
        (np.full(ATTACKS, SHORT * 1.005), False),
        (np.full(ATTACKS, SHORT * 1.03), True),
        (np.where(np.arange(ATTACKS) < 8, SHORT, SHORT * 1.03), False),
        (np.where(np.arange(ATTACKS) < 4, SHORT, SHORT * 1.03), True),
    ],
)
def test_a_lag_that_is_nearly_the_same_or_shares_the_copies_is_no_rival(lag, is_rival):
    evidence = evidence_of(SHORT)
    short = explain(evidence, SHORT, 1)
    other = msgspec.structs.replace(short, lag=lag)
    found = np.where(np.arange(ATTACKS) < 12, SHORT, np.nan)
    short = msgspec.structs.replace(short, lag=found)
    assert bool(_rivals(short, 7.0, [(short, 7.0), (other, 12.0)], evidence)) is is_rival


@pytest.mark.parametrize(
    ("since", "more"),
    # Each of three sounds excused counts 0.9, as one heard 1 and as one counted 1: 2.9 in all. In
    # runs they would cost the best as much as its other sounds do, 20 / 20 each.
    [(0, 9.0 - 3 * 2.9), (STUDIED_FROM, 9.0 - 3 * 1.9)],
)
def test_what_only_a_rival_excuses_tells_nothing_in_the_midst_of_playing(since, more):
    evidence = evidence_of(SHORT, LONG, since=since)
    best = msgspec.structs.replace(explain(evidence, SHORT, 1), excused=1)
    other = msgspec.structs.replace(explain(evidence, LONG, 1), excused=4)
    ((_, told),) = _rivals(best, 20.0, [(best, 20.0), (other, 29.0)], evidence)
    assert told == pytest.approx(more)


@pytest.mark.parametrize(
    ("lag", "strays", "made_up"),
    [
        (3 * SHORT + LONG, 0.0, True),
        (SHORT + 2 * LONG, 0.0, True),
        (2.5 * SHORT + LONG, 0.0, False),
        (2.5 * SHORT + LONG, 0.6, True),  # it is uneven
    ],
)
def test_where_a_played_lag_may_be_the_echos_what_comes_of_two_is_not_told(lag, strays, made_up):
    best = msgspec.structs.replace(found_of(strays=strays), lag=np.full(ATTACKS, lag))
    played = [msgspec.structs.replace(best, lag=np.full(ATTACKS, one)) for one in (SHORT, LONG)]
    offer = Offer(evidence_of(SHORT), [best], played, doubt=True)
    assert _may_be_made_up(best, offer) is made_up
