"""A whole set at the desk: steps, sections, order, edits, the file on disk, rehearsal, the log."""

import itertools

import msgspec
import pytest

from tempotape.advice.advise import Wish, advise
from tempotape.advice.timing import noticeable_ms
from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.remembered import state_folder
from tempotape.songs.choices import gain_over
from tempotape.songs.setlist import read_setlist
from tempotape.songs.used_log import read_used, used_file
from tempotape.stage.desk import Desk
from tempotape.stage.desk_set import PLAYED_S
from tempotape.stage.opening import Opening, open_set
from tempotape.stage.session import SessionKeeper, resumed
from tempotape.stage.shown import answered
from tempotape.stage.state import at_part, opened
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.unit.calibration import load_calibration
from tempotape.unit.trim import Trim, apply_trim
from tests.plain_units import plain_calibration, plain_unit
from tests.stage.conftest import Held, LastOpened, ScriptedLink, wren

SET = """\
# The set of an invented trio.
format = 1
name = "Barn"

[[song]]  # opener
title = "One"
tempo_bpm = 120   # as agreed
repeats = ["quarter"]
gap_s = 30

[[song]]
title = "Two"
tempo_bpm = 121
repeats = ["quarter", "eighth"]
gap_s = 10
[[song.section]]
name = "bridge"
tempo_bpm = 90

[[song]]
title = "Three"
tempo_bpm = 100
gap_s = 20
"""


@pytest.fixture
def set_file(tmp_path):
    path = tmp_path / "barn.toml"
    path.write_text(SET)
    return path


@pytest.fixture
def desk(set_file, times):
    def build():
        songs = open_set(set_file)
        state = opened(songs.setlist, songs.parts)
        last = LastOpened(unit="/u", setlist=str(set_file))
        kept, _ = SessionKeeper(state_folder(), set_file).load()
        if kept is not None:
            state = resumed(state, kept)
        opening = Opening(set_file.parent / "wren.toml", None, state, last, songs=songs)
        desk = Desk(opening, clock=times, wall_clock=times)
        desk.take_calibration(wren())
        desk.take_link(ScriptedLink(), Held())
        desk.look()
        return desk

    return build


def typed(desk, keys):
    for key in keys:
        desk.digit(key)
    desk.close()


def played(desk):
    return desk.state.part.title, desk.state.part.section


def test_one_key_goes_through_songs_and_their_sections(desk):
    desk = desk()
    seen = [played(desk)]
    for _ in range(5):
        desk.step(1)
        seen.append(played(desk))
    assert seen == [
        ("One", None),
        ("Two", None),
        ("Two", "bridge"),
        ("Three", None),
        ("Three", None),
        ("Three", None),
    ]
    assert desk.state.tempo_bpm == 100
    desk.step(-1)
    assert played(desk) == ("Two", None)
    desk.step(1)
    desk.song(1)
    assert played(desk) == ("Three", None)
    desk.song(-1)
    assert played(desk) == ("Two", None)


def test_a_knob_that_may_stay_stays_and_the_next_move_is_told(desk):
    desk = desk()
    # 121 wants 495.9 ms, within what a listener notices (2.5 %) of One's 500 ms.
    assert desk.answered.shown.next_song == "next Two, 121: leave it as it is (quarter)"
    before = desk.answered.setting.knob
    desk.step(1)
    assert desk.answered.setting.knob == before
    assert desk.answered.setting.in_time
    # The bridge at 90 wants 666.7 ms: long at 70 / 25 / 0.6667 = 4.2.
    assert desk.answered.shown.next_song == "next bridge, 90: turn down to 4.20 (quarter)"


def test_a_changed_tempo_wants_its_own_reading(desk):
    desk = desk()
    desk.step(1)
    typed(desk, "121")
    # 70 mm at 25 mm/s a reading in 495.9 ms.
    assert desk.answered.setting.knob == pytest.approx(5.64, abs=0.011)


def test_a_start_from_the_drum_machine_goes_back_to_the_first_section(desk):
    desk = desk()
    desk.song(1)
    desk.step(1)
    desk.hear([(1.0, b"\xfa")])
    assert played(desk) == ("Two", "bridge")
    desk.follow()
    desk.hear([(2.0, b"\xfa")])
    assert played(desk) == ("Two", None)


def test_a_taste_chosen_for_a_song_holds_in_its_sections(desk):
    desk = desk()
    desk.step(1)
    desk.taste()
    desk.step(1)
    assert (played(desk)[1], desk.state.taste) == ("bridge", "wobbly")
    desk.step(1)
    assert desk.state.taste == "steady"


def test_a_song_is_moved_and_skipped_for_the_show(desk):
    desk = desk()
    desk.move(1)
    assert desk.answered.shown.song.startswith("2/3 One")
    desk.step(-1)
    assert played(desk)[0] == "Two"
    desk.song(1)
    assert played(desk)[0] == "One"
    desk.skip()
    assert "skipped" in desk.answered.shown.song
    desk.song(-1)
    desk.song(1)
    assert played(desk)[0] == "Three"
    desk.undo()
    desk.undo()
    desk.undo()
    assert "skipped" not in desk.answered.shown.song


def test_part_of_a_title_finds_the_song(desk):
    desk = desk()
    assert desk.find("thr") == ((2, "Three"),)
    assert [title for _, title in desk.find("")] == ["One", "Two", "Three"]


def test_changes_are_written_back_when_asked_twice_with_comments_intact(desk, set_file):
    desk = desk()
    typed(desk, "118")
    desk.note(1)
    desk.note(1)
    desk.taste()
    desk.write()
    assert desk.message == "w again writes 1 changed song to barn.toml"
    assert set_file.read_text() == SET
    desk.write()
    assert desk.message == "written to barn.toml"
    text = set_file.read_text()
    assert "# as agreed" in text
    assert "# opener" in text
    song = read_setlist(set_file).song[0]
    assert (song.tempo_bpm, song.taste) == (118, "wobbly")
    assert song.repeats[0] == desk.state.wanted[0].name
    desk.look()
    assert desk.notice == ""
    assert (desk.state.tempo_bpm, desk.answered.shown.source) == (118, "from the song")
    desk.write()
    assert desk.message.startswith("nothing to write")


def test_the_order_of_the_show_is_written_too(desk, set_file):
    desk = desk()
    desk.move(2)
    desk.write()
    assert desk.message == "w again writes 0 changed songs and the order to barn.toml"
    desk.write()
    assert [song.title for song in read_setlist(set_file).song] == ["Two", "Three", "One"]
    assert played(desk) == ("One", None)
    assert desk.answered.shown.song.startswith("3/3 One")


def test_another_key_takes_back_the_asking(desk, set_file):
    desk = desk()
    typed(desk, "118")
    desk.write()
    desk.taste()
    desk.write()
    assert "w again writes" in desk.message
    assert set_file.read_text() == SET


def test_a_file_changed_on_disk_is_offered_and_taken_with_the_changes_kept(desk, set_file, times):
    desk = desk()
    desk.song(1)
    typed(desk, "99")
    set_file.write_text(SET.replace('"Two"', '"Two"\nnotes = "slower"'))
    times.now += 2
    desk.look()
    assert desk.notice == "barn.toml has changed on disk: e takes it as it is now"
    assert desk.state.song.notes == ""
    desk.take_file()
    assert desk.notice == ""
    assert desk.message == "barn.toml is taken as it is now; 1 change of yours stays"
    assert (desk.state.song.title, desk.state.song.notes) == ("Two", "slower")
    assert (desk.state.tempo_bpm, desk.answered.shown.source) == (99, "changed on the stage")


def test_a_file_changed_on_disk_is_never_written_over(desk, set_file, times):
    desk = desk()
    typed(desk, "118")
    changed = SET.replace("tempo_bpm = 100", "tempo_bpm = 101")
    set_file.write_text(changed)
    times.now += 2
    desk.write()
    desk.write()
    assert "has changed" in desk.message
    assert set_file.read_text() == changed


def test_a_file_that_no_longer_reads_leaves_the_set_in_hand(desk, set_file, times):
    desk = desk()
    set_file.write_text("format = 1\n[[song]]\ntitle = 3\n")
    times.now += 2
    desk.look()
    desk.take_file()
    assert str(set_file) in desk.message
    assert played(desk) == ("One", None)
    times.now += 2
    desk.look()
    assert desk.notice == ""


def test_everything_is_there_again_after_a_crash(desk):
    first = desk()
    first.step(1)
    typed(first, "97")
    first.taste()
    first.step(1)
    first.move(1)
    first.look()
    first._keeper.close()  # the disk has it; the desk itself is never told to leave
    again = desk()
    assert played(again) == ("Two", "bridge")
    assert again.state.show == first.state.show
    again.song(-1)
    again.song(1)
    assert (played(again)[0], again.state.tempo_bpm, again.state.taste) == ("Two", 97, "wobbly")


def test_what_was_played_is_logged_and_what_was_passed_is_not(desk, times):
    desk = desk()
    desk.step(1)
    times.now += PLAYED_S + 1
    desk.step(1)
    times.now += 2
    desk.step(1)
    lines, damage = read_used(used_file(state_folder()))
    assert damage == ""
    assert [(used.title, used.section, used.note, used.head) for used in lines] == [
        ("Two", None, "quarter", "long")
    ]


def test_a_rehearsal_counts_down_the_gap_and_tells_the_move(desk, times):
    desk = desk()
    desk.rehearse()
    assert desk.answered.shown.choices == (
        "REHEARSAL: 0:30 left, g begins; now head long, knob to 5.60, y when done"
    )
    times.now += 10
    desk.hand_ready()
    desk.look()
    assert desk.answered.shown.choices.startswith("REHEARSAL: 0:20 left, g begins")
    times.now += 5
    desk.go()
    assert "playing 0:00" in desk.answered.shown.choices
    times.now += 65
    desk.look()
    assert "playing 1:05" in desk.answered.shown.choices
    desk.go()
    assert played(desk) == ("Two", None)
    times.now += 12
    desk.look()
    assert desk.answered.shown.choices.startswith("REHEARSAL: 0:02 LATE, g begins")
    desk.go()
    desk.go()
    assert played(desk) == ("Two", "bridge")
    desk.go()
    assert played(desk) == ("Three", None)
    desk.rehearse()
    assert desk.message.startswith("rehearsal over: ")
    assert "REHEARSAL" not in desk.answered.shown.choices
    lines, _ = read_used(used_file(state_folder()))
    assert [(used.title, used.section, used.gap_used_s) for used in lines] == [
        ("One", None, None),  # the time before the first song is no gap
        ("Two", None, 12.0),
        ("Two", "bridge", None),
    ]


def test_a_hand_too_slow_is_told_with_the_worst_of_it(desk, times):
    desk = desk()
    desk.rehearse()
    times.now += 45
    desk.hand_ready()
    desk.go()
    desk.go()
    desk.rehearse()
    assert desk.message == (
        "rehearsal over: too slow for 1 of 1 move, worst before One: 45 s of 30"
    )


def test_the_next_plan_starts_from_the_gap_that_was_used(desk, times):
    first = desk()
    first.rehearse()
    times.now += 3
    first.go()
    times.now += 60
    first.go()
    times.now += 4
    first.go()
    times.now += 60
    first.go()
    again = desk()
    assert again._plan[1].gap_s == 4.0


def test_rehearsal_keys_without_one_are_told(desk):
    desk = desk()
    desk.go()
    assert desk.message == "G begins a rehearsal"
    desk.hand_ready()


def test_without_a_set_nothing_of_a_set_is_done(times, tmp_path):
    opening = Opening(tmp_path / "wren.toml", None, opened(None), LastOpened())
    desk = Desk(opening, clock=times, wall_clock=times)
    desk.take_calibration(wren())
    desk.step(1)
    desk.song(1)
    desk.move(1)
    desk.skip()
    desk.write()
    assert desk.message == "there is no set file to write to"
    desk.take_file()
    assert desk.message == "no set is open"
    desk.as_written()
    assert desk.message == "no set is open"
    desk.rehearse()
    assert desk.message == "there is no set to rehearse"
    assert desk.find("x") == ()


def test_a_rehearsal_tells_the_time_to_the_next_move_once_lengths_are_known(desk, times):
    first = desk()
    first.rehearse()
    for _ in range(2):
        first.go()
        times.now += 60
        first.go()
        times.now += 5
    first.rehearse()
    again = desk()
    again.rehearse()
    again.hand_ready()
    again.go()
    times.now += 10
    again.look()
    # One lasts 50 s more; Two needs no move; its bridge, 10 s of gap and 60 s of Two later, does.
    assert "next move in 2:00" in again.answered.shown.choices


def test_a_rehearsal_ends_with_the_song_that_was_playing_counted_and_logged(desk, times):
    desk = desk()
    desk.rehearse()
    desk.hand_ready()
    desk.go()
    times.now += 90
    desk.rehearse()
    assert desk.message == "rehearsal over: the hand had the time for the one move"
    lines, _ = read_used(used_file(state_folder()))
    assert [(used.title, used.length_s) for used in lines] == [("One", 90.0)]


def test_another_order_or_another_file_ends_the_rehearsal(desk, set_file):
    desk = desk()
    desk.rehearse()
    desk.skip()
    assert desk.message == "the rehearsal ended: the order changed"
    desk.rehearse()
    set_file.write_text(SET.replace('title = "Three"', 'title = "Last"'))
    desk.take_file()
    assert "REHEARSAL" not in desk.answered.shown.choices


def test_with_every_song_skipped_there_is_nothing_to_rehearse(desk):
    desk = desk()
    for place in range(3):
        desk.to_song(place)
        desk.skip()
    desk.rehearse()
    assert desk.message == "there is no set to rehearse"


def test_undoing_a_skip_plans_the_song_again(desk):
    desk = desk()
    desk.skip()
    desk.undo()
    assert any(row.startswith("> One") and "long 5.60" in row for row in desk.answered.shown.songs)


def test_a_change_of_tempo_leaves_what_was_written_at_home_alone(desk, set_file, times):
    desk = desk()
    typed(desk, "118")
    set_file.write_text(SET.replace("gap_s = 30", 'gap_s = 30\ntaste = "wobbly"\nhead = "short"'))
    times.now += 2
    desk.look()
    desk.take_file()
    assert (desk.state.tempo_bpm, desk.state.taste, desk.state.head) == (118, "wobbly", "short")
    desk.write()
    desk.write()
    song = read_setlist(set_file).song[0]
    assert (song.tempo_bpm, song.taste, song.head) == (118, "wobbly", "short")


def test_a_section_is_written_too_and_what_the_file_cannot_hold_stays(desk, set_file):
    desk = desk()
    typed(desk, "118")
    desk.step(1)
    desk.step(1)
    typed(desk, "85")
    desk.taste()
    desk.write()
    assert desk.message == "w again writes 2 changed songs to barn.toml"
    desk.write()
    one, two, _ = read_setlist(set_file).song
    assert (one.tempo_bpm, two.tempo_bpm, two.section[0].tempo_bpm) == (118, 121, 85)
    # A section has no taste of its own in the file.
    assert (played(desk), desk.state.taste) == (("Two", "bridge"), "wobbly")
    assert (desk.state.tempo_bpm, desk.answered.shown.source) == (85, "from the song")


def test_an_insistence_on_a_head_can_be_taken_out_of_the_file(desk, set_file):
    set_file.write_text(SET.replace("gap_s = 30", 'gap_s = 30\nhead = "long"'))
    desk = desk()
    assert desk.state.head == "long"
    desk.head()
    assert desk.state.head is None
    desk.write()
    desk.write()
    assert read_setlist(set_file).song[0].head is None


def test_songs_of_one_title_keep_their_places_when_the_order_is_written(desk, set_file):
    text = SET.replace('title = "Three"', 'title = "One"').replace(
        "tempo_bpm = 100", "tempo_bpm = 111"
    )
    set_file.write_text(text)
    desk = desk()
    desk.to_song(2)
    desk.move(-2)
    desk.write()
    desk.write()
    assert [song.tempo_bpm for song in read_setlist(set_file).song] == [111, 120, 121]
    assert (desk.state.tempo_bpm, desk.state.show.order) == (111, (0, 1, 2))
    desk.write()
    assert desk.message.startswith("nothing to write")


def test_changes_of_what_is_gone_are_told(desk, set_file, times):
    desk = desk()
    desk.song(1)
    desk.step(1)
    typed(desk, "85")
    set_file.write_text(SET.replace('[[song.section]]\nname = "bridge"\ntempo_bpm = 90\n', ""))
    times.now += 2
    desk.look()
    desk.take_file()
    assert desk.message == "barn.toml is taken as it is now; 1 change of what is gone dropped"


def test_another_unit_in_the_file_is_told(desk, set_file, times):
    desk = desk()
    set_file.write_text(SET.replace('name = "Barn"', 'name = "Barn"\nunit = "other.toml"'))
    times.now += 2
    desk.look()
    desk.take_file()
    assert desk.message.endswith("its unit changed too: start again to use that")


def test_the_demo_set_is_never_written(times):
    songs = open_set(DEMO_SET)
    state = opened(songs.setlist, songs.parts)
    opening = Opening(DEMO_UNIT, None, state, LastOpened(), songs=songs)
    desk = Desk(opening, clock=times, wall_clock=times)
    desk.take_calibration(wren())
    typed(desk, "99")
    desk.write()
    assert desk.message == "the demo is left as it is: copy the set and open the copy"


def test_a_kept_insistence_on_a_head_that_is_gone_opens_all_the_same(desk):
    first = desk()
    first.head()
    first.look()
    first._keeper.close()
    again = desk()
    unit = plain_unit(heads={"near": 28.0, "far": 70.0})
    again.take_calibration(
        plain_calibration(unit, lambda k: 25.0 * max(k, 0.01), measured=(1.0, 10.0))
    )
    assert again.state.head is None
    assert again.answered.setting.head in {"near", "far"}


def test_a_folder_that_cannot_be_written_is_told_for_as_long_as_it_is_so(desk, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", "/dev/null/x")
    desk = desk()
    typed(desk, "99")
    desk.look()
    desk._keeper.close()
    assert desk.notice == "nothing can be kept for next time: the state folder cannot be written"


def test_a_number_that_is_no_tempo_leaves_no_change_behind(desk):
    desk = desk()
    typed(desk, "1200")
    assert "expected beats a minute" in desk.message
    assert (desk.state.tempo_bpm, desk.state.edits) == (120, {})


def test_a_long_title_never_hides_what_the_hand_must_do(desk, set_file):
    set_file.write_text(SET.replace('title = "Two"', f'title = "{"Two and more " * 20}"'))
    desk = desk()
    told = desk.answered.shown.next_song
    assert len(told) <= 80
    assert "leave it as it is" in told


def test_a_skipped_song_is_marked_in_the_list(desk):
    desk = desk()
    desk.skip()
    desk.step(1)
    assert [row[:5] for row in desk.answered.shown.songs[:2]] == ["- One", "> Two"]


@pytest.fixture(scope="module")
def kestrel():
    return load_calibration(DEMO_UNIT)


@pytest.fixture
def demo(times, kestrel):
    """The demo set on the demo's own unit."""

    def build():
        songs = open_set(DEMO_SET)
        state = opened(songs.setlist, songs.parts)
        kept, _ = SessionKeeper(state_folder(), DEMO_SET).load()
        if kept is not None:
            state = resumed(state, kept)
        desk = Desk(
            Opening(DEMO_UNIT, None, state, LastOpened(), songs=songs),
            clock=times,
            wall_clock=times,
        )
        desk.take_calibration(kestrel)
        desk.take_link(ScriptedLink(), Held())
        desk.look()
        return desk

    return build


def answer(desk):
    setting = desk.answered.setting
    return setting.note, setting.head, setting.knob


def test_undo_back_into_a_song_shows_the_answer_it_had(demo):
    desk = demo()
    before = desk.answered
    typed(desk, "80")
    desk.step(1)
    desk.undo()
    desk.undo()
    assert desk.state.tempo_bpm == 96
    assert desk.answered.setting == before.setting
    # An eighth at 96 lasts 312.5 ms, a dotted eighth 468.75 ms.
    setting = desk.answered.setting
    assert abs(setting.delay_ms - setting.target_ms) <= 0.025 * setting.target_ms


def test_undo_of_a_taste_shows_answer_and_next_move_as_before(demo):
    desk = demo()
    desk.song(1)
    before = desk.answered.shown
    desk.taste()
    assert desk.answered.shown != before
    desk.step(1)
    desk.undo()
    desk.undo()
    assert desk.answered.shown == before


def test_a_taste_chosen_for_a_song_counts_in_the_move_told_for_its_section(demo):
    desk = demo()
    desk.song(1)
    desk.taste()
    told = desk.answered.shown.next_song
    desk.step(1)
    assert desk.state.taste == "wobbly"
    note, head, _ = answer(desk)
    setting = desk.answered.setting
    assert told.startswith("next last chorus, 128: ")
    assert setting.knob_text in told or "leave" in told
    assert told.endswith(f"({note})")
    assert ("switch to" in told) == (head != desk.state.hand[0])


def test_a_planned_reading_is_not_shown_for_another_tempo_than_its_own(demo):
    desk = demo()
    plan = dict(desk._plan)
    edited = at_part(desk.state, 0, None)
    typed_state = msgspec.structs.replace(edited, tempo_bpm=80.0, as_planned=True)
    setting = answered(typed_state, desk.calibration, None, plan=plan).setting
    assert abs(setting.delay_ms - setting.target_ms) <= 0.025 * setting.target_ms
    assert setting.target_ms in {60_000 / 80 * share for share in (0.5, 0.75, 1.0)}


def test_a_planned_reading_gives_way_where_the_tape_has_drifted_off_it(demo):
    desk = demo()
    plan = dict(desk._plan)
    # 10 % slower is far beyond the 2.5 % that a listener notices.
    slower = Trim(log_scale=0.1, error=0.004, at_unix_s=1000.0, count=1)
    drifted = apply_trim(desk.fitted, slower, 1000.0)
    setting = answered(desk.state, drifted, None, plan=plan).setting
    given_ms = drifted.curve.delay_ms(setting.head, setting.knob)
    assert given_ms == pytest.approx(setting.target_ms)


def test_a_way_once_chosen_stays_with_its_song(demo):
    desk = demo()
    best = answer(desk)[:2]
    desk.way(1)
    chosen = answer(desk)[:2]
    assert chosen != best
    desk.step(1)
    assert desk.state.way is None
    desk.step(-1)
    assert answer(desk)[:2] == chosen
    typed(desk, "97")
    assert answer(desk)[:2] == chosen
    desk.look()
    desk._keeper.close()  # the disk has it; the desk itself is never told to leave
    assert answer(demo())[:2] == chosen
    desk.undo()
    desk.undo()
    desk.undo()
    desk.undo()
    assert answer(desk)[:2] == best


def test_a_way_stays_while_the_clock_that_is_followed_moves(demo):
    desk = demo()
    desk.choose_input("Beatbox")
    desk._link.clock("locked", 96.0)
    desk.look()
    desk.way(1)
    chosen = answer(desk)
    desk._link.clock("locked", 96.4)
    desk.look()
    assert answer(desk)[:2] == chosen[:2]
    assert answer(desk)[2] != chosen[2]


def test_ways_are_counted_from_the_planned_setting(demo):
    desk = demo()
    desk.to_song(3)
    ranked = [(one.note, one.head) for one in desk.answered.settings]
    at = ranked.index(answer(desk)[:2])
    assert at == 1  # the plan took the second best
    desk.way(1)
    assert answer(desk)[:2] == ranked[2]
    desk.way(-1)
    desk.way(-1)
    assert answer(desk)[:2] == ranked[0]


def test_the_plan_goes_the_way_that_was_chosen(demo):
    desk = demo()
    desk.way(1)
    note, head, _ = answer(desk)
    assert (desk._plan[0].note, desk._plan[0].head) == (note, head)
    typed(desk, "30")  # out of reach that way
    assert desk._plan[0].knob is not None


@pytest.mark.parametrize("place", range(5))
def test_the_tape_that_leads_leaves_the_answer_as_it_is(demo, place):
    desk = demo()
    desk.to_song(place)
    before, shown = answer(desk), desk.answered.shown
    desk.lead()
    assert desk.state.source == "tape"
    assert answer(desk) == before
    assert (desk.answered.shown.head, desk.answered.shown.figure) == (shown.head, shown.figure)
    setting = desk.answered.setting
    assert setting.delay_ms == pytest.approx(setting.target_ms)


def test_where_the_tape_leads_stays_so_in_other_songs_and_after_a_restart(demo):
    desk = demo()
    desk.to_song(3)
    before = answer(desk)
    desk.lead()
    desk.step(1)
    desk.step(-1)
    assert answer(desk) == before
    desk.look()
    desk._keeper.close()
    assert answer(demo()) == before


def test_a_song_too_slow_is_led_a_hands_step_off_the_unstable_stretch(demo):
    desk = demo()
    typed(desk, "20")
    assert desk.answered.setting.knob is None
    desk.lead()
    setting = desk.answered.setting
    assert desk.calibration.zone_at(float(setting.knob_text) - 0.049) == "wobbly"


def test_repeats_tapped_and_led_by_leave_the_knob_where_it_stands(demo, times):
    desk = demo()
    assert desk.answered.shown.figure == "5.55"
    for _ in range(8):
        desk.repeats()
        times.now += 0.496
    desk.lead()
    assert desk.answered.shown.figure == "5.55"
    # Three quarters of a beat in 496 ms.
    assert desk.state.tempo_bpm == pytest.approx(45_000 / 496, rel=1e-3)


def test_changes_that_stay_when_the_file_is_taken_are_counted(desk, set_file, times):
    desk = desk()
    typed(desk, "99")
    desk.taste()
    desk.song(1)
    desk.way(1)
    set_file.write_text(SET.replace('"Two"', '"Two"\nnotes = "slower"'))
    times.now += 2
    desk.look()
    desk.take_file()
    assert desk.message == "barn.toml is taken as it is now; 3 changes of yours stay"


def test_undo_with_nothing_to_undo_says_so_and_what_helps(desk):
    first = desk()
    first.undo()
    assert first.message == "nothing to undo"
    typed(first, "99")
    first.look()
    first._keeper.close()
    again = desk()
    assert again.state.tempo_bpm == 99
    again.undo()
    assert again.message == "nothing to undo; a sets this song as it is written"
    again.as_written()
    assert (again.state.tempo_bpm, again.state.edits) == (120, {})
    again.undo()
    assert again.state.tempo_bpm == 99


def test_a_song_as_written_leaves_no_change_of_it_and_others_alone(desk):
    desk = desk()
    typed(desk, "99")
    desk.song(1)
    typed(desk, "98")
    desk.taste()
    desk.step(1)
    typed(desk, "97")
    desk.way(1)
    desk.as_written()
    assert desk.message == "this song is as it is written: u brings your changes back"
    assert played(desk) == ("Two", "bridge")
    assert (desk.state.tempo_bpm, desk.state.taste, list(desk.state.edits)) == (90, "steady", [0])
    desk.as_written()
    assert desk.message == "this song is as it is written"
    desk.undo()
    assert (desk.state.tempo_bpm, desk.state.taste, len(desk.state.edits)) == (97, "wobbly", 3)
    desk.undo()
    desk.step(-1)
    assert desk.state.tempo_bpm == 98


def test_a_tape_that_leads_a_song_leads_no_more_once_it_is_as_written(desk):
    desk = desk()
    desk.lead()
    desk.as_written()
    assert desk._link.sent[-1] is None
    assert (desk.state.leading_bpm, desk.answered.shown.source) == (None, "from the song")
    desk.undo()
    assert desk._link.sent[-1] == pytest.approx(120)


def test_a_lead_come_back_to_ends_with_the_song_as_written_too(desk):
    desk = desk()
    desk.lead()
    desk.song(1)
    desk.song(-1)
    desk.as_written()
    assert (desk.state.leading_bpm, desk._link.sent[-1]) == (None, None)


def test_a_file_taken_again_unchanged_keeps_its_plan(desk, set_file):
    desk = desk()
    planned = desk.answered.setting
    set_file.write_text(SET.replace("# as agreed", "# as we agreed"))
    desk.take_file()
    assert desk._plan is not None
    assert desk.answered.setting == planned


def test_a_tempo_of_the_clock_gives_way_to_the_one_written(desk):
    desk = desk()
    desk.choose_input("Beatbox")
    desk._link.clock("locked", 101.0)
    desk.look()
    desk.as_written()
    desk.look()
    assert desk.state.tempo_bpm == 101
    desk.follow()
    desk._link.clock("waiting", None)
    desk.look()
    desk.as_written()
    assert (desk.state.tempo_bpm, desk.state.following) == (120, False)


def test_a_planned_setting_that_is_not_the_best_by_itself_says_why(demo):
    desk = demo()
    assert not any("plan" in line for line in desk.answered.shown.warning)
    desk.to_song(3)
    best = desk.answered.settings[0]
    assert answer(desk)[:2] != (best.note, best.head)
    assert desk.answered.shown.answer.endswith(
        f"way 2 of {sum(s.reachable for s in desk.answered.settings)}"
    )
    told = f"the plan's choice for less turning; way 1 is {best.note} on head {best.head}"
    assert desk.answered.shown.warning == (told,)
    desk.way(-1)
    assert "plan" not in desk.answered.shown.warning[0]


def test_less_turning_is_told_where_the_plan_turns_less_than_by_the_best_ways(demo):
    desk = demo()
    planned, alone = [], []
    for place in range(5):
        desk.to_song(place)
        planned.append(answer(desk)[1:])
        best = desk.answered.settings[0]
        alone.append((best.head, best.knob))

    def turned(readings):
        return sum(abs(one[1] - next_one[1]) for one, next_one in itertools.pairwise(readings))

    assert turned(planned) < turned(alone)


def test_what_a_planned_setting_has_over_the_best_is_told_by_what_it_costs():
    wish = Wish(96.0, repeats=(NOTE_VALUES["quarter"], NOTE_VALUES["eighth"]))
    first, second = advise(wren(), msgspec.structs.replace(wish, tempo_bpm=120.0)).settings[:2]
    assert (first.note, second.note) == ("quarter", "eighth")
    assert gain_over(wish, second, first) == "less turning"
    loose = msgspec.structs.replace(first, error_ms=5 * noticeable_ms(first.target_ms))
    assert gain_over(wish, second, loose) == "surer timing"
    wobbly = msgspec.structs.replace(first, zone="wobbly", error_ms=0.0)
    assert gain_over(wish, second, wobbly) == "the song's wishes"
