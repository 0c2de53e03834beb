"""Clock led over real ports of a JACK server, as another process hears it."""

import os
import signal
import sys
import time
from itertools import groupby, pairwise
from pathlib import Path

import pytest

from tests.jack import jack_server, wait_until

# A server or a port that comes back is in use again within this.
MENDED_S = 2.0
TESTS = Path(__file__).parents[1]


def process_of(link):
    return link._child.pid


def told(received, first=0):
    """Messages but clocks in hex, with the number of clocks that each came after."""
    runs = [(key, len(list(run))) for key, run in groupby(received.bytes()[first:])]
    return [message.hex() for message, _ in runs if message != b"\xf8"]


def beat_after(received, first):
    """The MIDI beat that the last Song Position from message `first` on tells (14 bits)."""
    places = [message for message in received.bytes()[first:] if message[0] == 0xF2]
    return places[-1][1] + (places[-1][2] << 7) if places else None


def test_tempo_start_stop_and_place_are_heard_by_another_process(server, environment, link):
    environment(server)
    with server.receiver("Drums") as drums:
        link.choose_output("Drums")
        link.lead(150)
        link.start()
        view = wait_until(link.view, lambda view: view.sending_to, 10)
        assert (view.sending_to, view.out_problem, view.playing) == ("Drums:in", "", False)
        assert "Drums:in" in view.outputs
        # Nothing of our own among what can be chosen.
        assert not [name for name in (*view.ports, *view.outputs) if "tempotape" in name]
        time.sleep(0.3)
        link.play()
        wait_until(link.view, lambda view: view.position_beats >= 9, 5)
        link.halt()
        wait_until(lambda: told(drums), lambda kinds: kinds == ["fa", "fc"], 2)
        kinds = drums.bytes()
        song = kinds[kinds.index(b"\xfa") + 1 : kinds.index(b"\xfc")]
        view = wait_until(link.view, lambda view: not view.playing, 2)
        time.sleep(0.5)
        link.go_on()
        wait_until(lambda: told(drums), lambda kinds: kinds[-1] == "fb", 2)
        # MIDI 1.0: a MIDI beat is six clocks; we go on from the next whole one.
        assert beat_after(drums, 0) == -(-len(song) // 6)
        link.lead(None)
        wait_until(lambda: told(drums), lambda kinds: kinds[-1] == "fc", 2)
        assert drums.bytes()[-1] == b"\xfc"
        times_s = drums.ticks_s()
    # 24 a quarter at 150 to the quarter; JACK tells arrivals in periods of 1.33 ms.
    # A tick that JACK drops where the machine is busy makes one gap of two ticks.
    tick_s = 60 / 24 / 150
    ticks = sum(round((after - before) / tick_s) for before, after in pairwise(times_s))
    assert (times_s[-1] - times_s[0]) / ticks == pytest.approx(tick_s, rel=0.002)


def test_a_port_that_goes_and_comes_back_is_sent_to_again_and_told_the_place(
    server, environment, link
):
    environment(server)
    link.choose_output("Keys")
    link.lead(120)
    link.play()
    link.start()
    view = wait_until(link.view, lambda view: view.out_problem, 10)
    assert view.out_problem == 'MIDI port "Keys" is not there; it will be used when it appears'
    for _ in range(2):
        with server.receiver("Keys") as keys:
            there_s = time.monotonic()
            wait_until(lambda keys=keys: told(keys), lambda kinds: "fb" in kinds, 5)
            assert time.monotonic() - there_s < MENDED_S
            # Stopped, told the place, and going on from it.
            assert [kind[:2] for kind in told(keys)] == ["fc", "f2", "fb"]
            beats = link.view().position_beats
            assert beats - 2 <= beat_after(keys, 0) <= beats + 1
        wait_until(link.view, lambda view: not view.sending_to, 5)
        assert link.view().playing


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_process_that_is_killed_or_freezes_is_replaced_and_sends_to_the_same_port(
    environment, link, how
):
    # A server of its own: jackd 1.9.21 sometimes lets part of its graph stand still for good when
    # a client is killed, so that the connection is what is looked at, and not what comes through.
    with jack_server() as own, own.receiver("Drums") as drums:
        environment(own)
        link.choose_output("Drums")
        link.lead(120)
        link.start()
        wait_until(link.view, lambda view: view.sending_to, 10)
        wait_until(drums.ticks_s, bool, 5)
        process = process_of(link)
        os.kill(process, how)
        ended_s, slowest_s = time.monotonic(), 0.0
        while link._child is None or process_of(link) == process:
            asked_s = time.monotonic()
            link.view()
            link.lead(120)
            slowest_s = max(slowest_s, time.monotonic() - asked_s)
            assert time.monotonic() - ended_s < 2 * MENDED_S
            time.sleep(0.01)
        assert time.monotonic() - ended_s < MENDED_S
        assert slowest_s < 0.1
        view = wait_until(link.view, lambda view: view.sending_to, 5)
        assert view.leading_bpm == 120
        assert f"out {process_of(link)}" in own.run("jack_lsp", "-c").stdout


def test_a_server_that_dies_and_comes_back_is_sent_to_again_with_no_call_made(environment, link):
    with jack_server() as own:
        environment(own)
        link.choose_output("Drums")
        link.lead(120)
        link.start()
        with own.receiver("Drums"):
            wait_until(link.view, lambda view: view.sending_to, 10)
            own.kill()
            died_s = time.monotonic()
        view = wait_until(link.view, lambda view: not view.available, 5)
        assert time.monotonic() - died_s < MENDED_S
        wait_until(link.view, lambda view: "no MIDI system" in view.problem, 5)
        own.start()
        with own.receiver("Drums") as drums:
            there_s = time.monotonic()
            wait_until(drums.ticks_s, bool, 5)
            assert time.monotonic() - there_s < MENDED_S
        view = link.view()
        assert view.leading_bpm == 120


@pytest.mark.parametrize("delay_s", [0.0, 0.1])
def test_our_own_clock_back_by_a_merge_box_is_told_and_not_followed(
    server, environment, link, delay_s
):
    environment(server)
    command = (sys.executable, str(TESTS / "pass_midi.py"), "Merge", str(delay_s))
    with server.program(*command) as merge:
        assert merge.stdout.readline() == b"ready\n"
        link.choose_output("Merge")
        link.choose("Merge back")
        link.start()
        wait_until(link.view, lambda view: view.sending_to and view.listening, 10)
        link.lead(113)
        wait_until(link.view, lambda view: view.own_clock, 3)
        time.sleep(1.0)
        view = link.view()
        assert (view.own_clock, view.reading.state) == (True, "waiting")
        # Another clock on the port: ours stops, and it is followed.
        link.lead(None)
        with server.sender("Band", 90):
            server.run("jack_connect", "Band:clock", "Merge:in")
            view = wait_until(link.view, lambda view: view.reading.state == "locked", 10)
            assert view.reading.tempo_bpm == pytest.approx(90, rel=0.02)
            assert not view.own_clock
            # Leading now does not make it ours.
            link.choose_output(None)
            link.lead(113)
            time.sleep(1.5)
            view = link.view()
            assert (view.own_clock, view.reading.state) == (False, "locked")


def test_what_plays_along_is_stopped_when_the_port_changes_and_when_we_leave(
    server, environment, link
):
    environment(server)
    link.start()
    with server.receiver("First") as first, server.receiver("Second") as second:
        link.choose_output("First")
        link.lead(120.0)
        wait_until(link.view, lambda view: view.sending_to, 10)
        link.play()
        wait_until(first.bytes, lambda heard: b"\xfa" in heard, 5)
        link.choose_output("Second")
        wait_until(lambda: told(first), lambda heard: heard[-1] == "fc", 5)
        wait_until(second.bytes, lambda heard: b"\xfb" in heard, 5)
        link.close()
        wait_until(lambda: told(second), lambda heard: heard[-1] == "fc", 5)
