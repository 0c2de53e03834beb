"""The small process that holds the MIDI driver: `python -m tempotape.tempo.midi_process`.

It imports the driver and little else, so that nothing delays the driver's own time stamps, and a
driver that hangs or crashes takes nothing with it. JSON lines, one of the structures of
`link_protocol` each, go out on standard output and come in on standard input; when standard input
ends, so does it.

`TEMPOTAPE_MIDI_API` names the driver's interface (`alsa`, `jack`, ...). Without it the first one
that shows an input port is taken, in the driver's own order; on Linux that is ALSA before JACK.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from tempotape.tempo.clock_sender import ClockSender, hurry
from tempotape.tempo.jack_watch import JackWatch
from tempotape.tempo.link_protocol import (
    Choose,
    ChooseOutput,
    Command,
    Driver,
    Heard,
    Heartbeat,
    Outputs,
    Ports,
    Report,
    Sent,
)
from tempotape.tempo.outlet import Outlet
from tempotape.tempo.port_names import OWN_NAME, Port, PortChoice, named_ports

API_VARIABLE = "TEMPOTAPE_MIDI_API"

# The driver keeps the arrival times, so polling seldom costs no more than this delay. A fifth of
# this took three times the processor time.
_POLL_S = 0.03
_IDLE_POLL_S = 0.05
_LIST_S = 0.5
HEARTBEAT_S = 0.4
# To take leave of the driver.
_LEAVE_S = 0.25
# What the driver takes to pass a last message on, or a first one.
_LAST_WORD_S = 0.03
_RETRY_S = 0.5
# Messages the driver keeps for us: seconds of the densest stream there is, 1,000 a second.
_QUEUED = 8192
# A thread that computes gives way to the one that sends after this; 5 ms is usual.
_GIVE_WAY_S = 0.0005
# Times and the machine's clock may part by this before they are brought together again.
_PARTED_S = 0.25
# Nothing longer is of use here: system exclusive data, mostly.
_LONGEST_MESSAGE = 256


class ArrivalTimes:
    """Arrival times from the driver's deltas, which are exact, and the machine's clock.

    Times are the running sum of the deltas. It is set to the clock at the first messages, and
    again when the two part.
    """

    def __init__(self) -> None:
        self._last_s: float | None = None

    def stamp(self, deltas_s: Sequence[float], now_s: float) -> list[float]:
        """When messages with these deltas arrived, the last of them having been there by `now_s`.

        >>> ArrivalTimes().stamp([0.0, 0.5, 0.25], 10.0)
        [9.25, 9.75, 10.0]
        """
        behind_s = sum(deltas_s[1:])
        first_s = now_s - behind_s
        if self._last_s is not None and abs(self._last_s + deltas_s[0] - first_s) < _PARTED_S:
            first_s = self._last_s + deltas_s[0]
        times_s = [first_s]
        for delta_s in deltas_s[1:]:
            times_s.append(times_s[-1] + delta_s)
        self._last_s = times_s[-1]
        return times_s


class Listener:
    """One long-lived input of the driver, which lists ports and listens to one of them.

    `watch_jack` is asked for a watch of the server whenever JACK turns out to be the interface.
    """

    def __init__(
        self,
        rtmidi: Any,
        api: str | None,
        watch_jack: Callable[[], JackWatch | None] = lambda: JackWatch.open(f"{OWN_NAME} check"),
    ) -> None:
        self._rtmidi = rtmidi
        self._api = api
        self._watch_jack = watch_jack
        self._input: Any = None
        self._own_port = f"in {os.getpid()}"
        self._next_try_s = 0.0
        self._open: Port | None = None
        self._choice = PortChoice()
        self._times = ArrivalTimes()
        self.watch: JackWatch | None = None
        self.ports: tuple[Port, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether any MIDI system answered."""
        return self._input is not None

    @property
    def api(self) -> int | None:
        """The driver's number of the interface in use."""
        return self._input.get_current_api() if self._input is not None else None

    @property
    def listening(self) -> str | None:
        """Our name of the open port."""
        return self._open.name if self._open else None

    def look(self, *, settled: bool = False) -> None:
        """List the ports; while there are none, ask every MIDI system again now and then.

        `settled` is for an interface that has no ports to listen to, but is in use.
        """
        now_s = time.monotonic()
        if not self.ports and not settled and now_s >= self._next_try_s:
            self._ask_all()
            self._next_try_s = now_s + _RETRY_S
        if self._input is not None:
            self.ports = named_ports(self._input.get_ports())

    def listen(self, asked: str | None) -> None:
        """Open the port asked for if it is there, and close one that is gone or not wanted."""
        name = self._choice.among(asked, [port.name for port in self.ports])
        wanted = next((port for port in self.ports if port.name == name), None)
        if self._open and (wanted is None or wanted.driver_name != self._open.driver_name):
            self._close()
        if wanted and not self._open:
            try:
                self._input.open_port(wanted.place, name=self._own_port)
            except self._rtmidi.RtMidiError:
                # It went between being listed and now; the next look tells.
                return
            # Unfiltered, because the delta of a message left out would be lost.
            self._input.ignore_types(sysex=False, timing=False, active_sense=False)
            self._open = wanted
            self._times = ArrivalTimes()

    def messages(self) -> list[tuple[float, bytes]]:
        """Messages that have arrived since, with their times."""
        if not self._open:
            return []
        taken = []
        while (event := self._input.get_message()) is not None:
            taken.append(event)
        if not taken:
            return []
        times_s = self._times.stamp([delta_s for _, delta_s in taken], time.monotonic())
        return [
            (time_s, bytes(message))
            for time_s, (message, _) in zip(times_s, taken, strict=True)
            if len(message) <= _LONGEST_MESSAGE
        ]

    def cut_off(self) -> bool:
        """Whether the sound server has gone, or no longer knows of the open port."""
        if self.watch is None:
            return False
        return self.watch.gone or (
            self._open is not None and self.watch.connections(self._own_port) is None
        )

    def mend(self) -> None:
        """Close a port whose sender went and came back between two looks, to open it again."""
        if self._open and self.watch and self.watch.connections(self._own_port) == 0:
            self._close()

    def end(self) -> None:
        """Take leave of the driver for good."""
        if self._input is not None:
            self._input.delete()

    def _close(self) -> None:
        self._input.close_port()
        self._open = None

    def _ask_all(self) -> None:
        """Take the first interface that shows a port, else the first that answers."""
        rtmidi = self._rtmidi
        apis = rtmidi.get_compiled_api()
        if self._api:
            apis = [api for api in apis if rtmidi.get_api_name(api) == self._api]
        answered = None
        for api in apis:
            try:
                found = self._input if api == self.api else self._made(api)
            except rtmidi.RtMidiError:
                continue
            answered = answered or found
            if named_ports(found.get_ports()):
                answered = found
                break
        if answered is not self._input:
            self._input = answered
            self.watch = self._watch_jack() if self.api == rtmidi.API_UNIX_JACK else None

    def _made(self, api: int) -> Any:
        return self._rtmidi.MidiIn(api, name=OWN_NAME, queue_size_limit=_QUEUED)


class Desk:
    """All that the process does: takes commands on one thread, and serves on another."""

    def __init__(self, listener: Listener, outlet: Outlet) -> None:
        self.listener = listener
        self.outlet = outlet
        self.sender = ClockSender(outlet.send)
        self._listen_to: str | None = None
        self._send_to: str | None = None
        self._handled = 0
        self.dismissed = False

    def take(self, command: Command) -> None:
        """Carry out a command of the parent's."""
        if isinstance(command, Choose):
            self._listen_to = command.name
        elif isinstance(command, ChooseOutput):
            self._send_to = command.name
        else:
            self.sender.tell(command)
        self._handled += 1

    def look(self) -> None:
        """List the ports of both kinds, and mend what has come apart."""
        self.listener.look(settled=bool(self.outlet.ports))
        self.listener.mend()
        api, watch = self.listener.api, self.listener.watch
        if api is not None:
            self.outlet.look(api, watch.ports_to_send_to() if watch else None)
        if self.outlet.sending_to and watch and not watch.connections(self.outlet.own_port):
            self.outlet.close()

    def open_ports(self) -> None:
        """Open what is asked for as far as it is there."""
        if self.listener.usable:
            self.listener.listen(self._listen_to)
        if self.outlet.leaves(self._send_to):
            self.last_word()
        if self.outlet.send_to(self._send_to):
            # A connection just made may lose what is sent at once.
            time.sleep(_LAST_WORD_S)
            self.sender.announce()

    def last_word(self) -> None:
        """Stop what plays along, before nothing more is sent there.

        Twice: JACK may lose what is sent while a program is late.
        """
        for _ in range(2):
            self.sender.stop_followers()
            time.sleep(_LAST_WORD_S)

    def state(self) -> list[Report]:
        """What the parent is told whenever it changes; the inputs last, as the sign of all."""
        usable = self.listener.usable
        return [
            Driver(usable, "" if usable else "no MIDI system answers"),
            Outputs(tuple(port.name for port in self.outlet.ports), self.outlet.sending_to),
            Ports(tuple(port.name for port in self.listener.ports), self.listener.listening),
        ]

    def traffic(self) -> list[Report]:
        """What went out and what came in since; what was sent is told first."""
        traffic: list[Report] = []
        messages = self.listener.messages()
        if sent_s := self.sender.sent_s():
            traffic.append(Sent(sent_s))
        if messages:
            traffic.append(Heard(tuple(messages)))
        return traffic

    def health(self, now_s: float) -> list[Report]:
        """What the parent is told every heartbeat."""
        if not self.sender.at_work:
            return [Heartbeat(now_s)]
        return [self.sender.led(self._handled), Heartbeat(now_s)]


def serve(desk: Desk, send: Callable[[Report], None]) -> None:
    """Report ports, messages and heartbeats until dismissed or cut off by the sound server."""
    told: list[Report] = []
    next_look_s = next_beat_s = 0.0
    while not desk.dismissed:
        now_s = time.monotonic()
        if now_s >= next_look_s:
            if desk.listener.cut_off():
                return
            desk.look()
            next_look_s = now_s + _LIST_S
        desk.open_ports()
        state = desk.state()
        if state != told:
            told = state
            for report in state:
                send(report)
        for report in desk.traffic():
            send(report)
        if now_s >= next_beat_s:
            for report in desk.health(now_s):
                send(report)
            next_beat_s = now_s + HEARTBEAT_S
        time.sleep(_POLL_S if desk.listener.listening else _IDLE_POLL_S)


def _read_commands(desk: Desk) -> None:
    """Take what the parent says until it says no more."""
    decoder = msgspec.json.Decoder(Command)
    for line in sys.stdin.buffer:
        try:
            command = decoder.decode(line)
        except msgspec.MsgspecError:
            continue
        desk.take(command)
    # The parent has gone. JACK takes it ill when a client ends without a word, but the driver may
    # hang and hold the interpreter lock: then the system's own alarm ends us.
    if not hasattr(signal, "setitimer"):
        os._exit(0)
    signal.setitimer(signal.ITIMER_REAL, _LEAVE_S)
    desk.dismissed = True


def _quiet_streams() -> Callable[[Report], None]:
    """Keep standard output for reports, and send what the driver prints there or on stderr away.

    The parent draws on the same terminal, and RtMidi and libjack write to standard error.
    """
    channel = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    encoder = msgspec.json.Encoder()

    def send(report: Report) -> None:
        line = memoryview(encoder.encode(report) + b"\n")
        while line:
            line = line[os.write(channel, line) :]

    return send


def main() -> None:
    """Serve until standard input ends or the driver can no longer be trusted."""
    # Ctrl-C reaches every process of the terminal; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    send = _quiet_streams()
    # Threads that the driver makes take after this one.
    hurry(fifo=False)
    try:
        import rtmidi  # noqa: PLC0415 - only once its chatter goes nowhere
    except ModuleNotFoundError:
        send(Driver(usable=False, problem="python-rtmidi is not installed", final=True))
        return
    except ImportError:
        send(Driver(usable=False, problem="python-rtmidi does not load", final=True))
        return
    desk = Desk(Listener(rtmidi, os.environ.get(API_VARIABLE)), Outlet(rtmidi))
    threading.Thread(target=_read_commands, args=(desk,), daemon=True).start()
    sys.setswitchinterval(_GIVE_WAY_S)
    # What is there now is there for good: no collection looks through it again.
    gc.freeze()
    serve(desk, send)
    if desk.dismissed:
        desk.last_word()
        desk.outlet.end()
        desk.listener.end()
    # Closing a port of a server that has gone crashes: leave at once, and be started anew.
    os._exit(0)


if __name__ == "__main__":
    main()
