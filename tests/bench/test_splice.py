"""The splice tick against the simulator's truth, and what must not be taken for one."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from scipy import signal

from tempotape.bench import splice as splice_of
from tempotape.bench.splice import SpliceFinder, amid_playing
from tempotape.bench.testsignal import rendered
from tempotape.bench.turning import Ticks
from tempotape.bench.walk import plain_layout
from tests.simulated_unit import SimulatedUnit, clicks, hum, mixed, play, plucked

RATE_HZ = 12_000
UNIT = SimulatedUnit(
    speed_mm_s=200.0,
    loop_mm=320.0,
    tick=0.003,
    hiss=5e-4,
    wow=((0.625, 0.004, 0.2), (3.1, 0.002, 1.0)),
    jitter=0.001,
    high_hz=4_500.0,
)


def found(sound, loop_period_s=None, rate_hz=RATE_HZ, block=16_384, played_s=()):
    finder = SpliceFinder(rate_hz)
    for begin in range(0, len(sound), block):
        finder.feed(sound[begin : begin + block])
    return finder.result(loop_period_s, played_s)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("tick", "mains"), [(0.02, 0.0), (0.003, 0.0), (0.003, 0.01), (0.0015, 0.005)]
)
def test_the_period_of_a_tick_in_silence_is_within_a_thousandth(tick, mains, seed):
    unit = msgspec.structs.replace(UNIT, tick=tick, hum=mains)
    played = play(unit, np.zeros(20 * RATE_HZ), RATE_HZ, seed)
    result = found(played.wet, 1.6)
    assert result.warnings == ()
    splice = result.splice
    assert splice.period_s == pytest.approx(np.mean(np.diff(played.ticks_s)), rel=1e-3)
    assert splice.ticks >= len(played.ticks_s) - (2 if mains else 1)
    assert splice.is_loop is True
    assert splice.error_s < 1e-3 * splice.period_s


def test_what_has_an_echo_is_played_however_faint():
    # Clicks at 28 a minute, recorded at -60 dBFS, are as a splice's ticks but for their echoes;
    # after 200 s they are looked for anew.
    times_s = 1.1 + 2.143 * np.arange(130)
    times_s += np.random.default_rng(5).normal(0, 0.0004, len(times_s))
    sound = clicks(times_s, 285 * RATE_HZ, RATE_HZ, peak=0.001)
    sound += np.random.default_rng(6).normal(0, 1e-5, len(sound))
    assert found(sound).splice is not None
    assert found(sound, played_s=times_s[::2]).splice is not None  # half of the clicks may be
    everywhere_s = np.arange(0, 285, 0.03)  # among so many sounds a few are near by chance
    assert found(sound, played_s=everywhere_s).splice is not None
    told = found(sound, played_s=times_s)
    assert told.splice is None
    assert "echoes" in told.warnings[0]


def test_the_level_over_noise_follows_the_tick():
    levels = [
        found(
            play(msgspec.structs.replace(UNIT, tick=tick), np.zeros(20 * RATE_HZ), RATE_HZ).wet
        ).splice.level_db
        for tick in (0.003, 0.03)
    ]
    # Ten times the tick is 20 dB, less what the noise adds to the fainter one.
    assert levels[1] - levels[0] == pytest.approx(20.0, abs=0.5)


def test_ticks_are_found_in_the_silence_of_the_test_sound():
    dry = np.concatenate(list(rendered(plain_layout(), rate_hz=RATE_HZ, level_dbfs=-12.0)))
    for feedback, hiss in ((0.3, 5e-4), (0.6, 2e-4)):
        unit = msgspec.structs.replace(UNIT, feedback=feedback, hiss=hiss, hum=0.002, tick=0.004)
        played = play(unit, dry, RATE_HZ, 3)
        for sound in (played.wet, mixed(dry, played, wet=0.7)):
            splice = found(sound, 1.6).splice
            assert splice.period_s == pytest.approx(np.mean(np.diff(played.ticks_s)), rel=1e-3)


def test_a_tick_at_another_period_is_not_the_loops():
    sound = play(UNIT, np.zeros(20 * RATE_HZ), RATE_HZ).wet
    assert found(sound, 1.2).splice.is_loop is False
    assert found(sound).splice.is_loop is None


def test_blocks_of_any_length_give_the_same_tick():
    sound = play(UNIT, np.zeros(12 * RATE_HZ), RATE_HZ).wet
    assert found(sound, block=701) == found(sound, block=len(sound))


def test_a_long_recording_is_searched_in_parts(monkeypatch):
    monkeypatch.setattr(splice_of, "_WINDOW_S", 12.0)
    played = play(UNIT, np.zeros(30 * RATE_HZ), RATE_HZ)
    splice = found(played.wet).splice
    assert splice.ticks < 9
    assert splice.period_s == pytest.approx(np.mean(np.diff(played.ticks_s)), rel=1e-3)


def test_three_ticks_are_too_few():
    sound = play(UNIT, np.zeros(int(5.5 * RATE_HZ)), RATE_HZ)
    assert len(sound.ticks_s) == 3
    assert found(sound.wet).splice is None


def random(seed, seconds, level=1e-3):
    return level * np.random.default_rng(seed).normal(size=seconds * RATE_HZ)


SECONDS = 24
FRAMES = SECONDS * RATE_HZ
IRREGULAR_S = 1.0 + 0.18 * np.array([0, 1, 6, 10, 23, 26, 34, 41, 53, 55])
EVEN_S = np.arange(0.5, SECONDS - 1.2, 1.0)
ECHO = msgspec.structs.replace(UNIT, tick=0.0, feedback=0.6, speed_mm_s=150.0)


def phrase(seed):
    rng = np.random.default_rng(seed)
    times_s = np.cumsum(rng.choice([0.25, 0.5, 0.75], 80))
    times_s = times_s[times_s < SECONDS - 2]
    return plucked(times_s, rng.choice([110.0, 147.0, 196.0, 220.0], len(times_s)), FRAMES, RATE_HZ)


SILENT_ON_SPLICE = {
    "nothing at all": np.zeros(FRAMES),
    "hiss": random(1, SECONDS),
    "faint hiss": random(2, SECONDS, 1e-5),
    "hum": hum(FRAMES, RATE_HZ, 0.02) + random(3, SECONDS, 1e-5),
    "hum of 60 Hz": hum(FRAMES, RATE_HZ, 0.02, 60.0) + random(4, SECONDS, 1e-4),
    "irregular clicks": clicks(IRREGULAR_S, FRAMES, RATE_HZ) + random(5, SECONDS, 1e-4),
    "irregular clicks and echoes": mixed(
        clicks(IRREGULAR_S, FRAMES, RATE_HZ),
        play(ECHO, clicks(IRREGULAR_S, FRAMES, RATE_HZ), RATE_HZ),
    ),
    "even clicks": clicks(EVEN_S, FRAMES, RATE_HZ) + random(6, SECONDS, 1e-4),
    "two clicks in turn, so close that the louder hide the others": (
        clicks(np.arange(0.5, 23.0, 0.36), FRAMES, RATE_HZ, peak=0.008)
        + clicks(np.arange(0.68, 23.0, 0.36), FRAMES, RATE_HZ, peak=0.003)
    ),
    "even clicks and echoes": mixed(
        clicks(EVEN_S, FRAMES, RATE_HZ), play(ECHO, clicks(EVEN_S, FRAMES, RATE_HZ), RATE_HZ)
    ),
    "echoes of even clicks": play(ECHO, clicks(EVEN_S, FRAMES, RATE_HZ), RATE_HZ).wet,
    "rhythmic phrase": phrase(1) + random(8, SECONDS, 1e-4),
    "rhythmic phrase and echoes": mixed(phrase(2), play(ECHO, phrase(2), RATE_HZ)),
}


IN_COMPANY = "with others between them; they seem to be played"
TOLD_OF_SILENT = {
    "even clicks": (
        "splice: clicks come every 1.0000 s, more evenly than tape runs; they seem to be played"
    ),
    "two clicks in turn, so close that the louder hide the others": (
        f"splice: clicks come every 0.3600 s, {IN_COMPANY}"
    ),
    "even clicks and echoes": f"splice: clicks come every 1.0000 s, {IN_COMPANY}",
    "rhythmic phrase and echoes": "splice: nothing is quiet for long enough to hear a tick",
    "echoes of even clicks": f"splice: clicks come every 1.0000 s, {IN_COMPANY}",
}


@pytest.mark.parametrize("name", SILENT_ON_SPLICE)
def test_no_splice_is_found_in(name):
    result = found(SILENT_ON_SPLICE[name], 1.6)
    assert result.splice is None
    (why,) = result.warnings
    assert why == TOLD_OF_SILENT.get(name, "splice: no tick that comes once a turn")


@pytest.mark.parametrize("kind", ["sample", "pulse", "burst", "tone"])
@pytest.mark.parametrize("peak", [0.004, 0.03])
@pytest.mark.parametrize("period_s", [0.375, 0.7749, 1.4])
def test_clicks_that_keep_time_as_a_metronome_does_are_no_splice(period_s, peak, kind):
    at_s = np.arange(0.3, SECONDS - 0.1, period_s)
    sound = clicks(at_s, FRAMES, RATE_HZ, kind, peak) + random(7, SECONDS, 1e-4)
    result = found(sound, 1.6)
    assert result.splice is None
    assert result.warnings == (
        f"splice: clicks come every {period_s:.4f} s, more evenly than tape runs; "
        "they seem to be played",
    )


def test_a_metronome_hardly_heard_over_hiss_is_not_told_from_a_loop():
    sound = clicks(EVEN_S, FRAMES, RATE_HZ, peak=0.001) + random(7, SECONDS, 2e-4)
    assert found(sound).warnings == (
        "splice: clicks come every 1.0000 s, too faint to tell a turning loop from a metronome",
    )


def test_a_bar_with_an_accent_is_no_splice():
    beats_s = np.arange(0.3, SECONDS, 0.6)
    sound = clicks(beats_s, FRAMES, RATE_HZ, "pulse", 0.006) + random(8, SECONDS, 1e-4)
    sound += clicks(beats_s[::4], FRAMES, RATE_HZ, "pulse", 0.006)
    assert found(sound).warnings == (
        "splice: clicks come every 0.6000 s, more evenly than tape runs; they seem to be played",
    )


def test_clicks_in_digital_silence_are_no_splice_at_any_pace():
    even_s = np.arange(0.3, SECONDS, 2.5)
    sound = clicks(even_s, FRAMES, RATE_HZ, peak=0.004) + random(9, SECONDS, 5e-6)
    assert found(sound).warnings == (
        "splice: clicks come every 2.5000 s, more evenly than tape runs; they seem to be played",
    )


@pytest.mark.parametrize("period_s", [0.5, 1.9, 2.5, 3.3])
def test_clicks_louder_than_a_faint_tick_are_no_splice_where_they_keep_time(period_s):
    at_s = np.arange(0.3, SECONDS - 0.1, period_s)
    for peak in (0.07, 0.2):
        sound = clicks(at_s, FRAMES, RATE_HZ, "burst", peak) + random(10, SECONDS, 1e-3)
        result = found(sound)
        assert result.splice is None
        assert result.warnings[0].startswith(f"splice: clicks come every {period_s:.4f} s, ")
        assert result.warnings[0].endswith("; they seem to be played")


def test_clicks_at_the_level_of_music_are_no_splice_at_any_pace():
    sound = clicks(np.arange(0.3, SECONDS, 5.0), FRAMES, RATE_HZ, "burst", 0.4)
    assert found(sound + random(10, SECONDS, 1e-3)).warnings == (
        "splice: clicks come every 5.0000 s, more evenly than tape runs; they seem to be played",
    )


@pytest.mark.parametrize(("period_s", "peak"), [(0.4, 0.02), (1.0, 0.004), (1.0, 0.02), (1.7, 0.1)])
def test_a_beat_heard_through_tape_alone_is_no_splice(period_s, peak):
    at_s = np.arange(0.3, SECONDS - 0.1, period_s)
    unit = msgspec.structs.replace(
        ECHO, feedback=0.0, hiss=0.0, wow=((0.47, 0.003, 0.0), (3.1, 0.002, 0.0)), jitter=0.0
    )
    wet = play(unit, clicks(at_s, FRAMES, RATE_HZ), RATE_HZ, 1).wet
    result = found(wet * (peak / np.max(np.abs(wet))) + random(12, SECONDS, 1e-4))
    assert result.splice is None
    assert result.warnings[0].endswith("; they seem to be played")


def test_soft_hits_on_the_steps_of_a_bar_are_no_splice():
    for at in ((1, 10, 11), (1, 8)):
        bars_s = np.arange(0.3, SECONDS - 2.9, 2.76)
        sound = clicks(bars_s, FRAMES, RATE_HZ, "tone", 0.03) + random(11, SECONDS, 1e-4)
        for step in at:
            sound += clicks(bars_s + step * 0.23, FRAMES, RATE_HZ, "tone", 0.012)
        assert found(sound).warnings == (
            "splice: clicks come every 2.7600 s, more evenly than tape runs; "
            "they seem to be played",
        )


def test_the_beat_of_hum_with_the_bins_is_no_splice():
    # 125 cycles of 50.02 Hz fill 2499 bins of 1 ms.
    rng = np.random.default_rng(3)
    turns = np.arange(4096) / 4096
    cycle = sum(np.sin(2 * np.pi * k * turns + rng.uniform(0, 6)) / k for k in range(1, 60))
    at = 50.02 * np.arange(30 * 16_000) / 16_000
    sound = 0.02 * np.interp(at % 1.0, turns, cycle, period=1.0)
    result = found(sound + 2e-6 * rng.normal(size=len(at)), rate_hz=16_000)
    assert result.warnings[0].startswith("splice: what comes every 2.5")
    assert result.warnings[0].endswith(" s is part of the hum")


WANDERING = msgspec.structs.replace(UNIT, loop_mm=660.0, tick=0.09, hiss=1e-3, high_hz=None)


@pytest.mark.parametrize("level", [0.2, 1.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_loud_tick_alone_is_the_splice(seed, level):
    played = play(WANDERING, np.zeros(26 * RATE_HZ), RATE_HZ, seed)
    splice = found(level * played.wet).splice
    assert splice.period_s == pytest.approx(np.mean(np.diff(played.ticks_s)), rel=1e-3)


def test_a_loud_tick_that_walks_as_a_loop_does_is_the_splice_at_any_pace():
    unit = msgspec.structs.replace(WANDERING, loop_mm=320.0, wow=(), jitter=0.002, jitter_hz=5.0)
    for seed in (1, 2, 4):
        played = play(unit, np.zeros(40 * RATE_HZ), RATE_HZ, seed)
        truth_s = np.mean(np.diff(played.ticks_s))
        assert found(played.wet).splice.period_s == pytest.approx(truth_s, rel=1e-3)
    # Six ticks do not show whether they walk.
    assert (
        found(play(unit, np.zeros(10 * RATE_HZ), RATE_HZ, 2).wet)
        .warnings[0]
        .endswith("too loud for a splice that comes so often; they seem to be played")
    )


def test_a_loud_tick_in_company_is_no_splice():
    played = play(WANDERING, np.zeros(26 * RATE_HZ), RATE_HZ, 1)
    echo = np.concatenate([np.zeros(4_000), 0.2 * played.wet[:-4_000]])
    (why,) = found(played.wet + echo).warnings
    assert why.endswith(IN_COMPANY)


STEADY = msgspec.structs.replace(UNIT, wow=(), jitter=0.0)


def test_a_loop_that_turns_evenly_is_believed_where_its_own_period_is_known():
    played = play(STEADY, np.zeros(20 * RATE_HZ), RATE_HZ)
    assert found(played.wet, 1.6).splice.is_loop is True
    assert found(played.wet, 1.2).splice is None


@pytest.mark.parametrize(
    ("turn_s", "tick", "hiss", "jitter"),
    [
        (1.5, 0.002, 3e-4, 0.0),
        (2.5, 0.003, 5e-4, 0.0),
        (2.5, 0.03, 5e-4, 0.0),
        (4.5, 0.08, 1e-3, 0.0),
        (2.5, 0.03, 5e-4, 1e-3),
        (4.5, 0.08, 1e-3, 1e-3),
    ],
)
def test_a_loop_that_turns_almost_evenly_or_quite_is_believed_where_a_metronome_is_less_likely(
    turn_s, tick, hiss, jitter
):
    unit = msgspec.structs.replace(
        STEADY, loop_mm=200.0 * turn_s, tick=tick, hiss=hiss, jitter=jitter
    )
    played = play(unit, np.zeros(int(8.3 * turn_s * RATE_HZ)), RATE_HZ)
    truth_s = np.mean(np.diff(played.ticks_s))
    assert found(played.wet).splice.period_s == pytest.approx(truth_s, rel=1e-3)


@pytest.mark.parametrize(("turn_s", "tick"), [(1.2, 0.03), (3.0, 0.3)])
def test_what_keeps_time_as_no_tape_does_is_no_splice_fast_or_loud(turn_s, tick):
    unit = msgspec.structs.replace(STEADY, loop_mm=200.0 * turn_s, tick=tick)
    result = found(play(unit, np.zeros(int(8.3 * turn_s * RATE_HZ)), RATE_HZ).wet)
    assert result.warnings == (
        f"splice: clicks come every {turn_s:.4f} s, more evenly than tape runs; "
        "they seem to be played",
    )


def walking(seed, period_s, count, part=1e-4):
    """When ticks come whose turns differ by `part` of a turn each."""
    rng = np.random.default_rng(seed)
    return 0.7 + np.cumsum(period_s * (1.0 + part * rng.normal(size=count)))


def with_ticks(at_s, shape, rate_hz, peak):
    """`shape` at times that are no whole samples (linear between them), largest `peak`."""
    sound = np.zeros(int((at_s[-1] + 1.0) * rate_hz))
    for at in at_s:
        first, late = divmod(at * rate_hz, 1.0)
        first = int(first)
        sound[first : first + len(shape)] += (1.0 - late) * shape
        sound[first + 1 : first + 1 + len(shape)] += late * shape
    return sound * (peak / np.abs(shape).max())


def test_a_tick_of_a_few_samples_is_found_by_its_peak():
    rate_hz = 48_000
    for seed in range(3):
        at_s = walking(seed, 2.6, 6)
        sharp = np.sin(2 * np.pi * np.arange(8) / 8)
        sound = with_ticks(at_s, sharp, rate_hz, 0.012)
        sound += np.random.default_rng(seed).normal(scale=1e-3, size=len(sound))
        splice = found(sound, rate_hz=rate_hz).splice
        assert splice.period_s == pytest.approx(np.mean(np.diff(at_s)), rel=1e-3)


def test_a_thump_below_the_hum_is_found():
    at_s = walking(1, 2.6, 7)
    sound = with_ticks(at_s, np.sin(np.pi * np.arange(216) / 216) ** 2, RATE_HZ, 0.01)
    sound += hum(len(sound), RATE_HZ, 0.01, 60.0)
    sound += np.random.default_rng(1).normal(scale=1e-3, size=len(sound))
    splice = found(sound).splice
    assert splice.period_s == pytest.approx(np.mean(np.diff(at_s)), rel=1e-3)


POPS_S = np.array([4.31, 9.17, 12.83, 20.02])


def test_pops_here_and_there_do_not_hide_a_loud_tick():
    sharp = np.sin(2 * np.pi * np.arange(6) / 6)
    for seed in range(3):
        at_s = walking(seed, 3.4, 9)
        sound = with_ticks(at_s, sharp, RATE_HZ, 0.1)
        sound += clicks(POPS_S, len(sound), RATE_HZ, "burst", 0.3)
        sound += np.random.default_rng(seed).normal(scale=1e-3, size=len(sound))
        splice = found(sound).splice
        assert splice.period_s == pytest.approx(np.mean(np.diff(at_s)), rel=1e-3)
        assert splice.ticks == 9


def test_a_loud_tick_at_the_loops_own_period_is_the_splice():
    at_s = walking(7, 0.9, 12, 3e-5)
    sound = with_ticks(at_s, np.sin(2 * np.pi * np.arange(6) / 6), RATE_HZ, 0.3)
    sound += np.random.default_rng(7).normal(scale=1e-3, size=len(sound))
    assert found(sound).splice is None
    assert found(sound, 0.9).splice.is_loop is True


def test_a_flutter_tone_is_not_quiet():
    t_s = np.arange(20 * RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 3150 * t_s - 3150 * 0.005 / 4 * np.cos(2 * np.pi * 4 * t_s))
    result = found(0.2 * tone + random(1, 20, 1e-5))
    assert result.warnings == ("splice: nothing is quiet for long enough to hear a tick",)


def test_the_error_covers_what_wow_does_to_the_turns():
    errors = []
    for seed in range(12):
        unit = msgspec.structs.replace(UNIT, tick=0.02, wow=((1.7, 0.001, seed),), jitter=5e-4)
        played = play(unit, np.zeros(20 * RATE_HZ), RATE_HZ, seed)
        splice = found(played.wet).splice
        errors.append((splice.period_s - np.mean(np.diff(played.ticks_s))) / splice.error_s)
    assert 0.5 < np.sqrt(np.mean(np.square(errors))) < 1.6


def test_five_faint_ticks_are_enough():
    unit = msgspec.structs.replace(UNIT, tick=0.002, loop_mm=500.0)
    for seed in range(4):
        played = play(unit, np.zeros(int(12.2 * RATE_HZ)), RATE_HZ, seed)
        assert len(played.ticks_s) == 5
        splice = found(played.wet).splice
        assert splice.period_s == pytest.approx(np.mean(np.diff(played.ticks_s)), rel=1e-3)


def test_hiss_is_hardly_ever_taken_for_a_tick():
    for seed in range(20):
        assert found(random(100 + seed, 20)).splice is None


def test_a_recording_that_is_never_quiet_is_told_so():
    rng = np.random.default_rng(1)
    # Each 50 ms as loud as chance has it, over 60 dB: no second stays near the floor.
    sound = rng.normal(size=FRAMES) * np.repeat(10 ** rng.uniform(-4, -1, FRAMES // 600), 600)
    for silent in (sound, np.zeros(0)):
        result = found(silent)
        assert result.splice is None
        assert result.warnings == ("splice: nothing is quiet for long enough to hear a tick",)


def test_ticks_that_stand_out_in_different_bands_give_a_period_all_the_same():
    rate_hz = 16_000
    impulse = np.zeros(2001)
    impulse[1000] = 1.0

    def tick(low_hz, high_hz, order):
        sos = signal.butter(order, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
        heard = signal.sosfiltfilt(sos, impulse)
        return heard / np.abs(heard).max()

    treble, bass = tick(4000, 7000, 6), tick(350, 500, 3)
    rng = np.random.default_rng(123)
    sound = rng.normal(scale=1e-4, size=26 * rate_hz)
    low, high = 0.0008, 0.0014
    for turn in range(12):
        wander_s = 3e-4 * rng.normal() * np.sqrt(turn + 1)
        at = int((0.9 + 2.1 * turn + wander_s) * rate_hz) - 1000
        sound[at : at + 2001] += low * bass if turn in (3, 7, 10) else high * treble
    splice = found(sound, rate_hz=rate_hz).splice
    assert splice.ticks == 12
    assert splice.period_s == pytest.approx(2.1, rel=1e-3)


def swinging(period_s, count, swing_s, hz):
    """When ticks come of a loop whose speed swings at `hz`: to and fro about an even beat.

    Where the tape is is the integral of its speed; that of a sine swings, and adds up to nothing.
    """
    even_s = 0.7 + period_s * np.arange(count)
    return even_s + swing_s * np.sin(2 * np.pi * hz * even_s)


def faint_tone(at_s, rate_hz, over_db, mains):
    """Ticks of 4 ms, their peak `over_db` over hiss of -55 dBFS, with hum or without."""
    shape = np.hanning(round(0.004 * rate_hz))
    shape = shape * np.sin(2 * np.pi * 900.0 * np.arange(len(shape)) / rate_hz)
    noise = 10 ** (-55.0 / 20.0)
    sound = with_ticks(at_s, shape, rate_hz, noise * 10 ** (over_db / 20.0))
    sound += hum(len(sound), rate_hz, mains)
    return sound + np.random.default_rng(3).normal(scale=noise, size=len(sound))


@pytest.mark.parametrize("mains", [0.0, 0.005])
@pytest.mark.parametrize(("period_s", "count", "hz"), [(1.7, 9, 0.4), (2.6, 13, 0.9)])
def test_a_faint_tick_that_swings_about_an_even_beat_is_the_splice(period_s, count, hz, mains):
    at_s = swinging(period_s, count, 1e-3, hz)
    splice = found(faint_tone(at_s, RATE_HZ, 20.0, mains)).splice
    assert splice.period_s == pytest.approx(np.mean(np.diff(at_s)), rel=1e-3)


@pytest.mark.parametrize(("over_db", "is_splice"), [(40.0, True), (46.0, False)])
def test_over_little_hiss_a_faint_tick_stands_far_out(over_db, is_splice):
    # At -35 dBFS, and at -29.
    at_s = swinging(2.6, 13, 1e-3, 0.9)
    splice = found(0.1 * faint_tone(at_s, RATE_HZ, over_db, 0.0)).splice
    assert (splice is not None) is is_splice
    assert not is_splice or splice.period_s == pytest.approx(2.6, rel=1e-3)


def test_a_faint_tick_whose_noise_hides_how_even_it_is_is_believed_slower_than_54_a_minute():
    # Common practice, no source: few tempos are slower, and a metronome is played louder.
    at_s = swinging(1.3, 12, 0.0, 1.0)
    splice = found(faint_tone(at_s, RATE_HZ, 16.0, 0.0)).splice
    assert splice.period_s == pytest.approx(1.3, rel=1e-3)


def test_dull_clicks_at_the_level_of_music_are_no_splice():
    # A pulse of 8 ms has hardly anything above 1.5 kHz; its peak is at -17 dBFS all the same.
    even_s = np.arange(0.7, SECONDS, 2.5)
    sound = with_ticks(even_s, np.hanning(96), RATE_HZ, 0.14)
    result = found(sound + np.random.default_rng(4).normal(scale=2e-3, size=len(sound)))
    assert result.splice is None
    assert result.warnings[0].endswith("; they seem to be played")


def test_faint_clicks_in_the_noise_of_16_bits_are_no_splice():
    # Triangular dither makes half a step rms (Lipshitz, Wannamaker and Vanderkooy 1992).
    even_s = np.arange(0.3, SECONDS, 2.5)
    sound = clicks(even_s, FRAMES, RATE_HZ, peak=0.0015) + random(9, SECONDS, 0.5 / 32768)
    assert found(sound).warnings == (
        "splice: clicks come every 2.5000 s, more evenly than tape runs; they seem to be played",
    )


def bursts(seed, at_s, rate_hz, peak):
    """Noise that dies away in 1 ms, its peak over hiss of rms 1."""
    rng = np.random.default_rng(seed)
    burst = rng.normal(size=round(0.004 * rate_hz))
    burst *= np.exp(-np.arange(len(burst)) / (0.001 * rate_hz))
    sound = with_ticks(at_s, burst, rate_hz, peak)
    return sound + rng.normal(size=len(sound))


@pytest.mark.parametrize("seed", [1, 2])
def test_ticks_too_faint_one_by_one_are_found_together(seed):
    rate_hz = 24_000
    at_s = swinging(2.3, 14, 5e-4, 0.3)
    sound = 1e-3 * bursts(seed, at_s, rate_hz, 4.4)
    splice = found(sound, rate_hz=rate_hz).splice
    assert splice.period_s == pytest.approx(np.mean(np.diff(at_s)), rel=1e-3)


@pytest.mark.parametrize(
    ("period_s", "wow_ms", "loop_s", "own"),
    [
        (2.1, 0.0, None, None),
        (0.9, 1.0, None, None),
        (0.9, 0.0, 0.9, True),
        (2.1, 1.0, 1.4, False),
    ],
)
def test_ticks_amid_playing_are_the_splice(period_s, wow_ms, loop_s, own):
    turns = np.array([0, 1, 2, 5, 6, 8, 9, 12])
    t_s = 0.4 + turns * period_s + wow_ms / 1000 * np.sin(3.0 * turns)
    splice = amid_playing(Ticks(t_s, turns, np.full(8, 400.0)), loop_s)
    assert splice.period_s == pytest.approx(period_s, rel=1e-3)
    assert abs(splice.period_s - period_s) < 3 * splice.error_s
    assert (splice.ticks, splice.is_loop) == (8, own)
    assert splice.level_db == pytest.approx(26.02, abs=0.01)


def test_a_metronome_in_the_room_amid_playing_is_no_splice():
    turns = np.arange(30)
    assert amid_playing(Ticks(0.4 + 0.5 * turns, turns, np.full(30, 400.0)), None) is None
