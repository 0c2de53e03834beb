"""The moves of the hand in words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.songs.hand_moves import move_text
from tempotape.unit.model import Knob

NUMBERS = Knob(low=0.0, high=10.0, step=0.2)
CLOCK = Knob(low=0.0, high=10.0, step=0.5, marks="clock")
# 300 degrees from 7 o'clock to 5 o'clock: 30 degrees, one hour, a reading.
FINE_CLOCK = Knob(low=0.0, high=1000.0, step=1.0, marks="clock")


@pytest.mark.parametrize(
    ("knob", "hand", "to", "text"),
    [
        (NUMBERS, ("long", 6.0), ("short", 3.4), "switch to short, turn down to 3.4"),
        (NUMBERS, ("long", 3.0), ("long", 6.4), "turn up to 6.4"),
        (NUMBERS, ("long", 3.2), ("long", 3.6), "turn up a little to 3.6"),
        (NUMBERS, ("long", 3.6), ("short", 3.4), "switch to short, turn down a little to 3.4"),
        (NUMBERS, ("long", 3.41), ("long", 3.37), "leave it as it is"),
        (NUMBERS, ("long", 3.4), ("short", 3.4), "switch to short, leave the knob"),
        (NUMBERS, (None, None), ("short", 3.4), "switch to short, set the knob to 3.4"),
        (NUMBERS, ("short", None), ("short", 3.4), "set the knob to 3.4"),
        (NUMBERS, (None, 3.4), ("short", 3.4), "switch to short, leave the knob"),
        (CLOCK, ("long", 5.0), ("long", 8.0), "turn clockwise to 3 o'clock"),
        (CLOCK, ("long", 8.0), ("short", 1.0), "switch to short, turn anticlockwise to 8 o'clock"),
        (CLOCK, ("long", 5.0), ("long", 4.5), "turn anticlockwise a little to half past 11"),
        (FINE_CLOCK, ("long", 500.0), ("long", 502.0),
         "turn clockwise a little, still about 12 o'clock"),
        (NUMBERS, ("long", 6.0), ("sh\x1b[2Jort\n", 3.4), "switch to sh[2Jort , turn down to 3.4"),
    ],
)  # fmt: skip
def test_the_hand_is_told_what_to_do_in_few_words(knob, hand, to, text):
    assert move_text(knob, *hand, *to) == text


@given(st.floats(0, 10), st.floats(0, 10), st.sampled_from([NUMBERS, CLOCK]))
def test_up_and_clockwise_are_towards_the_higher_reading(before, after, knob):
    text = move_text(knob, "long", before, "long", after)
    if text == "leave it as it is":
        assert abs(after - before) <= knob.step * (1 + 1e-9)
        return
    rising = text.startswith(("turn up ", "turn clockwise "))
    assert rising != text.startswith(("turn down ", "turn anticlockwise "))
    assert rising == (after > before)
