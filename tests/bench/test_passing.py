"""The filters that a pass is fitted with, against scipy's own."""

import numpy as np
import pytest
from scipy import signal

from tempotape.bench.passing import _butter

HZ = np.geomspace(20.0, 11_000.0, 50)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize(("kind", "corner_hz"), [("high", 90.0), ("low", 6000.0)])
def test_a_response_is_that_of_a_butterworth_filter(kind, corner_hz, order):
    low = kind == "low"
    ratio = HZ / corner_hz if low else corner_hz / HZ
    told, _ = _butter(ratio, order, conjugate=low)
    b, a = signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    assert told == pytest.approx(signal.freqs(b, a, 2 * np.pi * HZ)[1], rel=1e-9)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_its_slope_is_what_small_steps_of_the_ratio_show(order):
    ratio, step = HZ / 6000.0, 1e-5
    after, before = (
        np.log(_butter(ratio * np.exp(off), order, conjugate=True)[0]) for off in (step, -step)
    )
    _, slope = _butter(ratio, order, conjugate=True)
    assert slope == pytest.approx((after - before) / (2 * step), abs=1e-6)
