"""A set taken apart into songs and sections, with tempi from MIDI files."""

import mido
import pytest

from tempotape.faults import InputFault
from tempotape.songs.midi_sections import midi_sections
from tempotape.songs.parts import parts_of
from tempotape.songs.setlist import Section, Setlist, Song


def a_set(*songs):
    return Setlist(format=1, name="s", song=songs)


def told(parts):
    return [(part.number, part.section, part.tempo_bpm, part.inside, part.gap_s) for part in parts]


def test_sections_follow_their_song_without_a_gap():
    song = Song(
        title="A", tempo_bpm=90, gap_s=30, repeats=("eighth",), notes="n",
        section=(Section("bridge", 72.0), Section("out", None, ("quarter",))),
    )  # fmt: skip
    parts = parts_of(a_set(song, Song(title="B")))
    assert told(parts) == [
        (1, None, 90, False, 30), (1, "bridge", 72, True, 0), (1, "out", 90, True, 0),
        (2, None, None, False, None),
    ]  # fmt: skip
    assert [[note.name for note in part.wish.repeats] for part in parts[:3]] == [
        ["eighth"], ["eighth"], ["quarter"]
    ]  # fmt: skip
    assert parts[3].wish is None
    assert [part.notes for part in parts] == ["n", "", "", ""]
    assert [part.entry for part in parts] == [
        'song 1 "A"', 'song 1 "A", section "bridge"', 'song 1 "A", section "out"', 'song 2 "B"'
    ]  # fmt: skip


def test_sections_are_the_whole_song_where_only_they_have_a_tempo():
    song = Song(title="A", gap_s=9, section=(Section("slow", 60.0), Section("fast", 120.0)))
    assert told(parts_of(a_set(song))) == [(1, "slow", 60, False, 9), (1, "fast", 120, True, 0)]


def written_midi(path, *tempi):
    """A file of two bars of 4/4 at each tempo, in quarter notes a minute."""
    track = mido.MidiTrack()
    for place, bpm in enumerate(tempi):
        wait = 0 if place == 0 else 8 * 480
        track.append(mido.MetaMessage("set_tempo", tempo=round(6e7 / bpm), time=wait))
    track.append(mido.MetaMessage("end_of_track", time=8 * 480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(path)


def ramp_midi(path, tempi, held=(), marker=None):
    """A file of one quarter at each of the tempi, then two bars of 4/4 at each `held` one."""
    track = mido.MidiTrack()
    if marker:
        track.append(mido.MetaMessage("marker", text=marker))
    for bpm, quarters in (*((bpm, 1) for bpm in tempi), *((bpm, 8) for bpm in held)):
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
        track.append(mido.Message("note_on", time=quarters * 480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(path)


@pytest.fixture
def place(tmp_path):
    (tmp_path / "sets").mkdir()
    return tmp_path / "sets" / "s.toml"


def test_tempo_and_its_changes_come_from_the_midi_file_in_the_beat_of_the_song(place):
    written_midi(place.parent / "a.mid", 90, 120)
    song = Song(title="A", beat="dotted quarter", midi_file="a.mid")
    parts = parts_of(a_set(song), midi_sections(a_set(song), place))
    # 90 quarters are 60 dotted quarters.
    assert [part.tempo_bpm for part in parts] == [pytest.approx(60), pytest.approx(80)]
    assert [part.section for part in parts] == [None, "bars 3-4, 4/4"]
    assert parts[1].wish.quarter_bpm == pytest.approx(120)


def test_a_tempo_that_no_song_can_have_in_its_beat_names_set_song_file_and_bar(place):
    # 390 quarters are 780 eighths; 20 quarters are 10 half notes.
    for beat, bpms, told in (
        ("eighth", (120, 390), "bar 3 is at 390 to the quarter, 780 to the eighth"),
        ("half", (120, 30), "bar 3 is at 30 to the quarter, 15 to the half"),
    ):
        written_midi(place.parent / "a.mid", *bpms)
        song = Song(title="A", beat=beat, midi_file="a.mid")
        with pytest.raises(InputFault) as met:
            midi_sections(a_set(song), place)
        assert str(met.value) == (
            f'{place}: song 1 "A": midi_file {place.parent / "a.mid"}: {told}, the song\'s beat; '
            "expected 20 to 400 to the beat, or another beat"
        )


def test_a_movement_of_the_tempo_is_named_in_the_beat_of_the_song(place):
    track = mido.MidiTrack()
    for bpm in (60, 66, 72, 78, 84, 90):  # a bar each
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm), time=0))
        track.append(mido.Message("note_on", time=4 * 480))
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(90), time=0))
    track.append(mido.MetaMessage("end_of_track", time=8 * 480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(place.parent / "a.mid")
    song = Song(title="A", beat="eighth", midi_file="a.mid")
    first = midi_sections(a_set(song), place)[1][0]
    # From 60 to 90 quarters, which are twice as many eighths.
    assert first.name == "bars 1-5, 4/4, between 120 and 180"


def test_a_tempo_as_rounded_by_hand_agrees_with_the_file_and_holds(place):
    written_midi(place.parent / "a.mid", 96.3)
    song = Song(title="A", tempo_bpm=96, midi_file="a.mid")
    (part,) = parts_of(a_set(song), midi_sections(a_set(song), place))
    assert part.tempo_bpm == 96


def test_where_the_tempo_disagrees_with_the_file_the_file_counts_and_that_is_told(place):
    written_midi(place.parent / "a.mid", 120, 80)
    song = Song(title="A", tempo_bpm=96, midi_file="a.mid")
    parts = parts_of(a_set(song), midi_sections(a_set(song), place))
    assert [part.tempo_bpm for part in parts] == [pytest.approx(120), pytest.approx(80)]
    assert [part.remark for part in parts] == [
        'tempo_bpm is 96, but "a.mid" begins at 120: the file\'s tempo is taken', ""
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("tempo_bpm", "remark"),
    [
        (100, ""),
        (139, ""),
        (96, 'tempo_bpm is 96, but "a.mid" begins between 100 and 139: the file\'s tempo is taken'),
    ],
)
def test_a_tempo_that_the_file_passes_through_agrees_with_it(place, tempo_bpm, remark):
    ramp_midi(place.parent / "a.mid", range(100, 140))
    song = Song(title="A", tempo_bpm=tempo_bpm, midi_file="a.mid")
    (part,) = parts_of(a_set(song), midi_sections(a_set(song), place))
    # 40 quarters in the sum of 60/100, 60/101 and so on to 60/139 s.
    assert part.tempo_bpm == pytest.approx(40 / sum(1 / bpm for bpm in range(100, 140)), rel=1e-4)
    assert part.remark == remark


def test_a_first_part_whose_tempo_moves_is_told_by_its_bars_and_tempi(place):
    ramp_midi(place.parent / "a.mid", range(100, 140), held=(140,))
    written_midi(place.parent / "b.mid", 100)
    songs = (Song(title="A", midi_file="a.mid"), Song(title="B", midi_file="b.mid"))
    parts = parts_of(a_set(*songs), midi_sections(a_set(*songs), place))
    # Forty quarters are ten bars; to the set itself, neither song begins with a section.
    assert [(part.section, part.named) for part in parts] == [
        (None, "bars 1-10, 4/4, between 100 and 140"), ("bars 11-12, 4/4", "bars 11-12, 4/4"),
        (None, None),
    ]  # fmt: skip
    first = parts[0].moves
    # A MIDI file counts whole microseconds.
    assert (first.low_bpm, first.high_bpm) == pytest.approx((100, 140), rel=1e-5)
    assert [part.moves for part in parts[1:]] == [None, None]
    assert parts[0].entry == 'song 1 "A", section "bars 1-10, 4/4, between 100 and 140"'


def test_a_section_that_only_changes_the_repeats_moves_as_its_song_does(place):
    ramp_midi(place.parent / "a.mid", range(100, 140))
    sections = (Section("out", None, ("eighth",)), Section("end", 90.0))
    song = Song(title="A", midi_file="a.mid", section=sections)
    parts = parts_of(a_set(song), midi_sections(a_set(song), place))
    assert [part.moves is not None for part in parts] == [True, True, False]


def test_a_marker_names_a_moving_tempo_and_its_span(place):
    ramp_midi(place.parent / "a.mid", range(100, 116), held=(116,), marker="rising")
    song = Song(title="A", midi_file="a.mid")
    names = [section.name for section in midi_sections(a_set(song), place)[1]]
    assert names == ["rising, between 100 and 116", "bars 5-6, 4/4"]


def test_a_tempo_that_moves_about_the_one_before_it_is_a_section_of_its_own(place):
    # A bar at each tempo; sped up and down by as much, in time, so that the mean is 100.
    up, down = 110, 100 * 110 / (2 * 110 - 100)
    track = mido.MidiTrack()
    for bpm, bars in ((100, 4), (up, 1), (down, 1), (up, 1), (down, 1), (100, 4)):
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
        track.append(mido.Message("note_on", time=bars * 4 * 480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(place.parent / "a.mid")
    song = Song(title="A", midi_file="a.mid")
    assert [section.name for section in midi_sections(a_set(song), place)[1]] == [
        "bars 1-4, 4/4", "bars 5-8, 4/4, between 91.7 and 110", "bars 9-12, 4/4"
    ]  # fmt: skip


def test_sections_of_the_song_come_before_those_of_the_file(place):
    written_midi(place.parent / "a.mid", 120, 80, 100)
    song = Song(title="A", midi_file="a.mid", section=(Section("bridge", 72.0),))
    parts = parts_of(a_set(song), midi_sections(a_set(song), place))
    assert [part.tempo_bpm for part in parts] == [pytest.approx(120), 72]


def test_changes_told_apart_by_less_than_a_twentieth_of_a_beat_are_one(place):
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=500_000, time=0))
    track.append(mido.MetaMessage("time_signature", numerator=3, denominator=4, time=8 * 480))
    track.append(mido.MetaMessage("end_of_track", time=6 * 480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(place.parent / "a.mid")
    song = Song(title="A", midi_file="a.mid")
    assert [s.tempo_bpm for s in midi_sections(a_set(song), place)[1]] == [pytest.approx(120)]


def test_faults_of_a_midi_file_name_set_song_and_file(place):
    song = Song(title="A", midi_file="a.mid")
    with pytest.raises(InputFault) as met:
        midi_sections(a_set(Song(title="B"), song), place)
    assert str(met.value) == (
        f'{place}: song 2 "A": midi_file {place.parent / "a.mid"}: no such file; '
        "expected a MIDI file (.mid) of format 0 or 1"
    )
    with pytest.raises(InputFault) as met:
        midi_sections(a_set(Song(title="B", midi_file="../../b.mid")), place)
    assert str(met.value) == (
        f'{place}: song 1 "B": midi_file is "../../b.mid", which leads out of the set\'s tree; '
        "expected a file in the set's folder or beside that folder, or move it there"
    )


def test_a_file_that_never_holds_a_tempo_is_refused(place):
    # Two bars at each tempo, far apart: each is a section.
    written_midi(place.parent / "a.mid", *(100 + 20 * (n % 2) for n in range(101)))
    song = Song(title="A", midi_file="a.mid")
    with pytest.raises(InputFault, match=r"changes its tempo 100 times; expected at most 99 times"):
        midi_sections(a_set(song), place)
