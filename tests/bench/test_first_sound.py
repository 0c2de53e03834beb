"""The repeats of the first sound alone: what it shows of a unit near oscillation, and what not."""

import numpy as np
import pytest

from tempotape.bench import believing
from tempotape.bench.delay import find_delay
from tempotape.bench.first_sound import passed_once, repeats_of_first
from tempotape.bench.thinned import Thinner
from tests.simulated_unit import SimulatedUnit, clicks, mixed, play

RATE_HZ = 24_000
UNIT = SimulatedUnit(gap_mm=24.0, speed_mm_s=120.0, hiss=1e-5, order=2)


def thinned(recording):
    thinner = Thinner(RATE_HZ)
    thinner.feed(recording)
    return thinner.thinned()


class ShownError(Exception):
    """What the first sound shows: nothing more is asked of the recording."""


@pytest.fixture
def first(monkeypatch):
    """The lag in ms of the first sound's repeats, and whether it was played; None without any."""

    def keeping(evidence, sound):
        repeats = repeats_of_first(evidence, sound)
        if not repeats:
            raise ShownError(None)
        lag_ms = repeats[0].lag / evidence.rate * 1e3
        raise ShownError((lag_ms, passed_once(repeats, evidence, sound)))

    def told(recording):
        monkeypatch.setattr(believing, "repeats_of_first", keeping)
        with pytest.raises(ShownError) as shown:
            find_delay(thinned(recording))
        return shown.value.args[0]

    return told


def recorded(unit, at_s, *, dry=0.3, wet=0.3, seconds=16, kind="burst"):
    sound = clicks(np.asarray(at_s), seconds * RATE_HZ, RATE_HZ, kind)
    return mixed(sound, play(unit, sound, RATE_HZ, seed=3), dry, wet)


def near_oscillation(**changes):
    fields = {name: getattr(UNIT, name) for name in UNIT.__struct_fields__}
    return SimulatedUnit(**{**fields, "feedback": 0.93, **changes})


EVENLY_S = np.arange(0.5, 14, 0.83)


@pytest.mark.parametrize("wet", [0.06, 0.3, 0.6, -0.3], ids=["faint", "even", "louder", "turned"])
def test_the_first_sound_shows_the_delay_of_a_unit_near_oscillation(first, wet):
    lag_ms, played = first(recorded(near_oscillation(), EVENLY_S, wet=wet))
    assert lag_ms == pytest.approx(200, abs=0.2)
    # By 0.6 dB a pass and by as much at first: then the sound may be a repeat itself.
    assert played is (abs(wet) != 0.3)


@pytest.mark.parametrize(
    ("unit", "at_s"),
    [
        (UNIT, EVENLY_S),
        (near_oscillation(gap_mm=200.0), EVENLY_S),
        (near_oscillation(), np.concatenate(([0.5, 0.62, 0.79], EVENLY_S[1:]))),
    ],
    ids=["one repeat", "the next sound comes first", "much is played at once"],
)
def test_it_shows_none_where_few_repeats_come_of_it_alone(first, unit, at_s):
    assert first(recorded(unit, at_s)) is None


def test_it_shows_none_where_the_recording_begins_amid_repeats(first):
    assert first(recorded(near_oscillation(), EVENLY_S)[int(0.62 * RATE_HZ) :]) is None


@pytest.mark.parametrize(
    "levels",
    [np.ones(14), np.tile([1.0, 0.5, 0.7, 0.5], 4)[:14], np.append(1.0, np.full(13, 0.5))],
    ids=["as loud", "a bar's accents", "the first louder"],
)
def test_sounds_played_evenly_are_no_repeats(first, levels):
    at_s = 0.5 + 0.4 * np.arange(14)
    one = [clicks(np.array([at]), 8 * RATE_HZ, RATE_HZ, "burst") for at in at_s]
    recording = 0.3 * np.tensordot(levels, one, 1)
    recording += 1e-5 * np.random.default_rng(2).standard_normal(len(recording))
    assert first(recording) is None


@pytest.mark.parametrize(("interval_s", "feedback"), [(0.59, 0.93), (0.72, 0.87), (0.83, 0.93)])
def test_even_clicks_near_oscillation_give_the_delay(interval_s, feedback):
    at_s = np.arange(0.5, 14, interval_s)
    unit = near_oscillation(gap_mm=15.1, feedback=feedback, wow=((0.7, 0.003, 0.2),))
    sound = clicks(at_s, 16 * RATE_HZ, RATE_HZ, "sample")
    played = play(unit, sound, RATE_HZ, seed=3)
    delay = find_delay(thinned(mixed(sound, played, 0.3, 0.1))).delay
    assert delay.ms == pytest.approx(15.1 / 120 * 1e3, abs=0.3)


def test_clicks_that_fall_about_where_their_repeats_do_give_the_delay():
    # The sixth repeat is due 1.5 ms after the next click: of all sounds hardly one seems played.
    at_s = 0.5 + 0.7845 * np.arange(48)
    unit = near_oscillation(gap_mm=15.72, feedback=0.9, high_hz=7000.0)
    sound = clicks(at_s, 40 * RATE_HZ, RATE_HZ, "sample")
    delay = find_delay(thinned(mixed(sound, play(unit, sound, RATE_HZ, seed=3), 0.3, 0.17))).delay
    assert delay.ms == pytest.approx(131.0, abs=0.1)
