"""The plan of the clock we send, followed as a drum machine follows it, with a scripted time."""

import math

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.tempo.link_protocol import GoOn, Halt, Lead, Locate, Play
from tempotape.tempo.tick_plan import TickPlan, song_position


class Follower:
    """Follows as the MIDI 1.0 Detailed Specification says, System Real Time messages.

    After Start the next clock is the first of the song; Song Position tells in MIDI beats of six
    clocks where Continue goes on; Stop leaves the place as it is. `clock` is the place of the last
    clock of the song that came.
    """

    def __init__(self):
        self.place, self.clock, self.running, self.heard = 0, None, False, []

    def hear(self, message):
        # mido is the reference for what the bytes mean.
        parsed = mido.Message.from_bytes(message)
        self.heard.append(parsed.type)
        if parsed.type == "start":
            self.place, self.running = 0, True
        elif parsed.type == "songpos":
            self.place = 6 * parsed.pos
        elif parsed.type == "continue":
            self.running = True
        elif parsed.type == "stop":
            self.running = False
        elif self.running:
            self.clock = self.place
            self.place += 1


def run(plan, until_s, follower=None):
    """Send all that is due up to `until_s`, each when it is; gives times and messages."""
    sent = []
    while plan.due_s is not None and plan.due_s <= until_s:
        now_s = max(plan.due_s, sent[-1][0] if sent else 0.0)
        for message in plan.take(now_s):
            sent.append((now_s, message))
            if follower:
                follower.hear(message)
    return sent


def leading(tempo_bpm=125.0, at_s=10.0):
    """A plan that has led for half a second; 125 to the quarter is a tick each 20 ms."""
    plan = TickPlan()
    plan.tell(Lead(tempo_bpm), at_s)
    run(plan, at_s + 0.505)
    return plan


@pytest.mark.parametrize("tempo_bpm", [15.0, 63.7, 137.31, 480.0])
def test_ticks_are_24_a_quarter_for_five_minutes_to_a_part_in_a_hundred_million(tempo_bpm):
    plan = TickPlan()
    plan.tell(Lead(tempo_bpm), 123456.789)
    times_s = [time_s for time_s, _ in run(plan, 123456.789 + 300)]
    gap_s = (times_s[-1] - times_s[0]) / (len(times_s) - 1)
    assert 60 / 24 / gap_s == pytest.approx(tempo_bpm, rel=1e-8)
    # None is off by more than the float's own grain at such times, so nothing adds up.
    ideal_s = [times_s[0] + n * 2.5 / tempo_bpm for n in range(len(times_s))]
    assert max(abs(a - b) for a, b in zip(times_s, ideal_s, strict=True)) < 1e-9


@pytest.mark.parametrize("midi_beat", [0, 1, 127, 128, 16383])
def test_song_position_is_what_another_library_reads(midi_beat):
    assert mido.Message.from_bytes(song_position(midi_beat)).pos == midi_beat


def test_start_is_midway_before_the_tick_that_is_beat_0():
    plan = leading()
    plan.tell(Play(), 10.505)
    follower = Follower()
    sent = run(plan, 10.545, follower)
    assert [time_s for time_s, _ in sent] == pytest.approx([10.51, 10.52, 10.54])
    assert follower.heard == ["start", "clock", "clock"]
    assert (follower.clock, plan.position) == (1, 2)


def test_start_waits_for_the_next_gap_when_this_one_is_half_over():
    plan = leading()
    plan.tell(Play(), 10.515)
    follower = Follower()
    sent = run(plan, 10.545, follower)
    assert [time_s for time_s, _ in sent] == pytest.approx([10.52, 10.53, 10.54])
    assert follower.heard == ["clock", "start", "clock"]


def test_stop_is_sent_at_once_and_the_clock_goes_on_from_the_place_remembered():
    plan = leading()
    plan.tell(Play(), 10.505)
    run(plan, 10.665)
    assert plan.position == 8
    plan.tell(Halt(), 10.667)
    follower = Follower()
    plan.take(10.667)
    run(plan, 11.0, follower)
    assert set(follower.heard) == {"clock"}
    assert (plan.playing, plan.position) == (False, 8)
    plan.tell(Halt(), 11.0)
    assert plan.due_s == pytest.approx(11.0, abs=0.021)


def test_going_on_tells_the_next_sixteenth_and_the_clock_after_continue_is_that_place():
    plan = leading()
    plan.tell(Play(), 10.505)
    run(plan, 10.665)
    plan.tell(Halt(), 10.667)
    plan.take(10.667)
    plan.tell(GoOn(), 10.67)
    assert plan.take(10.67) == [song_position(2)]
    follower = Follower()
    follower.place = 12
    sent = run(plan, 10.765, follower)
    assert follower.heard == ["clock", "clock", "clock", "continue", "clock", "clock"]
    # Not before a twentieth of a second, and midway between ticks.
    assert sent[3][0] == pytest.approx(10.73)
    assert (follower.clock, plan.position) == (13, 14)


def test_a_place_can_be_given_while_halted_only():
    plan = leading()
    plan.tell(Locate(40), 10.505)
    plan.tell(GoOn(), 10.505)
    assert plan.take(10.505)[0] == song_position(40)
    run(plan, 10.6)
    before = plan.position
    plan.tell(Locate(3), 10.6)
    assert plan.position == before > 240


def test_a_place_beyond_what_song_position_can_tell_is_the_last_that_it_can():
    plan = leading()
    plan.tell(Locate(20000), 10.505)
    plan.tell(GoOn(), 10.505)
    assert plan.take(10.505)[0] == song_position(16383)
    run(plan, 10.7)
    # Then there is nothing to announce.
    plan.announce(10.7)
    assert plan.take(10.7) == []


def test_a_change_of_tempo_keeps_the_phase():
    plan = leading()
    # The next tick is due at 10.52, in a quarter of a period: the same of the new 10 ms.
    plan.tell(Lead(250.0), 10.515)
    assert [time_s for time_s, _ in run(plan, 10.54)] == pytest.approx([10.5175, 10.5275, 10.5375])


def test_a_tick_already_overdue_at_a_change_of_tempo_is_still_due_then():
    plan = leading()
    plan.tell(Lead(250.0), 10.525)
    assert plan.due_s == pytest.approx(10.52)


def test_a_late_tick_is_sent_at_once_and_only_once():
    plan = leading()
    assert plan.take(10.535) == [b"\xf8"]
    assert plan.take(10.535) == []
    assert plan.due_s == pytest.approx(10.54)


def test_after_being_held_up_no_heap_of_ticks_is_sent():
    plan = leading()
    plan.tell(Play(), 10.505)
    run(plan, 10.545)
    assert plan.take(100.0) == [b"\xf8"]
    assert plan.position == 3
    assert plan.due_s == pytest.approx(100.02)


def test_leading_no_more_stops_the_song_and_sends_nothing():
    plan = leading()
    plan.tell(Play(), 10.505)
    run(plan, 10.6)
    plan.tell(Lead(None), 10.6)
    assert plan.take(10.6) == [b"\xfc"]
    assert (plan.due_s, plan.leading, plan.playing) == (None, False, False)


@pytest.mark.parametrize("command", [Play(), GoOn(), Halt()])
def test_without_a_clock_no_song_starts(command):
    plan = TickPlan()
    plan.tell(command, 1.0)
    plan.announce(1.0)
    assert (plan.due_s, plan.playing) == (None, False)


@pytest.mark.parametrize("lost", [None, 0, 1])
def test_a_follower_found_late_is_told_the_place_without_a_break(lost):
    plan = leading()
    plan.tell(Play(), 10.505)
    run(plan, 11.0)
    plan.announce(11.0)
    sent = run(plan, 11.3)
    assert [message[:1] for _, message in sent[:3]] == [b"\xfc", b"\xf2", b"\xf8"]
    said = [place for place, (_, message) in enumerate(sent) if message == b"\xfb"]
    # Twice between the same two clocks, 5 ms apart: the transport may lose either.
    assert [sent[place + 1][0] - sent[place][0] for place in said] == pytest.approx([0.005, 0.005])
    assert (len(said), said[1] - said[0]) == (2, 1)
    follower = Follower()
    for place, (_, message) in enumerate(sent):
        if lost is None or place != said[lost]:
            follower.hear(message)
    assert (follower.running, follower.place) == (True, plan.position)


def test_a_follower_found_just_before_the_song_goes_on_is_told_again_where():
    plan = leading()
    plan.tell(Locate(5), 10.505)
    plan.tell(GoOn(), 10.505)
    run(plan, 10.53)
    plan.announce(10.53)
    follower = Follower()
    run(plan, 11.0, follower)
    assert follower.heard[:2] == ["stop", "songpos"]
    assert (follower.running, follower.place) == (True, plan.position)


def test_a_follower_found_just_before_the_song_starts_hears_the_start_alone():
    plan = leading()
    plan.tell(Play(), 10.505)
    plan.announce(10.505)
    follower = Follower()
    run(plan, 10.6, follower)
    assert follower.heard[:2] == ["start", "clock"]
    assert follower.place == plan.position


COMMANDS = st.one_of(
    st.builds(Lead, st.one_of(st.none(), st.floats(15, 480))),
    st.just(Play()),
    st.just(Halt()),
    st.just(GoOn()),
    st.builds(Locate, st.integers(-5, 17000)),
    st.just("announce"),
)


@given(st.lists(st.tuples(st.floats(0, 0.4), COMMANDS), max_size=12))
def test_a_follower_is_where_the_plan_is_whatever_is_told(steps):
    plan, follower, now_s = TickPlan(), Follower(), 100.0
    plan.tell(Lead(120.0), now_s)
    for wait_s, command in steps:
        now_s += wait_s
        run(plan, now_s, follower)
        if command == "announce":
            plan.announce(now_s)
        else:
            plan.tell(command, now_s)
        for message in plan.take(now_s):
            follower.hear(message)
        assert plan.due_s is None or math.isfinite(plan.due_s)
    run(plan, now_s + 1.0, follower)
    assert follower.running == plan.playing
    if plan.playing:
        assert follower.place == plan.position
