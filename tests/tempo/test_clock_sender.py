"""The thread that sends, and the port it sends by, with a fake driver in place of the real one."""

import time
from statistics import median

import pytest

from tempotape.tempo.clock_sender import ClockSender
from tempotape.tempo.link_protocol import ChooseOutput, Halt, Lead, Locate, Play
from tempotape.tempo.midi_process import Desk, Listener
from tempotape.tempo.outlet import Outlet
from tests.jack import wait_until
from tests.tempo.test_midi_link import FakeDriver, FakeWatch


def test_ticks_go_out_at_absolute_times_and_none_ahead_of_its_own():
    sent = []
    sender = ClockSender(lambda message: sent.append((time.monotonic(), message)))
    assert not sender.at_work
    began_s = time.monotonic()
    sender.tell(Lead(250.0))
    wait_until(lambda: len(sent), lambda count: count >= 50, 5)
    sender.tell(Lead(None))
    times_s = sender.sent_s()
    assert sender.at_work
    assert {message for _, message in sent} == {b"\xf8"}
    # 250 to the quarter: 100 ticks a second. Each is late by what the machine makes it, and what
    # is left when the least late is taken away does not add up.
    off_s = [time_s - n * 0.01 for n, time_s in enumerate(times_s)]
    assert min(off_s) >= began_s
    assert median(off_s) - min(off_s) < 0.001
    assert sender.sent_s() == ()
    heard = len(sent)
    time.sleep(0.05)
    assert len(sent) == heard


def test_where_the_song_is_is_told_with_the_count_of_commands():
    sender = ClockSender(lambda _: None)
    before = time.monotonic()
    led = sender.led(3)
    assert (led.handled, led.playing, led.position) == (3, False, 0)
    assert before <= led.t_s <= time.monotonic()
    sender.tell(Locate(5))
    assert sender.led(4).position == 30
    sender.tell(Lead(240.0))
    sender.tell(Play())
    wait_until(lambda: sender.led(0).position, lambda position: position > 10, 5)
    sender.tell(Halt())
    led = sender.led(6)
    time.sleep(0.05)
    assert (led.playing, sender.led(6).position) == (False, led.position)
    sender.tell(Lead(None))


class FakeOut:
    """As much of `rtmidi.MidiOut` as an outlet uses."""

    def __init__(self, driver):
        self.driver, self.open_place, self.closed, self.deleted = driver, None, 0, 0

    def get_ports(self):
        return list(self.driver.out_ports)

    def open_port(self, place, name):  # noqa: ARG002 - as the driver is called
        if self.driver.refuses:
            raise OSError("there is no such port")
        self.open_place = place

    def close_port(self):
        self.open_place = None
        self.closed += 1

    def send_message(self, message):
        if self.driver.broken:
            raise OSError("nothing goes out")
        self.driver.sent.append((self.open_place, bytes(message)))

    def delete(self):
        self.deleted += 1


class TwoWayDriver(FakeDriver):
    def __init__(self, *out_ports, **ports):
        super().__init__(**ports)
        self.out_ports, self.sent, self.outs, self.broken = out_ports, [], [], False

    def MidiOut(self, api, name):  # noqa: ARG002, N802 - the driver's name for it
        self.outs.append(FakeOut(self))
        return self.outs[-1]


def opened(driver, asked, listed=None):
    outlet = Outlet(driver)
    outlet.look("alsa", listed)
    assert outlet.send_to(asked) == (outlet.sending_to is not None)
    return outlet


def test_the_output_is_found_by_its_stable_name_and_our_own_input_is_not_listed():
    driver = TwoWayDriver("tempotape:in 4 128:0", "Thru 14:0", "Drums 20:0")
    outlet = opened(driver, "drums")
    assert [port.name for port in outlet.ports] == ["Thru", "Drums"]
    outlet.send(b"\xf8")
    assert driver.sent == [(2, b"\xf8")]
    assert not outlet.send_to("drums")


def test_an_output_that_goes_and_comes_back_under_other_numbers_is_opened_again():
    driver = TwoWayDriver("Drums 20:0")
    outlet = opened(driver, "Drums")
    driver.out_ports = ()
    outlet.look("alsa", None)
    assert not outlet.send_to("Drums")
    outlet.send(b"\xf8")
    assert (outlet.sending_to, driver.sent) == (None, [])
    driver.out_ports = ("Thru 14:0", "Drums 24:0")
    outlet.look("alsa", None)
    assert outlet.send_to("Drums")
    outlet.send(b"\xf8")
    assert driver.sent == [(1, b"\xf8")]
    outlet.send_to(None)
    assert (outlet.sending_to, driver.outs[0].closed, len(driver.outs)) == (None, 2, 1)


def test_an_output_that_fails_is_opened_anew():
    driver = TwoWayDriver("Drums 20:0")
    outlet = opened(driver, "Drums")
    driver.broken = True
    outlet.send(b"\xf8")
    driver.broken = False
    outlet.look("alsa", None)
    assert outlet.sending_to is None
    assert outlet.send_to("Drums")
    outlet.send(b"\xf8")
    assert driver.sent == [(0, b"\xf8")]


@pytest.mark.parametrize("listed", [None, ["Drums 20:0"]])
def test_an_output_that_goes_while_it_is_being_opened_is_waited_for(listed):
    driver = TwoWayDriver(*([] if listed else ["Drums 20:0"]))
    driver.refuses = not listed
    assert opened(driver, "Drums", listed).sending_to is None


def test_without_an_output_asked_for_jack_ports_are_listed_without_a_client():
    driver = TwoWayDriver("Drums:in")
    outlet = opened(driver, None, ["Drums:in"])
    assert [port.name for port in outlet.ports] == ["Drums:in"]
    outlet.end()
    assert driver.outs == []


def test_another_interface_takes_another_output():
    driver = TwoWayDriver("Drums 20:0")
    outlet = opened(driver, "Drums")
    outlet.look("jack", None)
    assert (outlet.sending_to, len(driver.outs)) == (None, 2)
    outlet.end()
    assert driver.outs[1].deleted == 1


class ListingWatch(FakeWatch):
    def ports_to_send_to(self):
        return ["Drums:in"]


def test_a_jack_connection_that_was_cut_is_made_again():
    driver = TwoWayDriver("Drums:in", jack=["Keys:out"])
    watch = ListingWatch()
    desk = Desk(Listener(driver, None, lambda: watch), Outlet(driver))
    desk.take(ChooseOutput("Drums"))
    desk.look()
    desk.open_ports()
    assert desk.outlet.sending_to == "Drums:in"
    watch.ends = 0
    desk.look()
    assert desk.outlet.sending_to is None
    desk.open_ports()
    assert [report.sending_to for report in desk.state() if hasattr(report, "sending_to")] == [
        "Drums:in"
    ]
