"""The command line."""

from __future__ import annotations

import importlib
import io
import os
import sys
from contextlib import suppress

import click

from tempotape import __version__
from tempotape.faults import InputFault
from tempotape.text import printable

AT_FAULT = 1
# Each command and where it is, so that none waits for the others to load; in the order of a
# player's work.
_COMMANDS = {
    "stage": "stage.stage",
    "advise": "unit.advise",
    "lead": "lead.lead",
    "plan": "songs.plan",
    "sheet": "songs.sheet",
    "set": "songs.set_group",
    "testsignal": "testsignal.testsignal",
    "measure": "measure.measure",
    "calibrate": "calibrate.calibrate",
    "curve": "unit.curve",
    "compare": "compare.compare",
    "clock": "clock.clock",
    "ports": "midi.ports",
}


class _LateGroup(click.Group):
    """Loads a command when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        module, _, name = _COMMANDS[cmd_name].partition(".")
        command: click.Command = getattr(importlib.import_module(f"{__name__}.{module}"), name)
        return command


@click.group(
    cls=_LateGroup,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__)
@click.pass_context
def commands(context: click.Context) -> None:
    """Which playback head and which knob position put the repeats on the beat.

    Without a command, opens the stage on the unit and the set used last, or on the demo.
    """
    if context.invoked_subcommand is None:
        stage = commands.get_command(context, "stage")
        assert stage is not None  # noqa: S101 - it stands in the table
        context.invoke(stage)


def main() -> None:
    """Run a command; a fault of the input ends in one sentence and exit code 1."""
    _open_closed_streams()
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        code = _run()
    except InputFault as fault:
        from tempotape.cli.shared import note  # noqa: PLC0415

        note(fault.sentence)
        sys.exit(AT_FAULT)
    except OSError as fault:  # a full disk behind standard output, for one
        with suppress(OSError):  # or a terminal that was closed
            click.echo(f"cannot write: {printable(fault.strerror or str(fault))}", err=True)
        sys.exit(AT_FAULT)
    sys.exit(code)


def _run() -> int:
    """Run a command as click does, but let nothing that was typed act on the terminal."""
    try:
        returned = commands(prog_name="tempotape", standalone_mode=False)
    except click.ClickException as fault:
        shown = io.StringIO()
        fault.show(shown)
        click.echo("\n".join(map(printable, shown.getvalue().splitlines())), err=True)
        return fault.exit_code
    except click.Abort:
        click.echo("Aborted!", err=True)
        return AT_FAULT
    return returned if isinstance(returned, int) else 0


def _open_closed_streams() -> None:
    """A standard stream that was closed leads nowhere, and no other file takes its number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            nowhere = os.open(os.devnull, os.O_RDWR)
            # For as long as we run.
            setattr(sys, name, open(nowhere, mode, closefd=False))  # noqa: SIM115
