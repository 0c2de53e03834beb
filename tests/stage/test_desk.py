"""Taps, trim and lead at the desk, without a screen."""

import math

import msgspec
import pytest

from tempotape.remembered import state_folder
from tempotape.songs.setlist import Setlist, Song
from tempotape.stage.desk import Desk
from tempotape.unit.trim_store import load_trim
from tests.stage.conftest import SONGS, Held, ScriptedLink, Times, opening_on, wren


@pytest.fixture
def wall():
    return Times()


@pytest.fixture
def desk(times, wall, link):
    def build(songs=SONGS):
        desk = Desk(opening_on(songs), clock=times, wall_clock=wall)
        desk.take_calibration(wren())
        desk.take_link(link, Held())
        desk.look()
        return desk

    return build


def tapped(desk, times, action, count, period_s):
    for _ in range(count):
        getattr(desk, action)()
        times.now += period_s


def trim_percent(desk):
    return 100 * math.expm1(desk.state.trim.log_scale)


def test_taps_are_a_tempo_and_one_step_to_undo(desk, times):
    desk = desk()
    tapped(desk, times, "tap", 1, 0.6)
    assert desk.message == "tap on"
    tapped(desk, times, "tap", 5, 0.6)
    # 0.6 s to the beat are 100 beats a minute by definition.
    assert desk.state.tempo_bpm == pytest.approx(100)
    assert desk.answered.shown.source.startswith("6 taps, within ")
    desk.undo()
    assert desk.state.tempo_bpm == 120


def test_a_pause_begins_a_new_series_with_its_own_undo(desk, times):
    desk = desk()
    tapped(desk, times, "tap", 6, 0.6)
    times.now += 10
    tapped(desk, times, "tap", 6, 0.5)
    assert desk.state.tempo_bpm == pytest.approx(120)
    desk.undo()
    assert desk.state.tempo_bpm == pytest.approx(100)


def test_taps_count_the_songs_own_beat(desk, times):
    songs = Setlist(format=1, name="S", song=(Song("W", 58, beat="dotted quarter"),))
    desk = desk(songs)
    tapped(desk, times, "tap", 8, 1.0)
    assert desk.state.tempo_bpm == pytest.approx(60)


def test_taps_along_with_the_repeats_trim_the_curve_after_a_pause(desk, times):
    desk = desk()
    before = desk.answered.setting
    assert (before.head, round(before.knob, 2)) == ("long", 5.6)
    # The repeats of the setting should be 500 ms apart and are 510.
    tapped(desk, times, "repeats", 8, 0.510)
    assert "repeats 510 ms" in desk.message
    assert desk.state.trim is None
    times.now += 1.5
    desk.look()
    assert 0 < trim_percent(desk) < 2.0
    assert "u undoes it" in desk.message
    # The tape runs slower than calibrated, so the knob goes up for the same 500 ms.
    assert desk.answered.setting.knob > before.knob
    assert desk.answered.setting.delay_ms == pytest.approx(500)
    assert "+" in desk.answered.shown.unit


def test_a_trim_is_undone_by_one_key_and_kept_meanwhile(desk, times):
    desk = desk()
    tapped(desk, times, "repeats", 8, 0.510)
    desk.close()
    kept = load_trim(state_folder(), opening_on(SONGS).unit_file, wren().unit)
    assert kept == desk.state.trim is not None
    desk.undo()
    assert desk.state.trim is None
    assert desk.answered.setting.knob == pytest.approx(5.6)
    assert load_trim(state_folder(), opening_on(SONGS).unit_file, wren().unit) is None


def test_the_trim_is_there_again_at_the_next_start(desk, times):
    first = desk()
    tapped(first, times, "repeats", 8, 0.510)
    first.close()
    assert desk().state.trim == first.state.trim


def test_milliseconds_typed_trim_and_leave_the_tempo_alone(desk):
    desk = desk()
    for key in "510":
        desk.digit(key)
    desk.repeats()
    assert desk.state.tempo_bpm == 120
    assert desk.state.typing == ""
    # A typed figure is sure to 2 ms of 510, far surer than that the tape has not drifted.
    assert trim_percent(desk) == pytest.approx(2.0, abs=0.4)
    desk.undo()
    assert desk.state.trim is None
    assert desk.state.tempo_bpm == 120


def test_milliseconds_that_are_none_are_told(desk):
    desk = desk()
    desk.digit("7")
    desk.repeats()
    assert desk.message == "delay is 7; expected milliseconds from 20 to 10000, as 498 or 498.5"
    assert desk.state.trim is None


def test_few_loose_taps_move_the_curve_less_than_many_tight_ones(desk, times):
    loose, tight = desk(), desk()
    for beat, off_s in enumerate((0.0, 0.03, -0.03, 0.02)):
        loose.repeats(300.0 + 0.51 * beat + off_s)
    times.now = 310.0
    loose.look()
    for beat in range(16):
        tight.repeats(400.0 + 0.51 * beat)
    times.now = 420.0
    tight.look()
    assert abs(trim_percent(loose)) < trim_percent(tight)


def test_too_few_taps_and_no_setting_are_told(desk, times):
    desk = desk()
    tapped(desk, times, "repeats", 2, 0.51)
    desk.close()
    assert desk.message == "too few taps for a trim: 3 are the least"
    for key in "20":
        desk.digit(key)
    desk.close()
    desk.note(1)
    assert desk.answered.setting.knob is None
    desk.repeats()
    assert desk.message == "there is no setting to trim: set a tempo that is in reach"


def test_a_delay_that_is_no_drift_is_refused(desk):
    desk = desk()
    for key in "900":
        desk.digit(key)
    desk.repeats()
    assert desk.state.trim is None
    assert (desk.state.tempo_bpm, desk.state.typing) == (120, "")
    assert "900" in desk.message


@pytest.mark.parametrize("keys", ["100", "300", "96.5"])
def test_a_tempo_typed_just_before_the_repeats_are_tapped_stands(desk, times, keys):
    desk = desk()
    for key in keys:
        desk.digit(key)
    desk.repeats()
    assert (desk.state.tempo_bpm, desk.state.typing) == (float(keys), "")
    assert desk.message == f"{keys} BPM stands; tap on with the repeats: r"
    given_s = desk.answered.setting.delay_ms / 1000
    times.now += 1.02 * given_s
    tapped(desk, times, "repeats", 8, 1.02 * given_s)
    desk.close()
    assert 0 < trim_percent(desk) < 2.5
    desk.undo()
    desk.undo()
    assert (desk.state.trim, desk.state.tempo_bpm) == (None, 120)


def test_digits_near_the_delay_are_milliseconds_and_told_so(desk):
    desk = desk()
    for key in "510":
        desk.digit(key)
    desk.repeats()
    assert desk.message.startswith("510 ms: trimmed +")
    assert len(desk.message) <= 80


def test_a_tempo_out_of_reach_stands_too_before_r(desk):
    desk = desk(Setlist(format=1, name="S", song=(Song("Slow", 90, repeats=("whole",)),)))
    desk.digit("2")
    desk.digit("1")
    desk.repeats()
    assert desk.state.tempo_bpm == 21
    assert desk.message == (
        "21 BPM stands; there is no setting to trim: set a tempo that is in reach"
    )


def test_the_tape_leads_at_the_tempo_of_the_setting(desk, link):
    desk = desk()
    assert desk.lead() is True  # two ports: one has to be chosen
    assert link.sent == [pytest.approx(120)]
    desk.choose_output("Laptop")
    desk.look()
    assert desk.answered.shown.source == "TAPE LEADS 120.00, s starts, to Laptop"
    desk.play()
    desk.look()
    assert desk.answered.shown.source == "TAPE LEADS 120.00, playing, beat 1, to Laptop"
    desk.play()
    desk.go_on()
    assert link.sent[1:] == ["play", "halt", "go on"]
    desk.lead()
    assert link.sent[-1] is None
    assert desk.state.leading_bpm is None


def test_the_clock_sent_counts_quarters_where_the_song_counts_dotted_ones(desk, link):
    songs = Setlist(
        format=1, name="S", song=(Song("W", 58, beat="dotted quarter", repeats=("eighth",)),)
    )
    desk = desk(songs)
    desk.lead()
    assert link.sent == [pytest.approx(87)]
    assert desk.state.tempo_bpm == pytest.approx(58)


def test_the_tape_leads_at_the_delay_just_tapped(desk, times, link):
    desk = desk()
    tapped(desk, times, "repeats", 9, 0.520)
    desk.lead()
    # A quarter of 520 ms is 60000 / 520 beats a minute.
    assert link.sent == [pytest.approx(60_000 / 520, rel=1e-3)]
    # The tape runs 4 % slower than calibrated, and the knob stands where it stood.
    assert trim_percent(desk) == pytest.approx(4.0, abs=0.4)
    assert desk.message.endswith("u undoes it")
    setting = desk.answered.setting
    assert (setting.note, setting.head, setting.knob) == ("quarter", "long", pytest.approx(5.6))
    assert setting.target_ms == pytest.approx(520, rel=1e-3)
    trim = desk.state.trim
    times.now += 10
    desk.look()
    assert desk.state.trim == trim
    desk.undo()
    assert (desk.state.trim, desk.state.leading_bpm, desk.state.tempo_bpm) == (None, None, 120)


def test_taps_too_loose_to_tell_the_delay_do_not_lead(desk, link):
    desk = desk()
    for beat, off_s in enumerate((0.0, 0.10, -0.10, 0.08)):
        desk.repeats(300.0 + 0.57 * beat + off_s)
    desk.lead()
    assert desk.message == "the taps are too loose to lead by: tap more of the repeats, then l"
    assert (link.sent, desk.state.trim) == ([], None)


def test_repeats_far_from_what_the_unit_gives_do_not_lead(desk, times, link):
    desk = desk()
    tapped(desk, times, "repeats", 8, 0.62)
    desk.lead()
    assert "check head switch and knob" in desk.message
    assert (link.sent, desk.state.trim) == ([], None)


def test_a_song_out_of_reach_is_led_at_the_nearest_tempo_of_the_tape(desk, link):
    desk = desk(Setlist(format=1, name="S", song=(Song("Slow", 20, repeats=("half",)),)))
    nearest = desk.answered.setting.nearest_tempo_bpm
    assert desk.answered.setting.knob is None
    desk.lead()
    assert link.sent == [pytest.approx(nearest)]


def test_a_listed_tempo_sets_note_and_head_and_is_sent(desk, link):
    desk = desk()
    tempos = desk.lead_tempos()
    assert tempos
    desk.lead_at(tempos[0])
    assert link.sent == [pytest.approx(tempos[0].tempo_bpm)]
    setting = desk.answered.setting
    assert (setting.head, setting.note) == (tempos[0].head, tempos[0].note)
    assert setting.knob == pytest.approx(tempos[0].knob, abs=1e-6)


def test_undo_stops_what_was_sent(desk, link):
    desk = desk()
    desk.lead()
    desk.undo()
    assert link.sent[-1] is None


def test_start_and_stop_need_a_clock(desk):
    desk = desk()
    desk.play()
    assert desk.message == "no clock is sent: l lets the tape lead"
    desk.go_on()
    assert desk.message == "no clock is sent: l lets the tape lead"


def test_half_and_double_of_a_followed_clock_are_kept_for_the_song(desk, link):
    desk = desk()
    desk.choose_input("Beatbox")
    link.clock("locked", 240.0)
    desk.look()
    assert desk.state.tempo_bpm == 240
    desk.times(0.5)
    desk.look()
    assert desk.state.tempo_bpm == 120
    assert "halved" in desk.answered.shown.source
    desk.song(1)
    desk.look()
    assert desk.state.tempo_bpm == 240
    desk.song(-1)
    desk.look()
    assert desk.state.tempo_bpm == 120


def test_our_own_clock_coming_back_is_not_followed(desk, link):
    desk = desk()
    desk.choose_input("Beatbox")
    link.clock("locked", 97.0)
    link.own_clock(on=True)
    desk.look()
    assert desk.state.tempo_bpm == 120
    assert desk.answered.shown.source == ("MIDI clock: our own comes back on Beatbox, not followed")


def test_what_was_changed_of_a_song_is_there_when_it_comes_again(desk):
    desk = desk()
    for key in "100":
        desk.digit(key)
    desk.close()
    desk.taste()
    desk.song(1)
    assert desk.state.taste == "steady"
    desk.song(-1)
    assert (desk.state.tempo_bpm, desk.state.taste) == (100, "wobbly")
    assert desk.answered.shown.source == "changed on the stage"


def test_the_link_is_told_the_ports_of_last_time():
    link = ScriptedLink()
    desk = Desk(opening_on(SONGS, midi_in="Beatbox", midi_out="Laptop"))
    desk.take_link(link, Held())
    assert (link.shown.chosen, link.shown.output_chosen) == ("Beatbox", "Laptop")


def test_a_typo_put_right_before_r_leaves_song_and_setting_alone(desk):
    desk = desk()
    desk.digit("5")
    desk.digit("2")
    desk.erase()
    desk.erase()
    for key in "510":
        desk.digit(key)
    desk.repeats()
    assert trim_percent(desk) == pytest.approx(2.0, abs=0.4)
    assert (desk.state.tempo_bpm, desk.state.edits) == (120, {})


def test_digits_taken_by_a_lead_are_no_part_of_what_is_typed_later(desk):
    desk = desk()
    for key in "118":
        desk.digit(key)
    desk.lead()
    led = desk.state.leading_bpm
    assert led is not None
    for key in f"{desk.answered.setting.delay_ms:.0f}":
        desk.digit(key)
    desk.repeats()
    assert abs(trim_percent(desk)) < 0.3
    assert (desk.state.leading_bpm, desk._link.sent[-1]) == (led, led)


def test_another_key_between_digits_does_not_change_what_is_trimmed(desk):
    desk = desk()
    desk.digit("5")
    desk.digit("1")
    desk.note(1)
    desk.digit("0")
    desk.repeats()
    assert trim_percent(desk) == pytest.approx(2.0, abs=0.4)


@pytest.mark.parametrize(("beat", "bpm"), [("sixteenth", 50), ("thirty-second", 60)])
def test_a_tempo_that_no_clock_can_have_is_told_and_not_sent(desk, link, beat, bpm):
    desk = desk(Setlist(format=1, name="S", song=(Song("X", bpm, beat=beat, repeats=(beat,)),)))
    desk.lead()
    assert link.sent == []
    assert desk.state.leading_bpm is None
    assert "quarter notes a minute are beyond what a clock can be" in desk.message
    assert all(
        15 <= tempo.tempo_bpm * {"sixteenth": 0.25, "thirty-second": 0.125}[beat] <= 480
        for tempo in desk.lead_tempos()
    )


def test_a_silent_clock_leaves_each_song_its_own_tempo(desk, link):
    desk = desk()
    desk.choose_input("Beatbox")
    link.clock("waiting", None)
    desk.look()
    desk.song(1)
    assert (desk.state.tempo_bpm, desk.state.source) == (30, "song")
    link.clock("locked", 140.0)
    desk.look()
    desk.song(-1)
    assert (desk.state.tempo_bpm, desk.state.source) == (140, "clock")
    link.clock("lost", 140.0)
    desk.look()
    desk.song(1)
    assert desk.state.tempo_bpm == 30


def test_two_taps_are_too_few_to_lead_by(desk, times, link):
    desk = desk()
    tapped(desk, times, "repeats", 2, 0.52)
    desk.lead()
    assert desk.message == "too few taps to lead by: 3 are the least"
    assert link.sent == []


def test_undo_in_the_middle_of_tapping_takes_back_the_tapping_alone(desk, times):
    desk = desk()
    desk.note(1)
    tapped(desk, times, "tap", 4, 0.6)
    desk.undo()
    tapped(desk, times, "tap", 4, 0.6)
    desk.undo()
    assert desk.state.tempo_bpm == 120
    assert desk.state.note is not None


def test_taps_and_doublings_beyond_any_tempo_are_told(desk, times):
    desk = desk()
    tapped(desk, times, "tap", 3, 3.2)
    assert desk.message == "19 BPM tapped: a tempo is from 20 to 400"
    desk.times(2)
    desk.times(2)
    assert desk.message == "480 BPM: a tempo is from 20 to 400"
    assert desk.state.tempo_bpm == 240


def test_an_ambiguous_port_is_explained(desk, link):
    desk = desk()
    desk.choose_input("b")
    problem = 'MIDI port "b" could be "Beatbox" or "Bass"'
    link.shown = type(link.shown)(
        available=True, problem=problem, ports=("Beatbox", "Bass"), chosen="b",
        listening=None, reading=link.shown.reading,
    )  # fmt: skip
    desk.look()
    assert desk.answered.shown.source == problem


def test_what_plays_along_is_stopped_when_the_stage_is_left(desk, link):
    desk = desk()
    desk.lead()
    desk.play()
    desk.look()
    desk.close_down()
    assert link.sent[-1] == "halt"


def test_following_a_clock_ends_the_sending_of_our_own(desk, link):
    desk = desk()
    desk.lead()
    desk.choose_input("Beatbox")
    assert link.sent[-1] is None


def test_digits_that_are_no_tempo_yet_are_not_called_wrong(desk):
    desk = desk()
    desk.digit("1")
    assert desk.answered.shown.source == "being typed"
    desk.digit("2")
    assert desk.answered.shown.source == "being typed"
    assert desk.message == ""
    desk.digit("0")
    assert desk.answered.shown.source == "typed"
    desk.close()
    desk.digit("7")
    desk.close()
    assert desk.message == "tempo is 7; expected beats a minute from 20 to 400, as 96 or 96.5"


def test_a_tape_that_is_not_heard_is_not_said_to_lead(desk, link):
    desk = desk()
    desk.lead()
    desk.look()
    assert desk.answered.shown.source == "tape's own 120.00, NOT SENT: no port, press o"
    desk.lead()
    problem = "MIDI is not available here: python-rtmidi is not installed"
    link.shown = msgspec.structs.replace(link.shown, available=False, problem=problem)
    desk.look()
    desk.lead()
    assert desk.message == problem
    assert desk.answered.shown.source == "tape's own 120.00, NOT SENT: no MIDI here"


def test_a_trim_refused_names_the_reading_as_it_is_shown(desk):
    desk = desk(Setlist(format=1, name="S", song=(Song("X", 121, repeats=("quarter",)),)))
    assert desk.answered.setting.knob != float(desk.answered.setting.knob_text)
    for key in "990":
        desk.digit(key)
    desk.repeats()
    assert desk.message == "tap every repeat: 990 ms is twice the 496 ms of head long at 5.64"


def test_the_next_tempo_is_told_to_a_hundredth(desk, times):
    desk = desk()
    desk.step(1)
    tapped(desk, times, "tap", 5, 0.6123)
    desk.step(-1)
    assert desk.state.edits[1].tempo_bpm != 97.99
    # 60 / 0.6123 is 97.9911.
    assert ", 97.99: " in desk.answered.shown.next_song
