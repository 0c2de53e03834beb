"""Both calibrations at one reading: the figures that table, pictures and sentences are made of."""

from __future__ import annotations

import math
from collections import Counter

import msgspec

from tempotape.bench.compared_points import Pair
from tempotape.unit.calibration import Calibration
from tempotape.unit.steadiness import Zone

# A flutter reading is taken as good to about 10 %, one sd (our own choice: a ten-second reading of
# a wandering tape repeats no better); that counts as so many readings' scatter beside the points'.
FLUTTER_ERROR = 0.10
_FLUTTER_WEIGHT = 8


class HeadRow(msgspec.Struct, frozen=True):
    """Delays of a head at one reading; errors are one standard deviation of the fitted curves."""

    before_ms: float
    before_error_ms: float
    after_ms: float
    after_error_ms: float
    change_percent: float
    change_error_percent: float


class Row(msgspec.Struct, frozen=True):
    """Both calibrations at one reading.

    The speed is told by the heads whose gap seems unchanged, None where no head tells it; in cm/s
    where the gap is known to both. Flutter is None where it was not measured, and its error is one
    standard deviation; it is what was read there, and between such readings that of the curve.
    """

    knob: float
    heads: dict[str, HeadRow]
    speed_change_percent: float | None
    speed_change_error_percent: float | None
    speed_before_cm_s: float | None
    speed_after_cm_s: float | None
    flutter_before_percent: float | None
    flutter_before_error_percent: float | None
    flutter_after_percent: float | None
    flutter_after_error_percent: float | None
    zone_before: Zone
    zone_after: Zone


def row(pair: Pair, steady_heads: tuple[str, ...], knob: float) -> Row:
    """The figures at one reading; the steady heads are those that tell the speed."""
    heads = {name: one for name in pair.heads if (one := _head_row(pair, name, knob)) is not None}
    change, error = _speed_change({name: heads[name] for name in steady_heads if name in heads})
    speeds = [_speed_cm_s(one, _ruled(pair, steady_heads), knob) for one in pair.both]
    flutters = [flutter_percent(one, knob) for one in pair.both]
    errors = [
        None if flutter is None else flutter * flutter_error(one, knob)
        for one, flutter in zip(pair.both, flutters, strict=True)
    ]
    return Row(
        knob=knob,
        heads=heads,
        speed_change_percent=change,
        speed_change_error_percent=error,
        speed_before_cm_s=speeds[0],
        speed_after_cm_s=speeds[1],
        flutter_before_percent=flutters[0],
        flutter_before_error_percent=errors[0],
        flutter_after_percent=flutters[1],
        flutter_after_error_percent=errors[1],
        zone_before=pair.before.zone_at(knob),
        zone_after=pair.after.zone_at(knob),
    )


def flutter_percent(one: Calibration, knob: float) -> float | None:
    """The flutter read at a reading, the mean of several; elsewhere that of the curve, or None."""
    read = [point.flutter_percent for point in one.unit.measured if point.knob == knob]
    told = [percent for percent in read if percent is not None]
    return math.fsum(told) / len(told) if told else one.flutter_at(knob)


def flutter_error(one: Calibration, knob: float) -> float:
    """One sd of the flutter at a reading, relative; less where it was read several times.

    More than the usual error where the readings lie farther from their curve than that: repeats
    that differ, and slower readings steadier than faster ones.
    """
    read = [point for point in one.unit.measured if point.flutter_percent]
    squares, free = 0.0, len(read) - len(set(one.flutter.flutter_percent))
    for point in read:
        fitted = one.flutter_at(point.knob)
        if fitted:
            squares += math.log((point.flutter_percent or fitted) / fitted) ** 2
    variance = (_FLUTTER_WEIGHT * FLUTTER_ERROR**2 + squares) / (_FLUTTER_WEIGHT + max(0, free))
    times = Counter(point.knob for point in read)[knob]
    return max(FLUTTER_ERROR, math.sqrt(variance)) / math.sqrt(max(1, times))


def _head_row(pair: Pair, name: str, knob: float) -> HeadRow | None:
    """The head at a reading; None off the scale of one of the two."""
    before_ms, after_ms = (one.curve.delay_ms(name, knob) for one in pair.both)
    if before_ms is None or after_ms is None:
        return None
    before_error, after_error = (one.curve.error_percent_at(name, knob) for one in pair.both)
    ratio = after_ms / before_ms
    return HeadRow(
        before_ms=before_ms,
        before_error_ms=before_ms * before_error / 100,
        after_ms=after_ms,
        after_error_ms=after_ms * after_error / 100,
        change_percent=100 * (ratio - 1),
        change_error_percent=ratio * math.hypot(before_error, after_error),
    )


def _speed_change(heads: dict[str, HeadRow]) -> tuple[float | None, float | None]:
    """Mean over the heads; their errors are mostly the curve's own, so they do not average out."""
    if not heads:
        return None, None
    ratios = [1 + row.change_percent / 100 for row in heads.values()]
    ratio = math.exp(-math.fsum(map(math.log, ratios)) / len(ratios))
    errors = [
        row.change_error_percent / one for row, one in zip(heads.values(), ratios, strict=True)
    ]
    return 100 * (ratio - 1), ratio * math.fsum(errors) / len(errors)


def _ruled(pair: Pair, heads: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the heads whose gap by ruler both files give."""
    known = [{head.name for head in one.unit.head if head.gap_mm is not None} for one in pair.both]
    return tuple(name for name in heads if name in known[0] & known[1])


def _speed_cm_s(one: Calibration, heads: tuple[str, ...], knob: float) -> float | None:
    """Tape speed, v = d / tau, the geometric mean over the heads; None where no gap is known."""
    gaps = {head.name: head.gap_mm for head in one.unit.head}
    logs = []
    for name in heads:
        gap_mm, delay_ms = gaps[name], one.curve.delay_ms(name, knob)
        if gap_mm is not None and delay_ms is not None:
            logs.append(math.log(100.0 * gap_mm / delay_ms))
    return math.exp(math.fsum(logs) / len(logs)) if logs else None
