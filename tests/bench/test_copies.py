"""Copies of an attack, against correlations written out and a shift that is known."""

import numpy as np
import pytest
from scipy import signal

from tempotape.bench.copies import PRODUCTS, correlated


@pytest.mark.parametrize(("heard", "cut"), [(3000, 200), (120_000, 480)])
def test_correlations_are_those_of_scipy_at_once_and_by_spectra(heard, cut):
    assert (heard * cut < PRODUCTS) == (cut == 200)
    random = np.random.default_rng(3)
    # A thousand times louder in one half: what is faint is told all the same.
    sound = random.normal(size=heard) * np.repeat((1000.0, 1.0), heard // 2)
    some = sound[-cut - 50 : -50]
    told = correlated(sound, some)
    expected = signal.correlate(sound, some, "valid", method="direct")
    assert told.shape == expected.shape
    assert told[-51] == pytest.approx(float(np.sum(some**2)), rel=1e-5)
    assert told[heard // 2 + cut :] == pytest.approx(expected[heard // 2 + cut :], abs=0.05)
    assert told == pytest.approx(expected, rel=1e-6, abs=1e-6 * np.abs(expected).max())
