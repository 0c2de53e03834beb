"""The command that writes the test sound."""

from __future__ import annotations

import pytest
import soundfile
from click.testing import CliRunner

from tempotape.bench.walk import plain_layout, walk_layout
from tempotape.cli.testsignal import testsignal as command
from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault


def run(*words):
    """Exit code, standard output and standard error; a fault is raised as it is."""
    result = CliRunner().invoke(command, [str(word) for word in words])
    if isinstance(result.exception, InputFault):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def out(tmp_path):
    return tmp_path / "play.wav"


def test_the_plain_sound_is_written_with_a_word_of_caution(out):
    code, told, _ = run(out, "--rate", 8000)
    assert code == 0
    assert told.splitlines() == [
        f"0:54 written to {out}",
        "start with the volume down: the tone is steady, and an echo can oscillate",
    ]
    info = soundfile.info(out)
    assert info.frames == round(plain_layout().duration_s * 8000)
    assert info.subtype == "PCM_24"


def test_a_walk_says_when_each_reading_comes(out):
    code, told, _ = run(out, "--walk", "0,2.5", "--rate", 8000, "--turn", 10, "--bits", 16)
    layout = walk_layout(2, 10.0)
    assert code == 0
    assert told.splitlines()[1:4] == [
        "turn the knob at the two notes, and leave it until they come again:",
        "    0:00  0",
        "    0:54  2.5",
    ]
    assert soundfile.info(out).frames == round(layout.duration_s * 8000)


def test_a_unit_gives_readings_in_its_own_marks(out):
    code, told, _ = run(out, "--unit", DEMO_UNIT.parent / "heron.toml", "--rate", 8000)
    assert code == 0
    assert told.splitlines()[2].split(maxsplit=1)[1].endswith("7 o'clock")
    assert len(told.splitlines()) == 7 + 3
    code, told, _ = run(out, "--unit", DEMO_UNIT, "--marks", 3, "--rate", 8000, "--force")
    assert [line.split()[-1] for line in told.splitlines()[2:5]] == ["0", "5", "10"]


def test_help_cautions_about_the_volume():
    code, told, _ = run("--help")
    assert code == 0
    assert "Mind the volume" in told
    assert "oscillate" in told


def test_help_asks_for_a_recording_that_tells_the_delay():
    """`measure` refuses the delay and the loop gain of the wet sound alone."""
    told = " ".join(run("--help")[1].split())
    assert "best the dry sound on the left and the wet on the right, else both mixed" in told
    assert "The wet sound alone gives flutter, splice and noise, but no delay" in told


@pytest.mark.parametrize(
    ("walk", "told"), [("1,1", "1"), ("0,2.5,5,2.5,0,5", "0, 2.5 and 5"), ("0,1", None)]
)
def test_a_reading_walked_twice_is_told(out, walk, told):
    lines = run(out, "--walk", walk, "--rate", 8000)[1].splitlines()
    twice = [line for line in lines if "more than once" in line]
    assert twice == (
        [f"walked more than once, each time for a point of its own: {told}"] * bool(told)
    )


@pytest.mark.parametrize(
    "words", [("--marks", 3), ("--marks", 3, "--unit", DEMO_UNIT, "--walk", "0,1")]
)
def test_marks_go_with_a_unit_and_without_a_walk(out, words):
    code, _, err = run(out, *words)
    assert code == 2
    assert "--marks goes with --unit, and without --walk" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--walk", "fast"), '--walk: is "fast"; expected readings as 0,2.5,5 or LOW:HIGH:STEP'),
        (
            ("--walk", "0,99", "--unit", DEMO_UNIT),
            "--walk: reading 99 is off the scale; expected 0 to 10",
        ),
        (("--level", "3"), "--level: is 3; expected -60 to -3 dBFS"),
        (("--rate", "1"), "--rate: is 1; expected 8000 to 192000 Hz"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_sentence_and_writes_nothing(out, words, told):
    with pytest.raises(InputFault) as fault:
        run(out, *words)
    assert fault.value.sentence == told
    assert not out.exists()
