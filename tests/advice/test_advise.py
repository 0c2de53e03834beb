"""Advice on units whose curve is known in closed form."""

import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tempotape.advice.advise import Wish, advise, head_named
from tempotape.advice.ranking import taste_named
from tempotape.advice.timing import noticeable_ms
from tempotape.faults import InputFault
from tempotape.tempo.notes import NOTE_VALUES, QUARTER
from tempotape.unit.model import Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

QUARTERS = (QUARTER,)
LIMITS = Steadiness(steady_percent=1.0, unstable_percent=3.0)


def speed(knob):
    """Proportional to the reading: 25 mm/s each."""
    return 25.0 * max(knob, 0.01)


def two_heads(*, limits=LIMITS, flutter=None, step=0.02, measured=(1.0, 10.0), gaps=(28.0, 70.0)):
    """Short and long head; flutter falls as the reciprocal of the speed, 4 % at reading 1."""
    unit = plain_unit(
        heads=dict(zip(("short", "long"), gaps, strict=True)),
        knob=Knob(low=0, high=10, step=step),
        limits=limits,
    )
    return plain_calibration(
        unit,
        speed,
        measured=measured,
        flutter={1.0: 4.0, 10.0: 0.4} if flutter is None else flutter,
    )


def wish(tempo_bpm, **changes):
    return msgspec.structs.replace(Wish(tempo_bpm=tempo_bpm, repeats=QUARTERS), **changes)


def bpm_for(delay_ms):
    return 60_000 / delay_ms


def test_the_reading_gives_the_delay_of_the_closed_form():
    # 70 mm at 25 mm/s a reading: 400 ms needs 175 mm/s, reading 7; the short head reading 2.8.
    found = advise(two_heads(), wish(150))
    assert [(s.head, round(s.knob, 3)) for s in found.settings] == [("long", 7.0), ("short", 2.8)]
    for setting in found.settings:
        assert setting.target_ms == pytest.approx(400)
        assert setting.delay_ms == pytest.approx(400, rel=1e-9)


def test_a_medium_delay_is_steady_on_the_long_head_and_wavers_on_the_short():
    # Common practice, no source: long head and fast tape steady, short head and slow tape wobbly.
    steady = advise(two_heads(), wish(150, taste="steady")).settings
    assert [(s.head, s.zone) for s in steady] == [("long", "steady"), ("short", "wobbly")]
    wobbly = advise(two_heads(), wish(150, taste="wobbly")).settings
    assert [(s.head, s.zone) for s in wobbly] == [("short", "wobbly"), ("long", "steady")]


def test_the_trade_rule_ranks_heads_even_where_no_flutter_was_measured():
    bare = two_heads(limits=Steadiness(), flutter={})
    assert advise(bare, wish(150, taste="steady")).settings[0].head == "long"
    assert advise(bare, wish(150, taste="wobbly")).settings[0].head == "short"


def test_wobbly_never_prefers_unstable():
    # 28 mm in 1000 ms runs at 28 mm/s, reading 1.12, 3.6 % flutter: beyond the limit of 3 %.
    found = advise(two_heads(), wish(60, taste="wobbly")).settings
    assert [(s.head, s.zone) for s in found] == [("long", "wobbly"), ("short", "unstable")]


def test_either_takes_the_easiest_to_hit():
    # The delay's slope is -delay/reading, so the same delay is easier at the higher reading.
    found = advise(two_heads(), wish(150, taste="either")).settings
    assert found[0].head == "long"
    assert found[0].ms_per_step < found[1].ms_per_step


def test_milliseconds_of_a_step_are_the_slope_times_the_step():
    # delay = 2800/k ms on the long head: at 7 the slope is -2800/49 ms a reading.
    found = advise(two_heads(), wish(150)).settings[0]
    assert found.ms_per_step == pytest.approx(0.02 * 2800 / 49, rel=1e-3)


def test_in_time_means_within_what_a_listener_notices():
    fine, coarse = (advise(two_heads(step=s), wish(150)).settings[0] for s in (0.02, 0.5))
    assert fine.in_time
    assert fine.error_ms <= noticeable_ms(400)
    assert not coarse.in_time
    assert coarse.error_ms > noticeable_ms(400)
    assert "mostly from the hand: one knob step is worth 28.6 ms" in coarse.reasons[0]


def test_the_readings_that_stay_in_time():
    # 400 ms, 2.5 % either way: 2800/410 to 2800/390.
    found = advise(two_heads(), wish(150)).settings[0]
    assert found.in_time_knob == pytest.approx((2800 / 410, 2800 / 390), rel=1e-3)


@pytest.mark.parametrize("taste", ["steady", "wobbly", "either"])
def test_ties_go_to_less_hand_movement(taste):
    # Two heads at one gap are one and the same answer; only the switch tells them apart.
    twins = two_heads(gaps=(50.0, 50.0))
    for head in ("short", "long"):
        found = advise(twins, wish(120, taste=taste, hand=(head, 4.0))).settings
        assert found[0].head == head


def test_out_of_reach_says_by_how_much_and_what_works():
    # The long head gives at most 2800 ms at reading 1, the short one 1120 ms; 20 BPM needs 3000.
    found = advise(two_heads(limits=Steadiness()), wish(20)).settings
    assert [(s.head, s.knob, s.reachable, s.rank) for s in found] == [
        ("long", None, False, 1),
        ("short", None, False, 2),
    ]
    assert found[0].reasons == (
        "3000 ms is 200 ms longer than head long was measured to give (2800 ms at 1)",
        "nearest trustworthy tempo: 21.4 to the quarter",
        "at this tempo head long gives the double dotted eighth",
        "the curve carried on puts it near 0.94: measure there to know",
    )
    assert found[0].miss_ms == pytest.approx(200)
    assert found[0].nearest_tempo_bpm == pytest.approx(bpm_for(2800))
    # Double dotted eighth: 7/8 of a quarter, 2625 ms; the quarter triplet is 2000 ms.
    assert NOTE_VALUES["double dotted eighth"].delay_ms(20) == 2625
    assert found[1].miss_ms == pytest.approx(3000 - 1120)


def test_too_short_is_told_the_same_way():
    found = advise(two_heads(), wish(300)).settings
    long = next(s for s in found if s.head == "long")
    # 200 ms wanted; the long head gives 280 ms at reading 10, a quarter of 214.3.
    assert long.reasons[0] == (
        "200 ms is 80 ms shorter than head long was measured to give (280 ms at 10)"
    )
    assert long.nearest_tempo_bpm == pytest.approx(60_000 / 280)
    assert found[-1] is long


def test_the_nearest_tempo_avoids_the_unstable_stretch():
    # By ear nothing below reading 2 is trusted: 1400 ms on the long head.
    found = advise(two_heads(limits=Steadiness(unstable_knob=2.0), flutter={}), wish(20)).settings
    assert found[0].nearest_tempo_bpm == pytest.approx(bpm_for(1400), rel=0.02)
    assert found[0].nearest_tempo_bpm > bpm_for(1400)


def test_an_end_missed_by_less_than_is_noticed_is_met_at_the_end():
    found = advise(two_heads(), wish(bpm_for(2830))).settings
    assert found[0].reachable
    assert found[0].knob == pytest.approx(1.0)
    assert found[0].delay_ms == pytest.approx(2800)
    assert found[0].target_ms == pytest.approx(2830)
    assert "30.0 ms too short: the end of what was measured" in found[0].reasons


def test_no_tempo_is_named_that_could_not_be_typed():
    # A quarter of 150 ms at 400 to the quarter: the long head's 280 ms would do at 214.
    long = advise(two_heads(), wish(400, repeats=(NOTE_VALUES["thirty-second"],))).settings
    # 18.75 ms wanted; 280 ms of a thirty-second is 26.8 to the quarter, the short head's 112 67.
    assert [round(s.nearest_tempo_bpm, 1) for s in long] == [67.0, 26.8]
    whole = advise(two_heads(), wish(20, repeats=(NOTE_VALUES["double dotted whole"],))).settings
    # 21 s wanted; the short head's 840 ms would be a quarter of 500, beyond the fastest, 400.
    assert {s.head: s.nearest_tempo_bpm for s in whole}["short"] is None


def test_unstable_carries_a_warning_and_the_other_head_as_way_out():
    found = advise(two_heads(), wish(60)).settings
    assert found[-1].head == "short"
    assert found[-1].reasons[:2] == (
        "unstable: flutter 3.6 %, over your limit of 3 %",
        "way out: quarter on head long at 2.80 (wobbly)",
    )
    assert found[-1].way_out.head == "long"


def only_short():
    """The unit of `two_heads` with its long head taken out."""
    unit = plain_unit(heads={"short": 28.0}, knob=Knob(low=0, high=10, step=0.02), limits=LIMITS)
    return plain_calibration(unit, speed, measured=(1, 10), flutter={1.0: 4.0, 10.0: 0.4})


def test_the_way_out_is_told_even_where_the_player_insists_on_the_other_head():
    found = advise(two_heads(), wish(60, head="short")).settings
    assert [(s.head, s.zone) for s in found] == [("short", "unstable")]
    assert (found[0].way_out.head, found[0].way_out.note) == ("long", "quarter")


def test_the_way_out_may_be_another_note_value():
    both = (QUARTER, NOTE_VALUES["eighth"])
    found = advise(only_short(), wish(60, repeats=both)).settings
    assert (found[0].note, found[0].zone) == ("eighth", "wobbly")
    assert found[1].way_out.note == "eighth"
    assert found[1].reasons[1] == "way out: eighth on head short at 2.24 (wobbly)"


def test_the_way_out_may_be_another_tempo():
    found = advise(only_short(), wish(60)).settings[0]
    assert found.zone == "unstable"
    # 3 % flutter is met at reading 4/3. A hand aims a step of 0.02 beside it, at 1.3533, and at
    # the next reading it can be told, 1.36: 28 / (25 * 1.36) s.
    assert found.way_out.knob == pytest.approx(1.36)
    assert found.way_out.tempo_bpm == pytest.approx(bpm_for(28_000 / (25 * 1.36)), rel=1e-4)
    assert found.reasons[1] == "way out: 72.9 to the quarter, head short at 1.36 (wobbly)"


def backwards(step, *, marks="numbers", limits=LIMITS):
    """One head on a knob that speeds the tape up downwards; 3 % flutter at 8.667."""
    knob = Knob(low=0, high=10, step=step, marks=marks)
    unit = plain_unit(heads={"short": 28.0}, knob=knob, limits=limits)
    return plain_calibration(
        unit,
        lambda k: 25.0 * max(10 - k, 0.01),
        measured=(0.0, 9.0),
        flutter={9.0: 4.0, 0.0: 0.4},
    )


@pytest.mark.parametrize("step", [0.02, 0.05, 0.2, 0.25])
@pytest.mark.parametrize("limits", [LIMITS, Steadiness(1.0, 3.0, unstable_knob=8.5)])
@pytest.mark.parametrize("marks", ["numbers", "clock"])
def test_the_way_out_is_a_hands_step_off_the_unstable_stretch_as_it_is_told(step, limits, marks):
    known = backwards(step, marks=marks, limits=limits)
    found = advise(known, wish(60)).settings[0]
    assert found.zone == "unstable"
    out = found.way_out
    assert "about" not in out.knob_text
    told = float(out.knob_text) if marks == "numbers" else out.knob
    assert told == pytest.approx(out.knob)
    assert known.zone_at(told + step * 0.999) == "wobbly"
    # The tempo told is that of the reading told: 28 mm at 25 mm/s a reading below 10.
    assert out.tempo_bpm == pytest.approx(bpm_for(28_000 / (25 * (10 - told))), rel=1e-4)


def test_another_setting_at_the_very_edge_is_no_way_out():
    # A quarter of 2080 ms on a gap of 70 mm is reading 1.346, less than a step from 4/3.
    found = advise(two_heads(gaps=(60.0, 70.0)), wish(bpm_for(2080))).settings
    short = next(s for s in found if s.head == "short")
    assert (short.zone, short.way_out.head) == ("unstable", "short")
    assert short.way_out.knob == pytest.approx(1.36)


def test_no_way_out_is_said_plainly():
    found = advise(two_heads(limits=Steadiness(unstable_knob=10.0)), wish(150)).settings[0]
    assert found.zone == "unstable"
    assert found.reasons[0] == "unstable: by ear you do not trust it at 10 and slower"
    assert found.reasons[1] == (
        "no trustworthy way out: no reading of this unit is measured and stable"
    )


def test_slower_than_measured_unstable_is_told_as_such():
    found = advise(two_heads(flutter={2.0: 3.5, 10.0: 0.4}), wish(60, head="short")).settings[0]
    assert found.reasons[0] == "unstable: slower than a reading measured as unstable"
    assert found.flutter_percent is None


@pytest.mark.parametrize(
    ("limits", "flutter", "told"),
    [
        (LIMITS, {1.0: 4.0, 10.0: 0.4}, "steady: flutter 0.6 %, limit 1 %"),
        (LIMITS, {}, "steadiness unknown: no flutter measured near here"),
        (LIMITS, {1.0: 4.0, 6.0: 0.6}, "steady: faster than readings measured as steady"),
        (
            Steadiness(),
            {1.0: 4.0, 10.0: 0.4},
            "flutter 0.6 %, but the unit file sets no steady_percent to judge it by",
        ),
        (
            Steadiness(steady_percent=0.5),
            {1.0: 4.0, 10.0: 0.4},
            "wobbly: flutter 0.6 %, steady up to 0.5 %",
        ),
    ],
)
def test_steadiness_is_told_in_one_sentence(limits, flutter, told):
    found = advise(two_heads(limits=limits, flutter=flutter), wish(150)).settings
    assert next(s for s in found if s.head == "long").reasons[-1] == told


def test_a_head_without_delay_is_told():
    unit = msgspec.structs.replace(two_heads().unit)
    unit = plain_unit(heads={"long": 70.0, "spare": None}, knob=unit.knob)
    found = advise(plain_calibration(unit, speed, measured=(1, 10)), wish(150)).settings
    assert [s.head for s in found] == ["long", "spare"]
    assert found[1].reasons == (
        "head spare has no delay yet: measure one point on it, or give its gap_mm",
    )


def test_the_wanted_order_decides_between_notes_in_time():
    wanted = tuple(NOTE_VALUES[name] for name in ("dotted eighth", "quarter", "eighth"))
    found = advise(two_heads(), wish(120, repeats=wanted)).settings
    assert found[0].note == "dotted eighth"
    assert len(found) == 6
    assert [s.rank for s in found] == [1, 2, 3, 4, 5, 6]


def test_a_beat_other_than_the_quarter():
    # 6/8: a dotted-quarter beat of 60 is a quarter of 90, 666.7 ms.
    found = advise(two_heads(), wish(60, beat=NOTE_VALUES["dotted quarter"]))
    assert found.quarter_bpm == 90
    assert found.settings[0].target_ms == pytest.approx(60_000 / 90)


def test_a_note_named_twice_is_advised_once():
    assert len(advise(two_heads(), wish(120, repeats=(QUARTER, QUARTER))).settings) == 2


def test_an_insisted_head_stands_alone():
    found = advise(two_heads(), wish(150, head="SHORT")).settings
    assert [s.head for s in found] == ["short"]


def test_faults_name_what_would_be_right():
    with pytest.raises(InputFault) as met:
        head_named(two_heads(), "shrt", entry="--head")
    assert str(met.value) == '--head: unknown head "shrt"; expected "short"'
    with pytest.raises(InputFault) as met:
        head_named(two_heads(), "zz")
    assert str(met.value) == 'unknown head "zz"; expected "short" or "long"'
    with pytest.raises(InputFault) as met:
        taste_named("wild", entry="--taste")
    assert str(met.value) == '--taste: unknown taste "wild"; expected steady, wobbly or either'
    assert taste_named(" Wobbly ") == "wobbly"


@settings(max_examples=200, deadline=None)
@given(
    tempo_bpm=st.floats(20, 400),
    note=st.sampled_from(list(NOTE_VALUES.values())),
    taste=st.sampled_from(["steady", "wobbly", "either"]),
    power=st.floats(0.3, 3.0),
    reverse=st.booleans(),
)
def test_advice_round_trips_through_the_curve(tempo_bpm, note, taste, power, reverse):
    unit = plain_unit(heads={"short": 28.0, "long": 70.0}, limits=LIMITS)

    def tape(knob):
        return 5 + 300 * ((10 - knob if reverse else knob) / 10) ** power

    known = plain_calibration(unit, tape, measured=(1, 9), flutter={2: 2.0, 8: 2.0})
    found = advise(known, Wish(tempo_bpm=tempo_bpm, repeats=(note,), taste=taste))
    assert len(found.settings) == 2
    reached = [s.reachable for s in found.settings]
    assert reached == sorted(reached, reverse=True)
    for setting in found.settings:
        assert setting.reasons
        if not setting.reachable:
            assert setting.knob is None
            continue
        assert 1 <= setting.knob <= 9
        assert known.curve.delay_ms(setting.head, setting.knob) == pytest.approx(setting.delay_ms)
        assert abs(setting.delay_ms - setting.target_ms) <= noticeable_ms(setting.target_ms)
        assert setting.error_ms > 0
        assert math.isfinite(setting.ms_per_step)


def test_a_head_without_delay_comes_after_every_known_miss():
    unit = plain_unit(heads={"spare": None, "long": 70.0})
    found = advise(plain_calibration(unit, speed, measured=(9, 10)), wish(20)).settings
    assert [(s.head, s.reachable) for s in found] == [("long", False), ("spare", False)]
    assert found[0].miss_ms > found[0].target_ms / 2


def test_a_figure_just_over_the_limit_shows_by_how_much():
    # 3.02 % flutter at reading 4 / 3.02, on the long head 70 mm in 2114 ms.
    known = two_heads()
    found = advise(known, wish(bpm_for(70_000 / (25 * 4 / 3.02)), head="long")).settings[0]
    assert found.reasons[0] == "unstable: flutter 3.02 %, over your limit of 3 %"
