"""The measured points of two calibrations, as the model of the change takes them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np

from tempotape.bench.change_model import Changes, Floats, NoiseGrid, Values, changes
from tempotape.text import quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import reading_text

# Relative noise of a delay as the curve's fit takes it (about 1 %, common practice, no source);
# the hand's error in steps of the knob, which `step` states as one sd.
_DELAY_NOISE = NoiseGrid(
    sds=tuple(
        (sd, -0.5 * (math.log(sd / 0.011) / 0.7) ** 2)
        for sd in (0.0035, 0.006, 0.01, 0.016, 0.026, 0.05)
    ),
    hand_steps=(0.05, 0.3, 1.0),
    law_sd=0.01,
)
# Points this far outside the span, as part of the scale, still speak for its ends.
_BEYOND = 0.1
# The span of speeds, in log, that the ends are at least apart.
_LEAST_SPEEDS = 0.1
# From so many readings on, points tell which way the knob turns.
_TELLING = 3
# How far points beyond the ends may pull at the bend.
_SLOWNESS = (-0.2, 1.5)
_MOST_PLACES = 40
# At most so many readings are asked whether they changed.
_MOST_ASKED = 16


# Reading, log value, group and relative error.
_Reading = tuple[float, float, int, float]


class Pair(msgspec.Struct, frozen=True):
    """Two calibrations, the heads both have, and the lowest and highest reading both measured."""

    before: Calibration
    after: Calibration
    heads: tuple[str, ...]
    low: float
    high: float

    @property
    def both(self) -> tuple[Calibration, Calibration]:
        return self.before, self.after

    @property
    def laws(self) -> tuple[Calibration, ...]:
        """Those whose curve tells which way the knob turns; empty where they contradict."""
        telling = tuple(one for one in self.both if _readings(one) >= _TELLING) or self.both
        ways = {one.curve.faster_up for one in telling}
        return telling if len(ways) == 1 else ()

    def slow_fast(self, low: float, high: float) -> tuple[float, float]:
        return (low, high) if self.laws[0].curve.faster_up else (high, low)

    def log_speed(self, knob: float) -> float:
        """The mean of the curves: the law that both sets of points are held against."""
        return sum(one.curve.log_speed_at(knob) for one in self.laws) / len(self.laws)

    def told(self, knob: float) -> str:
        return reading_text(self.before.unit.knob, knob)

    def over(self, low: float, high: float) -> str:
        if low == high:
            return f"at {self.told(low)}"
        return f"over readings {self.told(low)} to {self.told(high)}"


def _readings(one: Calibration) -> int:
    return len({point.knob for point in one.fit.points if not point.suspect})


class Question(msgspec.Struct, frozen=True):
    """The delays of some heads: how each changed on the whole, and the readings to ask at."""

    level: Changes
    heads: tuple[str, ...]
    places: tuple[float, ...]


def speed_question(pair: Pair) -> tuple[Question | None, tuple[str, ...]]:
    """The delays of the heads with trusted points in both, and what is left out."""
    near = _near(pair, pair.low, pair.high)
    heads = tuple(
        head
        for head in pair.heads
        if all(
            any(point.head == head and not point.suspect and near(point.knob) for point in points)
            for points in (pair.before.fit.points, pair.after.fit.points)
        )
    )
    remark = tuple(
        f"head {quoted(head)} has no measured point near these readings in one of the two, so it "
        "does not count for the differences"
        for head in pair.heads
        if head not in heads
    )
    if not heads:
        return None, remark
    slow, fast = pair.slow_fast(pair.low, pair.high)
    values = []
    for one in pair.both:
        rows = [
            (
                fitted.knob,
                math.log(fitted.delay_ms) + pair.log_speed(fitted.knob),
                heads.index(fitted.head),
                point.error_ms / point.delay_ms if point.error_ms else math.nan,
            )
            for fitted, point in zip(one.fit.points, one.unit.measured, strict=True)
            if fitted.head in heads and not fitted.suspect and near(fitted.knob)
        ]
        values.append(_values(pair, rows, slow, fast))
    level = changes(values[0], values[1], _DELAY_NOISE, groups=len(heads))
    trusted = [
        {
            point.knob
            for point in one.fit.points
            if point.head in heads and not point.suspect and pair.low <= point.knob <= pair.high
        }
        for one in pair.both
    ]
    # Where only points just outside the span speak for a head, its ends are asked.
    places = trusted[0] | trusted[1] or {pair.low, pair.high}
    return Question(level, heads, _thinned(places)), remark


def flutter_places(pair: Pair) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Readings to ask the flutter at, none where none are common, and what to say of them.

    They are readings of the set that has fewer, so that few lean on the same ones of the other.
    """
    places = [
        {point.knob for point in one.unit.measured if point.flutter_percent is not None}
        for one in pair.both
    ]
    if not all(places):
        if not any(places):
            return (), ("flutter is measured in neither",)
        which = "before" if places[0] else "after"
        return (), (f"flutter is measured only {which}, so it is not compared",)
    low, high = max(map(min, places)), min(map(max, places))
    if low > high:
        return (), ("flutter was measured at no common readings, so it is not compared",)
    common = [{knob for knob in own if low <= knob <= high} for own in places]
    fewer = min((own for own in common if own), key=len)
    heads = [
        {p.head for p in one.unit.measured if p.flutter_percent is not None} for one in pair.both
    ]
    remarks = (
        "flutter was read on other heads before than after; a head's gap shifts the reading, so "
        "the difference may be the head's",
    )
    return _thinned(fewer), remarks if heads[0] != heads[1] else ()


def _thinned(knobs: set[float]) -> tuple[float, ...]:
    """Some of these readings, ascending and evenly, both ends among them."""
    every = sorted(knobs)
    count = min(len(every), _MOST_ASKED)
    picked = {round(place) for place in np.linspace(0, len(every) - 1, count).tolist()}
    return tuple(every[place] for place in sorted(picked))


def _near(pair: Pair, low: float, high: float) -> Callable[[float], bool]:
    scale = pair.before.unit.knob
    beyond = _BEYOND * (scale.high - scale.low)
    return lambda knob: low - beyond <= knob <= high + beyond


def _values(pair: Pair, rows: Sequence[_Reading], slow: float, fast: float) -> Values:
    """Rows of reading, log value, group and relative error; many are gathered by medians."""
    knob, log_value, group, error = (
        np.array(column) for column in zip(*_gathered(rows), strict=True)
    )
    scale = pair.before.unit.knob
    slowest = pair.log_speed(slow)
    over_slowest = np.array([pair.log_speed(one) for one in knob.tolist()]) - slowest
    fastest = max(pair.log_speed(fast) - slowest, _LEAST_SPEEDS)
    end = float(_by_friction(np.array([fastest]))[0])
    return Values(
        slowness=np.clip((_by_friction(over_slowest) - end) / (1.0 - end), *_SLOWNESS),
        turn=(knob - scale.low) / (scale.high - scale.low),
        log_value=log_value,
        group=group.astype(np.int64),
        error=error,
        per_step=_per_step(pair, knob, scale.step),
    )


def _by_friction(over_slowest: Floats) -> Floats:
    """How a change of friction alters the log delay: in proportion to 1 / speed.

    Speed is the drive less what friction takes (design, section 1), so d log v = -d friction / v.
    """
    return np.asarray(np.exp(-over_slowest))


def _per_step(pair: Pair, knob: Floats, step: float) -> Floats:
    return np.array(
        [(pair.log_speed(one + step / 2) - pair.log_speed(one - step / 2)) for one in knob.tolist()]
    )


def _gathered(
    rows: Sequence[_Reading],
) -> list[_Reading]:
    """Of more rows than the sums need, the medians of neighbours in a group."""
    if len(rows) <= _MOST_PLACES:
        return list(rows)
    found = []
    for group in sorted({row[2] for row in rows}):
        own = sorted(row for row in rows if row[2] == group)
        parts = max(1, round(_MOST_PLACES * len(own) / len(rows)))
        for part in range(parts):
            some = own[len(own) * part // parts : len(own) * (part + 1) // parts]
            knob, log_value, error = (
                float(np.median([row[column] for row in some])) for column in (0, 1, 3)
            )
            found.append((knob, log_value, group, error))
    return found
