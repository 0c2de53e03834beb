"""How steady the tape runs at a knob reading: flutter, and the zone by this player's limits.

One rule of the trade carries what was not measured (common practice, no source): the faster the
tape, the steadier it runs. So nothing slower than the slowest measured flutter is ever called
steady, and a steady reading stays steady at any faster one.
"""

from __future__ import annotations

import bisect
import math
from typing import Literal

import msgspec

from tempotape.unit.curve import SpeedCurve
from tempotape.unit.model import Steadiness, Unit

Zone = Literal["steady", "wobbly", "unstable", "unknown"]
# A machine cannot be read steadier than this; it also keeps the logarithm finite.
_LEAST_PERCENT = 0.01


class FlutterCurve(msgspec.Struct, frozen=True):
    """Weighted flutter in percent against log tape speed, from slow to fast.

    `log_speed` ascends and `flutter_percent` never rises along it. Both are empty where nothing
    was measured.
    """

    log_speed: tuple[float, ...]
    flutter_percent: tuple[float, ...]
    limits: Steadiness

    def flutter_at(self, curve: SpeedCurve, knob: float) -> float | None:
        """Flutter at a reading, in percent; None outside the readings where it was measured."""
        at = curve.log_speed_at(knob)
        speeds = self.log_speed
        slack = 1e-9
        if not speeds or not speeds[0] - slack <= at <= speeds[-1] + slack:
            return None
        after = min(max(bisect.bisect_left(speeds, at), 1), len(speeds) - 1)
        if len(speeds) == 1:
            return self.flutter_percent[0]
        share = (at - speeds[after - 1]) / (speeds[after] - speeds[after - 1])
        share = min(1.0, max(0.0, share))
        slow, fast = (max(_LEAST_PERCENT, self.flutter_percent[i]) for i in (after - 1, after))
        return math.exp((1 - share) * math.log(slow) + share * math.log(fast))

    def zone_at(self, curve: SpeedCurve, knob: float) -> Zone:
        """The zone at a reading: `unknown` where neither figures nor the player's ear say."""
        if self.distrusted_by_ear(curve, knob):
            return "unstable"
        flutter = self.flutter_at(curve, knob)
        if flutter is not None:
            return self._zone_of(flutter)
        if self.log_speed:
            at = curve.log_speed_at(knob)
            slowest, fastest = (
                self._zone_of(self.flutter_percent[0]),
                self._zone_of(self.flutter_percent[-1]),
            )
            if at < self.log_speed[0] and slowest == "unstable":
                return "unstable"
            if at > self.log_speed[-1] and fastest == "steady" and curve.in_measured_span(knob):
                return "steady"
        return "unknown"

    def distrusted_by_ear(self, curve: SpeedCurve, knob: float) -> bool:
        """Whether the player's own limit, `unstable_knob`, is at this reading or faster."""
        reading = self.limits.unstable_knob
        if reading is None:
            return False
        return knob <= reading if curve.faster_up else knob >= reading

    def _zone_of(self, flutter_percent: float) -> Zone:
        steady, unstable = self.limits.steady_percent, self.limits.unstable_percent
        if unstable is not None and flutter_percent >= unstable:
            return "unstable"
        if steady is None:
            return "unknown"
        return "steady" if flutter_percent <= steady else "wobbly"


def flutter_curve(unit: Unit, curve: SpeedCurve) -> FlutterCurve:
    """Flutter against tape speed, through the measured values.

    All heads read the same tape, so their values are pooled by the speed of the tape, and values
    at one reading are averaged. Where a faster reading measured less steady than a slower one,
    neighbours share their mean, so that flutter never rises with speed (isotonic regression).
    """
    from scipy.optimize import isotonic_regression  # noqa: PLC0415 - a second to load

    at_speed: dict[float, list[float]] = {}
    for point in unit.measured:
        if point.flutter_percent is not None:
            at_speed.setdefault(curve.log_speed_at(point.knob), []).append(point.flutter_percent)
    if not at_speed:
        return FlutterCurve((), (), unit.steadiness)
    speeds = sorted(at_speed)
    means = [math.fsum(at_speed[speed]) / len(at_speed[speed]) for speed in speeds]
    weights = [len(at_speed[speed]) for speed in speeds]
    falling = isotonic_regression(means, weights=weights, increasing=False).x
    return FlutterCurve(tuple(speeds), tuple(map(float, falling)), unit.steadiness)
