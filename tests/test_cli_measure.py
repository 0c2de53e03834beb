"""`tempotape measure`, as a player types it."""

import json
import sys

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from tempotape.bench import measure as measuring
from tempotape.cli.measure import measure
from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tests.shared_measuring import measured_once_in
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play

RATE_HZ = 48_000


kept = measured_once_in(measuring)


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    """Clicks through a unit whose delay is 500 ms and whose repeats fall 6 dB a pass."""
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    sound = clicks([0.5, 1.4, 3.1, 3.87, 5.31, 6.13, 7.46], 10 * RATE_HZ, RATE_HZ)
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, feedback=0.5, hiss=1e-4)
    soundfile.write(path, mixed(sound, play(unit, sound, RATE_HZ)), RATE_HZ)
    return str(path)


def run(*words):
    """Standard output of the command; an InputFault is raised."""
    result = CliRunner().invoke(measure, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    return result.stdout


def fault_of(*words):
    with pytest.raises(InputFault) as fault:
        run(*words)
    return fault.value.sentence


def test_json_has_the_fields_of_the_contract(take):
    report = json.loads(run(take, "--json"))
    assert set(report) >= {
        "sample_rate_hz", "duration_s", "delay", "flutter", "repeats", "splice", "noise",
        "warnings",
    }  # fmt: skip
    assert (report["sample_rate_hz"], round(report["duration_s"], 2)) == (RATE_HZ, 10.0)
    assert set(report["delay"]) >= {"ms", "error_ms", "count", "series"}
    assert report["delay"]["ms"] == pytest.approx(500, abs=0.1)
    assert report["delay"]["count"] == len(report["delay"]["series"]) == 7
    assert set(report["delay"]["series"][0]) == {"t_s", "ms"}
    assert set(report["repeats"]) >= {"loop_gain_db", "count_to_60_db", "tail_s", "octaves"}
    assert set(report["repeats"]["octaves"][0]) >= {"hz", "gain_db"}
    assert report["flutter"] is None
    assert all(isinstance(warning, str) for warning in report["warnings"])


def test_plain_text_is_a_line_a_part(take):
    lines = run(take).splitlines()
    parts = [line.split()[0] for line in lines if line[0] != " "]
    assert parts[:6] == ["recording", "delay", "flutter", "repeats", "splice", "noise"]
    assert set(parts[6:]) == {"note:"}


def test_a_unit_gives_the_loop_and_the_gap_of_a_head(take, tmp_path):
    unit = tmp_path / "unit.toml"
    unit.write_text(
        'format = 1\nname = "Kite"\n[knob]\nlow = 0.0\nhigh = 10.0\nstep = 0.5\n'
        '[[head]]\nname = "only"\ngap_mm = 60.0\n[loop]\nlength_mm = 600.0\n'
    )
    report = json.loads(run(take, "--unit", unit, "--json"))
    assert report["speed_mm_s"] == pytest.approx(120.0, rel=1e-3)
    assert report["loop_period_s"] == pytest.approx(5.0, rel=1e-3)
    typed = json.loads(run(take, "--unit", unit, "--head", "only", "--loop-mm", 900, "--json"))
    assert typed["loop_period_s"] == pytest.approx(7.5, rel=1e-3)


def test_a_unit_with_several_heads_needs_to_be_told_which(take):
    report = json.loads(run(take, "--unit", DEMO_UNIT, "--json"))
    assert report["speed_mm_s"] is None


@pytest.mark.parametrize("typed", ["0", "-3", "nan", "long"])
def test_a_loop_length_that_is_none_is_refused(take, typed):
    assert fault_of(take, f"--loop-mm={typed}") == (
        f'--loop-mm: length is "{typed}"; expected millimetres, as 640'
    )


def test_a_head_that_the_unit_lacks_is_refused(take):
    told = fault_of(take, "--unit", DEMO_UNIT, "--head", "third")
    assert told.startswith('--head: no head "third"; expected "')


def test_a_head_is_known_by_name_whatever_the_case(take):
    report = json.loads(run(take, "--unit", DEMO_UNIT, "--head", "LONG", "--json"))
    assert report == json.loads(run(take, "--unit", DEMO_UNIT, "--head", "long", "--json"))
    assert report["speed_mm_s"] is not None


def test_a_loop_shorter_than_a_gap_of_its_unit_is_refused(take):
    assert fault_of(take, "--unit", DEMO_UNIT, "--loop-mm", "50") == (
        '--loop-mm: length is 50; expected more than the gap of head "long", 71'
    )


def test_a_head_without_a_unit_is_a_fault_of_usage(take):
    result = CliRunner().invoke(measure, [take, "--head", "long"])
    assert result.exit_code == 2
    assert "--head needs --unit" in result.stderr


def test_a_missing_recording_is_one_sentence(tmp_path):
    path = tmp_path / "none.wav"
    assert fault_of(path) == (
        f"{path}: cannot be read (No such file or directory); "
        "expected a WAV, AIFF, FLAC, OGG or MP3 recording"
    )


@pytest.mark.parametrize("name", ["", "  "])
def test_an_empty_name_is_told_as_such(name):
    assert fault_of(name) == "no recording is named; expected a file, as take.wav"


def test_a_bar_is_drawn_where_standard_error_is_a_terminal(take, kept, monkeypatch):
    kept.clear()
    told = []

    class Bar:
        pos = 0

        def __enter__(self):
            return self

        def __exit__(self, *fault):
            return None

        def update(self, steps):
            self.pos += steps
            told.append(self.pos)

    monkeypatch.setattr(sys.modules["tempotape.cli.measure"], "_at_terminal", lambda: True)
    monkeypatch.setattr("click.progressbar", lambda **_: Bar())
    run(take)
    assert told == sorted(told)
    assert told[-1] == 1000
    assert len(told) > 3


def test_silence_shows_nulls(tmp_path):
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(6 * RATE_HZ), RATE_HZ)
    report = json.loads(run(path, "--json"))
    assert [report[part] for part in ("delay", "flutter", "repeats", "splice")] == [None] * 4


def test_the_tone_is_drawn_below_the_report_and_as_a_picture(tmp_path):
    path, drawn = tmp_path / "tone.wav", tmp_path / "tone.svg"
    t_s = np.arange(9 * RATE_HZ) / RATE_HZ
    # A speed error of 0.5 % peak at 4 Hz, as AES6-2008 calibrates by.
    turned = 3150 * (t_s + 0.005 * (1 - np.cos(2 * np.pi * 4 * t_s)) / (2 * np.pi * 4))
    soundfile.write(path, 0.2 * np.sin(2 * np.pi * turned), RATE_HZ)
    result = CliRunner().invoke(measure, [str(path), "--svg", str(drawn)], catch_exceptions=False)
    assert result.exit_code == 0
    assert "deviation against time" in result.stdout
    assert "what the deviation is made of" in result.stdout
    assert drawn.read_text().startswith("<svg")


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_without_a_tone_the_report_is_told_and_then_why_there_is_no_picture(take, tmp_path, form):
    drawn = tmp_path / "none.svg"
    result = CliRunner().invoke(measure, [take, "--svg", str(drawn), *form])
    assert isinstance(result.exception, InputFault)
    assert result.exception.sentence == (
        f"{take}: no picture was made, as there is no tone to draw; expected a tone near 3150 Hz"
    )
    assert result.stdout == run(take, *form)
    assert not drawn.exists()


def test_a_picture_never_replaces_what_is_read(take):
    assert fault_of(take, "--svg", take) == (
        f"{take}: is one of the files read; expected another file"
    )
