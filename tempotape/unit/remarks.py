"""What a player should know about a fitted curve, in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from tempotape.text import quoted
from tempotape.unit.curve import FittedPoint, SpeedCurve
from tempotape.unit.model import Head, Unit

_RULER_MM = 1.0
# Ruler and delays disagree beyond this many sds, taking the ratio of delays to 2 %.
_SDS, _RATIO_ERROR = 3.0, 0.02


def remarks(
    unit: Unit, curve: SpeedCurve, points: Sequence[FittedPoint], *, told: bool
) -> tuple[str, ...]:
    """Sentences about the direction of turn, suspects, unmeasured heads and the ruler."""
    return (
        *_direction(unit, curve, told=told),
        *_suspects(points),
        *(line for head in unit.head for line in _unmeasured(unit, curve, head)),
        *_ruler(unit, curve, {point.head for point in points}),
    )


def _direction(unit: Unit, curve: SpeedCurve, *, told: bool) -> Iterator[str]:
    if not told:
        fast_end = unit.knob.high if curve.faster_up else unit.knob.low
        yield (
            "the points do not tell which way the knob speeds the tape up; "
            f"taken as faster towards {fast_end:g} until another reading is measured"
        )


def _suspects(points: Sequence[FittedPoint]) -> Iterator[str]:
    for point in points:
        if point.suspect:
            side = "above" if point.residual_percent > 0 else "below"
            yield (
                f"head {quoted(point.head)} at {point.knob:g}: {point.delay_ms:.4g} ms is "
                f"{abs(point.residual_percent):.3g} % {side} what the other points say, so it "
                "does not count; measure it again"
            )


def _unmeasured(unit: Unit, curve: SpeedCurve, head: Head) -> Iterator[str]:
    if any(point.head == head.name for point in unit.measured):
        return
    if curve.log_gap[curve.heads.index(head.name)] is None:
        yield (
            f"head {quoted(head.name)} has no delay yet: measure one point, or give gap_mm for it "
            "and for a measured head"
        )
    else:
        yield f"head {quoted(head.name)} is not measured; its delay comes from the ruler alone"


def _ruler(unit: Unit, curve: SpeedCurve, measured: set[str]) -> Iterator[str]:
    """Where the ratio of two gaps by ruler is not the ratio of the delays."""
    ruled = [
        (head.name, head.gap_mm, log_gap)
        for head, log_gap in zip(unit.head, curve.log_gap, strict=True)
        if head.gap_mm is not None and log_gap is not None and head.name in measured
    ]
    for name, gap_mm, log_gap in ruled[1:]:
        first, first_mm, first_log_gap = ruled[0]
        by_delay, by_ruler = math.exp(log_gap - first_log_gap), gap_mm / first_mm
        sd = math.hypot(_RULER_MM / gap_mm, _RULER_MM / first_mm, _RATIO_ERROR)
        if abs(math.log(by_delay / by_ruler)) > _SDS * sd:
            yield (
                f"by the delays the gap of head {quoted(name)} is {by_delay:.3g} times that of "
                f"{quoted(first)}, by the ruler {by_ruler:.3g} times; the delays are believed"
            )
