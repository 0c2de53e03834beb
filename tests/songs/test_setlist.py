"""Setlist files: what is read, and the sentence for everything that cannot be."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.demos import DEMO_SET
from tempotape.faults import InputFault
from tempotape.songs.setlist import Setlist, Song, read_setlist, shared_programs, unit_path
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.unit.unitfile import read_unit

GOOD = """
format = 1
name = "Quiet night"
unit = "../calibrations/wren.toml"
[[song]]
title = "First"
tempo_bpm = 96.5
[[song]]
title = "Second"
beat = "dotted-quarter"
repeats = ["Dotted Eighth", "quarter"]
taste = "wobbly"
head = "long"
gap_s = 20
notes = ""
program = 3
midi_file = "second.mid"
tempo_bpm = 60
[[song.section]]
name = "bridge"
tempo_bpm = 72
repeats = ["eighth"]
[[song]]
title = "Counted in"
"""


def written(tmp_path, text):
    path = tmp_path / "quiet.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_whole_set_is_read(tmp_path):
    path = written(tmp_path, GOOD)
    setlist = read_setlist(path)
    first, second, third = setlist.song
    assert first == Song(title="First", tempo_bpm=96.5)
    assert [note.name for note in first.repeat_notes] == ["quarter", "dotted eighth", "eighth"]
    assert second.beat_note is NOTE_VALUES["dotted quarter"]
    assert [note.name for note in second.repeat_notes] == ["dotted eighth", "quarter"]
    assert (second.taste, second.head, second.gap_s, second.program) == ("wobbly", "long", 20, 3)
    assert second.section[0].tempo_bpm == 72
    assert third.tempo_bpm is None
    assert unit_path(setlist, path) == tmp_path / "../calibrations/wren.toml"


def test_a_song_asks_for_what_its_entries_say(tmp_path):
    song = read_setlist(written(tmp_path, GOOD)).song[1]
    wish = song.wish(60.0)
    assert wish.quarter_bpm == 90
    assert (wish.taste, wish.head) == ("wobbly", "long")
    assert [note.name for note in wish.repeats] == ["dotted eighth", "quarter"]


def test_the_demo_set_and_its_unit_are_read():
    setlist = read_setlist(DEMO_SET)
    unit = read_unit(unit_path(setlist, DEMO_SET))
    assert len(setlist.song) == 6
    assert all(song.head is None or song.head in unit.head_names for song in setlist.song)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("tempo_bpm = 96.5", "tempo_bpm = 1200",
         'song 1 "First": tempo_bpm is 1200; expected 20 to 400'),
        ("tempo_bpm = 96.5", "tempo = 96.5",
         'song 1 "First": unknown key "tempo"; expected "tempo_bpm"'),
        ("tempo_bpm = 72", "tempo_bpm = 7",
         'song 2 "Second", section 1 "bridge": tempo_bpm is 7; expected 20 to 400'),
        ('["Dotted Eighth", "quarter"]', '["dotted eigth"]',
         'song 2 "Second": repeats: unknown note value "dotted eigth"; expected "dotted eighth"'),
        ('["Dotted Eighth", "quarter"]', "[4]",
         'song 2 "Second": repeats 1 is 4; expected text of up to 100 characters'),
        ('["Dotted Eighth", "quarter"]', "[]",
         'song 2 "Second": repeats is an empty list; '
         "expected at least one note value, or no such line"),
        ('["eighth"]', '["x"]',
         'song 2 "Second", section 1 "bridge": repeats: unknown note value "x"; expected whole, '
         "half, quarter, eighth, sixteenth or thirty-second, plain, dotted, double dotted or "
         "triplet"),
        ('"dotted-quarter"', '"dotted-qarter"',
         'song 2 "Second": beat: unknown note value "dotted-qarter"; expected "dotted quarter"'),
        ('"wobbly"', '"wild"',
         'song 2 "Second": taste is "wild"; expected "either", "steady" or "wobbly"'),
        ("program = 3", "program = 128",
         'song 2 "Second": program is 128; expected a whole number from 0 to 127'),
        ("program = 3", "program = 1.5",
         'song 2 "Second": program is 1.5; expected a whole number from 0 to 127'),
        ("gap_s = 20", "gap_s = -1",
         'song 2 "Second": gap_s is -1; expected 0 to 86400'),
        ('title = "First"', "",
         "song 1: title is missing; expected text of up to 10000 characters"),
    ],
)  # fmt: skip
def test_a_fault_names_file_song_and_entry(tmp_path, old, new, sentence):
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(InputFault) as met:
        read_setlist(path)
    assert str(met.value) == f"{path}: {sentence}"


def with_programs(*programs):
    songs = tuple(Song(title=f"S{at}", program=program) for at, program in enumerate(programs, 1))
    return Setlist(format=1, name="s", song=songs)


@pytest.mark.parametrize(
    ("programs", "sentences"),
    [
        ((None, None, 0, 3), ()),
        ((3, 0, 3, 0), (
            'song 1 "S1" and song 3 "S3" have the same program, 3: '
            "Program Change 3 calls only the first of them",
            'song 2 "S2" and song 4 "S4" have the same program, 0: '
            "Program Change 0 calls only the first of them",
        )),
        ((7,) * 4, (
            'song 1 "S1", song 2 "S2", song 3 "S3" and song 4 "S4" have the same program, 7: '
            "Program Change 7 calls only the first of them",
        )),
        ((7,) * 9, (
            'song 1 "S1", song 2 "S2", song 3 "S3" and 6 more songs have the same program, 7: '
            "Program Change 7 calls only the first of them",
        )),
    ],
)  # fmt: skip
def test_a_program_number_of_several_songs_is_told_by_song_and_number(programs, sentences):
    assert shared_programs(with_programs(*programs)) == sentences


def test_a_set_without_songs(tmp_path):
    path = written(tmp_path, 'format = 1\nname = "Empty"\n')
    with pytest.raises(InputFault) as met:
        read_setlist(path)
    assert str(met.value) == f"{path}: no songs; expected at least one [[song]]"


def test_a_missing_set(tmp_path):
    with pytest.raises(InputFault, match="no such file; expected a setlist file"):
        read_setlist(tmp_path / "no.toml")


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(title=st.text(max_size=30), content=st.text(max_size=100))
def test_any_title_and_any_tail_is_read_or_told(tmp_path, title, content):
    escaped = "".join(f"\\U{ord(mark):08X}" for mark in title)
    path = tmp_path / "any.toml"
    text = f'format = 1\nname = "N"\n[[song]]\ntitle = "{escaped}"\n{content}'
    path.write_bytes(text.encode("utf-8", "replace"))
    try:
        setlist = read_setlist(path)
    except InputFault as fault:
        assert str(fault).isprintable()
    else:
        assert all(song.title.isprintable() for song in setlist.song)


def placed_set(tmp_path, unit):
    folder = tmp_path / "player" / "sets"
    folder.mkdir(parents=True)
    path = folder / "s.toml"
    path.write_text(f"format = 1\nname = 'N'\nunit = '{unit}'\n[[song]]\ntitle = 'A'\n", "utf-8")
    return path


@pytest.mark.parametrize("unit", ["k.toml", "units/k.toml", "../k.toml", "../units/../k.toml"])
def test_a_unit_in_the_folder_above_the_sets_own_is_in_its_tree(tmp_path, unit):
    path = placed_set(tmp_path, unit)
    assert unit_path(read_setlist(path), path) == path.parent / unit


@pytest.mark.parametrize("unit", ["../../k.toml", "../../other/k.toml", "x/../../../k.toml"])
def test_a_unit_that_leads_out_of_the_sets_tree_is_refused(tmp_path, unit):
    path = placed_set(tmp_path, unit)
    with pytest.raises(InputFault) as met:
        unit_path(read_setlist(path), path)
    assert str(met.value) == (
        f'{path}: unit is "{unit}", which leads out of the set\'s tree; expected a file in the '
        "set's folder or beside that folder, or name it with --unit"
    )


@pytest.mark.parametrize("unit", ["/etc/k.toml", "C:/k.toml", r"\\host\k.toml", r"C:k.toml"])
def test_a_unit_by_a_path_from_the_root_is_refused(tmp_path, unit):
    path = placed_set(tmp_path, unit)
    with pytest.raises(InputFault) as met:
        unit_path(read_setlist(path), path)
    assert str(met.value) == (
        f'{path}: unit is "{unit}", a path from the root; expected a path from the set\'s own '
        "folder, or name it with --unit"
    )


def test_links_are_followed_before_a_unit_counts_as_in_the_tree(tmp_path):
    path = placed_set(tmp_path, "link.toml")
    (tmp_path / "outside.toml").touch()
    (path.parent / "link.toml").symlink_to(tmp_path / "outside.toml")
    with pytest.raises(InputFault, match="leads out of the set's tree"):
        unit_path(read_setlist(path), path)


def test_a_link_to_itself_is_not_in_the_tree(tmp_path):
    path = placed_set(tmp_path, "loop/k.toml")
    (path.parent / "loop").symlink_to(path.parent / "loop")
    with pytest.raises(InputFault, match="leads out of the set's tree"):
        unit_path(read_setlist(path), path)
