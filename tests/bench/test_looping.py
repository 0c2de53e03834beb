"""The loop that explains how a tone beats, against tones built by the loop's own recursion."""

from __future__ import annotations

import numpy as np
import pytest

from tempotape.bench.looping import HeardTone, loops, turns_hz, window_of

RATE_HZ = 200.0


def beating(lag, *, dry, feedback, size, seconds=16.0, seed=3):
    """`D + y` with `y(n) = c(n) (size + feedback y(n - lag))`, and `c` of size 1 turning about."""
    rng = np.random.default_rng(seed)
    count = int(seconds * RATE_HZ)
    drift = np.cumsum(rng.normal(size=count)) / RATE_HZ
    c = np.exp(1j * (2.0 * np.sin(2 * np.pi * 0.7 * np.arange(count) / RATE_HZ) + 8 * drift))
    y = np.zeros(count, dtype=complex)
    for n in range(count):
        y[n] = c[n] * (size + feedback * (y[n - lag] if n >= lag else 0.0))
    return dry + y


def even(signal):
    """Heard with a lag that does not move."""
    return HeardTone(signal, np.arange(len(signal)), signal)


@pytest.mark.parametrize(
    ("lag", "dry", "feedback"),
    [(25, 0.8 - 0.3j, 0.5j), (120, 0.0, -0.3), (60, 1.5, 0.8 + 0.3j), (200, 0.4j, 0.2)],
)
def test_lag_dry_tone_and_feedback_are_found_at_once(lag, dry, feedback):
    signal = beating(lag, dry=dry, feedback=feedback, size=1.0)
    usual = np.median(np.abs(signal))
    window = window_of(len(signal), RATE_HZ, None, 0.0)
    best, *others = loops(even(signal / usual), RATE_HZ, window, np.zeros(1), most=3)
    assert best.lag_s * RATE_HZ == pytest.approx(lag)
    assert best.misfit < 1e-4
    assert all(other.misfit > 0.02 for other in others)
    assert best.dry * usual == pytest.approx(dry, abs=1e-3)
    assert best.size * usual == pytest.approx(1.0, abs=1e-3)
    assert best.feedback == pytest.approx(feedback, abs=1e-3)


def test_the_frame_that_the_tone_was_played_in_is_found():
    signal = beating(80, dry=0.5, feedback=0.4, size=1.0)
    signal = signal * np.exp(2j * np.pi * 0.13 * np.arange(len(signal)) / RATE_HZ)
    usual = np.median(np.abs(signal))
    window = window_of(len(signal), RATE_HZ, None, 0.0)
    frames = turns_hz(0.0, 0.3, window, RATE_HZ)
    assert frames[0] <= -0.3
    assert frames[-1] >= 0.3
    best = loops(even(signal / usual), RATE_HZ, window, frames, most=3)[0]
    assert best.lag_s * RATE_HZ == pytest.approx(80)
    assert best.turn_hz == pytest.approx(0.13, abs=float(frames[1] - frames[0]))


def test_a_lag_that_moves_by_more_than_a_turn_of_the_tone_is_found_by_its_mean():
    count, lag = int(16 * RATE_HZ), 90
    numbers = np.arange(count)
    moves = np.rint(6 * np.sin(2 * np.pi * 0.4 * numbers / RATE_HZ)).astype(int)
    # 16 turns of phase either way: what the tone is like is gone within a few samples.
    c = np.exp(-2j * np.pi * 16 * np.sin(2 * np.pi * 0.4 * numbers / RATE_HZ))
    y = np.zeros(count, dtype=complex)
    for n in numbers:
        written = n - lag - moves[n]
        y[n] = c[n] * (1.0 + 0.5j * (y[written] if written >= 0 else 0.0))
    usual = np.median(np.abs(y))
    window = window_of(count, RATE_HZ, None, 0.0)
    still = loops(even(y / usual), RATE_HZ, window, np.zeros(1), most=3)
    assert all(loop.misfit > 0.2 for loop in still)
    place = np.interp(numbers, numbers - moves, numbers)
    whole = np.clip(np.rint(place).astype(int), 0, count - 1)
    moved = HeardTone(y[whole] / usual, place, y / usual)
    best = loops(moved, RATE_HZ, window, np.zeros(1), most=3)[0]
    assert best.lag_s * RATE_HZ == pytest.approx(lag)
    assert best.misfit < 0.05
    assert best.feedback == pytest.approx(0.5j, abs=0.02)


def test_an_even_size_has_no_loop_and_a_known_delay_bounds_the_lags():
    signal = beating(80, dry=0.0, feedback=0.0, size=1.0)
    signal = signal * (1 + 0.2 * np.random.default_rng(0).normal(size=len(signal)))
    window = window_of(len(signal), RATE_HZ, None, 0.0)
    assert loops(even(signal), RATE_HZ, window, np.zeros(1), most=3) == []
    near = window_of(len(signal), RATE_HZ, 0.4, 0.01)
    assert near.lags == (78, 82)


def test_a_tone_too_short_for_any_lag_has_no_window():
    assert window_of(int(3.0 * RATE_HZ), RATE_HZ, None, 0.0) is None
