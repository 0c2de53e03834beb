"""Why a setting stands where it does, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from tempotape.advice.settings import Setting
from tempotape.advice.timing import noticeable_ms
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text, reading_text
from tempotape.unit.trim import age_words

# A curve carried on beyond its points is not worth telling when it is less sure than this.
_WORTH_A_GUESS_PERCENT = 25.0


def reasons(calibration: Calibration, setting: Setting, *, beat_name: str) -> tuple[str, ...]:
    """The sentences for one setting, most telling first."""
    if setting.knob is None:
        return tuple(_out_of_reach(calibration, setting, beat_name))
    return (
        *_warning(calibration, setting, beat_name),
        *_missed(setting),
        _timing(calibration, setting),
        *_steadiness(calibration, setting),
    )


def _out_of_reach(calibration: Calibration, setting: Setting, beat_name: str) -> Iterator[str]:
    head = setting.head
    span_ms = calibration.curve.measured_delays_ms(head)
    if span_ms is None or setting.miss_ms is None:
        yield f"head {head} has no delay yet: measure one point on it, or give its gap_mm"
        return
    longer = setting.miss_ms > 0
    curve, knob = calibration.curve, calibration.unit.knob
    end_ms = span_ms[1] if longer else span_ms[0]
    end = curve.measured_low if longer == curve.faster_up else curve.measured_high
    yield (
        f"{setting.target_ms:.0f} ms is {abs(setting.miss_ms):.0f} ms "
        f"{'longer' if longer else 'shorter'} than head {head} was measured to give "
        f"({end_ms:.0f} ms at {reading_text(knob, end)})"
    )
    if setting.nearest_tempo_bpm is not None:
        yield f"nearest trustworthy tempo: {setting.nearest_tempo_bpm:.1f} to the {beat_name}"
    if setting.nearest_note is not None:
        yield f"at this tempo head {head} gives the {setting.nearest_note}"
    guess = curve.knob_for(head, setting.target_ms)
    guessed = guess is not None and not curve.in_measured_span(guess)
    if (
        guess is not None
        and guessed
        and curve.error_percent_at(head, guess) <= _WORTH_A_GUESS_PERCENT
    ):
        yield f"the curve carried on puts it near {knob_text(knob, guess)}: measure there to know"


def _warning(calibration: Calibration, setting: Setting, beat_name: str) -> Iterator[str]:
    if setting.zone != "unstable":
        return
    yield f"unstable: {_why_unstable(calibration, setting)}"
    out = setting.way_out
    if out is None:
        yield "no trustworthy way out: no reading of this unit is measured and stable"
    elif out.note == setting.note and out.head == setting.head:
        yield (
            f"way out: {out.tempo_bpm:.1f} to the {beat_name}, "
            f"head {out.head} at {out.knob_text} ({_told_zone(out.zone)})"
        )
    else:
        yield f"way out: {out.note} on head {out.head} at {out.knob_text} ({_told_zone(out.zone)})"


def _why_unstable(calibration: Calibration, setting: Setting) -> str:
    limits = calibration.unit.steadiness
    flutter, most = setting.flutter_percent, limits.unstable_percent
    if flutter is not None and most is not None and flutter >= most:
        side = "over" if flutter > most else "at"
        return f"flutter {_above(flutter, most)} %, {side} your limit of {most:g} %"
    if limits.unstable_knob is not None and calibration.flutter.distrusted_by_ear(
        calibration.curve, setting.knob or 0.0
    ):
        reading = reading_text(calibration.unit.knob, limits.unstable_knob)
        return f"by ear you do not trust it at {reading} and slower"
    return "slower than a reading measured as unstable"


def _told_zone(zone: str) -> str:
    return "steadiness not measured" if zone == "unknown" else zone


def _missed(setting: Setting) -> Iterator[str]:
    assert setting.delay_ms is not None  # noqa: S101 - only reachable settings get here
    off_ms = setting.delay_ms - setting.target_ms
    if abs(off_ms) >= _WORTH_TELLING_MS:
        side = "long" if off_ms > 0 else "short"
        yield f"{abs(off_ms):.1f} ms too {side}: the end of what was measured"


_WORTH_TELLING_MS = 0.1
_CAUSES = {
    "curve": "mostly from the curve: more measured points near here would help",
    "hand": "mostly from the hand: one knob step is worth {step:.1f} ms",
    "flutter": "mostly from flutter",
    "drift": "mostly from drift: {trim}",
}
# A trim younger than this is loose because it rests on few taps, not because the tape has drifted.
_FRESH_TRIM_S = 600.0


def _timing(calibration: Calibration, setting: Setting) -> str:
    assert setting.error_ms is not None  # noqa: S101 - only reachable settings get here
    assert setting.error_parts_ms is not None  # noqa: S101
    heard_ms = noticeable_ms(setting.target_ms)
    told = (
        f"{'in time' if setting.in_time else 'loose'}: expected within {setting.error_ms:.1f} ms, "
        f"a listener notices {heard_ms:.1f} ms"
    )
    if setting.in_time:
        return told
    cause = _CAUSES[setting.error_parts_ms.chief].format(
        step=setting.ms_per_step, trim=_trim_wanted(calibration.trim_age_s)
    )
    return f"{told}; {cause}"


def _trim_wanted(trim_age_s: float | None) -> str:
    if trim_age_s is not None and trim_age_s < _FRESH_TRIM_S:
        return "the last trim is not sure, tap more of the repeats"
    return f"trim again, the last trim was {age_words(trim_age_s)}"


def _steadiness(calibration: Calibration, setting: Setting) -> Iterator[str]:
    """One sentence, but none where the warning has said it."""
    limits = calibration.unit.steadiness
    flutter = setting.flutter_percent
    if setting.zone == "unstable":
        return
    if flutter is None and setting.zone == "steady":
        yield "steady: faster than readings measured as steady"
    elif flutter is None:
        yield "steadiness unknown: no flutter measured near here"
    elif setting.zone == "unknown":
        yield f"flutter {flutter:.1f} %, but the unit file sets no steady_percent to judge it by"
    elif setting.zone == "steady":
        yield f"steady: flutter {flutter:.1f} %, limit {limits.steady_percent:g} %"
    else:
        told = _above(flutter, limits.steady_percent or 0.0)
        yield f"wobbly: flutter {told} %, steady up to {limits.steady_percent:g} %"


def _above(figure: float, limit: float) -> str:
    """A figure over a limit, with the digits that show it.

    >>> _above(2.62, 2.5), _above(2.53, 2.5), _above(2.5, 2.5)
    ('2.6', '2.53', '2.5')
    """
    told = [f"{figure:.{digits}f}" for digits in (1, 2, 3)]
    return next((one for one in told if float(one) > limit), told[0])
