"""MIDI clock over real ports of a JACK server, sent by other programs."""

import pytest

from tempotape.tempo.midi_link import MidiLink
from tests.jack import jack_server, wait_until
from tests.programs import require


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


def locked(view):
    return view.reading.state == "locked"


def locked_near(tempo_bpm):
    """Locked within 2 %, which twelve ticks give where the machine is busy with other tests."""
    return lambda view: locked(view) and abs(view.reading.tempo_bpm / tempo_bpm - 1) < 0.02


def test_the_tempo_of_another_process_is_read(server, environment, link):
    environment(server)
    link.choose("Drums:clock")
    with server.sender("Drums", 120):
        link.start()
        wait_until(link.view, locked, 10)
        # 1.33 ms frames and this sender's own jitter; Cramer-Rao at 2 ms after 2 s: 0.04 BPM.
        reading = wait_until(link.view, lambda view: view.reading.error_bpm < 0.05, 10).reading
        assert reading.tempo_bpm == pytest.approx(120, abs=0.5)


def test_a_port_absent_at_the_start_is_taken_up_and_one_that_goes_is_taken_up_again(
    server, environment, link
):
    environment(server)
    link.choose("Marimba")
    link.start()
    view = wait_until(link.view, lambda view: view.problem, 10)
    assert view.available
    assert view.problem == 'MIDI port "Marimba" is not there; it will be used when it appears'
    with server.sender("Marimba", 100):
        view = wait_until(link.view, locked_near(100), 10)
        assert (view.listening, view.problem) == ("Marimba:clock", "")
    view = wait_until(link.view, lambda view: view.reading.state == "lost", 5)
    view = wait_until(link.view, lambda view: view.listening is None, 5)
    with server.sender("Marimba", 140):
        wait_until(link.view, locked_near(140), 10)


def test_only_the_chosen_port_is_listened_to(server, environment, link):
    environment(server)
    link.choose("Second")
    with server.sender("First", 80), server.sender("Second", 160):
        link.start()
        view = wait_until(link.view, locked_near(160), 10)
        assert {"First:clock", "Second:clock"} <= set(view.ports)
        assert view.listening == "Second:clock"
        link.choose("First")
        view = wait_until(link.view, locked_near(80), 10)
        assert view.listening == "First:clock"


def test_a_sound_server_that_dies_and_comes_back_is_taken_up_with_no_key_pressed(environment, link):
    with jack_server() as own:
        environment(own)
        link.choose("Drums")
        link.start()
        with own.sender("Drums", 120):
            wait_until(link.view, locked, 10)
            own.kill()
        view = wait_until(link.view, lambda view: "no MIDI system" in view.problem, 10)
        assert view.problem == "MIDI is not available here: no MIDI system answers"
        assert view.reading.state == "lost"
        own.start()
        with own.sender("Drums", 90):
            wait_until(link.view, lambda view: view.listening and locked_near(90)(view), 10)


def test_a_foreign_clock_that_starts_and_stops_with_the_transport(server, environment, link):
    require("jack_midi_clock", "jack_transport")
    environment(server)
    link.choose("jack_midi_clock")
    with (
        server.program("jack_midi_clock", "-b", "110", "-P"),
        server.program("jack_transport") as transport,
    ):
        link.start()
        wait_until(link.view, lambda view: view.listening, 10)
        transport.stdin.write(b"play\n")
        transport.stdin.flush()
        view = wait_until(link.view, locked_near(110), 15)
        assert view.reading.running
        transport.stdin.write(b"stop\n")
        transport.stdin.flush()
        view = wait_until(link.view, lambda view: view.reading.state == "lost", 10)
        assert not view.reading.running
