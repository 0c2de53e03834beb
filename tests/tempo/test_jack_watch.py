"""The look at a JACK server through its own library."""

import time

from tempotape.tempo import jack_watch
from tempotape.tempo.jack_watch import JackWatch
from tests.jack import jack_server, wait_until


def test_a_server_that_dies_is_told_at_once_and_ports_are_seen(monkeypatch):
    with jack_server() as own:
        for name, value in own.environment.items():
            monkeypatch.setenv(name, value)
        with own.receiver("Drums"), own.sender("Beat", 100):
            watch = JackWatch.open("watch of a test")
            assert "Drums:in" in watch.ports_to_send_to()
            assert "Beat:clock" not in watch.ports_to_send_to()
            assert watch.connections("in") == 0
            own.run("jack_connect", "Beat:clock", "Drums:in")
            wait_until(lambda: watch.connections("in"), lambda ends: ends == 1, 2)
            assert watch.connections("clock") == 1
            assert watch.connections("nothing of this name") is None
            assert not watch.gone
            own.kill()
            died_s = time.monotonic()
            wait_until(lambda: watch.gone, bool, 2)
            assert time.monotonic() - died_s < 0.5
        own.start()


def test_without_a_server_or_a_library_there_is_no_watch(monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no such server")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    assert JackWatch.open("watch of a test") is None
    monkeypatch.setattr(jack_watch, "_MAPS", jack_watch.Path("/no/such/file"))
    monkeypatch.setattr(jack_watch.ctypes.util, "find_library", lambda _: None)
    assert JackWatch.open("watch of a test") is None
