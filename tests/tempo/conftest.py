"""A JACK server for the tests of a module, and a MIDI link on it."""

import pytest

from tempotape.tempo.midi_link import MidiLink
from tests.jack import jack_server


@pytest.fixture(scope="module")
def server():
    with jack_server() as running:
        yield running


@pytest.fixture
def environment(monkeypatch):
    def use(jack):
        for name, value in jack.environment.items():
            monkeypatch.setenv(name, value)

    return use


@pytest.fixture
def link():
    made = MidiLink(api="jack")
    yield made
    made.close()
