"""Prints what arrives at a JACK port of its own: `python tests/receive_midi.py NAME`.

A process of its own, as a drum machine is. After a line that the port `NAME:in` is there, one line
for each message: its arrival time in seconds by the driver's own deltas, and its bytes in hex.
"""

from __future__ import annotations

import signal
import sys
import time

import rtmidi


def main(name: str) -> None:
    """Print messages until ended."""
    incoming = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name, queue_size_limit=1 << 16)
    incoming.ignore_types(sysex=False, timing=False, active_sense=False)
    incoming.open_virtual_port("in")
    print("ready", flush=True)
    time_s: float | None = None
    while True:
        lines = []
        while (event := incoming.get_message()) is not None:
            message, delta_s = event
            time_s = time.monotonic() if time_s is None else time_s + delta_s
            lines.append(f"{time_s:.9f} {bytes(message).hex()}\n")
        sys.stdout.write("".join(lines))
        sys.stdout.flush()
        time.sleep(0.02)


if __name__ == "__main__":
    # JACK takes it ill when a client ends without a word.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    main(sys.argv[1])
