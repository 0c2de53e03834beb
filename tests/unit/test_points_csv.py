"""Measured points in and out as CSV, with the csv module of the standard library as reference."""

import csv

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.faults import InputFault
from tempotape.unit.model import Point
from tempotape.unit.points_csv import not_there_yet, points_from_csv, points_to_csv
from tests.plain_units import plain_unit

UNIT = plain_unit(heads={"short": 28.0, 'lo"ng, far': 71.0})
POINTS = (
    Point("short", 2.0, 812.0, 4.0, 3.2),
    Point('lo"ng, far', 2.5, 700.25, None, 0.0),
    Point("short", 10.0, 90.5),
)


def told(path):
    with pytest.raises(InputFault) as met:
        points_from_csv(path, UNIT)
    return str(met.value).removeprefix(f"{path}: ")


def test_what_goes_out_comes_in_again(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text(points_to_csv(POINTS))
    assert points_from_csv(path, UNIT) == POINTS


def test_only_points_that_say_nothing_new_are_there_already():
    held = Point("short", 2.0, 812.0, 4.0)
    new = (
        Point("short", 2.0, 812.5),
        Point("short", 2.2, 812.0),
        Point('lo"ng, far', 2.0, 812.0),
        Point("short", 2.0, 812.0, 3.0),
        Point("short", 2.0, 812.0, 4.0, 1.5),
    )
    again = (held, Point("short", 2.0, 812.0), new[0])
    assert not_there_yet((*new, *again), (held,)) == (new, again)


def test_the_columns_are_those_of_the_format():
    rows = list(csv.DictReader(points_to_csv(POINTS).splitlines()))
    assert list(rows[0]) == ["head", "knob", "delay_ms", "error_ms", "flutter_percent"]
    assert rows[1] == {
        "head": 'lo"ng, far',
        "knob": "2.5",
        "delay_ms": "700.25",
        "error_ms": "",
        "flutter_percent": "0.0",
    }


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_spreadsheet_file_is_read(tmp_path, ending):
    path = tmp_path / "sheet.csv"
    lines = ["\ufeffknob,head,delay_ms", "2.0, short ,812", "", "4,short,400"]
    path.write_bytes(ending.join(lines).encode())
    assert points_from_csv(path, UNIT) == (Point("short", 2.0, 812.0), Point("short", 4.0, 400.0))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "row 1: columns are \"\"; expected head,knob,delay_ms and, if known, "
             "error_ms,flutter_percent, each once"),
        ("head,knob", "row 1: columns are \"head,knob\"; expected head,knob,delay_ms and, if "
                      "known, error_ms,flutter_percent, each once"),
        ("head,knob,delay_ms,knob", "row 1: columns are \"head,knob,delay_ms,knob\"; expected "
         "head,knob,delay_ms and, if known, error_ms,flutter_percent, each once"),
        ("head,knob,dely_ms", 'row 1: unknown column "dely_ms"; expected "delay_ms"'),
        ("head,knob,delay_ms\nshort,2", "row 2: 2 cells; expected 3"),
        ("head,knob,delay_ms\nshort,2,x", 'row 2: delay_ms is "x"; expected a number'),
        ("head,knob,delay_ms\nshort,2,nan",
         "row 2: delay_ms is nan; expected 0.1 to 60000"),
        ("head,knob,delay_ms\nshort,2,", "row 2: delay_ms is missing; "
         "expected 0.1 to 60000"),
        ("head,knob,delay_ms\nshort,2,5\nshot,2,9", 'row 3: head is "shot"; expected "short"'),
        ("head,knob,delay_ms\nshort,11,5", "row 2: knob is 11; expected 0 to 10"),
        ('head,knob,delay_ms\n"short,2,5', "is not CSV (unexpected end of data); "
         "expected lines of head,knob,delay_ms,error_ms,flutter_percent"),
    ],
)  # fmt: skip
def test_a_fault_names_the_row(tmp_path, text, sentence):
    path = tmp_path / "points.csv"
    path.write_text(text)
    assert told(path) == sentence


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.binary(max_size=200), header=st.booleans())
def test_any_bytes_are_points_or_one_sentence(tmp_path, content, header):
    path = tmp_path / "any.csv"
    path.write_bytes((b"head,knob,delay_ms\n" if header else b"") + content)
    try:
        points = points_from_csv(path, UNIT)
    except InputFault as fault:
        assert str(fault).isprintable()
    else:
        assert all(point.head in UNIT.head_names for point in points)
