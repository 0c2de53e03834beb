"""The order of a show: moving, skipping, finding by typing, and a file that changes meanwhile."""

import itertools

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tempotape.songs.show_order import (
    ShowOrder,
    after,
    ahead_of,
    as_written,
    find,
    folded,
    moved,
    reconciled,
    with_skip,
)

# Few titles, so that equal ones are common.
TITLES = st.lists(st.sampled_from(["Low Tide", "Slow Bell", "Lantern", "Salt", "Reel"]), max_size=9)


@st.composite
def shows(draw, count):
    order = tuple(draw(st.permutations(range(count))))
    skipped = draw(st.frozensets(st.integers(0, count - 1))) if count else frozenset()
    return ShowOrder(order, skipped)


def test_a_song_moves_and_stops_at_the_ends():
    show = as_written(4)
    assert moved(show, 1, 1).order == (0, 2, 1, 3)
    assert moved(show, 1, -1).order == (1, 0, 2, 3)
    assert moved(show, 0, -1) == show
    assert moved(show, 3, 1) == show
    assert moved(show, 0, 99).order == (1, 2, 3, 0)
    assert moved(show, 7, 1) == show


def test_skipped_songs_are_passed_over_both_ways():
    show = with_skip(with_skip(as_written(5), 1, on=True), 2, on=True)
    assert show.played == (0, 3, 4)
    assert [after(show, place) for place in range(5)] == [3, 3, 3, 4, None]
    assert [ahead_of(show, place) for place in range(5)] == [None, 0, 0, 0, 3]
    assert with_skip(show, 1, on=False).played == (0, 1, 3, 4)
    assert with_skip(show, 9, on=True) == show
    assert (after(show, 9), ahead_of(show, 9)) == (None, None)


def test_when_all_is_skipped_there_is_no_next_song():
    show = ShowOrder((1, 0), frozenset({0, 1}))
    assert (show.played, after(show, 1), ahead_of(show, 0)) == ((), None, None)


def test_an_order_comes_back_from_json():
    show = ShowOrder((2, 0, 1), frozenset({0}))
    assert msgspec.json.decode(msgspec.json.encode(show), type=ShowOrder) == show


@given(st.data())
def test_any_run_of_moves_and_skips_keeps_every_song_once(data):
    count = data.draw(st.integers(0, 8))
    show = as_written(count)
    for _ in range(data.draw(st.integers(0, 12))):
        place, by = data.draw(st.integers(-1, 9)), data.draw(st.integers(-10, 10))
        before = show
        show = moved(show, place, by)
        others = [other for other in before.order if other != place]
        assert [other for other in show.order if other != place] == others
        show = with_skip(show, place, on=data.draw(st.booleans()))
        assert sorted(show.order) == list(range(count))
        assert show.skipped <= set(show.order)


@given(st.data())
def test_next_walks_through_what_is_played_and_previous_walks_back(data):
    show = data.draw(shows(data.draw(st.integers(1, 9))))
    walked = []
    place = show.order[0] if show.order[0] not in show.skipped else after(show, show.order[0])
    while place is not None:
        walked.append(place)
        place = after(show, place)
    assert tuple(walked) == show.played
    for earlier, later in itertools.pairwise(walked):
        assert ahead_of(show, later) == earlier


SET = (
    "Low Tide",  # 0
    "Lantern Street",  # 1
    "Salt and Rope",  # 2
    "Ferryman's Waltz",  # 3
    "Slow Bell",  # 4
    "Café Ærø at Ångström",  # 5
    "The Low Road",  # 6
    "Low",  # 7
    "Straße nach Łódź",  # 8
    "🔥🔥",  # 9
    "Low Tide",  # 10
)


@pytest.mark.parametrize(
    ("typed", "places"),
    [
        ("low", (7, 0, 10, 6, 4)),
        ("LOW T", (0, 10, 6)),
        ("tide low", (0, 10)),
        ("ow", (0, 4, 6, 7, 10)),
        ("st", (8, 1, 5)),
        ("ro lo", (6,)),
        ("ferrymans", (3,)),
        ("FERRYMAN’S w", (3,)),
        ("cafe angs", (5,)),
        ("CAFÉ", (5,)),
        ("ærø", (5,)),
        ("strasse lodz", (8,)),
        ("🔥", (9,)),
        ("salt-rope", (2,)),
        ("tide tide", (0, 10)),
        ("nothing of the kind", ()),
        ("", ()),
        ("  ", ()),
        ("?!", ()),
    ],
)
def test_songs_are_found_by_part_of_a_title_best_first(typed, places):
    assert find(SET, typed) == places


def test_every_word_must_begin_a_word_to_come_before_words_found_anywhere():
    assert find(["Low Crow", "Owl Low"], "lo ow") == (1, 0)


def test_marks_that_cannot_be_seen_do_not_hide_a_title():
    assert find(["\u202eLow\u200b Tide\x1b[31m"], "low tide") == (0,)


def test_a_letter_whose_stroke_is_all_of_it_stays_as_it_is():
    assert folded("\u019b") == "\u019b"  # lambda with stroke: Unicode has no Latin lambda


@given(st.text(max_size=30), st.lists(st.text(max_size=20), max_size=5))
@example("\u0345", ["\u0345"])
def test_any_typing_finds_each_title_at_most_once_and_the_title_itself_first(typed, titles):
    found = find(titles, typed)
    assert len(set(found)) == len(found)
    assert set(found) <= set(range(len(titles)))
    for place, title in enumerate(titles):
        if folded(title):
            assert place in find(titles, title)
            assert folded(titles[find(titles, title)[0]]) == folded(title)


@given(st.text(max_size=40))
def test_folding_twice_is_folding_once_and_case_does_not_count(text):
    assert folded(folded(text)) == folded(text)
    assert folded(text.casefold()) == folded(text)


def test_new_songs_come_where_the_file_has_them():
    show = ShowOrder((2, 0, 1), frozenset({1}))
    now, current = reconciled("ABC", ["A", "new", "B", "C", "last"], show, 0)
    # C, then last which follows it in the file, A, then new which follows it, B.
    assert now == ShowOrder((3, 4, 0, 1, 2), frozenset({2}))
    assert current == 0
    assert reconciled("ABC", ["new", "A", "B", "C"], show, 2) == (
        ShowOrder((0, 3, 1, 2), frozenset({2})),
        3,
    )


def test_songs_that_are_gone_leave_the_order_and_the_next_one_becomes_current():
    show = ShowOrder((2, 0, 1, 3))
    assert reconciled("ABCD", "ABD", show, 2) == (ShowOrder((0, 1, 2)), 0)
    assert reconciled("ABCD", "ABC", show, 3) == (ShowOrder((2, 0, 1)), 1)
    assert reconciled("ABCD", "XY", show, 3) == (ShowOrder((0, 1)), 0)
    assert reconciled("ABCD", "", show, 3) == (ShowOrder(()), None)
    assert reconciled("ABCD", "ABCD", show, None) == (show, None)


def test_an_order_that_was_the_files_own_follows_the_file():
    show = with_skip(as_written(3), 0, on=True)
    assert reconciled("ABC", "CAXB", show, 1) == (ShowOrder((0, 1, 2, 3), frozenset({1})), 3)


def test_songs_of_one_title_are_told_apart_by_their_order():
    show = ShowOrder((3, 0, 2, 1), frozenset({2}))
    now, current = reconciled("ARBR", "RABR", show, 3)
    # The first R stays the first, the second the second.
    assert [("RABR"[place], place) for place in now.order] == [
        ("R", 3), ("A", 1), ("B", 2), ("R", 0)
    ]  # fmt: skip
    assert (now.skipped, current) == (frozenset({2}), 3)


def test_places_the_old_file_does_not_have_are_ignored():
    damaged = ShowOrder((7, 1, 1, -3), frozenset({9, 1}))
    assert reconciled("ABC", "ABC", damaged, 12) == (ShowOrder((0, 1, 2), frozenset({1})), 1)


@given(st.data())
def test_a_changed_file_always_gives_every_song_once(data):
    old, new = data.draw(TITLES), data.draw(TITLES)
    show = data.draw(shows(len(old)))
    current = data.draw(st.sampled_from(range(len(old)))) if old else None
    now, now_current = reconciled(old, new, show, current)
    assert sorted(now.order) == list(range(len(new)))
    assert now.skipped <= set(now.order)
    assert (now_current in now.order) == (current is not None and bool(new))
    if current is not None and old.count(old[current]) == new.count(old[current]):
        assert new[now_current] == old[current]
    for title in set(old) & set(new):
        if old.count(title) == new.count(title):
            assert sum(old[p] == title for p in show.skipped) == sum(
                new[p] == title for p in now.skipped
            )
    if show.order != tuple(range(len(old))):
        once = {t for t in old if old.count(t) == 1 and new.count(t) == 1}
        assert [new[p] for p in now.order if new[p] in once] == [
            old[p] for p in show.order if old[p] in once
        ]


@given(st.data())
def test_a_file_that_did_not_change_changes_nothing(data):
    titles = data.draw(TITLES)
    show = data.draw(shows(len(titles)))
    current = data.draw(st.sampled_from(range(len(titles)))) if titles else None
    assert reconciled(titles, titles, show, current) == (show, current)
