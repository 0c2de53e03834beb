"""The command that watches, logs and replays incoming MIDI clock."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click
import msgspec

from tempotape.cli.shared import json_option
from tempotape.faults import InputFault
from tempotape.text import listed, printable, quoted

if TYPE_CHECKING:
    from tempotape.tempo.clock import ClockReading
    from tempotape.tempo.midi_link import LinkView

POLL_S = 0.1


@click.command()
@click.option("--midi-in", metavar="PORT", help="Watch the MIDI input port of this name.")
@click.option("--record", metavar="LOG", help="Write every message that arrives to this new file.")
@click.option("--replay", metavar="LOG", help="Read the messages from a log, not from a port.")
@json_option
def clock(midi_in: str | None, record: str | None, replay: str | None, *, as_json: bool) -> None:
    """Show what tempo an incoming MIDI clock has, and whether it can be trusted.

    Watches a port until Ctrl-C; without --midi-in the only port there is. A port that is missing
    is waited for. With --json prints one JSON object a line whenever something changes.

    A log holds one JSON object a line: the time of arrival in seconds, and a MIDI message in hex.
    Its times, and those of --json, are the machine's own; those shown while watching count from
    when that began.
    """
    if replay is not None and (midi_in is not None or record is not None):
        raise click.UsageError("--replay goes with neither --midi-in nor --record")
    try:
        if replay is not None:
            _replay(Path(replay), _JsonLines() if as_json else _Lines())
        else:
            _watch(midi_in, record, _JsonLines() if as_json else _watched_lines())
    except BrokenPipeError:
        # Whoever read the output has seen enough; nor is the last flush to complain at the end.
        with open(os.devnull, "w") as nowhere:  # noqa: PTH123
            os.dup2(nowhere.fileno(), sys.stdout.fileno())


def _watched_lines() -> Output:
    return _OneLine(from_first=True) if _in_terminal() else _Lines(from_first=True)


def _in_terminal() -> bool:
    return sys.stdout.isatty()


def _replay(path: Path, out: Output) -> None:
    from tempotape.tempo.clock_log import read_log, replay  # noqa: PLC0415

    for reading in replay(read_log(path)):
        out.tell(reading)


def _watch(midi_in: str | None, record: str | None, out: Output) -> None:
    """Watch a port until Ctrl-C or until the log cannot be written."""
    from tempotape.tempo.clock_log import ClockLog  # noqa: PLC0415
    from tempotape.tempo.midi_link import MidiLink  # noqa: PLC0415

    log = ClockLog(Path(record)) if record is not None else None
    link = MidiLink(hear=log.write if log else None)
    try:
        link.choose(midi_in)
        link.start()
        remarks = _Remarks(out)
        while not (log and log.problem):
            view = link.view()
            if view.listed and view.chosen is None and view.ports:
                link.choose(_only(view.ports))
            remarks.tell(view)
            out.tell(view.reading)
            time.sleep(POLL_S)
    except KeyboardInterrupt:
        pass
    finally:
        link.close()
        if log:
            log.close()
        out.interrupt()
    if log and log.problem:
        raise InputFault(log.problem)


def _only(ports: Sequence[str]) -> str:
    """The one port there is. Raises InputFault where there are several."""
    if len(ports) > 1:
        raise InputFault(
            f"there are {len(ports)} MIDI input ports: {listed(map(quoted, ports), 'and')}",
            expected="the name of one",
            entry="--midi-in",
        )
    return ports[0]


class Output(Protocol):
    """Where readings are told."""

    def tell(self, reading: ClockReading) -> None:
        """Tell a reading, if it says something new."""

    def interrupt(self) -> None:
        """Leave room for what others print."""


class _JsonLines:
    """One JSON object a line."""

    def __init__(self) -> None:
        self._told: ClockReading | None = None

    def tell(self, reading: ClockReading) -> None:
        from tempotape.tempo.clock_log import same_told  # noqa: PLC0415

        if not same_told(reading, self._told):
            self._told = reading
            click.echo(msgspec.json.encode(reading))

    def interrupt(self) -> None:
        """JSON lines stand alone on their stream."""


class _Lines:
    """A readable line whenever what it shows changes; its time comes first.

    That is the reading's own, or `from_first` counts it from the first reading.
    """

    def __init__(self, *, from_first: bool = False) -> None:
        from tempotape.tempo.clock import HeldFigure  # noqa: PLC0415

        self._held = HeldFigure()
        self._told = ""
        self._origin_s = None if from_first else 0.0

    def tell(self, reading: ClockReading) -> None:
        if self._origin_s is None:
            self._origin_s = reading.t_s
        text = _readable(reading, self._held.hold(reading))
        if text != self._told:
            self._told = text
            self._show(f"{reading.t_s - self._origin_s:12.3f} s  {text}")

    def interrupt(self) -> None:
        """Lines that are whole are in nobody's way."""

    def _show(self, line: str) -> None:
        click.echo(line)


class _OneLine(_Lines):
    """The same on one line of a terminal, written over."""

    def __init__(self, *, from_first: bool = False) -> None:
        super().__init__(from_first=from_first)
        self._begun = False

    def interrupt(self) -> None:
        if self._begun:
            self._begun = False
            click.echo()

    def _show(self, line: str) -> None:
        self._begun = True
        click.echo(f"\r{line}", nl=False)


def _readable(reading: ClockReading, figure: float | None) -> str:
    # All are of one width, so that in a terminal each hides the one before.
    tempo = "    -" if figure is None else f"{figure:5.1f}"
    return f"{reading.state:7}  {tempo} BPM  {'running' if reading.running else 'stopped'}"


class _Remarks:
    """What is said beside the readings, on standard error: each thing once."""

    def __init__(self, out: Output) -> None:
        self._out = out
        self._told = ""

    def tell(self, view: LinkView) -> None:
        remark = self._remark(view)
        if remark and remark != self._told:
            self._told = remark
            self._out.interrupt()
            click.echo(printable(remark), err=True)

    def _remark(self, view: LinkView) -> str:
        if view.problem:
            return view.problem
        if view.listening is not None:
            return f"listening to {quoted(view.listening)}"
        return "no MIDI input port yet; waiting for one" if view.listed and not view.ports else ""
