"""What each key changes, without a screen."""

import msgspec
import pytest

from tempotape.advice.advise import advise
from tempotape.songs.setlist import Setlist, Song
from tempotape.stage import state as stage_state
from tempotape.stage.state import StageState, Way
from tests.stage.conftest import wren

SONGS = Setlist(
    format=1,
    name="Set",
    song=(
        Song(title="One", tempo_bpm=96.0, repeats=("dotted eighth", "quarter")),
        Song(title="Two", tempo_bpm=60.0, beat="dotted quarter", taste="wobbly", head="long"),
        Song(title="Three"),
    ),
)


def at_song(state, song_at, hand, **more):
    """The state on arriving at the beginning of a song."""
    return stage_state.at_part(state, state.first_part(song_at), hand, **more)


def typed(state, keys):
    for key in keys:
        state = stage_state.type_tempo(state, key)
    return state


def test_digits_are_a_tempo_as_soon_as_they_can_be():
    state = StageState()
    tempi = []
    for key in "126.5":
        state = stage_state.type_tempo(state, key)
        tempi.append(state.tempo_bpm)
    assert tempi == [None, None, 126, 126, 126.5]
    assert state.source == "typed"
    assert stage_state.close_typing(state).typing == ""


def test_a_new_number_begins_after_the_old_one_is_closed():
    state = stage_state.close_typing(typed(StageState(), "96"))
    assert typed(state, "120").tempo_bpm == 120


def test_an_erased_digit_gives_the_tempo_of_what_is_left():
    state = typed(StageState(), "1204")
    assert state.tempo_bpm == 120
    assert stage_state.erase(state).typing == "120"
    assert stage_state.erase(StageState()) == StageState()


def test_a_number_that_is_no_tempo_keeps_the_old_one_and_says_why():
    state = typed(stage_state.opened(SONGS), "7")
    assert state.tempo_bpm == 96
    assert stage_state.typing_fault(state) == (
        "tempo is 7; expected beats a minute from 20 to 400, as 96 or 96.5"
    )
    assert stage_state.typing_fault(typed(StageState(), "96")) == ""


def test_typing_has_an_end():
    assert typed(StageState(), "1234567890").typing == "123456"


def test_a_song_brings_its_tempo_taste_and_head():
    state = at_song(stage_state.opened(SONGS), 1, ("short", 4.0))
    assert (state.tempo_bpm, state.source, state.taste, state.head) == (
        60,
        "song",
        "wobbly",
        "long",
    )
    assert (state.way, state.hand) == (None, ("short", 4.0))
    # A dotted-quarter beat of 60 is a quarter of 90.
    assert state.wish.quarter_bpm == 90
    assert state.parts[state.next_part_at].title == "Three"


def test_a_song_without_tempo_waits_for_one():
    state = at_song(stage_state.opened(SONGS), 2, None)
    assert (state.tempo_bpm, state.source, state.wish) == (None, "none", None)
    assert state.next_part_at is None


@pytest.mark.parametrize("part_at", [-1, 3])
def test_there_is_no_song_beyond_the_ends(part_at):
    state = at_song(stage_state.opened(SONGS), 1, None)
    assert stage_state.at_part(state, part_at, None) == state


def test_without_a_set_there_are_no_songs():
    assert stage_state.at_part(StageState(), 1, None) == StageState()
    assert StageState().song is None
    assert StageState().next_part_at is None


def test_the_clock_rules_only_while_followed():
    state = StageState(tempo_bpm=96.0, source="typed")
    assert stage_state.with_clock(state, 120.0) == state
    followed = stage_state.with_clock(stage_state.follow(state, on=True), 120.0)
    assert (followed.tempo_bpm, followed.source) == (120, "clock")
    assert stage_state.with_clock(followed, 120.0) is followed
    left = stage_state.follow(followed, on=False)
    assert (left.tempo_bpm, left.following) == (120, False)


def test_the_clock_counts_quarters_and_the_song_its_own_beat():
    # MIDI 1.0: 24 clocks a quarter note. A quarter of 90 is a dotted-quarter beat of 60.
    state = at_song(stage_state.opened(SONGS), 1, None)
    state = stage_state.with_clock(stage_state.follow(state, on=True), 90.0)
    assert state.tempo_bpm == pytest.approx(60)
    assert state.wish.quarter_bpm == pytest.approx(90)


def test_a_clock_that_speaks_goes_on_into_the_next_song_and_a_silent_one_does_not():
    state = stage_state.opened(SONGS)
    state = stage_state.with_clock(stage_state.follow(state, on=True), 118.0)
    assert at_song(state, 1, None, clock_gives=True).tempo_bpm == 118
    silent = at_song(state, 1, None)
    assert (silent.tempo_bpm, silent.source, silent.following) == (60, "song", True)


def test_a_clock_beyond_any_tempo_is_not_taken():
    state = at_song(stage_state.opened(SONGS), 0, None)
    doubled = stage_state.times(
        stage_state.with_clock(stage_state.follow(state, on=True), 150.0), 2
    )
    assert doubled.tempo_bpm == 300
    assert stage_state.with_clock(doubled, 250.0) is doubled


def test_following_ends_leading():
    led = stage_state.lead(stage_state.opened(SONGS), 96.0, Way("quarter", "long"), None)
    assert stage_state.follow(led, on=True).leading_bpm is None
    assert stage_state.follow(led, on=False).leading_bpm == 96


def test_only_what_was_changed_is_an_edit():
    state = typed(stage_state.opened(SONGS), "100")
    assert state.edits == {0: stage_state.Edit(tempo_bpm=100.0)}
    state = stage_state.step_head(state, ("short", "long"))
    assert state.edits == {0: stage_state.Edit(tempo_bpm=100.0, head="short", head_chosen=True)}


def test_an_insistence_on_a_head_the_unit_lacks_is_let_go():
    state = stage_state.step_head(stage_state.opened(SONGS), ("short", "long"))
    gone = stage_state.without_heads(state, ("near", "far"))
    assert (gone.head, gone.edits) == (None, {0: stage_state.Edit()})
    assert stage_state.without_heads(state, ("short", "long")) is state


def test_typing_leaves_the_clock():
    state = stage_state.with_clock(stage_state.follow(StageState(), on=True), 118.0)
    state = typed(state, "96")
    assert (state.following, state.tempo_bpm) == (False, 96)


def test_note_values_go_round_from_the_songs_own():
    state = stage_state.opened(SONGS)
    names = []
    for _ in range(9):
        state = stage_state.step_note(state, 1)
        names.append(state.note and state.note.name)
    assert names == [
        "dotted eighth", "quarter", "half", "dotted quarter", "quarter triplet", "eighth",
        "eighth triplet", "sixteenth", None,
    ]  # fmt: skip
    assert stage_state.step_note(state, -1).note.name == "sixteenth"
    chosen = stage_state.step_note(state, 1)
    assert [note.name for note in chosen.wish.repeats] == ["dotted eighth"]


def test_tastes_and_heads_go_round():
    state = StageState()
    tastes = []
    for _ in range(3):
        state = stage_state.step_taste(state)
        tastes.append(state.taste)
    assert tastes == ["wobbly", "either", "steady"]
    heads = []
    for _ in range(3):
        state = stage_state.step_head(state, ("short", "long"))
        heads.append(state.head)
    assert heads == ["short", "long", None]
    assert stage_state.step_head(StageState(head="gone"), ("short",)).head is None


def test_ways_stay_within_what_can_be_reached():
    state = StageState(tempo_bpm=120.0)
    settings = advise(wren(), state.wish).settings
    reachable = [Way(one.note, one.head) for one in settings if one.reachable]
    assert len(reachable) == 5 < len(settings)
    seen = []
    for step in (1, 1, 1, 1, 1, -1, -1, -1, -1, -1):
        shown = settings[reachable.index(state.way) if state.way else 0]
        state = stage_state.step_way(state, step, settings, shown)
        seen.append(reachable.index(state.way))
    assert seen == [1, 2, 3, 4, 4, 3, 2, 1, 0, 0]


def test_there_is_no_other_way_from_the_best_upwards_or_from_nowhere():
    state = StageState(tempo_bpm=120.0)
    settings = advise(wren(), state.wish).settings
    assert stage_state.step_way(state, -1, settings, settings[0]) is state
    assert stage_state.step_way(state, 1, settings, settings[-1]) is state
    assert stage_state.step_way(state, 1, (), None) is state


def test_a_new_tempo_keeps_the_way_and_new_wishes_do_not():
    way = Way("quarter", "short", 2.2)
    state = msgspec.structs.replace(StageState(tempo_bpm=120.0), way=way)
    kept = Way("quarter", "short")
    assert typed(state, "121").way == kept
    assert stage_state.times(state, 2.0).way == kept
    followed = stage_state.follow(state, on=True)
    assert stage_state.with_clock(followed, 121.0).way == kept
    assert stage_state.step_taste(state).way is None
    assert stage_state.step_note(state, 1).way is None
    assert stage_state.step_head(state, ("short", "long")).way is None


def test_a_way_on_a_head_the_unit_lacks_is_let_go():
    settings = advise(wren(), StageState(tempo_bpm=120.0).wish).settings
    state = stage_state.step_way(stage_state.opened(SONGS), 1, settings, settings[0])
    gone = stage_state.without_heads(state, ("near", "far"))
    assert (gone.way, gone.edits) == (None, {0: stage_state.Edit()})
