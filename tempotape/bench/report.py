"""A measurement as plain text: each figure with its spread."""

from __future__ import annotations

import math

from tempotape.bench.flutter import Flutter
from tempotape.bench.measure import MeasureReport
from tempotape.bench.repeats import Octave

_WIDTH = 11
LEAST_LEAD = 2.0  # standard deviations: by chance one time in twenty


def report_text(report: MeasureReport) -> str:
    """The whole report, one line a part, then what could not be measured and why."""
    lines = [
        _line("recording", f"{report.duration_s:.1f} s at {report.sample_rate_hz} Hz"),
        _line("delay", _delay(report)),
        _line("flutter", _flutter(report)),
        *_components(report),
        _line("repeats", _repeats(report)),
        *_octaves(report),
        _line("splice", _splice(report)),
        _line("noise", _noise(report)),
    ]
    if report.speed_mm_s is not None:
        lines.append(_line("tape speed", f"{report.speed_mm_s:.1f} mm/s"))
    return "\n".join((*lines, *(f"note: {warning}" for warning in report.warnings)))


_NONE = "not to be told from this recording"


def _line(name: str, told: str) -> str:
    return f"{name:<{_WIDTH}}{told}"


def _delay(report: MeasureReport) -> str:
    delay = report.delay
    if delay is None:
        return _NONE
    attacks = f"{delay.count} attacks, each within {max(delay.spread_ms, 0.01):.2f} ms"
    return (
        f"{_with_error(delay.ms, delay.error_ms)} ms ({attacks}; {_drift(delay.drift_ms_per_min)})"
    )


def _drift(drift_ms_per_min: float) -> str:
    if abs(drift_ms_per_min) < 0.05:
        return "no drift"
    return f"drift {drift_ms_per_min:+.1f} ms a minute"


def _with_error(value: float, error: float) -> str:
    """The value to the digit that its error leaves.

    >>> _with_error(812.347, 0.04), _with_error(812.347, 3.0)
    ('812.35 ± 0.04', '812.3 ± 3.0')
    """
    digits = 2 if error < 1 else 1
    return f"{value:.{digits}f} ± {max(error, 10**-digits):.{digits}f}"


def _flutter(report: MeasureReport) -> str:
    flutter = report.flutter
    if flutter is None:
        return _NONE
    return (
        f"{_with_error(flutter.weighted_percent, flutter.error_percent)} % weighted, "
        f"{flutter.unweighted_rms_percent:.2f} % rms unweighted, on {flutter.tone_hz:.1f} Hz"
    )


def _another_take(flutter: Flutter) -> str:
    """Where the reading of another tone as long lies, nineteen times in twenty: each scatters."""
    apart = LEAST_LEAD * math.hypot(math.sqrt(2.0) * flutter.scatter_percent, flutter.error_percent)
    low, high = max(flutter.weighted_percent - apart, 0.0), flutter.weighted_percent + apart
    digits = 2 if high >= 0.1 else 3
    return f"another take may read {low:.{digits}f} to {high:.{digits}f} %"


def _components(report: MeasureReport) -> list[str]:
    if report.flutter is None:
        return []
    components = [
        _line("", f"{component.hz:6.2f} Hz {component.percent:6.3f} %{_turns(component.turns)}")
        for component in report.flutter.components
    ]
    return [_line("", _another_take(report.flutter)), *components]


def _turns(turns: str | None) -> str:
    return f"  {turns}" if turns else ""


def _repeats(report: MeasureReport) -> str:
    repeats = report.repeats
    if repeats is None:
        return _NONE
    gain = f"{_with_error(repeats.loop_gain_db, repeats.error_db)} dB a pass"
    if repeats.count_to_60_db is None or repeats.tail_s is None:
        return f"{gain}: the echo feeds itself"
    return f"{gain}: {repeats.count_to_60_db:.1f} repeats, {repeats.tail_s:.1f} s to 60 dB down"


def _octaves(report: MeasureReport) -> list[str]:
    if report.repeats is None or not report.repeats.octaves:
        return []
    octaves = report.repeats.octaves
    lines = [
        _line("", f"{octave.hz:6.0f} Hz {_with_error(octave.gain_db, octave.error_db)} dB")
        for octave in octaves
    ]
    return [*lines, _line("", _leading(octaves))]


def _leading(octaves: tuple[Octave, ...]) -> str:
    """Which octave feeds itself first, if its lead over every other exceeds their errors."""
    first, *others = sorted(octaves, key=lambda octave: -octave.gain_db)
    leads = (
        first.gain_db - other.gain_db
        > LEAST_LEAD * math.hypot(first.own_error_db, other.own_error_db)
        for other in others
    )
    if not all(leads):
        return "no band leads: the strongest octaves differ by less than their errors"
    return f"first to feed itself: the octave around {first.hz:.0f} Hz"


def _splice(report: MeasureReport) -> str:
    splice = report.splice
    if splice is None:
        return _NONE
    own = {True: "the loop's own period", False: "not the loop's period", None: ""}[splice.is_loop]
    told = (
        f"a tick every {splice.period_s:.4f} ± {splice.error_s:.4f} s, {splice.ticks} heard, "
        f"{splice.level_db:.1f} dB over the noise"
    )
    return f"{told}; {own}" if own else told


def _noise(report: MeasureReport) -> str:
    return _NONE if report.noise is None else f"{report.noise.dbfs:.1f} dBFS"
