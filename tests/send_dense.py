"""Sends a dense stream: `python tests/send_dense.py NAME MESSAGES SECONDS`, evenly.

A sixth are clock, the rest notes whose key and velocity count up, so that a lost one shows. The
port `NAME:out` is there from a first line on; sending begins with a line on standard input.
"""

from __future__ import annotations

import signal
import sys
import time

import rtmidi


def note(number: int) -> list[int]:
    """The note message with this number."""
    return [0x90, number & 0x7F, number >> 7 & 0x7F]


def main(name: str, messages: int, seconds: float) -> None:
    """Send so many messages at absolute times."""
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name)
    out.open_virtual_port("out")
    print("ready", flush=True)
    sys.stdin.readline()
    began_s = time.monotonic()
    for number in range(messages):
        time.sleep(max(0.0, began_s + number * seconds / messages - time.monotonic()))
        out.send_message([0xF8] if number % 6 == 0 else note(number))
    print("sent", flush=True)
    sys.stdin.readline()


if __name__ == "__main__":
    # JACK takes it ill when a client ends without a word.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    main(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]))
