"""The log of what was used: lines that survive damage, power cuts and years of shows."""

import json
import os
import signal

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.songs import used_log
from tempotape.songs.used_log import Used, last_used, log_used, read_used

WHOLE = Used(
    at_unix_s=1_790_000_000.5,
    set_name="Saturday at the boathouse",
    title="Low Tide",
    section="bridge",
    tempo_bpm=96.5,
    note="dotted eighth",
    head="long",
    knob=3.4,
    trim_log_scale=-0.012,
    gap_used_s=17.25,
)


def song(title, **known):
    return Used(at_unix_s=1.0, set_name="Night", title=title, **known)


def test_lines_come_back_as_they_were_written(tmp_path):
    path = tmp_path / "state" / "used.jsonl"
    lines = (WHOLE, song("Slow Bell"), song("Łódź 🔥", head='l"o\\ng', knob=0.0))
    assert all(log_used(path, line) for line in lines)
    assert read_used(path) == (lines, "")
    assert path.stat().st_mode & 0o077 == 0


def test_a_line_is_plain_json(tmp_path):
    """Read by the standard library, which did not write it."""
    path = tmp_path / "used.jsonl"
    log_used(path, WHOLE)
    log_used(path, song("Slow Bell"))
    first, second = [json.loads(line) for line in path.read_text().splitlines()]
    assert first == {
        "at_unix_s": 1_790_000_000.5,
        "set_name": "Saturday at the boathouse",
        "title": "Low Tide",
        "section": "bridge",
        "tempo_bpm": 96.5,
        "note": "dotted eighth",
        "head": "long",
        "knob": 3.4,
        "trim_log_scale": -0.012,
        "gap_used_s": 17.25,
    }
    assert second == {"at_unix_s": 1.0, "set_name": "Night", "title": "Slow Bell"}


def test_no_log_is_an_empty_one(tmp_path):
    assert read_used(tmp_path / "none.jsonl") == ((), "")


def test_a_log_that_cannot_be_read_is_told(tmp_path):
    assert read_used(tmp_path) == ((), f"{tmp_path} cannot be read (Is a directory)")
    assert not log_used(tmp_path, WHOLE)
    (tmp_path / "file").write_text("")
    assert not log_used(tmp_path / "file" / "used.jsonl", WHOLE)


def test_damaged_lines_are_passed_over_and_counted(tmp_path):
    path = tmp_path / "used.jsonl"
    log_used(path, song("A"))
    with path.open("ab") as file:
        file.write(b'{"at_unix_s": 1, "set_name": "Night"\n\xff\xfe\n\n[[[\n')
    log_used(path, song("B"))
    assert read_used(path) == ((song("A"), song("B")), f"{path}: 3 damaged lines passed over")


def test_a_line_cut_off_by_a_power_cut_spoils_no_other(tmp_path):
    path = tmp_path / "used.jsonl"
    log_used(path, song("A"))
    whole = path.read_bytes()
    log_used(path, song("B"))
    second = path.read_bytes()[len(whole) :]
    for length in range(len(second)):
        path.write_bytes(whole + second[:length])
        assert log_used(path, song("C"))
        used, told = read_used(path)
        kept = ("A", "B", "C") if length == len(second) - 1 else ("A", "C")
        assert tuple(one.title for one in used) == kept
        assert told == ("" if length in (0, len(second) - 1)
                        else f"{path}: 1 damaged line passed over")  # fmt: skip


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")
@pytest.mark.parametrize("step", ["fsync", "chmod", "replace"])
def test_a_power_cut_while_the_older_half_is_dropped_leaves_whole_lines(
    tmp_path, monkeypatch, step
):
    path = tmp_path / "used.jsonl"
    monkeypatch.setattr(used_log, "MOST_BYTES", 2000)
    lines = [song(f"Song {n}") for n in range(34)]
    assert all(log_used(path, line) for line in lines[:33])
    assert path.stat().st_size <= 2000
    child = os.fork()
    if child == 0:
        real = used_log.write_whole

        def cut(*given):
            from pathlib import Path

            def die(*_, **__):
                os.kill(os.getpid(), signal.SIGKILL)

            setattr(os if step == "fsync" else Path, step, die)
            real(*given)

        used_log.write_whole = cut
        for number in range(100):
            log_used(path, song(f"More {number}"))
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    used, told = read_used(path)
    assert told == ""
    assert lines[0] in used or lines[32] in used
    assert used[-1].title.startswith("More ")


def test_the_log_stays_bounded_and_keeps_the_newest(tmp_path, monkeypatch):
    monkeypatch.setattr(used_log, "MOST_BYTES", 4000)
    path = tmp_path / "used.jsonl"
    for number in range(200):
        assert log_used(path, song(f"Song {number}"))
        assert path.stat().st_size <= 4000
        used, told = read_used(path)
        assert told == ""
        assert [one.title for one in used] == [
            f"Song {n}" for n in range(number + 1 - len(used), number + 1)
        ]
        assert len(used) >= min(number + 1, 30)
    assert path.stat().st_mode & 0o077 == 0
    assert [other.name for other in tmp_path.iterdir()] == ["used.jsonl"]


def test_a_log_far_too_large_is_read_from_near_its_end(tmp_path, monkeypatch):
    monkeypatch.setattr(used_log, "_MOST_READ", 1000)
    path = tmp_path / "used.jsonl"
    for number in range(100):
        log_used(path, song(f"Song {number}"))
    used, told = read_used(path)
    assert told == ""
    assert used[-1].title == "Song 99"
    line = len(path.read_bytes().splitlines()[-1]) + 1
    assert len(used) == 1000 // line


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")
def test_two_processes_add_whole_lines_at_once(tmp_path):
    path = tmp_path / "used.jsonl"
    children = []
    for name in ("A", "B"):
        child = os.fork()
        if child == 0:
            done = all(log_used(path, song(f"{name} {n}")) for n in range(50))
            os._exit(0 if done else 1)
        children.append(child)
    assert [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children] == [0, 0]
    used, told = read_used(path)
    assert told == ""
    for name in ("A", "B"):
        assert [one.title for one in used if one.title[0] == name] == [
            f"{name} {n}" for n in range(50)
        ]


@pytest.mark.parametrize(
    "line",
    [
        song("A", tempo_bpm=1200.0),
        song("A", knob=float("nan"), note=3),
        song(""),
        song("\ud800"),
        song("\x1b\x00"),
        song("A", head=object()),
    ],
)
def test_a_line_that_would_not_be_read_back_is_not_written(tmp_path, line):
    path = tmp_path / "used.jsonl"
    assert not log_used(path, line)
    assert not path.exists()


def test_texts_of_a_log_from_elsewhere_are_made_printable(tmp_path):
    path = tmp_path / "used.jsonl"
    path.write_bytes(msgspec.json.encode(song("Low\x1b[31m Tide\n", head="l\u202eong")) + b"\n")
    assert read_used(path) == ((song("Low[31m Tide ", head="long"),), "")


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_without_a_fault(tmp_path, content):
    path = tmp_path / "used.jsonl"
    path.write_bytes(content)
    used, told = read_used(path)
    assert used == ()
    assert bool(told) == any(line.strip() for line in content.split(b"\n"))


def test_the_last_line_of_each_song_and_section_of_the_set_counts():
    early, late = song("A", head="short", knob=3.0), song("A", head="long", knob=5.0)
    bridge = song("A", section="bridge", knob=7.0)
    other = Used(at_unix_s=9.0, set_name="Another night", title="A", knob=1.0)
    # The clock was set back before the last line; it is still the last one.
    back = Used(at_unix_s=0.0, set_name="Night", title="B", knob=2.0)
    lines = [song("B"), early, bridge, late, other, back]
    assert last_used(lines, "Night") == {
        ("A", None): late, ("A", "bridge"): bridge, ("B", None): back
    }  # fmt: skip
    assert last_used(lines, "Nowhere") == {}
