"""What strikes, against sounds whose excitation is known, and the simulated unit."""

import io

import numpy as np
import pytest
from scipy import signal

from tempotape.bench.delay import find_delay
from tempotape.bench.onsets import attacks, whitened
from tempotape.bench.struck import MAY_RING, RINGS, ringing, struck_alone
from tempotape.bench.thinned import SCALE, Thinned, Thinner
from tests.simulated_unit import SimulatedUnit, beside, clicks, mixed, play, plucked

RATE_HZ = 48_000
FRAMES = 14 * RATE_HZ
TIMES_S = np.arange(0.4, 12, 0.37) + 0.03 * np.sin(np.arange(32))
HZ = np.random.default_rng(3).choice([196.0, 247.0, 294.0, 330.0], len(TIMES_S))
NOTES = plucked(TIMES_S, HZ, FRAMES, RATE_HZ)
UNIT = SimulatedUnit(gap_mm=60.0, speed_mm_s=150.0, hiss=1e-5)  # 400 ms


def thinned(samples):
    thinner = Thinner(RATE_HZ)
    thinner.feed(samples)
    return thinner.thinned()


def alone(samples):
    """What is left of samples at the working rate."""
    held = io.BytesIO((samples * SCALE).astype(np.float16).tobytes())
    left = struck_alone(Thinned((held,), len(samples), 12_000.0))
    assert len(left) == len(samples)
    return left.part(0, len(left))


def test_notes_ring_and_clicks_do_not():
    notes, struck = (
        whitened(thinned(sound)) for sound in (NOTES, clicks(TIMES_S, FRAMES, RATE_HZ))
    )
    assert ringing(notes, attacks(notes)) > RINGS
    assert ringing(struck, attacks(struck)) < MAY_RING


def test_of_ringing_filters_their_excitation_is_left():
    # Source: what the all-pole filter that rings is driven by is its prediction error (Makhoul
    # 1975, section II); the drive is known here, and scipy.signal.lfilter is the filter.
    rng = np.random.default_rng(1)
    drive = np.zeros(36_000)
    for begin in rng.integers(3000, 33_000, 40):
        drive[begin : begin + 60] += rng.standard_normal(60)
    poles = 0.95 * np.exp(2j * np.pi * np.array([0.06, 0.17]))
    rung = signal.lfilter([1.0], np.poly(np.r_[poles, poles.conj()]).real, drive)
    drive, rung = drive / np.abs(rung).max(), rung / np.abs(rung).max()
    left = alone(rung)
    assert left @ drive / np.linalg.norm(left) / np.linalg.norm(drive) > 0.94
    assert np.sum(left**2) < 0.02 * np.sum(rung**2)


def test_noise_cannot_be_foretold():
    noise = 0.1 * np.random.default_rng(2).standard_normal(36_000)
    left = alone(noise)
    # The prediction of white noise is nought, but for what half a second of it teaches by chance.
    assert np.std(left) == pytest.approx(np.std(noise), rel=0.05)
    assert np.corrcoef(left, noise)[0, 1] > 0.97


def test_an_echo_is_never_foretold():
    noise = 0.1 * np.random.default_rng(3).standard_normal(60_000)
    lag, gain = 365, 0.6  # 30 ms, the shortest delay
    left = alone(noise[lag:] + gain * noise[:-lag])
    alike = left[lag:] @ left[:-lag] / (left @ left)
    assert alike == pytest.approx(gain / (1 + gain**2), abs=0.05)  # closed form


def test_silence_stays_silence():
    assert not alone(np.zeros(31_234)).any()


@pytest.mark.parametrize("side_by_side", [False, True])
def test_the_delay_of_notes_that_ring_through_one_another(side_by_side):
    played = play(UNIT, NOTES, RATE_HZ)
    if side_by_side:
        dry, wet = beside(NOTES, played).T
        found = find_delay(thinned(dry), thinned(wet))
    else:
        found = find_delay(thinned(mixed(NOTES, played, 1.0, 0.5)))
    assert found.delay is not None, found.why
    assert found.delay.ms == pytest.approx(400.0, abs=0.2)
    assert found.delay.count > 15


def test_notes_alone_have_no_delay():
    assert find_delay(thinned(NOTES)).delay is None
