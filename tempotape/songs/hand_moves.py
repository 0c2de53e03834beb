"""What the hand must do from one setting to the next, in words."""

from __future__ import annotations

from tempotape.songs.choices import knob_mark
from tempotape.text import printable
from tempotape.unit.knob import knob_text, pointer_deg
from tempotape.unit.model import Knob

# Within so many hand steps, a turn is a little one (our own choice).
_LITTLE_STEPS = 2
LEAVE = "leave it as it is"


def move_text(
    knob: Knob, from_head: str | None, from_knob: float | None, to_head: str, to_knob: float
) -> str:
    """What the hand must do, in words; where it stands now is None while that is not known.

    Up is towards the higher reading; a knob that is read as a clock face turns clockwise instead.
    Readings that a hand cannot tell apart are the same. "switch to short, turn down to 3.4",
    "turn up a little to 3.6", "leave it as it is".
    """
    head = printable(to_head)
    turn = _turn(knob, from_knob, to_knob)
    if from_head == to_head:
        return turn or LEAVE
    return f"switch to {head}, {turn or 'leave the knob'}"


def _turn(knob: Knob, from_knob: float | None, to_knob: float) -> str:
    """How to turn the knob, empty where not at all."""
    to = knob_text(knob, to_knob)
    if from_knob is None:
        return f"set the knob to {to}"
    steps = knob_mark(knob, to_knob) - knob_mark(knob, from_knob)
    if steps == 0:
        return ""
    rising = pointer_deg(knob, to_knob) > pointer_deg(knob, from_knob)
    words = ("down", "up") if knob.marks == "numbers" else ("anticlockwise", "clockwise")
    little = " a little" if abs(steps) <= _LITTLE_STEPS else ""
    # On a clock face a small turn may end at the mark where it began.
    same = to.removeprefix("about ") == knob_text(knob, from_knob).removeprefix("about ")
    joined = ", still" if same else " to"
    return f"turn {words[rising]}{little}{joined} {to}"
