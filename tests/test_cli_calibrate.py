"""`tempotape calibrate`: points typed, tapped and recorded; what is shown, asked and written."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from tempotape import cli
from tempotape.bench import from_recording
from tempotape.bench.live import CutShort, Interface, Take
from tempotape.cli import tapping
from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.tempo.taps import TapSeries
from tempotape.unit.unitfile import read_unit
from tests.pseudo_terminal import PseudoTerminal
from tests.shared_measuring import measured_once_in
from tests.simulated_unit import SimulatedUnit, beside, play

KESTREL = str(DEMO_UNIT)
TEMPOTAPE = (sys.executable, "-m", "tempotape", "calibrate")


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


measured_before = measured_once_in(from_recording)


@pytest.fixture
def run(monkeypatch, capsys):
    """Run `tempotape calibrate`; gives exit code, standard output and standard error."""

    def command(*words):
        monkeypatch.setattr(sys, "argv", ["tempotape", "calibrate", *map(str, words)])
        with pytest.raises(SystemExit) as end:
            cli.main()
        told = capsys.readouterr()
        return end.value.code or 0, told.out, told.err

    return command


@pytest.fixture
def unit(tmp_path):
    """A copy of the demo unit, with 16 points."""
    path = tmp_path / "unit.toml"
    path.write_text(Path(KESTREL).read_text())
    return path


class Answers:
    """A terminal's standard input that answers questions in order."""

    def __init__(self, *lines):
        self.lines = list(lines)

    def isatty(self):
        return True

    def readline(self, *_):
        return f"{self.lines.pop(0)}\n" if self.lines else ""


@pytest.fixture
def answers(monkeypatch):
    """Be a wide terminal, with these answers to come."""

    def use(*lines):
        monkeypatch.setenv("COLUMNS", "300")
        monkeypatch.setattr(sys, "stdin", Answers(*lines))
        for stream in (sys.stdout, sys.stderr):
            monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)

    return use


def wide_terminal(words, home):
    """Wide enough for any path, so that no sentence that is waited for breaks."""
    return PseudoTerminal(words, home=home, columns=400)


def kept(tmp_path):
    return list((tmp_path / "state").rglob("pending-*"))


GOOD = "long:6.2:400.1:2"


# CSV


def test_points_go_out_and_in_as_csv(run, tmp_path):
    unit, points = tmp_path / "unit.toml", tmp_path / "points.csv"
    unit.write_text(Path(KESTREL).read_text())
    assert run("--unit", unit, "--csv-out", points) == (
        0, f"16 points written to {points}\n", "",
    )  # fmt: skip
    points.write_text("head,knob,delay_ms\nlong,6.2,402\n")
    assert run("--unit", unit, "--csv", points) == (
        0, f"1 point added to {unit}; it now holds 17\n", "",
    )  # fmt: skip
    assert read_unit(unit).measured[-1].delay_ms == 402
    code, out, err = run("--unit", unit, "--csv-out", points, "--json")
    assert (code, json.loads(out), err) == (
        0, {"unit": "Kestrel", "added": 0, "measured": 17, "already": [], "suspects": []}, "",
    )  # fmt: skip
    assert unit.read_text().startswith(Path(KESTREL).read_text())


def test_points_the_unit_holds_already_are_named_and_not_added(run, tmp_path):
    unit, points = tmp_path / "unit.toml", tmp_path / "points.csv"
    unit.write_text(Path(KESTREL).read_text())
    points.write_text("head,knob,delay_ms\nlong,6.2,402\nshort,6.2,171\n")
    run("--unit", unit, "--csv", points)
    once = unit.read_text()
    again = "  head long, knob at 6.2: 402 ms\n  head short, knob at 6.2: 171 ms\n"
    assert run("--unit", unit, "--csv", points) == (
        0,
        f"0 points added to {unit}; it now holds 18\n2 points not added, there already:\n{again}",
        "",
    )
    assert unit.read_text() == once
    points.write_text("head,knob,delay_ms\nlong,6.2,402\nlong,6.2,403.5\n")  # measured once more
    code, out, err = run("--unit", unit, "--csv", points, "--json")
    already = {"head": "long", "knob": 6.2, "delay_ms": 402.0}
    told = json.loads(out)
    assert (code, err, told["added"], told["measured"]) == (0, "", 1, 19)
    assert [{key: one[key] for key in already} for one in told["already"]] == [already]


ONE_WAY = ((1, 1200), (2, 857), (3.5, 600), (5, 461), (7, 353), (9, 286))


def plain(path, points=()):
    """A unit file with one head `a`, and its points as (reading, delay in ms)."""
    measured = (
        f"[[measured]]\nhead = 'a'\nknob = {knob}\ndelay_ms = {ms}\n" for knob, ms in points
    )
    knob = "[knob]\nlow = 0\nhigh = 10\nstep = 0.1\n"
    path.write_text(f"format = 1\nname = 'A'\n{knob}[[head]]\nname = 'a'\n{''.join(measured)}")
    return path


def as_csv(path, points):
    path.write_text("head,knob,delay_ms\n" + "".join(f"a,{knob},{ms}\n" for knob, ms in points))
    return path


def test_points_of_a_csv_that_contradict_the_unit_are_refused(run, tmp_path):
    unit = plain(tmp_path / "unit.toml", ONE_WAY)
    points = as_csv(tmp_path / "points.csv", [(knob, ms) for (knob, _), (_, ms) in
                    zip(ONE_WAY, reversed(ONE_WAY), strict=True)])  # fmt: skip
    before = unit.read_text()
    for more in ((), ("--yes",), ("--json",), ("--csv-out", tmp_path / "out.csv")):
        code, out, err = run("--unit", unit, "--csv", points, *more)
        assert (code, out) == (1, "")
        assert err.startswith(f'{unit}: measured: head "a" takes ')
        assert err.endswith("measure these two again\n")
        assert (unit.read_text(), kept(tmp_path)) == (before, [])
    assert not (tmp_path / "out.csv").exists()


def test_a_suspect_of_a_csv_is_written_and_told(run, unit, tmp_path):
    points = tmp_path / "points.csv"
    points.write_text("head,knob,delay_ms\nlong,6.2,402\nlong,5,9000\n")
    code, out, err = run("--unit", unit, "--csv", points)
    assert (code, out) == (0, f"2 points added to {unit}; it now holds 18\n")
    assert re.fullmatch(
        r"suspect, the others say [45]\d\d(\.\d)? ms, measure it again: "
        r"head long, knob at 5: 9000 ms\n",
        err,
    )
    unit.write_text(Path(KESTREL).read_text())
    points.write_text("head,knob,delay_ms\nlong,5.5,9100\n")
    _, out, _ = run("--unit", unit, "--csv", points, "--json")
    assert [(one["knob"], one["delay_ms"]) for one in json.loads(out)["suspects"]] == [(5.5, 9100)]


def test_in_a_terminal_points_of_a_csv_are_shown_and_asked_about(run, unit, answers, tmp_path):
    points = tmp_path / "points.csv"
    points.write_text("head,knob,delay_ms\nlong,6.2,402\n")
    answers("n")
    code, out, err = run("--unit", unit, "--csv", points)
    assert (code, err) == (0, f"nothing was written to {unit}\n")
    assert "Kestrel: the curve with 1 point added" in out
    assert "Write 1 point to unit.toml?" in out
    assert (unit.read_text(), kept(tmp_path)) == (Path(KESTREL).read_text(), [])
    answers("y")
    _, out, _ = run("--unit", unit, "--csv", points)
    assert out.endswith(f"1 point added to {unit}; it now holds 17\n")
    points.write_text("head,knob,delay_ms\nlong,6.3,396\n")
    answers()
    _, out, err = run("--unit", unit, "--csv", points, "--yes")
    assert (out, err) == (f"1 point added to {unit}; it now holds 18\n", "")


def test_the_curve_with_the_points_of_a_csv_is_drawn(run, unit, tmp_path):
    points, svg = tmp_path / "points.csv", tmp_path / "curve.svg"
    points.write_text("head,knob,delay_ms\nlong,6.2,402\n")
    for added in (1, 0):  # there already, the second time
        code, out, err = run("--unit", unit, "--csv", points, "--svg", svg)
        assert (code, err) == (0, f"picture written to {svg}\n")
        assert out.startswith(f"{added} point")
        assert svg.read_text().startswith("<svg")
        svg.unlink()


def test_more_points_than_a_unit_file_can_hold_are_refused(run, tmp_path):
    unit = plain(tmp_path / "unit.toml", ONE_WAY)
    before = unit.read_text()
    # Each is a table of 47 bytes or more; 1 MB is what a unit file is read up to.
    many = [(round(5 + n / 10_000, 4), round(461 - n / 1000, 3)) for n in range(1, 30_001)]
    points = as_csv(tmp_path / "points.csv", many)
    begun_s = time.monotonic()
    code, out, err = run("--unit", unit, "--csv", points)
    assert (code, out) == (1, "")
    assert err == (
        f"{unit}: 30000 points are more than it can hold besides what it holds; expected a unit "
        "file of at most 1 MB\n"
    )
    assert unit.read_text() == before
    assert time.monotonic() - begun_s < 20


def test_a_long_list_is_brought_in_with_words_for_the_wait(run, answers, tmp_path):
    unit = plain(tmp_path / "unit.toml", ONE_WAY)
    many = [(round(5 + n / 10_000, 4), round(461 - n / 250, 3)) for n in range(1, 2_501)]
    points = as_csv(tmp_path / "points.csv", many)
    answers("y")
    code, out, err = run("--unit", unit, "--csv", points)
    assert code == 0
    assert err == "fitting the curve to 2506 points\nwriting them\n"
    assert len(out.splitlines()) < 80
    assert len(read_unit(unit).measured) == 2_506


def test_a_folder_that_is_not_there_is_told(run, tmp_path):
    nowhere = tmp_path / "no" / "points.csv"
    code, _, err = run("--unit", KESTREL, "--csv-out", nowhere)
    assert (code, err) == (1, f"{nowhere}: cannot be written (No such file or directory)\n")


def test_points_are_never_written_over_the_unit_file(run, tmp_path):
    unit, link = tmp_path / "unit.toml", tmp_path / "link.csv"
    unit.write_text(Path(KESTREL).read_text())
    link.symlink_to(unit)
    code, _, err = run("--unit", unit, "--csv-out", link)
    assert code == 1
    assert err == f"{link}: is one of the files read; expected another file\n"
    assert unit.read_text() == Path(KESTREL).read_text()
    points = tmp_path / "points.csv"
    points.write_text("head,knob,delay_ms\nlong,6.2,402\n")
    code, _, err = run("--unit", unit, "--csv", points, "--csv-out", points)
    assert (code, err) == (1, f"{points}: is one of the files read; expected another file\n")
    assert points.read_text() == "head,knob,delay_ms\nlong,6.2,402\n"
    assert unit.read_text() == Path(KESTREL).read_text()


# Typed points


def test_without_a_terminal_points_are_shown_and_nothing_is_written(run, unit, tmp_path):
    code, out, err = run("--unit", unit, "--point", GOOD)
    assert code == 0
    assert err == f"nothing was written to {unit}; --yes writes\n"
    assert unit.read_text() == Path(KESTREL).read_text()
    assert kept(tmp_path) == []
    lines = out.splitlines()
    assert lines[0] == "Kestrel: the curve with 1 point added"
    assert re.fullmatch(
        r"long  6\.2   400\.1 ms  \+-2  \d+\.\d ms  [+-]\d\.\d %  -        typed", lines[3]
    )
    heads = r"knob +short +error was +now +long +error was +now"
    assert any(re.fullmatch(heads, line) for line in lines)
    assert lines[-1].startswith("Measure next: head ")


def test_with_yes_points_are_written_and_the_file_keeps_its_text(run, unit, tmp_path):
    code, out, err = run("--unit", unit, "--point", GOOD, "--point", "SHORT:6.2:170", "--yes")
    assert (code, err) == (0, "")
    assert out.endswith(f"\n2 points added to {unit}; it now holds 18\n")
    assert unit.read_text().startswith(Path(KESTREL).read_text())
    one, other = read_unit(unit).measured[-2:]
    assert (one.head, one.knob, one.delay_ms, one.error_ms) == ("long", 6.2, 400.1, 2.0)
    assert (other.head, other.knob, other.delay_ms, other.error_ms) == ("short", 6.2, 170.0, None)
    assert kept(tmp_path) == []


def test_json_gives_the_preview_as_data(run, unit):
    code, out, _ = run("--unit", unit, "--point", GOOD, "--point", "long:5:9000", "--json")
    assert code == 0
    shown = json.loads(out)
    assert shown["written"] is False
    assert shown["refused"] == []
    good, bad = shown["points"]
    assert set(good) == {
        "head", "knob", "delay_ms", "error_ms", "flutter_percent", "fitted_ms",
        "residual_percent", "suspect", "origin",
    }  # fmt: skip
    assert (good["head"], good["knob"], good["delay_ms"]) == ("long", 6.2, 400.1)
    # The definition of the residual: 100 (measured / fitted - 1).
    assert good["residual_percent"] == pytest.approx(100 * (400.1 / good["fitted_ms"] - 1))
    assert (good["suspect"], bad["suspect"]) == (False, True)
    assert [(one["head"], one["knob"]) for one in shown["suspects"]] == [("long", 5.0)]
    assert any('head "long" at 5: 9000 ms' in remark for remark in shown["remarks"])
    # A suspect is to be measured again before anything else.
    wanted = shown["next_measurement"]
    assert (wanted["head"], wanted["knob"]) == ("long", 5.0)
    for row in shown["band"]:
        assert set(row["before_percent"]) == set(row["after_percent"]) == {"short", "long"}
    code, out, _ = run("--unit", unit, "--point", GOOD, "--json", "--yes")
    assert json.loads(out)["written"] is True
    assert len(read_unit(unit).measured) == 17


def test_the_curve_is_drawn_as_text_and_on_demand_as_svg(run, unit, tmp_path):
    svg = tmp_path / "curve.svg"
    _, out, err = run("--unit", unit, "--point", GOOD, "--svg", svg)
    assert "delay in ms: delay of each head" in out
    assert f"picture written to {svg}\n" in err
    root = ElementTree.parse(svg).getroot()  # noqa: S314 - our own file
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


def test_nothing_is_drawn_over_a_file_that_is_read(run, unit, tmp_path):
    take, link = silent(tmp_path / "take.wav"), tmp_path / "link.svg"
    link.symlink_to(take)
    held = take.read_bytes()
    recorded, walked = ("--recording", take, "--knob", "6"), ("--walk", take, "--marks", "2,4")
    for words, out in (
        (("--point", GOOD), unit),
        (("--head", "long", *recorded), take),
        (("--head", "long", *recorded), link),
        (("--head", "long", *walked), take),
    ):
        code, _, err = run("--unit", unit, *words, "--svg", out, "--yes")
        assert (code, err) == (1, f"{out}: is one of the files read; expected another file\n")
    assert (take.read_bytes(), unit.read_text()) == (held, Path(KESTREL).read_text())


def test_a_picture_and_a_take_are_two_files(run, unit, interface, tmp_path):
    take = tmp_path / "take.wav"
    words = (*LIVE, "--knob", "6.2", "--save", take, "--svg", tmp_path / "." / "take.wav", "--yes")
    assert run("--unit", unit, *words) == (
        1, "", f"{take}: is to hold the take as well; expected another file for one\n",
    )  # fmt: skip
    assert interface == []


def test_a_suspect_is_named_in_the_text_too(run, unit):
    _, out, _ = run("--unit", unit, "--point", "long:5:9000")
    assert "SUSPECT: measure this one again" in out
    assert 'note: head "long" at 5: 9000 ms is ' in out


def test_more_points_narrow_the_error(run, tmp_path):
    few = tmp_path / "few.toml"
    few.write_text("[[measured]]".join(Path(KESTREL).read_text().split("[[measured]]")[:4]))
    known = {(point.head, point.knob) for point in read_unit(few).measured}
    points = [
        f"--point={point.head}:{point.knob}:{point.delay_ms}"
        for point in read_unit(Path(KESTREL)).measured
        if (point.head, point.knob) not in known
    ]
    _, out, _ = run("--unit", few, *points, "--json")
    middle = next(row for row in json.loads(out)["band"] if row["knob"] == 5.0)
    assert middle["after_percent"]["short"] < 0.5 * middle["before_percent"]["short"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--point", "long:5"], '--point: point is "long:5"; expected HEAD:KNOB:MS or '
         "HEAD:KNOB:MS:ERROR, as long:2.5:812 or long:2.5:812:4"),
        (["--point", "long:5:x"], '--point: point is "long:5:x"; expected HEAD:KNOB:MS or '
         "HEAD:KNOB:MS:ERROR, as long:2.5:812 or long:2.5:812:4"),
        (["--point", "long:5:nan"], '--point: point is "long:5:nan"; expected HEAD:KNOB:MS or '
         "HEAD:KNOB:MS:ERROR, as long:2.5:812 or long:2.5:812:4"),
        (["--point", "lnog:5:400"], '--point "lnog:5:400": head is "lnog"; expected "long"'),
        (["--point", "long:11:400"], '--point "long:11:400": knob is 11; expected 0 to 10'),
        (["--point", "long:5:-4"], '--point "long:5:-4": delay_ms is -4; expected 0.1 to '
         "60000"),
        (["--point", "long:5:400:0"], '--point "long:5:400:0": error_ms is 0; expected '
         "0.0001 to 60000"),
        (["--recording", "a.wav", "--head", "lo", "--knob", "5"],
         '--head: head is "lo"; expected "short" or "long"'),
        (["--recording", "a.wav", "--head", "long", "--knob", "x"],
         '--knob: is "x"; expected a reading, as 2.5'),
        (["--recording", "a.wav", "--head", "long", "--knob", "12"],
         "--knob: reading 12 is off the scale; expected 0 to 10"),
        (["--walk", "a.wav", "--head", "long", "--marks", "2,12"],
         "--marks: reading 12 is off the scale; expected 0 to 10"),
        (["--walk", "a.wav", "--head", "long", "--turn", "nan"],
         "--turn: is nan; expected 2 to 120 s"),
        (["--recording", "/no/a.wav", "--head", "long", "--knob", "2"],
         "/no/a.wav: cannot be read (No such file or directory); expected a WAV, AIFF, FLAC, OGG "
         "or MP3 recording"),
        (["--tap", "long:5"], "--tap: tapping needs a terminal; expected --point HEAD:KNOB:MS "
         "instead"),
    ],
)  # fmt: skip
def test_a_value_at_fault_is_one_sentence_and_nothing_is_written(run, unit, words, sentence):
    assert run("--unit", unit, *words, "--yes") == (1, "", f"{sentence}\n")
    assert unit.read_text() == Path(KESTREL).read_text()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give --point, --tap, --recording, --walk, --live or --csv, or --csv-out"),
        (["--csv", "a.csv", "--point", GOOD], "--csv and --csv-out go alone"),
        (["--new", "--name", "A"], "--new needs --name, --heads and --scale"),
        (["--name", "A"], "--name, --heads, --scale and --loop go with --new"),
        (["--recording", "a.wav", "--live", "--head", "long", "--knob", "1"],
         "give one of --recording, --walk and --live at a time"),
        (["--live", "--head", "long"], "--live needs --knob, or --marks for a walk"),
        (["--recording", "a.wav", "--head", "long"], "give one --knob for each --recording"),
        (["--recording", "a.wav", "--knob", "1"], "give one --head, or one for each --recording"),
        (["--head", "long", "--point", GOOD],
         "--head goes with --recording, --walk and --live"),
        (["--marks", "1,2", "--point", GOOD], "--marks goes with --walk and --live"),
        (["--device", "x", "--point", GOOD], "--device and --save go with --live"),
        (["--csv-out", "a.csv", "--svg", "a.svg"], "--svg goes with points to add"),
        (["--new", "--name", "A", "--heads", "a", "--scale", "0:10:1", "--svg", "a.svg"],
         "--svg goes with points to add"),
    ],
)  # fmt: skip
def test_options_that_do_not_go_together_are_a_wrong_call(run, unit, words, told):
    code, out, err = run("--unit", unit, *words)
    assert (code, out) == (2, "")
    assert err.endswith(f"Error: {told}\n")


def test_points_at_odds_beyond_noise_are_not_written_but_kept(run, tmp_path):
    text = "format = 1\nname = 'A'\n[knob]\nlow = 0\nhigh = 10\nstep = 0.1\n[[head]]\nname = 'a'\n"
    unit = tmp_path / "odds.toml"
    unit.write_text(text)
    points = [f"--point=a:{knob}:{ms}" for knob, ms in ((1, 100), (2, 900), (3, 90), (4, 800))]
    code, out, err = run("--unit", unit, *points, "--yes")
    assert (code, out) == (1, "")
    kept_line, fault = err.splitlines()
    assert kept_line == "4 points kept; the next run offers them again"
    assert fault.startswith(f"{unit}: ")
    assert unit.read_text() == text


def test_points_that_could_not_be_kept_are_told_to_type_in_again(run, tmp_path, monkeypatch):
    unit = plain(tmp_path / "odds.toml")
    monkeypatch.setenv("XDG_STATE_HOME", "/dev/null/x")
    points = ((1, "100"), (2, "900:2.5"), (3, "90"), (4, "800"))
    code, _, err = run("--unit", unit, *(f"--point=a:{knob}:{ms}" for knob, ms in points), "--yes")
    assert code == 1
    assert err.splitlines()[-6:-1] == [
        "the state folder cannot be written, so 4 points could not be kept; to give them again:",
        *(f"  --point a:{knob}:{ms}" for knob, ms in points),
    ]
    assert "the next run offers" not in err


# Asked in a terminal


def test_yes_writes_no_drops_and_later_keeps(run, unit, answers, tmp_path):
    answers("n")
    code, out, err = run("--unit", unit, "--point", GOOD)
    assert code == 0
    assert "Write 1 point to unit.toml (y), drop it (n), or leave it for the next run (l)?" in (out)
    assert err == f"nothing was written to {unit}\n"
    assert (len(read_unit(unit).measured), kept(tmp_path)) == (16, [])
    answers("l")
    code, _, err = run("--unit", unit, "--point", GOOD)
    assert (code, err) == (0, "1 point kept; the next run offers it again\n")
    assert len(read_unit(unit).measured) == 16
    answers("y", "y")
    code, out, _ = run("--unit", unit)
    assert code == 0
    assert re.match(
        r"1 point from an interrupted calibration on \d{4}-\d\d-\d\d \d\d:\d\d:\n"
        r"  head long, knob at 6\.2: 400\.1 ms \+-2 \(typed\)\nTake it\? ",
        out,
    )
    assert out.endswith(f"1 point added to {unit}; it now holds 17\n")
    assert kept(tmp_path) == []


def test_a_curve_through_one_reading_shows_no_rows_of_guesses(run, tmp_path):
    unit = tmp_path / "new.toml"
    new = ("--new", "--name", "My echo", "--heads", "short:28,long:66", "--scale", "0:10:0.1")
    _, out, _ = run("--unit", unit, *new, "--point", "short:5.2:181:2")
    assert "?" not in out
    table = out[out.index("\nknob  short") + 1 :].split("\n\n")[0].splitlines()
    # The marks on either side of the one point.
    assert [line.split()[0] for line in table] == ["knob", "5", "5.5"]
    assert "delay in ms" not in out
    assert out.splitlines()[-1].startswith("Measure next: head long, knob at 5.2: ")
    _, out, _ = run("--unit", unit, *new, "--point", "short:5.2:181:2", "--point", "short:8:100")
    assert "delay in ms" in out
    table = out[out.index("\nknob  short") + 1 :].split("\n\n")[0].splitlines()
    assert len(table) == 1 + 21


def test_what_waits_can_be_left_and_dropped(run, unit, answers, tmp_path):
    answers("l")
    run("--unit", unit, "--point", GOOD)
    answers("n", "n")
    assert run("--unit", unit)[0] == 0
    assert len(kept(tmp_path)) == 1
    answers("n", "y")
    assert run("--unit", unit)[0] == 0
    assert (kept(tmp_path), len(read_unit(unit).measured)) == ([], 16)


def test_scripts_take_what_waits_only_when_told(run, unit, answers, monkeypatch, tmp_path):
    answers("l")
    run("--unit", unit, "--point", GOOD)
    monkeypatch.undo()
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    words = [*TEMPOTAPE, "--unit", unit, "--point", "short:6.2:170", "--yes"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert re.fullmatch(
        r"1 point from an interrupted calibration on .* left waiting; --resume takes it\n",
        done.stderr,
    )
    assert len(read_unit(unit).measured) == 17
    done = subprocess.run(
        [*TEMPOTAPE, "--unit", unit, "--resume", "--yes"], capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.endswith("it now holds 18\n")
    assert kept(tmp_path) == []


def test_ctrl_c_at_the_question_loses_nothing(run, unit, answers, tmp_path):
    answers()  # the input ends at the question
    code, _, err = run("--unit", unit, "--point", GOOD)
    assert code == 1
    assert "1 point kept; the next run offers it again" in err
    assert len(kept(tmp_path)) == 1


# Taps


def struck(*keys):
    """Keys from a script of (what is sent, seconds)."""
    waiting = [tapping.Key(*key) for key in keys]
    return lambda: waiting.pop(0)


def test_taps_go_through_the_regression_and_a_stray_one_is_dropped():
    times_s = [0.0, 0.41, 0.79, 1.2, 1.35, 1.61, 2.0, 2.39, 2.81]
    lines = []
    keys = struck(*((" ", at) for at in times_s), ("\r", 3.0))
    reading = tapping.tapped(keys, lines.append, never)
    # Least squares over the taps without the stray one, as numpy fits it.
    on_beat = [at for at in times_s if at != 1.35]
    slope, _ = np.polyfit(np.arange(len(on_beat)), on_beat, 1)
    assert reading.delay_ms == pytest.approx(1000 * slope, abs=0.1)
    assert (reading.count, reading.used) == (9, 8)
    assert lines[0] == "0 taps"
    assert lines[1] == "1 tap"
    assert re.fullmatch(
        r"9 taps, 1 dropped   every \d+\.\d ms \+-\d+\.\d   spread \d+ ms", lines[-1]
    )


def test_enter_after_too_few_taps_goes_on_and_an_arrow_key_is_no_tap():
    keys = [("\r", 0.0), (" ", 0.1), ("\r", 0.2), ("\x1b[A", 0.4), *((" ", 0.6 + n / 2) for n in
            range(3)), ("\r", 2.0)]  # fmt: skip
    lines = []
    reading = tapping.tapped(struck(*keys), lines.append, never)
    assert (reading.count, reading.period_s) == (4, pytest.approx(0.5))
    assert lines[1] == "too few taps; at least 4 are needed, tap on"
    assert lines[3] == "too few taps; at least 4 are needed, tap on"


def never(_reading):
    pytest.fail("nothing broke in")


def test_escape_leaves():
    with pytest.raises(tapping.Left):
        tapping.tapped(struck((" ", 0.0), (" ", 0.4), ("\x1b", 0.5)), lambda _: None, never)


@pytest.mark.parametrize(
    ("times_s", "period_s", "used"),
    [
        ((), None, None),
        ((0.0,), None, None),
        ((0.0, 0.4), 0.4, 2),  # few, but not lost
        ((0.0, 0.4, 0.8, 1.2, 1.6), 0.4, 5),
        # After a pause too few for a series of their own: those before it count.
        ((0.0, 0.4, 0.8, 1.2, 1.6, 9.0, 9.7), 0.4, 5),
        ((0.0, 0.4, 0.8, 1.2, 1.6, 9.0, 9.3, 9.6, 9.9), 0.3, 4),
    ],
)
@pytest.mark.parametrize("broken_by", [KeyboardInterrupt, EOFError])
def test_what_breaks_in_keeps_the_taps_so_far(times_s, period_s, used, broken_by):
    keys = iter([tapping.Key(" ", at_s) for at_s in times_s])

    def next_key():
        for key in keys:
            return key
        raise broken_by

    kept_readings = []
    with pytest.raises(broken_by):
        tapping.tapped(next_key, lambda _: None, kept_readings.append)
    told = [(pytest.approx(reading.period_s), reading.used) for reading in kept_readings]
    assert told == ([] if used is None else [(period_s, used)])


def test_a_terminal_that_is_gone_ends_the_keys(monkeypatch):
    ours, theirs = os.openpty()
    monkeypatch.setattr(sys, "stdin", os.fdopen(theirs))
    with tapping.keyboard() as next_key:
        os.close(ours)
        with pytest.raises(EOFError):
            next_key()
        # As read(2) fails where the program is left without its terminal.
        monkeypatch.setattr(os, "read", lambda *_: (_ for _ in ()).throw(OSError(5, "I/O error")))
        with pytest.raises(EOFError):
            next_key()


def at_keyboard(monkeypatch, *keys):
    """These keys will be struck."""
    next_key = struck(*keys)
    monkeypatch.setattr(tapping, "keyboard", lambda: contextlib.nullcontext(next_key))


def even_taps(count, period_s, end="\r"):
    return [*((" ", period_s * n) for n in range(count)), (end, period_s * count)]


def test_a_tapped_point_carries_the_error_of_its_taps(run, unit, answers, monkeypatch):
    answers("y")
    at_keyboard(monkeypatch, *even_taps(8, 0.4))
    code, _, err = run("--unit", unit, "--tap", "long:6.2")
    assert code == 0
    assert "Head long, knob at 6.2: tap any key along with the repeats, Enter ends" in err
    point = read_unit(unit).measured[-1]
    series = TapSeries()
    for _, at_s in even_taps(8, 0.4)[:-1]:
        series.tap(at_s)
    assert (point.head, point.knob, point.delay_ms) == ("long", 6.2, 400.0)
    assert point.error_ms == pytest.approx(series.reading.error_ms, abs=0.001)


CAUTION = "Keep fingers, hair and straps off the moving tape; level down before repeats up.\n"


def test_where_hands_are_at_the_tape_a_caution_comes_once_and_first(
    run, unit, answers, monkeypatch, tmp_path
):
    answers("n")
    at_keyboard(monkeypatch, *even_taps(8, 0.4), *even_taps(8, 0.3))
    _, _, err = run("--unit", unit, "--tap", "long:6.2", "--tap", "long:8")
    assert err.startswith(f"{CAUTION}Head long, knob at 6.2: tap any key")
    assert err.count("straps") == 1

    path = tmp_path / "new.toml"
    answers()
    _, _, err = run("--unit", path, *NEW)
    assert err == f"{path} written, with nothing measured yet\n{CAUTION}"

    answers("n")
    at_keyboard(monkeypatch, *even_taps(8, 0.4))
    _, _, err = run("--unit", tmp_path / "other.toml", *NEW, "--tap", "long:6.2")
    assert err.count("straps") == 1

    answers("n")
    _, _, err = run("--unit", unit, "--point", GOOD)
    assert "straps" not in err


def test_taps_on_every_second_repeat_halve(run, unit, answers, monkeypatch):
    answers("y")
    at_keyboard(monkeypatch, *even_taps(8, 0.34))
    run("--unit", unit, "--tap", "short:6.2:2")
    assert read_unit(unit).measured[-1].delay_ms == 170.0


@pytest.mark.parametrize("position", ["long", "long:5:5", "long:5:0.5", "long:x", "long:5:2:1"])
def test_a_position_to_tap_that_is_none_is_told(run, unit, answers, position):
    answers()
    assert run("--unit", unit, "--tap", position)[::2] == (
        1,
        f'--tap: position is "{position}"; expected HEAD:KNOB, or HEAD:KNOB:N with a tap on every '
        "Nth repeat, N up to 4\n",
    )


def test_leaving_while_tapping_keeps_earlier_positions(run, unit, answers, monkeypatch, tmp_path):
    answers()
    keys = [*even_taps(8, 0.4), *even_taps(3, 0.3, end="\x1b")]
    at_keyboard(monkeypatch, *keys)
    code, _, err = run("--unit", unit, "--tap", "long:6.2", "--tap", "long:8")
    assert code == 0
    assert err.endswith("1 point kept; the next run offers it again\n")
    assert (len(kept(tmp_path)), len(read_unit(unit).measured)) == (1, 16)


def test_in_a_real_terminal_taps_survive_a_kill_and_are_written(unit, tmp_path):
    words = [*TEMPOTAPE, "--unit", str(unit)]
    with wide_terminal([*words, "--tap", "long:6.2", "--tap", "long:8"], tmp_path) as ours:
        ours.until(b"0 taps")
        for _ in range(6):
            ours.press(b" ")
            time.sleep(0.3)
        ours.until(b"6 taps")
        ours.press(b"\r")
        ours.until(b"knob at 8")
        ours.process.kill()
    with wide_terminal(words, tmp_path) as ours:
        ours.until(b"1 point from an interrupted calibration")
        ours.press(b"y\r")
        ours.until(b"Write 1 point")
        ours.press(b"y\r")
        ours.until(b"it now holds 17")
        assert ours.process.wait(10) == 0
    # The keys came 0.3 s apart and a little; a busy machine may add some milliseconds.
    assert read_unit(unit).measured[-1].delay_ms == pytest.approx(302, abs=10)
    assert kept(tmp_path) == []


def test_questions_and_notes_fit_the_terminal(unit, tmp_path):
    longer = tmp_path / f"{'a-rather-long-name-of-a-unit' * 2}.toml"
    unit.rename(longer)
    words = [*TEMPOTAPE, "--unit", str(longer)]
    told = b""
    for more, answers in (
        (("--point", GOOD, "--point", "long:7:500:2"), ((b"(l)?", b"l\r"),)),
        ((), ((b"[Y/n]", b"n\r"), (b"[y/N]", b"n\r"))),
    ):
        with PseudoTerminal([*words, *more], home=tmp_path) as ours:
            for question, answer in answers:
                ours.until(question)
                ours.press(answer)
            assert ours.process.wait(10) == 0
            ours.drain(0.2)
            told += ours.written
    assert b"SUSPECT: measure this one again" in told
    assert b"from an interrupted calibration" in told
    for line in told.decode().replace("\r", "").splitlines():
        assert len(line) <= 80 or len(line.split()) == 1, line


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_in_a_real_terminal_an_interruption_keeps_the_taps_so_far(unit, tmp_path, told):
    words = [*TEMPOTAPE, "--unit", str(unit)]
    with wide_terminal([*words, "--tap", "long:6.2:2", "--point", GOOD], tmp_path) as ours:
        ours.until(b"0 taps")
        for _ in range(5):
            ours.press(b" ")
            time.sleep(0.3)
        ours.until(b"5 taps")
        ours.process.send_signal(told)
        ours.until(b"2 points kept; the next run offers them again")
        assert ours.process.wait(10) == 1
    with wide_terminal([*words, "--resume", "--yes"], tmp_path) as ours:
        ours.until(b"5 taps")
        ours.until(b"it now holds 18")
        assert ours.process.wait(10) == 0
    # On every second repeat, 0.3 s apart and a little.
    point = read_unit(unit).measured[-1]
    assert (point.head, point.knob) == ("long", 6.2)
    assert point.delay_ms == pytest.approx(151, abs=5)
    assert point.error_ms is not None
    assert kept(tmp_path) == []


IN_ITS_OWN_SESSION = (
    "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.argv[1], sys.argv[1:])"
)


@pytest.mark.parametrize("signalled_too", [False, True])
def test_a_terminal_that_is_closed_keeps_the_taps_so_far(unit, tmp_path, signalled_too):
    words = [*TEMPOTAPE, "--unit", str(unit), "--tap", "long:6.2"]
    held = [sys.executable, "-c", IN_ITS_OWN_SESSION, *words]
    with wide_terminal(held, tmp_path) as ours:
        ours.until(b"0 taps")
        for _ in range(5):
            ours.press(b" ")
            time.sleep(0.3)
        ours.until(b"5 taps")
        if signalled_too:
            ours.process.send_signal(signal.SIGHUP)
        ours.hang_up()
        assert ours.process.wait(10) == 1
    with wide_terminal([*TEMPOTAPE, "--unit", str(unit), "--resume", "--yes"], tmp_path) as ours:
        ours.until(b"5 taps")
        assert ours.process.wait(10) == 0
    assert read_unit(unit).measured[-1].knob == 6.2
    assert kept(tmp_path) == []


# Recordings


RATE_HZ = 16_000


def strummed(path, delay_ms, *, echo=True):
    """Bursts of noise at uneven times, dry left and the unit's echo right."""
    rng = np.random.default_rng(3)
    sound = np.zeros(12 * RATE_HZ)
    for at_s in np.cumsum(rng.uniform(0.7, 1.3, 9)):
        begin, burst = round(at_s * RATE_HZ), rng.normal(size=RATE_HZ // 10)
        sound[begin : begin + len(burst)] += burst * np.exp(-np.arange(len(burst)) / 200)
    sound *= 0.2 / np.abs(sound).max()
    played = play(SimulatedUnit(gap_mm=60.0, speed_mm_s=60_000 / delay_ms), sound, RATE_HZ)
    heard = (
        beside(sound, played) if echo else np.stack((sound, 1e-4 * rng.normal(size=len(sound))), 1)
    )
    soundfile.write(path, heard, RATE_HZ, subtype="FLOAT")
    return path


def silent(path):
    """Two seconds in which nothing is played."""
    soundfile.write(path, np.zeros((2 * RATE_HZ, 2)), RATE_HZ)
    return path


def test_recordings_give_one_point_a_position_and_a_refused_one_is_told(run, unit, tmp_path):
    good = strummed(tmp_path / "good.wav", 400.0)
    dry = strummed(tmp_path / "dry.wav", 400.0, echo=False)
    code, out, err = run(
        "--unit", unit, "--head", "Long", "--recording", good, "--knob", "6.2",
        "--recording", dry, "--knob", "7", "--yes", "--json",
    )  # fmt: skip
    assert code == 0
    assert "recording dry.wav, knob at 7: no point, no delay: " in err
    shown = json.loads(out)
    (point,), (refused,) = shown["points"], shown["refused"]
    assert (point["origin"], point["head"], point["knob"]) == ("recording good.wav", "long", 6.2)
    # Dry left and wet right: within 0.5 ms.
    assert point["delay_ms"] == pytest.approx(400.0, abs=0.5)
    assert (refused["source"], refused["knob"]) == ("recording dry.wav", 7.0)
    assert read_unit(unit).measured[-1].delay_ms == point["delay_ms"]


def test_in_a_terminal_measuring_shows_how_far_it_is(run, unit, answers, tmp_path):
    answers()
    take = silent(tmp_path / "take.wav")
    _, _, err = run("--unit", unit, "--head", "long", "--recording", take, "--knob", "6.2")
    assert "measuring take.wav" in err
    assert "100%" in err


def test_when_nothing_gives_a_point_that_is_the_fault(run, unit, tmp_path):
    take = silent(tmp_path / "take.wav")
    code, out, err = run("--unit", unit, "--head", "long", "--recording", take, "--knob", "7")
    assert (code, out) == (1, "")
    assert err.endswith(f"{unit}: no point came of this, so nothing was written\n")


def test_a_name_with_escapes_reaches_no_terminal(run, unit, tmp_path):
    take = silent(tmp_path / "a\x1b[31mb.wav")
    _, out, err = run("--unit", unit, "--head", "long", "--recording", take, "--knob", "7")
    assert "\x1b" not in out + err
    assert "recording a[31mb.wav" in err


def test_a_name_that_is_not_utf_8_is_as_good_as_any(run, unit, tmp_path):
    unit = unit.rename(tmp_path / os.fsdecode(b"unit\xff.toml"))
    take = strummed(tmp_path / "take.wav", 400.0).rename(tmp_path / os.fsdecode(b"t\xff.wav"))
    words = ("--unit", unit, "--head", "long", "--recording", take, "--knob", "6.2")
    code, out, err = run(*words, "--json", "--yes")
    assert code == 0
    assert err == "recording t.wav, knob at 6.2: flutter: no steady tone near 3150 or 3000 Hz\n"
    assert [point["origin"] for point in json.loads(out)["points"]] == ["recording t.wav"]
    assert len(read_unit(unit).measured) == 17
    code, out, _ = run(*words, "--point", "long:6.3:396", "--yes")
    assert code == 0
    assert out.endswith("2 points added to " + str(tmp_path / "unit.toml; it now holds 19\n"))


def test_a_walk_without_its_blocks_names_each_mark(run, unit, tmp_path):
    take = strummed(tmp_path / "walk.wav", 400.0)
    code, _, err = run("--unit", unit, "--head", "long", "--walk", take, "--marks", "2,4")
    assert code == 1
    told = err.splitlines()
    assert "more than once" not in err
    assert "walk: not in the recording: marks 1 and 2 of 2" in told
    for knob in (2, 4):
        assert f"walk walk.wav, knob at {knob}: no point, its block is not in the recording" in told


def test_marks_walked_twice_are_told(run, unit, tmp_path):
    take = silent(tmp_path / "walk.wav")
    _, _, err = run("--unit", unit, "--head", "long", "--walk", take, "--marks", "2,4,2")
    assert err.splitlines()[0] == "walked more than once, each time for a point of its own: 2"


# Live, without a sound interface; tests/bench/test_live.py has a real one


@pytest.fixture
def interface(monkeypatch):
    """A sound interface with an echo of 400 ms on it; gives what was asked of it."""
    from tempotape.bench import live

    asked = []

    def find(name):
        asked.append(name)
        return Interface("Box", 0, 0, inputs=2, outputs=2, rate_hz=RATE_HZ)

    def play_and_record(sound, _interface, *, inputs, **_):
        asked.append((len(sound) / RATE_HZ, inputs))
        played = play(SimulatedUnit(gap_mm=60.0, speed_mm_s=150.0), sound, RATE_HZ)
        return Take(beside(sound, played).astype(np.float32), RATE_HZ, breaks=2)

    monkeypatch.setattr(live, "find_interface", find)
    monkeypatch.setattr(live, "play_and_record", play_and_record)
    return asked


LIVE = ("--live", "--head", "long", "--inputs", "2")


def test_live_cautions_and_waits_for_enter_before_it_plays(run, unit, interface, answers):
    answers("", "y")
    code, out, err = run("--unit", unit, *LIVE, "--knob", "6.2", "--device", "Box")
    assert code == 0
    caution, _, rest = err.partition("Enter starts it, Ctrl-C leaves")
    assert "turn the level down" in caution
    assert "protect ears and" in caution
    assert "fingers, hair and straps" in caution
    assert "the sound broke up 2 times; flutter may read high" in rest
    assert interface[0] == "Box"
    assert interface[1][1] == 2
    assert read_unit(unit).measured[-1].delay_ms == pytest.approx(400.0, abs=0.1)
    assert "live" in out


def test_live_does_not_play_unasked(run, unit, interface):
    code, _, err = run("--unit", unit, *LIVE, "--knob", "6.2")
    assert code == 1
    assert err.splitlines()[-1] == (
        "--live: live recording waits for Enter in a terminal; expected --yes where there is none"
    )
    assert interface == [None]


def test_a_live_walk_says_where_to_turn_and_keeps_its_take(run, unit, interface, tmp_path):
    take = tmp_path / "take.wav"
    code, out, err = run(
        "--unit", unit, *LIVE, "--marks", "6.2,6.3", "--turn", "2", "--save", take, "--yes",
        "--json",
    )  # fmt: skip
    assert code == 0
    assert "At each pair of notes, high then low, turn the knob on: 6.2, 6.3." in err
    assert [point["knob"] for point in json.loads(out)["points"]] == [6.2, 6.3]
    assert soundfile.info(take).duration == pytest.approx(interface[1][0], abs=0.001)


@pytest.fixture
def cut(interface, monkeypatch):
    """The same interface, which stops, or is stopped by Ctrl-C, after so many seconds."""
    from tempotape.bench import live

    whole = live.play_and_record

    def use(after_s, cause):
        def play_and_record(sound, box, **more):
            assert interface == [None]  # looked for once, and not asked to play yet
            take = whole(sound, box, **more)
            raise CutShort(Take(take.frames[: round(after_s * RATE_HZ)], RATE_HZ, 0), cause)

        monkeypatch.setattr(live, "play_and_record", play_and_record)

    return use


STOPPED = InputFault("stopped after 60.0 s", source="Box")


@pytest.mark.parametrize(
    ("cause", "told"), [(STOPPED, "Box: stopped after 60.0 s"), (KeyboardInterrupt(), "Aborted!")]
)
def test_a_live_walk_cut_short_keeps_its_take_and_the_marks_finished(run, unit, cut, cause, told):
    cut(60.0, cause)  # a block is 46.7 s, and its clicks begin 7.2 s after it
    take = unit.parent / "take.wav"
    walk = (*LIVE, "--marks", "6.2,6.3,6.4", "--turn", "2", "--yes")
    code, out, err = run("--unit", unit, *walk, "--save", take)
    assert (code, out) == (1, "")
    lines = err.splitlines()
    assert f"the 60.0 s recorded until then are in {take}" in lines
    assert [line for line in lines if line][-2:] == [
        "1 point kept; the next run offers it again", told,
    ]  # fmt: skip
    assert soundfile.info(take).duration == pytest.approx(60.0)
    assert unit.read_text() == Path(KESTREL).read_text()
    code, out, _ = run("--unit", unit, "--resume", "--yes")
    assert (code, out.splitlines()[-1]) == (0, f"1 point added to {unit}; it now holds 17")
    point = read_unit(unit).measured[-1]
    assert (point.head, point.knob) == ("long", 6.2)
    assert point.delay_ms == pytest.approx(400.0, abs=0.1)


def test_a_live_walk_cut_short_before_its_first_mark_is_done_says_so_alone(run, unit, cut):
    cut(12.0, STOPPED)
    words = (*LIVE, "--marks", "6.2,6.3", "--turn", "2", "--yes")
    code, _, err = run("--unit", unit, *words)
    assert code == 1
    assert err.splitlines()[-1] == "Box: stopped after 60.0 s"
    assert "no point" not in err


@pytest.mark.usefixtures("interface")
def test_a_take_that_finds_no_room_costs_no_point(run, unit, monkeypatch):
    from tempotape.bench import live

    take, write = unit.parent / "take.wav", live.write_take

    def full(path, recorded):
        if path == take:
            raise InputFault("cannot be written (No space left on device)", source=str(path))
        write(path, recorded)

    monkeypatch.setattr(live, "write_take", full)
    code, _, err = run("--unit", unit, *LIVE, "--knob", "6.2", "--save", take, "--yes")
    assert code == 1
    assert err.splitlines()[-2:] == [
        "1 point kept; the next run offers it again",
        f"{take}: cannot be written (No space left on device)",
    ]
    run("--unit", unit, "--resume", "--yes")
    assert read_unit(unit).measured[-1].delay_ms == pytest.approx(400.0, abs=0.1)


def test_a_take_that_could_not_be_kept_is_told_before_anything_plays(run, unit, interface):
    nowhere = unit.parent / "no" / "take.wav"
    there = silent(unit.parent / "there.wav")
    for file, told in (
        (unit, "is one of the files read; expected another file"),
        (there, "exists already; expected another name for the take"),
        (nowhere, "is in no folder there is; expected a folder to write to"),
    ):
        words = (*LIVE, "--knob", "6.2", "--save", file, "--yes")
        assert run("--unit", unit, *words) == (1, "", f"{file}: {told}\n")
    assert interface == []


def test_ctrl_c_before_it_plays_leaves(run, unit, interface, answers):
    answers()
    code, _, _ = run("--unit", unit, *LIVE, "--knob", "6.2")
    assert code == 1
    assert len(interface) == 1


# A new unit file


NEW = ("--new", "--name", "My echo", "--heads", "short:28,long", "--scale", "0:10:0.1")


def test_a_new_unit_file_is_written_and_measured(run, tmp_path):
    path = tmp_path / "new.toml"
    code, out, err = run("--unit", path, *NEW, "--loop", "640", "--point", "long:2:812", "--yes")
    assert (code, err) == (0, f"{path} written, with nothing measured yet\n")
    assert out.endswith(f"1 point added to {path}; it now holds 1\n")
    unit = read_unit(path)
    assert unit.name == "My echo"
    assert [(head.name, head.gap_mm) for head in unit.head] == [("short", 28.0), ("long", None)]
    assert (unit.knob.low, unit.knob.high, unit.knob.step) == (0.0, 10.0, 0.1)
    assert unit.loop.length_mm == 640.0
    assert set(tomllib.loads(path.read_text())) == {
        "format", "name", "knob", "head", "loop", "steadiness", "conditions", "measured",
    }  # fmt: skip


def test_a_new_unit_file_alone_is_enough(run, tmp_path):
    path = tmp_path / "new.toml"
    assert run("--unit", path, *NEW) == (0, "", f"{path} written, with nothing measured yet\n")
    assert read_unit(path).measured == ()


def test_a_file_that_exists_is_never_made_new(run, unit):
    code, out, err = run("--unit", unit, *NEW)
    assert (code, out) == (1, "")
    assert err == (
        f"{unit}: exists already; expected a new file, or no --new to add points to this one\n"
    )
    assert unit.read_text() == Path(KESTREL).read_text()


def test_a_slip_in_a_point_leaves_no_new_file_behind(run, tmp_path):
    path = tmp_path / "new.toml"
    code, _, err = run("--unit", path, *NEW, "--point", "lnog:2:812")
    assert (code, err) == (1, '--point "lnog:2:812": head is "lnog"; expected "long"\n')
    assert not path.exists()


def test_a_new_unit_file_made_in_vain_is_removed_again(run, tmp_path):
    path, bad = tmp_path / "new.toml", tmp_path / "bad.csv"
    bad.write_text("head,knob,delay_ms\nlong,x,3\n")
    take = silent(tmp_path / "take.wav")
    recorded = ("--head", "long", "--knob", "2", "--recording")
    for words, told in (
        (("--csv", bad), f'{bad}: row 2: knob is "x"; expected a number'),
        (("--csv", "/no.csv"), "/no.csv: no such file; expected a CSV file of points"),
        ((*recorded, "/no.wav"), "/no.wav: cannot be read (No such file or directory); "),
        ((*recorded, take), f"{path}: no point came of this, so nothing was written"),
    ):
        code, _, err = run("--unit", path, *NEW, *words, "--yes")
        assert code == 1
        assert err.splitlines()[0] == f"{path} written, with nothing measured yet"
        assert err.splitlines()[-2] == f"{path} removed again, as nothing was measured"
        assert err.splitlines()[-1].startswith(told)
        assert not path.exists()


def test_a_new_unit_file_whose_points_are_only_shown_is_not_left_behind(run, tmp_path):
    path = tmp_path / "new.toml"
    words = ("--unit", path, *NEW, "--point", "long:2:812")
    code, _, err = run(*words)
    assert code == 0
    assert f"nothing was written to {path}; --yes writes\n" in err
    assert not path.exists()
    assert run(*words, "--yes")[0] == 0
    assert len(read_unit(path).measured) == 1


def test_a_new_unit_file_stays_with_the_points_kept_for_it(run, tmp_path):
    path = tmp_path / "new.toml"
    points = [f"--point=long:{knob}:{ms}" for knob, ms in ((1, 100), (2, 900), (3, 90), (4, 800))]
    code, _, err = run("--unit", path, *NEW, *points, "--yes")
    assert code == 1
    assert "4 points kept; the next run offers them again" in err
    assert read_unit(path).measured == ()


def test_without_terminal_settings_keys_come_from_click(monkeypatch):
    """As on Windows."""
    monkeypatch.setitem(sys.modules, "termios", None)
    monkeypatch.setattr("click.getchar", lambda: "x")
    before_s = time.monotonic()
    with tapping.keyboard() as next_key:
        key = next_key()
    assert key.sent == "x"
    assert before_s <= key.at_s <= time.monotonic()


def test_a_terminal_that_goes_away_leaves_and_the_terminal_is_put_back(unit, tmp_path):
    words = [*TEMPOTAPE, "--unit", str(unit), "--tap", "long:6.2"]
    with wide_terminal(words, tmp_path) as ours:
        ours.until(b"0 taps")
        ours.press(b"\x04")
        ours.until(b"Aborted!")
        assert ours.process.wait(10) == 1
