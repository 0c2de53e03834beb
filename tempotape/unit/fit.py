"""Fitting the one speed curve of a unit to the measured points of all its heads."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from tempotape.faults import InputFault
from tempotape.unit.contradictions import check_one_way
from tempotape.unit.curve import Fit, FittedPoint, SpeedCurve
from tempotape.unit.evidence import Weighed, posterior, weigh
from tempotape.unit.gathering import Gathered, gathered, measured_count
from tempotape.unit.hypotheses import SCALE, Floats, hypotheses
from tempotape.unit.model import Point, Unit
from tempotape.unit.remarks import remarks

# Belief that a point is a gross error before looking, and the width in log delay it may lie in.
_GROSS_BELIEF, _GROSS_WIDTH = 0.03, 1.2
# At most one point in this many is set aside, and what stays has two more points than heads.
_ONE_IN = 5
# A point this many sds off the curve is a gross error where points were gathered.
_FAR_SDS = 4.5
# The data tell the direction of turn when one has this much belief.
_TOLD = 0.98
_LEANING = 0.2
_NEGLIGIBLE = 1e-6
# The curve is nowhere flatter than this change of log speed over the whole scale.
_LEAST_RISE = 0.003
_UNKNOWN_PERCENT = 100.0


def fit_unit(unit: Unit) -> Fit:
    """The speed curve of a unit, its points with their residuals, and remarks for the player.

    Raises InputFault where nothing was measured, and where points contradict each other and no few
    of them can be told to be the bad ones.
    """
    if not unit.measured:
        raise InputFault(
            "nothing measured yet", expected="at least one [[measured]] point", entry="measured"
        )
    places = gathered(unit)
    weighed, suspects = _without_gross_errors(places)
    up, told = _direction(weighed)
    curve = _curve(unit, places, weighed, suspects, up=up)
    if len(places.places) < len(unit.measured):
        suspects = _far_off(unit, curve, weighed.noise)
        low, high = _trusted_span(unit, suspects)
        curve = msgspec.structs.replace(curve, measured_low=low, measured_high=high)
    points = tuple(
        _fitted(curve, point, suspect=number in suspects)
        for number, point in enumerate(unit.measured)
    )
    check_one_way(points, unit.measured, faster_up=up)
    return Fit(curve, points, remarks(unit, curve, points, told=told))


def _without_gross_errors(places: Gathered) -> tuple[Weighed, frozenset[int]]:
    """Set aside, one by one, points that are more likely gross errors than not.

    A point is judged by how much better the others are explained without it (its leave-one-out
    predictive density), against a density spread over anything a slip of the hand may give. Where
    several points would do as well, none is the likely one, and none is set aside.
    """
    measured = places.measured
    every = hypotheses(measured.turn)
    weighed = weigh(measured, every)
    left = list(places.places)
    suspects: list[int] = []
    heads = len(set(measured.head.tolist()))
    most = max(1, len(left) // _ONE_IN)
    while len(suspects) < most and len(left) >= heads + 3:
        worst = _likely_gross(weighed)
        if worst is None:
            break
        suspects += left.pop(worst)
        every = every.without(worst)
        weighed = weigh(weighed.measured.without(worst), every)
    return weighed, frozenset(suspects)


def _likely_gross(weighed: Weighed) -> int | None:
    """The point that is a gross error with more belief than all else together, or None."""
    prior = math.log(_GROSS_BELIEF / (1.0 - _GROSS_BELIEF) / _GROSS_WIDTH)
    # A head's only point has nothing to be judged by.
    heads = weighed.measured.head
    judged = np.bincount(heads)[heads] > 1
    log_odds = np.where(judged, weighed.unlikely + prior, -math.inf)
    worst = int(np.argmax(log_odds))
    log_others = float(np.logaddexp.reduce(np.append(np.delete(log_odds, worst), 0.0)))
    return worst if log_odds[worst] > log_others else None


def _direction(weighed: Weighed) -> tuple[bool, bool]:
    """Whether a higher reading runs the tape faster, and whether the data tell so.

    Where they do not, higher is taken as faster, unless they lean clearly the other way.
    """
    up = weighed.believed_up
    return up >= _LEANING, max(up, 1.0 - up) >= _TOLD


def _curve(
    unit: Unit, places: Gathered, weighed: Weighed, suspects: frozenset[int], *, up: bool
) -> SpeedCurve:
    """The mean over the hypotheses of one direction, made strictly monotone, with its error."""
    found = posterior(weighed, up=up)
    rise = SCALE * (_LEAST_RISE if up else -_LEAST_RISE)
    certainty = 1.0 / (found.log_delay_variance.min(axis=0) + 1e-6)
    monotone = isotonic_regression(found.log_speed - rise, weights=certainty, increasing=up)
    log_speed = np.asarray(monotone.x) + rise
    log_delay = found.log_gap[:, None] - log_speed
    # The error is about the curve shown, and counts what the other direction would have said.
    squares = np.zeros_like(log_delay)
    for direction, belief in ((True, weighed.believed_up), (False, 1.0 - weighed.believed_up)):
        if belief > _NEGLIGIBLE:
            other = found if direction == up else posterior(weighed, up=direction)
            off = other.log_gap[:, None] - other.log_speed - log_delay
            squares += belief * (other.log_delay_variance + off * off)
    lead = list(places.lead)
    apart = places.offset_variance(weighed.noise)
    percent = 100.0 * np.sqrt(squares[lead] + apart[:, None])
    known = _known(unit)
    percent[~known] = _UNKNOWN_PERCENT
    low, high = unit.knob.low, unit.knob.high
    span = _trusted_span(unit, suspects)
    percent = _widening(percent, *((reading - low) / (high - low) for reading in span))
    fastest = (span[1] if up else span[0]) - low
    zero = float(np.interp(fastest / (high - low), SCALE, log_speed))
    gaps = (found.log_gap + weighed.measured.level - zero)[lead] + places.offset
    return SpeedCurve(
        knob=(*(low + (high - low) * SCALE[:-1]).tolist(), high),
        log_speed=tuple((log_speed - zero).tolist()),
        heads=unit.head_names,
        log_gap=tuple(
            gap if told else None for gap, told in zip(gaps.tolist(), known, strict=True)
        ),
        error_percent=tuple(map(tuple, percent.tolist())),
        measured_low=span[0],
        measured_high=span[1],
        faster_up=up,
    )


def _widening(percent: Floats, low_turn: float, high_turn: float) -> Floats:
    """The error, nowhere shrinking with distance from the turns measured."""
    below, above = low_turn >= SCALE, high_turn <= SCALE
    wider = percent.copy()
    wider[:, below] = np.maximum.accumulate(percent[:, below][:, ::-1], axis=1)[:, ::-1]
    wider[:, above] = np.maximum.accumulate(percent[:, above], axis=1)
    return wider


def _known(unit: Unit) -> npt.NDArray[np.bool_]:
    """Which heads have a delay: measured, or by the ruler beside a measured head with a gap."""
    measured = [measured_count(unit, head) > 0 for head in unit.head]
    ruled = [head.gap_mm is not None for head in unit.head]
    anchored = any(one and other for one, other in zip(measured, ruled, strict=True))
    return np.array(
        [one or (anchored and other) for one, other in zip(measured, ruled, strict=True)]
    )


def _trusted_span(unit: Unit, suspects: frozenset[int]) -> tuple[float, float]:
    trusted = [point.knob for number, point in enumerate(unit.measured) if number not in suspects]
    return min(trusted), max(trusted)


def _far_off(unit: Unit, curve: SpeedCurve, noise: float) -> frozenset[int]:
    """Points further off the curve than noise goes, where points were gathered."""
    far = []
    for number, point in enumerate(unit.measured):
        sd = point.error_ms / point.delay_ms if point.error_ms else noise
        residual = math.log(point.delay_ms / _fitted(curve, point, suspect=False).fitted_ms)
        own = curve.error_percent_at(point.head, point.knob) / 100.0
        if abs(residual) > _FAR_SDS * math.hypot(sd, own):
            far.append(number)
    return frozenset(far) if len(far) * 2 < len(unit.measured) else frozenset()


def _fitted(curve: SpeedCurve, point: Point, *, suspect: bool) -> FittedPoint:
    log_gap = curve.log_gap[curve.heads.index(point.head)] or 0.0
    fitted_ms = math.exp(log_gap - curve.log_speed_at(point.knob))
    return FittedPoint(
        head=point.head,
        knob=point.knob,
        delay_ms=point.delay_ms,
        fitted_ms=fitted_ms,
        residual_percent=100.0 * (point.delay_ms / fitted_ms - 1.0),
        suspect=suspect,
    )
