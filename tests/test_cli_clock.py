"""The command that watches, logs and replays MIDI clock."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest
from click.testing import CliRunner

from tempotape.cli import clock as clock_module
from tempotape.cli.clock import clock
from tempotape.faults import InputFault
from tempotape.tempo import midi_link
from tempotape.tempo.clock import ClockReading
from tempotape.tempo.clock_log import read_log
from tempotape.tempo.midi_link import LinkView

WAITING = ClockReading(5.0, "waiting", None, None, running=False)
LOCKED = ClockReading(6.0, "locked", 120.004, 0.01, running=True)
COMMAND = [sys.executable, "-c", "from tempotape.cli.clock import clock; clock()"]


def run(*arguments):
    return CliRunner().invoke(clock, arguments, catch_exceptions=False)


def tick_lines(count, from_s=0.0):
    return "".join(
        json.dumps({"t_s": from_s + n * 0.5 / 24, "bytes": "f8"}) + "\n" for n in range(count)
    )


@pytest.fixture
def log(tmp_path):
    """10 s at 120 BPM, a gap of 4 s, and 5 s more after a start."""
    path = tmp_path / "log.jsonl"
    start = '{"t_s": 14.1, "bytes": "fa"}\n'
    path.write_text(tick_lines(481) + start + tick_lines(240, from_s=14.12))
    return path


def test_replay_as_json_is_one_object_a_line_with_the_fields_agreed(log):
    result = run("--replay", str(log), "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert all(list(line) == ["t_s", "state", "tempo_bpm", "error_bpm", "running"] for line in told)
    states = [line["state"] for line in told]
    assert [a for a, b in zip(states, [*states[1:], ""], strict=True) if a != b] == [
        "locking",
        "locked",
        "lost",
        "locking",
        "locked",
    ]
    assert told[0] == {
        "t_s": 0.0,
        "state": "locking",
        "tempo_bpm": None,
        "error_bpm": None,
        "running": False,
    }
    assert told[-1]["tempo_bpm"] == pytest.approx(120)
    assert told[-1]["running"] is True


def test_replay_in_words_has_a_line_for_each_thing_that_changes(log):
    result = run("--replay", str(log))
    assert result.stdout.splitlines() == [
        "       0.000 s  locking      - BPM  stopped",
        "       0.229 s  locked   120.0 BPM  stopped",
        "      10.500 s  lost     120.0 BPM  stopped",
        "      14.100 s  lost     120.0 BPM  running",
        "      14.120 s  locking  120.0 BPM  running",
        "      14.349 s  locked   120.0 BPM  running",
    ]


def test_a_bad_log_is_an_input_fault_told_with_its_line(tmp_path):
    path = tmp_path / "bad.jsonl"
    path.write_text(tick_lines(1) + "nonsense\n")
    with pytest.raises(InputFault, match=r"bad\.jsonl: line 2: is"):
        run("--replay", str(path), "--json")


@pytest.mark.parametrize("other", ["--midi-in", "--record"])
def test_replay_together_with_a_port_or_a_recording_is_a_usage_error(tmp_path, other):
    result = run("--replay", str(tmp_path / "log"), other, "x")
    assert result.exit_code == 2
    assert "--replay goes with neither --midi-in nor --record" in result.stderr


def test_a_reader_that_closes_the_pipe_ends_it_quietly(tmp_path):
    path = tmp_path / "long.jsonl"
    path.write_text(tick_lines(20_000))
    with subprocess.Popen(
        [*COMMAND, "--replay", str(path), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert json.loads(process.stdout.readline())["state"] == "locking"
        process.stdout.close()
        assert process.wait(20) == 0
        assert process.stderr.read() == b""


def test_readings_are_seen_at_once_by_who_reads_the_pipe(tmp_path):
    path = tmp_path / "fifo"
    os.mkfifo(path)
    with subprocess.Popen(
        [*COMMAND, "--replay", str(path), "--json"], stdout=subprocess.PIPE
    ) as process:
        with path.open("w") as writer:
            writer.write(tick_lines(1))
            writer.flush()
            # The log goes on, yet its first reading is here.
            assert json.loads(process.stdout.readline())["t_s"] == 0.0
        assert process.wait(20) == 0


class FakeLink:
    """A MIDI link whose views come from a list; after the last, Ctrl-C is pressed."""

    views: tuple[LinkView, ...] = ()
    heard: tuple = ()

    def __init__(self, *, hear=None):
        self.calls = []
        self._hear = hear
        self._left = list(self.views)
        FakeLink.last = self

    def start(self):
        self.calls.append("start")

    def choose(self, name):
        self.calls.append(name)

    def view(self):
        if self._hear:
            self._hear(self.heard)
        if not self._left:
            raise KeyboardInterrupt
        return self._left.pop(0)

    def close(self):
        self.calls.append("close")


def view(reading=WAITING, *, ports=("drums",), chosen="drums", listening="drums", problem=""):
    return LinkView(
        available=not problem.startswith("MIDI"),
        problem=problem,
        ports=ports,
        chosen=chosen,
        listening=listening,
        reading=reading,
        listed=True,
    )


@pytest.fixture
def watch(monkeypatch):
    """Runs the command on a link that shows these views."""

    def run_on(views, *arguments, heard=()):
        monkeypatch.setattr(FakeLink, "views", tuple(views))
        monkeypatch.setattr(FakeLink, "heard", heard)
        return run(*arguments)

    monkeypatch.setattr(midi_link, "MidiLink", FakeLink)
    monkeypatch.setattr(clock_module, "POLL_S", 0.0)
    return run_on


def test_watching_tells_the_port_and_each_change_from_its_start_until_ctrl_c(watch):
    result = watch([view(), view(), view(LOCKED), view(LOCKED)], "--midi-in", "drums")
    assert result.exit_code == 0
    assert result.stderr == 'listening to "drums"\n'
    assert result.stdout.splitlines() == [
        "       0.000 s  waiting      - BPM  stopped",
        "       1.000 s  locked   120.0 BPM  running",
    ]
    assert FakeLink.last.calls == ["drums", "start", "close"]


def test_watching_as_json_prints_json_alone(watch):
    result = watch([view(), view(LOCKED), view(LOCKED)], "--json")
    told = [json.loads(line) for line in result.stdout.splitlines()]
    # The times are those of the log.
    assert [(line["t_s"], line["state"]) for line in told] == [(5.0, "waiting"), (6.0, "locked")]


def test_the_only_port_is_taken_and_waited_for(watch):
    none = view(ports=(), chosen=None, listening=None)
    result = watch([none, none, view(chosen=None, listening=None), view()])
    assert FakeLink.last.calls == [None, "start", "drums", "close"]
    assert result.stderr.splitlines() == [
        "no MIDI input port yet; waiting for one",
        'listening to "drums"',
    ]


def test_of_several_ports_one_has_to_be_named(watch):
    with pytest.raises(InputFault) as caught:
        watch([view(ports=("drums", "tape \x1b[2J", "keys"), chosen=None, listening=None)])
    assert caught.value.sentence == (
        '--midi-in: there are 3 MIDI input ports: "drums", "tape [2J" and "keys"; '
        "expected the name of one"
    )
    assert FakeLink.last.calls[-1] == "close"


def test_a_missing_port_and_missing_midi_are_told_once(watch):
    gone = view(listening=None, problem='there is no MIDI input port "drums"')
    without = view(listening=None, problem="MIDI is not available here: no driver")
    result = watch([gone, gone, view(), gone, without, without], "--midi-in", "drums")
    assert result.stderr.splitlines() == [
        'there is no MIDI input port "drums"',
        'listening to "drums"',
        'there is no MIDI input port "drums"',
        "MIDI is not available here: no driver",
    ]


def test_recording_writes_what_arrives_and_closes_the_log(watch, tmp_path):
    path = tmp_path / "new.jsonl"
    heard = ((1.0, b"\xf8"), (1.5, b"\x90\x3c\x40"))
    result = watch([view()], "--record", str(path), heard=heard)
    assert result.exit_code == 0
    assert [(m.t_s, m.message) for m in read_log(path)] == [*heard, *heard]


def test_recording_over_a_file_is_refused_before_anything_starts(watch, tmp_path):
    path = tmp_path / "old.jsonl"
    path.touch()
    with pytest.raises(InputFault, match=r"old\.jsonl: is there already"):
        watch([view()], "--record", str(path))


def test_a_log_that_fails_ends_the_watching_with_the_reason(watch, tmp_path, monkeypatch):
    from tempotape.tempo import clock_log

    def fail(log, _messages):
        log.problem = "new.jsonl: cannot be written: No space left on device"

    monkeypatch.setattr(clock_log.ClockLog, "write", fail)
    with pytest.raises(InputFault, match="No space left on device"):
        watch([view()] * 5, "--record", str(tmp_path / "new.jsonl"), heard=((1.0, b"\xf8"),))


def test_in_a_terminal_the_line_is_written_over(watch, monkeypatch):
    monkeypatch.setattr(clock_module, "_in_terminal", lambda: True)
    gone = view(LOCKED, listening=None, problem='there is no MIDI input port "drums"')
    result = watch([view(), view(LOCKED), gone], "--midi-in", "drums")
    assert result.stdout == (
        "\r       0.000 s  waiting      - BPM  stopped"
        "\r       1.000 s  locked   120.0 BPM  running\n"
    )
    # Its width is the same for all states, so that nothing of the line before is left.
    assert len({len(line) for line in result.stdout.strip("\n").split("\r")[1:]}) == 1


def test_ctrl_c_ends_the_real_thing_with_exit_code_0(tmp_path):
    path = tmp_path / "new.jsonl"
    with subprocess.Popen(
        [*COMMAND, "--midi-in", "no such port", "--record", str(path), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "TEMPOTAPE_MIDI_API": "none"},
    ) as process:
        assert json.loads(process.stdout.readline())["state"] == "waiting"
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0
        assert b"Traceback" not in process.stderr.read()
    assert path.read_text() == ""
