"""`tempotape ports`: MIDI through a real JACK server, audio through a scripted `sounddevice`."""

import json
import os
import subprocess
import sys

import pytest

from tests.jack import jack_server
from tests.terminal import TEMPOTAPE

# As much of sounddevice as is used; it writes to standard error as PortAudio does.
AUDIO = """
import os
class PortAudioError(Exception): pass
os.write(2, b"ALSA lib pcm.c: chatter\\n")
def query_devices():
    return [
        {"name": "Box\\x1b in", "max_input_channels": 2, "max_output_channels": 0},
        {"name": "Box both", "max_input_channels": 2, "max_output_channels": 2},
    ]
"""


@pytest.fixture
def ports(tmp_path, monkeypatch):
    """Run the command with this `sounddevice`; gives its output and what it wrote besides."""
    monkeypatch.setenv("TEMPOTAPE_MIDI_API", "jack")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")

    def run(audio, *words, environment=None):
        (tmp_path / "sounddevice.py").write_text(audio)
        done = subprocess.run(
            [*TEMPOTAPE, "ports", *words],
            env={**os.environ, **(environment or {}), "PYTHONPATH": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout, done.stderr

    return run


def test_ports_of_all_kinds_are_listed_by_name(ports):
    with jack_server() as server, server.receiver("Drums"), server.sender("Beat", 100):
        told, besides = ports(AUDIO, environment=server.environment)
        found, _ = ports(AUDIO, "--json", environment=server.environment)
    assert told == (
        "midi in:\n  Beat:clock\nmidi out:\n  Drums:in\n"
        "audio in:\n  Box in\n  Box both\naudio out:\n  Box both\n"
    ).replace("midi", "MIDI")
    assert besides == ""
    assert json.loads(found) == {
        "midi_in": ["Beat:clock"],
        "midi_out": ["Drums:in"],
        "audio_in": ["Box in", "Box both"],
        "audio_out": ["Box both"],
        "problem": "",
    }


@pytest.mark.parametrize(
    ("audio", "why"),
    [
        ("raise ModuleNotFoundError('no', name='sounddevice')", "sounddevice is not installed"),
        ("raise OSError('PortAudio library not found')", "the PortAudio library is missing"),
        (
            AUDIO + "def query_devices(): raise PortAudioError('no \\x1bhost')",
            "no host",
        ),
    ],
)
def test_what_is_not_there_is_told_in_a_line_each_beside_the_list(ports, audio, why):
    nowhere = {"JACK_DEFAULT_SERVER": "no such server"}
    told, besides = ports(audio, environment=nowhere)
    midi_problem = "MIDI is not available here: no MIDI system answers"
    assert (told, besides) == ("", f"{midi_problem}\naudio is not available here: {why}\n")
    told, besides = ports(audio, "--json", environment=nowhere)
    assert json.loads(told) == {
        "midi_in": [],
        "midi_out": [],
        "audio_in": [],
        "audio_out": [],
        "problem": midi_problem,
    }
    assert besides == f"{midi_problem}\naudio is not available here: {why}\n"


def test_sounddevice_is_imported_only_to_list_ports():
    subprocess.run(
        [
            sys.executable,
            "-c",
            "import tempotape.cli, sys; assert 'sounddevice' not in sys.modules",
        ],
        check=True,
    )
