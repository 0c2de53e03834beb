"""The commands, through the same door as the console script."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tempotape import cli
from tempotape.demos import DEMO_SET, DEMO_UNIT

KESTREL = str(DEMO_UNIT)
HERON = str(DEMO_UNIT.parent / "heron.toml")


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def run(monkeypatch, capsys):
    """Run a command; gives exit code, standard output and standard error."""

    def command(*words):
        monkeypatch.setattr(sys, "argv", ["tempotape", *map(str, words)])
        with pytest.raises(SystemExit) as end:
            cli.main()
        told = capsys.readouterr()
        return end.value.code or 0, told.out, told.err

    return command


def test_advise_json_has_the_fields_of_the_contract(run):
    code, out, err = run("advise", "--unit", KESTREL, "--tempo", "96", "--json")
    assert (code, err) == (0, "")
    report = json.loads(out)
    assert report["tempo_bpm"] == 96
    settings = report["settings"]
    assert [setting["rank"] for setting in settings] == [1, 2, 3, 4, 5, 6]
    for setting in settings:
        assert set(setting) >= {
            "rank", "note", "head", "knob", "knob_text", "target_ms", "delay_ms", "error_ms",
            "ms_per_step", "in_time", "flutter_percent", "zone", "reachable", "reasons",
        }  # fmt: skip
    # A quarter at 96 lasts 60000/96 ms.
    assert {s["note"]: s["target_ms"] for s in settings}["quarter"] == 625
    reached = [setting["reachable"] for setting in settings]
    assert reached == sorted(reached, reverse=True)
    assert settings[-1]["knob"] is None
    assert settings[-1]["reasons"]


def test_advise_takes_every_option(run):
    code, out, _ = run(
        "advise", "--unit", HERON, "--tempo", "60", "--beat", "dotted-quarter", "--repeats",
        "quarter", "--repeats", "Dotted Eighth", "--taste", "wobbly", "--head", "FAR", "--from",
        "near:12.5", "--json",
    )  # fmt: skip
    assert code == 0
    report = json.loads(out)
    assert report["quarter_bpm"] == 90
    assert {setting["note"] for setting in report["settings"]} == {"quarter", "dotted eighth"}
    assert {setting["head"] for setting in report["settings"]} == {"far"}
    assert report["taste"] == "wobbly"


@pytest.fixture
def in_terminal(monkeypatch):
    """From now on, standard output and error are a terminal of so many columns."""

    def be(columns):
        monkeypatch.setenv("COLUMNS", str(columns))
        for stream in (sys.stdout, sys.stderr):
            monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)

    return be


@pytest.mark.parametrize("columns", [80, 60])
@pytest.mark.parametrize(
    "words",
    [
        ("advise", "--unit", KESTREL, "--tempo", "96"),
        ("advise", "--unit", HERON, "--tempo", "96", "--taste", "wobbly"),
        ("lead", "--unit", KESTREL, "--near", "96"),
        ("lead", "--unit", HERON),
        ("lead", "--unit", HERON, "--near", "40", "--repeats", "thirty-second"),
    ],
    ids=lambda words: " ".join(words[::2]),
)
def test_what_is_told_fits_the_terminal_and_breaks_no_word(run, in_terminal, words, columns):
    _, piped, _ = run(*words)
    assert max(map(len, piped.splitlines())) > 80
    in_terminal(columns)
    _, shown, _ = run(*words)
    assert max(map(len, shown.splitlines())) <= columns
    known, seen = ({word.strip("(),:") for word in text.split()} for text in (piped, shown))
    # No word is broken or lost, but for the heading of what the reasons tell as well.
    assert seen <= known
    assert known - seen <= {"steadiness"}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        # By ear nothing is trusted at 2.6 and slower, by flutter nothing slower than 2.75; a
        # dotted eighth at 96 wants 2.75 or 5.55.
        (("--repeats", "dotted eighth", "--taste", "wobbly"),
         "note: no wobbly setting that can be trusted is in reach, so the answer is steady"),
        (("--repeats", "quarter"), "note: no steady setting is in reach, so the answer is wobbly"),
        (("--repeats", "dotted eighth", "--head", "short"),
         "note: no steady setting is in reach, so the answer is unstable, and not to be trusted"),
        (("--taste", "wobbly"), None),
        (("--repeats", "quarter", "--taste", "either"), None),
        (("--repeats", "whole"), None),  # out of reach, which the answer says
    ],
)  # fmt: skip
def test_advise_says_where_the_taste_asked_for_cannot_be_had(run, words, told):
    words = ("advise", "--unit", KESTREL, "--tempo", "96", *words)
    _, out, _ = run(*words)
    assert [line for line in out.splitlines() if line.startswith("note: ")] == [told][: bool(told)]
    assert "note: " not in run(*words, "--json")[1]


def test_advise_says_where_no_setting_is_known_to_be_to_the_taste(run, tmp_path):
    unit = tmp_path / "bare.toml"
    lines = Path(KESTREL).read_text().splitlines()
    unit.write_text("\n".join(line for line in lines if not line.startswith("flutter_percent")))
    _, out, _ = run("advise", "--unit", unit, "--tempo", "96", "--taste", "wobbly")
    assert out.splitlines()[-1] == "note: no setting in reach is known to be wobbly"


def test_a_fault_breaks_between_words(run, in_terminal):
    words = ("advise", "--unit", KESTREL, "--tempo", "96", "--head", "middle")
    _, _, piped = run(*words, "--from", "a rather long name of a head:3")
    in_terminal(40)
    code, _, shown = run(*words, "--from", "a rather long name of a head:3")
    assert (code, shown.split()) == (1, piped.split())
    assert len(shown.splitlines()) > len(piped.splitlines())
    assert max(map(len, shown.splitlines())) <= 40


def test_in_a_narrow_terminal_reasons_go_on_below(run, in_terminal):
    in_terminal(60)
    lines = run("advise", "--unit", KESTREL, "--tempo", "96")[1].splitlines()
    at = lines.index("     in time: expected within 5.8 ms, a listener notices")
    assert lines[at + 1] == "       11.7 ms"


def test_advise_reads_without_json(run):
    code, out, err = run("advise", "--unit", KESTREL, "--tempo", "96", "--repeats", "quarter")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Kestrel: 96 BPM to the quarter, taste steady"
    assert re.fullmatch(
        r"Answer: head long, knob at 4\.\d5|Answer: head long, knob at 4\.\d+: quarter, "
        r"625\.0 ms within \d+\.\d ms, in time, wobbly \(flutter 1\.\d %\)",
        lines[2],
    )
    assert "  a listener notices" not in lines[2]
    assert any("a listener notices 15.6 ms" in line for line in lines)


def test_the_clock_faced_demo_answers_in_hours(run):
    _, out, _ = run("advise", "--unit", HERON, "--tempo", "120", "--repeats", "quarter", "--json")
    best = json.loads(out)["settings"][0]
    assert best["head"] == "far"
    assert re.search(r"(past|to|o'clock)", best["knob_text"])


def test_curve_json_has_the_fields_of_the_contract(run):
    code, out, err = run("curve", "--unit", KESTREL, "--at", "0:10:0.5", "--json")
    assert (code, err) == (0, "")
    report = json.loads(out)
    assert report["unit"] == "Kestrel"
    assert set(report["heads"][0]) >= {"name", "gap_mm", "gap_ratio"}
    assert set(report["points"][0]) >= {
        "head", "knob", "delay_ms", "fitted_ms", "residual_percent", "suspect",
    }  # fmt: skip
    assert set(report["grid"][0]) >= {
        "knob", "measured_span", "delay_ms", "error_percent", "flutter_percent", "zone",
    }  # fmt: skip
    assert set(report["next_measurement"]) >= {"head", "knob", "why"}
    assert [row["knob"] for row in report["grid"]] == [at / 2 for at in range(21)]
    assert [row["measured_span"] for row in report["grid"]] == [at / 2 >= 2.4 for at in range(21)]
    # Both heads read one tape: the ratio of their delays is the same at every reading.
    ratio = report["heads"][1]["gap_ratio"]
    for row in report["grid"]:
        assert row["delay_ms"]["long"] / row["delay_ms"]["short"] == pytest.approx(ratio)
    assert report["grid"][4]["zone"] == "unstable"
    assert report["grid"][-1]["zone"] == "steady"


def test_curve_is_drawn_below_the_table_and_as_a_picture(run, tmp_path):
    drawn = tmp_path / "kestrel.svg"
    code, out, err = run("curve", "--unit", str(DEMO_UNIT), "--svg", str(drawn))
    assert (code, err) == (0, f"picture written to {drawn}\n")
    assert "flutter in %" in out
    assert drawn.read_text().startswith("<svg")
    code, out, err = run("curve", "--unit", str(DEMO_UNIT), "--svg", str(DEMO_UNIT))
    assert (code, out) == (1, "")
    assert err.endswith("is one of the files read; expected another file\n")


def test_curve_reads_without_json(run):
    code, out, _ = run("curve", "--unit", HERON)
    assert code == 0
    assert "Heron: the speed curve" in out
    assert "Measure next: head" in out
    assert "o'clock" in out
    assert "unstable  not measured" in out


@pytest.mark.parametrize(
    "at", ["2:9", "9:2:1", "2:9:0", "2:9:-1", "a:b:c", "0:10:0.0001", "nan:1:1"]
)
def test_a_grid_that_is_none_is_told(run, at):
    code, out, err = run("curve", "--unit", KESTREL, "--at", at)
    assert (code, out) == (1, "")
    assert err == (
        f'--at: grid is "{at}"; expected LOW:HIGH:STEP, as 2:9:0.5, of at most 10001 readings\n'
    )


def test_a_grid_beyond_the_scale_is_told(run):
    code, _, err = run("curve", "--unit", KESTREL, "--at", "0:11:1")
    assert code == 1
    assert err == "--at: grid runs from 0 to 11; expected readings of this knob, 0 to 10\n"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--tempo", "1200"],
         "--tempo: tempo is 1200; expected beats a minute from 20 to 400, as 96 or 96.5"),
        (["--tempo", "nan"],
         '--tempo: tempo is "nan"; expected beats a minute from 20 to 400, as 96 or 96.5'),
        (["--tempo", "96", "--beat", "qarter"],
         '--beat: unknown note value "qarter"; expected "quarter"'),
        (["--tempo", "96", "--repeats", "eigth"],
         '--repeats: unknown note value "eigth"; expected "eighth"'),
        (["--tempo", "96", "--taste", "wild"],
         '--taste: unknown taste "wild"; expected steady, wobbly or either'),
        (["--tempo", "96", "--head", "lung"], '--head: unknown head "lung"; expected "long"'),
        (["--tempo", "96", "--from", "lung:3"], '--from: unknown head "lung"; expected "long"'),
        (["--tempo", "96", "--from", "long"],
         '--from: position is "long"; expected HEAD:KNOB with a reading from 0 to 10'),
        (["--tempo", "96", "--from", "long:11"],
         '--from: position is "long:11"; expected HEAD:KNOB with a reading from 0 to 10'),
    ],
)  # fmt: skip
def test_a_value_at_fault_is_one_sentence_and_exit_1(run, words, sentence):
    code, out, err = run("advise", "--unit", KESTREL, *words)
    assert (code, out, err) == (1, "", f"{sentence}\n")


@pytest.mark.parametrize("words", [["advise"], ["advise", "--no-such"], ["nonsense"], ["curve"]])
def test_a_wrong_call_is_exit_2(run, words):
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    assert "Usage: tempotape" in err


def test_a_file_at_fault_is_one_sentence_and_exit_1(run, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text(Path(KESTREL).read_text().replace("knob = 2.4", "knob = 24", 1))
    for words in (
        ["curve"],
        ["advise", "--tempo", "96"],
        ["stage"],
        ["calibrate", "--csv-out", "x"],
    ):
        code, out, err = run(*words, "--unit", bad)
        assert (code, out) == (1, "")
        assert err == f"{bad}: measured 1: knob is 24; expected 0 to 10\n"


def test_a_unit_without_points_says_so(run, tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_text(Path(KESTREL).read_text().partition("[[measured]]")[0])
    code, _, err = run("curve", "--unit", empty)
    assert code == 1
    assert err.startswith(f"{empty}: ")
    assert "nothing measured yet" in err
    assert err.count("\n") == 1


def test_points_at_odds_beyond_noise_are_told_in_one_sentence(run, tmp_path):
    text = Path(KESTREL).read_text().partition("[[measured]]")[0]
    for knob, delay_ms in ((2, 300), (4, 500), (5, 900), (7, 600), (9, 250)):
        text += f'[[measured]]\nhead = "long"\nknob = {knob}\ndelay_ms = {delay_ms}\n'
    hill = tmp_path / "hill.toml"
    hill.write_text(text)
    code, out, err = run("curve", "--unit", hill)
    assert (code, out) == (1, "")
    assert err.startswith(f"{hill}: ")
    assert err.count("\n") == 1


def test_names_with_escapes_and_markup_reach_no_terminal(run, tmp_path):
    text = Path(KESTREL).read_text()
    text = text.replace('name = "Kestrel"', r'name = "\u001b[2JK[/]\u202e"')
    text = text.replace('"long"', r'"lo\u001b]0;x\u0007ng[/]"')
    armed = tmp_path / "armed.toml"
    armed.write_text(text)
    for words in (["curve"], ["advise", "--tempo", "96"], ["stage", "--tempo", "96"]):
        code, out, _ = run(*words, "--unit", armed)
        assert code == 0
        assert "K[/]" in out
        assert all(line.isprintable() for line in out.splitlines())


def test_an_option_with_escapes_reaches_no_terminal(run):
    code, _, err = run("curve", "--unit", "\x1b[31mno\x07.toml")
    assert code == 1
    assert err == "[31mno.toml: no such file; expected a unit file\n"


@pytest.mark.parametrize(
    "words",
    [
        ("advise", "--unit", "x", "--tempo", "96", "\x1b]0;owned\x07\x1b[31mextra"),
        ("measure", "a", "\x1b[31mb"),
        ("\x1b[31mno",),
        ("curve", "--unit", "x", "--\x1b[31mno"),
        ("testsignal", "a.wav", "--rate", "\x1b[31m8"),
    ],
)
def test_a_wrong_call_with_escapes_reaches_no_terminal(run, words):
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert lines[0].startswith("Usage: tempotape ")
    assert lines[-1].startswith("Error: ")
    assert all(line.isprintable() for line in lines)


def test_without_a_terminal_the_stage_prints_the_demo_answer(run):
    code, out, err = run()
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Low Tide: song 1 of 6, Saturday at the boathouse"
    assert lines[1] == "Kestrel: 96 BPM to the quarter, taste steady"
    assert lines[3].startswith("Answer: head long, knob at ")


def test_the_stage_takes_unit_set_and_tempo(run):
    code, out, _ = run("stage", "--unit", HERON, "--tempo", "120")
    assert code == 0
    assert out.splitlines()[0] == "Heron: 120 BPM to the quarter, taste steady"
    code, out, _ = run("stage", "--set", DEMO_SET, "--tempo", "80")
    assert code == 0
    assert out.splitlines()[1] == "Kestrel: 80 BPM to the quarter, taste steady"


def test_the_stage_without_a_tempo_asks_for_one(run):
    code, out, _ = run("stage", "--unit", HERON)
    assert (code, out) == (0, "Heron: no tempo yet; give one with --tempo BPM\n")


def test_what_was_open_last_opens_again(run):
    run("stage", "--unit", HERON, "--tempo", "120")
    _, out, _ = run()
    assert out.startswith("Heron: no tempo yet")


def test_a_unit_of_last_time_that_is_gone_gives_the_demo_and_says_why(run, tmp_path):
    lent = tmp_path / "lent.toml"
    lent.write_text(Path(HERON).read_text())
    run("stage", "--unit", lent)
    lent.unlink()
    code, out, _ = run()
    assert code == 0
    assert out.splitlines()[0] == (
        f"opened the demo, because {lent}: no such file; expected a unit file"
    )
    assert "Kestrel" in out


AT_ODDS = [("long", 1, 900), ("long", 3, 500), ("long", 5, 700), ("long", 7, 300), ("long", 9, 500)]


def unfit(path, points=()):
    """A unit file that can be read, but not fitted."""
    measured = (
        f'[[measured]]\nhead = "{head}"\nknob = {knob}\ndelay_ms = {delay_ms}\n'
        for head, knob, delay_ms in points
    )
    path.write_text("".join((Path(KESTREL).read_text().partition("[[measured]]")[0], *measured)))
    return path


@pytest.mark.parametrize(("points", "told"), [((), "nothing"), (AT_ODDS, 'head "long" takes ')])
def test_a_unit_that_cannot_be_fitted_is_not_remembered(run, tmp_path, points, told):
    run("stage", "--unit", HERON, "--tempo", "120")
    bad = unfit(tmp_path / "bad.toml", points)
    code, out, err = run("stage", "--unit", bad)
    assert (code, out) == (1, "")
    assert err.startswith(f"{bad}: ")
    assert told in err
    code, out, err = run()
    assert (code, err) == (0, "")
    assert out.startswith("Heron: ")


def test_a_unit_of_last_time_that_can_no_longer_be_fitted_gives_the_demo(run, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(Path(HERON).read_text())
    run("stage", "--unit", mine)
    unfit(mine, AT_ODDS)
    for _ in range(2):
        code, out, err = run()
        assert (code, err) == (0, "")
        lines = out.splitlines()
        assert lines[0].startswith(f'opened the demo, because {mine}: measured: head "long" takes ')
        assert lines[2].startswith("Kestrel: 96 BPM")
    mine.write_text(Path(HERON).read_text())  # mended
    assert run()[1].startswith("Heron: ")


def test_a_set_without_a_unit_needs_one(run, tmp_path):
    lone = tmp_path / "lone.toml"
    lone.write_text('format = 1\nname = "Lone"\n[[song]]\ntitle = "A"\ntempo_bpm = 90\n')
    code, _, err = run("stage", "--set", lone)
    assert (code, err) == (1, f'{lone}: names no unit; expected a line unit = "FILE" or --unit\n')
    code, out, _ = run("stage", "--set", lone, "--unit", KESTREL)
    assert code == 0
    assert out.startswith("A: song 1 of 1, Lone\nKestrel: 90 BPM")


def test_a_song_with_a_head_the_unit_lacks(run, tmp_path):
    lone = tmp_path / "lone.toml"
    lone.write_text('format = 1\nname = "Lone"\n[[song]]\ntitle = "A"\nhead = "middle"\n')
    code, _, err = run("stage", "--set", lone, "--unit", KESTREL)
    assert code == 1
    assert err == (f'{lone}: song 1 "A": unknown head "middle"; expected "short" or "long"\n')


@pytest.mark.parametrize("command", [[], *([name] for name in cli.commands.list_commands(None))])
def test_every_command_has_help(run, command):
    code, out, _ = run(*command, "--help")
    assert code == 0
    assert "Usage: tempotape" in out
    assert "\n  --help" in out or "-h, --help" in out


def test_the_version(run):
    from tempotape import __version__

    assert run("--version")[1] == f"tempotape, version {__version__}\n"


def test_a_kept_fit_gives_the_same_advice_without_loading_scipy(run, tmp_path):
    words = ("advise", "--unit", KESTREL, "--tempo", "96", "--json")
    first = run(*words)
    assert list((tmp_path / "cache" / "tempotape").glob("fit-*.json"))
    assert run(*words) == first
    script = (
        "import sys; from tempotape import cli; sys.argv[1:] = " + repr(list(words)) + "\n"
        "try: cli.main()\nexcept SystemExit: pass\n"
        "print('scipy' in sys.modules, 'numpy' in sys.modules, 'textual' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "False False False"


def test_a_damaged_kept_fit_is_fitted_anew(run, tmp_path):
    words = ("advise", "--unit", KESTREL, "--tempo", "96", "--json")
    first = run(*words)
    (kept,) = (tmp_path / "cache" / "tempotape").glob("fit-*.json")
    kept.write_text('[{"curve": 1}]')
    assert run(*words) == first
    assert kept.stat().st_size > 1000


def test_a_cache_that_cannot_be_written_is_no_fault(run, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file" / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file" / "state"))
    assert run("advise", "--unit", KESTREL, "--tempo", "96")[0] == 0
    assert run("stage", "--unit", KESTREL, "--tempo", "96")[0] == 0


def test_a_closed_pipe_is_no_traceback():
    script = "from tempotape.cli import main; main()"
    words = [sys.executable, "-c", script, "curve", "--unit", KESTREL]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        running.stdout.close()
        assert running.stderr.read() == b""


@pytest.mark.parametrize(
    ("words", "returned"),
    [
        ((), 0),
        (("stage", "--unit", KESTREL, "--tempo", "96"), 0),
        (("calibrate", "--unit", KESTREL, "--point", "short:5:181"), 0),
        (("calibrate", "--unit", KESTREL, "--tap", "short:5"), 1),
    ],
)
def test_a_closed_standard_input_is_no_traceback(words, returned, tmp_path):
    line = ["sh", "-c", 'exec "$@" <&-', "sh", sys.executable, "-m", "tempotape", *words]
    homes = {f"XDG_{home}_HOME": str(tmp_path) for home in ("STATE", "CACHE", "CONFIG")}
    done = subprocess.run(
        line, capture_output=True, text=True, check=False, env={**os.environ, **homes}
    )
    assert done.returncode == returned, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout if not returned else done.stderr.count("\n") == 1


def test_a_full_disk_behind_standard_output_is_one_sentence():
    script = "from tempotape.cli import main; main()"
    words = [sys.executable, "-c", script, "curve", "--unit", KESTREL]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "cannot write: No space left on device\n"


KNOBS = [
    "low = 0\nhigh = 10\nstep = 0.000001",
    "low = 0\nhigh = 0.000001\nstep = 0.000001",
    "low = -1000\nhigh = 1000\nstep = 1000",
]


@pytest.mark.parametrize("knob", KNOBS)
@pytest.mark.parametrize("delays_ms", [(60_000,), (0.1,), (60_000, 0.1), (1_200, 900), (0.1, 0.1)])
def test_any_figures_within_the_bounds_are_answered(run, tmp_path, knob, delays_ms):
    unit = tmp_path / "unit.toml"
    low, high = (float(re.search(rf"{end} = (\S+)", knob)[1]) for end in ("low", "high"))
    measured = (
        f'[[measured]]\nhead = "a"\nknob = {at}\ndelay_ms = {ms}\nerror_ms = 0.0001\n'
        for at, ms in zip((low, high), delays_ms, strict=False)
    )
    heads = '[[head]]\nname = "a"\ngap_mm = 0.1\n[[head]]\nname = "b"\ngap_mm = 10000\n'
    unit.write_text(f'format = 1\nname = "A"\n[knob]\n{knob}\n{heads}' + "".join(measured))
    for words in (["curve"], ["lead"], ["advise", "--tempo", "96"]):
        code, _, err = run(*words, "--unit", unit)
        assert (code, err) == (0, ""), words


def test_a_link_that_leads_to_itself_is_one_sentence_wherever_a_file_is_to_go(run, tmp_path):
    loop, other = tmp_path / "loop.wav", tmp_path / "other.wav"
    loop.symlink_to(other)
    other.symlink_to(loop)
    unit, songs, set_file = tmp_path / "unit.toml", tmp_path / "s.csv", tmp_path / "s.toml"
    unit.write_text(Path(KESTREL).read_text())
    songs.write_text("title,tempo_bpm\nA,96\n")
    for words in (
        ("curve", "--unit", unit, "--svg", loop),
        ("compare", unit, HERON, "--svg", loop),
        ("measure", "/no.wav", "--svg", loop),
        ("calibrate", "--unit", unit, "--csv-out", loop),
        ("calibrate", "--unit", unit, "--point", "long:6.2:400", "--svg", loop),
        ("calibrate", "--unit", unit, "--live", "--head", "long", "--knob", "6", "--save", loop),
        ("testsignal", loop),
        ("sheet", songs, "--unit", unit, "-o", loop, "--as", "csv"),
    ):
        told = f"{loop}: is a link that leads to itself; expected a file\n"
        assert run(*words) == (1, "", told), words
    inside = ("set", "new", loop / "s.toml", "--csv", songs, "--unit", unit)
    assert run(*inside) == (1, "", f"{loop}: is a link that leads to itself; expected a file\n")
    assert loop.is_symlink()
    assert not set_file.exists()


def test_readings_asked_for_are_told_as_asked(run):
    _, out, _ = run("curve", "--unit", KESTREL, "--at", "2.51:2.51:1")
    assert "\n2.51 " in out
    _, out, _ = run("curve", "--unit", KESTREL, "--at", "0:10:0.1", "--json")
    assert [row["knob"] for row in json.loads(out)["grid"]] == [tenth / 10 for tenth in range(101)]
