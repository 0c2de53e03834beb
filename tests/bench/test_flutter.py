"""Flutter readings against closed forms, scipy's demodulator and the transport simulator."""

from __future__ import annotations

import re

import msgspec
import numpy as np
import pytest
import soundfile
from scipy import signal

from tempotape.bench.flutter import FlutterMeter
from tempotape.bench.weighting import TABLE_1, filtered, padded_hz, weight
from tests.simulated_unit import SimulatedUnit, mixed, play

RATE_HZ = 10_000
SINE_READS_PEAK = 1.0 / np.sin(0.475 * np.pi)


def read(sound, rate_hz, delay_ms=None, loop_period_s=None, block=16_384):
    meter = FlutterMeter(rate_hz)
    for begin in range(0, len(sound), block):
        meter.feed(sound[begin : begin + block])
    return meter.result(delay_ms, loop_period_s)


def tone(
    rate_hz, seconds, parts=(), *, hz=3150.0, level=0.1, hiss=1e-6, lead=1.0, seed=0
):  # `parts`: (Hz, percent, phase) of the frequency deviation
    t_s = np.arange(int(rate_hz * seconds)) / rate_hz
    phase = 2 * np.pi * hz * t_s
    for f, percent, at in parts:
        phase -= hz * percent / 100 / f * np.cos(2 * np.pi * f * t_s + at)
    sound = level * np.sin(phase)
    fade = int(0.02 * rate_hz)
    sound[:fade] *= np.linspace(0, 1, fade)
    sound[-fade:] *= np.linspace(1, 0, fade)
    silence = np.zeros(int(lead * rate_hz))
    whole = np.concatenate([silence, sound, silence])
    return whole + hiss * np.random.default_rng(seed).normal(size=len(whole))


def closed_form(parts, seconds):
    """The two-sigma reading of a sum of sines over a tone's length, by numpy's percentile."""
    t_s = np.arange(0.12, seconds - 0.12, 1 / 9973)
    weighted = sum(
        percent * float(weight(f)) * np.sin(2 * np.pi * f * t_s + at) for f, percent, at in parts
    )
    return np.percentile(np.abs(weighted), 95) * SINE_READS_PEAK


@pytest.mark.parametrize(
    ("parts", "rate_hz", "seconds", "how"),
    [
        ([(4.0, 0.5, 0.0)], 48_000, 10.0, (3150.0, 0.1, 1e-6)),
        ([(4.0, 0.5, 0.0)], 44_100, 8.0, (3000.0, 0.1, 0.03)),  # 7 dB over the hiss
        ([(0.5, 1.0, 0.0)], 8_000, 8.0, (3150.0, 0.003, 1e-5)),  # -50 dBFS
        # Hiss that scatters the size of the tone by more than a beat may, and is none.
        ([(1.0, 0.5, 0.0), (7.0, 0.3, 1.0)], 16_000, 8.0, (3150.0, 0.1, 0.02)),
        ([(1.0, 0.5, 0.0), (9.3, 0.3, 1.0)], 192_000, 5.1, (3200.0, 0.1, 1e-3)),
        ([(0.47, 3.0, 0.0), (0.94, 1.0, 0.3), (6.1, 0.5, 2.0)], 48_000, 10.0, (2950.0, 0.1, 1e-4)),
        ([(3.0, 8.0, 0.0)], 22_050, 10.0, (3150.0, 0.2, 1e-4)),
        ([(20.0, 0.05, 0.0)], 48_000, 10.0, (3150.0, 0.2, 1e-5)),
    ],
)
def test_frequency_modulation_is_read_within_1_5_percent(parts, rate_hz, seconds, how):
    hz, level, hiss = how
    sound = tone(rate_hz, seconds, parts, hz=hz, level=level, hiss=hiss)
    result = read(sound, rate_hz)
    assert result.warnings == ()
    flutter = result.flutter
    assert flutter.weighted_percent == pytest.approx(closed_form(parts, seconds), rel=0.015)
    # The lead phase of slow parts makes the mean over the tone differ from the carrier a little.
    assert flutter.tone_hz == pytest.approx(hz, rel=0.003)
    assert flutter.error_percent < 0.05 * flutter.weighted_percent
    strongest = max(parts, key=lambda part: part[1])
    assert flutter.components[0].hz == pytest.approx(strongest[0], rel=0.002)
    assert flutter.components[0].percent == pytest.approx(strongest[1], rel=0.01)


def test_a_sine_of_0_5_percent_peak_at_4_hz_reads_0_5_percent():
    # AES6-2008: calibrated on a sine at 4 Hz, where the weighting is 0 dB.
    flutter = read(tone(48_000, 8.0, [(4.0, 0.5, 0.0)]), 48_000).flutter
    assert flutter.weighted_percent == pytest.approx(0.5, abs=0.001)
    # A sine's rms is its peak over the square root of 2.
    assert flutter.unweighted_rms_percent == pytest.approx(0.5 / np.sqrt(2), rel=0.01)


def test_demodulation_agrees_with_scipy_hilbert():
    parts = [(0.9, 0.8, 0.0), (7.3, 0.3, 1.0), (40.0, 0.1, 0.0)]
    sound = tone(48_000, 8.0, parts)
    deviation = read(sound, 48_000).deviation[0]
    hz = np.diff(np.unwrap(np.angle(signal.hilbert(sound)))) * 48_000 / (2 * np.pi)
    begin = round(deviation.start_s * 48_000)
    step = round(48_000 / deviation.rate_hz)
    count = len(deviation.percent)
    reference = hz[begin : begin + count * step].reshape(count, step).mean(axis=1)
    reference = 100 * (reference / reference.mean() - 1)
    ours = np.array(deviation.percent) - np.mean(deviation.percent)
    assert np.max(np.abs(ours - reference)[2:-2]) < 0.01
    assert np.std(reference) > 0.5


def test_blocks_of_any_length_give_the_same_reading():
    sound = tone(11_025, 6.0, [(4.0, 0.5, 0.0)])
    whole = read(sound, 11_025, block=len(sound)).flutter
    parts = read(sound, 11_025, block=997).flutter
    assert parts.weighted_percent == pytest.approx(whole.weighted_percent, rel=1e-6)


def transported(unit, rate_hz=RATE_HZ, seconds=8.0, seed=0):
    """A tone through the unit: dry, wet, the true delay and the true weighted reading."""
    t_s = np.arange(int(rate_hz * (seconds + 3))) / rate_hz
    dry = 0.25 * np.sin(2 * np.pi * 3150 * t_s) * ((t_s > 0.5) & (t_s < 0.5 + seconds))
    played = play(unit, dry, rate_hz, seed)
    delay_s = float(np.mean(played.delay_ms)) / 1000
    deviation = -np.gradient(played.delay_ms / 1000) * rate_hz
    span = slice(int((0.62 + delay_s) * rate_hz), int((0.38 + delay_s + seconds) * rate_hz))
    part = deviation[span] - deviation[span].mean()
    weighted = filtered(part, weight(padded_hz(len(part), rate_hz)))
    return dry, played, delay_s, 100 * np.percentile(np.abs(weighted), 95) * SINE_READS_PEAK


SLOW = SimulatedUnit(
    speed_mm_s=120.0,
    hiss=5e-4,
    jitter=0.001,
    wow=((0.45, 0.006, 0.3), (0.9, 0.002, 1.0), (5.3, 0.002, 0.0)),
)


@pytest.mark.parametrize("how", ["wet", "mixed", "mostly dry", "fed back", "mixed, fed back"])
def test_a_transport_is_read_within_4_percent(how):
    unit = msgspec.structs.replace(SLOW, feedback=0.3 if "fed back" in how else 0.0)
    dry, played, delay_s, truth = transported(unit)
    wet = {"mixed": 1.0, "mostly dry": 0.3, "mixed, fed back": 1.0}.get(how)
    sound = played.wet if wet is None else mixed(dry, played, wet=wet)
    result = read(sound, RATE_HZ, 1000 * delay_s)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.04)
    told = " ".join(result.warnings)
    assert ("the dry tone sounds too" in told) == (wet is not None)
    assert ("later repeats sound too" in told) == ("fed back" in how)


@pytest.mark.parametrize("dry_too", [True, False])
@pytest.mark.parametrize(
    ("feedback", "delay_s"), [(0.0, 0.5), (0.3, 0.12), (0.4, 0.25), (0.85, 0.3)]
)
def test_a_transport_is_read_within_4_percent_without_knowing_the_delay(feedback, delay_s, dry_too):
    unit = msgspec.structs.replace(SLOW, feedback=feedback, gap_mm=120 * delay_s)
    dry, played, _, truth = transported(unit, seconds=9.0)
    result = read(mixed(dry, played) if dry_too else played.wet, RATE_HZ)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.04)
    told = " ".join(result.warnings)
    assert ("the dry tone sounds too" in told) == dry_too
    assert ("later repeats sound too" in told) == (feedback > 0)


def test_a_tape_as_steady_as_0_05_percent_is_read_with_its_repeats():
    # So steady a tone hardly beats, and each repeat still adds to what it deviates by.
    unit = msgspec.structs.replace(
        SLOW, jitter=1e-4, wow=((0.6, 2.5e-4, 0.3), (4.1, 1e-4, 0.0)), feedback=0.3, hiss=2e-4
    )
    _, played, _, truth = transported(unit, seconds=10.0)
    assert truth < 0.06
    flutter = read(played.wet, RATE_HZ).flutter
    assert flutter.weighted_percent == pytest.approx(truth, rel=0.04)


UNSTEADY = msgspec.structs.replace(
    SLOW, jitter=0.003, wow=((0.6, 0.018, 0.3), (3.1, 0.008, 1.0), (8.3, 0.006, 2.0))
)


@pytest.mark.parametrize(("feedback", "delay_s", "dry_too"), [(0.5, 0.8, False), (0.4, 0.4, True)])
def test_a_delay_that_moves_by_many_periods_of_the_tone_is_read(feedback, delay_s, dry_too):
    unit = msgspec.structs.replace(UNSTEADY, feedback=feedback, gap_mm=120 * delay_s)
    dry, played, _, truth = transported(unit, seconds=10.0)
    assert truth > 1.6
    result = read(mixed(dry, played) if dry_too else played.wet, RATE_HZ)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.04)
    told = " ".join(result.warnings)
    assert ("the dry tone sounds too" in told) == dry_too
    assert "later repeats sound too" in told


@pytest.mark.parametrize(("feedback", "delay_s"), [(0.55, 0.26), (0.4, 0.7)])
def test_a_mix_with_a_tape_as_steady_as_0_03_percent_is_read(feedback, delay_s):
    # What is taken out is twenty times as large as all that the unit deviates by.
    unit = msgspec.structs.replace(
        SLOW, jitter=1e-4, wow=((0.7, 1e-4, 0.3), (3.7, 1e-4, 0.0)), hiss=1e-4,
        feedback=feedback, gap_mm=120 * delay_s,
    )  # fmt: skip
    dry, played, _, truth = transported(unit, seconds=10.0)
    assert truth < 0.04
    flutter = read(mixed(dry, played), RATE_HZ).flutter
    assert flutter.weighted_percent == pytest.approx(truth, rel=0.04)


def joined_by_lines(hz):
    """AES6-2008 Table 1 joined by straight lines over the logarithm of the frequency."""
    rows_hz, rows_db = np.array(TABLE_1).T
    decibels = np.interp(np.log(np.maximum(hz, 0.01)), np.log(rows_hz), rows_db)
    return np.where((hz > 0.05) & (hz < 300.0), 10 ** (decibels / 20), 0.0)


def test_the_error_is_that_of_the_reading_of_these_seconds():
    ratios = []
    for seed in range(9):
        rng = np.random.default_rng(seed)
        unit = msgspec.structs.replace(
            SLOW,
            feedback=(0.0, 0.4, 0.7)[seed % 3],
            gap_mm=120 * rng.uniform(0.12, 0.6),
            jitter=rng.uniform(0.0003, 0.003),
            wow=tuple(
                (rng.uniform(*span), rng.uniform(0.0005, 0.004), rng.uniform(0.0, 6.0))
                for span in ((0.4, 1.2), (2.0, 8.0))
            ),
        )
        dry, played, delay_s, _ = transported(unit, seconds=9.0, seed=seed)
        # All of the tone, weighted by another way between the rows of the table.
        deviation = -np.gradient(played.delay_ms / 1000) * RATE_HZ
        weighted = filtered(deviation, joined_by_lines(padded_hz(len(deviation), RATE_HZ)))
        span = slice(int((0.5 + delay_s) * RATE_HZ), int((9.5 + delay_s) * RATE_HZ))
        truth = 100 * np.percentile(np.abs(weighted[span]), 95) * SINE_READS_PEAK
        sound = mixed(dry, played) if seed % 2 else played.wet
        flutter = read(sound, RATE_HZ, 1000 * delay_s).flutter
        ratios.append((flutter.weighted_percent - truth) / flutter.error_percent)
        assert flutter.error_percent < flutter.scatter_percent
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_record_and_replay_multiply_a_speed_error_by_two_sines():
    # delta(t) - delta(t - tau) of a sine: m 2|sin(pi f tau)|, from the definition of delay.
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=150.0, wow=((1.7, 0.004, 0.0),))
    _, played, delay_s, _ = transported(unit, seconds=8.0)
    component = read(played.wet, RATE_HZ, 1000 * delay_s).flutter.components[0]
    factor = 2 * abs(np.sin(np.pi * 1.7 * 0.4))
    assert component.hz == pytest.approx(1.7, rel=1e-3)
    assert component.percent == pytest.approx(0.4 * factor, rel=0.01)
    assert component.replay_factor == pytest.approx(factor, rel=5e-3)
    assert component.speed_percent == pytest.approx(0.4, rel=0.01)


def test_components_are_named_by_what_turns_at_their_rate():
    parts = [(0.5, 0.6, 0.0), (1.0, 0.3, 0.0), (1.5, 0.2, 0.0), (2.0, 0.15, 1.0), (7.3, 0.25, 1.0)]
    flutter = read(tone(16_000, 10.0, parts), 16_000, None, 2.0).flutter
    assert {round(part.hz, 1): part.turns for part in flutter.components} == {
        0.5: "loop",
        1.0: "loop, 2nd harmonic",
        1.5: "loop, 3rd harmonic",
        2.0: "loop, 4th harmonic",
        7.3: "not the loop",
    }


def test_hiss_makes_no_components():
    flutter = read(tone(16_000, 10.0, [(4.0, 0.5, 0.0)], hiss=5e-3), 16_000).flutter
    assert [round(part.hz, 1) for part in flutter.components] == [4.0]
    assert flutter.components[0].turns is None
    assert flutter.components[0].replay_factor is None


def test_dropouts_and_hum_do_not_change_the_reading():
    parts = [(0.9, 0.8, 0.0), (7.3, 0.3, 1.0)]
    sound = tone(16_000, 10.0, parts, hiss=1e-4)
    for at in (40_000, 71_000, 90_500, 120_000):
        sound[at : at + 400] *= 1 - np.hanning(400)
    sound += 0.1 * np.sin(2 * np.pi * 50 * np.arange(len(sound)) / 16_000)
    flutter = read(sound, 16_000).flutter
    assert flutter.weighted_percent == pytest.approx(closed_form(parts, 10.0), rel=0.015)


def test_several_tones_are_read_together_and_silence_between_them_is_not():
    parts = [(4.0, 0.5, 0.0)]
    sound = np.concatenate([tone(16_000, 6.0, parts), tone(16_000, 6.0, parts, hz=3140.0)])
    result = read(sound, 16_000)
    assert result.flutter.weighted_percent == pytest.approx(0.5, rel=0.005)
    assert [round(part.start_s) for part in result.deviation] == [1, 9]
    assert result.flutter.seconds == pytest.approx(12.0, abs=0.15)


@pytest.mark.parametrize(
    ("sound", "told"),
    [
        (np.zeros(80_000), "flutter: no steady tone near 3150 or 3000 Hz"),
        (tone(8_000, 8.0, hz=1000.0), "flutter: no steady tone near 3150 or 3000 Hz"),
        (
            np.random.default_rng(1).normal(size=80_000) * 0.1,
            "flutter: no steady tone near 3150 or 3000 Hz",
        ),
        (
            tone(8_000, 4.0, [(4.0, 0.5, 0.0)]),
            "flutter: the tone lasts 4.0 s, too short for a two-sigma reading; expected at least "
            "5 s",
        ),
        (
            tone(8_000, 8.0, [(4.0, 0.5, 0.0)], level=0.1, hiss=0.06),
            "flutter: the tone is too noisy to read; expected it at least 10 dB over the hiss",
        ),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_reason(sound, told):
    result = read(sound, 8_000)
    assert result.flutter is None
    assert result.warnings == (told,)


def test_flutter_under_the_hiss_is_refused_with_what_the_hiss_reads():
    sound = tone(8_000, 8.0, [(20.0, 0.005, 0.0)], level=0.1, hiss=0.003)
    result = read(sound, 8_000)
    assert result.flutter is None
    told = re.fullmatch(
        r"flutter: hiss alone reads (\S+) %, and hides it; record the tone louder",
        result.warnings[0],
    )
    # Hiss of density N0 beside a carrier of power C gives phase noise of density N0 / C, and a
    # frequency noise of f^2 times that (any text on frequency modulation).
    hz = np.arange(0.0, 400.0, 0.1)
    density = 0.003**2 / 4_000 / (0.1**2 / 2)
    rms_hz = np.sqrt(np.sum(weight(hz) ** 2 * hz**2 * density) * 0.1)
    assert float(told[1]) == pytest.approx(100 * 1.96 * rms_hz / 3150, rel=0.1)


def test_a_sample_rate_too_low_for_the_tone_is_refused():
    result = read(np.zeros(6_000), 6_000)
    assert result.flutter is None
    assert result.warnings == (
        "flutter: the sample rate is too low to hold the tone; expected at least 7800 Hz",
    )


BEATS = (
    "flutter: the tone beats with something else, or its level wavers; record the wet sound on a "
    "side of its own, with the repeats turned down",
)


def test_a_mix_of_two_heads_is_refused():
    dry, played, _, _ = transported(SLOW)
    _, other, _, _ = transported(msgspec.structs.replace(SLOW, gap_mm=33.0))
    result = read(mixed(dry, played) + other.wet, RATE_HZ)
    assert result.flutter is None
    assert result.warnings == BEATS


@pytest.mark.parametrize("dry_too", [True, False])
def test_a_clipped_tone_is_read_by_the_size_that_it_had(dry_too):
    unit = msgspec.structs.replace(SLOW, feedback=0.5, gap_mm=120 * 0.2)
    dry, played, _, truth = transported(unit, seconds=9.0)
    sound = mixed(dry, played) if dry_too else played.wet
    ceiling = 0.5 * np.max(np.abs(sound))
    result = read(np.clip(sound, -ceiling, ceiling), RATE_HZ)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.04)


def test_a_mix_clipped_so_hard_that_it_does_not_beat_is_refused():
    unit = msgspec.structs.replace(SLOW, jitter=1e-5, wow=((0.6, 2.5e-4, 0.3),), hiss=1e-5)
    dry, played, _, _ = transported(unit)
    result = read(np.clip(mixed(dry, played), -0.01, 0.01), RATE_HZ)
    assert result.flutter is None
    assert result.warnings == (
        "flutter: the tone is clipped so hard that a dry tone in it would not show; record it "
        "softer",
    )


def wide_band(seed, rate_hz=16_000, seconds=10.0):
    """A tone from end to end, 0.3 % rms from 0.3 to 60 Hz, and its true weighted reading.

    Weighted before it is cut from noise four times as long, so that the truth has no ends.
    """
    rng = np.random.default_rng(seed)
    length = int(rate_hz * seconds)
    hz = np.fft.rfftfreq(4 * length, 1 / rate_hz)
    band = (hz >= 0.3) & (hz <= 60.0)
    spectrum = np.where(band, rng.normal(size=len(hz)) + 1j * rng.normal(size=len(hz)), 0.0)
    cut = slice(length, 2 * length)
    deviation = np.fft.irfft(spectrum)[cut]
    weighted = np.fft.irfft(spectrum * weight(hz))[cut]
    gain = 0.003 / np.std(deviation)
    sound = 0.2 * np.sin(2 * np.pi * 3150 * np.cumsum(1 + gain * deviation) / rate_hz)
    return sound, 100 * gain * np.percentile(np.abs(weighted), 95) * SINE_READS_PEAK


@pytest.mark.parametrize("seed", range(4))
def test_wide_band_flutter_from_end_to_end_is_read_within_1_5_percent(seed):
    sound, truth = wide_band(seed)
    flutter = read(sound, 16_000).flutter
    assert flutter.weighted_percent == pytest.approx(truth, rel=0.015)
    assert flutter.seconds > 9.95


def test_a_tone_that_fades_loses_the_wider_cut_and_one_that_does_not_the_narrow_one():
    sound, _ = wide_band(0)
    assert read(sound, 16_000).deviation[0].start_s < 0.02
    sound[:4_000] *= np.linspace(0, 1, 4_000)
    # The twentieth of a second about 0.16 s is the first of 0.63 of full size; then 0.12 s are cut.
    assert 0.16 - 0.05 + 0.12 < read(sound, 16_000).deviation[0].start_s < 0.16 + 0.05 + 0.12


@pytest.mark.parametrize(("depth", "hz"), [(0.3, 0.7), (0.1, 0.7), (0.25, 1.2), (0.2, 0.3)])
def test_a_level_that_wavers_slowly_is_taken_out(depth, hz):
    # The frequency of a tone does not depend on its size, so the truth stays the same.
    sound, truth = wide_band(1)
    sound *= 1 + depth * np.sin(2 * np.pi * hz * np.arange(len(sound)) / 16_000)
    result = read(sound, 16_000)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.015)
    assert result.warnings == ("flutter: the level of the tone wavers slowly; that was taken out",)


@pytest.mark.parametrize("delay_ms", [None, 250.0])
def test_a_level_that_wavers_fast_is_no_repeat(delay_ms):
    sound, truth = wide_band(1)
    sound *= 1 + 0.2 * np.sin(2 * np.pi * 3.0 * np.arange(len(sound)) / 16_000)
    result = read(sound, 16_000, delay_ms)
    assert result.flutter.weighted_percent == pytest.approx(truth, rel=0.015)
    assert result.warnings == (
        "flutter: the level of the tone wavers, which makes the reading less sure",
    )


def test_a_steady_tone_whose_level_wavers_fast_is_refused():
    # What beats as much as this would deviate by 0.25 * 5 / 3150, and hide 0.05 %.
    sound = tone(16_000, 6.5, [(0.9, 0.05, 0.0), (2.3, 0.03, 1.0)])
    sound *= 1 + 0.25 * np.sin(2 * np.pi * 5.0 * np.arange(len(sound)) / 16_000)
    result = read(sound, 16_000)
    assert result.flutter is None
    assert result.warnings == BEATS


def test_the_dry_tone_alone_tells_nothing_of_the_unit():
    result = read(tone(16_000, 8.0), 16_000)
    assert result.flutter is None
    assert result.warnings == (
        "flutter: the tone is steady within 0.004 %, as no tape is and the dry sound alone is; "
        "record what the unit plays",
    )


def coded(sound, name, level, tmp_path):
    """The sound as a lossy file gives it back; what the coder adds moves about the tone."""
    path = tmp_path / name
    soundfile.write(path, sound, 48_000, compression_level=level)
    return soundfile.read(path)[0]


@pytest.mark.parametrize(
    ("name", "level", "delay_ms"),
    [("a.ogg", 0.5, 300.0), ("a.ogg", 1.0, None), ("a.mp3", 0.5, 300.0)],
)
def test_a_tone_that_stands_still_in_a_lossy_file_is_told_so(name, level, delay_ms, tmp_path):
    still = coded(tone(48_000, 7.0, level=0.25), name, level, tmp_path)
    result = read(still, 48_000, delay_ms)
    assert result.flutter is None
    assert result.warnings == (
        "flutter: the tone stands still, as the dry sound alone does, but for a little too weak to "
        "read; record what the unit plays, best as WAV or FLAC",
    )


def test_a_weak_repeat_that_the_coder_hides_is_refused_by_what_can_be_read(tmp_path):
    dry, wet = (
        tone(48_000, 10.0, parts, level=level, lead=lead)
        for parts, level, lead in (((), 0.25, 1.0), ([(2.0, 0.2, 0.0)], 0.025, 1.3))
    )
    sound = coded(wet + np.pad(dry, (0, len(wet) - len(dry))), "a.mp3", 0.5, tmp_path)
    result = read(sound, 48_000, 300.0)
    assert result.flutter is None
    assert re.fullmatch(
        r"flutter: the tone lasts 10\.\d s, but only 0\.\d s of it can be read, without dropouts, "
        r"fades and beats; expected at least 5 s",
        result.warnings[0],
    )


def test_a_tone_full_of_gaps_is_refused():
    sound = tone(16_000, 8.0, [(4.0, 0.5, 0.0)], hiss=1e-4)
    for begin in range(20_000, 140_000, 3_200):
        sound[begin : begin + 1_100] = 0.0
    result = read(sound, 16_000)
    assert result.flutter is None
    assert re.fullmatch(
        r"flutter: the tone lasts 8\.0 s, but only 4\.\d s of it can be read, without dropouts, "
        r"fades and beats; expected at least 5 s",
        result.warnings[0],
    )
