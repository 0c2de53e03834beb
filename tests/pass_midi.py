"""Passes on what arrives: `python tests/pass_midi.py NAME DELAY_S`, from NAME:in to NAME:out.

As a merge box does, whose output goes to everybody and also back to who sent.
"""

from __future__ import annotations

import signal
import sys
import time
from collections import deque

import rtmidi


def main(name: str, delay_s: float) -> None:
    """Pass messages on until ended."""
    incoming = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name)
    incoming.ignore_types(sysex=False, timing=False, active_sense=False)
    incoming.open_virtual_port("in")
    outgoing = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name} back")
    outgoing.open_virtual_port("out")
    print("ready", flush=True)
    kept: deque[tuple[float, list[int]]] = deque()
    while True:
        while (event := incoming.get_message()) is not None:
            kept.append((time.monotonic() + delay_s, event[0]))
        while kept and kept[0][0] <= time.monotonic():
            outgoing.send_message(kept.popleft()[1])
        time.sleep(0.0005)


if __name__ == "__main__":
    # JACK takes it ill when a client ends without a word.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    main(sys.argv[1], float(sys.argv[2]))
