"""Calibration points from recordings of a simulated unit."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import soundfile

from tempotape.bench import from_recording as module
from tempotape.bench.from_recording import from_recording, from_walk
from tempotape.bench.testsignal import rendered
from tempotape.bench.walk import plain_layout, walk_layout
from tempotape.faults import InputFault
from tempotape.unit.model import Head, Knob, Loop, Unit
from tests.shared_measuring import measured_once_in
from tests.simulated_unit import SimulatedUnit, beside, play

RATE_HZ = 16_000
GAP_MM = 60.0
UNIT = Unit(
    format=1,
    name="Plover",
    knob=Knob(low=0.0, high=10.0, step=0.1),
    head=(Head("short", 20.0), Head("long", GAP_MM)),
    loop=Loop(640.0),
)
# Tape speed in mm/s at the readings of the walk.
SPEEDS = {2.0: 75.0, 5.0: 150.0, 8.0: 240.0}
TURN_S = 3.0


def signal(layout):
    return np.concatenate(list(rendered(layout, rate_hz=RATE_HZ, level_dbfs=-12.0)))


def unit_at(speed_mm_s):
    return SimulatedUnit(
        gap_mm=GAP_MM, speed_mm_s=speed_mm_s, wow=((4.0, 0.003, 0.0),), hiss=0.0003
    )


kept = measured_once_in(module)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("takes")


@pytest.fixture(scope="module")
def take(folder):
    sound = signal(plain_layout())
    path = folder / "take.wav"
    played = play(unit_at(SPEEDS[5.0]), sound, RATE_HZ)
    soundfile.write(path, beside(sound, played), RATE_HZ, subtype="FLOAT")
    return path


@pytest.fixture(scope="module")
def walk(folder):
    """A walk whose second mark was played with the unit switched off."""
    layout = walk_layout(len(SPEEDS), TURN_S)
    sound = signal(layout)
    parts = np.split(sound, [round(layout.block_s * n * RATE_HZ) for n in (1, 2)])
    heard = [
        beside(part, play(unit_at(speed), part, RATE_HZ))
        for part, speed in zip(parts, SPEEDS.values(), strict=True)
    ]
    heard[1][:, 1] = np.random.default_rng(1).normal(0.0, 0.0003, len(heard[1]))
    path = folder / "walk.wav"
    soundfile.write(path, np.concatenate(heard), RATE_HZ, subtype="FLOAT")
    return path


def flutter_percent(delay_ms):
    """Of 0.3 % at 4 Hz: m 2|sin(pi f tau)|, weight 0 dB, a sine reads its peak (AES6-2008)."""
    return 100 * 0.003 * 2 * abs(math.sin(math.pi * 4.0 * delay_ms / 1000))


def test_a_recording_gives_a_point_with_its_error_and_flutter(take, kept):
    kept.clear()
    parts = []
    outcome = from_recording(take, UNIT, "long", 5.0, progress=parts.append)
    point = outcome.point
    assert point is not None
    assert (point.head, point.knob, outcome.why) == ("long", 5.0, "")
    true_ms = 1000 * GAP_MM / SPEEDS[5.0]
    assert point.delay_ms == pytest.approx(true_ms, abs=max(0.1, 3 * point.error_ms))
    assert 0.0 < point.error_ms < 0.5
    assert point.flutter_percent == pytest.approx(flutter_percent(true_ms), rel=0.04)
    assert parts == sorted(parts)


def test_a_recording_without_an_echo_gives_no_point_and_says_why(folder):
    path = folder / "dry.wav"
    soundfile.write(path, signal(plain_layout()), RATE_HZ)
    outcome = from_recording(path, UNIT, "long", 5.0)
    assert outcome.point is None
    assert outcome.why.startswith("no delay: ")


def test_what_is_not_audio_is_told_with_its_name(folder):
    path = folder / "notes.txt"
    path.write_text("no sound here")
    with pytest.raises(InputFault) as fault:
        from_recording(path, UNIT, "long", 5.0)
    assert fault.value.sentence.startswith(f"{path}: is not audio")


def test_a_walk_gives_the_marks_it_can_and_says_why_for_the_others(walk):
    parts = []
    found = from_walk(walk, UNIT, "long", list(SPEEDS), turn_s=TURN_S, progress=parts.append)
    assert [outcome.knob for outcome in found.marks] == list(SPEEDS)
    first, second, third = found.marks
    for outcome, speed in ((first, SPEEDS[2.0]), (third, SPEEDS[8.0])):
        assert outcome.point is not None
        true_ms = 1000 * GAP_MM / speed
        limit_ms = max(0.1, 3 * outcome.point.error_ms)
        assert outcome.point.delay_ms == pytest.approx(true_ms, abs=limit_ms)
        assert not [note for note in outcome.notes if note.startswith("the file")]
    assert second.point is None
    assert second.why.startswith("no delay: ")
    assert found.missing == ()
    assert parts == sorted(parts)
    assert parts[-1] == 1.0


def test_marks_that_are_not_in_the_recording_are_told(walk, folder):
    """The recording ends in the clicks of the last mark, of four that were to come."""
    layout = walk_layout(3, TURN_S)
    sound, _ = soundfile.read(walk, always_2d=True)
    cut = folder / "cut.wav"
    end_s = layout.part("clicks", 2).start_s + 5.0
    soundfile.write(cut, sound[: round(end_s * RATE_HZ)], RATE_HZ, subtype="FLOAT")
    found = from_walk(cut, UNIT, "long", [2.0, 5.0, 8.0, 10.0], turn_s=TURN_S)
    assert found.marks[0].point is not None
    assert [outcome.why for outcome in found.marks[2:]] == [
        "its clicks are cut off", "its block is not in the recording",
    ]  # fmt: skip
    assert len(found.missing) == 2
    assert "mark 3 is cut off" in found.missing[0]
    assert "not in the recording: mark 4" in found.missing[1]


def test_the_tone_of_a_mark_is_read_where_its_clicks_tell_no_delay(walk, folder):
    layout = walk_layout(3, TURN_S)
    clicks = layout.part("clicks", 0)
    sound, _ = soundfile.read(walk, frames=round(layout.block_s * RATE_HZ), always_2d=True)
    span = slice(round(clicks.start_s * RATE_HZ), round((clicks.end_s + 2.5) * RATE_HZ))
    sound[span] = np.random.default_rng(2).normal(0.0, 0.0003, sound[span].shape)
    silent = folder / "silent.wav"
    soundfile.write(silent, sound.mean(axis=1), RATE_HZ, subtype="FLOAT")
    first = from_walk(silent, UNIT, "long", list(SPEEDS), turn_s=TURN_S).marks[0]
    assert first.point is None
    assert first.why.startswith("no delay: ")
    told = re.fullmatch(r"flutter: (\d\.\d\d) %, not kept without a delay", first.notes[-1])
    true_ms = 1000 * GAP_MM / SPEEDS[2.0]
    assert float(told[1]) == pytest.approx(flutter_percent(true_ms), rel=0.04)
    assert not [note for note in first.notes if "no steady tone" in note]


def test_a_mark_cut_off_after_its_clicks_says_nothing_of_a_tone_not_heard(walk, folder):
    layout = walk_layout(3, TURN_S)
    sound, _ = soundfile.read(walk, always_2d=True)
    cut = folder / "no tone.wav"
    end_s = layout.part("tone", 2).start_s + 3.0
    soundfile.write(cut, sound[: round(end_s * RATE_HZ)], RATE_HZ, subtype="FLOAT")
    found = from_walk(cut, UNIT, "long", list(SPEEDS), turn_s=TURN_S)
    assert found.missing[-1] == "walk: mark 3 is cut off; no tone and no silence"
    assert found.marks[2].point is not None
    assert (found.marks[2].point.flutter_percent, found.marks[2].notes) == (None, ())


def test_what_is_odd_about_the_file_is_told_once_and_not_at_every_mark(walk, folder):
    marks = list(SPEEDS)[:2]
    frames = round(walk_layout(len(SPEEDS), TURN_S).block_s * len(marks) * RATE_HZ)
    sound, _ = soundfile.read(walk, frames=frames, always_2d=True)
    sound = np.concatenate([sound, np.full_like(sound, 0.1)], axis=1) + 0.07
    sound[5] = np.nan
    odd = folder / "odd.wav"
    soundfile.write(odd, sound, RATE_HZ, subtype="FLOAT")
    content = odd.read_bytes()
    at = content.find(b"data") + 4
    odd.write_bytes(content[:at] + bytes(4) + content[at + 4 :])
    found = from_walk(odd, UNIT, "long", marks, turn_s=TURN_S)
    assert [told.partition(";")[0] for told in found.missing] == [
        "the header says that the file is empty, as where a recorder lost power",
        "of 4 channels the first 2 are used",
        "2 samples are not numbers and count as silence",
        "the recording stands off zero, at +0.07 of full scale",
    ]
    told = " ".join(note for mark in found.marks for note in mark.notes)
    for words in ("the header", "the file", "channels", "samples are", "off zero"):
        assert words not in told


def test_a_mark_counted_from_its_neighbours_says_so(walk, folder):
    layout = walk_layout(3, TURN_S)
    sound, _ = soundfile.read(walk, always_2d=True)
    code = layout.part("code", 2)
    sound[round(code.start_s * RATE_HZ) : round((code.end_s + 1.0) * RATE_HZ)] = 0.0
    muted = folder / "muted.wav"
    soundfile.write(muted, sound, RATE_HZ, subtype="FLOAT")
    found = from_walk(muted, UNIT, "long", list(SPEEDS), turn_s=TURN_S)
    assert found.marks[2].point is not None
    assert found.marks[2].notes[0] == (
        "its code could not be read, so the mark was counted from its neighbours"
    )


def test_the_delay_of_a_mark_is_that_of_its_clicks_whatever_sounds_after_them(walk, folder):
    layout = walk_layout(3, TURN_S)
    sound, _ = soundfile.read(walk, frames=round(layout.block_s * RATE_HZ), always_2d=True)
    tone = layout.part("tone", 0)
    rng = np.random.default_rng(3)
    burst = 0.3 * rng.normal(size=100) * np.exp(-np.arange(100) / 20)
    span = slice(round(tone.start_s * RATE_HZ), round(tone.end_s * RATE_HZ))
    sound[span] = 0.0001 * rng.normal(size=(span.stop - span.start, 2))
    for at_s in (tone.start_s + 0.1) + np.cumsum(rng.uniform(0.3, 0.7, 16)):
        for side, lag_s in ((0, 0.0), (1, 0.2)):
            begin = round((at_s + lag_s) * RATE_HZ)
            sound[begin : begin + len(burst), side] += burst
    other = folder / "other.wav"
    soundfile.write(other, sound, RATE_HZ, subtype="FLOAT")
    first = from_walk(other, UNIT, "long", list(SPEEDS), turn_s=TURN_S).marks[0]
    assert first.point is not None
    true_ms = 1000 * GAP_MM / SPEEDS[2.0]
    limit_ms = max(0.1, 3 * first.point.error_ms)
    assert first.point.delay_ms == pytest.approx(true_ms, abs=limit_ms)
    assert first.point.flutter_percent is None
