"""The command line."""

from __future__ import annotations

import sys

import click

from tempotape import __version__
from tempotape.cli import (
    calibrate,
    clock,
    compare,
    lead,
    measure,
    midi,
    songs,
    stage,
    testsignal,
    unit,
)
from tempotape.faults import InputFault
from tempotape.text import printable

AT_FAULT = 1


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
@click.pass_context
def commands(context: click.Context) -> None:
    """Which playback head and which knob position put the repeats on the beat.

    Without a command, opens the stage on the unit and the set used last, or on the demo.
    """
    if context.invoked_subcommand is None:
        context.invoke(stage.stage)


for command in (
    stage.stage,
    unit.advise,
    lead.lead,
    songs.plan,
    songs.sheet,
    songs.set_group,
    testsignal.testsignal,
    measure.measure,
    calibrate.calibrate,
    unit.curve,
    compare.compare,
    clock.clock,
    midi.ports,
):
    commands.add_command(command)


def main() -> None:
    """Run a command; a fault of the input ends in one sentence and exit code 1."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        commands(prog_name="tempotape")
    except InputFault as fault:
        click.echo(fault.sentence, err=True)
        sys.exit(AT_FAULT)
    except OSError as fault:  # a full disk behind standard output, for one
        click.echo(f"cannot write: {printable(fault.strerror or str(fault))}", err=True)
        sys.exit(AT_FAULT)
