"""A simulated echo unit on a JACK server: `python -m tests.echo_in_jack NAME GAP SPEED HZ DEPTH`.

Gap in mm, speed in mm/s, wow in Hz and its depth. It has the ports NAME:in and NAME:out; dry and
wet come out mixed. Once something is connected to both the server runs freely, as fast as the
programs on it can, so that a minute of sound takes seconds; it does so for 50 s of sound from the
first on, because a program cannot leave a server just as that changes its pace.
"""

from __future__ import annotations

import sys
import threading
import time

import jack
import numpy as np

from tests.simulated_unit import LiveUnit, SimulatedUnit

SECONDS = 60
FREELY_S = 50
FRAMES_A_BLOCK = 1024


def main(name: str, gap_mm: float, speed_mm_s: float, wow_hz: float, depth: float) -> None:
    """Be the unit until ended."""
    client = jack.Client(name)
    sound_in, sound_out = client.inports.register("in"), client.outports.register("out")
    unit = SimulatedUnit(
        gap_mm=gap_mm,
        speed_mm_s=speed_mm_s,
        wow=((wow_hz, depth, 0.0),),
        hiss=0.0003,
    )
    live = LiveUnit(unit, SECONDS * client.samplerate, client.samplerate)
    client.blocksize = FRAMES_A_BLOCK

    enough = threading.Event()

    @client.set_process_callback
    def process(frames: int) -> None:
        dry = sound_in.get_array()
        played = sound_out.get_array()
        played[:] = dry
        if (live.done or np.any(dry)) and live.done + frames <= len(live.written):
            played += 0.7 * live.feed(dry.astype(float))
        if live.done > FREELY_S * client.samplerate:
            enough.set()

    with client:
        print("ready", flush=True)
        while not (sound_in.connections and sound_out.connections):
            time.sleep(0.01)
        client.set_freewheel(True)
        enough.wait()
        client.set_freewheel(False)
        time.sleep(600)


if __name__ == "__main__":
    main(sys.argv[1], *map(float, sys.argv[2:]))
