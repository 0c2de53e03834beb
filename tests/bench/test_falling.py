"""The fall of repeats by frequency, against powers made by its formula."""

import numpy as np
import pytest

from tempotape.bench.falling import HIGHEST_HZ, LOWEST_HZ, Powers, cells_of, fall_of

HZ = np.arange(LOWEST_HZ, HIGHEST_HZ, 15.0)
OCTAVE = (707.0, 1414.0)


def powers(gain_db, *, noise=0.0, strange=0.0, press_db=(), repeats=8, seed=0):
    """Powers that fall by `gain_db` at `HZ`, with noise of a complex amplitude; press takes off."""
    rng = np.random.default_rng(seed)
    taken = np.cumsum(np.pad(press_db, (1, repeats - 1 - len(press_db))))
    level_db = np.arange(repeats)[:, None] * gain_db - taken[:, None]
    shape = (repeats, len(HZ))
    drawn = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    amplitude = 10 ** (level_db / 20) + np.sqrt(noise / 2) * drawn
    flat = np.ones(shape)
    heard, attacks = np.ones(repeats, bool), np.full(repeats, 10.0)
    return Powers(
        HZ, np.abs(amplitude) ** 2, noise * flat, strange * flat, np.ones(len(HZ)), heard, attacks
    )


def test_the_mean_of_a_sloping_gain_is_that_of_its_amplitude():
    """6 dB an octave: the mean of 2^x for x from -1/2 to 1/2 is (sqrt 2 - sqrt 1/2) / ln 2."""
    fall = fall_of(cells_of(powers(-6.0206 * np.log2(HZ / 1000.0) - 9.0)))
    mean_db = 20 * np.log10((np.sqrt(2) - np.sqrt(0.5)) / np.log(2)) - 9.0
    assert fall.mean(OCTAVE)[0] == pytest.approx(mean_db, abs=0.05)


def test_the_mean_of_its_power_is_that_of_the_square_of_frequency():
    """6 dB an octave: the mean of f^2 from sqrt 1/2 to sqrt 2 is (f^3 / 3)' / (f)' there."""
    fall = fall_of(cells_of(powers(6.0206 * np.log2(HZ / 1000.0) - 9.0)))
    mean_db = 10 * np.log10((2**1.5 - 0.5**1.5) / 3 / (2**0.5 - 0.5**0.5)) - 9.0
    assert fall.power_mean(OCTAVE) == pytest.approx(mean_db, abs=0.05)


def test_noise_does_not_bend_the_fall_and_its_error_is_as_large_as_what_it_is_off():
    off = []
    for seed in range(40):
        fall = fall_of(cells_of(powers(-6.0 * np.ones(len(HZ)), noise=0.1, seed=seed)))
        gain_db, error_db = fall.mean(OCTAVE)
        off.append((gain_db + 6.0) / error_db)
    assert abs(np.mean(off)) < 0.5
    assert 0.4 < np.sqrt(np.mean(np.square(off))) < 1.6


def test_repeats_no_louder_than_what_rings_on_tell_little():
    sure = fall_of(cells_of(powers(-6.0 * np.ones(len(HZ))))).mean(OCTAVE)
    unsure = fall_of(cells_of(powers(-6.0 * np.ones(len(HZ)), strange=0.1))).mean(OCTAVE)
    assert unsure[1] > 10 * sure[1]


def test_what_saturation_takes_off_the_first_passes_is_not_in_the_fall():
    pressed = 1.0 * 10 ** (-4.0 * np.arange(7) / 20)
    fall = fall_of(cells_of(powers(-4.0 * np.ones(len(HZ)), press_db=pressed)))
    assert fall.mean(OCTAVE)[0] == pytest.approx(-4.0, abs=0.1)
    assert fall.press == pytest.approx(np.log(10) / 10, rel=0.2)


def test_repeats_not_heard_are_passed_over():
    made = powers(-5.0 * np.ones(len(HZ)))
    made.power[3] = 7.0
    made.heard[3] = False
    assert fall_of(cells_of(made)).mean(OCTAVE)[0] == pytest.approx(-5.0, abs=0.01)
