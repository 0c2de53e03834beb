"""Tempos of the tape, on units whose curve is known in closed form."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.advice.lead import easy_marks, lead_tempos, tempo_of_setting
from tempotape.faults import InputFault
from tempotape.tempo.notes import NOTE_VALUES, QUARTER, USUAL_REPEATS
from tempotape.unit.curve import Fit, FittedPoint
from tempotape.unit.knob import knob_text
from tempotape.unit.model import Head, Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

LIMITS = Steadiness(steady_percent=1.0, unstable_percent=3.0)
EIGHTH = NOTE_VALUES["eighth"]


def two_heads(*, limits=LIMITS, flutter=None, step=0.1, measured=(1.0, 10.0), knob=None):
    """Delay 1120/k ms on the short head, 2800/k on the long; 4 % flutter at 1, 0.4 % at 10."""
    unit = plain_unit(
        heads={"short": 28.0, "long": 70.0},
        knob=knob or Knob(low=0, high=10, step=step),
        limits=limits,
    )
    return plain_calibration(
        unit,
        lambda k: 25.0 * max(k, 0.01),
        measured=measured,
        flutter={1.0: 4.0, 10.0: 0.4} if flutter is None else flutter,
    )


def led(calibration, near_bpm=None, *, beat=QUARTER, repeats=(QUARTER,), taste="steady", head=None):
    return lead_tempos(calibration, near_bpm, beat, repeats, taste, head=head)


# By definition of the metronome mark: a quarter lasts 60000/BPM ms; dotted 3/2, triplet 2/3.
@pytest.mark.parametrize(
    ("delay_ms", "note", "beat", "tempo_bpm"),
    [
        (500, "quarter", "quarter", 120),
        (375, "dotted eighth", "quarter", 120),
        (250, "eighth", "quarter", 120),
        (1000 / 3, "quarter triplet", "quarter", 120),
        (500, "quarter", "dotted quarter", 80),
        (250, "eighth", "half", 60),
    ],
)
def test_the_tempo_of_a_setting(delay_ms, note, beat, tempo_bpm):
    found = tempo_of_setting(delay_ms, NOTE_VALUES[note], NOTE_VALUES[beat])
    assert found == pytest.approx(tempo_bpm, rel=1e-12)


@given(
    delay_ms=st.floats(10, 10_000),
    note=st.sampled_from(list(NOTE_VALUES.values())),
    beat=st.sampled_from(list(NOTE_VALUES.values())),
)
def test_the_note_lasts_the_delay_at_that_tempo(delay_ms, note, beat):
    tempo_bpm = tempo_of_setting(delay_ms, note, beat)
    assert note.delay_ms(beat.quarter_bpm(tempo_bpm)) == pytest.approx(delay_ms, rel=1e-12)


NUMBERS = {
    (0, 10, 0.2): [n / 2 for n in range(21)],
    (0, 1, 0.01): [round(n / 20, 2) for n in range(21)],
    (0, 100, 1): [n * 5 for n in range(21)],
    (0, 20, 0.2): list(range(21)),
    (0, 5, 0.1): [n / 2 for n in range(11)],  # 0.25 is no mark that a hand finds
    (1, 11, 0.1): [1 + n / 2 for n in range(21)],
    (-5, 5, 0.1): [-5 + n / 2 for n in range(21)],
    (0, 10, 1): list(range(11)),  # a hand that sets whole numbers finds no halves
    (0, 10, 1.5): [0, 2, 4, 6, 8, 10],  # and one that sets every second number, none between
    (0, 10, 2): [0, 2, 4, 6, 8, 10],
    (0, 10, 3): [0, 5, 10],
    (1, 11, 3): [1, 5, 10, 11],
    (0, 11, 0.1): [n / 2 for n in range(23)],
    (0, 10, 10): [0, 10],
    (0.3, 7.2, 0.1): [0.3, *(n / 2 for n in range(1, 15)), 7.2],  # the stops are found as well
}


@pytest.mark.parametrize("scale", NUMBERS)
def test_easy_marks_on_numbers(scale):
    low, high, step = scale
    assert easy_marks(Knob(low=low, high=high, step=step)) == tuple(NUMBERS[scale])


def test_easy_marks_on_a_clock_face_are_hours_and_half_hours():
    # 300 degrees from 7 o'clock to 5 o'clock, an hour each 30 degrees: 21 marks.
    knob = Knob(low=0, high=100, step=0.5, marks="clock")
    told = [knob_text(knob, mark) for mark in easy_marks(knob)]
    assert told[:4] == ["7 o'clock", "half past 7", "8 o'clock", "half past 8"]
    assert told[-1] == "5 o'clock"
    assert len(told) == 21
    assert not any("about" in words for words in told)


# Hours of a clock face; straight up, at 12, is always one of them.
@pytest.mark.parametrize(
    ("step", "hours"),
    [
        (1, [7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17]),
        (1.5, [7, 8, 10, 12, 14, 16, 17]),
        (2.5, [7, 9, 12, 15, 17]),
        (4, [7, 12, 17]),
        (7, [7, 17]),
    ],
)
def test_a_coarse_hand_finds_fewer_hours(step, hours):
    assert list(easy_marks(Knob(low=7, high=17, step=step, marks="clock"))) == hours


@pytest.mark.parametrize("step", [0.1, 0.2, 0.4, 1.5, 3])
def test_the_reading_told_is_the_one_that_the_tempo_is_for(step):
    found = led(two_heads(step=step))
    assert found.tempos
    for tempo in found.tempos:
        assert float(tempo.knob_text) == tempo.knob
    texts = {(tempo.head, tempo.knob_text) for tempo in found.tempos}
    assert len(texts) == len(found.tempos)


def test_where_no_mark_is_to_be_trusted_the_readings_measured_are_told():
    found = led(two_heads(step=0.4, measured=(5.6, 5.9)))
    assert found.remarks == (
        "no easy mark lies where the tape can be trusted, from 5.6 to 5.9",
    )  # fmt: skip


@pytest.mark.parametrize(("low", "high"), [(0, 1e-3), (0, 1), (-1000, 1000), (0.123, 0.124)])
def test_any_scale_has_few_marks_all_on_it(low, high):
    marks = easy_marks(Knob(low=low, high=high, step=(high - low) / 1000))
    assert marks[0] == low
    assert marks[-1] == high
    assert 5 <= len(marks) <= 25


def test_every_tempo_follows_from_its_mark_by_the_closed_form():
    found = led(two_heads(), repeats=USUAL_REPEATS)
    gap_ms = {"short": 1120, "long": 2800}
    assert len(found.tempos) > 50
    for tempo in found.tempos:
        assert tempo.delay_ms == pytest.approx(gap_ms[tempo.head] / tempo.knob, rel=1e-9)
        quarters = float(NOTE_VALUES[tempo.note].quarters)
        assert tempo.tempo_bpm == pytest.approx(60_000 * quarters / tempo.delay_ms, rel=1e-12)
        assert tempo.knob * 2 == int(tempo.knob * 2)
    settings = [(t.head, t.knob, t.note) for t in found.tempos]
    assert len(set(settings)) == len(settings)
    assert [tempo.rank for tempo in found.tempos] == list(range(1, len(settings) + 1))
    assert found.remarks == ()


def test_one_mark_serves_several_note_values():
    # The long head at 7 repeats after 400 ms: a quarter at 150, a dotted eighth at 112.5.
    found = led(two_heads(), repeats=USUAL_REPEATS, head="Long")
    here = {t.note: t.tempo_bpm for t in found.tempos if t.knob == 7}
    assert here == {
        "quarter": pytest.approx(150),
        "dotted eighth": pytest.approx(112.5),
        "eighth": pytest.approx(75),
    }
    assert {tempo.head for tempo in found.tempos} == {"long"}


def test_the_beat_counts():
    # 400 ms of quarters are 150 quarters or 100 dotted quarters a minute.
    found = led(two_heads(), beat=NOTE_VALUES["dotted quarter"], head="long")
    assert found.beat == "dotted quarter"
    assert [t.tempo_bpm for t in found.tempos if t.knob == 7] == [pytest.approx(100)]


def test_only_marks_that_are_measured_and_not_unstable():
    # Flutter is 4/k percent: 3 % at reading 4/3, so 1 is unstable; measured to 8 only.
    found = led(two_heads(measured=(1.0, 8.0)))
    assert {t.knob for t in found.tempos} == {n / 2 for n in range(3, 17)}
    # By ear up to and with 2: that mark itself is not offered.
    by_ear = msgspec.structs.replace(LIMITS, unstable_knob=2.0)
    found = led(two_heads(limits=by_ear))
    assert min(t.knob for t in found.tempos) == 2.5
    assert {t.zone for t in found.tempos} == {"steady", "wobbly"}


def test_a_mark_where_the_heads_own_point_is_suspect_is_left_out():
    sound = two_heads()
    points = (
        FittedPoint("long", 7.04, 500.0, 400.0, 25.0, suspect=True),
        FittedPoint("short", 7.0, 160.0, 160.0, 0.0, suspect=False),
        FittedPoint("long", 6.0, 466.0, 466.0, 0.0, suspect=False),
        FittedPoint("long", 5.06, 800.0, 560.0, 40.0, suspect=True),  # half a step is 0.05
    )
    doubted = msgspec.structs.replace(sound, fit=Fit(sound.curve, points, ()))
    offered = {(t.head, t.knob) for t in led(sound).tempos}
    assert offered - {(t.head, t.knob) for t in led(doubted).tempos} == {("long", 7.0)}


def test_a_head_without_delay_is_left_out():
    sound = two_heads()
    curve = msgspec.structs.replace(
        sound.curve, heads=("short", "long", "new"), log_gap=(*sound.curve.log_gap, None),
        error_percent=(*sound.curve.error_percent, sound.curve.error_percent[0]),
    )  # fmt: skip
    unit = msgspec.structs.replace(sound.unit, head=(*sound.unit.head, Head("new")))
    calibration = msgspec.structs.replace(sound, unit=unit, fit=Fit(curve, (), ()))
    assert led(calibration).tempos == led(sound).tempos
    found = led(calibration, head="new")
    assert (found.tempos, found.remarks) == ((), ('no delay is known of head "new"',))


def test_usual_tempos_come_before_the_rest():
    found = led(two_heads(), repeats=USUAL_REPEATS)
    usual = [40 <= t.tempo_bpm <= 240 for t in found.tempos]
    assert usual == sorted(usual, reverse=True)
    assert not all(usual)
    assert all(20 <= t.tempo_bpm <= 400 for t in found.tempos)


def test_near_a_tempo_the_closest_come_first():
    # Long head quarters lie 75000/7 BPM a half reading apart: 139.3, 150.0 and 160.7 about 150.
    found = led(two_heads(), 151, head="long")
    assert [(t.knob, round(t.tempo_bpm, 1)) for t in found.tempos] == [
        (7.0, 150.0), (7.5, 160.7), (6.5, 139.3), (8.0, 171.4), (6.0, 128.6),
    ]  # fmt: skip
    assert [t.change_percent for t in found.tempos] == pytest.approx(
        [100 * (t.tempo_bpm / 151 - 1) for t in found.tempos]
    )
    assert found.near_bpm == 151


def test_near_is_measured_as_a_ratio():
    # 20 % up is 144, 20 % down is 100, as far in ratio; not 96.
    found = led(two_heads(), 120, repeats=tuple(NOTE_VALUES.values()))
    tempos = [t.tempo_bpm for t in found.tempos]
    assert min(tempos) >= 100 - 1e-9
    assert max(tempos) <= 144 + 1e-9
    assert min(tempos) < 102
    assert max(tempos) > 140


def test_taste_decides_between_what_is_equally_near():
    # 560 ms, 107.1 BPM: the long head at 5 with 0.8 % flutter, the short one at 2 with 2 %.
    found = {taste: led(two_heads(step=0.01), 107, taste=taste) for taste in ("steady", "wobbly")}
    firsts = {taste: [(t.head, t.knob) for t in found[taste].tempos[:2]] for taste in found}
    assert firsts == {
        "steady": [("long", 5.0), ("short", 2.0)],
        "wobbly": [("short", 2.0), ("long", 5.0)],
    }


def test_what_a_hand_cannot_set_in_time_counts_as_further_off():
    # A step of 0.1 is 5 % of the delay at reading 2, twice what a listener notices, and 2 % at 5:
    # with so coarse a hand the wavering mark is no longer as near as the other.
    found = led(two_heads(step=0.1), 107, taste="wobbly")
    assert [(t.head, t.knob, t.in_time) for t in found.tempos[:2]] == [
        ("long", 5.0, True),
        ("short", 2.0, False),
    ]


def test_a_step_of_the_hand_in_beats_a_minute():
    # tempo = 60000 k / 2800, so a step of 0.1 is worth 150/70 BPM at any reading.
    for tempo in led(two_heads(), head="long").tempos:
        if 1.5 < tempo.knob < 9.5:
            assert tempo.bpm_per_step == pytest.approx(0.1 * 60_000 / 2800, rel=2e-3)
            assert tempo.error_percent == pytest.approx(100 * tempo.error_ms / tempo.delay_ms)


def test_nothing_near_names_the_nearest():
    # One mark alone, the long head at 5: 107.1 BPM.
    narrow = two_heads(measured=(4.9, 5.2))
    found = led(narrow, 60, head="long")
    assert [round(t.tempo_bpm, 1) for t in found.tempos] == [107.1]
    assert found.remarks == ("no tempo within 20 % of 60 BPM at an easy mark: the nearest instead",)


def test_every_reading_unstable():
    shaky = led(two_heads(flutter={1.0: 9.0, 10.0: 8.0}))
    assert (shaky.tempos, shaky.remarks) == ((), ("every measured reading is unstable",))


def test_no_easy_mark_in_the_trusted_stretch():
    found = led(two_heads(measured=(5.1, 5.4)), 100)
    assert (found.tempos, found.remarks) == (
        (),
        ("no easy mark lies where the tape can be trusted, from 5.1 to 5.4",),
    )


def test_no_note_value_that_gives_a_usable_tempo():
    found = led(two_heads(), repeats=(NOTE_VALUES["thirty-second"],), beat=NOTE_VALUES["whole"])
    assert found.tempos == ()
    assert found.remarks == (
        "no wanted note value gives a tempo from 20 to 400 BPM at an easy mark that can be trusted",
    )


def test_a_head_there_is_not():
    with pytest.raises(InputFault) as met:
        led(two_heads(), head="lng")
    assert str(met.value) == 'unknown head "lng"; expected "long"'


@given(
    near_bpm=st.none() | st.floats(20, 400),
    taste=st.sampled_from(["steady", "wobbly", "either"]),
    notes=st.lists(st.sampled_from(list(NOTE_VALUES.values())), min_size=1, max_size=6),
    beat=st.sampled_from(list(NOTE_VALUES.values())),
    high=st.floats(1.2, 10),
)
def test_whatever_is_asked_the_list_keeps_its_word(near_bpm, taste, notes, beat, high):
    calibration = two_heads(measured=(1.0, high))
    found = led(calibration, near_bpm, beat=beat, repeats=notes, taste=taste)
    assert bool(found.tempos) or bool(found.remarks)
    for tempo in found.tempos:
        assert 20 <= tempo.tempo_bpm <= 400
        assert calibration.curve.in_measured_span(tempo.knob)
        assert tempo.zone != "unstable"
        assert tempo.note in {note.name for note in notes}
