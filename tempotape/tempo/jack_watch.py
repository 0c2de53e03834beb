"""A look at the JACK server through its own C library: JACK tells the MIDI driver nothing.

The driver never learns that its server has gone, and making a second driver object to find out
takes 20 ms during which no other thread runs. A client of our own that does no work is told at
once, and asks without holding up anybody. JACK API reference: `jack_client_open`,
`jack_on_shutdown`, `jack_get_ports`, `jack_port_get_all_connections`.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import re
from pathlib import Path
from typing import Any

_NO_START_SERVER = 0x01
_IS_INPUT, _IS_OUTPUT = 0x1, 0x2
_MIDI_TYPE = b"8 bit raw midi"
_MAPS = Path("/proc/self/maps")

_Shutdown = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


def _library() -> Any:
    """The very library that the driver has loaded, or the system's; None where there is none."""
    try:
        loaded = re.search(r"\S+/libjack[-.\w]*$", _MAPS.read_text(), re.MULTILINE)
    except OSError:
        loaded = None
    path = loaded.group() if loaded else ctypes.util.find_library("jack")
    try:
        jack = ctypes.CDLL(path) if path else None
    except OSError:
        return None
    if jack is None:
        return None
    handle, text = ctypes.c_void_p, ctypes.c_char_p
    names = ctypes.POINTER(ctypes.c_char_p)
    for function, result, arguments in (
        (jack.jack_client_open, handle, (text, ctypes.c_int, handle)),
        (jack.jack_on_shutdown, None, (handle, _Shutdown, handle)),
        (jack.jack_get_ports, names, (handle, text, text, ctypes.c_ulong)),
        (jack.jack_port_by_name, handle, (handle, text)),
        (jack.jack_port_get_all_connections, names, (handle, handle)),
        (jack.jack_free, None, (handle,)),
    ):
        function.restype, function.argtypes = result, arguments
    return jack


class JackWatch:
    """A client of the JACK server that only looks; `gone` once the server has let it go."""

    def __init__(self, jack: Any, client: int) -> None:
        self.gone = False
        self._jack = jack
        self._client = client
        # Kept, because the library calls it for as long as it lives.
        self._on_shutdown = _Shutdown(self._shut_down)
        jack.jack_on_shutdown(client, self._on_shutdown, None)

    @classmethod
    def open(cls, name: str) -> JackWatch | None:
        """A watch under this client name, or None where no library or no server answers."""
        jack = _library()
        client = jack.jack_client_open(name.encode(), _NO_START_SERVER, None) if jack else None
        return cls(jack, client) if client else None

    def ports_to_send_to(self) -> list[str]:
        """The names of the MIDI ports that can be sent to, in the driver's order."""
        return self._ports(None, _IS_INPUT)

    def connections(self, own_port: str) -> int | None:
        """How many ports this port of ours is connected to; None where the server has no such."""
        for flag in (_IS_INPUT, _IS_OUTPUT):
            for name in self._ports(f":{re.escape(own_port)}$", flag):
                port = self._jack.jack_port_by_name(self._client, name.encode())
                ends = self._jack.jack_port_get_all_connections(self._client, port)
                return len(self._taken(ends))
        return None

    def _ports(self, pattern: str | None, flag: int) -> list[str]:
        asked = pattern.encode() if pattern else None
        return self._taken(self._jack.jack_get_ports(self._client, asked, _MIDI_TYPE, flag))

    def _taken(self, names: Any) -> list[str]:
        """Names out of a list of the library's, which is freed."""
        if not names:
            return []
        taken: list[str] = []
        while names[len(taken)]:
            taken.append(names[len(taken)].decode("utf-8", "replace"))
        self._jack.jack_free(names)
        return taken

    def _shut_down(self, _: int | None) -> None:
        self.gone = True
