"""A rehearsal against the clock."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.songs.rehearsal import (
    Countdown,
    Handwork,
    Item,
    Played,
    begun,
    called,
    countdown,
    hand_ready,
    handwork,
    section_begun,
    song_begun,
    song_ended,
    with_lengths,
)

EVENING = (
    Item("Low Tide", gap_s=60.0, length_s=180.0, move="set the knob to 4.0"),
    Item("Lantern Street", gap_s=15.0, length_s=200.0),
    Item("Lantern Street", "bridge", 0.0, 40.0, "turn up to 5.0", inside=True),
    Item("Lantern Street", "out", 0.0, 30.0, inside=True),
    Item("Slow Bell", gap_s=20.0, length_s=300.0, move="switch to short, turn down to 3.4"),
)


def test_a_gap_counts_down_and_goes_on_below_nothing_when_late():
    gap = begun(EVENING, 1000.0)
    assert [countdown(gap, 1000.0 + s).gap_left_s for s in (0, 45, 60, 72.5)] == [60, 15, 0, -12.5]
    assert countdown(gap, 990.0).gap_left_s == 60, "a clock that steps back takes nothing away"


def test_a_whole_evening_is_measured():
    show = begun(EVENING, 0.0)
    show = hand_ready(show, 12.0)
    show = song_begun(show, 50.0)
    show = song_ended(show, 231.0)
    show = song_begun(show, 250.0)
    show = section_begun(show, 455.0)
    show = hand_ready(show, 457.5)
    show = section_begun(show, 490.0)
    show = song_ended(show, 522.0)
    show = song_begun(show, 550.0)
    show = song_ended(show, 845.0)
    assert show.over
    assert show.played == (
        Played(0, 50.0, 12.0, 181.0),
        Played(1, 19.0, None, 205.0),
        Played(2, None, 2.5, 35.0),
        Played(3, None, None, 32.0),
        Played(4, 28.0, None, 295.0),
    )
    assert handwork(show) == (
        Handwork(0, "set the knob to 4.0", 12.0, 60.0),
        Handwork(2, "turn up to 5.0", 2.5, 0.0),
        # Nobody said that the hand was ready: it took at most the gap, and that was too long.
        Handwork(4, "switch to short, turn down to 3.4", 28.0, 20.0),
    )
    assert [work.enough for work in handwork(show)] == [True, False, False]
    assert [item.length_s for item in with_lengths(EVENING, show.played)] == [
        181, 205, 35, 32, 295
    ]  # fmt: skip
    assert countdown(show, 900.0) == Countdown(None, None, None, None)


def test_the_next_move_is_told_ahead_through_songs_that_need_none():
    show = begun(EVENING, 0.0)
    assert countdown(show, 10.0) == Countdown(50.0, None, 0, 0.0)
    show = hand_ready(show, 20.0)
    # Then: 40 s of gap, Low Tide 180, the next gap 15 and Lantern Street 200 until its bridge.
    assert countdown(show, 20.0) == Countdown(40.0, None, 2, 40.0 + 180 + 15 + 200)
    show = song_begun(show, 60.0)
    assert countdown(show, 70.0) == Countdown(None, 170.0, 2, 170.0 + 15 + 200)
    show = song_begun(song_ended(show, 240.0), 255.0)
    assert countdown(show, 300.0) == Countdown(None, 155.0, 2, 155.0)
    assert countdown(show, 500.0) == Countdown(None, -45.0, 2, 0.0), "longer than expected"
    show = section_begun(show, 455.0)
    assert countdown(show, 456.0) == Countdown(None, 39.0, 2, 0.0), "to be moved now"
    show = hand_ready(show, 457.0)
    # The bridge's other 38 s and the last section; the gap is the hand's own time.
    assert countdown(show, 457.0) == Countdown(None, 38.0, 4, 38.0 + 30)
    show = song_begun(song_ended(show, 525.0), 545.0)
    assert countdown(show, 545.0) == Countdown(None, 300.0, None, None)


def test_what_is_not_known_is_not_made_up():
    items = (Item("A"), Item("B", gap_s=10.0), Item("C", move="turn up to 3", length_s=60.0))
    show = begun(items, 0.0)
    assert countdown(show, 5.0) == Countdown(None, None, 2, None)
    show = song_begun(song_ended(song_begun(show, 5.0), 100.0), 104.0)
    assert countdown(show, 110.0) == Countdown(None, None, 2, None)
    show = song_ended(show, 200.0)
    assert countdown(show, 210.0) == Countdown(None, None, 2, 0.0)
    show = song_ended(song_begun(show, 215.0), 275.0)
    assert handwork(show) == (Handwork(2, "turn up to 3", 15.0, None),)
    assert handwork(show)[0].enough is None


def test_a_move_inside_a_song_that_nobody_timed_is_not_judged():
    show = song_begun(begun(EVENING[1:4], 0.0), 10.0)
    show = song_ended(section_begun(show, 200.0), 240.0)
    assert handwork(show) == (Handwork(1, "turn up to 5.0", None, 0.0),)
    assert handwork(show)[0].enough is None
    assert show.over, "the section that was left out is passed over"


def test_a_hand_that_is_ready_only_after_the_song_began_was_late():
    show = song_begun(begun(EVENING, 0.0), 61.0)
    show = song_ended(hand_ready(show, 64.0), 240.0)
    assert show.played == (Played(0, 61.0, 64.0, 179.0),)
    assert handwork(show)[0].enough is False


def test_another_song_may_be_called_while_the_gap_runs():
    show = called(hand_ready(begun(EVENING, 0.0), 3.0), 4)
    assert countdown(show, 5.0) == Countdown(15.0, None, 4, 0.0)
    show = song_ended(song_begun(hand_ready(show, 8.0), 9.0), 300.0)
    assert show.played == (Played(4, 9.0, 8.0, 291.0),)


def test_events_that_do_not_fit_the_moment_change_nothing():
    gap = begun(EVENING, 0.0)
    playing = song_begun(gap, 10.0)
    over = begun((), 0.0)
    assert song_ended(gap, 5.0) == section_begun(gap, 5.0) == gap
    assert called(gap, 9) == called(gap, -1) == gap
    assert song_begun(playing, 20.0) == section_begun(playing, 20.0) == called(playing, 3)
    assert called(playing, 3) == playing
    assert hand_ready(hand_ready(gap, 5.0), 9.0) == hand_ready(gap, 5.0)
    assert hand_ready(called(gap, 1), 5.0) == called(gap, 1), "there is nothing to move for"
    assert over == song_begun(over, 1.0) == hand_ready(over, 1.0)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([song_begun, section_begun, song_ended, hand_ready]),
            st.floats(0, 1000),
        ),
        max_size=40,
    )
)
def test_gaps_and_lengths_add_up_to_the_time_that_has_passed(events):
    """Nothing is counted twice or lost: every second belongs to one gap or one item."""
    show, now_s = begun(EVENING, 100.0), 100.0
    for event, step_s in events:
        now_s += step_s
        show = event(show, now_s)
        counted_s = sum(one.length_s + (one.gap_s or 0.0) for one in show.played)
        counted_s += show.gap_s or 0.0
        assert counted_s == pytest.approx(show.since_s - 100.0)
        assert [one.place for one in show.played] == sorted({one.place for one in show.played})
        told = countdown(show, now_s)
        assert told.next_move is None or told.next_move >= show.at
        assert told.next_move_s is None or told.next_move_s >= 0
