"""Made runs of MIDI clock ticks, and what a follower says of them.

24 timing clocks make a quarter note (MIDI 1.0 Detailed Specification). Jitter is Gaussian.
"""

import math
from itertools import accumulate

from tempotape.tempo.clock import ClockFollower

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"


def period_s(tempo_bpm):
    return 60 / tempo_bpm / 24


def steady(tempo_bpm, seconds, jitter_s, rng, from_s=0.0):
    count = int(seconds / period_s(tempo_bpm)) + 1
    return [from_s + n * period_s(tempo_bpm) + rng.gauss(0, jitter_s) for n in range(count)]


def step(before_bpm, after_bpm, jitter_s, rng):
    """10 s at one tempo, then 8 beats at another; and when the change was."""
    first = int(10 / period_s(before_bpm))
    gaps = [period_s(before_bpm)] * first + [period_s(after_bpm)] * (8 * 24)
    times = list(accumulate(gaps, initial=0.0))
    return [t + rng.gauss(0, jitter_s) for t in times], times[first]


def readings(times, follower=None):
    """What the follower says after each tick."""
    follower = follower or ClockFollower()
    told = []
    for t in sorted(times):
        follower.feed(t, CLOCK)
        told.append(follower.at(t))
    return told


def settled_after_s(told, truth_bpm, from_s):
    """When the tempo was for the last time not within 0.5 % of the truth."""
    off = [
        r.t_s
        for r in told
        if r.t_s >= from_s and (r.tempo_bpm is None or abs(r.tempo_bpm / truth_bpm - 1) > 0.005)
    ]
    return max(off, default=from_s) - from_s


def rms(values):
    return math.sqrt(sum(value * value for value in values) / len(values))


def median(values):
    return sorted(values)[len(values) // 2]


def bound_bpm(tempo_bpm, count, jitter_s):
    """Cramer-Rao bound: sd of a period from n ticks is s sqrt(12 / (n (n^2 - 1))) (Kay, 1993)."""
    sd_s = jitter_s * math.sqrt(12 / (count * (count**2 - 1)))
    return tempo_bpm * sd_s / period_s(tempo_bpm)


def with_some_missing(times, share, rng):
    return [t for t in times if rng.random() > share]


def with_some_doubled(times, share, rng):
    return times + [t + rng.uniform(0, 0.001) for t in times if rng.random() < share]


def late_bursts(tempo_bpm, seconds, rng):
    """An exponential tail of 1.5 ms, and 3 % of the ticks 8 ms late."""
    return [
        n * period_s(tempo_bpm)
        + rng.expovariate(1 / 0.0015)
        + (0.008 if rng.random() < 0.03 else 0.0)
        for n in range(int(seconds / period_s(tempo_bpm)))
    ]
