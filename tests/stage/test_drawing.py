"""Drawings, dot by dot."""

import math

import msgspec
import pytest
from rich.style import Style

from tempotape.stage.canvas import Canvas
from tempotape.stage.shown import CurveShown, DialShown, Mark, answered
from tempotape.stage.state import StageState
from tempotape.stage.widgets.curve import draw_curve
from tempotape.stage.widgets.dial import draw_dial
from tempotape.stage.widgets.large import block_letters
from tests.stage.conftest import wren

RED = Style(color="red")


def rows(canvas):
    return canvas.text().plain.split("\n")


# The Unicode chart of U+2800 numbers the dots of a cell 1 2 3 7 down the left, 4 5 6 8 down the
# right; dot n sets bit n - 1.
@pytest.mark.parametrize(
    ("x", "y", "dot"),
    [(0, 0, 1), (0, 1, 2), (0, 2, 3), (0, 3, 7), (1, 0, 4), (1, 1, 5), (1, 2, 6), (1, 3, 8)],
)
def test_each_dot_is_where_the_unicode_chart_has_it(x, y, dot):
    canvas = Canvas(1, 1)
    canvas.dot(x, y)
    assert rows(canvas) == [chr(0x2800 + (1 << (dot - 1)))]


def test_cells_hold_two_by_four_dots():
    canvas = Canvas(3, 2)
    canvas.dot(5, 7)
    assert rows(canvas) == ["   ", "  \N{BRAILLE PATTERN DOTS-8}"]
    assert (canvas.dots_across, canvas.dots_down) == (6, 8)


def test_what_lies_off_the_canvas_is_left_out():
    canvas = Canvas(2, 1)
    canvas.line(-100, -100, -1, -1)
    canvas.letters(-1, 0, "abcdef")
    canvas.letters(0, 5, "x")
    canvas.shade(9, 9, RED)
    assert rows(canvas) == ["bc"]


def test_letters_cover_dots_and_a_shade_keeps_them():
    canvas = Canvas(2, 1)
    canvas.line(0, 0, 3, 0)
    canvas.letters(0, 0, "a")
    canvas.shade(1, 0, Style(bgcolor="blue"))
    assert rows(canvas) == ["a\N{BRAILLE PATTERN DOTS-14}"]
    canvas.dot(3, 0, RED)
    style = canvas.text().spans[-1].style
    assert (style.color.name, style.bgcolor.name) == ("red", "blue")


PLAIN = DialShown(scale=(-150.0, 150.0), measured=(-150.0, 150.0), marks=())


def dots(canvas):
    """Where the dots are, as x to the right and y upwards from the middle."""
    found = set()
    for row, line in enumerate(rows(canvas)):
        for column, mark in enumerate(line):
            bits = ord(mark) - 0x2800 if "\u2800" <= mark <= "\u28ff" else 0
            for bit, (x, y) in enumerate(
                [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3)]
            ):
                if bits >> bit & 1:
                    found.add((column * 2 + x, row * 4 + y))
    across, down = (canvas.dots_across - 1) / 2, (canvas.dots_down - 1) / 2
    return {(x - across, down - y) for x, y in found}


@pytest.mark.parametrize("deg", [-120, -45, 0, 75, 140])
def test_the_pointer_points_where_the_knob_does(deg):
    with_pointer = msgspec.structs.replace(PLAIN, pointer=float(deg))
    drawn = dots(draw_dial(with_pointer, 34, 11)) - dots(draw_dial(PLAIN, 34, 11))
    x, y = (sum(parts) / len(drawn) for parts in zip(*drawn, strict=True))
    # Clockwise from straight up: x is the sine, y the cosine.
    assert math.degrees(math.atan2(x, y)) == pytest.approx(deg, abs=5)


def test_the_gap_of_the_scale_is_at_the_bottom():
    drawn = dots(draw_dial(PLAIN, 34, 11))
    assert not any(abs(math.degrees(math.atan2(x, y))) > 155 for x, y in drawn)
    assert any(x > 10 for x, _ in drawn)
    assert any(x < -10 for x, _ in drawn)


def test_the_unstable_stretch_and_the_stretch_in_time_are_drawn_apart_from_colour():
    plain = dots(draw_dial(PLAIN, 34, 11))
    unstable = dots(draw_dial(msgspec.structs.replace(PLAIN, unstable=(-150, -90)), 34, 11))
    in_time = dots(draw_dial(msgspec.structs.replace(PLAIN, in_time=(30, 60)), 34, 11))
    assert len(unstable - plain) > 10
    assert all(x < 0 for x, _ in unstable - plain)
    assert len(in_time - plain) > 10
    assert all(x > 0 < y for x, y in in_time - plain)


def test_labels_stand_by_their_angles():
    marks = (Mark(-90.0, "left"), Mark(0.0, "12"), Mark(90.0, "3"))
    canvas = draw_dial(msgspec.structs.replace(PLAIN, marks=marks), 40, 11)
    drawn = rows(canvas)
    assert drawn[5].index("left") < 12
    assert drawn[5].index("3") > 28
    assert drawn[0].index("12") in (18, 19, 20)


@pytest.mark.parametrize("size", [(12, 6), (34, 11), (60, 25)])
def test_a_dial_of_any_size_fits(size):
    known = wren()
    shown = answered(StageState(tempo_bpm=120.0), known, None).shown
    canvas = draw_dial(shown.dial, *size)
    assert [len(row) for row in rows(canvas)] == [size[0]] * size[1]
    curve = draw_curve(shown.curve, max(size[0], 24), size[1])
    assert len(rows(curve)) == size[1]


def test_the_curve_falls_from_left_to_right_with_the_point_on_it():
    shown = answered(StageState(tempo_bpm=120.0), wren(), None).shown
    drawn = rows(draw_curve(shown.curve, 60, 15))
    assert drawn[0].startswith("2800")
    assert drawn[13].startswith("112")
    assert drawn[14].strip().startswith("0.00")
    assert drawn[14].endswith("10.00")
    (at,) = [(row, line.index("o")) for row, line in enumerate(drawn) if "o" in line]
    # Reading 5.6 of 0 to 10, over 54 cells after 6 for the labels; 500 ms of 112 to 2800.
    assert at[1] == pytest.approx(6 + 0.56 * 54, abs=1.5)
    assert at[0] == pytest.approx(math.log(2800 / 500) / math.log(2800 / 112) * 13.75, abs=1)


def test_a_curve_of_nothing_is_empty():
    curve = msgspec.structs.replace(wren().curve, log_gap=(None, None))
    assert set(draw_curve(CurveShown(curve), 30, 8).text().plain) <= {" ", "\n"}


def test_block_letters_are_five_rows_a_scale():
    assert len(block_letters("6.4", 1)) == 5
    assert len(block_letters("6.4", 3)) == 15
    assert block_letters("6.4", 2)[0] == "".join(mark * 2 for mark in block_letters("6.4", 1)[0])
    assert block_letters("", 1) == ()
    assert block_letters("長", 1) == ()
    assert block_letters("a=b", 1) == ()  # the face has no =
