"""Trim: the whole curve scaled by how far the tape has drifted since it was calibrated.

All heads read the same tape, so a tape that runs slower than calibrated makes every delay longer
by the same share: `tau_h = d_h / v`. That share, as a logarithm, is taken to wander about the
calibration and to be drawn back to it (an Ornstein-Uhlenbeck process). So a trim fades with time:
what it says shrinks towards nothing while its error grows back to the drift of an untrimmed day.
"""

from __future__ import annotations

import math
from typing import Annotated

import msgspec
from msgspec import Meta

from tempotape.faults import InputFault
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve import SpeedCurve
from tempotape.unit.knob import knob_text

# How far a home-made tape speed wanders from day to day, one standard deviation, and how long it
# takes to forget where it was: our own choice, common practice has no source. Together they let
# the error grow by 0.7 % in ten minutes, 1.6 % in an hour and 3.7 % overnight.
DRIFT_SD = 0.04
DRIFT_TIME_S = 12 * 3600.0
# After so long 5 % of a trim is left: it is none any more.
FADED_S = 3 * DRIFT_TIME_S
# A trim kept further in the future than this was made before the clock was set back.
CLOCK_SLACK_S = 60.0
# A measurement that the last trim did not expect by so many standard deviations shows a jump, such
# as a fresh loop or supply: what was known before it says nothing any more.
JUMP_SD = 4.0
# Further than this from what was expected, it was not drift that was measured (our own choice).
MOST_OFF = 0.20
# Typed milliseconds come from a recording or a meter and are taken to be this good (our choice).
TYPED_ERROR_SHARE = 0.01
TYPED_ERROR_LEAST_MS = 2.0
# A misreading is named where it explains the measured delay to within this share.
_EXPLAINED = 0.1


class Trim(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The drift as known at `at_unix_s` (wall-clock time, in seconds) from `count` measurements.

    `log_scale` is the natural logarithm of delay now over delay as calibrated, `error` its
    standard deviation.
    """

    log_scale: Annotated[float, Meta(ge=-1, le=1)]
    error: Annotated[float, Meta(gt=0, le=1)]
    at_unix_s: Annotated[float, Meta(ge=0, le=1e11)]
    count: Annotated[int, Meta(ge=1, le=1_000_000)]


def age_s(trim: Trim, now_unix_s: float) -> float | None:
    """Seconds since the trim; None where the clock was set back, so that nobody knows."""
    if now_unix_s < trim.at_unix_s - CLOCK_SLACK_S:
        return None
    return max(0.0, now_unix_s - trim.at_unix_s)


def drift(trim: Trim | None, now_unix_s: float) -> tuple[float, float]:
    """Mean and standard deviation of the drift now, as a natural logarithm of the delay.

    The Ornstein-Uhlenbeck transition (Uhlenbeck and Ornstein, "On the theory of the Brownian
    motion", Physical Review 36 (1930) 823-841): after a time t the mean is `m r` and the variance
    `e^2 r^2 + s^2 (1 - r^2)` with `r = exp(-t / DRIFT_TIME_S)` and s the drift of an untrimmed
    day. A trim of unknown age counts as DRIFT_TIME_S old.
    """
    if trim is None:
        return 0.0, DRIFT_SD
    age = age_s(trim, now_unix_s)
    left = math.exp(-(DRIFT_TIME_S if age is None else age) / DRIFT_TIME_S)
    return trim.log_scale * left, math.sqrt((trim.error * left) ** 2 + DRIFT_SD**2 * (1 - left**2))


def faded(trim: Trim, now_unix_s: float) -> bool:
    """Whether a trim is so old that it says nothing any more."""
    age = age_s(trim, now_unix_s)
    return age is not None and age > FADED_S


def typed_error_ms(delay_ms: float) -> float:
    """One standard deviation of a delay that a player types."""
    return max(TYPED_ERROR_LEAST_MS, TYPED_ERROR_SHARE * delay_ms)


def can_be_drift(measured_ms: float, expected_ms: float) -> bool:
    """Whether a delay is near enough to the one expected for drift to explain it."""
    return abs(math.log(measured_ms / expected_ms)) <= math.log1p(MOST_OFF)


def trimmed_by(  # noqa: PLR0917 - what was known, where it was measured, and what came out
    before: Trim | None,
    calibration: Calibration,
    head: str,
    knob: float,
    measured_ms: float,
    measured_error_ms: float,
    now_unix_s: float,
) -> Trim:
    """The trim after measuring that `head` at reading `knob` repeats every `measured_ms`.

    `calibration` is the one as fitted, without a trim. The conjugate update of a normal mean
    (Gelman et al., Bayesian Data Analysis, section 2.5): what was known, widened by the drift
    since, and log(measured / fitted) are weighed by their variances. The variance of the latter
    adds up that of the measurement, of the curve at this reading and of a hand that set the knob
    within one step, so loose taps, a poor stretch of the curve or a touchy knob move it less.

    The errors of curve and hand do not average out over measurements at one setting. So however
    often it is measured, the error goes no lower than one perfect measurement there would leave
    it. A measurement that the trim before cannot explain starts from the drift of an untrimmed
    day. Raises InputFault where the delay is further off than drift can explain.
    """
    curve = calibration.curve
    fitted_ms = _fitted_ms(calibration, head, knob)
    if not 0 < measured_ms < math.inf:
        raise InputFault(f"repeats {measured_ms:g} ms apart", expected="a number above 0")
    mean, sd = drift(before, now_unix_s)
    expected_ms = fitted_ms * math.exp(mean)
    if not can_be_drift(measured_ms, expected_ms):
        raise _not_drift(calibration, head, knob, measured_ms=measured_ms, mean=mean)
    hand_ms = curve.ms_per_reading(head, knob) * calibration.unit.knob.step
    standing = math.hypot(curve.error_percent_at(head, knob) / 100, hand_ms / fitted_ms)
    evidence_variance = standing**2 + (measured_error_ms / measured_ms) ** 2
    count = 1 if before is None else before.count + 1
    if abs(math.log(measured_ms / expected_ms)) > JUMP_SD * math.sqrt(sd**2 + evidence_variance):
        (mean, sd), count = drift(None, now_unix_s), 1
    gain = sd**2 / (sd**2 + evidence_variance)
    error = sd * math.sqrt(1 - gain)
    least = DRIFT_SD * standing / math.hypot(DRIFT_SD, standing)
    return Trim(
        log_scale=mean + gain * (math.log(measured_ms / fitted_ms) - mean),
        error=max(error, min(sd, least)),
        at_unix_s=now_unix_s,
        count=count,
    )


def _fitted_ms(calibration: Calibration, head: str, knob: float) -> float:
    fitted_ms = calibration.curve.delay_ms(head, knob)
    if fitted_ms is None:
        limits = calibration.unit.knob
        if limits.low <= knob <= limits.high:
            raise InputFault(
                f"head {head} has no delay yet to trim", expected="one point measured on it"
            )
        raise InputFault(
            f"knob at {knob:g} is off the scale", expected=f"{limits.low:g} to {limits.high:g}"
        )
    return fitted_ms


def _not_drift(
    calibration: Calibration, head: str, knob: float, *, measured_ms: float, mean: float
) -> InputFault:
    """What a delay further off than any drift most likely is."""
    curve = calibration.curve
    scale = math.exp(mean)
    expected_ms = _fitted_ms(calibration, head, knob) * scale
    at = f"head {head} at {knob_text(calibration.unit.knob, knob)}"
    # What to do comes first, since a line that is too long is cut at its end.
    for other in curve.heads:
        delay_ms = curve.delay_ms(other, knob)
        if other != head and delay_ms and _near(measured_ms, delay_ms * scale):
            return InputFault(
                f"check the head switch: {measured_ms:.0f} ms is head {other}'s, "
                f"{at} gives {expected_ms:.0f} ms"
            )
    for repeats, fraction in ((2, "twice"), (3, "three times"), (0.5, "half of")):
        if _near(measured_ms, repeats * expected_ms):
            return InputFault(
                f"tap every repeat: {measured_ms:.0f} ms is {fraction} "
                f"the {expected_ms:.0f} ms of {at}"
            )
    return InputFault(
        f"check head switch and knob: {measured_ms:.0f} ms, {at} should give {expected_ms:.0f} ms"
    )


def _near(delay_ms: float, other_ms: float) -> bool:
    return abs(math.log(delay_ms / other_ms)) < _EXPLAINED


def apply_trim(calibration: Calibration, trim: Trim | None, now_unix_s: float) -> Calibration:
    """The calibration as the tape runs now: every head's delay scaled by the same factor.

    Knob readings keep their zones and flutter, the measured points stay beside the curve as they
    were calibrated. The drift's error is carried in `drift_percent`, and the curve's own error is
    left whole: near the reading that was trimmed the measurement corrects some of that too, so
    there the two together say too much, and nowhere too little. A faded trim leaves the
    calibration as it is.
    """
    if trim is None or faded(trim, now_unix_s):
        return calibration
    mean, sd = drift(trim, now_unix_s)
    curve: SpeedCurve = msgspec.structs.replace(
        calibration.curve,
        log_gap=tuple(None if gap is None else gap + mean for gap in calibration.curve.log_gap),
    )
    return msgspec.structs.replace(
        calibration,
        fit=msgspec.structs.replace(calibration.fit, curve=curve),
        drift_percent=100 * sd,
        trim_age_s=age_s(trim, now_unix_s),
    )


def trim_text(trim: Trim, now_unix_s: float) -> str:
    """The trim as it holds now, in words: its size and its age, or that it has faded.

    >>> trim_text(Trim(log_scale=0.018, error=0.004, at_unix_s=0.0, count=1), 240.0)
    'trimmed +1.8 % (repeats slower than calibrated), 4 min ago'
    """
    age = age_words(age_s(trim, now_unix_s))
    if faded(trim, now_unix_s):
        return f"trim faded, it was made {age}"
    percent = 100 * math.expm1(drift(trim, now_unix_s)[0])
    if abs(percent) < 0.05:
        return f"trimmed +0.0 %, {age}"
    side = "slower" if percent > 0 else "faster"
    return f"trimmed {percent:+.1f} % (repeats {side} than calibrated), {age}"


def age_words(age: float | None) -> str:
    """An age in seconds in words.

    >>> age_words(20), age_words(2400), age_words(3 * 3600), age_words(None)
    ('just now', '40 min ago', '3 h ago', 'an unknown time ago')
    """
    if age is None:
        return "an unknown time ago"
    minutes = int(age // 60)
    if minutes < 1:
        return "just now"
    return f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago"
