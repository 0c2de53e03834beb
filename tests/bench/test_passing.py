"""The filters that a pass is fitted with, against scipy's own; and what they add to a lag."""

import numpy as np
import pytest
from scipy import signal

from tempotape.bench.copies import coherence, template
from tempotape.bench.onsets import whitened
from tempotape.bench.passing import _butter, extra_lag_s, passing
from tempotape.bench.thinned import Thinner
from tests.simulated_unit import clicks

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


def most_alike(sound, begins, lag):
    """The lags about one at which what begins there comes again, by scipy's band-limited values."""
    lags = []
    for begin in begins:
        rho, _ = coherence(sound, template(sound, int(begin), None), lag - 48, lag + 48)
        top = int(np.argmax(rho))
        fine = signal.resample(rho[top - 16 : top + 17], 33 * 32)
        lags.append(lag - 48 + top - 16 + np.argmax(fine) / 32)
    return np.array(lags)


@pytest.mark.parametrize(
    ("kind", "order", "corner_hz", "within_s"),
    [
        (signal.butter, 1, 5000.0, 5e-6),
        (signal.butter, 2, 4000.0, 5e-6),
        (signal.butter, 2, 8000.0, 5e-6),
        (signal.butter, 4, 3500.0, 5e-6),
        # Of another kind than those that are fitted.
        (signal.bessel, 2, 4000.0, 25e-6),
        (signal.bessel, 4, 6000.0, 25e-6),
    ],
)
def test_what_filters_add_to_a_known_shift_is_told(kind, order, corner_hz, within_s):
    rate_hz, shift_s, at_s = 48_000, 0.25, 0.5 + 0.7 * np.arange(12)
    sound = clicks(at_s, 9 * rate_hz, rate_hz, "pulse")
    copy = signal.sosfilt(kind(order, corner_hz, fs=rate_hz, output="sos"), sound)
    copy = signal.sosfilt(signal.butter(1, 80.0, "high", fs=rate_hz, output="sos"), copy)
    recording = sound + 0.5 * np.roll(copy, round(shift_s * rate_hz))
    recording += 1e-5 * np.random.default_rng(1).standard_normal(len(recording))
    thinner = Thinner(rate_hz)
    thinner.feed(recording)
    heard = whitened(thinner.thinned())
    begins = np.round(at_s * heard.rate_hz).astype(int)
    lags = most_alike(heard, begins, round(shift_s * heard.rate_hz))
    extra_s, _, _ = extra_lag_s(passing(heard, heard, begins, lags, 0.006))
    added_s = float(np.mean(lags)) / heard.rate_hz - shift_s
    assert extra_s == pytest.approx(added_s, abs=within_s)
