"""What a machine plays again: the same sound, or another that is always as far away."""

import msgspec
import numpy as np
import pytest
from scipy import signal

from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain
from tempotape.bench.played_again import Offer, as_before, of_other_sounds
from tests.bench.test_leftover import evidence_of
from tests.made_evidence import made_evidence
from tests.simulated_unit import clicks

RATE_HZ = 48_000
FRAMES = 14 * RATE_HZ
TIMES_S = np.arange(0.5, 13.0, 1.1)
LATER_S = 0.3
CLICKS = clicks(TIMES_S, FRAMES, RATE_HZ, "tone")
HISS = np.random.default_rng(4).normal(scale=0.006, size=FRAMES)


def later(sound, gain):
    return gain * np.roll(sound, round(LATER_S * RATE_HZ))


def found_in(recording):
    """The explanation by that lag, with its evidence and the sound."""
    sound, evidence = evidence_of(recording)
    return explain(evidence, LATER_S * evidence.rate, 0), evidence, sound


def filtered(order, corner_hz, kind):
    return signal.sosfilt(signal.butter(order, corner_hz, kind, fs=RATE_HZ, output="sos"), CLICKS)


def test_the_same_sound_again_is_as_before_in_hiss_too():
    assert as_before(*found_in(CLICKS + later(CLICKS, 1.0) + HISS))
    assert as_before(*found_in(CLICKS + later(CLICKS, 1.0)))


@pytest.mark.parametrize(
    "echo",
    [
        later(filtered(2, 2500.0, "low"), 1.0),
        later(filtered(1, 300.0, "high"), 1.0),
        later(CLICKS, 0.85),
        later(CLICKS, -1.0),
    ],
    ids=["less treble", "less bass", "fainter", "turned over"],
)
def test_what_scipy_filters_or_makes_fainter_is_not(echo):
    assert not as_before(*found_in(CLICKS + echo + 0.3 * HISS))


def test_where_hiss_hides_what_a_filter_would_do_nothing_is_told():
    few = clicks(TIMES_S[:5], FRAMES, RATE_HZ, "tone")
    found, evidence, sound = found_in(few + later(few, 1.0) + 15 * HISS)
    assert found.copied == 5
    assert not as_before(found, evidence, sound)


def noises(times_s, seed):
    """The same burst of noise at each of these times."""
    burst = np.random.default_rng(seed).normal(size=960) * np.exp(-np.arange(960) / 200.0)
    return signal.fftconvolve(clicks(times_s, FRAMES, RATE_HZ, "pulse"), burst)[:FRAMES]


@pytest.mark.parametrize(("hiss", "told"), [(0.05, True), (0.001, False)])
def test_another_sound_always_as_far_away_is_louder_than_any_copy(hiss, told):
    once, other = noises(TIMES_S, 1), noises(TIMES_S, 2)
    for second, another in ((other, told), (once, False)):
        both = once + later(second, 0.8)
        both += hiss * np.abs(both).max() * HISS / HISS.std()
        found, evidence, _ = found_in(both)
        machine = explain(evidence, 1.1 * evidence.rate, 0)
        assert of_other_sounds(found, Offer(evidence, [found], [machine])) is another


def made(level_db, *, likeness=0.4, machine=0.9, again=False, elsewhere=0):
    """Sounds that all are equally loud, every second a copy of the one before, and a machine's."""
    at = np.sort([*np.arange(10) * 48_000, *(np.arange(10) * 48_000 + 12_000)])
    lag = np.where(np.arange(20) % 2, 12_000.0 if again else np.nan, 12_000.0)
    lag[2 : 2 + 2 * elsewhere : 2] += 3000
    matches = Matches(np.arange(20), lag, np.full(20, likeness), np.full(20, 10 ** (level_db / 20)))
    evidence = made_evidence(at, matches)
    found = msgspec.structs.replace(
        explain(evidence, 12_000.0, 1),
        lag=lag,
        gain=matches.gain,
        coherence=matches.coherence,
        root=np.arange(20) % 2 == 0,
    )
    other = msgspec.structs.replace(found, coherence=np.full(20, machine))
    return found, Offer(evidence, [found], [other])


@pytest.mark.parametrize(
    ("case", "others"),
    [
        (made(-4.5), True),
        (made(-2.5), False),
        (made(-4.5, likeness=0.7), False),  # it is much the same sound
        (made(-4.5, machine=0.99), False),  # no hiss hides what is unlike
        (made(-4.5, again=True), False),
        (made(-4.5, elsewhere=4), True),
        (made(-4.5, elsewhere=6), False),  # most copies fall where nothing strikes
    ],
)
def test_other_sounds_are_louder_than_copies_by_what_else_there_is_in_them(case, others):
    assert of_other_sounds(*case) is others
