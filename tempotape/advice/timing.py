"""How far a repeat may be off before a listener notices, and how far it is likely to be off."""

from __future__ import annotations

import math

import msgspec

from tempotape.unit.calibration import Calibration

NOTICEABLE_SHARE = 0.025
NOTICEABLE_BELOW_240_MS = 6.0


def noticeable_ms(interval_ms: float) -> float:
    """The timing deviation that a listener just notices in intervals of `interval_ms`.

    About 2.5 % from 240 ms to 1 s and about 6 ms below 240 ms: Friberg and Sundberg, "Time
    discrimination in a monotonic, isochronous sequence", JASA 98 (1995) 2524-2531. Beyond 1 s,
    where they did not measure, the same share is carried on.
    """
    return max(NOTICEABLE_BELOW_240_MS, NOTICEABLE_SHARE * interval_ms)


class ExpectedError(msgspec.Struct, frozen=True):
    """One standard deviation of the delay at a setting, in ms, by cause."""

    curve_ms: float
    hand_ms: float
    flutter_ms: float
    drift_ms: float = 0.0

    @property
    def total_ms(self) -> float:
        """The causes are independent, so their squares add."""
        return math.hypot(self.curve_ms, self.hand_ms, self.flutter_ms, self.drift_ms)

    @property
    def chief(self) -> str:
        """The largest cause: `curve`, `hand`, `flutter` or `drift`."""
        parts = {
            "curve": self.curve_ms,
            "hand": self.hand_ms,
            "flutter": self.flutter_ms,
            "drift": self.drift_ms,
        }
        return max(parts, key=parts.__getitem__)


def expected_error(calibration: Calibration, head: str, knob: float) -> ExpectedError:
    """The error to expect at a setting: the curve's own, the hand's, the tape's and its drift.

    The hand is taken to land within one `step` of where it aims. A weighted flutter figure is a
    two-sigma reading of the speed (AES6-2008), so half of it is one standard deviation; that the
    gap averages fast flutter away is not counted, so the flutter part is an upper bound. Drift
    counts from the last trim; without one it is 0, since nothing but the calibration is known.
    """
    curve = calibration.curve
    delay_ms = curve.delay_ms(head, knob)
    assert delay_ms is not None  # noqa: S101 - callers ask of heads that have a delay
    flutter_percent = calibration.flutter_at(knob) or 0.0
    return ExpectedError(
        curve_ms=delay_ms * curve.error_percent_at(head, knob) / 100,
        hand_ms=abs(curve.ms_per_reading(head, knob)) * calibration.unit.knob.step,
        flutter_ms=delay_ms * flutter_percent / 2 / 100,
        drift_ms=delay_ms * calibration.drift_percent / 100,
    )
