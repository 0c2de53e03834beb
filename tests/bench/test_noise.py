"""The level of the quiet parts against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from tempotape.bench.noise import NoiseMeter
from tests.simulated_unit import clicks, hum, plucked

RATE_HZ = 16_000
FRAMES = 12 * RATE_HZ
T_S = np.arange(FRAMES) / RATE_HZ
HISS = 1e-3 * np.random.default_rng(1).normal(size=FRAMES)
TONE = 0.1 * np.sin(2 * np.pi * 3150 * T_S)
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


def test_blocks_of_any_length_give_the_same_level():
    assert level(HISS, block=997) == level(HISS, block=len(HISS))
