"""Unit files: what is read, and the sentence for everything that cannot be."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.unit.model import Point
from tempotape.unit.unitfile import add_points, read_unit

GOOD = """
format = 1
name = "Wren"
[knob]
low = 0
high = 10
step = 0.1
[[head]]
name = "short"
gap_mm = 28
[[head]]
name = "long"
[loop]
length_mm = 500
[steadiness]
steady_percent = 1.0
unstable_percent = 3.0
[conditions]
tape = "loop no. 2"
date = 2026-03-01
[[measured]]
head = "long"
knob = 2
delay_ms = 800
[[measured]]
head = "short"
knob = 8
delay_ms = 90.5
error_ms = 1.5
flutter_percent = 0.4
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "wren.toml"
    path.write_text(text, encoding="utf-8")
    return path


def sentence(path: Path) -> str:
    with pytest.raises(InputFault) as met:
        read_unit(path)
    return str(met.value).removeprefix(f"{path}: ")


def test_a_whole_file_is_read(tmp_path):
    unit = read_unit(written(tmp_path, GOOD))
    assert unit.name == "Wren"
    assert unit.head_names == ("short", "long")
    assert [head.gap_mm for head in unit.head] == [28.0, None]
    assert (unit.knob.low, unit.knob.high, unit.knob.step) == (0.0, 10.0, 0.1)
    assert (unit.knob.sweep_deg, unit.knob.marks) == (300.0, "numbers")
    assert unit.measured == (
        Point("long", 2.0, 800.0),
        Point("short", 8.0, 90.5, 1.5, 0.4),
    )


@pytest.mark.parametrize("name", ["kestrel", "heron"])
def test_the_demo_units_are_read(name):
    unit = read_unit(DEMO_UNIT.parent / f"{name}.toml")
    assert len(unit.head) == 2
    assert len(unit.measured) >= 12


FAULTS = {
    "unknown key": (
        ("delay_ms = 800", "dealy_ms = 800"),
        'measured 1: unknown key "dealy_ms"; expected "delay_ms"',
    ),
    "unknown table": (
        ("[conditions]", "[condition]"),
        'unknown key "condition"; expected "conditions"',
    ),
    "missing key": (
        ("delay_ms = 800", ""),
        "measured 1: delay_ms is missing; expected 0.1 to 60000",
    ),
    "missing name": (
        ('name = "Wren"', ""),
        "name is missing; expected text of up to 10000 characters",
    ),
    "NaN": (
        ("delay_ms = 800", "delay_ms = nan"),
        "measured 1: delay_ms is nan; expected 0.1 to 60000",
    ),
    "infinity": (
        ("knob = 2", "knob = inf"),
        "measured 1: knob is inf; expected -1000 to 1000",
    ),
    "negative delay": (
        ("delay_ms = 800", "delay_ms = -800"),
        "measured 1: delay_ms is -800; expected 0.1 to 60000",
    ),
    "huge number": (
        ("delay_ms = 800", f"delay_ms = {10**400}"),
        "measured 1: delay_ms is a number too large to use; expected 0.1 to 60000",
    ),
    "text for a number": (
        ("delay_ms = 800", 'delay_ms = "fast"'),
        'measured 1: delay_ms is "fast"; expected 0.1 to 60000',
    ),
    "flag for a number": (
        ("delay_ms = 800", "delay_ms = true"),
        "measured 1: delay_ms is true; expected 0.1 to 60000",
    ),
    "delay of nothing": (
        ("delay_ms = 800", "delay_ms = 1e-308"),
        "measured 1: delay_ms is 1e-308; expected 0.1 to 60000",
    ),
    "step of nothing": (
        ("step = 0.1", "step = 1e-308"),
        "knob: step is 1e-308; expected 1e-06 to 1000",
    ),
    "gap of nothing": (
        ("gap_mm = 28", "gap_mm = 1e-30"),
        'head 1 "short": gap_mm is 1e-30; expected 0.1 to 10000',
    ),
    "sweep of nothing": (
        ("step = 0.1", "step = 0.1\nsweep_deg = 1e-300"),
        "knob: sweep_deg is 1e-300; expected 1 to 3600",
    ),
    "duplicate head": (
        ('name = "long"', 'name = "Short"'),
        'head 2: name is "Short" again; expected a different name for each head',
    ),
    "empty name": (
        ('name = "long"', 'name = ""'),
        'head 2: name is empty; expected text of up to 10000 characters',
    ),
    "unknown head": (
        ('head = "long"', 'head = "lung"'),
        'measured 1: head is "lung"; expected "long"',
    ),
    "unlike any head": (
        ('head = "long"', 'head = "zzz"'),
        'measured 1: head is "zzz"; expected "short" or "long"',
    ),
    "knob off its scale": (
        ("knob = 2", "knob = 10.5"),
        "measured 1: knob is 10.5; expected 0 to 10",
    ),
    "scale upside down": (
        ("low = 0", "low = 12"),
        "knob: low is 12 and high is 10; "
        "expected low below high (which way speeds the tape up is read from the points)",
    ),
    "step beyond the scale": (
        ("step = 0.1", "step = 11"),
        "knob: step is 11; expected at most the whole scale, 10",
    ),
    "clock beyond a turn": (
        ("step = 0.1", 'step = 0.1\nmarks = "clock"\nsweep_deg = 720'),
        'knob: sweep_deg is 720; expected at most 360 with marks = "clock"',
    ),
    "marks unknown": (
        ("step = 0.1", 'step = 0.1\nmarks = "roman"'),
        'knob: marks is "roman"; expected "clock" or "numbers"',
    ),
    "limits crossed": (
        ("unstable_percent = 3.0", "unstable_percent = 0.5"),
        "steadiness: unstable_percent is 0.5; expected more than steady_percent, 1",
    ),
    "ear off the scale": (
        ("unstable_percent = 3.0", "unstable_knob = 11"),
        "steadiness: unstable_knob is 11; expected 0 to 10",
    ),
    "loop shorter than a gap": (
        ("length_mm = 500", "length_mm = 20"),
        'loop: length_mm is 20; expected more than the gap of head "short", 28',
    ),
    "later format": (("format = 1", "format = 2"), "format is 2; expected 1"),
    "table for a list": (
        ("[[head]]\nname = \"short\"\ngap_mm = 28\n[[head]]\nname = \"long\"", "[head]"),
        "head is a table; expected a list",
    ),
    "wrong condition": (
        ('tape = "loop no. 2"', "tape = [1]"),
        "conditions: tape is a list; expected text, a number or a date",
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_one_sentence_with_file_and_entry(tmp_path, fault):
    (old, new), wanted = FAULTS[fault]
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(InputFault) as met:
        read_unit(path)
    assert str(met.value) == f"{path}: {wanted}"


def test_no_heads_at_all(tmp_path):
    text = 'format = 1\nname = "Wren"\nhead = []\n[knob]\nlow = 0\nhigh = 10\nstep = 1\n'
    assert sentence(written(tmp_path, text)) == "head: no heads; expected at least one [[head]]"


def test_broken_toml_names_line_and_column(tmp_path):
    told = sentence(written(tmp_path, "format = = 1"))
    assert told == (
        "line 1, column 10: is not TOML: invalid value; expected a unit file as README.md shows it"
    )


def test_a_missing_file(tmp_path):
    assert sentence(tmp_path / "no.toml") == "no such file; expected a unit file"


def test_a_folder(tmp_path):
    assert sentence(tmp_path) == "is a folder; expected a unit file"


def test_a_device_is_not_read():
    told = sentence(Path("/dev/zero"))
    assert told == "is not a plain file; expected a unit file"


def test_an_empty_file(tmp_path):
    assert sentence(written(tmp_path, "")) == "format is missing; expected 1"


def test_a_file_of_50_mb_is_refused_unread(tmp_path):
    path = tmp_path / "big.toml"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    assert sentence(path) == "holds 50.0 MB; expected a unit file of at most 1 MB"


def test_bytes_that_are_not_utf8(tmp_path):
    path = tmp_path / "latin.toml"
    path.write_bytes(b'name = "caf\xe9"')
    assert sentence(path) == "byte 12 is not UTF-8; expected a unit file in UTF-8 text"


def test_lists_nested_out_of_reason(tmp_path):
    told = sentence(written(tmp_path, "a = " + "[" * 5000))
    assert told == "nests lists deeper than 60; expected a unit file"


def test_keys_dotted_out_of_reason(tmp_path):
    told = sentence(written(tmp_path, "a" + ".a" * 3000 + " = 1"))
    assert told == "nests tables too deeply; expected the tables README.md shows"


def test_a_number_with_thousands_of_digits(tmp_path):
    told = sentence(written(tmp_path, "format = " + "9" * 6000))
    assert told == "is not TOML; expected a unit file"


def test_escape_codes_and_markup_in_names_are_disarmed(tmp_path):
    text = GOOD.replace('name = "Wren"', r'name = "\u001b[31mWr\u202Een[/] [@click=x]y\n"')
    assert read_unit(written(tmp_path, text)).name == "[31mWren[/] [@click=x]y"


def test_points_are_added_and_comments_kept(tmp_path):
    path = written(tmp_path, GOOD.replace("low = 0", "low = 0  # the stop"))
    unit = add_points(path, [Point("long", 9.0, 250.0, None, 0.5)])
    assert unit == read_unit(path)
    assert len(unit.measured) == 3
    assert unit.measured[-1] == Point("long", 9.0, 250.0, None, 0.5)
    assert path.read_text().startswith(GOOD.replace("low = 0", "low = 0  # the stop"))


def test_points_are_added_to_a_unit_without_any(tmp_path):
    path = written(tmp_path, GOOD.partition("[[measured]]")[0])
    add_points(path, [Point("long", 9.0, 250.0)])
    assert read_unit(path).measured == (Point("long", 9.0, 250.0),)


POINTS_TEXT = """
[[measured]]
head = "long"
knob = 9.0
delay_ms = 250.0

[[measured]]
head = "short"
knob = 9.0
delay_ms = 106.0
error_ms = 2.0
"""


@pytest.mark.parametrize("ending", ["", "\n", "[conditions]   # free text\n", "# the end\n\n"])
def test_a_blank_line_stands_before_each_point_added(tmp_path, ending):
    text = GOOD.partition("[conditions]")[0] + ending
    path = written(tmp_path, text)
    points = [Point("long", 9.0, 250.0), Point("short", 9.0, 106.0, 2.0)]
    add_points(path, points)
    # One blank line, whether the text before ended in one or not.
    assert path.read_text() == text.rstrip("\n") + "\n" + POINTS_TEXT


def test_a_blank_line_stands_between_points_added_amid_the_file(tmp_path):
    head, _, rest = GOOD.partition("[loop]")
    first, second = POINTS_TEXT.lstrip().split("\n\n")
    path = written(tmp_path, f"{head}{first}\n\n[loop]{rest.partition('[[measured]]')[0]}")
    add_points(path, [Point("short", 9.0, 106.0, 2.0)])
    assert path.read_text().startswith(f"{head}{first}\n\n{second}\n[loop]")


@pytest.mark.parametrize(
    "listed",
    [
        "[]",
        "[\n]",
        '[{ head = "long", knob = 1, delay_ms = 900 }]  # slowest',
        '[\n  { head = "long", knob = 1, delay_ms = 900 },\n]',
        '[{ head = "long", knob = 1, delay_ms = 900 }, # one\n  # and so on\n]',
    ],
)
def test_points_are_added_to_a_list_in_one_entry(tmp_path, listed):
    text = GOOD.partition("[[measured]]")[0].replace(
        "format = 1", f"format = 1\nmeasured = {listed}"
    )
    path = written(tmp_path, text)
    before = read_unit(path)
    points = (Point("long", 9.0, 250.0), Point("short", 0.0, 400.0, 2.0))
    unit = add_points(path, points)
    assert unit == read_unit(path)
    assert unit.measured == (*before.measured, *points)
    assert [note for note in ("# slowest", "# one", "# and so on") if note in listed] == [
        note for note in ("# slowest", "# one", "# and so on") if note in path.read_text()
    ]


def test_a_file_that_would_not_say_the_points_is_left_alone(tmp_path, monkeypatch):
    path = written(tmp_path, GOOD)
    monkeypatch.setattr("tomlkit.dumps", lambda _: "measured = [head = 1\n]")
    with pytest.raises(InputFault, match="points cannot be added to it as it is written; expected"):
        add_points(path, [Point("long", 9.0, 250.0)])
    assert path.read_text() == GOOD


def test_points_that_do_not_fit_leave_the_file_alone(tmp_path):
    path = written(tmp_path, GOOD)
    with pytest.raises(InputFault, match="measured 1: knob is 12; expected 0 to 10"):
        add_points(path, [Point("long", 12.0, 250.0)])
    assert path.read_text() == GOOD


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_no_content_ends_in_anything_but_a_unit_or_a_sentence(tmp_path, content):
    path = tmp_path / "any.toml"
    path.write_bytes(content)
    assert one_printable_line(sentence(path))


# TOML values of every kind, to be put in the place of good ones.
VALUES = st.sampled_from(
    ['"\\u001b]0;x\\u0007"', "nan", "-inf", "1e400", "[]", "{}", "true", "0", "-1", '""',
     "1979-05-27",     '"[/]"', "[[1]]", "{a = 1}", "9223372036854775807", "0.1"]
)  # fmt: skip


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_any_value_in_any_place_is_read_or_told(tmp_path, data):
    lines = GOOD.splitlines()
    places = [at for at, line in enumerate(lines) if " = " in line]
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.sampled_from(places))
        lines[at] = f"{lines[at].split(' = ')[0]} = {data.draw(VALUES)}"
    path = written(tmp_path, "\n".join(lines))
    try:
        unit = read_unit(path)
    except InputFault as fault:
        assert one_printable_line(str(fault))
    else:
        assert one_printable_line(unit.name)


def one_printable_line(text: str) -> bool:
    return text.isprintable() and bool(text)
