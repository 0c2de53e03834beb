"""The follower under what real wires do: heavy jitter, lost, doubled, late and rounded ticks.

The bound is that of Cramer and Rao for a line fit (Kay, Fundamentals of Statistical Signal
Processing, 1993): sd of a period from n ticks is s sqrt(12 / (n (n^2 - 1))). The judge where that
is too wide for the demand is a least-squares fit by numpy that knows every tick's number.
"""

import random

import numpy as np
import pytest

from tempotape.tempo.clock import ClockFollower
from tests.clock_runs import (
    CLOCK,
    CONTINUE,
    START,
    STOP,
    bound_bpm,
    late_bursts,
    median,
    period_s,
    readings,
    rms,
    settled_after_s,
    steady,
    with_some_doubled,
    with_some_missing,
)

HEAVY_S = 0.003
DAMAGE = {
    "missing": lambda run, rng: with_some_missing(run, 0.05, rng),
    "doubled": lambda run, rng: with_some_doubled(run, 0.03, rng),
}


def knowing_fit_settles_after_s(times, tempo_bpm):
    """When the line through all ticks so far, numbered right, was last 0.5 % or more off."""
    last_s = times[0]
    for count in range(2, len(times)):
        slope_s = np.polyfit(np.arange(count), times[:count], 1)[0]
        if abs(period_s(tempo_bpm) / slope_s - 1) > 0.005:
            last_s = times[count - 1]
    return last_s - times[0]


@pytest.mark.parametrize(
    ("tempo", "jitter_ms", "beats"), [(250, 1, 1), (300, 1, 1), (200, 3, 2), (300, 3, 2)]
)
def test_it_settles_as_soon_as_a_fit_that_knows_the_numbers(tempo, jitter_ms, beats):
    # One sd of the bound is 0.27 % after a beat at 250 BPM and 1 ms, 0.35 % at 300; 0.25 % after
    # two beats at 200 BPM and 3 ms, 0.38 % at 300. To be within 0.5 % from then on is a matter of
    # luck for any method; how often it happens is compared with the knowing fit.
    rng = random.Random(f"settles {tempo} {jitter_ms}")
    runs = [steady(tempo, 1.2, jitter_ms / 1000, rng) for _ in range(25)]
    ours = [settled_after_s(readings(run), tempo, 0) for run in runs]
    theirs = [knowing_fit_settles_after_s(run, tempo) for run in runs]
    limit_s = 60 / tempo * beats + 0.01

    def in_time(after_s):
        return sum(after <= limit_s for after in after_s)

    assert in_time(ours) >= in_time(theirs) - 2
    assert median(ours) <= 1.1 * median(theirs)
    assert median(ours) <= limit_s


@pytest.mark.parametrize("tempo", [200, 250, 300])
@pytest.mark.parametrize("kind", DAMAGE)
def test_lost_and_doubled_ticks_at_3_ms_jitter_cost_no_more_than_their_share(tempo, kind):
    # At 300 BPM the jitter is more than a third of the period.
    rng = random.Random(f"{tempo} {kind}")
    runs = [DAMAGE[kind](steady(tempo, 10, HEAVY_S, rng), rng) for _ in range(10)]
    told = [readings(run)[-1] for run in runs]
    bound = bound_bpm(tempo, min(len(runs[0]), int(10 / period_s(tempo))), HEAVY_S)
    errors = [reading.tempo_bpm - tempo for reading in told]
    # 10 runs tell a spread to within 22 % (one sd of it); 38 % are allowed for. In one run
    # of a hundred the ticks of the last seconds are numbered anew, and the error is larger.
    close = sorted(map(abs, errors))[:-1]
    assert rms(close) <= 1.15 * 1.38 * bound
    assert max(map(abs, errors)) < 1.0
    assert all(reading.state == "locked" for reading in told)
    assert rms([error / r.error_bpm for error, r in zip(errors, told, strict=True)]) < 1.6


def test_no_false_change_at_300_bpm_and_3_ms_in_ten_minutes():
    rng = random.Random(15)
    follower = ClockFollower()
    worst = 0.0
    for n, t in enumerate(sorted(steady(300, 600, HEAVY_S, rng))):
        follower.feed(t, CLOCK)
        if t > 10 and n % 24 == 0:
            worst = max(worst, abs(follower.at(t).tempo_bpm - 300))
    # As in the hour at 120 BPM: a line begun anew would be off by 50 times that.
    assert worst < 6 * bound_bpm(300, 1200, HEAVY_S)


@pytest.mark.parametrize("tempo", [120, 200, 300])
def test_late_bursts_make_no_false_change_in_six_minutes(tempo):
    rng = random.Random(f"late {tempo}")
    follower = ClockFollower()
    for n, t in enumerate(sorted(late_bursts(tempo, 360, rng))):
        follower.feed(t, CLOCK)
        if t > 10 and n % 24 == 0:
            assert follower.at(t).tempo_bpm == pytest.approx(tempo, abs=0.05)


def test_the_stated_error_is_honest_under_late_bursts():
    rng = random.Random(16)
    ratios = []
    for tempo in (40, 80, 120, 200, 300):
        for _ in range(8):
            told = readings(late_bursts(tempo, 10, rng))[-1]
            ratios.append((told.tempo_bpm - tempo) / told.error_bpm)
    assert 0.6 <= rms(ratios) <= 1.6


def rounded_run(tempo, jitter_s, rng, seconds=10):
    phase = rng.random()
    count = int(seconds / period_s(tempo))
    return [round(phase + n * period_s(tempo) + rng.gauss(0, jitter_s), 3) for n in range(count)]


# A period of almost a whole number of milliseconds: rounding errors that are anything but random.
NEARLY_WHOLE = [100.01, 124.97, 124.99, 156.24]


@pytest.mark.parametrize("tempo", NEARLY_WHOLE)
def test_rounded_times_a_hair_off_whole_milliseconds_are_within_0_01_bpm_after_10_s(tempo):
    rng = random.Random(f"rounded {tempo}")
    for _ in range(10):
        told = readings(rounded_run(tempo, 0.0, rng))[-1]
        # 0.0004 over: where no time steps in 10 s, nothing tells 156.24 from 156.26 BPM.
        assert told.tempo_bpm == pytest.approx(tempo, abs=0.0104)


@pytest.mark.parametrize("tempo", [208.32, 249.98, 312.4])
def test_rounded_times_at_fast_tempos_are_within_one_frame_in_10_s(tempo):
    # Two lines whose ends part by less than a frame may give the very same times: 1 ms in 10 s
    # is 0.02 to 0.03 BPM here.
    rng = random.Random(f"rounded {tempo}")
    for _ in range(5):
        told = readings(rounded_run(tempo, 0.0, rng))[-1]
        assert told.tempo_bpm == pytest.approx(tempo, abs=1.05 * tempo * 0.001 / 10)


@pytest.mark.parametrize("jitter_ms", [0, 0.2, 0.5])
def test_the_stated_error_is_honest_under_rounding(jitter_ms):
    rng = random.Random(f"honest {jitter_ms}")
    ratios = []
    for tempo in [77.7, 133.33, *NEARLY_WHOLE, 208.32, 249.98]:
        for _ in range(4):
            told = readings(rounded_run(tempo, jitter_ms / 1000, rng))[-1]
            ratios.append((told.tempo_bpm - tempo) / told.error_bpm)
    assert 0.6 <= rms(ratios) <= 1.6


@pytest.mark.parametrize("tempo", [124.97, 312.4])
def test_rounding_is_never_taken_for_a_change_of_tempo(tempo):
    rng = random.Random(f"steady {tempo}")
    told = readings(rounded_run(tempo, 0.0, rng, seconds=40))
    later = [reading for reading in told if reading.t_s > told[0].t_s + 10]
    assert all(reading.tempo_bpm == pytest.approx(tempo, abs=0.032) for reading in later)


def test_a_change_of_tempo_shows_in_rounded_times():
    times = [n * period_s(120) for n in range(480)]
    times += [times[-1] + n * period_s(123) for n in range(1, 200)]
    told = readings(round(t, 3) for t in times)
    assert settled_after_s(told, 123, times[479]) < 1.5 * 60 / 123


@pytest.mark.parametrize(
    ("before", "after", "jitter_ms", "beats"),
    [
        (120, 90, 1, 1.5),
        (60, 120, 1, 1.5),
        (100, 150, 1, 1.5),
        (40, 60, 1, 1.5),
        (140, 100, 3, 2.5),
        (100, 140, 3, 2.5),
    ],
)
def test_a_jump_to_another_tempo_at_any_moment_settles(before, after, jitter_ms, beats):
    # Asked for is 1.5 beats at 1 ms jitter; 3 ms and a jump in the beat besides are our own.
    rng = random.Random(f"{before} {after}")
    after_s = []
    for _ in range(10):
        run = steady(before, 8, jitter_ms / 1000, rng)
        again_s = 8 + rng.uniform(0, period_s(after))
        run += steady(after, 5, jitter_ms / 1000, rng, from_s=again_s)
        after_s.append(settled_after_s(readings(run), after, again_s))
    assert median(after_s) <= 1.5 * 60 / after
    assert sorted(after_s)[-2] <= beats * 60 / after


@pytest.mark.parametrize(("tempo", "jitter_ms"), [(40, 3), (77.7, 1), (120, 3), (200, 1), (300, 1)])
def test_a_gap_of_4_s_is_lost_and_then_locks_within_a_beat_at_any_tempo(tempo, jitter_ms):
    rng = random.Random(f"gap {tempo}")
    follower = ClockFollower()
    readings(steady(tempo, 10, jitter_ms / 1000, rng), follower)
    assert follower.at(13.9).state == "lost"
    again = readings(steady(tempo, 4, jitter_ms / 1000, rng, from_s=14), follower)
    assert all(r.state == "locked" for r in again if r.t_s > 14 + 60 / tempo)


@pytest.mark.parametrize("go", [START, CONTINUE])
@pytest.mark.parametrize("runs_on", ["old", "new", ""])
@pytest.mark.parametrize(("before", "after"), [(120, 90), (120, 119), (96, 174)])
def test_start_and_continue_leave_no_trace_of_the_old_tempo(before, after, runs_on, go):
    # The clock may run on while stopped, at the old tempo or at the new, or be silent.
    rng = random.Random(f"{before} {after} {runs_on}")
    for _ in range(2):
        follower = ClockFollower()
        readings(steady(before, 8, 0.001, rng), follower)
        follower.feed(8.005, STOP)
        if runs_on:
            meanwhile = before if runs_on == "old" else after
            readings(steady(meanwhile, 2.5, 0.001, rng, from_s=8.01), follower)
        follower.feed(10.6, go)
        told = readings(steady(after, 3, 0.001, rng, from_s=10.61), follower)
        later = [r for r in told if r.t_s > 10.61 + 60 / after]
        assert max(abs(r.tempo_bpm - after) for r in later) < 4 * bound_bpm(after, 24, 0.001)
