"""Trims kept in the state folder: found again, void after a new calibration, never in the way."""

import os

import msgspec
import pytest

from tempotape.unit.model import Head, Point, Steadiness
from tempotape.unit.trim import Trim
from tempotape.unit.trim_store import keep_trim, load_trim
from tests.plain_units import plain_unit

UNIT = msgspec.structs.replace(
    plain_unit(heads={"short": 20.0, "long": 50.0}),
    measured=(Point("long", 2.0, 500.0), Point("long", 5.0, 200.0)),
)
TRIM = Trim(log_scale=0.018, error=0.006, at_unix_s=1_700_000_000.0, count=2)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "state"


@pytest.fixture
def unit_file(tmp_path):
    path = tmp_path / "heron.toml"
    path.write_text("as the player left it")
    return path


def kept_file(folder):
    (file,) = folder.iterdir()
    return file


def test_a_trim_is_found_again_and_the_unit_file_left_alone(folder, unit_file):
    assert load_trim(folder, unit_file, UNIT) is None
    assert keep_trim(folder, unit_file, UNIT, TRIM)
    assert load_trim(folder, unit_file, UNIT) == TRIM
    assert unit_file.read_text() == "as the player left it"


def test_the_same_file_by_another_path_has_the_same_trim(folder, unit_file, monkeypatch):
    keep_trim(folder, unit_file, UNIT, TRIM)
    monkeypatch.chdir(unit_file.parent)
    assert load_trim(folder, type(unit_file)("heron.toml"), UNIT) == TRIM


def test_another_file_has_none(folder, unit_file):
    keep_trim(folder, unit_file, UNIT, TRIM)
    assert load_trim(folder, unit_file.with_name("egret.toml"), UNIT) is None


def test_a_later_trim_takes_the_place_of_the_earlier(folder, unit_file):
    keep_trim(folder, unit_file, UNIT, TRIM)
    later = msgspec.structs.replace(TRIM, log_scale=-0.01, count=3)
    assert keep_trim(folder, unit_file, UNIT, later)
    assert load_trim(folder, unit_file, UNIT) == later
    assert len(list(folder.iterdir())) == 1


def test_no_trim_leaves_no_file(folder, unit_file):
    keep_trim(folder, unit_file, UNIT, TRIM)
    assert keep_trim(folder, unit_file, UNIT, None)
    assert list(folder.iterdir()) == []
    assert keep_trim(folder, unit_file, UNIT, None)
    assert load_trim(folder, unit_file, UNIT) is None


@pytest.mark.parametrize(
    "changed",
    [
        {"measured": (*UNIT.measured, Point("short", 2.0, 200.0))},
        {"measured": (UNIT.measured[0],)},
        {"measured": (Point("long", 2.0, 501.0), UNIT.measured[1])},
        {"head": (Head("short", 21.0), Head("long", 50.0))},
    ],
)
def test_a_new_calibration_makes_the_trim_void(folder, unit_file, changed):
    keep_trim(folder, unit_file, UNIT, TRIM)
    assert load_trim(folder, unit_file, msgspec.structs.replace(UNIT, **changed)) is None


def test_a_new_name_or_limit_leaves_the_trim_valid(folder, unit_file):
    keep_trim(folder, unit_file, UNIT, TRIM)
    renamed = msgspec.structs.replace(
        UNIT, name="Heron", steadiness=Steadiness(steady_percent=1.0), conditions={"tape": "new"}
    )
    assert load_trim(folder, unit_file, renamed) == TRIM


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe\x00",
        b"[" * 100_000,
        b"null",
        b'{"calibration": "", "trim": null}',
        b'{"log_scale": 0.01}',
        b"x" * 2_000_000,
    ],
)
def test_a_damaged_file_is_no_trim(folder, unit_file, content):
    keep_trim(folder, unit_file, UNIT, TRIM)
    kept_file(folder).write_bytes(content)
    assert load_trim(folder, unit_file, UNIT) is None


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ('"log_scale":0.018', '"log_scale":9'),
        ('"log_scale":0.018', '"log_scale":1e400'),
        ('"error":0.006', '"error":0'),
        ('"error":0.006', '"error":-0.006'),
        ('"at_unix_s":1700000000.0', '"at_unix_s":1e300'),
        ('"count":2', '"count":0'),
        ('"count":2', '"count":2,"more":1'),
    ],
)
def test_figures_that_no_trim_has_are_no_trim(folder, unit_file, good, bad):
    keep_trim(folder, unit_file, UNIT, TRIM)
    text = kept_file(folder).read_text()
    assert good in text
    kept_file(folder).write_text(text.replace(good, bad))
    assert load_trim(folder, unit_file, UNIT) is None


def test_a_folder_that_cannot_be_written_is_no_reason_to_fail(tmp_path, unit_file):
    blocked = tmp_path / "state"
    blocked.write_text("a file where the folder should be")
    assert not keep_trim(blocked, unit_file, UNIT, TRIM)
    assert not keep_trim(blocked, unit_file, UNIT, None)
    assert load_trim(blocked, unit_file, UNIT) is None


def test_a_folder_or_a_pipe_in_its_place_is_no_trim(folder, unit_file):
    keep_trim(folder, unit_file, UNIT, TRIM)
    place = kept_file(folder)
    place.unlink()
    place.mkdir()
    assert load_trim(folder, unit_file, UNIT) is None
    assert not keep_trim(folder, unit_file, UNIT, TRIM)
    place.rmdir()
    os.mkfifo(place)
    assert load_trim(folder, unit_file, UNIT) is None
