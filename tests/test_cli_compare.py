"""The compare command, through the command line."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner

from tempotape.cli.compare import compare
from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault

KESTREL = str(DEMO_UNIT)
HERON = str(DEMO_UNIT.parent / "heron.toml")


@pytest.fixture(scope="module", autouse=True)
def own_folders(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_STATE_HOME", "XDG_CACHE_HOME"):
            patch.setenv(name, str(tmp_path_factory.mktemp(name)))
        yield


@pytest.fixture(scope="module")
def later(tmp_path_factory):
    """The same unit with thinner pads, 5 % faster at every reading."""

    def changed(line):
        key, _, value = line.partition(" = ")
        if key == "delay_ms":
            return f"{key} = {float(value) / 1.05:.2f}"
        renamed = {"pads": '"felt, 1 mm"', "name": '"Kestrel, thin pads"'}
        if key in renamed and value in {'"felt, 2 mm"', '"Kestrel"'}:
            return f"{key} = {renamed[key]}"
        return line

    lines = [changed(line) for line in Path(KESTREL).read_text().splitlines()]
    path = tmp_path_factory.mktemp("units") / "later.toml"
    path.write_text("\n".join(lines))
    return str(path)


def run(*words):
    """Standard output and error; a fault of the input comes through as it is."""
    result = CliRunner().invoke(compare, list(words), catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout, result.stderr


def sentence(*words):
    with pytest.raises(InputFault) as met:
        run(*words)
    return str(met.value)


def test_json_has_its_fields(later):
    out, err = run(KESTREL, later, "--at", "3:9:2", "--json")
    assert err == ""
    report = json.loads(out)
    assert set(report) == {
        "unit_before", "unit_after", "span", "rows", "differences", "unchanged", "conditions",
        "remarks",
    }  # fmt: skip
    assert (report["unit_before"], report["unit_after"]) == ("Kestrel", "Kestrel, thin pads")
    assert [row["knob"] for row in report["rows"]] == [3, 5, 7, 9]
    for row in report["rows"]:
        assert set(row) >= {
            "heads", "speed_change_percent", "flutter_before_percent", "flutter_after_percent",
        }  # fmt: skip
        for head in row["heads"].values():
            assert set(head) == {
                "before_ms", "before_error_ms", "after_ms", "after_error_ms", "change_percent",
                "change_error_percent",
            }  # fmt: skip
        assert row["speed_change_percent"] == pytest.approx(5, abs=0.05)
    (difference,) = report["differences"]
    assert difference["what"] == "speed"
    assert difference["change_percent"] == pytest.approx(5, abs=0.05)
    assert difference["sentence"].startswith("runs 5 % faster at every reading")
    assert report["conditions"] == [{"name": "pads", "before": "felt, 2 mm", "after": "felt, 1 mm"}]


def test_text_says_what_was_changed_what_it_did_and_draws_both(later):
    out, err = run(KESTREL, later)
    assert err == ""
    assert out.index("pads: felt, 2 mm -> felt, 1 mm") < out.index("runs 5 % faster at every")
    assert "no difference beyond measuring error in flutter" in out
    assert "knob  short, ms" in out
    assert "o short before" in out
    assert "O flutter after" in out


def test_svg_is_written_beside_and_is_well_formed(later, tmp_path):
    target = tmp_path / "both.svg"
    out, err = run(KESTREL, later, "--svg", str(target), "--json")
    assert json.loads(out)["unit_before"] == "Kestrel"
    assert err == f"picture written to {target}\n"
    root = ET.fromstring(target.read_text())  # noqa: S314 - our own drawing
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


def test_a_picture_never_replaces_a_unit_file(later):
    content = Path(later).read_bytes()
    link = Path(later).with_name("link.svg")
    link.symlink_to(later)
    for target in (later, str(link)):
        assert sentence(KESTREL, later, "--svg", target) == (
            f"{target}: is one of the files read; expected another file"
        )
    assert Path(later).read_bytes() == content


def test_faults_are_one_sentence(later, tmp_path):
    assert sentence(KESTREL, HERON) == (
        'the two have no measured head in common ("short" and "long" before, "near" and "far" '
        "after); expected units with a head of the same name"
    )
    assert sentence(KESTREL, later, "--at", "0:10:1") == (
        "--at: readings run from 0 to 10; expected readings that both have measured, 2.4 to 10"
    )
    assert sentence(KESTREL, later, "--at", "soon").startswith('--at: grid is "soon"')
    missing = str(tmp_path / "none.toml")
    assert sentence(KESTREL, missing) == f"{missing}: no such file; expected a unit file"
