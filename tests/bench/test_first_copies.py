"""The lags of first copies, from matches that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain
from tempotape.bench.first_copies import (
    as_like_as_may_be,
    likeliest,
    pairs,
    undisturbed,
    undisturbed_rows,
)
from tests.made_evidence import made_evidence

LAG, PLAYED = 9600.0, 12
BETWEEN = 40_000


def evidence_of(first, further):
    """Clicks with one repeat that is heard; of each kind the matches (lag, coherence, gain)."""
    played = BETWEEN * (1 + np.arange(PLAYED))
    at = np.sort(np.concatenate((played, played + round(LAG))))
    rows = [
        (2 * click + kind, *match)
        for click in range(PLAYED)
        for kind, matches in enumerate((first, further))
        for match in matches
    ]
    attack, lag, coherence, gain = np.array(rows).T
    return made_evidence(at, Matches(attack.astype(np.int64), lag, coherence, gain))


@pytest.mark.parametrize(
    ("further", "off", "moved"),
    # Further ones may be far liker than first ones, about as like, or too few to tell; and what is
    # off them by less than 2 ms may as well be where the delay strays.
    [(0.95, 60, True), (0.7, 60, False), (None, 60, False), (0.95, 40, False)],
)
def test_first_copies_are_where_further_ones_far_liker_are(further, off, moved):
    # An overloaded copy, a little more like what is played where it rings than where it begins.
    first = [(LAG, 0.58, 0.2), (LAG + off, 0.66, 0.1)]
    evidence = evidence_of(first, [] if further is None else [(LAG, further, 0.8)])
    found = explain(evidence, LAG, 1)
    found = msgspec.structs.replace(found, lag=np.where(found.root, LAG + off, found.lag))
    assert likeliest(found, evidence)[found.has_first_copy] == pytest.approx(
        LAG if moved else LAG + off
    )


@pytest.mark.parametrize(
    ("coherence", "told"),
    [(0.7, LAG - 80), (0.95, LAG), (0.5, LAG)],
    ids=["notes", "clean", "hiss"],
)
def test_of_notes_that_ring_the_likest_of_the_periods_around_is_taken(coherence, told):
    further = [(LAG, coherence, 0.5)]
    evidence = evidence_of([(LAG, coherence - 0.2, 0.2), (LAG - 80, coherence, 0.2)], further)
    found = explain(evidence, LAG, 1)
    found = msgspec.structs.replace(
        found,
        lag=np.where(found.root, LAG, found.lag),
        coherence=np.where(found.root & (np.arange(2 * PLAYED) < 6), 0.3, coherence),
    )
    assert likeliest(found, evidence)[found.has_first_copy][:3] == pytest.approx(told)


def test_copies_that_another_sound_runs_into_are_left_out_of_each_kind():
    evidence = evidence_of([(LAG, 0.95, 0.2)], [(LAG, 0.95, 0.8)])
    found = explain(evidence, LAG, 1)
    gain, coherence = found.gain.copy(), found.coherence.copy()
    gain[2] *= 2  # a first copy
    coherence[5] = 0.5  # a further one
    found = msgspec.structs.replace(found, gain=gain, coherence=coherence)
    assert np.flatnonzero(~undisturbed_rows(found)).tolist() == [2, 5]
    begins, lags = pairs(found, evidence)
    assert begins.tolist() == np.delete(evidence.at[::2], 1).tolist()
    assert lags == pytest.approx(LAG)


def test_where_few_would_be_left_all_are():
    gain = np.array([1.0, 1.0, 1.0, 4.0, 9.0, 16.0, 30.0])
    assert undisturbed(gain, np.full(7, 0.9)).all()


@pytest.mark.parametrize(
    ("turned", "sign", "moved"),
    [(-0.95, 1, True), (-0.75, 1, False), (-0.95, 0, False)],
)
def test_first_copies_are_turned_over_where_so_they_are_clearly_more_like(turned, sign, moved):
    # Half a period off they resemble what they copy too, as further ones do there.
    evidence = evidence_of([(LAG, 0.7, 0.4), (LAG + 10, turned, -0.5)], [(LAG, 0.9, 0.6)])
    found = explain(evidence, LAG, 1)
    found = msgspec.structs.replace(found, lag=np.full(2 * PLAYED, LAG), sign=sign)
    told = as_like_as_may_be(found, evidence)
    assert told.lag[found.has_first_copy] == pytest.approx(LAG + 10 if moved else LAG)
    assert told.first_likeness == pytest.approx(0.95 if moved else 0.7)
    assert told.lag[found.has_further_copy] == pytest.approx(LAG)


def test_all_first_copies_are_turned_over_or_none_and_those_that_cannot_be_are_left_out():
    evidence = evidence_of([(LAG, 0.7, 0.4), (LAG + 10, -0.95, -0.5)], [(LAG, 0.9, 0.6)])
    lacking = (evidence.matches.attack == 4) & (evidence.matches.coherence < 0)
    hardly = (evidence.matches.attack == 2) & (evidence.matches.coherence < 0)
    coherence = np.where(hardly, -0.6, evidence.matches.coherence)
    matches = msgspec.structs.replace(evidence.matches, coherence=coherence).only(~lacking)
    evidence = msgspec.structs.replace(evidence, matches=matches)
    found = explain(evidence, LAG, 1)
    found = msgspec.structs.replace(found, lag=np.full(2 * PLAYED, LAG))
    told = as_like_as_may_be(found, evidence)
    assert told.sign == -1
    assert np.isnan(told.lag[4])
    assert told.lag[2] == LAG + 10
