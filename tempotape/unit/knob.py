"""A knob reading as the player reads it."""

from __future__ import annotations

import math

from tempotape.unit.model import Knob

# Words of the clock face for each five minutes past the hour, and before the next one.
_PAST = ("", "5 past", "10 past", "quarter past", "20 past", "25 past", "half past")
_BEFORE = ("25 to", "20 to", "quarter to", "10 to", "5 to")
DEG_PER_HOUR = 30.0
# A reading that arithmetic puts this part of a mark beside one is on it.
_ON_MARK = 1e-6


def travel(knob: Knob, reading: float) -> float:
    """How far the knob is turned, from 0.0 at `low` to 1.0 at `high`."""
    return (reading - knob.low) / (knob.high - knob.low)


def pointer_deg(knob: Knob, reading: float) -> float:
    """Where the pointer stands, in degrees clockwise from straight up.

    The end stops lie evenly about straight down, as on a usual pot: a sweep of 300 degrees runs
    from 7 o'clock to 5 o'clock.
    """
    return (travel(knob, reading) - 0.5) * knob.sweep_deg


def knob_text(knob: Knob, reading: float) -> str:
    """The reading in the unit's own marks: `6.4`, or `about half past 2` on a clock face.

    Numbers are rounded to what a hand can set, whole steps from `low`. A clock position is rounded
    to five minutes (2.5 degrees), or to a quarter of an hour where the hand sets no finer than
    that; `about` says that the pointer stands off the mark named.
    """
    if knob.marks == "numbers":
        steps = round((reading - knob.low) / knob.step)
        return f"{knob.low + steps * knob.step + 0.0:.{_decimals(knob)}f}"
    words, off_minutes = _clock_words(knob, reading)
    return f"about {words}" if abs(off_minutes) > 0.5 else words


def told_exactly(knob: Knob, reading: float, *, up: bool) -> float:
    """The first reading from `reading` on, upwards or downwards, that `knob_text` tells as it is.

    >>> told_exactly(Knob(low=0, high=10, step=0.2), 6.41, up=True)
    6.6
    """
    size, origin = knob.step, knob.low
    if knob.marks == "clock":
        size = _grain_minutes(knob) / 60 * DEG_PER_HOUR * (knob.high - knob.low) / knob.sweep_deg
        origin = (knob.low + knob.high) / 2  # straight up
    marks = (reading - origin) / size
    mark = math.ceil(marks - _ON_MARK) if up else math.floor(marks + _ON_MARK)
    # Rounding takes off what multiplying adds.
    return round(origin + mark * size, 9)


def reading_text(knob: Knob, reading: float) -> str:
    """A reading as it was measured or written, not rounded to what a hand can set."""
    return f"{reading:.4g}" if knob.marks == "numbers" else knob_text(knob, reading)


def mark_text(knob: Knob, reading: float) -> str:
    """The reading as `knob_text` tells it where it stands on one of its steps, else unrounded.

    >>> knob = Knob(low=0, high=10, step=0.2)
    >>> mark_text(knob, 5), mark_text(knob, 5.5)
    ('5.0', '5.5')
    """
    text = knob_text(knob, reading)
    off = knob.marks == "numbers" and abs(float(text) - reading) > 1e-6 * knob.step
    return reading_text(knob, reading) if off else text


def knob_figure(knob: Knob, reading: float) -> str:
    """The reading at its shortest, for the largest letters: `6.4`, or `2:30` on a clock face."""
    if knob.marks == "numbers":
        return knob_text(knob, reading)
    hour, minute, _ = _clock(knob, reading)
    return f"{hour}:{minute:02d}"


def _decimals(knob: Knob) -> int:
    """Decimals, at most four, that write `low` and `step` out: 0.2 needs one, 0.25 two."""
    return next(
        (
            decimals
            for decimals in range(4)
            if all(
                math.isclose(round(part, decimals), part, abs_tol=1e-9)
                for part in (knob.low, knob.step)
            )
        ),
        4,
    )


def _clock(knob: Knob, reading: float) -> tuple[int, int, float]:
    """Hour 1 to 12, minute, and minutes that the pointer stands past them."""
    minutes = (pointer_deg(knob, reading) / DEG_PER_HOUR + 12) * 60
    grain = _grain_minutes(knob)
    rounded = round(minutes / grain) * grain
    hour, minute = divmod(rounded, 60)
    return (hour - 1) % 12 + 1, minute, minutes - rounded


def _grain_minutes(knob: Knob) -> int:
    """How finely a clock position is told: what the hand can set, but nothing below 5 minutes."""
    hand_minutes = knob.step / (knob.high - knob.low) * knob.sweep_deg / DEG_PER_HOUR * 60
    return 15 if hand_minutes >= 15 - 1e-9 else 5


def _clock_words(knob: Knob, reading: float) -> tuple[str, float]:
    hour, minute, off_minutes = _clock(knob, reading)
    fives = minute // 5
    if fives == 0:
        return f"{hour} o'clock", off_minutes
    if fives <= 6:
        return f"{_PAST[fives]} {hour}", off_minutes
    return f"{_BEFORE[fives - 7]} {hour % 12 + 1}", off_minutes
