"""A tempo that moves, and what one delay can do for it."""

import pytest

from tempotape.songs.moving_tempo import Moving
from tempotape.songs.parts import parts_of
from tempotape.songs.plan_report import plan_parts
from tempotape.songs.setlist import Section, Setlist, Song
from tempotape.unit.model import Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

# 2400/reading ms.
KNOWN = plain_calibration(
    plain_unit(heads={"long": 48.0}), lambda k: 20 * max(k, 0.01), measured=(1, 10)
)


def planned(first, *following, song=None, known=KNOWN):
    """The plan of a song whose MIDI file begins with `first`."""
    song = song or Song(title="A", repeats=("quarter",), midi_file="a.mid")
    parts = parts_of(Setlist(1, "s", None, (song,)), {1: (first, *following)})
    return plan_parts("s", parts, known)


def moving(low_bpm, mean_bpm, high_bpm):
    return Moving(f"bars 1-9, {low_bpm:g}", mean_bpm, low_bpm=low_bpm, high_bpm=high_bpm)


def test_where_the_tempo_moves_too_far_nothing_claims_to_be_in_time():
    (song,) = planned(moving(100, 120, 150)).songs
    # Quarters of 60000/150 and 60000/100 ms.
    told = (
        "loose: the tempo moves between 100 and 150, so that the quarter lasts 400 to 600 ms: "
        "this delay is not in time all along"
    )
    assert (song.section, song.tempo_bpm, song.in_time) == ("bars 1-9, 100", 120, False)
    assert song.delay_ms == pytest.approx(500)
    assert told in song.reasons
    assert not any("in time:" in reason for reason in song.reasons)
    assert song.warnings == (f"quarter on head long is {told}",)


def test_a_tempo_that_moves_less_than_is_noticed_stays_in_time():
    steady, gentle = planned(Section("verse", 120.0)), planned(moving(119.9, 120, 120.1))
    assert [plan.songs[0].section for plan in (steady, gentle)] == [None, "bars 1-9, 119.9"]
    for plan in (steady, gentle):
        assert plan.songs[0].in_time
        assert plan.warnings == ()


@pytest.mark.parametrize("side", ["low", "high"])
def test_each_end_is_judged_as_a_steady_tempo_is(side):
    (song,) = planned(Section("", 120.0)).songs
    # 2.5 % of the interval is noticed (Friberg and Sundberg 1995), the expected error included:
    # |500 - ms| + error = 0.025 ms where ms = (500 -+ error) / (1 +- 0.025).
    sign = 1 if side == "low" else -1
    end_ms = (500 - sign * song.error_ms) / (1 - sign * 0.025)
    assert abs(end_ms - 500) > 1
    for off, in_time in ((-0.01, True), (0.01, False)):
        end_bpm = 60_000 / (end_ms + sign * off)
        spans = {"low": (end_bpm, 120, 120), "high": (120, 120, end_bpm)}
        assert planned(moving(*spans[side])).songs[0].in_time == in_time


def test_a_setting_lent_by_a_neighbour_claims_no_timing_either():
    # What follows is a little faster, and its reading is close enough for the mean.
    plan = planned(moving(100, 120, 150), Section("then", 121.0))
    assert [song.in_time for song in plan.songs] == [False, True]
    lent, timing, *_ = plan.songs[0].reasons
    assert lent.endswith('to save turning the knob: the reading of "then"')
    assert timing.startswith("loose: the tempo moves between 100 and 150")
    assert not any("in time:" in reason for reason in plan.songs[0].reasons)


def test_an_unstable_setting_for_a_moving_tempo_claims_no_timing_either():
    limits = Steadiness(unstable_knob=9.5)
    known = plain_calibration(
        plain_unit(heads={"long": 48.0}, limits=limits),
        lambda k: 20 * max(k, 0.01),
        measured=(1, 10),
    )
    (song,) = planned(moving(100, 120, 150), known=known).songs
    assert song.zone == "unstable"
    assert song.warnings[0].startswith("unstable: by ear you do not trust it at 9.5 and slower; ")
    assert song.warnings[1].startswith("quarter on head long is loose: the tempo moves between ")
    assert not any("in time:" in reason for reason in song.reasons)


@pytest.mark.parametrize(
    ("moves", "cause"),
    [
        (moving(119.9, 120, 120.1), "is loose: expected within "),
        (moving(100, 120, 150), "is loose: the tempo moves "),
    ],
)
def test_a_setting_that_is_loose_anyway_blames_the_tempo_only_for_what_it_adds(moves, cause):
    # 2400/reading ms: at 4.8 one step of 0.5 is worth 52 of the 12.5 ms noticed.
    unit = plain_unit(heads={"long": 48.0}, knob=Knob(low=0, high=10, step=0.5))
    known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
    (song,) = planned(moves, known=known).songs
    assert not song.in_time
    assert cause in song.warnings[0]


def test_the_remark_on_the_tempo_is_a_warning_also_out_of_reach():
    wanted = Song(title="A", tempo_bpm=96, repeats=("quarter",), midi_file="a.mid")
    told = 'tempo_bpm is 96, but "a.mid" begins at {}: the file\'s tempo is taken'
    reached = planned(Section("", 120.0), song=wanted)
    assert reached.warnings == (f'song 1 "A": {told.format(120)}',)
    # A quarter at 20 lasts 3000 ms of at most 2400.
    beyond = planned(Section("", 20.0), song=wanted).songs[0]
    assert beyond.warnings[0] == told.format(20)
    assert beyond.warnings[1].startswith("out of reach: 3000 ms is ")
