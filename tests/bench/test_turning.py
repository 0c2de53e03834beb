"""Ticks of a splice amid what is played, from attacks that are made up."""

import numpy as np
import pytest

from tempotape.bench.onsets import Attacks
from tempotape.bench.turning import without_ticks

RATE_HZ, LENGTH_S = 24_000.0, 54.0
PLAYED_S = np.array([4.7, 4.9, 5.8, 6.5, 8.8, 9.4, 10.8, 12.1, 14.2, 15.3, 21.6, 22.9])
TURN_S = 3.2


def attacks(played_s, ticks_s, *, tick=0.1, tones=()):
    at_s = np.concatenate([played_s, ticks_s])
    energy = np.concatenate([np.full(len(played_s), 1e4), np.full(len(ticks_s), 1e4 * tick)])
    order = np.argsort(at_s)
    at = np.rint(at_s[order] * RATE_HZ).astype(np.int64)
    return Attacks(at=at, energy=energy[order], tones=tones)


def left_s(struck):
    return without_ticks(struck, round(LENGTH_S * RATE_HZ), RATE_HZ)[0].at / RATE_HZ


def ticks_s(first_s=0.3, turn_s=TURN_S, wow_ms=0.0):
    due_s = np.arange(first_s, LENGTH_S, turn_s)
    return due_s + wow_ms / 1000 * np.sin(2 * np.pi * 0.37 * due_s)


@pytest.mark.parametrize("wow_ms", [0.0, 2.0])
def test_what_comes_once_a_turn_through_all_of_the_recording_goes(wow_ms):
    struck = attacks(PLAYED_S, ticks_s(wow_ms=wow_ms))
    assert left_s(struck) == pytest.approx(PLAYED_S, abs=1e-4)


def test_what_the_unit_repeats_of_it_goes_with_it():
    more_s = np.concatenate([ticks_s(), ticks_s() + 0.42, ticks_s() + 0.84])
    assert left_s(attacks(PLAYED_S, more_s)) == pytest.approx(PLAYED_S, abs=1e-4)


def test_a_tone_in_which_nothing_is_heard_hides_some():
    heard_s = ticks_s()
    heard_s = heard_s[(heard_s < 24) | (heard_s > 40)]
    tone = (round(24 * RATE_HZ), round(40 * RATE_HZ))
    assert left_s(attacks(PLAYED_S, heard_s, tones=(tone,))) == pytest.approx(PLAYED_S, abs=1e-4)
    # Where nothing hides the others, six of seventeen are no row.
    missed = attacks(PLAYED_S, ticks_s()[[0, 1, 4, 5, 9, 16]])
    assert len(left_s(missed)) == len(missed)


@pytest.mark.parametrize(
    "struck",
    [
        attacks(PLAYED_S, ticks_s(), tick=1.0),  # as loud as what is played
        attacks(PLAYED_S, ticks_s()[:8]),  # only in the beginning
        attacks(np.zeros(0), ticks_s()),  # nothing else is played
        attacks(ticks_s() + 0.7, ticks_s() + 1.2),  # a beat and its echoes
        attacks(
            ticks_s(1.1), ticks_s(0.7, TURN_S / 4)
        ),  # strokes of a bar, and softer ones between
        attacks(PLAYED_S, np.random.default_rng(2).uniform(0, LENGTH_S, 40)),  # at no pace
    ],
    ids=["loud", "not along", "alone", "beat", "bar", "free"],
)
def test_what_may_be_played_stays(struck):
    assert len(left_s(struck)) == len(struck)
