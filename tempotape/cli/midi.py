"""Commands about MIDI ports."""

from __future__ import annotations

import time

import click

from tempotape.cli.shared import json_option, say, say_json

PORTS_WITHIN_S = 4.0


@click.command()
@json_option
def ports(*, as_json: bool) -> None:
    """List the MIDI input ports by name, as --midi-in takes them."""
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
    if as_json:
        say_json({"midi_in": view.ports, "problem": view.problem})
    elif not view.available:
        say(view.problem)
    else:
        say("\n".join(view.ports) or "no MIDI input ports")
