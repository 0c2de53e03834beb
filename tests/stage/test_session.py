"""Where the player stood, kept and found again, also where the set has changed meanwhile."""

from pathlib import Path

import msgspec
import pytest

from tempotape.songs.setlist import Section, Setlist, Song
from tempotape.stage import state as stage_state
from tempotape.stage.session import Session, SessionKeeper, resumed, session_of
from tempotape.stage.state import Edit, Way
from tempotape.tempo.notes import NOTE_VALUES

SET = Path("/somewhere/set.toml")
SONGS = Setlist(
    format=1,
    name="S",
    song=(
        Song("A", 100),
        Song("B", 90, section=(Section("bridge", 80),)),
        Song("A", 70),
        Song("D"),
    ),
)


def kept(state):
    return msgspec.json.decode(msgspec.json.encode(session_of(state)), type=Session)


def at_song(state, song_at, hand):
    return stage_state.at_part(state, state.first_part(song_at), hand)


def with_songs(*places):
    return msgspec.structs.replace(SONGS, song=tuple(SONGS.song[place] for place in places))


def test_a_session_comes_back_as_it_was():
    state = stage_state.at_part(stage_state.opened(SONGS), 2, None)
    for key in "85":
        state = stage_state.type_tempo(state, key)
    state = stage_state.step_note(stage_state.close_typing(state), 2)
    state = stage_state.skip_song(stage_state.move_song(state, 1))
    back = resumed(stage_state.opened(SONGS), kept(state))
    assert (back.part_at, back.tempo_bpm, back.note, back.show, back.edits) == (
        state.part_at,
        85,
        state.note,
        state.show,
        state.edits,
    )
    assert back.source == "changed"


def test_songs_of_one_title_keep_their_own_changes():
    state = at_song(stage_state.opened(SONGS), 2, None)
    state = stage_state.step_taste(state)
    back = resumed(stage_state.opened(with_songs(1, 0, 2)), kept(state))
    assert (back.song.tempo_bpm, back.taste) == (70, "wobbly")
    assert at_song(back, 1, None).taste == "steady"


def test_a_song_that_is_gone_gives_way_to_the_next_one():
    state = stage_state.at_part(stage_state.opened(SONGS), 2, None)
    back = resumed(stage_state.opened(with_songs(0, 3)), kept(state))
    assert back.song.title in {"A", "D"}
    assert back.edits == {}


def test_a_section_that_is_gone_gives_way_to_its_song():
    state = stage_state.at_part(stage_state.opened(SONGS), 2, None)
    plain = msgspec.structs.replace(SONGS, song=(SONGS.song[0], Song("B", 90), *SONGS.song[2:]))
    back = resumed(stage_state.opened(plain), kept(state))
    assert (back.song.title, back.tempo_bpm) == ("B", 90)


@pytest.mark.parametrize(("source", "back"), [("tapped", "typed"), ("clock", "clock")])
def test_a_tempo_without_a_set_is_kept(source, back):
    state = msgspec.structs.replace(stage_state.opened(None), tempo_bpm=111.0, source=source)
    again = resumed(stage_state.opened(None), kept(state))
    assert (again.tempo_bpm, again.source) == (111.0, back)


def test_a_clock_that_was_followed_is_followed_again_with_its_last_tempo():
    state = stage_state.with_clock(stage_state.follow(stage_state.opened(SONGS), on=True), 123.0)
    again = resumed(stage_state.opened(SONGS), kept(state))
    assert (again.following, again.tempo_bpm, again.source) == (True, 123.0, "clock")


def test_half_tempo_of_a_clock_is_kept_for_its_song():
    state = stage_state.with_clock(stage_state.follow(stage_state.opened(SONGS), on=True), 160.0)
    state = stage_state.times(state, 0.5)
    again = resumed(stage_state.opened(SONGS), kept(state))
    assert again.factor == 0.5
    assert at_song(again, 3, None).factor == 1.0


@pytest.mark.parametrize(
    "session",
    [
        Session(titles=("A",), order=(5, -1), skipped=(9,), song_at=40, section_at=-3),
        Session(titles=(), song_at=-1),
        Session(titles=("A", "B"), song_at=1, section_at=77, source="clock"),
    ],
)
def test_a_session_that_makes_no_sense_still_opens(session):
    back = resumed(stage_state.opened(SONGS), session)
    assert sorted(back.show.order) == [0, 1, 2, 3]
    assert back.part is not None


def test_an_unknown_note_value_is_left_out():
    state = stage_state.step_note(stage_state.opened(SONGS), 1)
    session = kept(state)
    odd = msgspec.structs.replace(session.edits[0], note="seventh", nth=0)
    back = resumed(stage_state.opened(SONGS), msgspec.structs.replace(session, edits=(odd,)))
    assert back.note is None
    assert state.note == NOTE_VALUES["quarter"]


def test_the_newest_session_is_on_disk_when_closed(tmp_path):
    keeper = SessionKeeper(tmp_path, SET)
    for song_at in range(200):
        keeper.keep(Session(song_at=song_at))
    keeper.close()
    assert SessionKeeper(tmp_path, SET).load() == (Session(song_at=199), "")


def test_a_folder_that_cannot_be_written_is_no_reason_to_stop(tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    keeper = SessionKeeper(place, SET)
    keeper.keep(Session(song_at=1))
    keeper.close()
    assert SessionKeeper(place, SET).load()[0] is None


def test_each_set_has_a_session_of_its_own(tmp_path):
    keepers = [SessionKeeper(tmp_path, Path(name)) for name in ("/a.toml", "/b.toml")]
    for song_at, keeper in enumerate(keepers, 1):
        keeper.keep(Session(song_at=song_at))
        keeper.close()
    kept = [SessionKeeper(tmp_path, Path(name)).load()[0] for name in ("/a.toml", "/b.toml")]
    assert kept == [Session(song_at=1), Session(song_at=2)]


def test_a_keeper_that_cannot_write_says_so(tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    keeper = SessionKeeper(place, SET)
    assert not keeper.failed
    keeper.keep(Session(song_at=1))
    keeper.close()
    assert keeper.failed


def test_without_a_set_note_taste_and_head_are_kept():
    state = stage_state.step_taste(stage_state.step_note(stage_state.opened(None), 1))
    back = resumed(stage_state.opened(None), kept(state))
    assert (back.note, back.taste, back.head) == (state.note, "wobbly", None)


def test_a_renamed_song_keeps_its_place_and_its_changes():
    state = at_song(stage_state.opened(SONGS), 3, None)
    for key in "85":
        state = stage_state.type_tempo(state, key)
    renamed = msgspec.structs.replace(SONGS, song=(*SONGS.song[:3], Song("Dee")))
    back = resumed(stage_state.opened(renamed), kept(state))
    assert (back.song.title, back.tempo_bpm) == ("Dee", 85)


def test_a_section_is_known_by_its_name():
    state = stage_state.at_part(stage_state.opened(SONGS), 2, None)
    for key in "85":
        state = stage_state.type_tempo(state, key)
    sections = (Section("verse", 91), Section("bridge", 80))
    longer = msgspec.structs.replace(
        SONGS, song=(SONGS.song[0], Song("B", 90, section=sections), *SONGS.song[2:])
    )
    back = resumed(stage_state.opened(longer), kept(state))
    assert {back.parts[at].section: edit.tempo_bpm for at, edit in back.edits.items()} == {
        "bridge": 85
    }


def test_the_way_chosen_is_kept_for_its_song_and_without_a_set_too():
    way = Way("quarter", "long", 5.55)
    state = msgspec.structs.replace(at_song(stage_state.opened(SONGS), 1, None), way=way)
    edits = {state.part_at: Edit(way=way)}
    back = resumed(stage_state.opened(SONGS), kept(msgspec.structs.replace(state, edits=edits)))
    assert (back.way, back.edits) == (way, edits)
    assert at_song(back, 0, None).way is None
    alone = msgspec.structs.replace(stage_state.opened(None), way=way)
    assert resumed(stage_state.opened(None), kept(alone)).way == way


def test_what_was_kept_before_ways_were_still_opens():
    state = stage_state.step_taste(at_song(stage_state.opened(SONGS), 1, None))
    old = msgspec.json.decode(msgspec.json.encode(session_of(state)))
    del old["way"]
    for edit in old["edits"]:
        del edit["way"]
    back = resumed(stage_state.opened(SONGS), msgspec.convert(old, Session))
    assert (back.song.title, back.taste, back.way) == ("B", "wobbly", None)
