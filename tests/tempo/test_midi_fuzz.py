"""Masses of messages on the way from the driver to the tempo: none lost, kept or harmful."""

import gc
import random
import tracemalloc

from tempotape.tempo.incoming import IncomingClock
from tempotape.tempo.midi_process import Listener
from tests.tempo.test_midi_link import FakeDriver


def listener_to(driver):
    listener = Listener(driver, None, lambda: None)
    listener.look()
    listener.listen("Dense")
    return listener


def test_thirty_minutes_of_a_dense_stream_lose_no_tick_and_grow_no_memory():
    # 120 to the quarter: 48 ticks a second, each with a note and an active sensing after it.
    driver = FakeDriver(alsa=["Dense 20:0"])
    listener, incoming = listener_to(driver), IncomingClock()
    gap_s = 2.5 / 120
    tick = [([0xF8], gap_s / 2), ([0x90, 60, 100], 0.0), ([0xFE], gap_s / 2)]
    ticks, memory = 0, []
    tracemalloc.start()
    # Two seconds at a time, as after a stall: 30 minutes are 86,400 ticks.
    for turn in range(900):
        driver.queue += tick * 96
        heard = listener.messages()
        incoming.heard(heard)
        ticks += sum(message == b"\xf8" for _, message in heard)
        del heard
        if turn % 50 == 0:
            # What the interpreter keeps for use again is not ours.
            gc.collect()
            memory.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert ticks == 86_400
    # What the follower looks back on grows to twice its least length and back.
    assert max(memory[9:]) < 1.5 * max(memory[:9])


def test_a_million_random_bytes_break_nothing_and_stay_nowhere():
    rng = random.Random(5)
    driver = FakeDriver(alsa=["Dense 20:0"])
    listener, incoming = listener_to(driver), IncomingClock()
    now_s, size, memory = 1000.0, 0, []
    tracemalloc.start()
    while size < 1_000_000:
        # Mostly short, as MIDI is, and some as long as system exclusive data can be.
        lengths = [rng.choice((1, 1, 1, 2, 3, 3, rng.randrange(400))) for _ in range(100)]
        messages = [list(rng.randbytes(n)) for n in lengths]
        for message in messages[::3]:
            message[:1] = [rng.choice((0xF8, 0xF8, 0xF8, 0xFA, 0xFB, 0xFC))]
        driver.queue += [(message, rng.expovariate(50)) for message in messages]
        size += sum(lengths)
        heard = listener.messages()
        # Any time at all, as a driver gone wrong may tell it, and ticks of our own between.
        incoming.sent(time_s for time_s, _ in heard[::7])
        incoming.heard((rng.gauss(time_s, 0.05), message) for time_s, message in heard)
        now_s += 2.0
        incoming.at(now_s)
        memory.append(tracemalloc.get_traced_memory()[0])
        del heard
    tracemalloc.stop()
    assert memory[-1] < max(memory[: len(memory) // 2]) + 200_000
