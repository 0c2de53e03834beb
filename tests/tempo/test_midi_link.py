"""The link with scripted processes in place of the real one, and the process with a fake driver."""

import os
import subprocess
import sys
import time

import pytest

from tempotape.tempo.midi_link import MidiLink
from tempotape.tempo.midi_process import ArrivalTimes, Listener
from tests.jack import wait_until

# What a well process says, as it goes over the pipe. "+A==" is F8, a timing clock, in base 64.
WELL = """
import json, os, sys, time
def say(type, **rest): print(json.dumps({"type": type, **rest}), flush=True)
def beat(): say("heartbeat", t_s=time.monotonic())
def clock(tempo_bpm, count=48):
    now, gap = time.monotonic(), 60 / tempo_bpm / 24
    say("heard", messages=[[now - (count - n) * gap, "+A=="] for n in range(count)])
say("driver", usable=True)
"""


@pytest.fixture
def linked():
    """Start a link to a script; all links are closed at the end."""
    links = []

    def start(script, **options):
        link = MidiLink(command=[sys.executable, "-c", WELL + script], **options)
        links.append(link)
        link.start()
        return link

    yield start
    for link in links:
        link.close()


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_ports_and_clock_of_the_process_are_seen(linked):
    link = linked(
        'say("ports", names=["Drums"], listening="Drums"); clock(90); sys.stdin.readline();'
        " time.sleep(60)"
    )
    view = wait_until(link.view, lambda view: view.reading.state == "locked", 5)
    assert (view.available, view.problem, view.ports) == (True, "", ("Drums",))
    assert (view.chosen, view.listening, view.listed) == (None, "Drums", True)
    assert view.reading.tempo_bpm == pytest.approx(90)


def test_starting_and_reading_wait_for_nothing():
    link = MidiLink(command=[sys.executable, "-c", "import time; time.sleep(60)"])
    began_s = time.monotonic()
    link.start()
    link.choose("Drums")
    view = link.view()
    # A new interpreter alone takes longer than this on any machine; the measure is in the run.
    took_s = time.monotonic() - began_s
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    assert took_s < time.monotonic() - began_s - took_s
    assert (view.available, view.problem, view.listed) == (True, "", False)
    assert view.reading.state == "waiting"
    link.close()


def test_a_link_never_started_closes():
    MidiLink().close()


def test_the_chosen_name_reaches_the_process_now_and_later(linked):
    link = linked(
        'while True: say("ports", names=["A", "B"],'
        ' listening=json.loads(sys.stdin.readline())["name"])'
    )
    for name in ("B", "A", None):
        link.choose(name)
        view = wait_until(link.view, lambda view, name=name: view.listening == name, 5)
        assert view.chosen == name


def test_a_port_that_is_not_there_is_told_in_one_sentence(linked):
    link = linked('say("ports", names=["Keys 1", "Keys 2"], listening=None); time.sleep(60)')
    link.choose("Dr\x1bums")
    view = wait_until(link.view, lambda view: view.problem, 5)
    assert view.available
    assert view.chosen == "Drums"
    assert view.problem == 'MIDI port "Drums" is not there; it will be used when it appears'
    link.choose("keys")
    assert link.view().problem == 'MIDI port "keys" could be "Keys 1" or "Keys 2"'


def test_no_driver_is_told_once_and_not_tried_again(linked, tmp_path):
    starts = tmp_path / "starts"
    link = linked(
        f'open({str(starts)!r}, "a").write("started ");'
        'say("driver", usable=False, problem="it is \\x1bmissing", final=True)'
    )
    view = wait_until(link.view, lambda view: not view.available, 5)
    assert view.problem == "MIDI is not available here: it is missing"
    time.sleep(1.0)
    assert starts.read_text() == "started "


def test_without_python_rtmidi_the_real_process_says_so(tmp_path, monkeypatch):
    (tmp_path / "rtmidi.py").write_text('raise ModuleNotFoundError("no", name="rtmidi")')
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    link = MidiLink()
    link.start()
    view = wait_until(link.view, lambda view: not view.available, 10)
    assert view.problem == "MIDI is not available here: python-rtmidi is not installed"
    link.close()


def test_a_driver_that_does_not_load_is_told(tmp_path, monkeypatch):
    (tmp_path / "rtmidi.py").write_text('raise ImportError("libasound.so.2 is missing")')
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    link = MidiLink()
    link.start()
    view = wait_until(link.view, lambda view: not view.available, 10)
    assert view.problem == "MIDI is not available here: python-rtmidi does not load"
    link.close()


def test_a_process_whose_heartbeat_stops_is_ended_and_replaced(linked, tmp_path):
    pids = tmp_path / "pids"
    link = linked(
        f"first = not os.path.exists({str(pids)!r})\n"
        f'open({str(pids)!r}, "a").write(f"{{os.getpid()}} ")\n'
        'say("ports", names=["Drums"], listening="Drums")\n'
        "while True:\n"
        "    if not first: beat()\n"
        "    time.sleep(0.2)\n"
    )
    wait_until(link.view, lambda view: view.listening, 5)
    view = wait_until(link.view, lambda view: not view.available, 5)
    assert view.problem == "MIDI stopped answering and is being started again"
    view = wait_until(link.view, lambda view: view.listening, 5)
    assert (view.available, view.problem) == (True, "")
    first, second = map(int, pids.read_text().split())
    assert not alive(first)
    assert alive(second)


def test_a_process_that_ends_is_started_again(linked, tmp_path):
    starts = tmp_path / "starts"
    link = linked(
        f'open({str(starts)!r}, "a").write("started ");'
        f"time.sleep(60 if len(open({str(starts)!r}).read().split()) > 1 else 0)"
    )
    view = wait_until(link.view, lambda view: view.problem, 5)
    assert view.problem == "MIDI ended unexpectedly and is being started again"
    wait_until(lambda: starts.read_text().split(), lambda met: len(met) == 2, 5)


def test_a_command_that_cannot_be_run_is_told(tmp_path):
    link = MidiLink(command=[str(tmp_path / "nothing here")])
    link.start()
    view = wait_until(link.view, lambda view: not view.available, 5)
    assert view.problem.startswith("MIDI could not be started: ")
    link.close()


def test_closing_returns_within_about_a_second_when_the_process_hangs(linked, tmp_path):
    ready = tmp_path / "ready"
    link = linked(
        "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        f"open({str(ready)!r}, 'w').write(str(os.getpid()))\n"
        "while True: time.sleep(1)\n"
    )
    pid = int(wait_until(lambda: ready.exists() and ready.read_text(), bool, 5))
    began_s = time.monotonic()
    link.close()
    assert time.monotonic() - began_s < 1.5
    wait_until(lambda: alive(pid), lambda still: not still, 2)


def test_lines_that_make_no_sense_are_dropped(linked):
    link = linked(
        'print("{"); print("[" * 40000); print("null"); print("x" * 300000);'
        'print(json.dumps({"type": "heard", "messages": [["soon", "+A=="]]}));'
        'print(json.dumps({"type": "heard", "messages": [[1e999, "+A=="]]}));'
        'sys.stdout.buffer.write(b"\\xff\\xfe\\n");'
        'say("ports", names=["Dr\\x1b[2Jums"], listening=None); time.sleep(60)'
    )
    assert wait_until(link.view, lambda view: view.listed, 5).ports == ("Dr[2Jums",)


def test_another_sender_leaves_no_trace_of_the_tempo_of_the_last(linked):
    link = linked(
        'say("ports", names=["A", "B"], listening="A"); clock(90)\n'
        "sys.stdin.readline()\n"
        'say("ports", names=["A", "B"], listening="B"); time.sleep(60)\n'
    )
    wait_until(link.view, lambda view: view.reading.tempo_bpm, 5)
    link.choose("B")
    reading = wait_until(link.view, lambda view: view.listening == "B", 5).reading
    assert (reading.state, reading.tempo_bpm) == ("waiting", None)


def test_the_process_ends_when_the_parent_has_gone():
    process = subprocess.Popen(
        [sys.executable, "-m", "tempotape.tempo.midi_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    process.stdout.readline()
    process.stdin.close()
    assert process.wait(5) == 0
    process.stdout.close()


def test_the_process_imports_the_driver_and_little_else():
    heavy = "{'numpy', 'scipy', 'textual', 'rich', 'click', 'mido', 'tomlkit', 'asyncio'}"
    subprocess.run(
        [
            sys.executable,
            "-c",
            f"import tempotape.tempo.midi_process, sys; assert not {heavy} & set(sys.modules)",
        ],
        check=True,
    )


def test_arrival_times_are_the_sum_of_the_drivers_deltas_however_late_they_are_taken():
    times = ArrivalTimes()
    assert times.stamp([0.0], 100.0) == [100.0]
    assert times.stamp([0.02, 0.02], 100.07) == pytest.approx([100.02, 100.04])
    assert times.stamp([0.02], 100.06) == pytest.approx([100.06])


def test_arrival_times_are_set_to_the_clock_again_when_they_part_by_a_quarter_second():
    times = ArrivalTimes()
    times.stamp([0.0], 100.0)
    assert times.stamp([0.02, 0.02], 100.28) == pytest.approx([100.02, 100.04])
    assert times.stamp([0.02, 0.02], 100.40) == pytest.approx([100.38, 100.40])


class FakeInput:
    """As much of `rtmidi.MidiIn` as the listener uses, for one interface."""

    def __init__(self, driver, api):
        self.driver, self.api, self.open_place, self.closed = driver, api, None, 0

    def get_ports(self):
        return list(self.driver.ports[self.api])

    def get_current_api(self):
        return self.api

    def open_port(self, place, name):
        if self.driver.refuses:
            raise OSError("there is no such port")
        self.open_place, self.own_name = place, name

    def close_port(self):
        self.open_place = None
        self.closed += 1

    def ignore_types(self, **kinds):
        self.ignored = kinds

    def get_message(self):
        return self.driver.queue.pop(0) if self.driver.queue else None


class FakeDriver:
    """As much of the `rtmidi` module as the listener uses; each interface has its ports."""

    RtMidiError = OSError
    API_UNIX_JACK = "jack"

    def __init__(self, **ports):
        self.ports, self.queue, self.inputs, self.refuses = ports, [], [], False

    def get_compiled_api(self):
        return list(self.ports)

    def get_api_name(self, api):
        return api

    def MidiIn(self, api, name, queue_size_limit):  # noqa: ARG002, N802 - the driver's name
        if self.ports[api] is None:
            raise OSError(f"{api} does not answer")
        self.inputs.append(FakeInput(self, api))
        return self.inputs[-1]


class FakeWatch:
    """As much of the look at the JACK server as the listener uses."""

    def __init__(self):
        self.gone, self.ends = False, 1

    def connections(self, own_port):  # noqa: ARG002 - as the real one is asked
        return self.ends


def listening(driver, asked, api=None, watch=None):
    listener = Listener(driver, api, lambda: watch)
    listener.look()
    listener.listen(asked)
    return listener


def test_the_first_interface_that_shows_a_port_is_taken():
    driver = FakeDriver(alsa=None, jack=["Drums:clock"])
    assert listening(driver, "drums").listening == "Drums:clock"
    driver = FakeDriver(alsa=["Drums:out 20:0"], jack=["Keys:out"])
    assert [port.name for port in listening(driver, None).ports] == ["Drums:out"]
    driver = FakeDriver(alsa=[], jack=["Keys:out"])
    assert [port.name for port in listening(driver, None).ports] == ["Keys:out"]
    assert not listening(FakeDriver(alsa=None, jack=None), None).usable


def test_the_interface_can_be_chosen():
    driver = FakeDriver(alsa=["Drums:out 20:0"], jack=["Keys:out"])
    assert [port.name for port in listening(driver, None, "jack").ports] == ["Keys:out"]
    assert not listening(driver, None, "core").usable


def test_nothing_is_filtered_by_the_driver_because_its_time_would_be_lost():
    driver = FakeDriver(alsa=["Drums:out 20:0"])
    listening(driver, "Drums:out")
    assert driver.inputs[0].ignored == {"sysex": False, "timing": False, "active_sense": False}


def test_a_port_that_goes_and_comes_back_under_other_numbers_is_opened_again():
    driver = FakeDriver(alsa=["Thru 14:0", "Drums 20:0"])
    listener = listening(driver, "Drums")
    assert driver.inputs[0].open_place == 1
    for ports, name, place in (
        (["Thru 14:0"], None, None),
        (["Drums 24:0", "Thru 14:0"], "Drums", 0),
    ):
        driver.ports["alsa"] = ports
        listener.look()
        listener.listen("Drums")
        assert (listener.listening, driver.inputs[0].open_place) == (name, place)
    # All through one object: asking with new ones uses up ALSA clients.
    assert len(driver.inputs) == 1


def test_long_messages_are_left_out_but_their_time_is_kept():
    driver = FakeDriver(alsa=["Drums 20:0"])
    listener = listening(driver, "Drums")
    driver.queue = [([0xF8], 0.0), ([0xF0] + [0] * 999, 0.5), ([0xF8], 0.25)]
    (first_s, first), (second_s, second) = listener.messages()
    assert (first, second) == (b"\xf8", b"\xf8")
    assert second_s - first_s == pytest.approx(0.75)


def test_a_jack_server_that_went_or_no_longer_knows_the_port_is_noticed():
    watch = FakeWatch()
    listener = listening(FakeDriver(jack=["Drums:clock"]), "Drums:clock", watch=watch)
    assert not listener.cut_off()
    watch.ends = None
    assert listener.cut_off()
    watch.ends, watch.gone = 1, True
    assert listener.cut_off()


def test_a_jack_port_that_went_and_came_back_between_two_looks_is_opened_again():
    driver, watch = FakeDriver(jack=["Drums:clock"]), FakeWatch()
    listener = listening(driver, "Drums:clock", watch=watch)
    listener.mend()
    assert listener.listening == "Drums:clock"
    watch.ends = 0
    listener.mend()
    assert (listener.listening, driver.inputs[0].closed) == (None, 1)


def test_other_interfaces_are_not_watched():
    listener = listening(FakeDriver(alsa=["Drums 20:0"]), "Drums", watch=FakeWatch())
    assert listener.watch is None
    assert not listener.cut_off()


def test_a_port_that_goes_while_it_is_being_opened_is_waited_for():
    driver = FakeDriver(alsa=["Drums 20:0"])
    driver.refuses = True
    assert listening(driver, "Drums").listening is None


def test_an_interface_that_is_in_use_is_not_exchanged_for_want_of_inputs():
    driver = FakeDriver(alsa=[], jack=["Drums:clock"])
    listener = Listener(driver, None, lambda: None)
    listener.look(settled=True)
    assert not listener.usable
    listener.look()
    assert listener.api == "jack"
