"""The command that writes the sound to play through the unit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tempotape.cli.shared import UNIT_HELP, say

if TYPE_CHECKING:
    from tempotape.bench.walk import Layout
    from tempotape.unit.model import Unit


@click.command()
@click.argument("out", metavar="OUT.wav")
@click.option(
    "--walk",
    metavar="READINGS",
    help="One block a knob reading, as 0,2.5,5 or LOW:HIGH:STEP, for one long recording.",
)
@click.option("--unit", metavar="FILE", help=f"{UNIT_HELP} Readings are told in its marks.")
@click.option("--marks", type=int, metavar="N", help="With --unit: N readings over its scale.")
@click.option("--turn", type=float, default=8.0, metavar="S", help="Time to turn the knob; 8.")
@click.option("--rate", type=int, default=48_000, metavar="HZ", help="Sample rate; 48000.")
@click.option("--level", type=float, default=-12.0, metavar="DBFS", help="Peak level; -12.")
@click.option("--bits", type=int, default=24, metavar="BITS", help="16 or 24; 24.")
@click.option("--force", is_flag=True, help="Write over a file that exists.")
def testsignal(
    out: str,
    walk: str | None,
    unit: str | None,
    marks: int | None,
    turn: float,
    rate: int,
    level: float,
    bits: int,
    *,
    force: bool,
) -> None:
    """Write the sound to play through the unit while its output is recorded.

    It holds a chirp, clicks that time the delay, a 3150 Hz tone for wow and flutter, and silence
    for noise and the splice. A walk holds all of that once for each knob mark; two notes, high then
    low, say when to turn the knob. Turn the repeats down to one, and record dry and wet together:
    best the dry sound on the left and the wet on the right, else both mixed. The wet sound alone
    gives flutter, splice and noise, but no delay and no loop gain: they are measured from the
    dry sound.

    Mind the volume: start with everything turned down and bring it up slowly. A steady tone strains
    ears and speakers, and an echo with its repeats turned up can start to oscillate and grow loud
    all at once.
    """
    from tempotape.bench import testsignal as signal  # noqa: PLC0415
    from tempotape.bench.walk import plain_layout, walk_layout  # noqa: PLC0415
    from tempotape.unit.unitfile import read_unit  # noqa: PLC0415

    if marks is not None and (unit is None or walk is not None):
        raise click.UsageError("--marks goes with --unit, and without --walk")
    signal.check(rate_hz=rate, level_dbfs=level, turn_s=turn, bits=bits)
    known = None if unit is None else read_unit(Path(unit))
    readings = _readings(walk, known, marks)
    layout = walk_layout(len(readings), turn) if readings else plain_layout()
    signal.write_wav(Path(out), layout, rate_hz=rate, level_dbfs=level, bits=bits, force=force)
    say(_told(out, layout, readings, known))


def _readings(walk: str | None, unit: Unit | None, marks: int | None) -> tuple[float, ...]:
    """The readings to walk, none for a single block; all of them on the unit's scale."""
    from tempotape.bench.walk import even_readings, readings_in, readings_on  # noqa: PLC0415

    if walk is not None:
        readings = readings_in(walk, entry="--walk")
        return readings if unit is None else readings_on(unit.knob, readings, entry="--walk")
    return () if unit is None else even_readings(unit.knob, marks)


def _told(out: str, layout: Layout, readings: tuple[float, ...], unit: Unit | None) -> str:
    from tempotape.bench.walk import twice_told  # noqa: PLC0415
    from tempotape.unit.knob import reading_text  # noqa: PLC0415

    lines = [f"{_minutes(layout.duration_s)} written to {out}"]
    if readings:
        lines.append("turn the knob at the two notes, and leave it until they come again:")
    for mark, reading in enumerate(readings):
        shown = f"{reading:g}" if unit is None else reading_text(unit.knob, reading)
        lines.append(f"  {_minutes(layout.part('turn', mark).start_s):>6}  {shown}")
    if twice := twice_told(readings):
        lines.append(twice)
    lines.append("start with the volume down: the tone is steady, and an echo can oscillate")
    return "\n".join(lines)


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
