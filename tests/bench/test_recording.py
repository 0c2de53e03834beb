"""Reading recordings: what libsndfile reads is read, the rest ends in one sentence."""

import os
import struct
import sys

import numpy as np
import pytest
import soundfile

from tempotape.bench.recording import BLOCK_SAMPLES, open_recording
from tempotape.faults import InputFault

RATE_HZ = 48_000
SOUND = np.random.default_rng(4).normal(scale=0.1, size=RATE_HZ)


def read(path):
    """All samples of a file, and the warnings of the reading."""
    reading = open_recording(path).reading()
    samples = np.concatenate(list(reading))
    return samples, reading.warnings


def fault_of(path):
    with pytest.raises(InputFault) as fault:
        read(path)
    return fault.value.sentence


@pytest.fixture
def take(tmp_path):
    """Write a WAV file; gives its path."""

    def written(sound=SOUND, rate_hz=RATE_HZ, subtype="PCM_16", name="take.wav"):
        path = tmp_path / name
        soundfile.write(path, sound, rate_hz, subtype=subtype)
        return path

    return written


@pytest.mark.parametrize(
    ("name", "subtype", "exact_to"),
    [
        ("take.wav", "PCM_U8", 2**-7),
        ("take.wav", "PCM_16", 2**-15),
        ("take.wav", "FLOAT", 2**-24),
        ("take.aiff", "PCM_24", 2**-23),
        ("take.flac", "PCM_16", 2**-15),
    ],
)
def test_lossless_files_read_back_to_their_word_length(take, name, subtype, exact_to):
    samples, warnings = read(take(name=name, subtype=subtype))
    assert samples.shape == (RATE_HZ, 1)
    assert np.abs(samples[:, 0] - SOUND).max() <= exact_to
    assert warnings == ()


def test_an_mp3_read_in_blocks_is_what_libsndfile_reads_in_one_go(take):
    # Its frames lean on those before: begun anew at a block's edge they come out wrong.
    tone = 0.1 * np.sin(2 * np.pi * 3150 * np.arange(5 * BLOCK_SAMPLES) / RATE_HZ)
    path = take(tone, name="take.mp3", subtype=None)
    whole, _ = soundfile.read(path, always_2d=True)
    np.testing.assert_allclose(read(path)[0], whole, atol=1e-6)


@pytest.mark.parametrize("name", ["take.ogg", "take.mp3"])
def test_lossy_files_read_back_in_full_length(take, name):
    tone = 0.1 * np.sin(2 * np.pi * 3150 * np.arange(RATE_HZ) / RATE_HZ)
    samples, warnings = read(take(tone, name=name, subtype=None))
    assert (samples.shape, warnings) == ((RATE_HZ, 1), ())
    size = np.abs(np.fft.rfft(samples[:, 0]))
    assert np.argmax(size) == 3150
    assert samples.std() == pytest.approx(tone.std(), rel=0.1)


def test_the_ending_of_the_name_means_nothing(take):
    path = take()
    assert read(path.rename(path.with_suffix(".raw")))[0].shape == (RATE_HZ, 1)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_rates_from_8_to_192_khz_are_read(take, rate_hz):
    recording = open_recording(take(rate_hz=rate_hz))
    assert (recording.sample_rate_hz, recording.channels, recording.frames) == (rate_hz, 1, RATE_HZ)


def test_of_32_channels_the_first_two_are_used(take):
    many = SOUND[:, None] * np.arange(1, 33) / 32
    samples, warnings = read(take(many, subtype="FLOAT"))
    assert np.allclose(samples, many[:, :2], atol=1e-7)
    assert warnings == ("of 32 channels the first 2 are used",)


def test_blocks_are_bounded(take):
    blocks = list(open_recording(take(np.tile(SOUND[:, None], (1, 8)))).blocks())
    assert max(len(block) for block in blocks) <= BLOCK_SAMPLES // 8
    assert sum(len(block) for block in blocks) == RATE_HZ


def test_samples_that_are_not_numbers_count_as_silence(take):
    holed = SOUND.copy()
    holed[[5, 700]] = np.nan, np.inf
    samples, warnings = read(take(holed, subtype="FLOAT"))
    assert samples[5, 0] == samples[700, 0] == 0.0
    assert warnings == ("2 samples are not numbers and count as silence",)


def test_a_single_odd_sample_is_told_as_one(take):
    odd = SOUND.copy()
    odd[[5, 700]] = np.nan, 50.0
    assert read(take(odd, subtype="FLOAT"))[1] == (
        "1 sample is not a number and counts as silence",
        "1 sample is beyond 32 times full scale and counts as that",
    )


def test_a_recording_that_stands_off_zero_is_told(take):
    off = np.stack([SOUND, np.full(RATE_HZ, -0.5)], 1)
    assert read(take(off))[1] == (
        "the recording stands off zero, at -0.50 of full scale; only what moves about that is "
        "sound",
    )
    assert read(take(SOUND + 0.03))[1] == ()


def test_a_recording_of_nan_is_refused(take):
    path = take(SOUND * np.nan, subtype="FLOAT")
    assert fault_of(path) == (
        f"{path}: {RATE_HZ} samples are not numbers; expected a recording with finite samples"
    )


@pytest.mark.parametrize("said", [0xFFFFFFFF, 0x7FFFFF00, 1_000_000])
def test_a_header_that_promises_more_than_there_is_reads_what_is_there(take, said):
    path = take()
    path.write_bytes(with_data_size(path.read_bytes(), said))
    samples, warnings = read(path)
    assert len(samples) == RATE_HZ
    assert warnings == ("the file is shorter than its header says; 1.000 s were read",)


def test_a_header_that_promises_less_is_told(take):
    path = take()
    path.write_bytes(with_data_size(path.read_bytes(), 9600))
    samples, warnings = read(path)
    assert len(samples) == 4800
    assert warnings == ("the file is longer than its header says; 0.100 s were read",)


def with_data_size(wav, size):
    at = wav.find(b"data") + 4
    return wav[:at] + struct.pack("<I", size) + wav[at + 4 :]


# What a recorder writes first and mends at its end: 0, or the length of the header, for the whole
# (RIFF at byte 4) and 0 for the samples; 8 is what libsndfile itself writes first.
@pytest.mark.parametrize("whole", [0, 8, 36, None])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_header_that_was_never_finished_reads_what_follows(take, whole, subtype):
    sound = np.stack([SOUND, -SOUND], 1)
    path = take(sound, subtype=subtype)
    expected, _ = read(path)
    wav = with_data_size(path.read_bytes(), 0)
    path.write_bytes(wav if whole is None else wav[:4] + struct.pack("<I", whole) + wav[8:])
    # Where a name ends in .raw is nothing to go by either.
    samples, warnings = read(path.rename(path.with_suffix(".raw")))
    assert np.array_equal(samples, expected)
    assert warnings == (
        "the header says that the file is empty, as where a recorder lost power; 1.000 s were read",
    )


def test_an_empty_recording_with_notes_after_it_is_empty(take):
    path = take(SOUND[:0])
    path.write_bytes(path.read_bytes() + b"LIST" + struct.pack("<I", 4) + b"INFO")
    assert fault_of(path) == f"{path}: says that it holds no samples{EXPECTED}"
    path.write_bytes(path.read_bytes()[:40])  # in the middle of the length of its samples
    assert fault_of(path).endswith(EXPECTED)


def test_a_flac_that_does_not_say_how_long_it_is_is_read_without_a_word(take):
    path = take(name="take.flac")
    flac = bytearray(path.read_bytes())
    flac[21] &= 0xF0  # the 36 bits of the length, by the FLAC format; 0 is unknown
    flac[22:26] = bytes(4)
    path.write_bytes(flac)
    samples, warnings = read(path)
    assert (len(samples), warnings) == (RATE_HZ, ())


def test_reading_only_the_beginning_says_nothing_of_the_length(take):
    reading = open_recording(take()).reading()
    next(iter(reading))
    assert reading.warnings == ()


# Before the last page, in the middle of it, in its header, and in the middle of the file.
@pytest.mark.parametrize("place", [0.0, 0.5, 20, None])
def test_an_ogg_without_its_end_is_told(take, place):
    path = take(np.tile(SOUND, 5), name="take.ogg", subtype="VORBIS")
    ogg = path.read_bytes()
    last = ogg.rfind(b"OggS")
    kept = len(ogg) // 2
    if place is not None:
        kept = last + (place if place == 20 else int(place * (len(ogg) - last)))
    path.write_bytes(ogg[:kept])
    samples, (warning,) = read(path)
    read_s = len(samples) / RATE_HZ
    assert warning == f"the file breaks off, its end is missing; {read_s:.3f} s were read"
    path.write_bytes(ogg + b"TAG" + bytes(125))  # tags of another format after it
    assert read(path)[1] == ()


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("take.wav", "the file is shorter than its header says; 0."),
        ("take.flac", "the file is damaged, or breaks off; 0."),
    ],
)
def test_a_file_cut_in_half_is_read_as_far_as_it_goes(take, name, told):
    path = take(name=name)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    samples, warnings = read(path)
    assert 0.3 * RATE_HZ < len(samples) <= 0.5 * RATE_HZ
    assert warnings[0].startswith(told)


def test_a_flac_damaged_midway_is_told_as_damaged(take):
    path = take(np.tile(SOUND, 5), name="take.flac")
    flac = bytearray(path.read_bytes())
    middle = len(flac) // 2
    flac[middle : middle + 200] = bytes(200)
    path.write_bytes(flac)
    samples, (warning,) = read(path)
    assert warning == (
        f"the file is damaged, or breaks off; {len(samples) / RATE_HZ:.3f} s were read"
    )


EXPECTED = "; expected a WAV, AIFF, FLAC, OGG or MP3 recording"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is empty"),
        (b"hello " * 40, "is not audio (Format not recognised)"),
    ],
)
def test_what_is_not_audio_is_refused(tmp_path, content, told):
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    assert fault_of(path) == f"{path}: {told}{EXPECTED}"


def test_a_header_without_a_rate_is_refused(take):
    path = take()
    wav = path.read_bytes()
    path.write_bytes(wav[:24] + bytes(4) + wav[28:])  # sample rate, by the WAVE format chunk
    assert fault_of(path) == f"{path}: is not audio (its header makes no sense){EXPECTED}"


def damaged_mp3(take, first=200):
    path = take(name="take.mp3", subtype=None)
    content = bytearray(path.read_bytes())
    content[first::37] = bytes(len(content[first::37]))
    path.write_bytes(content)
    return path


def test_a_damaged_mp3_is_read_or_refused_without_a_word_of_the_decoder(take, capfd):
    path = damaged_mp3(take)
    samples, warnings = read(path)
    assert len(samples) < RATE_HZ
    assert warnings[0].startswith("the file is damaged, or breaks off; ")
    path.write_bytes(b"\xff\xfb\x90\x64" + bytes(range(1, 251)) * 80)
    assert fault_of(path) == f"{path}: is not audio (its header makes no sense){EXPECTED}"
    print("heard again", file=sys.stderr)
    os.write(2, b"and here\n")
    assert capfd.readouterr().err == "heard again\nand here\n"


def test_a_damaged_mp3_is_read_where_there_is_no_standard_error(take, monkeypatch):
    path = damaged_mp3(take)

    def closed(_number):
        raise OSError(9, "Bad file descriptor")

    monkeypatch.setattr(os, "dup", closed)
    assert len(read(path)[0]) < RATE_HZ


def test_a_missing_file_a_folder_and_a_pipe_are_refused(tmp_path):
    missing, pipe = tmp_path / "none.wav", tmp_path / "pipe"
    os.mkfifo(pipe)
    assert fault_of(missing) == f"{missing}: cannot be read (No such file or directory){EXPECTED}"
    assert fault_of(tmp_path) == f"{tmp_path}: is not a file{EXPECTED}"
    assert fault_of(pipe) == f"{pipe}: is not a file{EXPECTED}"


def test_a_file_without_samples_is_refused(take):
    path = take(SOUND[:0])
    assert fault_of(path) == f"{path}: says that it holds no samples{EXPECTED}"


def test_a_file_that_breaks_off_before_its_first_block_is_refused(take):
    path = take(name="take.flac")
    path.write_bytes(path.read_bytes()[:9000])
    assert fault_of(path) == f"{path}: breaks off at once{EXPECTED}"


def test_a_rate_below_8_khz_is_refused(take):
    path = take(rate_hz=4_000)
    assert fault_of(path) == f"{path}: sample rate is 4000 Hz; expected 8000 to 768000 Hz"


def test_samples_far_beyond_full_scale_are_cut_off_and_told(take):
    wild = SOUND.copy()
    wild[[5, 700]] = 1e30, -1e38
    samples, warnings = read(take(wild, subtype="FLOAT"))
    # 30 dB over full scale: an own limit, no source.
    assert (samples[5, 0], samples[700, 0]) == (32.0, -32.0)
    assert warnings == ("2 samples are beyond 32 times full scale and count as that",)


def test_a_recording_far_too_loud_throughout_is_told_what_helps(take):
    # Samples of 16 bits written as floats without being scaled.
    (warning,) = read(take(32767 * SOUND, subtype="FLOAT"))[1]
    assert warning.endswith(
        "count as that; save the recording again with its peaks below full scale"
    )
