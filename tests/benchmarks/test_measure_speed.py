"""What measuring costs: time against the recording's length, and memory for an hour of it.

The budgets, at 48 kHz: a hundredth of the time that it plays in mono, and 300 MB for an hour of it,
in mono or stereo. Ten minutes, of which deciding on the delay takes most, need two processors for
it that nobody else keeps busy: so it is asked against filtering the same recording in the same run,
by the processor's time, and how many times faster it is than it plays is recorded.
"""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import soundfile

from tests.simulated_unit import SimulatedUnit, beside, clicks, mixed, play

RATE_HZ = 48_000
PIECE_S = 60
TIMES_FASTER = 100
TIMES_FILTERING = 27
MOST_MB = 300

MEASURING = """
import json, sys, time
from pathlib import Path
import soundfile
from scipy import signal
from tempotape.bench.measure import measure
began, began_cpu = time.perf_counter(), time.process_time()
report = measure(Path(sys.argv[1]))
wall_s, cpu_s = time.perf_counter() - began, time.process_time() - began_cpu
# Not getrusage: that remembers the process this one was started from.
peak = next(line for line in Path("/proc/self/status").open() if line.startswith("VmHWM"))
sos = signal.butter(4, [300, 3000], "bandpass", fs=48000, output="sos")
began = time.process_time()
for block in soundfile.blocks(sys.argv[1], 65536) if sys.argv[2] == "filtering too" else ():
    signal.sosfilt(sos, block, axis=0)
filtering_s = time.process_time() - began
print(json.dumps({
    "wall_s": wall_s,
    "cpu_s": cpu_s,
    "filtering_s": filtering_s,
    "peak_mb": int(peak.split()[1]) / 1024,
    "delay_ms": report.delay and report.delay.ms,
}))
"""


@pytest.fixture(scope="module")
def sides():
    """Played and heard: a minute of clicks, then a tone, through a hissing unit of 500 ms."""
    frames = PIECE_S * RATE_HZ
    at_s = 0.5 + np.cumsum(np.random.default_rng(6).uniform(0.7, 1.9, 30))
    sound = clicks(at_s[at_s < 40], frames, RATE_HZ)
    t_s = np.arange(10 * RATE_HZ) / RATE_HZ
    sound[45 * RATE_HZ : 55 * RATE_HZ] = 0.2 * np.sin(2 * np.pi * 3150 * t_s)
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, feedback=0.4, hiss=3e-4)
    return sound, play(unit, sound, RATE_HZ)


def cost(path, piece, minutes, besides="nothing else"):
    """Time, processor time, peak memory and delay of measuring so many minutes."""
    with soundfile.SoundFile(path, "w", RATE_HZ, piece.ndim, "PCM_16") as file:
        for _ in range(minutes):
            file.write(piece)
    told = subprocess.run(
        [sys.executable, "-c", MEASURING, path, besides],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    path.unlink()
    return json.loads(told.stdout)


@pytest.fixture(scope="module")
def long_ones(tmp_path_factory, sides):
    """What an hour in mono costs, and 32, 22 and 20 minutes in stereo.

    Processor time and memory of one process are no other when a second one runs beside it.
    """
    folder = tmp_path_factory.mktemp("long")

    def measured(name, piece, minutes):
        return cost(folder / f"{name}.wav", piece, minutes)

    mono, stereo = mixed(*sides), beside(*sides)
    with ThreadPoolExecutor(2) as pool:
        todo = {
            "stereo 32": (stereo, 32),
            "mono 60": (mono, 60),
            "stereo 22": (stereo, 22),
            "stereo 20": (stereo, 20),
        }
        started = {name: pool.submit(measured, name, *what) for name, what in todo.items()}
        return {name: one.result() for name, one in started.items()}


def test_an_hour_takes_a_hundredth_of_its_time_and_300_mb(long_ones, record_property):
    met = long_ones["mono 60"]
    faster = 3600 / met["cpu_s"]
    record_property("times_faster", faster)
    record_property("peak_mb", met["peak_mb"])
    told = f"{faster:.0f} times faster than it plays, in {met['peak_mb']:.0f} MB"
    print(told)
    assert met["delay_ms"] == pytest.approx(500.0, abs=0.1)
    assert faster >= TIMES_FASTER, told
    assert met["peak_mb"] <= MOST_MB, told


def test_ten_minutes_take_hardly_longer_than_filtering_them_some_times(
    tmp_path, sides, record_property
):
    met = cost(tmp_path / "take.wav", mixed(*sides), 10, "filtering too")
    faster, times = 600 / met["wall_s"], met["cpu_s"] / met["filtering_s"]
    record_property("times_faster", faster)
    told = f"{faster:.0f} times faster than it plays, as long as filtering it {times:.1f} times"
    print(told)
    assert times <= TIMES_FILTERING, told


def test_stereo_grows_by_so_little_that_an_hour_takes_300_mb(long_ones, record_property):
    # Up to twenty minutes more is done at once, which takes more memory.
    longer, shorter, most = (long_ones[f"stereo {minutes}"] for minutes in (32, 22, 20))
    mb_a_minute = (longer["peak_mb"] - shorter["peak_mb"]) / 10
    hour_mb = longer["peak_mb"] + 28 * max(0.0, mb_a_minute)
    record_property("stereo_hour_mb", hour_mb)
    told = f"{longer['peak_mb']:.0f} MB, {mb_a_minute:.2f} MB a minute: {hour_mb:.0f} MB an hour"
    print(told)
    assert longer["delay_ms"] == pytest.approx(500.0, abs=0.1)
    assert max(hour_mb, most["peak_mb"]) <= MOST_MB, told
