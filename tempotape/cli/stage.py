"""The command that opens the live screen."""

from __future__ import annotations

import gc
import sys
from functools import partial
from typing import TYPE_CHECKING

import click

from tempotape.cli.shared import UNIT_HELP, say
from tempotape.faults import InputFault

if TYPE_CHECKING:
    from tempotape.stage.app import StageApp
    from tempotape.stage.opening import Opening


@click.command()
@click.option("--unit", metavar="FILE", help=UNIT_HELP)
@click.option(
    "--set", "setlist", metavar="FILE", help="Set file (TOML, or CSV of title,tempo_bpm)."
)
@click.option("--midi-in", metavar="PORT", help="Follow MIDI clock from the port of this name.")
@click.option("--midi-out", metavar="PORT", help="Send MIDI clock to the port of this name.")
@click.option("--tempo", metavar="BPM", help="Start at this tempo.")
def stage(
    unit: str | None = None,
    setlist: str | None = None,
    midi_in: str | None = None,
    midi_out: str | None = None,
    tempo: str | None = None,
) -> None:
    """Open the live screen.

    Where there is no terminal, as in a pipe, prints the same answer as plain text.

    A unit played near self-oscillation can get loud suddenly: turn the level down first, and
    protect ears and speakers.
    """
    # Everything loaded from here to the first paint stays: collecting it would only delay that.
    gc.disable()
    from tempotape.stage.opening import open_stage  # noqa: PLC0415

    opened = partial(
        open_stage, unit=unit, setlist=setlist, midi_in=midi_in, midi_out=midi_out, tempo=tempo
    )
    opening = opened()
    if not (sys.stdin.isatty() and sys.stdout.isatty() and sys.stderr.isatty()):
        from tempotape.stage.plain import plain_answer  # noqa: PLC0415

        try:
            answer = plain_answer(opening)
        except InputFault as fault:
            if not opening.recalled:
                raise
            answer = plain_answer(opened(unfit=fault.sentence))
        say(answer)
        return
    app = _on_screen(opening)
    if app.fault and opening.recalled:
        app = _on_screen(opened(unfit=app.fault))
    if app.fault:
        raise InputFault(app.fault)
    if app.return_code:
        sys.exit(app.return_code)


def _on_screen(opening: Opening) -> StageApp:
    """The stage, run to its end."""
    from tempotape.stage.app import make_stage  # noqa: PLC0415 - the screen takes longest to load

    app = make_stage(opening)
    app.run()
    return app
