"""MIDI clock through a real JACK port, followed by the stage in a real terminal."""

from __future__ import annotations

import re

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
