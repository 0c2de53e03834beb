"""Points kept between runs, whatever happens on the way."""

from __future__ import annotations

import datetime
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tempotape.bench.collecting import Collected, Collection
from tempotape.unit.model import Head, Knob, Point, Unit
from tempotape.unit.unitfile import add_points, read_unit

TEXT = """format = 1
name = "Plover"
[knob]
low = 0.0
high = 10.0
step = 0.1
[[head]]
name = "long"
"""
ROOT = Path(__file__).parent.parent.parent
NOON = datetime.datetime(2026, 3, 1, 12, 0, tzinfo=datetime.UTC)


@pytest.fixture
def unit_file(tmp_path):
    path = tmp_path / "plover.toml"
    path.write_text(TEXT)
    return path


@pytest.fixture
def again(tmp_path, unit_file):
    """The collection as the next run finds it."""

    def run():
        return Collection(tmp_path / "state", unit_file, read_unit(unit_file), now=lambda: NOON)

    return run


def point(number):
    return Point(head="long", knob=number / 10, delay_ms=1000.0 - number)


def test_points_not_written_wait_for_the_next_run(again):
    run = again()
    assert (run.waiting, run.in_hand, run.problem) == ((), (), "")
    assert run.add(point(1), "typed")
    assert run.add(point(2), "7 taps")
    expected = (
        Collected(point(1), "typed", "2026-03-01T12:00:00+00:00"),
        Collected(point(2), "7 taps", "2026-03-01T12:00:00+00:00"),
    )
    assert run.in_hand == again().waiting == expected
    assert again().in_hand == ()


def test_waiting_points_are_taken_and_go_on_waiting_until_they_are_written(again, unit_file):
    again().add(point(1), "typed")
    run = again()
    assert run.take_waiting() == ""
    assert (run.points, run.waiting) == ((point(1),), ())
    run.add(point(2), "typed")
    assert [one.point for one in again().waiting] == [point(1), point(2)]
    assert run.before_writing()
    add_points(unit_file, run.points)
    run.forget()
    assert (run.in_hand, again().waiting) == ((), ())


def test_points_left_waiting_stay_when_others_are_written(again, unit_file):
    again().add(point(1), "typed")
    run = again()
    run.add(point(2), "typed")
    run.before_writing()
    add_points(unit_file, run.points)
    run.forget()
    assert [one.point for one in again().waiting] == [point(1)]
    run = again()
    run.drop_waiting()
    assert again().waiting == ()


def test_nothing_is_left_on_the_disk_when_all_is_written_or_dropped(again, tmp_path):
    run = again()
    for number in range(3):
        run.add(point(number), "typed")
    run.forget()
    assert list((tmp_path / "state").iterdir()) == []


def test_a_command_given_once_more_does_not_double_its_points(again):
    run = again()
    run.add(point(1), "recording a.wav")
    run.add(point(1), "recording a.wav")  # within one run both are meant
    assert len(run.in_hand) == 2
    run = again()
    run.take_waiting()
    for _ in range(3):
        run.add(point(1), "recording a.wav")
    assert run.points == (point(1),) * 3
    run = again()  # left waiting, not taken
    run.add(point(1), "recording a.wav")
    assert len(run.in_hand) == 1
    assert run.waiting == ()


def test_points_that_no_longer_fit_the_unit_are_told(again, unit_file):
    again().add(point(1), "7 taps")
    again_run = again()
    again_run.add(Point("long", 9.0, 100.0), "typed")
    unit_file.write_text(TEXT.replace("high = 10.0", "high = 8.0"))
    run = again()
    assert run.take_waiting() == "not taken, typed, knob is 9; expected 0 to 8"
    assert run.points == (point(1),)
    assert [one.point.knob for one in run.waiting] == [9.0]


def test_names_that_are_not_utf_8_keep_their_points_apart(tmp_path):
    files = [tmp_path / os.fsdecode(name) for name in (b"\xff.toml", b"\xfe.toml")]
    for number, file in enumerate(files, 1):
        file.write_text(TEXT)
        run = Collection(tmp_path / "state", file, read_unit(file), now=lambda: NOON)
        assert run.add(point(number), os.fsdecode(b"recording \xff.wav"))
    for number, file in enumerate(files, 1):
        (waiting,) = Collection(tmp_path / "state", file, read_unit(file)).waiting
        assert (waiting.point, waiting.origin) == (point(number), "recording .wav")


def test_units_are_kept_apart_by_their_files(again, tmp_path):
    again().add(point(1), "typed")
    other = tmp_path / "other.toml"
    other.write_text(TEXT)
    assert Collection(tmp_path / "state", other, read_unit(other)).waiting == ()


def test_a_kept_file_that_is_damaged_is_told_and_set_aside(again, tmp_path):
    again().add(point(1), "typed")
    (kept,) = (tmp_path / "state").iterdir()
    kept.write_bytes(kept.read_bytes()[:-20])
    run = again()
    assert run.waiting == ()
    assert "is damaged and set aside" in run.problem


def test_a_state_folder_that_cannot_be_written_is_told(tmp_path):
    blocked = tmp_path / "state"
    blocked.write_text("a file, not a folder")
    unit = Unit(1, "Plover", Knob(0.0, 10.0, 0.1), (Head("long"),))
    run = Collection(blocked, tmp_path / "plover.toml", unit)
    assert not run.add(point(1), "typed")
    assert run.points == (point(1),)


ADDING = """
import sys
from pathlib import Path
from tempotape.bench.collecting import Collection
from tempotape.unit.model import Point
from tempotape.unit.unitfile import read_unit
folder, unit_file = map(Path, sys.argv[1:])
run = Collection(folder, unit_file, read_unit(unit_file))
for number in range(1, 100_000):
    run.add(Point("long", 1.0, float(number)), "typed")
    print(number, flush=True)
"""
WRITING = """
import sys
from pathlib import Path
from tempotape.bench.collecting import Collection
from tempotape.unit.model import Point
from tempotape.unit.unitfile import add_points, read_unit
folder, unit_file = map(Path, sys.argv[1:])
number = int(max([0, *(point.delay_ms for point in read_unit(unit_file).measured)]))
while True:
    run = Collection(folder, unit_file, read_unit(unit_file))
    run.take_waiting()
    number = int(max([number, *(point.delay_ms for point in run.points)])) + 1
    run.add(Point("long", 1.0, float(number)), "typed")
    print(number, flush=True)
    run.before_writing()
    add_points(unit_file, run.points)
    run.forget()
"""


def killed(script, *words, after_s):
    """Kill a script with signal 9 some time after its first line; the number it said last."""
    process = subprocess.Popen(
        [sys.executable, "-c", script, *map(str, words)], stdout=subprocess.PIPE, text=True,
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert process.stdout is not None
    first = process.stdout.readline()
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate()
    # The last line may be cut short.
    return int((first + rest).rpartition("\n")[0].splitlines()[-1])


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
def test_killed_at_any_moment_no_accepted_point_is_lost(tmp_path, unit_file):
    chance = random.Random(7)
    for attempt in range(5):
        folder = tmp_path / f"state {attempt}"
        told = killed(ADDING, folder, unit_file, after_s=chance.uniform(0.0, 0.1))
        run = Collection(folder, unit_file, read_unit(unit_file))
        numbers = [int(one.point.delay_ms) for one in run.waiting]
        assert numbers in (list(range(1, told + 1)), list(range(1, told + 2)))


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
def test_killed_while_writing_every_point_arrives_once(tmp_path, unit_file):
    chance = random.Random(8)
    for _ in range(8):
        told = killed(WRITING, tmp_path / "state", unit_file, after_s=chance.uniform(0.0, 0.15))
        unit = read_unit(unit_file)
        waiting = Collection(tmp_path / "state", unit_file, unit).waiting
        every = [point.delay_ms for point in (*unit.measured, *(one.point for one in waiting))]
        numbers = sorted(map(int, every))
        assert numbers in (list(range(1, told + 1)), list(range(1, told + 2)))
