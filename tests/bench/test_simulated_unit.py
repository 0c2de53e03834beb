"""The simulated unit against closed forms."""

import numpy as np
import pytest
from scipy import signal

from tests.simulated_unit import SimulatedUnit, beside, clicks, mixed, play

RATE_HZ = 48_000


def tone(hz, seconds):
    return np.sin(2 * np.pi * hz * np.arange(seconds * RATE_HZ) / RATE_HZ)


@pytest.mark.parametrize(
    # Standard tape speeds (IEC 60094-1): 2 inches at 7 1/2 and at 3 3/4 inches a second.
    ("gap_mm", "speed_mm_s", "delay_ms"),
    [(50.8, 190.5, 266.667), (50.8, 95.25, 533.333), (60.0, 117.3, 511.509)],
)
def test_at_constant_speed_the_delay_is_gap_over_speed(gap_mm, speed_mm_s, delay_ms):
    sound = clicks([0.3, 1.1], 3 * RATE_HZ, RATE_HZ, "burst")
    unit = SimulatedUnit(gap_mm=gap_mm, speed_mm_s=speed_mm_s, low_hz=None, high_hz=None)
    played = play(unit, sound, RATE_HZ)
    assert np.allclose(played.delay_ms, delay_ms, atol=5e-4)
    # The wet sound is the dry one, shifted: here by the shift theorem of the Fourier transform.
    spectrum = np.fft.rfft(sound)
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    shifted = np.fft.irfft(spectrum * np.exp(-2j * np.pi * hz * played.delay_ms[0] / 1000))
    band = signal.butter(4, 15_000, fs=RATE_HZ, output="sos")
    off = signal.sosfilt(band, played.wet - shifted)
    assert np.abs(off).max() < 1e-3 * np.abs(sound).max()


@pytest.mark.parametrize("wow_hz", [0.7, 1.0, 2.3, 5.9])
def test_a_sinusoidal_speed_error_deviates_a_tone_by_twice_its_sine(wow_hz):
    depth, tau_s = 0.001, 0.5
    unit = SimulatedUnit(
        gap_mm=60.0, speed_mm_s=120.0, wow=((wow_hz, depth, 0.4),), low_hz=None, high_hz=None
    )
    wet = play(unit, tone(3150, 22), RATE_HZ).wet
    hz = np.diff(np.unwrap(np.angle(signal.hilbert(wet)))) * RATE_HZ / (2 * np.pi)
    deviation = hz[RATE_HZ : 21 * RATE_HZ] / 3150 - 1  # 20 s, whole turns of every wow_hz here
    at = np.exp(-2j * np.pi * wow_hz * np.arange(len(deviation)) / RATE_HZ)
    met = 2 * np.abs(np.mean((deviation - deviation.mean()) * at))
    # m * 2|sin(pi f tau)|: from the definition of delay on moving tape, to first order in m.
    assert met == pytest.approx(depth * 2 * abs(np.sin(np.pi * wow_hz * tau_s)), abs=4e-6)


def test_a_drifting_speed_gives_the_delay_that_its_integral_gives():
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, drift_per_s=0.002)
    played = play(unit, np.zeros(20 * RATE_HZ), RATE_HZ)
    # x(t) = v (t + a t^2 / 2); x(t) - x(t - tau) = d is a quadratic in tau.
    t_s, a = 15.0, 0.002
    tau_s = ((1 + a * t_s) - np.sqrt((1 + a * t_s) ** 2 - 2 * a * 0.5)) / a
    assert played.delay_ms[round(t_s * RATE_HZ)] == pytest.approx(1000 * tau_s, abs=1e-3)


def test_repeats_fall_by_the_feedback():
    sound = clicks([0.2], 3 * RATE_HZ, RATE_HZ, "burst")
    unit = SimulatedUnit(feedback=0.5, low_hz=None, high_hz=None)
    wet = play(unit, sound, RATE_HZ).wet
    energy = [
        np.sum(wet[round((0.19 + 0.5 * k) * RATE_HZ) :][: RATE_HZ // 10] ** 2) for k in range(1, 5)
    ]
    assert 10 * np.log10(np.divide(energy[1:], energy[:-1])) == pytest.approx(-6.0206, abs=0.05)


def test_the_band_is_that_of_the_filters_on_every_pass():
    unit = SimulatedUnit(feedback=0.0, low_hz=100.0, high_hz=3000.0)
    wet = play(unit, tone(3000.0, 3), RATE_HZ).wet
    # A Butterworth filter is 3.01 dB down at its corner.
    level_db = 20 * np.log10(np.sqrt(2) * wet[2 * RATE_HZ :].std())
    assert level_db == pytest.approx(-3.01, abs=0.02)


def test_the_splice_ticks_once_a_turn_of_the_loop():
    unit = SimulatedUnit(speed_mm_s=120.0, loop_mm=300.0, tick=0.1, feedback=0.0)
    played = play(unit, np.zeros(12 * RATE_HZ), RATE_HZ)
    assert len(played.ticks_s) == 5
    assert np.diff(played.ticks_s) == pytest.approx(2.5, abs=1e-6)
    for tick_s in played.ticks_s[:-1]:
        at = round(tick_s * RATE_HZ)
        assert np.abs(played.wet[at : at + 200]).max() > 0.05
        assert np.abs(played.wet[at + RATE_HZ : at + RATE_HZ + 200]).max() < 1e-6


def test_hiss_hum_saturation_dropouts_and_polarity_are_as_ordered():
    quiet = np.zeros(4 * RATE_HZ)
    open_band = {"low_hz": None, "high_hz": None}
    assert play(SimulatedUnit(hiss=0.01, **open_band), quiet).wet.std() == pytest.approx(
        0.01, rel=0.02
    )
    assert play(SimulatedUnit(hum=0.01), quiet).wet.std() == pytest.approx(0.01, rel=0.02)
    sound = tone(500.0, 4)
    hard = play(SimulatedUnit(saturation=2.0, **open_band), sound).wet
    assert np.abs(hard).max() == pytest.approx(np.tanh(2.0) / 2.0, rel=1e-3)
    plain = play(SimulatedUnit(), sound).wet
    assert np.array_equal(play(SimulatedUnit(inverted=True), sound).wet, -plain)
    lost = play(SimulatedUnit(dropouts_per_s=2.0), sound).wet
    assert np.sum(lost**2) < 0.99 * np.sum(plain**2)


def test_outputs_are_mixed_or_side_by_side():
    sound = clicks([0.1], RATE_HZ, RATE_HZ)
    played = play(SimulatedUnit(), sound)
    assert np.array_equal(mixed(sound, played, 0.5, 2.0), 0.5 * sound + 2.0 * played.wet)
    assert np.array_equal(beside(sound, played), np.column_stack((sound, played.wet)))
