"""The sound to play, and finding its parts again after the simulated unit."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import soundfile
from scipy import signal

from tempotape.bench import testsignal as sound_of
from tempotape.bench.testsignal import check, rendered, write_wav
from tempotape.bench.walk import (
    DIGIT_HZ,
    LONGEST_DELAY_S,
    MOST_MARKS,
    RULER,
    SYNC_S,
    click_times_s,
    digits,
    even_readings,
    mark_of,
    plain_layout,
    read_walk,
    readings_in,
    readings_on,
    walk_layout,
)
from tempotape.faults import InputFault
from tempotape.unit.model import Knob
from tests.simulated_unit import SimulatedUnit, mixed, play, plucked

RATE_HZ = 9_000
WALK = walk_layout(3, 2.0)
WALKED = np.concatenate(list(rendered(WALK, rate_hz=RATE_HZ, level_dbfs=-12.0)))


def read(sound, layout=WALK, rate_hz=RATE_HZ, block=5_003):
    blocks = (sound[begin : begin + block] for begin in range(0, len(sound), block))
    return read_walk(blocks, rate_hz, layout)


# --- the sound ---


@pytest.mark.parametrize("level", [-12.0, -20.0])
def test_the_peak_is_where_it_was_asked_for(level):
    sound = np.concatenate(list(rendered(plain_layout(), rate_hz=48_000, level_dbfs=level)))
    assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(level, abs=0.05)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000])
def test_a_layout_is_as_long_as_its_sound_and_has_no_gaps(rate_hz):
    for layout in (plain_layout(), WALK):
        for earlier, later in itertools.pairwise(layout.segments):
            assert earlier.end_s == later.start_s
        sounds = list(rendered(layout, rate_hz=rate_hz, level_dbfs=-12.0))
        assert len(sounds) == len(layout.segments)
        assert sum(map(len, sounds)) == round(layout.duration_s * rate_hz)


def test_the_tone_is_3150_hz_for_at_least_8_seconds_and_ramped():
    # AES6-2008: 3150 Hz; the length is what a two-sigma reading and its spread want.
    layout = plain_layout()
    sounds = dict(
        zip(layout.segments, rendered(layout, rate_hz=48_000, level_dbfs=-12.0), strict=True)
    )
    tone = sounds[layout.part("tone")]
    assert len(tone) >= 8 * 48_000
    hz = np.diff(np.unwrap(np.angle(signal.hilbert(tone)))) * 48_000 / (2 * np.pi)
    assert np.median(hz) == pytest.approx(3150.0, abs=0.01)
    assert np.abs(tone[:48]).max() < 0.01
    assert np.abs(tone[-48:]).max() < 0.01


def test_every_sounding_part_is_followed_by_a_rest_longer_than_any_echo():
    for kind in ("clicks", "tone"):
        after = WALK.segments[WALK.segments.index(WALK.part(kind)) + 1]
        assert (after.kind, after.end_s - after.start_s > LONGEST_DELAY_S) == ("rest", True)


def test_no_two_pairs_of_clicks_are_the_same_distance_apart():
    # A Golomb ruler; the shortest of ten marks is 55 long (published table of optimal rulers).
    apart = [later - earlier for earlier, later in itertools.combinations(RULER, 2)]
    assert len(apart) == len(set(apart)) == 45
    assert RULER[-1] == 55
    part = plain_layout().part("clicks")
    assert click_times_s()[-1] < part.end_s - part.start_s


def test_clicks_come_when_the_layout_says():
    layout = plain_layout()
    index = layout.segments.index(layout.part("clicks"))
    sound = list(rendered(layout, rate_hz=48_000, level_dbfs=-12.0))[index]
    peaks, _ = signal.find_peaks(sound, height=0.2)
    assert np.diff(peaks) / 48_000 == pytest.approx(np.diff(click_times_s()), abs=2 / 48_000)
    # A pulse peaks 1 / (2 pi 1500 Hz) after its middle.
    assert peaks / 48_000 == pytest.approx(np.add(click_times_s(), 1.06e-4), abs=2 / 48_000)


def test_clicks_reach_from_125_hz_to_4_khz():
    layout = plain_layout()
    index = layout.segments.index(layout.part("clicks"))
    sound = list(rendered(layout, rate_hz=48_000, level_dbfs=-12.0))[index]
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(sound[: 48_000 // 4], 48_000)) + 1e-12)
    assert spectrum.argmax() == pytest.approx(1500, abs=20)
    assert spectrum[125:4001].min() > spectrum.max() - 20


def test_the_code_of_every_mark_is_told_back_and_one_wrong_digit_is_noticed():
    for mark in range(MOST_MARKS):
        code = digits(mark)
        assert mark_of(code) == mark
        for place in range(len(code)):
            wrong = [bit ^ (n == place) for n, bit in enumerate(code)]
            assert mark_of(wrong) is None
    assert np.min(np.array(DIGIT_HZ[1:]) / DIGIT_HZ[:-1]) > 1.1


# --- finding it again ---


def assert_all_found(walk, off_s=0.0, within_s=0.03):
    assert walk.missing == ()
    assert [mark.index for mark in walk.marks] == [0, 1, 2]
    for mark in walk.marks:
        start_s = mark.index * WALK.block_s + off_s
        assert mark.start_s == pytest.approx(max(start_s, 0.0), abs=within_s)
        for kind in ("clicks", "tone", "silence"):
            span = getattr(mark, kind)
            assert span.start_s == pytest.approx(start_s + WALK.part(kind).start_s, abs=within_s)
        assert mark.certain


def test_the_sound_itself_is_read_to_the_sample():
    assert_all_found(read(WALKED), within_s=1e-3)


UNITS = {
    "long delay, loud repeats": SimulatedUnit(
        speed_mm_s=25, feedback=0.7, hiss=0.005, low_hz=200, high_hz=3_000, saturation=1.0
    ),
    "short delay, near oscillation": SimulatedUnit(
        speed_mm_s=500, feedback=0.85, hiss=0.01, hum=0.02, low_hz=300, high_hz=4_000
    ),
    "wavering": SimulatedUnit(
        speed_mm_s=100, feedback=0.4, hiss=0.003, wow=((0.4, 0.02, 0.0), (3.0, 0.008, 1.0))
    ),
}


@pytest.mark.parametrize("name", UNITS)
def test_a_walk_is_read_through_a_unit(name):
    played = play(UNITS[name], WALKED, RATE_HZ, 1)
    assert_all_found(read(mixed(WALKED, played, wet=0.8)))
    wet = read(played.wet)
    assert [mark.index for mark in wet.marks] == [0, 1, 2]
    delay_s = float(np.mean(played.delay_ms)) / 1000
    for mark in wet.marks:
        assert mark.start_s == pytest.approx(mark.index * WALK.block_s + delay_s, abs=0.05)


def test_a_walk_is_read_in_hiss_as_loud_as_it_is():
    rng = np.random.default_rng(2)
    power = np.mean(WALKED[np.abs(WALKED) > 0.01] ** 2)
    assert_all_found(read(WALKED + rng.normal(size=len(WALKED)) * np.sqrt(power)))


def test_a_clock_500_parts_in_a_million_off_is_followed():
    count = int(len(WALKED) * 1.0005)
    slow = np.interp(np.arange(count) / 1.0005, np.arange(len(WALKED)), WALKED)
    assert_all_found(read(slow), within_s=0.08)


def test_a_recording_that_starts_late_names_what_is_missing():
    late = read(WALKED[int(20 * RATE_HZ) :])
    assert [mark.index for mark in late.marks] == [1, 2]
    assert late.missing == ("walk: not in the recording: mark 1 of 3",)
    assert late.marks[0].start_s == pytest.approx(WALK.block_s - 20, abs=1e-3)


def test_a_recording_that_ends_early_names_what_is_cut():
    cut_s = 2 * WALK.block_s + WALK.part("tone").start_s + 4
    early = read(WALKED[: int(cut_s * RATE_HZ)])
    assert early.missing == ("walk: mark 3 is cut off; no tone and no silence",)
    last = early.marks[2]
    assert (last.clicks is None, last.tone, last.silence) == (False, None, None)
    assert last.end_s == pytest.approx(cut_s, abs=1e-3)


def test_a_block_whose_code_is_drowned_is_counted_from_its_neighbours():
    code = WALK.part("code", 1)
    sound = WALKED.copy()
    span = slice(int(code.start_s * RATE_HZ), int(code.end_s * RATE_HZ))
    sound[span] = 0.1 * np.random.default_rng(1).normal(size=span.stop - span.start)
    walk = read(sound)
    assert walk.missing == ()
    assert [(mark.index, mark.certain) for mark in walk.marks] == [
        (0, True), (1, False), (2, True),
    ]  # fmt: skip


def test_a_block_more_than_marks_are_named_is_told_by_its_mark():
    named = walk_layout(2, 2.0)
    walk = read(WALKED, named)
    assert [mark.index for mark in walk.marks] == [0, 1]
    sync_s = WALK.part("sync", 2).start_s
    assert walk.missing == (
        f"walk: the block at {sync_s:.1f} s is of mark 3, and only 2 are named; name all marks "
        "that were walked, in their order",
    )


def test_a_lone_block_whose_code_is_drowned_is_not_guessed():
    code = WALK.part("code")
    sound = WALKED[: int(WALK.block_s * RATE_HZ)].copy()
    sound[int(code.start_s * RATE_HZ) : int(code.end_s * RATE_HZ)] = 0.0
    walk = read(sound)
    assert walk.marks == ()
    assert walk.missing == (
        "walk: the block at 2.0 s does not say which mark it is of",
        "walk: not in the recording: marks 1, 2 and 3 of 3",
    )


def test_a_mark_played_again_counts_the_second_time():
    block = int(WALK.block_s * RATE_HZ)
    again = np.concatenate([WALKED[:block], WALKED])
    walk = read(again)
    assert walk.missing == ("walk: mark 1 comes twice; the later one is used",)
    assert walk.marks[0].start_s == pytest.approx(WALK.block_s, abs=1e-3)


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(0),
        np.zeros(30 * RATE_HZ),
        0.1 * np.random.default_rng(0).normal(size=60 * RATE_HZ),
        plucked(np.arange(0.5, 50, 0.4), [147.0] * 124, 60 * RATE_HZ, RATE_HZ),
    ],
)
def test_nothing_is_found_where_nothing_was_played(sound):
    walk = read(sound)
    assert walk.marks == ()
    assert walk.missing == ("walk: not in the recording: marks 1, 2 and 3 of 3",)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_the_plain_sound_is_found_at_any_sample_rate(rate_hz):
    layout = plain_layout()
    sound = np.concatenate(list(rendered(layout, rate_hz=rate_hz, level_dbfs=-12.0))[:6])
    walk = read(sound, layout, rate_hz, block=100_000)
    assert [mark.index for mark in walk.marks] == [0]
    clicks = walk.marks[0].clicks
    assert clicks.start_s == pytest.approx(layout.part("clicks").start_s, abs=1e-3)
    assert clicks.start_s > SYNC_S


# --- what is typed ---


def test_readings_are_typed_one_by_one_or_as_a_span():
    assert readings_in("0,2.5,5", entry="--walk") == (0.0, 2.5, 5.0)
    assert readings_in("10", entry="--walk") == (10.0,)
    assert readings_in("0:10:2.5", entry="--walk") == (0.0, 2.5, 5.0, 7.5, 10.0)
    assert readings_in("-1:1:0.1", entry="--walk")[-1] == 1.0


@pytest.mark.parametrize(
    "text", ["", "fast", "1,,2", "0:10", "0:10:0", "10:0:1", "0:nan:1", "1,inf"]
)
def test_readings_that_are_none_are_refused(text):
    with pytest.raises(InputFault) as fault:
        readings_in(text, entry="--walk")
    assert fault.value.sentence == (
        f'--walk: is "{text}"; expected readings as 0,2.5,5 or LOW:HIGH:STEP'
    )


@pytest.mark.parametrize("text", ["0:10:0.1", "0:9:1e-9", "0:1000:0.001", "0:1e300:1e-300"])
def test_more_readings_than_the_code_can_count_are_refused(text):
    with pytest.raises(InputFault) as fault:
        readings_in(text, entry="--walk")
    assert fault.value.sentence == (
        f'--walk: "{text}" is more than 64 readings; expected 1 to 64 knob marks'
    )
    with pytest.raises(InputFault) as fault:
        walk_layout(65, 8.0)
    assert fault.value.sentence == "--walk: 65 knob marks; expected 1 to 64"


KNOB = Knob(low=0.0, high=10.0, step=0.2)


def test_readings_off_the_scale_are_refused():
    assert readings_on(KNOB, [0.0, 10.0], entry="--walk") == (0.0, 10.0)
    with pytest.raises(InputFault) as fault:
        readings_on(KNOB, [0.0, 11.0], entry="--walk")
    assert fault.value.sentence == "--walk: reading 11 is off the scale; expected 0 to 10"


def test_even_readings_are_ones_a_hand_can_set():
    assert even_readings(KNOB, None) == (0.0, 1.6, 3.4, 5.0, 6.6, 8.4, 10.0)
    assert even_readings(KNOB, 3) == (0.0, 5.0, 10.0)
    with pytest.raises(InputFault) as fault:
        even_readings(KNOB, 1)
    assert fault.value.sentence == "--marks: is 1; expected 2 to 64"


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"rate_hz": 4_000}, "--rate: is 4000; expected 8000 to 192000 Hz"),
        ({"level_dbfs": 0.0}, "--level: is 0; expected -60 to -3 dBFS"),
        ({"level_dbfs": float("nan")}, "--level: is nan; expected -60 to -3 dBFS"),
        ({"turn_s": 0.0}, "--turn: is 0; expected 2 to 120 s"),
        ({"bits": 32}, "--bits: is 32; expected 16 or 24"),
    ],
)
def test_values_out_of_range_are_refused(wrong, told):
    right = {"rate_hz": 48_000, "level_dbfs": -12.0, "turn_s": 8.0, "bits": 24}
    check(**right)
    with pytest.raises(InputFault) as fault:
        check(**{**right, **wrong})
    assert fault.value.sentence == told


# --- the file ---


@pytest.mark.parametrize("bits", [16, 24])
def test_a_file_holds_the_sound_as_pcm(tmp_path, bits):
    path = tmp_path / "play.wav"
    layout = plain_layout()
    write_wav(path, layout, rate_hz=8_000, level_dbfs=-12.0, bits=bits, force=False)
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.subtype) == (8_000, 1, f"PCM_{bits}")
    sound, _ = soundfile.read(path)
    expected = np.concatenate(list(rendered(layout, rate_hz=8_000, level_dbfs=-12.0)))
    assert np.abs(sound - expected).max() <= 2.0 ** (1 - bits)
    assert [file.name for file in tmp_path.iterdir()] == ["play.wav"]


def refused(path, *, force=False):
    with pytest.raises(InputFault) as fault:
        write_wav(path, plain_layout(), rate_hz=8_000, level_dbfs=-12.0, bits=16, force=force)
    return fault.value.sentence


def test_a_file_that_exists_is_kept_unless_forced(tmp_path):
    path = tmp_path / "play.wav"
    path.write_text("kept")
    assert refused(path) == (
        f"{path}: exists already; expected another name, or --force to write over it"
    )
    assert path.read_text() == "kept"
    write_wav(path, plain_layout(), rate_hz=8_000, level_dbfs=-12.0, bits=16, force=True)
    assert soundfile.info(path).frames > 0


def test_places_that_cannot_be_written_to_are_told(tmp_path):
    path = tmp_path / "play.mp3"
    assert refused(path) == f"{path}: is not a WAV file; expected a name that ends in .wav"
    folder = tmp_path / "folder.wav"
    folder.mkdir()
    assert refused(folder) == f"{folder}: is a folder; expected a file name"
    lost = tmp_path / "none" / "play.wav"
    assert refused(lost) == f"{lost}: cannot be written (No such file or directory)"


def test_a_sound_that_breaks_off_leaves_no_file(tmp_path, monkeypatch):
    def broken(*_args, **_options):
        yield np.zeros(10)
        raise KeyboardInterrupt

    monkeypatch.setattr(sound_of, "rendered", broken)
    with pytest.raises(KeyboardInterrupt):
        write_wav(
            tmp_path / "a.wav", plain_layout(), rate_hz=8_000, level_dbfs=-12.0, bits=16, force=True
        )
    assert list(tmp_path.iterdir()) == []
