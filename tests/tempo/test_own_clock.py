"""Our own clock is recognised when it comes back, and another's is not taken for it."""

import random

import pytest

from tempotape.tempo.incoming import IncomingClock
from tempotape.tempo.own_clock import OwnClock

START_S = 1000.0


def ticks_s(tempo_bpm, seconds, start_s=START_S):
    # MIDI 1.0: 24 timing clocks to a quarter note.
    return [start_s + n * 2.5 / tempo_bpm for n in range(int(seconds * tempo_bpm / 2.5))]


def delayed(rng, sent_s, delay_s, jitter_s, *, missing=0.0, doubled=0.0):
    """The ticks as they come back: late, evenly jittered, some lost and some twice."""
    came_s = []
    for time_s in sent_s:
        if rng.random() >= missing:
            arrival_s = time_s + delay_s + rng.uniform(0, jitter_s)
            came_s += [arrival_s] * (2 if rng.random() < doubled else 1)
    return sorted(came_s)


def verdicts(sent_s, came_s, own=None):
    """What each arrival is taken for, all told in the order of their times."""
    own = own or OwnClock()
    events = sorted([(t, 0) for t in sent_s] + [(t, 1) for t in came_s])
    return [own.heard(time_s) for time_s, came in events if came or own.sent(time_s)]


@pytest.mark.parametrize("tempo_bpm", [40.0, 120.0, 300.0])
@pytest.mark.parametrize("delay_s", [0.0, 0.0007, 0.02, 0.1234, 0.25])
@pytest.mark.parametrize("jitter_s", [0.0, 0.001, 0.003])
def test_ours_is_recognised_within_a_beat_and_a_half_and_for_good(tempo_bpm, delay_s, jitter_s):
    rng = random.Random(f"{tempo_bpm} {delay_s} {jitter_s}")
    sent_s = ticks_s(tempo_bpm, 30)
    told = verdicts(sent_s, delayed(rng, sent_s, delay_s, jitter_s))
    assert set(told[:24]) <= {"undecided", "own"}
    assert set(told[36:]) == {"own"}


def test_ours_is_recognised_with_ticks_lost_and_doubled():
    rng = random.Random(3)
    for _ in range(10):
        sent_s = ticks_s(120, 30)
        told = verdicts(sent_s, delayed(rng, sent_s, 0.03, 0.002, missing=0.05, doubled=0.03))
        assert "foreign" not in told
        assert set(told[36:]) == {"own"}


@pytest.mark.parametrize("tempo_bpm", [60.0, 120.0, 240.0])
@pytest.mark.parametrize("off_bpm", [-0.2, 0.2, 1.0, -7.0, 20.0, -30.0])
@pytest.mark.parametrize("jitter_s", [0.0003, 0.003])
def test_another_clock_is_not_taken_for_ours_for_more_than_a_few_beats(
    tempo_bpm, off_bpm, jitter_s
):
    rng = random.Random(f"{tempo_bpm} {off_bpm} {jitter_s}")
    sent_s = ticks_s(tempo_bpm, 60)
    came_s = delayed(rng, ticks_s(tempo_bpm + off_bpm, 60, START_S + 0.011), 0.0, jitter_s)
    told = verdicts(sent_s, came_s)
    # A fifth of a quarter a minute is 1.7 ms in a second at 120: jitter hides it for a while.
    assert set(told[9 * 24 :]) == {"foreign"}
    if abs(off_bpm) >= 7 and jitter_s < 0.001:
        assert "own" not in told


@pytest.mark.parametrize("delay_s", [0.01, 0.2])
def test_ours_stays_ours_when_we_change_the_tempo(delay_s):
    rng = random.Random(4)
    own = OwnClock()
    first_s = ticks_s(120, 10)
    second_s = ticks_s(140, 10, first_s[-1] + 2.5 / 140)
    came_s = delayed(rng, first_s + second_s, delay_s, 0.001)
    events = sorted([(t, 0) for t in first_s + second_s] + [(t, 1) for t in came_s])
    told = []
    for time_s, came in events:
        if time_s == second_s[0]:
            own.retimed(first_s[-1])
        if came:
            told.append(own.heard(time_s))
        else:
            own.sent(time_s)
    assert set(told[36:]) == {"own"}


def test_a_clock_that_was_there_before_we_led_stays_foreign_until_it_stops():
    came_s = ticks_s(120, 20)
    sent_s = ticks_s(120, 17, START_S + 3.003)
    own = OwnClock()
    assert set(verdicts(sent_s, came_s, own)) == {"foreign"}
    again_s = ticks_s(120, 3, START_S + 25)
    assert verdicts(again_s, [t + 0.005 for t in again_s], own)[-1] == "own"


def test_after_we_stop_leading_what_comes_is_foreign():
    sent_s = ticks_s(120, 5)
    told = verdicts(sent_s, ticks_s(120, 8, START_S + 0.004))
    assert told[len(sent_s) - 5] == "own"
    assert told[len(sent_s) + 30] == "foreign"


def test_a_clock_wrongly_called_foreign_is_taken_back():
    # Twenty ticks that wander as no delay does, then as constant as can be.
    sent_s = ticks_s(120, 20)
    came_s = [t + 0.004 * min(n, 20) for n, t in enumerate(sent_s)]
    told = verdicts(sent_s, came_s)
    assert "foreign" in told
    assert told[-1] == "own"


def heard_by(incoming, sent_s, came):
    for time_s, message in sorted([(t, None) for t in sent_s] + came, key=lambda one: one[0]):
        if message is None:
            incoming.sent([time_s])
        else:
            incoming.heard([(time_s, message)])


def test_our_own_clock_is_never_followed():
    incoming = IncomingClock()
    sent_s = ticks_s(120, 5)
    came = [(t + 0.01, b"\xf8") for t in sent_s]
    came.insert(0, (START_S + 0.009, b"\xfa"))
    for end in range(10, len(came), 10):
        heard_by(incoming, sent_s[end - 10 : end], came[end - 10 : end])
        reading = incoming.at(came[end - 1][0])
        assert (reading.state, reading.tempo_bpm, reading.running) == ("waiting", None, False)
    assert incoming.own


def test_another_clock_that_starts_while_we_lead_is_followed_with_nothing_lost():
    alone, incoming = IncomingClock(), IncomingClock()
    came = [(t, b"\xf8") for t in ticks_s(97, 5)]
    heard_by(incoming, ticks_s(120, 5), came)
    alone.heard(came)
    end_s = came[-1][0]
    assert incoming.at(end_s) == alone.at(end_s)
    assert incoming.at(end_s).tempo_bpm == pytest.approx(97, abs=0.01)
    assert not incoming.own


def test_what_is_held_back_is_bounded():
    incoming = IncomingClock()
    incoming.sent([START_S])
    incoming.heard([(START_S + 0.001 * n, b"\xfa") for n in range(10000)])
    assert incoming.at(START_S + 11).running
