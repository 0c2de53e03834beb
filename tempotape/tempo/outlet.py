"""The port our clock goes out by."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from tempotape.tempo.port_names import OWN_NAME, Port, PortChoice, named_ports


class Outlet:
    """One output of the driver, open to the port asked for as long as that is there.

    Under JACK a driver object costs half a percent of a core, so there is none before it is
    needed, and the ports are listed by the watch.
    """

    def __init__(self, rtmidi: Any) -> None:
        self._rtmidi = rtmidi
        self._api: int | None = None
        self._output: Any = None
        self._open: Port | None = None
        self._choice = PortChoice()
        self._failed = False
        self.own_port = f"out {os.getpid()}"
        self.ports: tuple[Port, ...] = ()

    @property
    def sending_to(self) -> str | None:
        """Our name of the open port."""
        return self._open.name if self._open else None

    def look(self, api: int, listed: Sequence[str] | None) -> None:
        """List the ports of this interface, which may have been done already."""
        if api != self._api or self._failed:
            self.close()
            self._api, self._output = api, None
        try:
            self.ports = named_ports(self._driver().get_ports() if listed is None else listed)
        except self._rtmidi.RtMidiError:
            self.ports = ()

    def send_to(self, asked: str | None) -> bool:
        """Open the port asked for if it is there, close one that is not; whether one was opened."""
        name = self._choice.among(asked, [port.name for port in self.ports])
        wanted = next((port for port in self.ports if port.name == name), None)
        if self._open and (wanted is None or wanted.driver_name != self._open.driver_name):
            self.close()
        if wanted is None or self._open:
            return False
        try:
            places = self._driver().get_ports()
            self._output.open_port(places.index(wanted.driver_name), name=self.own_port)
        except (self._rtmidi.RtMidiError, ValueError):
            # It went between being listed and now; the next look tells.
            return False
        self._open = wanted
        return True

    def leaves(self, asked: str | None) -> bool:
        """Whether the open port, which is still there, is no longer the one asked for."""
        names = [port.name for port in self.ports]
        return self._open is not None and self._choice.among(asked, names) != self._open.name

    def close(self) -> None:
        """Close the port, if one is open."""
        if self._open:
            self._open, self._failed = None, False
            self._output.close_port()

    def end(self) -> None:
        """Take leave of the driver for good."""
        self._open = None
        if self._output is not None:
            self._output.delete()

    def send(self, message: bytes) -> None:
        """Send a message to the open port, or nowhere."""
        if self._open:
            try:
                self._output.send_message(message)
            except self._rtmidi.RtMidiError:
                # Closed by the thread that opens ports, which alone may do it.
                self._failed = True

    def _driver(self) -> Any:
        if self._output is None:
            # A client name of its own: two of one name are told apart by JACK as it likes.
            self._output = self._rtmidi.MidiOut(self._api, name=f"{OWN_NAME} clock")
        return self._output
