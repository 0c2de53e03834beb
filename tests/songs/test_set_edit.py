"""Edits of the stage written back into a set file, with everything else in it left as it was."""

import os
import random
import re
import signal
import time

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.demos import DEMO_SET
from tempotape.faults import InputFault
from tempotape.songs import set_edit
from tempotape.songs.set_edit import SongEdit, changed, stamp, write_back
from tempotape.songs.setlist import read_setlist
from tempotape.userfiles import LARGEST_BYTES

COMMENTED = '''\
# The quiet night.  Two blanks stay two.
format   =  1
name = "Quiet night"   # the name

# opener, lights low
[[song]]   # first of all
title = "First"        # never "The First"
tempo_bpm = 96.5 # by ear
# gap_s = 20

  # Ida sings
  [[ song ]]
  title = "Second"
  notes = """
[[song]]
# not a comment"""
  repeats = [
    "quarter",   # plain
    "Dotted-Eighth",  # the hook
    "eighth",
  ]
  # hard to hear

  # quiet here
  [[song.section]]
  name = "bridge"
  tempo_bpm = 72
  # back to the top

# and out
[["song"]]
title = 'Third'
head = "long"
taste = "wobbly" # on purpose
# good night'''


def written(tmp_path, text=COMMENTED):
    path = tmp_path / "quiet.toml"
    path.write_bytes(text.encode())
    return path


def refused(path, *given, **named):
    """The sentence of the fault, after which the file must be as it was."""
    before = path.read_bytes()
    with pytest.raises(InputFault) as met:
        write_back(path, *given, **named)
    assert path.read_bytes() == before
    assert [other.name for other in path.parent.iterdir()] == [path.name]
    return str(met.value).removeprefix(f"{path}: ")


def test_a_tempo_changes_one_number_and_nothing_else(tmp_path):
    path = written(tmp_path)
    setlist = write_back(path, [SongEdit(0, "First", tempo_bpm=101.25)])
    assert path.read_text() == COMMENTED.replace("= 96.5", "= 101.25")
    assert setlist == read_setlist(path)
    assert setlist.song[0].tempo_bpm == 101.25


def test_new_entries_follow_the_songs_own_before_its_sections(tmp_path):
    path = written(tmp_path)
    edit = SongEdit(1, "Second", tempo_bpm=88.0, taste="either", head="short")
    setlist = write_back(path, [edit])
    assert path.read_text() == COMMENTED.replace(
        "  # hard to hear\n",
        '  # hard to hear\n  tempo_bpm = 88\n  taste = "either"\n  head = "short"\n',
    )
    assert setlist == read_setlist(path)
    song = setlist.song[1]
    assert (song.tempo_bpm, song.taste, song.head) == (88, "either", "short")
    assert song.section[0].tempo_bpm == 72


def test_a_song_at_the_end_of_a_file_without_a_line_end(tmp_path):
    path = written(tmp_path)
    write_back(path, [SongEdit(2, "Third", tempo_bpm=120, taste="steady", head="short")])
    assert path.read_text() == COMMENTED.replace('"long"', '"short"').replace(
        '"wobbly" # on purpose', '"steady" # on purpose\ntempo_bpm = 120'
    )
    bare = written(tmp_path, COMMENTED.removesuffix("\n# good night"))
    write_back(bare, [SongEdit(2, "Third", tempo_bpm=120)])
    assert bare.read_text().endswith('taste = "wobbly" # on purpose\ntempo_bpm = 120')


def test_the_note_value_wanted_first_moves_up_as_it_was_written(tmp_path):
    path = written(tmp_path)
    setlist = write_back(path, [SongEdit(1, "Second", note="dotted eighth")])
    assert setlist == read_setlist(path)
    assert setlist.song[1].repeats == ("Dotted-Eighth", "quarter", "eighth")
    # Each value's line goes with it, its comment beside it.
    plain, hook = '    "quarter",   # plain\n', '    "Dotted-Eighth",  # the hook\n'
    assert path.read_text() == COMMENTED.replace(plain + hook, hook + plain)


@pytest.mark.parametrize(
    ("before", "note", "after"),
    [
        ("[\n  # slow\n  'half'  # long one\n  # end\n]", "eighth",
         "[\n  \"eighth\",\n  # slow\n  'half'  # long one\n  # end\n]"),
        ('[ # best first\n "quarter",\n # hook\n "eighth"\n]', "eighth",
         '[ # best first\n # hook\n "eighth",\n "quarter"\n]'),
        # Two values on a line: the comments stay where they are.
        ('[\n "quarter", "eighth", # both\n "half",\n]', "half",
         '[\n "half", "quarter", # both\n "eighth",\n]'),
    ],
)  # fmt: skip
def test_no_comment_inside_a_list_is_lost(tmp_path, before, note, after):
    text = 'format = 1\nname = "N"\n[[song]]\ntitle = "A"\nrepeats = {}\n'
    for line_end in ("\n", "\r\n"):
        path = written(tmp_path, text.format(before).replace("\n", line_end))
        assert write_back(path, [SongEdit(0, "A", note=note)]) == read_setlist(path)
        assert path.read_bytes().decode() == text.format(after).replace("\n", line_end)


@pytest.mark.parametrize(
    ("line", "left"),
    [
        ('head = "long"\n', ""),
        ('  head = "long" # Ida insists\n', "  # Ida insists\n"),
        ('"head" = "long"\n', ""),
        # What looks like the entry is part of another one.
        ('notes = """\nhead = "short"\n"""\nhead = "long"\n', 'notes = """\nhead = "short"\n"""\n'),
    ],
)
def test_a_head_is_taken_out_again(tmp_path, line, left):
    text = 'format = 1\nname = "N"\n[[song]]\ntitle = "A"\n{}taste = "either"\n'
    path = written(tmp_path, text.format(line))
    setlist = write_back(path, [SongEdit(0, "A", no_head=True)])
    assert setlist == read_setlist(path)
    assert setlist.song[0].head is None
    assert path.read_text() == text.format(left)
    assert write_back(path, [SongEdit(0, "A", no_head=True)]) == setlist


def test_tempo_and_note_value_of_a_section_are_written(tmp_path):
    path = written(tmp_path)
    edit = SongEdit(1, "Second", tempo_bpm=75.5, note="half", section=0, section_name="bridge")
    setlist = write_back(path, [SongEdit(1, "Second", tempo_bpm=90), edit])
    assert setlist == read_setlist(path)
    song = setlist.song[1]
    assert song.tempo_bpm == 90
    assert song.section[0].tempo_bpm == 75.5
    assert song.section[0].repeats == ("half", "quarter", "Dotted-Eighth", "eighth")
    assert path.read_text() == COMMENTED.replace(
        "  # hard to hear\n", "  # hard to hear\n  tempo_bpm = 90\n"
    ).replace(
        "  tempo_bpm = 72\n  # back to the top\n",
        "  tempo_bpm = 75.5\n  # back to the top\n"
        '  repeats = ["half", "quarter", "Dotted-Eighth", "eighth"]\n',
    )


def test_the_second_of_two_sections_is_found(tmp_path):
    sections = (
        '[[song.section]] # one\nname = "a"\n\n# two\n[[song.section]]\nname = "a"\n'
        'repeats = ["quarter", "eighth"]\n'
    )
    text = f'format = 1\nname = "N"\n[[song]]\ntitle = "A"\n{sections}'
    path = written(tmp_path, text)
    edit = SongEdit(0, "A", tempo_bpm=80, note="eighth", section=1, section_name="a")
    assert write_back(path, [edit]) == read_setlist(path)
    assert path.read_text() == text.replace(
        '["quarter", "eighth"]\n', '["eighth", "quarter"]\ntempo_bpm = 80\n'
    )


def test_sections_in_one_list_are_left_alone(tmp_path):
    song = '[[song]]\ntitle = "A"\nsection = [{name = "a", tempo_bpm = 90}]\n'
    path = written(tmp_path, f'format = 1\nname = "N"\n{song}')
    edit = SongEdit(0, "A", tempo_bpm=80, section=0, section_name="a")
    assert refused(path, [edit]) == (
        'song 1 "A": sections are not written as [[song.section]] tables; '
        "expected a line [[song.section]] above each section, to write changes back"
    )


def test_last_words_stay_at_the_end_and_an_entry_taken_out_with_its_song(tmp_path):
    top = 'format = 1\nname = "N"\n'
    a, b = '[[song]]\ntitle = "A"\n', '[[song]]\ntitle = "B"\n#  gap_s = 20\n'
    for words in ("\n# last words\n# of all\n", "# last words", "\n\n  # last\n\n# words\n\n"):
        path = written(tmp_path, f"{top}{a}{b}{words}")
        assert write_back(path, [], (1, 0)) == read_setlist(path)
        assert path.read_text() == f"{top}{b}{a}{words}"


def sleeper(path, number):
    """A child that writes one edit after another until it is killed."""
    child = os.fork()
    if child == 0:
        try:
            for step in range(10_000):
                edit = SongEdit(0, "First", tempo_bpm=40 + (number * 37 + step) % 300)
                write_back(path, [edit], (0, 2, 1) if step % 2 else None)
        finally:
            os._exit(1)
    return child


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")
def test_a_set_survives_a_writer_killed_at_any_moment(tmp_path):
    path = written(tmp_path)
    names = [song.title for song in read_setlist(path).song]
    lines = sorted(re.sub(r"= [\d.]+ # by ear", "= X # by ear", COMMENTED).split("\n"))
    rng = random.Random(11)
    met, unfinished = set(), 0
    for number in range(120):
        child = sleeper(path, number)
        time.sleep(rng.uniform(0.001, 0.03))
        os.kill(child, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        text = path.read_text()
        assert sorted(re.sub(r"= [\d.]+ # by ear", "= X # by ear", text).split("\n")) == lines
        song, *others = read_setlist(path).song
        assert song.title == "First"
        assert sorted(other.title for other in others) == sorted(names[1:])
        met.add(text)
        # What a killed writer leaves is hidden and ends in no `.toml`, so nobody opens it as a set.
        for left in set(tmp_path.iterdir()) - {path}:
            assert left.name.startswith(".quiet.toml.")
            assert left.suffix != ".toml"
            left.unlink()
            unfinished += 1
    # The moments were such that versions differ, and that some writes were cut off half way.
    assert len(met) > 20
    assert unfinished > 0


@pytest.mark.parametrize(
    ("repeats", "note", "now"),
    [
        ('repeats = ["quarter"]', "eighth", ("eighth", "quarter")),
        ('repeats = ["quarter", "eighth", "Eighth"]', "eighth", ("eighth", "quarter", "Eighth")),
        ("repeats = ['half', 'whole',]", "Whole", ("whole", "half")),
        ("", "eighth", ("eighth", "quarter", "dotted eighth")),
        ("", "half", ("half", "quarter", "dotted eighth", "eighth")),
        ("repeats = [\n# best\n'half', # x\n]", "whole", ("whole", "half")),
    ],
)
def test_a_note_value_comes_first_and_the_others_keep_their_order(tmp_path, repeats, note, now):
    text = f'format = 1\nname = "N"\n[[song]]\ntitle = "A"\n{repeats}\n'
    path = written(tmp_path, text)
    assert write_back(path, [SongEdit(0, "A", note=note)]).song[0].repeats == now
    assert read_setlist(path).song[0].repeats == now
    assert [line for line in text.split("\n") if "# best" in line] == [
        line for line in path.read_text().split("\n") if "# best" in line
    ]


def test_what_is_so_already_is_not_written(tmp_path):
    path = written(tmp_path)
    os.utime(path, (1, 1))
    edits = [
        SongEdit(0, "First", tempo_bpm=96.5004, note="Crotchet", taste="steady"),
        SongEdit(2, "Third", head="long", taste="wobbly"),
    ]
    assert write_back(path, edits, (0, 1, 2)) == read_setlist(path)
    assert path.read_text() == COMMENTED
    assert path.stat().st_mtime == 1


def test_a_tapped_tempo_is_written_to_a_hundredth(tmp_path):
    path = written(tmp_path)
    write_back(path, [SongEdit(0, "First", tempo_bpm=101.23456789)])
    assert "tempo_bpm = 101.23 # by ear\n" in path.read_text()


def test_two_edits_of_one_song_both_stand(tmp_path):
    path = written(tmp_path)
    edits = [SongEdit(0, "First", tempo_bpm=90), SongEdit(0, "First", tempo_bpm=91, head="long")]
    song = write_back(path, edits).song[0]
    assert (song.tempo_bpm, song.head) == (91, "long")
    assert read_setlist(path).song[0] == song


def test_a_new_order_takes_the_comments_of_each_song_along(tmp_path):
    path = written(tmp_path)
    before = read_setlist(path)
    setlist = write_back(path, [SongEdit(2, "Third", head="short")], (2, 0, 1))
    assert [song.title for song in setlist.song] == ["Third", "First", "Second"]
    assert setlist == read_setlist(path)
    assert setlist.song[1:] == before.song[:2]
    top, first, second, third = (
        COMMENTED[: COMMENTED.index("# opener")],
        COMMENTED[COMMENTED.index("# opener") : COMMENTED.index("\n\n  # Ida")],
        COMMENTED[COMMENTED.index("  # Ida") : COMMENTED.index("\n\n# and out")],
        COMMENTED[COMMENTED.index("# and out") : COMMENTED.index("\n# good")].replace(
            "long", "short"
        ),
    )
    assert path.read_text() == f"{top}{third}\n\n{first}\n\n{second}\n# good night"


def test_the_last_line_of_a_string_is_no_comment_of_the_next_song(tmp_path):
    for quotes in ('"""', "'''"):
        first = f'[[song]]\ntitle = "A"\nnotes = {quotes}\n# low{quotes}'
        path = written(tmp_path, f'format = 1\nname = "N"\n{first}\n[[song]]\ntitle = "B"\n')
        setlist = write_back(path, [SongEdit(0, "A", tempo_bpm=90)], (1, 0))
        assert setlist == read_setlist(path)
        assert path.read_text() == (
            f'format = 1\nname = "N"\n[[song]]\ntitle = "B"\n{first}\ntempo_bpm = 90\n'
        )


@pytest.mark.parametrize(
    "title", ["a\\u001b[31mb", "\\u202edit woL", "[b]Low[/b]", "🔥 Łódź", "x" * 10_000]
)
def test_odd_titles_are_found_again_and_left_as_they_were(tmp_path, title):
    text = f'format = 1\nname = "N"\n[[song]]\ntitle = "{title}"\ntempo_bpm = 96\n'
    path = written(tmp_path, text)
    shown = read_setlist(path).song[0].title
    write_back(path, [SongEdit(0, shown, tempo_bpm=90)])
    assert path.read_text() == text.replace("= 96", "= 90")


def test_lines_that_end_in_two_characters_stay_so(tmp_path):
    path = written(tmp_path, COMMENTED.replace("\n", "\r\n"))
    write_back(path, [SongEdit(0, "First", tempo_bpm=60, head="long")], (1, 0, 2))
    text = path.read_bytes().decode()
    assert text.count("\r\n") == text.count("\n") == COMMENTED.count("\n") + 1
    assert [song.title for song in read_setlist(path).song] == ["Second", "First", "Third"]


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_any_edits_and_order_keep_every_line_that_is_not_edited(tmp_path, data):
    """tomlkit's own reading of the file is the reference for what it now says."""
    text = DEMO_SET.read_text(encoding="utf-8")
    path = written(tmp_path, text)
    before = read_setlist(path)
    count = len(before.song)
    edits = [
        SongEdit(
            place,
            before.song[place].title,
            tempo_bpm=data.draw(st.none() | st.floats(20, 400)),
            note=data.draw(st.sampled_from([None, "quarter", "eighth", "half triplet"])),
            taste=data.draw(st.sampled_from([None, "steady", "wobbly", "either"])),
            head=data.draw(st.sampled_from([None, "short", 'l"o\\ng'])),
        )
        for place in data.draw(st.sets(st.integers(0, count - 1)))
    ]
    order = tuple(data.draw(st.permutations(range(count))))
    after = write_back(path, edits, order)
    new = path.read_text(encoding="utf-8")
    read = tomlkit.parse(new).unwrap()["song"]
    assert [song["title"] for song in read] == [before.song[place].title for place in order]
    assert after == read_setlist(path)
    edited = {edit.place: edit for edit in edits}
    for place, song in zip(order, read, strict=True):
        edit = edited.get(place)
        if edit is None:
            assert after.song[order.index(place)] == before.song[place]
            continue
        if edit.tempo_bpm is not None:
            assert song["tempo_bpm"] == pytest.approx(edit.tempo_bpm, abs=0.005001)
        if edit.note is not None:
            assert (song.get("repeats") or ["quarter"])[0] == edit.note
        if edit.taste is not None:
            assert song.get("taste", "steady") == edit.taste
        if edit.head is not None:
            assert song["head"] == edit.head
    keys = ("tempo_bpm", "repeats", "taste", "head")
    kept = [line for line in text.split("\n") if not line.startswith(keys)]
    assert sorted(kept) == sorted(line for line in new.split("\n") if not line.startswith(keys))


@pytest.mark.parametrize(
    ("edit", "sentence"),
    [
        (SongEdit(0, "Second", tempo_bpm=90),
         'song 1 is "First"; expected "Second", as it was read; take the file as it is now first'),
        (SongEdit(3, "Fourth", tempo_bpm=90),
         'no song 4; expected "Fourth", as it was read; take the file as it is now first'),
        (SongEdit(-1, "Third", tempo_bpm=90),
         'no song 0; expected "Third", as it was read; take the file as it is now first'),
        (SongEdit(0, "First", tempo_bpm=1200),
         'song 1 "First": tempo_bpm is 1200; expected 20 to 400'),
        (SongEdit(0, "First", tempo_bpm=float("nan")),
         'song 1 "First": tempo_bpm is nan; expected 20 to 400'),
        (SongEdit(0, "First", note="eigth"),
         'song 1 "First": unknown note value "eigth"; expected "eighth"'),
        (SongEdit(0, "First", taste="wild"),
         'song 1 "First": taste is "wild"; expected "either", "steady" or "wobbly"'),
        (SongEdit(0, "First", head=""),
         'song 1 "First": head is empty; expected text of up to 10000 characters'),
        (SongEdit(1, "Second", tempo_bpm=80, section=1, section_name="coda"),
         'song 2 "Second": no section 2; expected "coda", as it was read; '
         "take the file as it is now first"),
        (SongEdit(1, "Second", tempo_bpm=80, section=0, section_name="coda"),
         'song 2 "Second": section 1 is "bridge"; expected "coda", as it was read; '
         "take the file as it is now first"),
        (SongEdit(1, "Second", taste="steady", section=0, section_name="bridge"),
         'song 2 "Second": section "bridge" has no taste and no head of its own; '
         "expected an edit of the song"),
        (SongEdit(1, "Second", tempo_bpm=1200, section=0, section_name="bridge"),
         'song 2 "Second", section 1 "bridge": tempo_bpm is 1200; expected 20 to 400'),
        (SongEdit(0, "First", head="a\ud800b"),
         "its layout does not allow the change; expected the change by hand"),
    ],
)  # fmt: skip
def test_an_edit_that_does_not_fit_changes_nothing(tmp_path, edit, sentence):
    path = written(tmp_path)
    assert refused(path, [SongEdit(2, "Third", head="short"), edit]) == sentence


@pytest.mark.parametrize("order", [(0, 1), (0, 1, 1), (1, 2, 3), (0, 1, 2, 3)])
def test_an_order_that_does_not_name_every_song_changes_nothing(tmp_path, order):
    assert refused(written(tmp_path), [], order) == (
        "the new order does not name each of the 3 songs once; "
        "expected the set as it was read; take the file as it is now first"
    )


def test_a_file_that_changed_since_it_was_seen_is_left_alone(tmp_path):
    path = written(tmp_path)
    seen = stamp(path)
    path.write_text(COMMENTED + " all", encoding="utf-8")
    assert refused(path, [SongEdit(0, "First", tempo_bpm=90)], seen=seen) == (
        "has changed; expected the set as it was read; take the file as it is now first"
    )
    assert write_back(path, [SongEdit(0, "First", tempo_bpm=90)], seen=stamp(path))


def test_the_tempo_of_a_song_with_a_midi_file_is_not_written(tmp_path):
    path = written(tmp_path, COMMENTED + '\nmidi_file = "third.mid"\n')
    assert refused(path, [SongEdit(2, "Third", tempo_bpm=90)]) == (
        'song 3 "Third": the tempo comes from "third.mid"; '
        "expected a song without midi_file, to write a tempo back"
    )
    assert write_back(path, [SongEdit(2, "Third", head="short")]).song[2].head == "short"


def test_songs_in_one_list_are_left_alone(tmp_path):
    path = written(tmp_path, 'format = 1\nname = "N"\nsong = [{title = "A"}, {title = "B"}]\n')
    assert refused(path, [SongEdit(0, "A", tempo_bpm=90)]) == (
        "songs are not written as [[song]] tables; "
        "expected a line [[song]] above each song, to write changes back"
    )


def test_a_key_in_an_unusual_spelling_still_reads_back_as_wanted(tmp_path):
    path = written(tmp_path, 'format = 1\nname = "N"\n[[song]]\n" taste " = "wobbly"\ntitle="A"\n')
    assert read_setlist(path).song[0].taste == "wobbly"
    # The reader trims keys, the writer does not: both lines stand, and the last one counts.
    assert write_back(path, [SongEdit(0, "A", taste="either")]) == read_setlist(path)


def test_a_file_that_would_grow_too_large_is_left_alone(tmp_path):
    filling = "#" * (LARGEST_BYTES - len(COMMENTED) - 2)
    path = written(tmp_path, f"{filling}\n{COMMENTED}\n")
    assert refused(path, [SongEdit(0, "First", head="a head with a long name")]) == (
        "would grow too large to be read; expected at most 1 MB"
    )


def test_a_broken_rewriting_never_reaches_the_file(tmp_path, monkeypatch):
    path = written(tmp_path)
    monkeypatch.setattr(set_edit, "edited", lambda piece, *_: piece + "]]")
    assert refused(path, [SongEdit(0, "First", tempo_bpm=90)]) == (
        "its layout does not allow the change; expected the change by hand"
    )


def test_a_set_of_a_thousand_songs_is_written_back_in_good_time(tmp_path):
    songs = "".join(f'\n# no. {n}\n[[song]]\ntitle = "S{n}"\ntempo_bpm = 96\n' for n in range(1000))
    path = written(tmp_path, 'format = 1\nname = "Long"\n' + songs)
    begun = time.perf_counter()
    write_back(path, [SongEdit(500, "S500", tempo_bpm=97)], tuple(reversed(range(1000))))
    assert time.perf_counter() - begun < 2.0
    assert path.read_text().index("# no. 999\n") < path.read_text().index("# no. 0\n")


def test_a_change_on_disk_is_noticed_by_content(tmp_path):
    path = written(tmp_path)
    seen = stamp(path)
    assert not changed(path, seen)
    path.touch()
    assert not changed(path, seen), "saved again with the same content"
    path.write_text(COMMENTED.replace("96.5", "96.6"))
    assert changed(path, seen)
    path.write_text(COMMENTED)
    assert not changed(path, seen)
    path.unlink()
    assert changed(path, seen)


def test_a_save_within_one_tick_of_the_clock_is_noticed_too(tmp_path):
    path = written(tmp_path)
    now_ns = time.time_ns()
    os.utime(path, ns=(now_ns, now_ns))
    seen = stamp(path)
    path.write_text(COMMENTED.replace("96.5", "96.6"))
    os.utime(path, ns=(now_ns, now_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (seen.size, seen.saved_ns)
    assert changed(path, seen)


def test_a_file_long_at_rest_is_not_read_again(tmp_path, monkeypatch):
    path = written(tmp_path)
    os.utime(path, (1_000, 1_000))
    seen = stamp(path)

    def unexpected(path):
        raise AssertionError(f"{path} was read")

    monkeypatch.setattr(set_edit, "_digest", unexpected)
    assert not changed(path, seen)


def test_a_file_that_is_missing_or_no_file_has_no_content(tmp_path):
    missing = tmp_path / "none.toml"
    seen = stamp(missing)
    assert seen.digest == stamp(tmp_path).digest == stamp(tmp_path / "a\0b").digest == ""
    assert not changed(missing, seen)
    assert not changed(tmp_path, stamp(tmp_path))
    missing.write_text("")
    assert changed(missing, seen)
