"""Commands about MIDI ports, and what else a player plugs in."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import click

from tempotape.cli.shared import json_option, say, say_json
from tempotape.text import printable

PORTS_WITHIN_S = 4.0


@click.command()
@json_option
def ports(*, as_json: bool) -> None:
    """List MIDI and audio ports by name; MIDI inputs as --midi-in takes them."""
    from tempotape.tempo.midi_link import MidiLink  # noqa: PLC0415

    link = MidiLink()
    link.start()
    try:
        until = time.monotonic() + PORTS_WITHIN_S
        view = link.view()
        while view.available and not view.listed and time.monotonic() < until:
            time.sleep(0.05)
            view = link.view()
    finally:
        link.close()
    audio_in, audio_out, audio_problem = audio_ports()
    found = {
        "midi_in": view.ports,
        "midi_out": view.outputs,
        "audio_in": audio_in,
        "audio_out": audio_out,
    }
    for problem in filter(None, (view.problem, audio_problem)):
        click.echo(problem, err=True)
    if as_json:
        say_json({**found, "problem": view.problem})
        return
    for kind, names in found.items():
        medium, way = kind.split("_")
        if view.available if medium == "midi" else not audio_problem:
            title = f"{medium.upper() if medium == 'midi' else medium} {way}:"
            say("\n".join((title, *(f"  {name}" for name in names or ("none",)))))


def audio_ports() -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Names of audio inputs and outputs, and one sentence where audio cannot be used, else ""."""
    with _silent_stderr():
        try:
            import sounddevice  # noqa: PLC0415
        except ModuleNotFoundError:
            return (), (), "audio is not available here: sounddevice is not installed"
        except OSError:
            return (), (), "audio is not available here: the PortAudio library is missing"
        try:
            devices = sounddevice.query_devices()
        except sounddevice.PortAudioError as fault:
            return (), (), f"audio is not available here: {printable(str(fault))}"
    return _names(devices, "max_input_channels"), _names(devices, "max_output_channels"), ""


def _names(devices: Sequence[dict[str, object]], channels: str) -> tuple[str, ...]:
    """The names of the devices that have any of these channels."""
    return tuple(printable(str(device["name"])) for device in devices if device[channels])


@contextmanager
def _silent_stderr() -> Iterator[None]:
    """Nothing reaches standard error: PortAudio and what it loads write there as they like."""
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
