"""Playing a sound through the unit and recording what comes back, at once.

Only what is inside the recording counts: the unit's dry path brings the played sound along, so the
latency of the interface, which delays dry and wet alike, does not matter.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from tempotape.bench.wav_files import write_parts
from tempotape.faults import InputFault
from tempotape.text import listed, quoted

Frames = NDArray[np.float32]
Progress = Callable[[float], None]

MOST_INPUTS = 2
_STALLED_S = 5.0
_LOOK_S = 0.1
# The quietest sound worth measuring: a 16-bit recording's last bit is at -90 dBFS.
_NOTHING = 10 ** (-80 / 20)


class Interface(msgspec.Struct, frozen=True):
    """A sound interface: its name, PortAudio's numbers for both directions, and its rate."""

    name: str
    input_number: int
    output_number: int
    inputs: int
    outputs: int
    rate_hz: int


class Take(msgspec.Struct, frozen=True):
    """What was recorded, (frames, inputs), and how often the sound broke up on the way."""

    frames: Frames
    rate_hz: int
    breaks: int


class CutShort(Exception):
    """Playing ended before its time, by `cause`; `take` is what was recorded until then."""

    def __init__(self, take: Take, cause: InputFault | KeyboardInterrupt) -> None:
        super().__init__(str(cause))
        self.take = take
        self.cause = cause


def find_interface(name: str | None) -> Interface:
    """The interface whose name holds `name`, or the system's usual one.

    Raises InputFault where sounddevice or PortAudio is missing, or where no interface, or more
    than one, fits and can both play and record.
    """
    sound = _sounddevice()
    devices = [dict(device) for device in sound.query_devices()]
    if name is None:
        numbers = [int(number) for number in sound.default.device]
        if min(numbers) < 0:
            raise InputFault("there is no sound interface to play and record on")
        return _interface(devices, *numbers)
    pairs = list(_pairs(devices, name))
    names = dict.fromkeys(devices[number]["name"] for pair in pairs for number in pair)
    if not pairs or len(names) > 1:
        every = dict.fromkeys(devices[one]["name"] for one, _ in _pairs(devices, ""))
        raise InputFault(
            f"{quoted(name)} fits {'more than one interface' if pairs else 'no interface'}",
            expected=listed(map(quoted, names or every)) or "one that plays and records",
            entry="--device",
        )
    return _interface(devices, *pairs[0])


def play_and_record(
    sound: NDArray[Any], interface: Interface, *, inputs: int, progress: Progress | None = None
) -> Take:
    """Play `sound`, mono at full scale 1.0, on all outputs while recording the first `inputs`.

    Raises InputFault where the interface cannot do it or nothing comes in, and CutShort where it
    stops on the way or Ctrl-C breaks in once something has come in.
    """
    portaudio = _sounddevice()
    if not 1 <= inputs <= min(MOST_INPUTS, interface.inputs):
        raise InputFault(
            f"is {inputs}",
            expected=listed(str(n + 1) for n in range(min(MOST_INPUTS, interface.inputs))),
            entry="--inputs",
        )
    pass_through = _Pass(np.asarray(sound, dtype=np.float32), inputs)
    done = threading.Event()
    cause: InputFault | KeyboardInterrupt | None = None
    try:
        with portaudio.Stream(
            samplerate=interface.rate_hz,
            device=(interface.input_number, interface.output_number),
            channels=(inputs, interface.outputs),
            dtype="float32",
            callback=lambda *block: pass_through.block(*block, stop=portaudio.CallbackStop),
            finished_callback=done.set,
        ):
            _wait(done, pass_through, progress or _nothing)
    except KeyboardInterrupt as broken:
        cause = broken
    except portaudio.PortAudioError as fault:
        cause = InputFault(f"cannot play and record ({fault})", source=interface.name)
    recorded = pass_through.recorded[: pass_through.at]
    if cause is None and len(recorded) < len(sound):
        cause = InputFault(
            f"stopped after {len(recorded) / interface.rate_hz:.1f} s", source=interface.name
        )
    take = Take(recorded, interface.rate_hz, pass_through.breaks)
    silent = float(np.max(np.abs(recorded), initial=0.0)) < _NOTHING
    if cause is not None:
        raise cause if silent else CutShort(take, cause)
    if silent:
        raise InputFault(
            "nothing came in",
            expected=f"the unit's output on input {' and '.join('12'[:inputs])}",
            source=interface.name,
        )
    return take


def write_take(path: Path, take: Take) -> None:
    """Write a take as a WAV file of 32-bit floats, whole or not at all. Raises InputFault."""
    channels = take.frames.shape[1]
    write_parts(path, [take.frames], rate_hz=take.rate_hz, channels=channels, encoding="FLOAT")


class _Pass:
    """What the audio thread does with each block; plays `sound` once."""

    def __init__(self, sound: Frames, inputs: int) -> None:
        self._sound = sound
        self.recorded = np.zeros((len(sound), inputs), dtype=np.float32)
        self.at = 0
        self.breaks = 0

    def block(
        self,
        heard: Frames,
        played: Frames,
        frames: int,
        _time: object,
        status: object,
        *,
        stop: Any,
    ) -> None:
        if status:
            self.breaks += 1
        begin, end = self.at, min(self.at + frames, len(self._sound))
        played.fill(0.0)
        played[: end - begin] = self._sound[begin:end, None]
        self.recorded[begin:end] = heard[: end - begin]
        self.at = end
        if end == len(self._sound):
            raise stop


def _wait(done: threading.Event, passing: _Pass, progress: Progress) -> None:
    """Until all is played, or nothing has moved for a while."""
    moved_s, at = time.monotonic(), 0
    while not done.wait(_LOOK_S):
        if passing.at > at:
            moved_s, at = time.monotonic(), passing.at
        elif time.monotonic() - moved_s > _STALLED_S:
            return
        progress(at / len(passing.recorded))
    progress(1.0)


def _pairs(devices: list[dict[str, Any]], name: str) -> Iterator[tuple[int, int]]:
    """Input and output numbers under one driver whose names hold `name`; the very name first."""
    wanted = name.casefold()
    for same in (str.__eq__, str.__contains__):
        fits = [n for n, device in enumerate(devices) if same(device["name"].casefold(), wanted)]
        found = [
            (one, other)
            for one in fits
            for other in fits
            if devices[one]["max_input_channels"] > 0
            and devices[other]["max_output_channels"] > 0
            and devices[one]["hostapi"] == devices[other]["hostapi"]
        ]
        yield from found
        if found:
            return


def _interface(devices: list[dict[str, Any]], input_number: int, output_number: int) -> Interface:
    into, out = devices[input_number], devices[output_number]
    return Interface(
        name=str(out["name"]),
        input_number=input_number,
        output_number=output_number,
        inputs=int(into["max_input_channels"]),
        outputs=min(2, int(out["max_output_channels"])),
        rate_hz=round(out["default_samplerate"]),
    )


def _sounddevice() -> Any:
    try:
        import sounddevice  # noqa: PLC0415 - an extra, and PortAudio starts with it
    except ImportError:
        raise InputFault(
            "live recording needs the Python package sounddevice",
            expected="it installed, as by pip install 'tempotape[audio]'",
            entry="--live",
        ) from None
    except OSError:
        raise InputFault(
            "live recording needs the PortAudio library",
            expected="it installed, as by apt install libportaudio2",
            entry="--live",
        ) from None
    return sounddevice


def _nothing(_part: float) -> None:
    """Nobody watches."""
