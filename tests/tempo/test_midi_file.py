"""Tempo maps, against mido's own arithmetic and bars counted by hand."""

from __future__ import annotations

import random
import re
import struct
import time
import tracemalloc
from pathlib import Path

import mido
import pytest

from tempotape.faults import InputFault
from tempotape.tempo.midi_file import (
    LARGEST_BYTES,
    Change,
    Marker,
    TempoSection,
    read_tempo_map,
    sections,
)

DIVISION = 480
WANTED = "a MIDI file (.mid) of format 0 or 1"


def tempo(tick, bpm):
    """A tempo event; microseconds are whole, so a BPM comes back to about 1 in 100,000."""
    return tick, mido.MetaMessage("set_tempo", tempo=round(6e7 / bpm))


def signature(tick, numerator, denominator):
    return tick, mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator)


def marker(tick, text):
    return tick, mido.MetaMessage("marker", text=text)


def midi_file(*tracks, end=0, division=DIVISION):
    """A file of the given format 1 tracks, each a list of (tick, message), lasting to `end`."""
    file = mido.MidiFile(type=1, ticks_per_beat=division)
    for events in tracks:
        track = file.add_track()
        at = 0
        for tick, message in sorted(events, key=lambda event: event[0]):
            track.append(message.copy(time=tick - at))
            at = tick
        track.append(mido.MetaMessage("end_of_track", time=max(0, end - at)))
    return file


def saved(tmp_path, file):
    path = tmp_path / "song.mid"
    file.save(path)
    return path


def read(tmp_path, *tracks, end=0, division=DIVISION):
    return read_tempo_map(saved(tmp_path, midi_file(*tracks, end=end, division=division)))


def fault(path):
    with pytest.raises(InputFault) as met:
        read_tempo_map(path)
    told = str(met.value)
    assert told.startswith(f"{path}: ")
    assert told.isprintable()
    return told.removeprefix(f"{path}: ")


def raw(tmp_path, *, form=1, tracks=1, division=480, body=b"\x00\xff\x2f\x00"):
    """A file written byte by byte: header, then one track holding `body`."""
    path = tmp_path / "raw.mid"
    head = b"MThd" + struct.pack(">Lhhh", 6, form, tracks, division)
    path.write_bytes(head + (b"MTrk" + struct.pack(">L", len(body)) + body) * tracks)
    return path


# Standard MIDI Files 1.0: 120 BPM and 4/4 hold until a file says otherwise.
def test_a_file_that_says_nothing_is_120_in_4_4(tmp_path):
    found = read(tmp_path, [], end=8 * 4 * DIVISION)
    assert found.changes == (Change(0, 0.0, 1, 1.0, 120.0, 4, 4),)
    assert (found.ticks_per_quarter, found.length_s, found.bars) == (480, 16.0, 8)
    assert [part.text for part in sections(found)] == ["bars 1-8, 4/4, 120 BPM"]


# Standard MIDI Files 1.0, FF 51 03 and FF 58 04, byte by byte: 07 A1 20 is 500,000 microseconds,
# 0B 71 B0 is 750,000, 80 BPM; 06 03 is six eighths.
def test_tempo_and_signature_by_their_bytes(tmp_path):
    body = b"\x00\xff\x51\x03\x0b\x71\xb0\x00\xff\x58\x04\x06\x03\x24\x08\x83\x60\xff\x2f\x00"
    found = read_tempo_map(raw(tmp_path, form=0, body=body))
    assert found.changes == (Change(0, 0.0, 1, 1.0, 80.0, 6, 8),)
    assert (found.length_ticks, found.length_s) == (480, 0.75)  # 83 60 is 480 ticks


def test_bars_and_times_worked_by_hand(tmp_path):
    # Two bars of 4/4 at 120, 2 s each; two of 3/4 at 90, 2 s each; then 6/8 (1440 ticks) at 60.
    found = read(
        tmp_path,
        [signature(3840, 3, 4), signature(6720, 6, 8)],
        [tempo(0, 120), tempo(3840, 90), tempo(6720, 60), tempo(6720 + 1440 + 720, 120)],
        end=6720 + 3 * 1440,
    )
    assert [(c.tick, c.bar, c.beat_in_bar, c.numerator, c.denominator) for c in found.changes] == [
        (0, 1, 1.0, 4, 4),
        (3840, 3, 1.0, 3, 4),
        (6720, 5, 1.0, 6, 8),
        (8880, 6, 4.0, 6, 8),
    ]
    # Quarters at 60 last 1 s, so half a bar past bar 5 of 6/8 is 8 + 3 + 1.5 s.
    assert [c.time_s for c in found.changes] == pytest.approx([0, 4, 8, 12.5], abs=1e-5)
    assert [c.tempo_bpm for c in found.changes] == pytest.approx([120, 90, 60, 120], rel=1e-6)
    assert found.bars == 7
    assert found.remarks == ()


def test_a_signature_off_a_bar_line_starts_a_new_bar_and_is_told(tmp_path):
    # 4/4 from tick 0; 7/8 begins two beats into bar 2.
    found = read(tmp_path, [signature(1920 + 960, 7, 8)], end=1920 + 960 + 2 * 1680)
    assert [(c.bar, c.beat_in_bar) for c in found.changes] == [(1, 1.0), (3, 1.0)]
    assert found.bars == 4
    assert found.remarks == ("bar 2 ends after 2 of 4 beats: 7/8 starts a new bar there",)
    assert [(p.first_bar, p.last_bar) for p in sections(found)] == [(1, 2), (3, 4)]


def test_many_cut_bars_are_told_in_few_words(tmp_path):
    # A new signature on every beat: 3/4, 4/4, 3/4... Each bar but the last is cut after one beat.
    events = [signature(at * 480, 3 + at % 2, 4) for at in range(200)]
    found = read(tmp_path, events, end=200 * 480)
    assert found.bars == 200
    assert found.remarks[0] == "bar 1 ends after 1 of 3 beats: 4/4 starts a new bar there"
    assert found.remarks[10:] == ("and 189 more bars",)


def test_a_signature_told_again_changes_nothing(tmp_path):
    found = read(tmp_path, [signature(0, 4, 4), signature(960, 4, 4)], end=3840)
    assert found.changes == (Change(0, 0.0, 1, 1.0, 120.0, 4, 4),)
    assert found.bars == 2


def test_any_track_may_hold_the_tempo_and_the_last_at_a_tick_holds(tmp_path):
    notes = [(0, mido.Message("note_on", note=60, velocity=9)), tempo(960, 100)]
    found = read(tmp_path, [tempo(0, 140), tempo(960, 60)], notes, end=1920)
    assert [(c.tick, round(c.tempo_bpm, 3)) for c in found.changes] == [(0, 140.0), (960, 100.0)]


def test_the_longest_track_sets_the_length(tmp_path):
    notes = [(9600, mido.Message("note_off", note=60))]
    found = read(tmp_path, [tempo(0, 60)], notes)
    assert (found.length_ticks, found.length_s, found.bars) == (9600, 20.0, 5)


# The reference: mido.tick2second for each stretch, and mido.MidiFile.length for the whole.
@pytest.mark.parametrize("seed", range(40))
def test_times_and_length_agree_with_mido(tmp_path, seed):
    drawn = random.Random(seed)
    division = drawn.choice([1, 24, 96, 480, 960, 32767])
    at, events = 0, []
    for _ in range(drawn.randrange(1, 30)):
        events.append((at, mido.MetaMessage("set_tempo", tempo=drawn.randrange(1, 1 << 24))))
        at += drawn.randrange(1, 8 * division + 1)
    other = [(drawn.randrange(at), mido.Message("note_on", note=1)) for _ in range(5)]
    path = saved(tmp_path, midi_file(events, other, end=at, division=division))
    found = read_tempo_map(path)
    assert found.length_s == pytest.approx(mido.MidiFile(path).length, rel=1e-9)
    seconds = 0.0
    wanted = []
    for (tick, message), (after, _) in zip(events, [*events[1:], (at, None)], strict=True):
        wanted.append((tick, seconds, mido.tempo2bpm(message.tempo)))
        seconds += mido.tick2second(after - tick, division, message.tempo)
    assert [c.tick for c in found.changes] == [tick for tick, _, _ in wanted]
    assert [c.time_s for c in found.changes] == pytest.approx([s for _, s, _ in wanted], rel=1e-9)
    assert [c.tempo_bpm for c in found.changes] == pytest.approx([b for _, _, b in wanted])


def test_sections_with_markers_name_and_bars(tmp_path):
    found = read(
        tmp_path,
        [tempo(0, 96), marker(0, "verse"), tempo(8 * 1920, 72), marker(8 * 1920, "bridge"),
         marker(10 * 1920, "second half"), tempo(12 * 1920, 96)],
        end=16 * 1920,
    )  # fmt: skip
    assert [(part.name, part.text) for part in sections(found)] == [
        ("verse", "bars 1-8, 4/4, 96 BPM"),
        ("bridge", "bars 9-12, 4/4, 72 BPM"),
        ("", "bars 13-16, 4/4, 96 BPM"),
    ]
    assert found.markers[-1] == Marker(10 * 1920, 11, "second half")


def test_a_marker_is_made_printable_and_short(tmp_path):
    events = [marker(0, "\x1b[31mred\n"), marker(480, "caf\xc3\xa9"), marker(960, "caf\xe9")]
    events += [marker(1440, "\x07"), marker(1920, "x" * 5000)]
    found = read(tmp_path, events, end=3840)
    assert [m.name for m in found.markers] == ["[31mred", "café", "café", "x" * 200]


def beats(start, count, first_bpm, last_bpm, *, a_beat=1, length=DIVISION):
    """Changes on every beat (or part of it) of a stretch, in equal steps after `first_bpm`."""
    many = count * a_beat
    return [
        tempo(start + step * length // a_beat, first_bpm + (last_bpm - first_bpm) * step / many)
        for step in range(1, many + 1)
    ]


# By hand: bars 1-8 at 120; in the four bars 9-12 each of 16 beats is 1.25 BPM faster.
@pytest.mark.parametrize("a_beat", [1, 4, 60])
def test_an_accelerando_is_one_section(tmp_path, a_beat):
    start = 8 * 1920
    events = [tempo(0, 120), *beats(start - 480 // a_beat, 16, 120, 140, a_beat=a_beat)]
    found = read(tmp_path, events, end=16 * 1920)
    assert len(found.changes) == 1 + 16 * a_beat
    told = sections(found)
    assert [part.text for part in told] == [
        "bars 1-8, 4/4, 120 BPM",
        "bars 9-12, 4/4, 120 to 140 BPM",
        "bars 13-16, 4/4, 140 BPM",
    ]
    assert [part.held for part in told] == [True, False, True]
    # The ends meet: nothing of the song is left out.
    assert [part.end_s for part in told[:-1]] == [part.start_s for part in told[1:]]
    assert told[-1].end_s == found.length_s


def test_a_ritardando_to_the_end_is_one_section(tmp_path):
    found = read(tmp_path, [tempo(0, 100), *beats(4 * 1920 - 480, 8, 100, 60)], end=6 * 1920)
    assert [part.text for part in sections(found)] == [
        "bars 1-4, 4/4, 100 BPM",
        "bars 5-6, 4/4, 100 to 60 BPM",
    ]


def test_a_turn_splits_a_ritardando_from_the_return(tmp_path):
    down = [tempo(0, 120), *beats(4 * 1920, 8, 120, 80)]
    found = read(tmp_path, [*down, *beats(6 * 1920, 8, 80, 120)], end=16 * 1920)
    assert [part.text for part in sections(found)] == [
        "bars 1-4, 4/4, 120 BPM",
        "bars 5-6, 4/4, 120 to 80 BPM",
        "bars 7-8, 4/4, 80 to 120 BPM",
        "bars 9-16, 4/4, 120 BPM",
    ]


def test_a_jump_into_a_ramp_is_not_its_start(tmp_path):
    events = [tempo(0, 90), tempo(4 * 1920, 120), *beats(4 * 1920, 8, 120, 136)]
    events += [tempo(8 * 1920, 60)]
    assert [part.text for part in sections(read(tmp_path, events, end=10 * 1920))] == [
        "bars 1-4, 4/4, 90 BPM",
        "bars 5-6, 4/4, 120 to 136 BPM",
        "bars 7-8, 4/4, 136 BPM",
        "bars 9-10, 4/4, 60 BPM",
    ]


def test_a_ramp_cut_short_by_a_jump_ends_before_it(tmp_path):
    events = [tempo(0, 100), *beats(4 * 1920 - 480, 8, 100, 108), tempo(6 * 1920, 200)]
    assert [part.text for part in sections(read(tmp_path, events, end=10 * 1920))] == [
        "bars 1-4, 4/4, 100 BPM",
        "bars 5-6, 4/4, 100 to 108 BPM",
        "bars 7-10, 4/4, 200 BPM",
    ]


def test_a_played_tempo_map_is_one_section_with_its_mean(tmp_path):
    # 200 beats, each at a tempo of its own: the mean is beats over minutes.
    drawn = random.Random(1)
    events = [tempo(at * 480, drawn.choice([118, 119, 121, 122])) for at in range(200)]
    found = read(tmp_path, events, end=200 * 480)
    (whole,) = sections(found)
    assert whole.tempo_bpm == pytest.approx(200 / (found.length_s / 60))
    assert whole.text == f"bars 1-50, 4/4, about {whole.tempo_bpm:.4g}, between 118 and 122 BPM"


def test_within_a_beat_of_a_bar_line_is_told_as_on_it(tmp_path):
    # The new tempo comes with the upbeat: beat 4 of bar 4, and its name with it.
    events = [tempo(0, 100), tempo(4 * 1920 - 480, 80), marker(4 * 1920 - 480, "out")]
    told = sections(read(tmp_path, [*events, marker(0, "in")], end=8 * 1920))
    assert [(part.name, part.first_bar, part.last_bar) for part in told] == [
        ("in", 1, 4),
        ("out", 5, 8),
    ]
    # Two beats before the line are in the bar; a change in the last bar stays there.
    events = [tempo(0, 100), tempo(4 * 1920 - 960, 80), marker(3 * 1920, "out")]
    told = sections(read(tmp_path, [*events, tempo(8 * 1920 - 480, 70)], end=8 * 1920))
    assert [(part.name, part.first_bar, part.last_bar) for part in told] == [
        ("", 1, 4),
        ("out", 4, 8),
        ("", 8, 8),
    ]


def test_bars_of_one_beat_have_a_quarter_beat_of_leeway(tmp_path):
    found = read(tmp_path, [signature(0, 1, 4), tempo(480, 90), tempo(2 * 480 + 240, 80)], end=1920)
    assert [(part.first_bar, part.last_bar) for part in sections(found)] == [(1, 1), (2, 3), (3, 4)]


def test_rounding_of_a_tempo_is_no_change(tmp_path):
    events = [tempo(bar * 1920, 120 + (0.04 if bar % 2 else 0.0)) for bar in range(8)]
    (whole,) = sections(read(tmp_path, events, end=8 * 1920))
    assert whole.text == "bars 1-8, 4/4, 120 BPM"
    apart = [tempo(0, 120), tempo(4 * 1920, 120.06)]
    assert len(sections(read(tmp_path, apart, end=8 * 1920))) == 2


def test_rounding_does_not_creep(tmp_path):
    # A step of 0.04 BPM every four bars, a hundred times: 4 BPM in all are not one tempo.
    events = [tempo(step * 7680, 100 + 0.04 * step) for step in range(101)]
    told = sections(read(tmp_path, events, end=101 * 7680))
    assert len(told) > 40
    assert all(part.held for part in told)
    assert told[-1].tempo_bpm == pytest.approx(104, abs=0.05)


def test_the_tempo_told_at_the_very_end_is_kept(tmp_path):
    found = read(tmp_path, [tempo(0, 100), tempo(1920, 80)], end=1920)
    assert [part.text for part in sections(found)] == [
        "bar 1, 4/4, 100 BPM",
        "bar 2, 4/4, 80 BPM",
    ]


def test_a_file_without_length_keeps_its_tempo(tmp_path):
    found = read(tmp_path, [tempo(0, 75)])
    assert (found.bars, found.length_s) == (0, 0.0)
    assert sections(found) == (
        TempoSection("", 1, 1, 0.0, 0.0, 75.0, 75.0, 75.0, 75.0, 75.0, 4, 4),
    )


def test_no_such_file(tmp_path):
    assert fault(tmp_path / "no.mid") == f"no such file; expected {WANTED}"


def test_a_folder(tmp_path):
    assert fault(tmp_path) == f"is a folder; expected {WANTED}"


def test_a_device():
    assert fault(Path("/dev/zero")) == f"is not a plain file; expected {WANTED}"


def test_a_name_that_no_file_can_have():
    with pytest.raises(InputFault, match=re.escape("cannot be read (embedded null byte)")):
        read_tempo_map(Path("a\0b.mid"))


def test_a_name_longer_than_any(tmp_path):
    assert fault(tmp_path / ("x" * 5000)) == "cannot be read (File name too long)"


def test_not_a_midi_file(tmp_path):
    path = tmp_path / "song.mid"
    for content in (b"", b"RIFF\0\0\0\0WAVE", b'format = 1\nname = "x"\n'):
        path.write_bytes(content)
        assert fault(path) == f"is not a MIDI file; expected {WANTED}"


def test_a_file_too_large_is_not_read(tmp_path):
    path = tmp_path / "big.mid"
    with path.open("wb") as file:
        file.truncate(LARGEST_BYTES + 1)
    assert fault(path) == "is too large; expected a MIDI file of at most 2 MB"


def test_every_cut_of_a_file_is_told(tmp_path):
    whole = saved(tmp_path, midi_file([tempo(0, 90), signature(0, 3, 4)], end=4800)).read_bytes()
    path = tmp_path / "cut.mid"
    for size in range(4, len(whole)):
        path.write_bytes(whole[:size])
        assert fault(path) == "ends in the middle; expected a whole MIDI file"


def test_format_2(tmp_path):
    assert fault(raw(tmp_path, form=2)) == "is a MIDI file of format 2; expected format 0 or 1"


# Standard MIDI Files 1.0: the upper byte of an SMPTE division is minus the frames a second.
@pytest.mark.parametrize("frames", [24, 25, 29, 30])
def test_smpte_division(tmp_path, frames):
    told = fault(raw(tmp_path, division=-frames * 256 + 40))
    assert told == (
        "counts SMPTE frames, not beats, so it has no tempo; "
        "expected ticks a quarter note (division without SMPTE)"
    )


def test_division_0(tmp_path):
    assert fault(raw(tmp_path, division=0)) == "has 0 ticks a quarter note; expected 1 to 32767"


def test_no_tracks(tmp_path):
    assert fault(raw(tmp_path, tracks=0)) == f"holds no tracks; expected {WANTED}"


def test_tempo_0(tmp_path):
    told = fault(raw(tmp_path, body=b"\x60\xff\x51\x03\x00\x00\x00\x00\xff\x2f\x00"))
    assert told == "tempo at tick 96 is 0 microseconds a quarter note; expected 1 to 16777215"


@pytest.mark.parametrize(("beats_", "power"), [(0, 2), (4, 7), (4, 255)])
def test_a_signature_that_is_none(tmp_path, beats_, power):
    told = fault(raw(tmp_path, body=bytes([0, 0xFF, 0x58, 4, beats_, power, 24, 8])))
    assert told == (
        f"time signature at tick 0 is {beats_}/2^{power}; "
        "expected at least one beat, of a note value from 1 to 64"
    )


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"\x00\xf4\x00", "undefined status byte 0xf4"),
        (b"\x00\x40\x40", "running status without last_status"),
    ],
)
def test_damaged_events(tmp_path, body, reason):
    assert fault(raw(tmp_path, body=body)) == f"is damaged ({reason}); expected {WANTED}"


def test_a_tempo_of_one_byte(tmp_path):
    told = fault(raw(tmp_path, body=b"\x00\xff\x51\x01\x07\x00\xff\x2f\x00"))
    assert told == f"is damaged; expected {WANTED}"


def test_a_key_of_99_sharps(tmp_path):
    told = fault(raw(tmp_path, body=b"\x00\xff\x59\x02\x63\x00\x00\xff\x2f\x00"))
    assert told == f"is damaged; expected {WANTED}"


# Standard MIDI Files 1.0: a variable-length quantity is at most 0FFFFFFF.
def test_a_wait_beyond_what_can_be_written(tmp_path):
    longest = b"\xff\xff\xff\x7f\xff\x2f\x00"
    assert fault(raw(tmp_path, division=1, body=longest)).startswith("lasts 37283 hours")
    told = fault(raw(tmp_path, body=b"\x81\x80\x80\x80\x00\xff\x2f\x00"))
    assert told == "holds a wait longer than MIDI files can write; expected at most 268435455 ticks"


def test_longer_than_a_day(tmp_path):
    # 2 x 86,400 quarters at 120 BPM last a day.
    day = midi_file([], end=2 * 86_400 * 480)
    assert read_tempo_map(saved(tmp_path, day)).length_s == 86_400
    over = midi_file([], end=2 * 86_400 * 480 + 1)
    assert fault(saved(tmp_path, over)) == "lasts 24 hours; expected at most 24 hours"


def test_a_number_without_end_is_told_at_once(tmp_path):
    path = raw(tmp_path, body=b"\xff" * (LARGEST_BYTES - 100))
    began = time.process_time()
    assert fault(path) == f"is damaged (a number without end); expected {WANTED}"
    assert time.process_time() - began < 1.0  # mido alone would need minutes


def test_claims_of_four_gigabytes_cost_nothing(tmp_path):
    path = tmp_path / "claims.mid"
    header = b"MThd" + struct.pack(">Lhhh", 0xFFFFFFFF, 1, 32767, 480)
    track = b"MTrk\xff\xff\xff\xff\x00\xff\x01\xff\xff\xff\x7f"
    tracemalloc.start()
    try:
        for content in (header, header + track, b"MThd" + struct.pack(">Lhhh", 6, 1, 32767, 480),
                        b"MThd" + struct.pack(">Lhhh", 6, 1, 1, 480) + track):  # fmt: skip
            path.write_bytes(content)
            fault(path)
        assert tracemalloc.get_traced_memory()[1] < 8_000_000
    finally:
        tracemalloc.stop()


def test_signatures_by_the_ten_thousand_take_no_longer_each(tmp_path):
    seconds = []
    for count in (4_000, 40_000):
        body = b"".join(b"\x01\xff\x58\x04" + bytes([3 + at % 2, 2, 24, 8]) for at in range(count))
        path = raw(tmp_path, body=body + b"\x00\xff\x2f\x00")
        began = time.process_time()
        assert len(sections(read_tempo_map(path))) == 1 + count
        seconds.append(time.process_time() - began)
    # Ten times as many cost ten times as much; a hundred times would mean each looks at all.
    assert seconds[1] < 40 * seconds[0]


def test_changes_by_the_hundred_thousand_are_told_in_few_sections(tmp_path):
    body = b"".join(
        b"\x01\xff\x51\x03" + (500_000 - at * 4).to_bytes(3, "big") for at in range(60_000)
    )
    found = read_tempo_map(raw(tmp_path, body=body + b"\x00\xff\x2f\x00"))
    assert len(found.changes) >= 60_000
    (ramp,) = sections(found)
    assert (round(ramp.start_bpm), round(ramp.end_bpm)) == (120, 231)


def _seeds(tmp_path):
    rich = midi_file(
        [tempo(0, 90), signature(0, 3, 4), marker(0, "in"), *beats(960, 8, 90, 120),
         signature(9600, 7, 8)],
        [(at * 240, mido.Message("note_on", note=60, velocity=at % 128)) for at in range(30)],
        end=20_000,
    )  # fmt: skip
    rich.tracks[1].insert(0, mido.MetaMessage("key_signature", key="Bb"))
    rich.tracks[1].insert(0, mido.MetaMessage("smpte_offset", frame_rate=25))
    rich.tracks[1].insert(0, mido.Message("sysex", data=[1, 2, 3]))
    yield saved(tmp_path, rich).read_bytes()
    yield saved(tmp_path, midi_file([tempo(0, 140)], end=960)).read_bytes()
    yield raw(tmp_path, form=0, body=b"\x00\xff\x51\x03\x07\xa1\x20\x00\xff\x2f\x00").read_bytes()


def test_3000_mutated_and_random_files_end_in_a_map_or_one_sentence(tmp_path):
    drawn = random.Random(7)
    seeds = list(_seeds(tmp_path))
    path = tmp_path / "fuzz.mid"
    outcomes = {"map": 0, "fault": 0}
    for turn in range(3000):
        if turn % 8 == 0:
            head = struct.pack(
                ">4sLhhh", b"MThd", 6, drawn.randrange(3), 1, drawn.randrange(-9, 99)
            )
            content = head + b"MTrk\0\0\0\x40" + drawn.randbytes(drawn.randrange(80))
        elif turn % 8 == 1:
            content = drawn.randbytes(drawn.randrange(60))
        else:
            mutant = bytearray(drawn.choice(seeds))
            for _ in range(drawn.randrange(1, 4)):
                at = drawn.randrange(len(mutant))
                match drawn.randrange(12):
                    case 0:
                        del mutant[at : at + drawn.randrange(1, 4)]
                    case 1:
                        mutant[at:at] = drawn.choice([b"\xff", b"\x00", b"\xff\x51\x03\0\0\0"])
                    case _:
                        mutant[at] = drawn.randrange(256)
            content = bytes(mutant)
        path.write_bytes(content)
        try:
            found = read_tempo_map(path)
        except InputFault as met:
            assert str(met).isprintable()
            outcomes["fault"] += 1
        else:
            told = sections(found)
            assert 1 <= len(told) <= len(found.changes)
            assert told[-1].end_s == found.length_s
            assert [part.end_s for part in told[:-1]] == [part.start_s for part in told[1:]]
            assert all(part.first_bar <= part.last_bar for part in told)
            assert all(part.low_bpm <= part.tempo_bpm * (1 + 1e-9) for part in told)
            assert [c.tick for c in found.changes] == sorted({c.tick for c in found.changes})
            outcomes["map"] += 1
    assert min(outcomes.values()) > 300, outcomes
