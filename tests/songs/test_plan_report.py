"""What the plan says of each song: reasons, warnings, offers, and what the hand does."""

import json

import msgspec
import pytest

from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.songs.parts import parts_of
from tempotape.songs.plan_report import plan_of, plan_parts
from tempotape.songs.plan_text import plan_text, totals_text
from tempotape.songs.setlist import Section, Setlist, Song, read_setlist, with_known_heads
from tempotape.songs.used_log import Used
from tempotape.unit.calibration import load_calibration
from tempotape.unit.model import Head, Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

LIMITS = Steadiness(steady_percent=1.0, unstable_percent=3.0)


def clear_unit(**knob):
    """Speed is 20 mm/s a reading: short delays 1400/reading ms, long 3600/reading ms.

    Flutter falls from 4 % at reading 1 to 0.25 % at 10; unstable from about 1.2 down.
    """
    unit = plain_unit(
        heads={"short": 28.0, "long": 72.0},
        knob=Knob(low=0.0, high=10.0, step=0.02, **knob),
        limits=LIMITS,
    )
    flutter = {1.0: 4.0, 2.0: 2.0, 4.0: 1.0, 10.0: 0.25}
    return plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10), flutter=flutter)


def planned(*songs, known=None):
    setlist = Setlist(format=1, name="s", song=songs)
    return plan_parts("s", parts_of(setlist), known or clear_unit())


def test_the_json_has_the_fields_of_the_contract():
    plan = plan_of(read_setlist(DEMO_SET), DEMO_SET, load_calibration(DEMO_UNIT))
    report = json.loads(msgspec.json.encode(plan))
    assert set(report) >= {"songs", "total_knob_travel", "head_switches", "warnings"}
    for song in report["songs"]:
        assert set(song) >= {
            "title", "section", "tempo_bpm", "note", "head", "knob", "knob_text", "delay_ms",
            "error_ms", "zone", "in_time", "head_switch", "knob_travel", "reasons", "cost",
            "warnings", "gap_s", "notes", "touchy",
        }  # fmt: skip
        assert "choices" not in song
    assert set(report["songs"][0]["cost"]) == {
        "timing", "steadiness", "travel", "head_switch", "preference", "total"
    }  # fmt: skip
    assert [song["title"] for song in report["songs"]] == [
        "Low Tide", "Lantern Street", "Lantern Street", "Salt and Rope", "Ferryman's Waltz",
        "Slow Bell", "Harbour Lights Out",
    ]  # fmt: skip


def test_what_the_hand_does_is_told_in_the_units_own_marks():
    songs = (
        Song(title="a", tempo_bpm=120, repeats=("quarter",), head="long"),  # 500 ms: 7.2
        Song(title="b", tempo_bpm=120, repeats=("quarter",), head="short", taste="either"),  # 2.8
        Song(title="c", tempo_bpm=100, repeats=("quarter",), head="long"),  # 600 ms: 6
        Song(title="d", tempo_bpm=100, repeats=("quarter",), head="long"),
    )
    assert [song.hand for song in planned(*songs).songs] == [
        "switch to long, set the knob to 7.20",
        "switch to short, turn down to 2.80",
        "switch to long, turn up to 6.00",
        "leave it as it is",
    ]
    clock = clear_unit(marks="clock")
    assert [song.hand for song in planned(*songs, known=clock).songs][1:3] == [
        "switch to short, turn anticlockwise to about 10 to 10",
        "switch to long, turn clockwise to 1 o'clock",
    ]


def test_a_switch_at_the_same_reading_leaves_the_knob():
    # Heads whose gaps are as 1 to 2: a quarter on the long one is an eighth on the short one.
    unit = plain_unit(heads={"short": 30.0, "long": 60.0}, knob=Knob(low=0, high=10, step=0.02))
    known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
    first = Song(title="a", tempo_bpm=100, repeats=("quarter",), head="long", taste="either")
    then = Song(title="b", tempo_bpm=100, repeats=("eighth",), head="short", taste="either")
    assert planned(first, then, known=known).songs[1].hand == "switch to short, leave the knob"


def test_a_song_out_of_reach_says_why_and_offers_what_would_work():
    # A quarter at 20 lasts 3000 ms of at most 1400 and 3600 ms, unstable beyond about 3000.
    (song,) = planned(Song(title="Slow", tempo_bpm=24, repeats=("half",))).songs
    assert (song.knob, song.head, song.note, song.knob_text) == (None, None, None, "out of reach")
    assert song.reasons[0] == (
        "5000 ms is 1400 ms longer than head long was measured to give (3600 ms at 1)"
    )
    assert song.reasons[1:] == song.offers
    # Trusted from 1.34 up: at most 2.69 s on the long head, 1.04 s on the short one. A quarter
    # lasts 2.5 s, a dotted sixteenth 0.94 s: at 3.6/2.5 and 1.4/0.94 in steps of 0.02.
    assert song.offers[0] == (
        "another note value: dotted sixteenth on head short at 1.50 or quarter on head long at 1.44"
    )
    assert song.offers[1] == "counted at twice the tempo, 48: half on head long at 1.44"
    assert song.warnings == (f"out of reach: {song.reasons[0]}",)


def test_an_unstable_setting_carries_a_warning_with_the_way_out_and_offers():
    plan = planned(Song(title="Shaky", tempo_bpm=36, repeats=("half",)))  # 3333 ms at 1.08
    (song,) = plan.songs
    assert song.zone == "unstable"
    assert song.warnings[0].startswith("unstable: flutter 3.7 %, over your limit of 3 %; way out: ")
    assert plan.warnings[0] == f'song 1 "Shaky": {song.warnings[0]}'
    assert any(offer.startswith("another note value: ") for offer in song.offers)
    near = next(offer for offer in song.offers if offer.startswith("nearest trustworthy tempo"))
    tempo_bpm = float(near.split(": ")[1].split()[0])
    known = clear_unit()
    # Two quarters at the tempo offered, on the long head: 3600/reading ms.
    reading = 3600 / (2 * 60_000 / tempo_bpm)
    assert known.zone_at(reading + 0.01) != "unstable"


def test_the_tape_leads_where_an_easy_mark_is_near():
    (song,) = planned(Song(title="Shaky", tempo_bpm=43, repeats=("half",))).songs
    led = next(offer for offer in song.offers if offer.startswith("the tape can lead"))
    # At 1.5 the long head gives 2400 ms: two quarters at 50.
    assert led == "the tape can lead at 50.0 to the quarter: half on head long at 1.50"


def test_a_unit_whose_head_has_no_delay_says_so():
    unit = plain_unit(heads={"short": 28.0, "long": 72.0})
    unit = msgspec.structs.replace(unit, head=(Head("short", 28.0), Head("long")))
    known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
    (song,) = planned(Song(title="a", tempo_bpm=120, head="long"), known=known).songs
    assert song.reasons == (
        "head long has no delay yet: measure one point on it, or give its gap_mm",
    )


def test_the_reason_for_not_the_first_wish():
    known = load_calibration(DEMO_UNIT)
    waltz = Song(title="w", tempo_bpm=58, beat="dotted quarter", repeats=("quarter", "eighth"))
    assert planned(waltz, known=known).songs[0].instead == (
        "quarter on head long at 4.10 would be wobbly, against the song's taste"
    )
    fast = Song(title="f", tempo_bpm=120, repeats=("thirty-second", "eighth"))
    assert planned(fast, known=known).songs[0].instead == "thirty-second is out of reach"
    slow = Song(title="s", tempo_bpm=48, repeats=("quarter", "eighth"))
    assert planned(slow, known=known).songs[0].instead == "quarter is unstable here"
    held = Song(title="a", tempo_bpm=96, repeats=("dotted eighth",))
    at_once = Song(title="b", tempo_bpm=128, repeats=("eighth", "quarter"), gap_s=0)
    song = planned(held, at_once, known=known).songs[1]
    assert song.instead.startswith("eighth on head ")
    assert song.instead.endswith(" would take more handwork")


def test_taste_gives_way_only_to_a_hand_without_time():
    known = load_calibration(DEMO_UNIT)
    first = Song(title="a", tempo_bpm=112.5, repeats=("dotted eighth",))
    for gap_s, zone in ((60, "wobbly"), (0, "steady")):
        # A quarter at 150 is as long as a dotted eighth at 112.5; on the short head it wobbles.
        song = Song(title="b", tempo_bpm=150, repeats=("quarter",), taste="wobbly", gap_s=gap_s)
        then = planned(first, song, known=known).songs[1]
        assert then.zone == zone
    assert then.instead == (
        "steady, against the song's taste: quarter on head short at 3.05 would take more handwork"
    )


def test_moves_without_time_are_warned_of():
    known = load_calibration(DEMO_UNIT)
    songs = (
        Song(title="a", tempo_bpm=96, repeats=("quarter",), section=(Section("b", 140.0),)),
        Song(title="c", tempo_bpm=96, repeats=("quarter",), gap_s=3),
    )
    assert planned(*songs, known=known).warnings == (
        'song 1 "a", section "b": inside the song: turn up to 6.00',
        'song 2 "c": only 3 s to: turn down to 4.45',
    )


def test_a_loose_setting_is_warned_of():
    unit = plain_unit(heads={"one": 60.0}, knob=Knob(low=0, high=10, step=0.5))
    known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
    # 3000/reading ms: at 6 one step of 0.5 is worth 500/12 = 41.7 ms, of 12.5 ms noticed.
    (song,) = planned(Song(title="a", tempo_bpm=120, repeats=("quarter",)), known=known).songs
    assert not song.in_time
    assert song.touchy
    assert song.warnings == (
        "quarter on head one is loose: expected within 41.7 ms, a listener notices 12.5 ms",
    )


def last(title, **facts):
    return {(title, None): Used(1.0, "s", title, **facts)}


@pytest.mark.parametrize(
    ("gap_s", "facts", "planned_s"),
    [
        (60, {"gap_used_s": 9.0, "length_s": 180.0}, 9.0),
        (60, {"gap_used_s": 9.0}, 9.0),  # a log that tells no lengths
        (None, {"gap_used_s": 9.0, "length_s": 180.0}, 9.0),
        (60, {"gap_used_s": 90.0, "length_s": 180.0}, 60),
        # Tapped through: next to no gap, or hardly played.
        (60, {"gap_used_s": 1.9, "length_s": 180.0}, 60),
        (60, {"gap_used_s": 9.0, "length_s": 19.0}, 60),
        (60, {"length_s": 180.0}, 60),
    ],
)
def test_the_gap_of_the_last_run_counts_where_the_set_was_played(gap_s, facts, planned_s):
    songs = (Song(title="a", tempo_bpm=120), Song(title="b", tempo_bpm=100, gap_s=gap_s))
    parts = parts_of(Setlist(format=1, name="s", song=songs))
    plan = plan_parts("s", parts, clear_unit(), used=last("b", **facts))
    assert plan.songs[1].gap_s == planned_s
    assert plan.songs[1].gap_from_last == plan.from_last == (planned_s != gap_s)
    assert not plan.songs[0].gap_from_last


def test_a_habit_counts_as_of_the_last_run():
    parts = parts_of(Setlist(format=1, name="s", song=(Song(title="a", tempo_bpm=120),)))
    used = last("a", note="quarter", head="long", knob=7.2)
    assert plan_parts("s", parts, clear_unit(), used=used).from_last
    elsewhere = last("a", note="whole", head="long", knob=7.2)
    assert not plan_parts("s", parts, clear_unit(), used=elsewhere).from_last


@pytest.mark.parametrize(
    ("travel", "told"),
    [(0.0, "0.00"), (5.125, "5.12"), (42.46, "42.5"), (1300.4, "1300"), (1234567.8, "1234568")],
)
def test_totals_are_plain_figures(travel, told):
    plan = msgspec.structs.replace(planned(Song(title="a")), total_knob_travel=travel)
    assert totals_text(plan) == (
        f"In all the knob travels {told} readings and the head is switched 0 times."
    )


def test_heads_are_named_as_the_unit_names_them():
    setlist = Setlist(format=1, name="s", song=(Song(title="A", head=" LONG "), Song(title="B")))
    known = with_known_heads(setlist, ("short", "long"))
    assert [song.head for song in known.song] == ["long", None]
    with pytest.raises(InputFault) as met:
        with_known_heads(setlist, ("left", "right"), source="s.toml")
    assert str(met.value) == (
        's.toml: song 1 "A": unknown head " LONG "; expected "left" or "right"'
    )


def test_an_unknown_head_names_file_song_and_head(tmp_path):
    path = tmp_path / "s.toml"
    setlist = Setlist(format=1, name="s", song=(Song(title="A", tempo_bpm=90, head="log"),))
    with pytest.raises(InputFault) as met:
        plan_of(setlist, path, clear_unit())
    assert str(met.value) == f'{path}: song 1 "A": unknown head "log"; expected "long"'


def test_the_text_tells_warnings_first_and_fits_80_columns():
    setlist = Setlist(
        format=1,
        name="Evening",
        song=(
            Song(title="A title that is far too long for any table of 80 columns", tempo_bpm=96),
            Song(title="Slow", tempo_bpm=24, repeats=("half",), section=(Section("b", 96.0),)),
            Song(title="Live"),
        ),
    )
    text = plan_text(plan_parts("Evening", parts_of(setlist), load_calibration(DEMO_UNIT)))
    lines = text.splitlines()
    assert lines[0] == "Evening on Kestrel"
    assert lines[2].startswith('WARNING song 2 "Slow": out of reach: ')
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("1  A title that is") and "…" in line for line in lines)
    assert any(line.startswith("     b ") for line in lines)
    assert lines[-1].startswith("In all the knob travels ")
    assert "    no tempo in the set: type or tap it on stage; the hand stays where it was" in lines


def test_touchy_is_explained_once_where_it_occurs():
    songs = (
        Song(title="A", tempo_bpm=168, repeats=("quarter",), head="short"),
        Song(title="B", tempo_bpm=166, repeats=("quarter",), head="short"),
        Song(title="C", tempo_bpm=120, repeats=("quarter",)),
    )
    known = load_calibration(DEMO_UNIT)

    def lines(*some):
        plan = plan_parts("s", parts_of(Setlist(format=1, name="s", song=some)), known)
        return plan_text(plan).splitlines()

    told = lines(*songs)
    assert sum(line.endswith(", touchy") for line in told) == 2
    assert told[-2] == "touchy: a hair too far is heard; a step is most of what a listener notices"
    assert not any("touchy" in line for line in lines(songs[2]))


def sectioned():
    """Songs without a tempo of their own that have sections, one of them out of reach."""
    songs = (
        Song(title="First Song", section=(Section("verse", 90.0), Section("chorus", 110.0))),
        Song(title="Second", tempo_bpm=100),
        Song(title="Third", section=(Section("bridge", 20.0, ("whole",)),)),
    )
    return plan_parts("s", parts_of(Setlist(format=1, name="s", song=songs)), clear_unit())


def test_a_song_that_begins_with_a_section_has_its_number_and_title_in_its_first_row():
    lines = plan_text(sectioned()).splitlines()
    at = lines.index("1  First Song")
    live = "    no tempo outside its sections: type or tap it on stage"
    assert lines[at + 1] == live
    assert lines[at + 2].startswith("     verse     90 ")
    assert any(line.startswith("     chorus    110 ") for line in lines)
    assert any(line.startswith("2  Second      100 ") for line in lines)
    at = lines.index("3  Third")
    assert lines[at + 1] == live
    assert lines[at + 2].startswith("     bridge    20 ")
    assert lines.count(live) == 2


def test_json_has_no_row_for_what_is_live_outside_sections_but_says_so():
    songs = sectioned().songs
    assert [(song.number, song.section) for song in songs] == [
        (1, "verse"), (1, "chorus"), (2, None), (3, "bridge")
    ]  # fmt: skip
    live = "no tempo outside its sections: type or tap it on stage"
    assert [live in song.reasons for song in songs] == [True, False, False, True]


def test_a_program_of_two_songs_is_a_warning_of_the_plan(tmp_path):
    songs = tuple(Song(title=title, tempo_bpm=120, program=3) for title in ("a", "b"))
    plan = plan_of(Setlist(format=1, name="s", song=songs), tmp_path / "s.toml", clear_unit())
    assert plan.warnings == (
        'song 1 "a" and song 2 "b" have the same program, 3: '
        "Program Change 3 calls only the first of them",
    )
    assert [song.warnings for song in plan.songs] == [(), ()]


def test_a_set_of_nothing_but_live_songs_is_planned():
    plan = planned(Song(title="a"), Song(title="b"))
    assert (plan.total_knob_travel, plan.head_switches, plan.total_cost) == (0, 0, 0)
    assert "switched 0 times" in plan_text(plan)
