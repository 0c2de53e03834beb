"""The lead command, through the command line."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from tempotape.cli.lead import lead
from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.tempo.notes import NOTE_VALUES

KESTREL = str(DEMO_UNIT)
HERON = str(DEMO_UNIT.parent / "heron.toml")


@pytest.fixture(scope="module", autouse=True)
def own_folders(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_STATE_HOME", "XDG_CACHE_HOME"):
            patch.setenv(name, str(tmp_path_factory.mktemp(name)))
        yield


def run(*words):
    """Standard output of the command; a fault of the input comes through as it is."""
    result = CliRunner().invoke(lead, list(words), catch_exceptions=False)
    assert result.exit_code == 0
    assert result.stderr == ""
    return result.stdout


def sentence(*words):
    with pytest.raises(InputFault) as met:
        run(*words)
    return str(met.value)


def test_json_has_the_fields_of_the_contract():
    report = json.loads(run("--unit", KESTREL, "--near", "96", "--json"))
    assert (report["unit"], report["near_bpm"]) == ("Kestrel", 96)
    assert report["tempos"]
    for tempo in report["tempos"]:
        assert set(tempo) >= {
            "tempo_bpm", "note", "head", "knob", "delay_ms", "zone", "flutter_percent",
            "knob_text", "error_percent", "rank",
        }  # fmt: skip
        # 60000/BPM is a quarter in ms, and the note value so many of them; nothing is rounded.
        quarters = float(NOTE_VALUES[tempo["note"]].quarters)
        assert 60_000 / tempo["tempo_bpm"] * quarters == pytest.approx(tempo["delay_ms"], rel=1e-12)
        assert abs(tempo["tempo_bpm"] / 96 - 1) < 0.2
        assert tempo["knob"] * 2 == int(tempo["knob"] * 2)
        assert tempo["zone"] != "unstable"


def test_without_near_the_whole_list():
    report = json.loads(run("--unit", KESTREL, "--json"))
    assert report["near_bpm"] is None
    assert len(report["tempos"]) > 40
    assert {tempo["head"] for tempo in report["tempos"]} == {"short", "long"}
    assert {tempo["change_percent"] for tempo in report["tempos"]} == {None}


def test_every_option():
    report = json.loads(
        run("--unit", HERON, "--near", "60", "--beat", "dotted-quarter", "--repeats", "quarter",
            "--repeats", "Dotted Eighth", "--taste", "wobbly", "--head", "FAR", "--json")
    )  # fmt: skip
    assert (report["beat"], report["taste"]) == ("dotted quarter", "wobbly")
    assert {tempo["head"] for tempo in report["tempos"]} == {"far"}
    assert {tempo["note"] for tempo in report["tempos"]} <= {"quarter", "dotted eighth"}


def test_the_table():
    lines = run("--unit", HERON, "--near", "96").splitlines()
    assert lines[0] == "Heron: tempos of the tape near 96 BPM, to the quarter, taste steady"
    assert lines[1] == ""
    assert lines[2].split() == [
        "tempo", "change", "note", "value", "head", "knob", "delay", "error", "a", "step",
    ]  # fmt: skip
    report = json.loads(run("--unit", HERON, "--near", "96", "--json"))
    assert len(lines) == 3 + len(report["tempos"])
    for line, tempo in zip(lines[3:], report["tempos"], strict=True):
        assert line.startswith(f"{tempo['rank']} ")
        for cell in (f"{tempo['tempo_bpm']:.2f} BPM", tempo["note"], tempo["knob_text"],
                     f"{tempo['change_percent']:+.1f} %", f"{tempo['delay_ms']:.1f} ms",
                     "in time" if tempo["in_time"] else "loose",
                     f"{tempo['zone']} (flutter {tempo['flutter_percent']:.1f} %)"):  # fmt: skip
            assert cell in line


def test_loose_is_explained_only_where_a_tempo_is():
    words = ("--unit", KESTREL, "--near", "96")
    assert not all(tempo["in_time"] for tempo in json.loads(run(*words, "--json"))["tempos"])
    lines = run(*words).splitlines()
    assert lines[-2:] == ["", "loose: the repeats may be off by more than a listener notices"]
    words = (*words, "--head", "long")
    assert all(tempo["in_time"] for tempo in json.loads(run(*words, "--json"))["tempos"])
    assert "loose" not in run(*words)


def test_nothing_found_is_no_fault():
    words = ("--unit", KESTREL, "--repeats", "thirty-second", "--beat", "whole", "--head", "long")
    remark = (
        "no wanted note value gives a tempo from 20 to 400 BPM at an easy mark that can be trusted"
    )
    assert run(*words).splitlines() == [
        "Kestrel: tempos of the tape, to the whole, taste steady",
        f"note: {remark}",
    ]
    report = json.loads(run(*words, "--json"))
    assert (report["tempos"], report["remarks"]) == ([], [remark])


def test_steadiness_that_nobody_measured(tmp_path):
    unit = tmp_path / "bare.toml"
    unit.write_text(
        'format = 1\nname = "Bare"\n'
        '[knob]\nlow = 0\nhigh = 10\nstep = 0.1\n[[head]]\nname = "one"\n'
        + "".join(
            f'[[measured]]\nhead = "one"\nknob = {k}\ndelay_ms = {2000 / k}\n' for k in range(2, 10)
        )
    )
    lines = run("--unit", str(unit), "--near", "100").splitlines()
    rows = [line for line in lines if re.match(r"\d", line)]
    assert len(rows) > 1
    assert all(line.endswith("  steadiness unknown") for line in rows)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--near", "fast"),
         '--near: tempo is "fast"; expected beats a minute from 20 to 400, as 96 or 96.5'),
        (("--near", "19"),
         "--near: tempo is 19; expected beats a minute from 20 to 400, as 96 or 96.5"),
        (("--beat", "qarter"), '--beat: unknown note value "qarter"; expected "quarter"'),
        (("--repeats", "eigth"), '--repeats: unknown note value "eigth"; expected "eighth"'),
        (("--taste", "wild"),
         '--taste: unknown taste "wild"; expected steady, wobbly or either'),
        (("--head", "lng"), '--head: unknown head "lng"; expected "long"'),
    ],
)  # fmt: skip
def test_a_bad_value_is_one_sentence(words, told):
    assert sentence("--unit", KESTREL, *words) == told


def test_a_missing_unit(tmp_path):
    path = tmp_path / "no.toml"
    assert sentence("--unit", str(path)) == f"{path}: no such file; expected a unit file"
