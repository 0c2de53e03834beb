"""Sends MIDI clock from a JACK port of its own: `python tests/send_clock.py NAME BPM SECONDS`.

A process of its own, as a sequencer is. Ticks are sent at absolute times, so that none of the
delays in sending adds up. Prints a line once the port is there.
"""

from __future__ import annotations

import signal
import sys
import time

import rtmidi

TIMING_CLOCK, START = [0xF8], [0xFA]


def main(name: str, tempo_bpm: float, seconds: float) -> None:
    """Send a start and then clock for so long."""
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name)
    out.open_virtual_port("clock")
    print("ready", flush=True)
    out.send_message(START)
    began_s = time.monotonic()
    # MIDI 1.0: 24 timing clocks to a quarter note.
    for tick in range(int(seconds * tempo_bpm * 24 / 60)):
        due_s = began_s + tick * 60 / tempo_bpm / 24
        time.sleep(max(0.0, due_s - time.monotonic()))
        out.send_message(TIMING_CLOCK)


if __name__ == "__main__":
    # JACK takes it ill when a client ends without a word.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]))
