"""The measured points of two calibrations, as the model of the change takes them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np

from tempotape.bench.change_model import Change, Changes, Floats, NoiseGrid, Values, changes
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
FLUTTER_ERROR = 0.10
# A flutter reading is taken as good to about 10 %, one sd (our own choice: a ten-second reading of
# a wandering tape repeats no better); the spread of the points about their curve tells the rest.
_FLUTTER_NOISE = NoiseGrid(
    sds=tuple(
        (sd, -0.5 * (math.log(sd / FLUTTER_ERROR) / 0.5) ** 2)
        for sd in (0.06, 0.1, 0.15, 0.22, 0.35)
    ),
    hand_steps=(0.0,),
    law_sd=0.15,
)
_LEAST_FLUTTER_PERCENT = 0.01
# Points this far outside the span, as part of the scale, still speak for its ends.
_BEYOND = 0.1
# The span of speeds, in log, that the ends are at least apart.
_LEAST_SPEEDS = 0.1
# From so many readings on, points tell which way the knob turns.
_TELLING = 3
# How far points beyond the ends may pull at the bend.
_SLOWNESS = (-0.2, 1.5)
_MOST_PLACES = 40


# Reading, log value, group and relative error.
_Reading = tuple[float, float, int, float]
# A shape over log speed above the slowest, 1 there and less at faster ones.
_Bend = Callable[[Floats], Floats]


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
    """A quantity over a span: its changes, and the groups of them that count for it.

    `level` tells the change on the whole; `bent` lets it bend towards the slow end.
    """

    level: Changes
    bent: Changes
    groups: tuple[int, ...]
    slow: float
    fast: float

    @property
    def asked(self) -> tuple[Change, ...]:
        overall = self.level.overall(self.groups)
        if self.slow == self.fast:
            return (overall,)
        return overall, self.bent.bend()


def speed_question(pair: Pair) -> tuple[Question | None, tuple[str, ...], tuple[str, ...]]:
    """The delays of the heads with trusted points in both, their names, and what is left out."""
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
        return None, heads, remark
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
        values.append(_values(pair, rows, slow, fast, _by_friction))
    # A change that is the same everywhere is told best as a constant: the slow end, where a
    # touch of the knob moves the delay most, then weighs little.
    level, bent = (
        changes(values[0], values[1], _DELAY_NOISE, groups=len(heads), bends=bends)
        for bends in (False, True)
    )
    return Question(level, bent, tuple(range(len(heads))), slow, fast), heads, remark


def flutter_question(pair: Pair) -> tuple[Question | None, tuple[str, ...]]:
    """The flutter points of all heads together, as one tape; None where no readings are common."""
    places = [
        [point.knob for point in one.unit.measured if point.flutter_percent is not None]
        for one in pair.both
    ]
    if not all(places):
        if not any(places):
            return None, ("flutter is measured in neither",)
        which = "before" if places[0] else "after"
        return None, (f"flutter is measured only {which}, so it is not compared",)
    low, high = max(map(min, places)), min(map(max, places))
    if low > high:
        return None, ("flutter was measured at no common readings, so it is not compared",)
    slow, fast = pair.slow_fast(low, high)
    near = _near(pair, low, high)
    values = []
    for one in pair.both:
        rows = [
            (
                point.knob,
                math.log(max(point.flutter_percent, _LEAST_FLUTTER_PERCENT))
                - _log_flutter(pair, point.knob),
                0,
                math.nan,
            )
            for point in one.unit.measured
            if point.flutter_percent is not None and near(point.knob)
        ]
        values.append(_values(pair, rows, slow, fast, _by_log_speed))
    heads = [
        {p.head for p in one.unit.measured if p.flutter_percent is not None} for one in pair.both
    ]
    remarks = (
        "flutter was read on other heads before than after; a head's gap shifts the reading, so "
        "the difference may be the head's",
    )
    bent = changes(values[0], values[1], _FLUTTER_NOISE, groups=1, bends=slow != fast)
    return Question(bent, bent, (0,), slow, fast), remarks if heads[0] != heads[1] else ()


def _log_flutter(pair: Pair, knob: float) -> float:
    """Mean log flutter of the curves that reach this reading: the law both are held against."""
    curves = [(one, one.flutter.log_speed) for one in pair.both]
    logs = []
    for one, speeds in curves:
        at = min(max(one.curve.log_speed_at(knob), speeds[0]), speeds[-1])
        percent = np.interp(at, speeds, one.flutter.flutter_percent)
        logs.append(math.log(max(float(percent), _LEAST_FLUTTER_PERCENT)))
    return sum(logs) / len(logs)


def _near(pair: Pair, low: float, high: float) -> Callable[[float], bool]:
    scale = pair.before.unit.knob
    beyond = _BEYOND * (scale.high - scale.low)
    return lambda knob: low - beyond <= knob <= high + beyond


def _values(pair: Pair, rows: Sequence[_Reading], slow: float, fast: float, bend: _Bend) -> Values:
    """Rows of reading, log value, group and relative error; many are gathered by medians."""
    knob, log_value, group, error = (
        np.array(column) for column in zip(*_gathered(rows), strict=True)
    )
    scale = pair.before.unit.knob
    slowest = pair.log_speed(slow)
    over_slowest = np.array([pair.log_speed(one) for one in knob.tolist()]) - slowest
    fastest = max(pair.log_speed(fast) - slowest, _LEAST_SPEEDS)
    end = float(bend(np.array([fastest]))[0])
    return Values(
        slowness=np.clip((bend(over_slowest) - end) / (1.0 - end), *_SLOWNESS),
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


def _by_log_speed(over_slowest: Floats) -> Floats:
    """Evenly along log speed (our own choice for flutter, of which no law is known)."""
    return np.asarray(1.0 - over_slowest)


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
