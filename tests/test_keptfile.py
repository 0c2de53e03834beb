"""State that survives a power cut, a damaged disk and two processes at once."""

import contextlib
import json
import os
import random
import signal
import stat
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.keptfile import LARGEST_BYTES, MOST_SET_ASIDE, KeptFile

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")


class Evening(msgspec.Struct, frozen=True):
    song_at: int = 0
    tempo_bpm: float | None = None
    title: str = ""
    edits: dict[int, str] = {}


def numbered(number: int) -> Evening:
    """A value that can be told from every other, of a few kilobytes in all."""
    return Evening(number, 96.5, f"Low Tide {number}", dict.fromkeys(range(40), "x" * 80))


def kept_in(folder: Path) -> KeptFile[Evening]:
    return KeptFile(folder, "stage", Evening)


def with_two_generations(folder: Path) -> KeptFile[Evening]:
    kept = kept_in(folder)
    assert kept.save(Evening(1))
    assert kept.save(Evening(2))
    return kept


def asides(folder: Path) -> list[Path]:
    return [folder / f"stage.damaged-{number}.json" for number in (1, 2, 3)]


def killed_child(work) -> bytes:
    """Run `work(acknowledge)` in a child that dies by SIGKILL; what it acknowledged."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            os.write(writing, b".")
            work(lambda number: os.write(writing, b"%d\n" % number))
        os._exit(0)
    os.close(writing)
    os.read(reading, 1)  # it has begun: a fork of a large process takes its time
    if work.kill_after_s is not None:
        time.sleep(work.kill_after_s)
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reading, "rb") as file:
        return file.read()


class Saving:
    """Save one value after another; killed from outside, or by its own hand at one step."""

    def __init__(self, kept, first, *, kill_after_s=None, die_at=None):
        self.kept, self.first, self.kill_after_s, self.die_at = kept, first, kill_after_s, die_at

    def __call__(self, acknowledge):
        if self.die_at is not None:
            self._arm()
        number = self.first
        while self.kill_after_s is not None or number == self.first:
            assert self.kept.save(numbered(number))
            acknowledge(number)
            number += 1

    def _arm(self):
        steps = iter(range(1000))

        def watched(call):
            def step(*given, **named):
                if next(steps) == self.die_at:
                    os.kill(os.getpid(), signal.SIGKILL)
                result = call(*given, **named)
                if next(steps) == self.die_at:
                    os.kill(os.getpid(), signal.SIGKILL)
                return result

            return step

        os.fsync = watched(os.fsync)
        os.close = watched(os.close)
        Path.replace = watched(Path.replace)
        tempfile.mkstemp = watched(tempfile.mkstemp)


def cut_at_random_moments(folder: Path) -> None:
    """kill -9 of a process that saves without end; after each, the state is the last or newer."""
    kept, moments = kept_in(folder), random.Random(5)
    acknowledged = -1
    for _ in range(520):
        said = killed_child(
            Saving(kept, acknowledged + 1, kill_after_s=moments.uniform(0.001, 0.009))
        )
        acknowledged = int(said.split()[-1]) if said else acknowledged
        value, told = kept.load()
        assert told == ""
        if value is None:
            assert acknowledged == -1
            continue
        assert value.song_at in (acknowledged, acknowledged + 1)
        assert value == numbered(value.song_at)
        acknowledged = value.song_at
    assert acknowledged > 100, "the children were killed before they saved anything"
    assert len(list(folder.glob(".stage.json.*"))) > 20, "the kills fell between the saves"
    assert list(folder.glob("stage.damaged*")) == []


def test_five_hundred_power_cuts_at_random_moments_lose_nothing(tmp_path):
    # From a process as small as this module: to fork the one that runs all tests takes long.
    program = (
        "import sys; from pathlib import Path; from tests import test_keptfile as cuts; "
        "cuts.cut_at_random_moments(Path(sys.argv[1])); print('none lost')"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, tmp_path],
        cwd=Path(__file__).parent.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.stderr) == ("none lost\n", "")


def test_a_power_cut_before_and_after_every_step_of_a_save(tmp_path):
    outcomes = []
    for die_at in range(60):
        kept = kept_in(tmp_path / str(die_at))
        kept.save(numbered(0))
        kept.save(numbered(1))
        said = killed_child(Saving(kept, 2, die_at=die_at))
        value, told = kept.load()
        assert told == ""
        assert value in (numbered(1), numbered(2))
        if said:
            assert value == numbered(2)
        outcomes.append((value.song_at, bool(said)))
        if said:
            break
    # Cut short with the old value, cut short with the new one, and at last not cut at all.
    assert list(dict.fromkeys(outcomes)) == [(1, False), (2, False), (2, True)]
    assert len(outcomes) >= 11


def test_content_is_on_the_disk_before_its_name_and_the_name_before_the_answer(
    tmp_path, monkeypatch
):
    """The order POSIX asks for: fsync of the file, rename, fsync of the folder (fsync(2))."""
    kept, steps = with_two_generations(tmp_path), []
    real_flush, real_replace = os.fsync, Path.replace

    def flush(handle):
        steps.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "content")
        real_flush(handle)

    def replace(self, target):
        steps.append(f"to {target.name}")
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", flush)
    monkeypatch.setattr(Path, "replace", replace)
    assert kept.save(Evening(3))
    assert steps == ["content", "to stage.before.json", "to stage.json", "folder"]


def test_what_a_cut_save_leaves_is_cleared_once_it_is_old(tmp_path):
    kept = with_two_generations(tmp_path)
    old, young = tmp_path / ".stage.json.a1", tmp_path / ".stage.json.b2"
    other = tmp_path / ".other.json.c3"
    for path in (old, young, other):
        path.write_bytes(b"{")
    os.utime(old, (time.time() - 100,) * 2)
    os.utime(other, (time.time() - 100,) * 2)
    assert kept.load() == (Evening(2), "")
    assert (old.exists(), young.exists(), other.exists()) == (False, True, True)


def test_two_processes_that_save_at_once_leave_a_value_of_one_of_them(tmp_path):
    kept, children = kept_in(tmp_path), []
    assert kept.save(numbered(0))
    for first in (1_000, 2_000):
        child = os.fork()
        if child == 0:
            done = True
            for number in range(first, first + 60):
                done = kept.save(numbered(number)) and done
            os._exit(0 if done else 1)
        children.append(child)
    seen = set()
    until = time.monotonic() + 8
    while children and time.monotonic() < until:
        value, told = kept.load()
        assert told == ""
        assert value == numbered(value.song_at)
        seen.add(value.song_at)
        for child in list(children):
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                assert os.waitstatus_to_exitcode(status) == 0
                children.remove(child)
    assert children == []
    assert len(seen) > 2
    assert {path.name for path in tmp_path.iterdir()} == {"stage.json", "stage.before.json"}


def test_nothing_kept_is_no_fault(tmp_path):
    assert kept_in(tmp_path / "none").load() == (None, "")


def test_the_newest_value_comes_back_and_the_one_before_is_kept(tmp_path):
    kept = with_two_generations(tmp_path)
    assert kept.load() == (Evening(2), "")
    kept.newest.unlink()
    assert kept.load() == (Evening(1), "")


def test_the_files_are_for_this_user_alone(tmp_path):
    kept = with_two_generations(tmp_path / "state")
    assert [path.stat().st_mode & 0o077 for path in (kept.newest, kept.before, kept.folder)] == [
        0,
        0,
        0,
    ]


def test_the_newest_cut_off_at_every_byte_falls_back_to_the_one_before(tmp_path):
    kept = with_two_generations(tmp_path)
    whole = kept.newest.read_bytes()
    for length in range(len(whole)):
        kept.newest.write_bytes(whole[:length])
        value, told = kept.load()
        if length == len(whole) - 1:  # only the closing line end is gone
            assert (value, told) == (Evening(2), "")
        else:
            assert value == Evening(1)
            assert told == (
                f"{kept.newest} is damaged and set aside as stage.damaged-1.json; "
                "going on from the one kept before"
            )
    assert len(list(tmp_path.glob("stage.damaged-*.json"))) == MOST_SET_ASIDE


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.integers(min_value=0), min_size=1, max_size=4))
def test_flipped_bits_never_give_a_value_that_was_not_kept(tmp_path, flips):
    kept = kept_in(tmp_path)
    if not kept.before.exists():
        with_two_generations(tmp_path)
        (tmp_path / "sound").write_bytes(kept.newest.read_bytes())
    content = bytearray((tmp_path / "sound").read_bytes())
    for flip in flips:
        at = flip % (len(content) * 8)
        content[at // 8] ^= 1 << at % 8
    kept.newest.write_bytes(content)
    value, told = kept.load()
    assert value in (Evening(1), Evening(2))
    assert (value == Evening(1)) == bool(told)


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=300), st.binary(max_size=300))
def test_any_bytes_in_both_files_are_never_fatal(tmp_path, newest, before):
    kept = kept_in(tmp_path)
    kept.newest.write_bytes(newest)
    kept.before.write_bytes(before)
    value, told = kept.load()
    assert value is None
    assert told == (
        f"{kept.newest} is damaged and set aside as stage.damaged-1.json; "
        f"{kept.before} is damaged and set aside as stage.damaged-2.json; nothing else was kept"
    )
    assert [path.read_bytes() for path in asides(tmp_path)[:2]] == [newest, before]
    assert kept.load() == (None, "")


def test_damaged_files_set_aside_are_kept_newest_first_and_few(tmp_path):
    kept = kept_in(tmp_path)
    for number in range(5):
        kept.newest.write_text(f"damage {number}")
        kept.load()
    assert [path.read_text() for path in asides(tmp_path)] == ["damage 4", "damage 3", "damage 2"]
    assert sorted(tmp_path.iterdir()) == asides(tmp_path)
    assert kept.save(Evening(3))
    assert kept.load() == (Evening(3), "")


def test_a_save_over_a_damaged_newest_keeps_the_sound_one_before(tmp_path):
    kept = with_two_generations(tmp_path)
    kept.newest.write_text("{")
    assert kept.save(Evening(3))
    assert kept.load() == (Evening(3), "")
    kept.newest.unlink()
    assert kept.load() == (Evening(1), "")


def test_a_sound_check_over_a_wrong_type_is_damage(tmp_path):
    class Other(msgspec.Struct):
        song_at: str

    assert KeptFile(tmp_path, "stage", Other).save(Other("three"))
    value, told = kept_in(tmp_path).load()
    assert value is None
    assert told.endswith("is damaged and set aside as stage.damaged-1.json; nothing else was kept")


def test_unknown_and_missing_fields_of_other_versions_are_read(tmp_path):
    class Later(msgspec.Struct):
        song_at: int
        lamp: str

    assert KeptFile(tmp_path, "stage", Later).save(Later(4, "red"))
    assert kept_in(tmp_path).load() == (Evening(song_at=4), "")


def test_the_file_is_json_that_any_tool_can_check(tmp_path):
    """The checksum is SHA-256 (FIPS 180-4) of the value's bytes as they stand, by coreutils."""
    import shutil
    import subprocess

    kept = with_two_generations(tmp_path)
    text = kept.newest.read_text()
    assert json.loads(text)["kept"]["song_at"] == 2
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")
    raw = text.split('"kept":', 1)[1].rstrip("\n")[:-1]
    said = subprocess.run([tool], input=raw, capture_output=True, text=True, check=True).stdout
    assert json.loads(text)["check"] == said.split()[0]


@pytest.mark.parametrize(
    "value",
    [
        Evening(tempo_bpm=float("nan"), song_at="no number"),
        Evening(title="\ud800"),
        Evening(title="x" * LARGEST_BYTES),
        Evening(edits={1: object()}),
    ],
)
def test_a_value_that_would_not_be_read_back_is_refused_and_the_last_one_stays(tmp_path, value):
    kept = with_two_generations(tmp_path)
    assert not kept.save(value)
    assert kept.load() == (Evening(2), "")


def test_a_number_that_json_cannot_hold_is_refused(tmp_path):
    class Strict(msgspec.Struct):
        knob: float

    kept = KeptFile(tmp_path, "strict", Strict)
    assert not kept.save(Strict(float("nan")))
    assert kept.load() == (None, "")


def test_a_type_that_json_cannot_hold_is_refused(tmp_path):
    class Odd(msgspec.Struct):
        value: complex

    assert not KeptFile(tmp_path, "odd", Odd).save(Odd(1j))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_or_written_is_told_by_false(tmp_path):
    (tmp_path / "file").write_text("")
    assert not kept_in(tmp_path / "file" / "state").save(Evening(1))
    kept = kept_in(tmp_path / "blocked")
    (tmp_path / "blocked" / "stage.json" / "inside").mkdir(parents=True)
    assert not kept.save(Evening(1))
    assert [path.name for path in kept.folder.iterdir()] == ["stage.json"]


def test_a_file_that_cannot_be_read_is_told_and_the_one_before_is_used(tmp_path):
    kept = with_two_generations(tmp_path)
    kept.newest.unlink()
    kept.newest.mkdir()
    value, told = kept.load()
    assert value == Evening(1)
    assert told == (
        f"{kept.newest} cannot be read (Is a directory); going on from the one kept before"
    )


def test_a_damaged_file_that_cannot_be_moved_is_still_no_obstacle(tmp_path, monkeypatch):
    kept = with_two_generations(tmp_path)
    kept.newest.write_text("{")

    def refused(self, target):
        raise PermissionError(13, "Permission denied", str(self), str(target))

    monkeypatch.setattr(Path, "replace", refused)
    assert kept.load() == (
        Evening(1),
        f"{kept.newest} is damaged; going on from the one kept before",
    )
    assert not kept.save(Evening(3))
