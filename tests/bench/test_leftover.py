"""What lags leave over of recordings whose delay is known, from the simulated unit."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import copies_of, gathered, template
from tempotape.bench.explaining import Evidence, explain
from tempotape.bench.leftover import aligned, further_gain, left_over
from tempotape.bench.onsets import attacks, whitened
from tempotape.bench.thinned import Thinner
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play

RATE_HZ = 48_000
FRAMES = 14 * RATE_HZ
TIMES_S = np.array([0.5, 1.4, 3.1, 4.0, 5.8, 7.5, 8.2, 10.1, 11.3])
SOUND = clicks(TIMES_S, FRAMES, RATE_HZ)
UNIT = SimulatedUnit(gap_mm=60.0, speed_mm_s=150.0, hiss=1e-5)  # 400 ms


def evidence_of(recording):
    thinner = Thinner(RATE_HZ)
    thinner.feed(recording)
    sound = whitened(thinner.thinned())
    struck = attacks(sound)
    rate = sound.rate_hz
    cuts = [template(sound, int(at), None) for at in struck.at]
    found = gathered([copies_of(sound, k, cut, 400, 30_000) for k, cut in enumerate(cuts)])
    evidence = Evidence(
        at=struck.at,
        since=np.full(len(struck), -len(sound)),
        energy=struck.energy,
        matches=found,
        heard=None,
        end=len(sound),
        rate=rate,
        length_s=float(np.median([len(cut.sound) for cut in cuts])) / rate,
    )
    return sound, evidence


def of_lag(evidence, lag_s):
    return explain(evidence, lag_s * evidence.rate, 1)


def test_the_echo_s_lag_leaves_the_played_sounds_and_no_other_does():
    sound, evidence = evidence_of(mixed(SOUND, play(UNIT, SOUND, RATE_HZ)))
    left = left_over(of_lag(evidence, 0.4), evidence, sound, sound)
    assert left.sounds == pytest.approx(len(TIMES_S), abs=1.5)
    assert left.off < 0.01
    for lag_s in (0.9, 1.2, 0.7):  # intervals of the clicks
        assert left_over(of_lag(evidence, lag_s), evidence, sound, sound).sounds > 13


def test_loud_sounds_explained_by_faint_ones_leave_as_many():
    # 13 regular hits, which sound on, and an echo each, 12 dB fainter and little over the hiss: of
    # the delay the hits are left, from echo to next hit the echoes and the first hit.
    t_s = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    hit = 0.3 * np.sin(2 * np.pi * 1200 * t_s) * np.exp(-t_s / 0.004)
    regular = np.zeros(FRAMES)
    for begin_s in 0.5 + 0.9 * np.arange(13):
        regular[round(begin_s * RATE_HZ) :][: len(hit)] += hit
    unit = msgspec.structs.replace(UNIT, hiss=4e-3)
    sound, evidence = evidence_of(mixed(regular, play(unit, regular, RATE_HZ), 1.0, 0.25))
    left = [left_over(of_lag(evidence, lag_s), evidence, sound, sound) for lag_s in (0.4, 0.5)]
    assert [part.sounds for part in left] == pytest.approx([13, 14], abs=0.5)


@pytest.mark.parametrize(("wet", "feedback"), [(0.8, 0.4), (0.5, 0.6), (0.9, 0.0)])
def test_how_much_less_a_further_pass_gives_is_one_less_feedback_over_the_wet_level(wet, feedback):
    # From the definition of feedback: a first copy comes with the wet level, a further one with
    # the feedback, through the same band.
    played = play(msgspec.structs.replace(UNIT, feedback=feedback), SOUND, RATE_HZ, seed=2)
    sound, evidence = evidence_of(mixed(SOUND, played, 1.0, wet))
    difference, error = further_gain(of_lag(evidence, 0.4), evidence, sound)
    assert error < 0.1
    assert difference == pytest.approx(1 - feedback / wet, abs=2.5 * error)


def test_repeats_alone_come_with_the_same_gain_again_and_again():
    wet = play(msgspec.structs.replace(UNIT, feedback=0.6), SOUND, RATE_HZ, seed=3).wet
    sound, evidence = evidence_of(wet)
    difference, error = further_gain(of_lag(evidence, 0.4), evidence, sound)
    assert difference == pytest.approx(0, abs=2 * error)
    assert error < 0.1


def test_lags_half_a_period_off_are_brought_to_the_same_place():
    tone = clicks(TIMES_S, FRAMES, RATE_HZ, "tone")  # 2 kHz: half a period is 0.25 ms
    sound, evidence = evidence_of(mixed(tone, play(UNIT, tone, RATE_HZ)))
    found = of_lag(evidence, 0.4)
    rows = np.flatnonzero(found.has_first_copy)
    astray = found.lag.copy()
    astray[rows[:2]] += 0.00025 * evidence.rate
    told = aligned(msgspec.structs.replace(found, lag=astray), evidence, sound, sound)
    spread_s = np.ptp(told.lag[rows]) / evidence.rate
    assert np.ptp(astray[rows]) / evidence.rate > 0.0002
    assert spread_s < 0.00002


def test_a_long_recording_is_looked_at_where_it_begins_and_ends():
    frames = 70 * RATE_HZ
    times_s = np.concatenate((TIMES_S, TIMES_S + 55))
    sound = clicks(times_s, frames, RATE_HZ)
    heard, evidence = evidence_of(mixed(sound, play(UNIT, sound, RATE_HZ)))
    left = left_over(of_lag(evidence, 0.4), evidence, heard, heard)
    assert left.sounds == pytest.approx(len(times_s), abs=2.5)
