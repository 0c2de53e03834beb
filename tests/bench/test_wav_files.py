"""WAV files are there whole, or as they were before."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from tempotape.bench.wav_files import write_parts
from tempotape.faults import InputFault

RAMP = np.linspace(-0.5, 0.5, 10_000)
LIMIT_BYTES = 20_000


def written(path, parts, encoding="PCM_16", channels=1):
    write_parts(path, parts, rate_hz=8_000, channels=channels, encoding=encoding)


# A step of the encoding, 2 / 2^16 and 2 / 2^24 of full scale; a single float holds 24 bits.
@pytest.mark.parametrize(
    ("encoding", "off"), [("PCM_16", 1 / 2**15), ("PCM_24", 1 / 2**23), ("FLOAT", 1 / 2**25)]
)
@pytest.mark.parametrize("channels", [1, 2])
def test_parts_come_one_after_the_other(tmp_path, encoding, off, channels):
    path = tmp_path / "a.wav"
    sound = np.stack([RAMP, -RAMP], axis=1)[:, :channels]
    written(path, [sound[:3_000], sound[3_000:]], encoding, channels)
    read, rate_hz = soundfile.read(path, always_2d=True)
    assert (rate_hz, soundfile.info(path).subtype) == (8_000, encoding)
    np.testing.assert_allclose(read, sound, atol=1.01 * off)
    assert [file.name for file in tmp_path.iterdir()] == ["a.wav"]


@pytest.fixture
def limited():
    """No file may grow beyond 20 kB, as on a disk that is nearly full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT_BYTES, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.usefixtures("limited")
@pytest.mark.parametrize("encoding", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("lengths", [[9_000, 9_000], [30, 30_000], [9_975, 30]])
def test_a_disk_that_is_full_is_one_sentence_and_leaves_what_was_there(
    tmp_path, capfd, encoding, lengths
):
    path = tmp_path / "a.wav"
    path.write_bytes(b"before")
    with pytest.raises(InputFault) as fault:
        written(path, [np.full(length, 0.25) for length in lengths], encoding)
    # As the system names the limit of this test, by errno(3).
    assert fault.value.sentence == f"{path}: cannot be written (File too large)"
    assert capfd.readouterr().err == ""
    assert [file.name for file in tmp_path.iterdir()] == ["a.wav"]
    assert path.read_bytes() == b"before"


def test_what_breaks_in_leaves_what_was_there(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"before")

    def parts():
        yield RAMP
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        written(path, parts())
    assert [file.name for file in tmp_path.iterdir()] == ["a.wav"]
    assert path.read_bytes() == b"before"


def test_ctrl_c_amid_a_long_file_is_no_traceback_and_leaves_nothing(tmp_path):
    path = tmp_path / "long.wav"
    words = [sys.executable, "-m", "tempotape", "testsignal", path, "--walk", "0:10:0.2"]
    for at_bytes in (1, 2_000_000, 8_000_000, 20_000_000):
        with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
            while sum(file.stat().st_size for file in tmp_path.iterdir()) < at_bytes:
                assert running.poll() is None
                time.sleep(0.002)
            running.send_signal(signal.SIGINT)
            _, told = running.communicate(timeout=60)
        assert (running.returncode, told.split()) == (1, [b"Aborted!"])
        assert list(tmp_path.iterdir()) == []
