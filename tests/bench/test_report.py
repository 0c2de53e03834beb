"""What the report prints of the flutter, against figures worked out by hand."""

import msgspec
import pytest

from tempotape.bench.delay import Delay
from tempotape.bench.flutter import Flutter
from tempotape.bench.measure import MeasureReport
from tempotape.bench.report import report_text

FLUTTER = Flutter(
    tone_hz=3151.0,
    weighted_percent=0.34,
    error_percent=0.005,
    scatter_percent=0.012,
    unweighted_rms_percent=0.41,
    components=(),
    seconds=10.0,
    noise_percent=0.001,
)
NOTHING_ELSE = MeasureReport(
    sample_rate_hz=48_000,
    duration_s=12.0,
    delay=None,
    flutter=FLUTTER,
    repeats=None,
    splice=None,
    noise=None,
    warnings=(),
    loop_period_s=None,
    speed_mm_s=None,
)


# Two readings, each scattering by s, differ by sqrt(2) s; twice that, with the error e of this
# one, is 2 sqrt(2 * 0.012^2 + 0.005^2) = 0.035 about 0.34, and 0.0286 about 0.02.
@pytest.mark.parametrize(
    ("weighted", "scatter", "error", "told"),
    [
        (0.34, 0.012, 0.005, "another take may read 0.30 to 0.38 %"),
        (0.02, 0.01, 0.002, "another take may read 0.000 to 0.049 %"),
    ],
)
def test_the_text_says_what_another_take_may_read(weighted, scatter, error, told):
    flutter = msgspec.structs.replace(
        FLUTTER, weighted_percent=weighted, scatter_percent=scatter, error_percent=error
    )
    lines = report_text(msgspec.structs.replace(NOTHING_ELSE, flutter=flutter)).splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("flutter"))
    assert lines[at + 1].strip() == told


def test_a_spread_under_the_last_digit_is_told_as_that_digit():
    delay = Delay(
        300.0, 0.004, count=10, series=(), spread_ms=0.0004, scatter_ms=0.0001, drift_ms_per_min=0.0
    )
    lines = report_text(msgspec.structs.replace(NOTHING_ELSE, delay=delay)).splitlines()
    assert lines[1].split(maxsplit=1)[1] == (
        "300.00 ± 0.01 ms (10 attacks, each within 0.01 ms; no drift)"
    )
