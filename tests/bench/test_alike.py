"""Clicks in hiss: their mean, where they are and how well their copies are timed."""

import numpy as np
import pytest
from scipy import stats

from tempotape.bench.alike import alike, cut_out, faint_copies, struck_again
from tempotape.bench.copies import copies_of
from tempotape.bench.delay import find_delay
from tempotape.bench.onsets import attacks, whitened
from tempotape.bench.thinned import Thinner
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play

RATE_HZ = 48_000
FRAMES = 12 * RATE_HZ
TIMES_S = 0.4 + np.cumsum(np.random.default_rng(4).uniform(0.5, 0.8, 16))
HISS = np.random.default_rng(5).standard_normal(FRAMES)
CLICKS = clicks(TIMES_S, FRAMES, RATE_HZ, "pulse")
UNIT = SimulatedUnit(gap_mm=60.0, speed_mm_s=250.0)  # 240 ms


def heard(recording):
    thinner = Thinner(RATE_HZ)
    thinner.feed(recording)
    return thinner.thinned()


def in_hiss(hiss, recording=CLICKS):
    sound = whitened(heard(recording + hiss * HISS))
    return sound, attacks(sound)


def test_the_mean_of_clicks_is_the_click():
    sound, struck = in_hiss(0.05)
    click = alike(sound, struck)
    assert click is not None
    clean = whitened(heard(CLICKS)).through(sound)
    one = cut_out(clean, round(TIMES_S[0] * sound.rate_hz), click)
    true = clean.part(one.begin, one.begin + len(one.sound))
    like = one.sound @ true / np.linalg.norm(one.sound) / np.linalg.norm(true)
    # Hiss in a mean of n falls as 1/n in power (variance of a mean).
    assert 1 - like**2 < 4 * len(click.sound) * click.noise
    assert click.noise * len(struck) == pytest.approx(
        sound.noise / struck_energy(sound, click), rel=0.4
    )


def struck_energy(sound, click):
    """Energy of a click in `sound`, less hiss, the median over the true times."""
    cuts = [cut_out(sound, round(t_s * sound.rate_hz), click) for t_s in TIMES_S]
    return float(np.median([cut.size**2 for cut in cuts]))


def test_all_clicks_are_found_where_half_stand_out():
    sound, struck = in_hiss(0.07)
    click = alike(sound, attacks(sound, 7.0))
    assert click is not None
    again = struck_again(sound, struck, click)
    off_s = np.abs(again.at[:, None] / sound.rate_hz - TIMES_S[None, :])
    assert len(struck) < 0.8 * len(TIMES_S)
    assert np.all(off_s.min(axis=0) < 0.001)  # none is missed
    assert np.sum(off_s.min(axis=1) > 0.001) <= 1


def test_copies_are_timed_as_well_as_the_noise_allows():
    # Source: least squares for the time of arrival of a known shape, variance = that of the hiss
    # along its slope over the slope's energy squared (S. M. Kay, Estimation Theory, 1993, ch. 8);
    # for a copy and for what it copies twice that.
    sound, struck = in_hiss(0.05, CLICKS + np.roll(CLICKS, 9600))
    click = alike(sound, struck)
    cuts = [cut_out(sound, round(t_s * sound.rate_hz), click) for t_s in TIMES_S]
    lag = round(0.2 * sound.rate_hz)
    found = [copies_of(sound, k, cut, lag - 9, lag + 9) for k, cut in enumerate(cuts)]
    lags = [part.lag[np.argmax(part.coherence)] for part in found if len(part.lag)]
    assert len(lags) == len(TIMES_S)
    shape = cuts[0].sound
    turns = 2j * np.pi * np.fft.rfftfreq(len(shape))
    slope = np.fft.irfft(turns * np.fft.rfft(shape), len(shape))
    along = np.convolve(sound.part(0, len(sound)), slope[::-1])
    hiss = stats.median_abs_deviation(along, scale="normal")
    bound = np.sqrt(2) * hiss / np.sum(slope**2)
    off = np.array(lags) - 0.2 * sound.rate_hz
    assert 0.5 * bound < np.sqrt(np.mean(off**2)) < 2 * bound


def test_copies_that_hiss_hides_one_by_one_are_found_together():
    copy = 0.35 * np.roll(CLICKS, 9600)
    sound, _ = in_hiss(0.065, CLICKS + copy)
    click = alike(sound, attacks(sound, 7.0))
    cuts = [cut_out(sound, round(t_s * sound.rate_hz), click) for t_s in TIMES_S]
    low, high = round(0.03 * sound.rate_hz), round(3.0 * sound.rate_hz)
    lag = 0.2 * sound.rate_hz

    def near(parts):
        return sum(bool(np.any(np.abs(part.lag - lag) < 3)) for part in parts)

    alone = near([copies_of(sound, k, cut, low, high) for k, cut in enumerate(cuts)])
    together = near(faint_copies(sound, cuts, low, high, click))
    assert alone < 0.6 * len(TIMES_S) < 0.75 * len(TIMES_S) < together


@pytest.mark.parametrize(
    "sound",
    [
        pytest.param(np.zeros(FRAMES), id="hiss alone"),
        pytest.param(2 * CLICKS, id="clear"),
        pytest.param(
            sum(clicks([t], FRAMES, RATE_HZ, kind) for t, kind in zip(
                TIMES_S, ["tone", "burst", "pulse", "sample"] * 4, strict=True
            )),
            id="unlike",
        ),
    ],
)  # fmt: skip
def test_no_mean_of_what_is_clear_or_unlike(sound):
    hiss = 0.001 if sound.max() > 0.4 else 0.02
    assert alike(*in_hiss(hiss, sound)) is None


def test_repeats_that_never_cease_are_no_hiss():
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=250.0, feedback=0.97)
    recording = mixed(CLICKS, play(unit, CLICKS, RATE_HZ))
    assert alike(*in_hiss(0.0, recording)) is None


@pytest.mark.parametrize("hiss", [0.01, 0.02])
def test_the_delay_of_single_samples_in_hiss(hiss):
    sound = clicks(TIMES_S, FRAMES, RATE_HZ, "sample", 0.7)
    found = find_delay(heard(mixed(sound, play(UNIT, sound, RATE_HZ), 1.0, 0.6) + hiss * HISS))
    assert found.delay is not None, found.why
    assert found.delay.ms == pytest.approx(240.0, abs=0.1)
