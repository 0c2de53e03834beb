"""Lines that chance makes, counted against ones that are drawn at random."""

import itertools

import msgspec
import numpy as np
import pytest

from tempotape.bench.by_chance import lines_by_chance, not_by_chance
from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain
from tempotape.bench.offered import offered
from tests.made_evidence import made_evidence

RATE_HZ, END = 12_000.0, 240_000
ATTACKS = 8
AT = np.linspace(6000, 160_000, ATTACKS).astype(int)


def evidence_of(attack, lag, like=0.5):
    matches = Matches(attack, lag, np.full(len(lag), like), np.full(len(lag), 0.5))
    return made_evidence(AT, matches, since=-END, heard=np.zeros(0, int), end=END, rate_hz=RATE_HZ)


def drawn(rng, each):
    """So many lags of each attack, up to 5 s, that agree only by chance."""
    return np.repeat(np.arange(ATTACKS), each), rng.uniform(360, 60_000, ATTACKS * each)


def with_copies(rng, lag, copied, stray, each=40):
    attack, lags = drawn(rng, each)
    more = np.arange(copied)
    return np.r_[attack, more], np.r_[lags, lag + stray * rng.uniform(-1, 1, copied)]


def test_as_many_lines_as_drawing_at_random_makes():
    # Source: the count itself, over recordings drawn at random (Monte Carlo): sets of three lags
    # of three attacks, the second no further off than a delay strays, the third near their line.
    rng = np.random.default_rng(6)
    each, near, lag = 60, 2.0, 12_000.0
    stray = 0.024 * lag
    counts = []
    for _ in range(60):
        attack, lags = drawn(rng, each)
        rows = [np.sort(lags[attack == k]) for k in range(ATTACKS)]
        count = 0
        for one, two, three in itertools.combinations(range(ATTACKS), 3):
            first = rows[one][np.abs(rows[one] - lag) < 3000]
            for start in first:
                second = rows[three][np.abs(rows[three] - start) < stray]
                part = (AT[two] - AT[one]) / (AT[three] - AT[one])
                line = start + part * (second - start)
                count += int(np.sum(np.abs(rows[two][:, None] - line[None, :]) < near))
        counts.append(count * (60_000 / 6000))
    attack, lags = drawn(rng, each)
    found = explain(evidence_of(np.r_[attack, 0, 3, 7], np.r_[lags, lag, lag + near, lag]), lag, 1)
    told = 10 ** lines_by_chance(_only_three(found), evidence_of(attack, lags))
    # The line may lie nearer two of the three than is counted here, and is told of 56 sets at once.
    assert np.mean(counts) / 4 < told < 4 * np.mean(counts)


def _only_three(found):
    lag = np.full(ATTACKS, np.nan)
    lag[[0, 3, 7]] = 12_000.0, 12_002.0, 12_000.0
    return msgspec.structs.replace(found, lag=lag, due=np.ones(ATTACKS, bool), sign=1)


def test_the_more_copies_and_the_more_exact_the_less_is_it_chance():
    rng = np.random.default_rng(7)
    told = [
        lines_by_chance(explain(evidence, 4800.0, 1), evidence)
        for copied, stray in ((4, 20.0), (4, 0.5), (8, 20.0), (8, 0.5))
        for evidence in [evidence_of(*with_copies(rng, 4800.0, copied, stray))]
    ]
    few_loose, few_exact, many_loose, many_exact = told
    assert many_exact < few_exact < few_loose
    assert many_exact < many_loose < few_loose
    assert many_exact < -6 < few_loose


@pytest.mark.parametrize(("like", "kept"), [(0.5, 1), (0.95, 2)])
def test_chance_is_put_aside_where_hiss_makes_it(like, kept):
    rng = np.random.default_rng(8)
    evidence = evidence_of(*with_copies(rng, 4800.0, 8, 0.5), like)
    true = explain(evidence, 4800.0, 1)
    likely = next(found for found in offered(evidence) if abs(found.middle - 4800) > 500)
    left = not_by_chance([(likely, 1.0), (true, 2.0)], evidence)
    assert len(left) == kept
    assert left[-1][0] is true


def test_copies_of_copies_count_where_nearly_all_are():
    # Of a chain of repeats only the first is a copy of what was played.
    evidence = evidence_of(*with_copies(np.random.default_rng(9), 4800.0, 8, 0.5))
    found = explain(evidence, 4800.0, 1)
    chain = msgspec.structs.replace(found, root=np.arange(ATTACKS) == 0)
    assert (chain.copied, chain.has_further_copy.sum()) == (1, 7)
    assert lines_by_chance(chain, evidence) == lines_by_chance(found, evidence) < -6
    fewer = msgspec.structs.replace(found, root=np.arange(ATTACKS) < 4)
    assert lines_by_chance(fewer, evidence) > lines_by_chance(found, evidence)
