"""Notes that ring on and their echoes, from the simulated unit, whose delay is known."""

import numpy as np
import pytest

from tempotape.bench.explaining import explain
from tempotape.bench.ringing import rings, rings_on
from tests.bench.test_leftover import FRAMES, RATE_HZ, SOUND, UNIT, evidence_of
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play, plucked

TIMES_S = np.arange(0.4, 12, 0.37) + 0.03 * np.sin(np.arange(32))
HZ = np.random.default_rng(3).choice([100.0, 150.0, 200.0], len(TIMES_S))
NOTES = plucked(TIMES_S, HZ, FRAMES, RATE_HZ)  # of one root: alike every 20 ms


def test_notes_ring_and_clicks_do_not():
    for sound, expected in ((NOTES, True), (SOUND, False)):
        heard, evidence = evidence_of(mixed(sound, play(UNIT, sound, RATE_HZ)))
        assert rings(evidence, heard) is expected


@pytest.mark.parametrize(("lag_s", "expected"), [(0.4, False), (0.04, True), (0.06, True)])
def test_what_comes_again_some_periods_later_is_the_same_note_and_an_echo_is_not(lag_s, expected):
    heard, evidence = evidence_of(mixed(NOTES, play(UNIT, NOTES, RATE_HZ), 1.0, 0.7))
    found = explain(evidence, lag_s * evidence.rate, 0)
    assert found.copied > 10
    assert rings_on(found, evidence, heard, heard) is expected


@pytest.mark.parametrize("lag_s", [0.71, 1.13])
def test_what_comes_again_by_chance_does_not_rise(lag_s):
    heard, evidence = evidence_of(mixed(NOTES, play(UNIT, NOTES, RATE_HZ), 1.0, 0.7))
    found = explain(evidence, lag_s * evidence.rate, 0)
    assert found.copied > 3
    assert found.likeness < 0.75
    assert rings_on(found, evidence, heard, heard)


def test_an_echo_before_which_a_fainter_one_sounds_as_like_is_an_echo():
    # Each repeat falls 24 ms after the next repeat of the click before.
    sound = clicks(0.4 + 1.046 * np.arange(11), FRAMES, RATE_HZ, "tone")
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=60.0 / 1.022, feedback=0.35)
    heard, evidence = evidence_of(mixed(sound, play(unit, sound, RATE_HZ), 1.0, 0.9))
    assert rings(evidence, heard)
    found = explain(evidence, 1.022 * evidence.rate, 1)
    assert found.likeness > 0.9
    assert not rings_on(found, evidence, heard, heard)
