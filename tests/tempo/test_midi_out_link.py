"""The link as leader, with scripted processes in place of the real one."""

import sys
import threading
import time

import pytest

from tempotape.faults import InputFault
from tempotape.tempo.midi_link import MidiLink
from tests.jack import wait_until

# A process that is well and writes down what it is told; see test_midi_link for the bytes.
WELL = """
import json, os, sys, time, threading
def say(type, **rest):
    sys.stdout.write(json.dumps({"type": type, **rest}) + "\\n"); sys.stdout.flush()
def told():
    for line in sys.stdin:
        with open(LOG, "a") as log: log.write(line)
        yield json.loads(line)
def beat():
    while True: say("heartbeat", t_s=time.monotonic()); time.sleep(0.2)
def ports(): say("outputs", names=["Drums", "Keys"], sending_to=None); \
    say("ports", names=[], listening=None)
say("driver", usable=True)
"""


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "told"
    path.touch()
    return path


@pytest.fixture
def linked(log):
    links = []

    def start(script, **options):
        start = f"LOG = {str(log)!r}\n" + WELL + script
        link = MidiLink(command=[sys.executable, "-c", start], **options)
        links.append(link)
        link.start()
        return link

    yield start
    for link in links:
        link.close()


KEEPS = "threading.Thread(target=beat, daemon=True).start(); ports()\nfor one in told(): pass\n"


def test_what_is_asked_of_the_link_reaches_the_process_in_order(linked, log):
    link = linked(KEEPS)
    link.choose_output("Drums")
    wait_until(log.read_text, bool, 5)
    link.lead(120)
    link.play()
    link.halt()
    link.locate(7)
    link.go_on()
    link.lead(None)
    told = wait_until(lambda: log.read_text().splitlines(), lambda lines: len(lines) == 7, 5)
    assert told == [
        '{"type":"choose output","name":"Drums"}',
        '{"type":"lead","tempo_bpm":120}',
        '{"type":"play"}',
        '{"type":"halt"}',
        '{"type":"locate","midi_beat":7}',
        '{"type":"go on"}',
        '{"type":"lead","tempo_bpm":null}',
    ]


def test_the_view_tells_of_the_output_and_of_the_song(linked):
    link = linked(
        "threading.Thread(target=beat, daemon=True).start(); ports()\n"
        'for one in told(): say("outputs", names=["Drums", "Ke\\x1bys"], sending_to="Drums")\n'
    )
    wait_until(link.view, lambda view: view.outputs == ("Drums", "Keys"), 5)
    link.choose_output("Drums")
    view = wait_until(link.view, lambda view: view.sending_to == "Drums", 5)
    assert (view.outputs, view.output_chosen, view.out_problem) == (("Drums", "Keys"), "Drums", "")
    assert (view.leading_bpm, view.playing, view.position_beats) == (None, False, 0)
    link.play()
    assert not link.view().playing
    link.lead(240)
    link.play()
    began_s = time.monotonic()
    view = wait_until(link.view, lambda view: view.position_beats >= 8, 5)
    # 240 quarter notes a minute are 16 sixteenths a second.
    assert time.monotonic() - began_s == pytest.approx(0.5, abs=0.15)
    assert (view.leading_bpm, view.playing, view.own_clock) == (240, True, False)
    link.halt()
    view = link.view()
    time.sleep(0.15)
    assert link.view().position_beats == view.position_beats
    link.locate(100)
    assert link.view().position_beats == 100
    link.go_on()
    assert link.view().playing
    link.lead(None)
    view = link.view()
    assert (view.leading_bpm, view.playing) == (None, False)


def test_an_output_that_is_not_there_is_told_in_one_sentence(linked):
    link = linked(KEEPS)
    link.choose_output("Organ")
    view = wait_until(link.view, lambda view: view.out_problem, 5)
    assert view.out_problem == 'MIDI port "Organ" is not there; it will be used when it appears'
    assert view.problem == ""


@pytest.mark.parametrize("tempo_bpm", [0.0, 14.9, 481.0, float("nan"), float("inf")])
def test_what_is_no_tempo_is_refused(tempo_bpm):
    with pytest.raises(InputFault) as fault:
        MidiLink().lead(tempo_bpm)
    told = f"cannot lead at {tempo_bpm:g}; expected 15 to 480 quarter notes a minute"
    assert fault.value.sentence == told


def test_a_process_that_freezes_while_leading_is_replaced_within_two_seconds_and_told(linked, log):
    """As under JACK, where sending to a server that has gone holds the interpreter lock."""
    link = linked(
        "first = not os.path.exists(LOG + '2')\nopen(LOG + '2', 'w')\n"
        "threading.Thread(target=beat, daemon=True).start(); ports()\n"
        "for one in told():\n"
        "    if first and one['type'] == 'play':\n"
        "        import re; open(LOG + '3', 'w').write(str(time.monotonic()))\n"
        # Holds the lock for a long while: no thread of the process runs.
        "        re.match(r'(a+)+$', 'a' * 40 + 'b')\n"
    )
    link.choose_output("Drums")
    link.lead(120)
    link.play()
    wait_until(lambda: '"play"' in log.read_text(), bool, 5)
    frozen_s = float(log.with_name("told3").read_text())
    slowest_s = 0.0
    while '"go on"' not in log.read_text():
        asked_s = time.monotonic()
        link.view()
        link.choose("Anything")
        slowest_s = max(slowest_s, time.monotonic() - asked_s)
        assert time.monotonic() < frozen_s + 2.5
        time.sleep(0.01)
    # The second process's own start is in it.
    assert time.monotonic() - frozen_s < 2.5
    assert slowest_s < 0.1
    lines = [line for line in log.read_text().splitlines() if '"choose"' not in line]
    first, again = lines[:3], lines[3:]
    assert first[-1] == '{"type":"play"}'
    assert again[0] == '{"type":"choose output","name":"Drums"}'
    assert again[1] == '{"type":"lead","tempo_bpm":120}'
    assert again[3] == '{"type":"go on"}'
    # Frozen for 1.2 to 2 s, at eight sixteenths a second.
    beat = int(again[2].partition(":")[2].partition(":")[2].rstrip("}"))
    assert 9 <= beat <= 22


def test_every_message_is_heard_with_its_time(linked):
    heard = []
    linked(
        'say("heard", messages=[[1.5, "kDxk"], [1.75, "+A=="]]); time.sleep(60)',
        hear=heard.append,
    )
    batches = wait_until(lambda: list(heard), bool, 5)
    assert [tuple(batch) for batch in batches] == [((1.5, b"\x90\x3c\x64"), (1.75, b"\xf8"))]


def test_a_fault_of_who_hears_is_told_and_the_link_goes_on(linked, monkeypatch):
    faults = []
    monkeypatch.setattr(threading, "excepthook", lambda told: faults.append(str(told.exc_value)))

    def hear(_):
        raise KeyError("no such foot")

    link = linked(
        'say("heard", messages=[[1.5, "kDxk"]]); ports(); time.sleep(60)',
        hear=hear,
    )
    wait_until(link.view, lambda view: view.listed, 5)
    assert faults == ["'no such foot'"]


def test_our_own_clock_coming_back_is_told_and_not_followed(linked):
    link = linked(
        "for one in told():\n"
        '  if one["type"] == "lead":\n'
        "    now = time.monotonic()\n"
        "    for n in range(40):\n"
        '      say("sent", times_s=[now + n / 48])\n'
        '      say("heard", messages=[[now + n / 48 + 0.004, "+A=="]])\n'
    )
    # Until the tempo has settled, for the longest delay there is, nothing is judged.
    link.lead(120)
    view = wait_until(link.view, lambda view: view.own_clock, 5)
    assert view.reading.tempo_bpm is None


def test_a_song_place_told_before_it_heard_the_last_command_is_not_believed(linked):
    link = linked(
        "count = 0\n"
        "for one in told():\n"
        "    count += 1\n"
        '    say("led", handled=count - 1, playing=True, position=6000, t_s=time.monotonic())\n'
        '    if count == 3: say("led", handled=3, playing=False, position=66, t_s=0.0); ports()\n'
    )
    link.lead(120)
    link.play()
    link.halt()
    view = wait_until(link.view, lambda view: view.listed, 5)
    assert (view.playing, view.position_beats) == (False, 11)
