"""The pictures: well-formed SVG that stands by itself, figures where they belong, text escaped."""

import math
import re
from xml.etree import ElementTree as ET

import msgspec
import numpy as np
import pytest

from tempotape.bench import charts, pictures, plots
from tempotape.bench.compare import compare
from tempotape.bench.flutter import Deviation
from tempotape.demos import DEMO_UNIT
from tempotape.unit.calibration import calibrate
from tempotape.unit.model import Head
from tempotape.unit.unitfile import read_unit
from tests.made_units import shown_unit

SVG = "{http://www.w3.org/2000/svg}"
KESTREL = read_unit(DEMO_UNIT)
HERON = read_unit(DEMO_UNIT.parent / "heron.toml")
# Delays of a head at 280 mm/s a reading, one of them twice too long.
SPOILT = shown_unit(
    [
        (head, float(knob), gap_mm / 280 / knob * 1000 * (2 if (head, knob) == ("long", 5) else 1))
        for head, gap_mm in (("short", 28), ("long", 70))
        for knob in range(1, 10)
    ]
)


@pytest.fixture(scope="module")
def kestrel():
    return calibrate(KESTREL)


@pytest.fixture(scope="module")
def pair(kestrel):
    after = tuple(
        msgspec.structs.replace(point, delay_ms=point.delay_ms * 1.04) for point in KESTREL.measured
    )
    return kestrel, calibrate(msgspec.structs.replace(KESTREL, measured=after))


def every_svg(pair):
    before, after = pair
    t_s = np.arange(0, 10, 0.01)
    return {
        "curve": pictures.curve_svg(before),
        "flutter": pictures.svg(charts.flutter_picture(before)),
        "unit": pictures.unit_svg(before),
        "tone": pictures.tone_svg(Deviation(1.0, 100.0, tuple(np.sin(t_s)))),
        "comparison": pictures.comparison_svg(before, after, compare(before, after)),
    }


def parsed(svg):
    return ET.fromstring(svg)  # noqa: S314 - our own drawing


def texts(svg):
    return [one.text for one in parsed(svg).iter(f"{SVG}text")]


def test_every_picture_stands_by_itself(pair):
    shapes = {"svg", "title", "defs", "pattern", "path", "rect", "circle", "text", "g", "clipPath"}
    for name, svg in every_svg(pair).items():
        root = parsed(svg)
        assert {one.tag.removeprefix(SVG) for one in root.iter()} <= shapes, name
        for one in root.iter():
            for key, value in one.attrib.items():
                # Nothing points out of the document, and nothing runs.
                assert "href" not in key, name
                assert not key.startswith("on"), name
                assert "url(" not in value or value.startswith("url(#"), name
        assert svg.count("http") == 1, name  # the name space of SVG itself
        assert not re.search(r"nan|inf\b", svg), name


def test_names_from_a_file_stay_text():
    hostile = '</text><script>alert("x")</script>&\x1b[31m'
    points = [(hostile, float(knob), 1000.0 / knob) for knob in range(1, 8)]
    unit = msgspec.structs.replace(shown_unit(points, heads=[Head(hostile)]), name=hostile)
    calibration = calibrate(unit)
    comparison = compare(calibration, calibration)
    for svg in (
        pictures.curve_svg(calibration),
        pictures.comparison_svg(calibration, calibration, comparison),
    ):
        assert not list(parsed(svg).iter(f"{SVG}script"))
        assert "\x1b" not in svg
        assert any("<script>" in (text or "") for text in texts(svg))
    assert all(line.isprintable() for line in plots.curve_lines(calibration, 60, 8))


def test_a_point_stands_where_its_axes_say(kestrel):
    """x is even in the reading, y in the logarithm of the delay; the frame is the first one."""
    panel = charts.curve_picture(kestrel).panels[0]
    root = parsed(pictures.curve_svg(kestrel))
    frame = next(one for one in root.iter(f"{SVG}rect") if one.get("stroke") == "#000000")
    left, top, width, height = (float(frame.get(key)) for key in ("x", "y", "width", "height"))
    circles = [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter(f"{SVG}circle")]
    short = [point for point in KESTREL.measured if point.head == "short"]
    assert len(circles) == len(short) + 1  # and the sample in the legend
    for point, (x, y) in zip(short, circles, strict=False):
        assert x == pytest.approx(left + point.knob / 10 * width, abs=0.06)
        share = math.log(point.delay_ms / panel.y.low) / math.log(panel.y.high / panel.y.low)
        assert y == pytest.approx(top + height * (1 - share), abs=0.06)


def test_a_suspect_is_marked_by_its_shape():
    calibration = calibrate(SPOILT)
    assert [point.suspect for point in calibration.fit.points].count(True) == 1
    panel = charts.curve_picture(calibration).panels[0]
    crossed = [points for points in panel.points if points.shape == charts.CROSSED]
    assert [(one.name, one.xs) for one in crossed] == [("suspect, does not count", (5.0,))]
    assert "suspect, does not count" in texts(pictures.curve_svg(calibration))
    assert sum(line.count("X") for line in plots.curve_lines(calibration, 70, 14)) == 2


def test_the_band_is_two_standard_deviations_wide(kestrel):
    panel = charts.curve_picture(kestrel).panels[0]
    assert [len(panel.bands), panel.bands[0].name] == [2, "95 % of cases"]
    for head, band in zip(kestrel.curve.heads, panel.bands, strict=True):
        assert (band.xs[0], band.xs[-1]) == (2.4, 10.0)
        for knob, low, high in zip(band.xs, band.lows, band.highs, strict=True):
            sd = kestrel.curve.error_percent_at(head, knob) / 100
            # The normal law has 95.4 % within two sds.
            assert math.log(high / low) == pytest.approx(4 * sd)


def test_flutter_has_its_limits_and_zones(kestrel):
    shown = texts(pictures.svg(charts.flutter_picture(kestrel)))
    for word in ("steady", "wobbly", "unstable", "steady up to 1 %", "unstable from 2.5 %"):
        assert word in shown
    zones = charts.flutter_picture(kestrel).panels[0].zones
    assert [zone.name for zone in zones] == ["unstable", "wobbly", "steady"]
    assert [zone.shade for zone in zones] == [2, 1, 0]
    assert (zones[0].low, zones[-1].high) == (0.0, 10.0)
    for zone in zones:
        assert kestrel.zone_at((zone.low + zone.high) / 2) == zone.name


def test_without_flutter_the_picture_says_so():
    calibration = calibrate(SPOILT)
    assert "flutter is not measured" in texts(pictures.svg(charts.flutter_picture(calibration)))
    assert any(
        "flutter is not measured" in line
        for line in plots.text_lines(charts.flutter_picture(calibration), 60, 8)
    )
    comparison = compare(calibration, calibration)
    svg = pictures.comparison_svg(calibration, calibration, comparison)
    assert "flutter is not measured" in texts(svg)


def test_before_and_after_differ_by_dash_and_filling(pair):
    before, after = pair
    comparison = compare(before, after)
    delays, flutters = charts.comparison_picture(before, after, comparison.span).panels
    assert [line.dash for line in delays.lines] == [1, 0, 1, 0]
    assert [(one.name, one.shape, one.filled) for one in delays.points] == [
        ("short before", 0, False),
        ("short after", 0, True),
        ("long before", 1, False),
        ("long after", 1, True),
    ]
    assert [one.filled for one in flutters.points] == [False, True]
    assert [(zone.low, zone.high, zone.name) for zone in delays.zones] == [(0.0, 2.4, "")]
    assert delays.title == "delay of each head, compared from 2.4 to 10"
    lines = plots.comparison_lines(before, after, comparison, 60, 8)
    assert "delay in ms: delay of each head, compared from 2.4 to 10" in lines
    assert "flutter in %: weighted flutter, compared from 2.4 to 10" in lines
    svg = pictures.comparison_svg(before, after, comparison)
    assert comparison.differences[0].sentence in texts(svg)


def test_a_clock_knob_has_hours_below():
    shown = texts(pictures.curve_svg(calibrate(HERON)))
    for hour in ("8:00", "12:00", "3:00"):
        assert hour in shown


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0, 10, 12, (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10)),
        (0, 10, 6, (0, 2, 4, 6, 8, 10)),
        (2.4, 10, 5, (4, 6, 8, 10)),
        (-0.9, 0.9, 5, (-0.5, 0, 0.5)),
        (0, 0.034, 8, (0, 0.005, 0.01, 0.015, 0.02, 0.025, 0.03)),
    ],
)
def test_ticks_are_round(low, high, most, expected):
    # Read off by eye: steps of 1, 2 or 5 times a power of ten.
    assert charts.even_ticks(low, high, most) == expected


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (80, 1700, 9, (100, 200, 300, 500, 1000)),
        (1, 10_000, 5, (1, 10, 100, 1000, 10_000)),
        (95, 340, 9, (100, 150, 200, 300)),
        (410, 470, 5, (420, 440, 460)),
    ],
)
def test_ticks_of_a_log_axis_are_round(low, high, most, expected):
    ticks = charts.Axis("", low, high, log=True).ticks(most)
    assert tuple(value for value, _ in ticks) == expected
    assert [label for _, label in ticks] == [f"{value:g}" for value in expected]


@pytest.mark.parametrize("size", [1e-7, 1e-4, 3e-3])
def test_a_very_steady_tone_has_plain_figures_at_its_axes(size):
    t_s = np.arange(0, 10, 0.01)
    tone = Deviation(0.0, 100.0, tuple(size * np.sin(2 * np.pi * t_s)))
    for panel in charts.tone_picture(tone).panels:
        for value, label in panel.y.ticks(9):
            assert re.fullmatch(r"-?\d+(\.\d{1,5})?", label)
            assert float(label) == pytest.approx(value)


def test_a_long_series_keeps_its_extremes():
    rng = np.random.default_rng(2)
    percent = rng.normal(size=60_000)
    percent[12_345], percent[54_321] = 9.0, -8.0
    (line,) = charts.deviation_picture(np.arange(60_000) / 100, percent).panels[0].lines
    assert len(line.xs) <= 1200
    assert (max(line.ys), min(line.ys)) == (9.0, -8.0)
    assert line.xs[line.ys.index(9.0)] == 123.45
    assert list(line.xs) == sorted(line.xs)

    hz = np.arange(30_000) / 100
    sizes = rng.uniform(size=30_000)
    sizes[700] = 5.0
    (line,) = charts.spectrum_picture(hz, sizes).panels[0].lines
    assert len(line.xs) <= 1200
    assert line.xs[line.ys.index(5.0)] == 7.0


def test_what_is_not_finite_is_left_out_and_nothing_else_is_refused():
    (line,) = charts.deviation_picture([0, 1, 2], [0.1, math.nan, 0.3]).panels[0].lines
    assert line.xs == (0.0, 2.0)
    assert "nan" not in pictures.svg(charts.deviation_picture([0.0], [0.0]))
    for draw in (charts.deviation_picture, charts.spectrum_picture):
        with pytest.raises(ValueError, match="nothing finite to draw"):
            draw([0.0, 1.0], [math.nan, math.inf])
    with pytest.raises(ValueError, match="nothing above 0 Hz to draw"):
        charts.spectrum_picture([0.0], [1.0])


def test_the_spectrum_of_a_tone_shows_a_sine_at_its_frequency_and_peak():
    t_s = np.arange(0, 20, 0.01)
    percent = 0.5 * np.sin(2 * np.pi * 4.0 * t_s) + 0.2 * np.sin(2 * np.pi * 0.8 * t_s)
    time, spectrum = charts.tone_picture(Deviation(3.0, 100.0, tuple(percent))).panels
    assert time.lines[0].xs[0] == 3.0
    (line,) = spectrum.lines
    at = int(np.argmax(line.ys))
    assert line.xs[at] == pytest.approx(4.0, abs=0.05)
    assert line.ys[at] == pytest.approx(0.5, rel=0.02)


def test_a_line_is_broken_where_it_is_not_finite():
    axis = charts.Axis("", 0, 10)
    line = charts.Line("", (0, 1, 2, 3), (1, math.nan, 2, 3))
    picture = charts.Picture("", (charts.Panel("", axis, axis, lines=(line,)),))
    drawn = [one.get("d") for one in parsed(pictures.svg(picture)).iter(f"{SVG}path")]
    assert any(re.fullmatch(r"M[\d. ]+M[\d. ]+L[\d. ]+", path) for path in drawn)
    assert plots.text_lines(picture, 40, 6)


@pytest.mark.parametrize(("width", "height"), [(78, 12), (40, 6), (24, 4)])
def test_text_plots_keep_to_their_size(pair, width, height):
    before, after = pair
    t_s = np.arange(0, 5, 0.01)
    for lines in (
        plots.text_lines(charts.curve_picture(before), width, height),
        plots.text_lines(charts.flutter_picture(before), width, height),
        plots.unit_lines(before, width, height),
        plots.tone_lines(Deviation(0.0, 100.0, tuple(np.sin(t_s))), width, height),
        plots.comparison_lines(before, after, compare(before, after), width, height),
    ):
        assert max(map(len, lines)) <= width
        rows = [line for line in lines if re.match(r"\s*[-0-9.]*\s[│┤]", line)]
        assert len(rows) in {height, 2 * height}
        assert any("\u2800" < mark <= "\u28ff" for line in lines for mark in line)


def test_dots_of_a_text_plot_stand_where_they_should():
    """A straight line from corner to corner of 2 by 4 dots a cell, by hand."""
    axis = charts.Axis("y", 0, 1)
    line = charts.Line("", (0.0, 1.0), (0.5, 0.5))
    picture = charts.Picture("", (charts.Panel("", axis, axis, lines=(line,)),))
    lines = plots.text_lines(picture, 30, 5)
    rows = [line for line in lines if "│" in line or "┤" in line]
    # 5 rows of 4 dots: the middle of 0 to 19 is 9.5, rounded to dot 10, the third of row 2.
    drawn = [set(re.sub(r"^.*[│┤]", "", row)) for row in rows]
    third_of_four = chr(0x2800 + 0x04 + 0x20)
    assert drawn[2] == {third_of_four}
    assert all(not row for number, row in enumerate(drawn) if number != 2)


@pytest.mark.parametrize(
    ("low", "high", "most", "labels"),
    [
        (0.5, 2e9, 4, ["1", "1000", "1000000", "1000000000"]),
        (0.05, 2e4, 3, ["0.1", "10", "1000"]),
    ],
)
def test_a_scale_of_many_decades_has_marks_of_some(low, high, most, labels):
    ticks = charts.Axis("delay in ms", low, high, log=True).ticks(most)
    assert all(low <= value <= high for value, _ in ticks)
    assert len(ticks) <= most
    assert [label for _, label in ticks] == labels
