"""The weighting and the two-sigma reading against AES6-2008 and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from tempotape.bench.weighting import (
    TABLE_1,
    filtered,
    in_band,
    padded_hz,
    two_sigma,
    weight,
)

# AES6-2008 Table 1: Hz, dB re 4 Hz. Typed again, so that a slip in the module shows.
PUBLISHED = {
    0.1: -48.0, 0.2: -30.6, 0.315: -19.7, 0.4: -15.0, 0.63: -8.4, 0.8: -6.0, 1.0: -4.2, 1.6: -1.8,
    2.0: -0.9, 4.0: 0.0, 6.3: -0.9, 10.0: -2.1, 20.0: -5.9, 40.0: -10.4, 63.0: -14.2, 100.0: -17.3,
    200.0: -23.0,
}  # fmt: skip


def test_the_table_has_the_17_published_rows():
    assert dict(TABLE_1) == PUBLISHED


@pytest.mark.parametrize(("hz", "decibels"), PUBLISHED.items())
def test_a_sine_is_weighted_within_0_3_db_of_table_1(hz, decibels):
    rate_hz = 1000.0
    length = int(max(20.0, 20.0 / hz) * rate_hz)
    sine = np.sin(2 * np.pi * hz * np.arange(length) / rate_hz)
    passed = filtered(sine, weight(padded_hz(length, rate_hz)))
    middle = passed[length // 4 : -length // 4]
    gained = 20 * np.log10(np.sqrt(2 * np.mean(middle**2)))
    assert gained == pytest.approx(decibels, abs=0.3)


def test_the_weighting_falls_off_beyond_the_table_and_passes_no_standing_offset():
    low, high = weight([0.05, 400.0])
    assert 20 * np.log10(low) < -60
    assert 20 * np.log10(high) < -46
    assert list(weight([0.0, 2000.0])) == [0.0, 0.0]


def test_without_weighting_0_1_to_200_hz_pass_whole():
    assert list(in_band([0.09, 0.1, 10.0, 200.0, 201.0])) == [0, 1, 1, 1, 0]


def test_a_sine_of_0_5_percent_reads_0_5_percent():
    # AES6-2008: the meter is calibrated to read a sine's peak.
    sine = 0.5 * np.sin(2 * np.pi * 4.0 * np.arange(8000) / 1000.0)
    assert two_sigma([sine], 1000.0).value == pytest.approx(0.5, rel=1e-3)


def test_gaussian_noise_reads_two_sigma():
    # The normal distribution: |x| passes 1.96 sigma 5 % of the time; a sine reads 0.3 % more.
    noise = np.random.default_rng(3).normal(size=400_000)
    assert two_sigma([noise], 1000.0).value == pytest.approx(1.96 * 1.0031, rel=0.01)


def test_the_reading_covers_all_parts_together():
    quiet, loud = np.zeros(9000), np.ones(1000)
    # A tenth of the time is above anything below 1, so the value passed 5 % of the time is 1.
    assert two_sigma([quiet, loud], 1000.0).value == pytest.approx(1.0031, rel=1e-3)


def test_the_error_of_the_reading_is_honest():
    # Low-passed noise: readings of 10 s scatter about the long one as their errors say.
    rng = np.random.default_rng(5)
    long = filtered(rng.normal(size=800_000), np.exp(-padded_hz(800_000, 500.0) / 4.0))
    truth = two_sigma([long], 500.0).value
    readings = [two_sigma([part], 500.0) for part in long.reshape(160, 5000)]
    ratios = np.array([(reading.value - truth) / reading.error for reading in readings])
    assert 0.6 < np.sqrt(np.mean(ratios**2)) < 1.6
