"""Playing and recording at once, over a real JACK server with a simulated unit on it."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tempotape.bench import live
from tempotape.faults import InputFault
from tempotape.unit.unitfile import read_unit
from tests.jack import jack_server

ROOT = Path(__file__).parent.parent.parent
GAP_MM, SPEED_MM_S = 60.0, 150.0
WOW_HZ, DEPTH = 4.0, 0.003

UNIT = """format = 1
name = "Plover"
[knob]
low = 0.0
high = 10.0
step = 0.1
[[head]]
name = "long"
"""


def require_sound():
    """As `require` does for programs: skip a user without PortAudio or JACK, fail in CI."""
    loads = subprocess.run(
        [sys.executable, "-c", "import jack, sounddevice"], cwd=ROOT, capture_output=True,
        env={**os.environ, "JACK_NO_START_SERVER": "1"}, text=True, check=False,
    )  # fmt: skip
    if loads.returncode:
        told = f"needs sounddevice and JACK-Client: {loads.stderr.splitlines()[-1]}"
        if os.environ.get("CI"):
            pytest.fail(told)
        pytest.skip(told)


@pytest.fixture
def echo():
    """A JACK server with a simulated unit named Plover on it."""
    require_sound()
    with jack_server() as server:
        server.environment["PYTHONPATH"] = str(ROOT)
        words = map(str, ("Plover", GAP_MM, SPEED_MM_S, WOW_HZ, DEPTH))
        with server.program(sys.executable, "-m", "tests.echo_in_jack", *words) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            yield server


def test_live_through_a_unit_on_jack_gives_its_delay_and_flutter(echo, tmp_path):
    unit, take = tmp_path / "plover.toml", tmp_path / "take.wav"
    unit.write_text(UNIT)
    words = [
        sys.executable, "-m", "tempotape", "calibrate", "--unit", unit, "--live", "--head", "long",
        "--knob", "4", "--device", "plover", "--save", take, "--yes", "--json",
    ]  # fmt: skip
    home = {"XDG_STATE_HOME": str(tmp_path / "state"), "XDG_CACHE_HOME": str(tmp_path / "cache")}
    done = subprocess.run(
        words, env={**echo.environment, **home}, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "level down" in done.stderr
    assert "fingers, hair and straps" in done.stderr.replace("\n", " ")
    shown = json.loads(done.stdout)
    assert shown["written"] is True
    (point,) = read_unit(unit).measured
    assert (point.head, point.knob) == ("long", 4.0)
    # d / v; the interface here is two periods of 1024 frames, 43 ms, late, and that must not show.
    assert point.delay_ms == pytest.approx(1000 * GAP_MM / SPEED_MM_S, abs=0.3)
    # m 2|sin(pi f tau)|, from the definition of delay on moving tape; weight 0 dB at 4 Hz, and a
    # sine reads its peak (AES6-2008).
    expected = 100 * DEPTH * 2 * abs(math.sin(math.pi * WOW_HZ * GAP_MM / SPEED_MM_S))
    assert point.flutter_percent == pytest.approx(expected, rel=0.04)
    assert take.stat().st_size > 4 * 48_000 * 40


class Devices:
    """What of sounddevice is used, with made-up devices and a stream that a test scripts."""

    class PortAudioError(Exception):
        pass

    class CallbackStop(Exception):
        pass

    def __init__(self, *devices, usual=(-1, -1), stream=None):
        self.devices = devices
        self.default = SimpleNamespace(device=usual)
        self.Stream = stream

    def query_devices(self):
        return self.devices


def device(name, inputs=2, outputs=2, driver=0, rate_hz=48_000.0):
    return {
        "name": name, "max_input_channels": inputs, "max_output_channels": outputs,
        "hostapi": driver, "default_samplerate": rate_hz,
    }  # fmt: skip


@pytest.fixture
def devices(monkeypatch):
    def use(*every, **more):
        made = Devices(*every, **more)
        monkeypatch.setitem(sys.modules, "sounddevice", made)
        return made

    return use


BOX = live.Interface("Box", 0, 0, inputs=2, outputs=2, rate_hz=48_000)


def test_an_interface_is_found_by_a_part_of_its_name_or_is_the_usual_one(devices):
    devices(device("Speakers", inputs=0), device("Blue box USB"), usual=(1, 0))
    assert live.find_interface("blue") == live.Interface("Blue box USB", 1, 1, 2, 2, 48_000)
    assert live.find_interface(None) == live.Interface("Speakers", 1, 0, 2, 2, 48_000)


def test_the_very_name_goes_before_names_that_hold_it(devices):
    devices(device("Box"), device("Box 2"))
    assert live.find_interface("box").name == "Box"


def test_one_interface_under_two_drivers_is_one(devices):
    devices(device("Box", driver=0), device("Box", driver=1))
    assert live.find_interface("Box").input_number == live.find_interface("Box").output_number == 0


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("z", '--device: "z" fits no interface; expected "Box 1", "Box 2" or "Box 3"'),
        ("box", '--device: "box" fits more than one interface; expected "Box 1", "Box 2" or '
                '"Box 3"'),
        ("Ears", '--device: "Ears" fits no interface; expected "Box 1", "Box 2" or "Box 3"'),
    ],
)  # fmt: skip
def test_a_name_that_fits_not_one_interface_is_told(devices, name, sentence):
    devices(*(device(f"Box {n}") for n in (1, 2, 3)), device("Ears", inputs=0, driver=2))
    with pytest.raises(InputFault) as fault:
        live.find_interface(name)
    assert fault.value.sentence == sentence


def test_no_interface_at_all_is_told(devices):
    devices()
    with pytest.raises(InputFault) as fault:
        live.find_interface(None)
    assert fault.value.sentence == "there is no sound interface to play and record on"


def test_without_sounddevice_or_portaudio_the_sentence_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(InputFault) as fault:
        live.find_interface(None)
    assert fault.value.sentence == (
        "--live: live recording needs the Python package sounddevice; expected it installed, as "
        "by pip install 'tempotape[audio]'"
    )

    class NoLibrary:
        def find_spec(self, name, *_):
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice")
    monkeypatch.setattr(sys, "meta_path", [NoLibrary(), *sys.meta_path])
    with pytest.raises(InputFault) as fault:
        live.find_interface(None)
    assert fault.value.sentence == (
        "--live: live recording needs the PortAudio library; expected it installed, as by apt "
        "install libportaudio2"
    )


def wire(*, gain=1.0, blocks=1_000, breaks=()):
    """A stream class: each block of 64 comes back one block later; it ends after `blocks`."""

    class Stream:
        def __init__(self, *, samplerate, device, channels, dtype, callback, finished_callback):
            assert (samplerate, device, dtype) == (48_000, (0, 0), "float32")
            self.channels, self.callback, self.finished = channels, callback, finished_callback

        def __enter__(self):
            inputs, outputs = self.channels
            heard = np.zeros((64, inputs), np.float32)
            for number in range(blocks):
                played = np.full((64, outputs), np.nan, np.float32)
                try:
                    self.callback(heard, played, 64, None, number in breaks)
                except Devices.CallbackStop:
                    break
                heard = np.repeat(gain * played[:, :1], inputs, axis=1)
            self.finished()
            return self

        def __exit__(self, *_):
            return None

    return Stream


def test_what_is_played_is_recorded_and_breaks_are_counted(devices):
    devices(stream=wire(gain=0.5, breaks={2, 3}))
    sound = np.sin(np.arange(1_000) / 10)
    parts = []
    take = live.play_and_record(sound, BOX, inputs=2, progress=parts.append)
    assert (take.frames.shape, take.rate_hz, take.breaks) == ((1_000, 2), 48_000, 2)
    for side in (0, 1):
        np.testing.assert_allclose(take.frames[64:, side], 0.5 * sound[:-64], atol=1e-6)
    assert parts[-1] == 1.0


def test_an_interface_that_stops_on_the_way_is_told_with_what_was_recorded(devices):
    devices(stream=wire(gain=0.5, blocks=750, breaks={2}))
    with pytest.raises(live.CutShort) as short:
        live.play_and_record(np.ones(96_000), BOX, inputs=1)
    assert short.value.cause.sentence == "Box: stopped after 1.0 s"
    take = short.value.take
    assert (take.frames.shape, take.rate_hz, take.breaks) == ((48_000, 1), 48_000, 1)
    np.testing.assert_allclose(take.frames[64:, 0], 0.5)


def test_an_interface_that_stops_before_anything_came_in_is_a_fault(devices):
    devices(stream=wire(gain=0.0, blocks=750))
    with pytest.raises(InputFault) as fault:
        live.play_and_record(np.ones(96_000), BOX, inputs=1)
    assert fault.value.sentence == "Box: stopped after 1.0 s"


class Endless:
    """As `wire`, but it goes on for as long as it is open, and Ctrl-C comes meanwhile."""

    gain = 0.5

    def __init__(self, *, channels, callback, **_):
        self.channels, self.callback = channels, callback

    def __enter__(self):
        heard = np.full((64, self.channels[0]), self.gain, np.float32)
        for _ in range(750):
            self.callback(heard, np.zeros((64, 2), np.float32), 64, None, False)
        raise KeyboardInterrupt

    def __exit__(self, *_):
        return None


def test_ctrl_c_comes_with_what_was_recorded(devices):
    devices(stream=Endless)
    with pytest.raises(live.CutShort) as short:
        live.play_and_record(np.ones(96_000), BOX, inputs=2)
    assert isinstance(short.value.cause, KeyboardInterrupt)
    assert short.value.take.frames.shape == (48_000, 2)
    np.testing.assert_allclose(short.value.take.frames, 0.5)


def test_ctrl_c_before_anything_came_in_is_just_that(devices):
    class Silent(Endless):
        gain = 0.0

    devices(stream=Silent)
    with pytest.raises(KeyboardInterrupt):
        live.play_and_record(np.ones(96_000), BOX, inputs=2)


def test_an_interface_that_never_starts_is_told(devices, monkeypatch):
    class Dead(wire()):
        def __enter__(self):
            return self

    monkeypatch.setattr(live, "_STALLED_S", 0.05)
    devices(stream=Dead)
    with pytest.raises(InputFault) as fault:
        live.play_and_record(np.ones(96_000), BOX, inputs=1)
    assert fault.value.sentence == "Box: stopped after 0.0 s"


def test_nothing_coming_in_is_told(devices):
    devices(stream=wire(gain=0.0))
    with pytest.raises(InputFault) as fault:
        live.play_and_record(np.ones(1_000), BOX, inputs=2)
    assert fault.value.sentence == (
        "Box: nothing came in; expected the unit's output on input 1 and 2"
    )


def test_a_fault_of_the_driver_is_told_in_a_sentence(devices):
    made = devices()

    def refuse(**_):
        raise made.PortAudioError("Invalid sample rate [PaErrorCode -9997]")

    made.Stream = refuse
    with pytest.raises(InputFault) as fault:
        live.play_and_record(np.ones(1_000), BOX, inputs=1)
    assert fault.value.sentence == (
        "Box: cannot play and record (Invalid sample rate [PaErrorCode -9997])"
    )


@pytest.mark.parametrize("inputs", [0, 3])
def test_inputs_that_are_not_there_are_told(devices, inputs):
    devices()
    with pytest.raises(InputFault) as fault:
        live.play_and_record(np.ones(10), BOX, inputs=inputs)
    assert fault.value.sentence == f"--inputs: is {inputs}; expected 1 or 2"


def test_a_take_that_cannot_be_written_is_told(tmp_path):
    take = live.Take(np.zeros((10, 1), np.float32), 48_000, 0)
    nowhere = tmp_path / "no" / "take.wav"
    with pytest.raises(InputFault) as fault:
        live.write_take(nowhere, take)
    assert fault.value.sentence == f"{nowhere}: cannot be written (No such file or directory)"
