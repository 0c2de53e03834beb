"""The level of the quiet parts against closed forms."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tempotape.bench.noise import NoiseMeter
from tests.simulated_unit import clicks, hum, plucked

RATE_HZ = 16_000
FRAMES = 12 * RATE_HZ
T_S = np.arange(FRAMES) / RATE_HZ
HISS = 1e-3 * np.random.default_rng(1).normal(size=FRAMES)


def sine(hz):
    return np.sin(2 * np.pi * hz * T_S)


def repeated(sound, delay_s, gain):
    """The sound and its repeats, each `gain` times as loud as the one before."""
    heard = sound.copy()
    lag = round(delay_s * RATE_HZ)
    for k in range(1, 1 + len(sound) // lag):
        heard[k * lag :] += gain**k * sound[: -k * lag]
    return heard


TONE = 0.1 * sine(3150)
SIN_9 = np.sqrt(np.prod(np.arange(1, 18, 2) / np.arange(2, 19, 2)))  # rms of sin^9: Wallis
PHRASE = plucked(np.arange(0.2, 11.5, 0.5), [147.0] * 23, FRAMES, RATE_HZ)


def level(sound, block=10_007):
    meter = NoiseMeter(RATE_HZ)
    for begin in range(0, len(sound), block):
        meter.feed(sound[begin : begin + block])
    return meter.result()


@pytest.mark.parametrize(
    ("sound", "dbfs"),
    [
        # 20 log10 of the rms, by definition of dB re full scale.
        (HISS, -60.0),
        (HISS + 0.1, -60.0),
        (HISS + hum(FRAMES, RATE_HZ, 0.01), 10 * np.log10(1e-4 + 1e-6)),
        (HISS + clicks(np.arange(0.5, 8.0, 0.7), FRAMES, RATE_HZ), -60.0),
        (HISS + PHRASE * (T_S < 7), -60.0),
        (HISS + TONE * (T_S < 9), -60.0),
        (HISS[: 5 * RATE_HZ // 4], -60.0),
        # Lines of a motor that turns 24.6 times a second; a buzz of twice the mains' frequency.
        (HISS + 0.01 * sine(24.6) + 0.005 * sine(73.8), 10 * np.log10(1e-6 + 6.25e-5)),
        (HISS / 100 + 0.01 * sine(99.9) ** 9, 20 * np.log10(0.01 * SIN_9)),
        # Repeats that die away, and hiss that goes round with them: 1 / (1 - g^2) in power.
        (HISS + repeated(clicks([0.5, 4.5], FRAMES, RATE_HZ), 0.2, 0.6), -60.0),
        (repeated(HISS, 0.4, 0.5), -60.0 - 10 * np.log10(1 - 0.5**2)),
        # Only at the end, after more than five minutes.
        (np.concatenate([np.tile(HISS + TONE, 26), HISS]), -60.0),
    ],
)
def test_the_level_of_the_quiet_parts_is_within_a_quarter_of_a_decibel(sound, dbfs):
    result = level(sound)
    assert result.warnings == ()
    assert result.noise.dbfs == pytest.approx(dbfs, abs=0.25)
    assert result.noise.spread_db < 0.5
    assert result.noise.seconds >= 1.0


NOTHING_QUIET = "noise: nothing is quiet for a second; leave some silence in the recording"


@pytest.mark.parametrize(
    ("sound", "told"),
    [
        (np.zeros(FRAMES), "noise: the quiet parts are digital silence"),
        (PHRASE * (T_S < 5), "noise: the quiet parts are digital silence"),
        (PHRASE + HISS / 100, NOTHING_QUIET),
        (TONE + HISS, NOTHING_QUIET),
        (300 * HISS, NOTHING_QUIET),
        # A held organ-like note is steady, but the sound falls lower between the notes.
        (HISS / 100 + 0.05 * hum(FRAMES, RATE_HZ, 1.0) * (T_S % 3 < 2.3), NOTHING_QUIET),
        (HISS[: RATE_HZ // 2], "noise: the recording is shorter than 1 s"),
        (HISS[:0], "noise: the recording is shorter than 1 s"),
    ],
)
def test_where_nothing_is_quiet_the_reason_is_told(sound, told):
    result = level(sound)
    assert result.noise is None
    assert result.warnings == (told,)


CHORD = 0.003 * sine(147.0) + 0.005 * sine(196.0) + 0.004 * sine(247.0)
STRUMMED = plucked(
    0.2 + 0.4 * np.arange(29), np.resize([147.0, 220.0, 294.0, 175.0, 262.0], 29), FRAMES, RATE_HZ
)


@pytest.mark.parametrize(
    ("sound", "told"),
    [
        (CHORD, "mostly a tone of 196 Hz that is no hum"),
        # The level of a tenth of a second stays the same; between the repeats there is only hiss.
        (repeated(clicks([0.05], FRAMES, RATE_HZ, "burst", 0.05), 0.08, 1.0), "repeats sound on"),
        # Between harmonics of 50 Hz that lie closer than the mains' frequency is known there.
        (HISS + 2e-3 * sine(3010.0), "mostly a tone of 3010 Hz that is no hum"),
        (repeated(STRUMMED, 0.45, 0.9), "notes or repeats sound on, "),
        (30 * HISS * 10 ** (-2.0 * T_S / 20), r"still falls, by (1\.[89]|2\.[012]) dB a second"),
    ],
    ids=["chord", "repeats", "high tone", "phrase and repeats", "dying away"],
)
def test_what_sounds_on_is_not_taken_for_noise(sound, told):
    result = level(sound + HISS / 100)
    assert result.noise is None
    assert re.search(told, *result.warnings)
    assert re.search("silence|died away", *result.warnings)


def test_blocks_of_any_length_give_the_same_level():
    assert level(HISS, block=997) == level(HISS, block=len(HISS))
