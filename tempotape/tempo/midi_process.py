"""The small process that holds the MIDI driver: `python -m tempotape.tempo.midi_process`.

It imports the driver and little else, so that nothing delays the driver's own time stamps, and a
driver that hangs or crashes takes nothing with it. JSON lines, one of the structures below each,
go out on standard output and come in on standard input; when standard input ends, so does it.

`TEMPOTAPE_MIDI_API` names the driver's interface (`alsa`, `jack`, ...). Without it the first one
that shows an input port is taken, in the driver's own order; on Linux that is ALSA before JACK.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from tempotape.tempo.port_names import OWN_NAME, Port, chosen_port, ports_to_listen_to

API_VARIABLE = "TEMPOTAPE_MIDI_API"

# The driver keeps the arrival times, so polling seldom costs no more than this delay. A fifth of
# this took three times the processor time.
_POLL_S = 0.03
_IDLE_POLL_S = 0.05
_LIST_S = 0.5
HEARTBEAT_S = 0.5
# How long nothing may be heard before the sound server is asked whether it still knows us.
_SILENCE_S = 2.0
_RETRY_S = 1.0
# Times and the machine's clock may part by this before they are brought together again.
_PARTED_S = 0.25
# Nothing longer is of use here: system exclusive data, mostly.
_LONGEST_MESSAGE = 256


class Driver(msgspec.Struct, frozen=True, tag="driver"):
    """Whether MIDI can be used, why not, and whether that is for good."""

    usable: bool
    problem: str = ""
    final: bool = False


class Ports(msgspec.Struct, frozen=True, tag="ports"):
    """The input ports there are now, and the one being listened to."""

    names: tuple[str, ...]
    listening: str | None


class Heard(msgspec.Struct, frozen=True, tag="heard"):
    """Messages with their arrival times in seconds of `time.monotonic`."""

    messages: tuple[tuple[float, bytes], ...]


class Heartbeat(msgspec.Struct, frozen=True, tag="heartbeat"):
    """The process is well."""

    t_s: float


class Choose(msgspec.Struct, frozen=True, tag="choose"):
    """To the process: listen to the port of this name, or to none."""

    name: str | None


Report = Driver | Ports | Heard | Heartbeat


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
    """One long-lived input of the driver, which lists ports and listens to one of them."""

    def __init__(self, rtmidi: Any, api: str | None) -> None:
        self._rtmidi = rtmidi
        self._api = api
        self._input: Any = None
        self._own_port = f"in {os.getpid()}"
        self._next_try_s = 0.0
        self._open: Port | None = None
        self._times = ArrivalTimes()
        self.ports: tuple[Port, ...] = ()
        self.last_heard_s = 0.0

    @property
    def usable(self) -> bool:
        """Whether any MIDI system answered."""
        return self._input is not None

    @property
    def listening(self) -> str | None:
        """Our name of the open port."""
        return self._open.name if self._open else None

    def look(self) -> None:
        """List the ports; while there are none, ask every MIDI system again now and then."""
        now_s = time.monotonic()
        if not self.ports and now_s >= self._next_try_s:
            self._input = self._first_that_answers()
            self._next_try_s = now_s + _RETRY_S
        if self._input is not None:
            self.ports = ports_to_listen_to(self._input.get_ports())

    def listen(self, asked: str | None) -> None:
        """Open the port asked for if it is there, and close one that is gone or not wanted."""
        name = chosen_port(asked, [port.name for port in self.ports])
        wanted = next((port for port in self.ports if port.name == name), None)
        if self._open and (wanted is None or wanted.driver_name != self._open.driver_name):
            self._input.close_port()
            self._open = None
        if wanted and not self._open:
            self._input.open_port(wanted.place, name=self._own_port)
            # Unfiltered, because the delta of a message left out would be lost.
            self._input.ignore_types(sysex=False, timing=False, active_sense=False)
            self._open = wanted
            self._times = ArrivalTimes()
            self.last_heard_s = time.monotonic()

    def messages(self) -> list[tuple[float, bytes]]:
        """Messages that have arrived since, with their times."""
        if not self._open:
            return []
        taken = []
        while (event := self._input.get_message()) is not None:
            taken.append(event)
        if not taken:
            return []
        self.last_heard_s = time.monotonic()
        times_s = self._times.stamp([delta_s for _, delta_s in taken], self.last_heard_s)
        return [
            (time_s, bytes(message))
            for time_s, (message, _) in zip(times_s, taken, strict=True)
            if len(message) <= _LONGEST_MESSAGE
        ]

    def cut_off(self) -> bool:
        """Whether the sound server has gone, or come back without knowing of us.

        JACK tells nobody: the port stays open and silent. A new client sees the truth.
        """
        rtmidi = self._rtmidi
        if self._input is None or self._input.get_current_api() != rtmidi.API_UNIX_JACK:
            return False
        try:
            probe = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{OWN_NAME} check")
        except rtmidi.RtMidiError:
            return True
        known = self._open is None or any(
            name.endswith(f":{self._own_port}") for name in probe.get_ports()
        )
        probe.delete()
        return not known

    def _first_that_answers(self) -> Any:
        rtmidi = self._rtmidi
        apis = rtmidi.get_compiled_api()
        if self._api:
            apis = [api for api in apis if rtmidi.get_api_name(api) == self._api]
        answered = None
        for api in apis:
            try:
                found = rtmidi.MidiIn(api, name=OWN_NAME)
            except rtmidi.RtMidiError:
                continue
            if found.get_port_count():
                return found
            answered = answered or found
        return answered


def serve(
    listener: Listener, asked: Callable[[], str | None], send: Callable[[Report], None]
) -> None:
    """Report ports, messages and heartbeats until the sound server cuts us off."""
    told: tuple[object, ...] = ()
    next_look_s = next_beat_s = 0.0
    last_check_s = time.monotonic()
    while True:
        now_s = time.monotonic()
        if now_s >= next_look_s:
            listener.look()
            next_look_s = now_s + _LIST_S
        if listener.usable:
            listener.listen(asked())
        state = (listener.usable, tuple(port.name for port in listener.ports), listener.listening)
        if state != told:
            told = state
            send(Driver(listener.usable, "" if listener.usable else "no MIDI system answers"))
            send(Ports(state[1], listener.listening))
        messages = listener.messages()
        if messages:
            send(Heard(tuple(messages)))
        if now_s >= next_beat_s:
            send(Heartbeat(now_s))
            next_beat_s = now_s + HEARTBEAT_S
        if now_s - max(last_check_s, listener.last_heard_s) > _SILENCE_S:
            last_check_s = now_s
            if listener.cut_off():
                return
        time.sleep(_POLL_S if listener.listening else _IDLE_POLL_S)


class _Asked:
    """The port the parent asked for last, read on a thread of its own."""

    def __init__(self) -> None:
        self.name: str | None = None
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin.buffer:
            try:
                self.name = msgspec.json.decode(line, type=Choose).name
            except msgspec.MsgspecError:
                continue
        # The parent has gone. The driver may hang, so nothing is closed.
        os._exit(0)


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
    asked = _Asked()
    try:
        import rtmidi  # noqa: PLC0415 - only once its chatter goes nowhere
    except ModuleNotFoundError:
        send(Driver(usable=False, problem="python-rtmidi is not installed", final=True))
        return
    except ImportError:
        send(Driver(usable=False, problem="python-rtmidi does not load", final=True))
        return
    serve(Listener(rtmidi, os.environ.get(API_VARIABLE)), lambda: asked.name, send)
    # Closing a port of a server that has gone crashes: leave at once, and be started anew.
    os._exit(0)


if __name__ == "__main__":
    main()
