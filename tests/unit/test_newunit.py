"""Unit files that are begun, not edited."""

from __future__ import annotations

import tomllib

import pytest

from tempotape.faults import InputFault
from tempotape.unit.model import Head, Knob
from tempotape.unit.newunit import heads_in, knob_in, new_unit, unit_text, write_new
from tempotape.unit.unitfile import add_points, read_unit

SCALE = "LOW:HIGH:STEP, as 0:10:0.1, or 7:17:0.05:clock where readings are hours"
HEADS = "names, each with its gap in mm where known, as short:28,long:66"


def test_scales_as_typed():
    assert knob_in("0:10:0.1", entry="") == Knob(0.0, 10.0, 0.1)
    assert knob_in(" 7:17:0.05:clock", entry="") == Knob(7.0, 17.0, 0.05, marks="clock")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("0:10", f'--scale: scale is "0:10"; expected {SCALE}'),
        ("0:x:1", f'--scale: scale is "0:x:1"; expected {SCALE}'),
        ("0:10:1:clock:2", f'--scale: scale is "0:10:1:clock:2"; expected {SCALE}'),
        ("0:10:0", "--scale: step is 0; expected 1e-06 to 1000"),
        ("0:inf:1", "--scale: high is inf; expected -1000 to 1000"),
        ("0:10:1:hours", '--scale: marks is "hours"; expected "clock" or "numbers"'),
    ],
)
def test_a_scale_that_is_none_is_told(text, sentence):
    with pytest.raises(InputFault) as fault:
        knob_in(text, entry="--scale")
    assert fault.value.sentence == sentence


def test_heads_as_typed():
    assert heads_in("short:28, long", entry="") == (Head("short", 28.0), Head("long"))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("short,,long", f'--heads: heads are "short,,long"; expected {HEADS}'),
        ("short:x", f'--heads: heads are "short:x"; expected {HEADS}'),
        ("short:0", "--heads: gap_mm is 0; expected 0.1 to 10000"),
    ],
)
def test_heads_that_are_none_are_told(text, sentence):
    with pytest.raises(InputFault) as fault:
        heads_in(text, entry="--heads")
    assert fault.value.sentence == sentence


@pytest.mark.parametrize(
    ("name", "knob", "heads", "loop_mm", "sentence"),
    [
        ("", "0:10:1", "a", None, "--name: name is empty; expected text of up to 10000 characters"),
        ("A", "10:0:1", "a", None, "knob: low is 10 and high is 0; expected low below high (which "
         "way speeds the tape up is read from the points)"),
        ("A", "0:10:1", "a,A", None, 'head 2: name is "A" again; expected a different name for '
         "each head"),
        ("A", "0:10:1", "a:50", 40.0, 'loop: length_mm is 40; expected more than the gap of head '
         '"a", 50'),
        ("A", "0:10:1", "a", -1.0, "--loop: length_mm is -1; expected 1 to 100000"),
    ],
)  # fmt: skip
def test_parts_that_disagree_are_told(name, knob, heads, loop_mm, sentence):
    with pytest.raises(InputFault) as fault:
        new_unit(name, knob_in(knob, entry=""), heads_in(heads, entry=""), loop_mm)
    assert fault.value.sentence == sentence


@pytest.mark.parametrize("loop_mm", [None, 640.5])
@pytest.mark.parametrize("heads", ["short:28.5,long", 'say "when"\\,ü'])
@pytest.mark.parametrize("scale", ["0:10:0.1", "7:17:0.05:clock", "-3:1e2:1e-05"])
def test_the_file_reads_back_as_the_unit_and_takes_points(tmp_path, scale, heads, loop_mm):
    unit = new_unit("Plover", knob_in(scale, entry=""), heads_in(heads, entry=""), loop_mm)
    assert tomllib.loads(unit_text(unit))["name"] == "Plover"
    path = tmp_path / "plover.toml"
    write_new(path, unit)
    assert read_unit(path) == unit
    assert add_points(path, []) == unit


def test_a_file_or_a_link_that_exists_is_not_replaced(tmp_path):
    unit = new_unit("Plover", Knob(0.0, 10.0, 0.1), (Head("long"),), None)
    link = tmp_path / "link.toml"
    link.symlink_to(tmp_path / "nowhere.toml")
    with pytest.raises(InputFault) as fault:
        write_new(link, unit)
    assert fault.value.sentence == (
        f"{link}: exists already; expected a new file, or no --new to add points to this one"
    )
