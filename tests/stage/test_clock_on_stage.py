"""MIDI clock through a real JACK port, followed by the stage in a real terminal."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from tempotape.demos import DEMO_UNIT
from tests.jack import jack_server
from tests.programs import require
from tests.terminal import TEMPOTAPE, Terminal


@pytest.fixture
def jack():
    require("tmux")
    with jack_server() as server:
        yield server


def stage_on(server, tmp_path, *words):
    names = ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER", "JACK_NO_AUDIO_RESERVATION")
    environment = {name: server.environment[name] for name in names}
    return Terminal(
        [*TEMPOTAPE, "stage", "--unit", str(DEMO_UNIT), *words],
        size=(80, 24),
        home=tmp_path,
        environment={**environment, "TEMPOTAPE_MIDI_API": "jack"},
    )


def test_a_port_absent_at_start_is_taken_up_and_its_clock_answered(jack, tmp_path):
    with stage_on(jack, tmp_path, "--midi-in", "Marimba") as terminal:
        terminal.until("MIDI clock: waiting for port Marimba")
        with jack.sender("Marimba", 100.0):
            shown = terminal.until(lambda text: "100 BPM" in text and "MIDI clock LOCKED" in text)
            # A quarter at 100 lasts 600 ms, a dotted eighth 450, an eighth 300.
            assert re.search(r"^(quarter 600|dotted eighth 450|eighth 300) ms", shown, re.MULTILINE)
        shown = terminal.until(lambda text: "LOST" in text or "waiting for port" in text)
        assert "100 BPM" in shown
        with jack.sender("Marimba", 125.0):
            terminal.until(lambda text: "125 BPM" in text and "LOCKED" in text)
        terminal.keys("9", "6", "Enter")
        assert "typed" in terminal.until("96 BPM")
        terminal.keys("C-q")
        terminal.until("exit code 0")


def test_the_port_is_picked_on_the_stage(jack, tmp_path):
    with jack.sender("Marimba", 140.0), stage_on(jack, tmp_path) as terminal:
        terminal.until("-- BPM")
        terminal.keys("p")
        terminal.until("Marimba")
        terminal.keys("Enter")
        shown = terminal.until("MIDI clock LOCKED")
        assert "140 BPM" in terminal.until("140 BPM")
        assert "Marimba" in shown


def test_a_sound_server_that_dies_is_taken_up_again_under_the_running_stage(jack, tmp_path):
    with stage_on(jack, tmp_path, "--midi-in", "Marimba") as terminal:
        with jack.sender("Marimba", 100.0):
            terminal.until(lambda text: "100 BPM" in text and "LOCKED" in text)
            jack.kill()
        shown = terminal.until("MIDI is not available here: no MIDI system answers")
        assert "100 BPM" in shown
        # A key is answered while the server is away.
        terminal.keys("t")
        terminal.until("taste wobbly")
        jack.start()
        with jack.sender("Marimba", 125.0):
            terminal.until(lambda text: "125 BPM" in text and "LOCKED" in text)
        terminal.keys("C-q")
        terminal.until("exit code 0")


def test_the_tape_leads_another_process(jack, tmp_path):
    with jack.receiver("Drums") as heard, stage_on(jack, tmp_path, "--tempo", "96") as terminal:
        terminal.until(lambda text: "96 BPM  typed" in text and "IN TIME" in text)
        terminal.keys("o")
        terminal.until("Drums")
        terminal.keys("Enter")
        terminal.until(lambda text: "Send MIDI clock to" not in text)
        terminal.keys("l")
        terminal.until("TAPE LEADS 96.00, s starts, to Drums")
        terminal.keys("s")
        terminal.until("playing, beat 3")
        terminal.keys("l")
        terminal.until("the tape's own tempo")
        ticks_s = heard.ticks_s()
        # 24 ticks to the quarter, 96 quarters a minute: 26.04 ms (MIDI 1.0).
        # A tick that JACK drops where the machine is busy makes one gap of two ticks.
        tick_s = 60 / 96 / 24
        ticks = sum(round((after - before) / tick_s) for before, after in pairwise(ticks_s))
        assert (ticks_s[-1] - ticks_s[0]) / ticks == pytest.approx(tick_s, rel=0.005)
        assert b"\xfa" in heard.bytes()
        terminal.keys("C-q")
        terminal.until("exit code 0")
