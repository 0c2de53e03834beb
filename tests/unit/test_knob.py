"""Knob readings as the player reads them."""

import pytest

from tempotape.unit.knob import (
    knob_figure,
    knob_text,
    mark_text,
    pointer_deg,
    told_exactly,
    travel,
)
from tempotape.unit.model import Knob

NUMBERS = Knob(low=0, high=10, step=0.2)
# Read by the hour, so that the reading itself says what the text must be: 14.5 is half past 2.
CLOCK = Knob(low=7, high=17, step=0.05, marks="clock")


@pytest.mark.parametrize(
    ("step", "reading", "text"),
    [
        (0.2, 6.4, "6.4"),
        (0.2, 6.44, "6.4"),
        (0.2, 6.51, "6.6"),
        (0.05, 6.449, "6.45"),
        (0.25, 6.3, "6.25"),
        (1.0, 6.4, "6"),
        (0.0001, 6.43218, "6.4322"),
        (0.2, -0.04, "0.0"),
    ],
)
def test_numbers_are_rounded_to_what_a_hand_can_set(step, reading, text):
    knob = Knob(low=0, high=10, step=step)
    assert knob_text(knob, reading) == text
    assert knob_figure(knob, reading) == text


@pytest.mark.parametrize(
    ("knob", "reading", "up", "found"),
    [
        (NUMBERS, 6.41, True, 6.6),
        (NUMBERS, 6.59, False, 6.4),
        (NUMBERS, 6.4, True, 6.4),
        (NUMBERS, 6.4, False, 6.4),
        # Five minutes of the clock are a twelfth of an hour.
        (CLOCK, 14.51, True, 14 + 7 / 12),
        (CLOCK, 14.49, False, 14 + 5 / 12),
        (CLOCK, 14.5, True, 14.5),
    ],
)
def test_the_next_reading_that_is_told_as_it_is(knob, reading, up, found):
    assert told_exactly(knob, reading, up=up) == pytest.approx(found)
    assert "about" not in knob_text(knob, found)


@pytest.mark.parametrize(
    ("step", "reading", "text"),
    [(0.2, 5.0, "5.0"), (0.2, 5.5, "5.5"), (0.4, 9.0, "9"), (0.1, 0.1 + 0.2, "0.3"), (2, 7, "7")],
)
def test_a_reading_off_the_steps_is_told_unrounded(step, reading, text):
    assert mark_text(Knob(low=0, high=10, step=step), reading) == text
    assert mark_text(CLOCK, 14.48) == "about half past 2"


def test_steps_count_from_the_low_end_stop():
    assert knob_text(Knob(low=0.5, high=10.5, step=1), 6.4) == "6.5"


@pytest.mark.parametrize(
    ("hour", "text", "figure"),
    [
        (12, "12 o'clock", "12:00"),
        (14.5, "half past 2", "2:30"),
        (14.48, "about half past 2", "2:30"),
        (7, "7 o'clock", "7:00"),
        (17, "5 o'clock", "5:00"),
        (9.25, "quarter past 9", "9:15"),
        (9 + 1 / 12, "5 past 9", "9:05"),
        (9 + 35 / 60, "25 to 10", "9:35"),
        (9.75, "quarter to 10", "9:45"),
        (12 + 55 / 60, "5 to 1", "12:55"),
        (12.99, "about 1 o'clock", "1:00"),
        (11.999, "12 o'clock", "12:00"),
    ],
)
def test_a_clock_face_is_read_in_words(hour, text, figure):
    assert knob_text(CLOCK, hour) == text
    assert knob_figure(CLOCK, hour) == figure


def test_a_coarse_hand_reads_quarters_of_an_hour():
    coarse = Knob(low=7, high=17, step=0.25, marks="clock")
    assert knob_text(coarse, 14.1) == "about 2 o'clock"
    assert knob_text(coarse, 14.15) == "about quarter past 2"


def test_readings_of_any_scale_show_as_hours():
    # From 0 to 10 over 300 degrees, each reading is one hour from 7 o'clock on.
    plain = Knob(low=0, high=10, step=0.05, marks="clock")
    assert knob_text(plain, 5) == "12 o'clock"
    assert knob_text(plain, 7.5) == "half past 2"


@pytest.mark.parametrize(("reading", "deg"), [(0, -150), (5, 0), (10, 150), (7.5, 75)])
def test_the_pointer_turns_evenly_about_straight_up(reading, deg):
    # A usual pot turns 300 degrees, from 7 o'clock to 5 o'clock (common practice, no source).
    assert pointer_deg(NUMBERS, reading) == pytest.approx(deg)
    assert travel(NUMBERS, reading) == pytest.approx(reading / 10)
