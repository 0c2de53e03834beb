"""Tapping along with the repeats in a terminal."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import NamedTuple

import click

from tempotape.faults import InputFault
from tempotape.tempo.taps import TapReading, TapSeries

# Fewer say little about their spread (our own choice).
LEAST_TAPS = 4
_WIDTH = 79  # of the one line that is written over; what stood there before is wiped out
_MOST_SENT = 32  # bytes of one key; an arrow key sends three
_ENTER = frozenset("\r\n")
_ESCAPE = "\x1b"
_ENDS = ("SIGHUP", "SIGTERM", "SIGINT")  # no SIGHUP on Windows

NextKey = Callable[[], "Key"]
Keep = Callable[[TapReading], None]


class Key(NamedTuple):
    """What a key sent, and when, in seconds of the monotonic clock."""

    sent: str
    at_s: float


class Left(Exception):
    """The player left without the position being tapped."""


@contextmanager
def keyboard() -> Iterator[NextKey]:
    """The keyboard key by key, without echo, as something that gives the next key.

    It raises KeyboardInterrupt on Ctrl-C and where the program is told to end, EOFError on Ctrl-D
    and where the terminal is gone.
    """
    try:
        import termios  # noqa: PLC0415 - not on Windows
        import tty  # noqa: PLC0415
    except ImportError:
        yield lambda: Key(click.getchar(), time.monotonic())
        return
    # Held over all taps: click.getchar sets the terminal up anew for each key and throws away what
    # was struck meanwhile.
    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    with broken_into_once() as hear_no_more:
        try:
            tty.setcbreak(number, termios.TCSADRAIN)
            yield lambda: _read(number, hear_no_more)
        finally:
            with suppress(termios.error):  # no terminal left to put back
                termios.tcsetattr(number, termios.TCSADRAIN, before)


@contextmanager
def broken_into_once() -> Iterator[Callable[[], None]]:
    """A terminal that is closed, and a machine that shuts down, break in as Ctrl-C does: once.

    A closed terminal is told twice, by a signal and by what is read: the second must not break into
    the keeping of what the first left. Gives what makes all later ones unheard.
    """
    ends = [getattr(signal, name) for name in _ENDS if hasattr(signal, name)]

    def hear_no_more() -> None:
        for end in ends:
            signal.signal(end, signal.SIG_IGN)

    def break_in(_number: int, _frame: object) -> None:
        hear_no_more()
        raise KeyboardInterrupt

    handlers = [(end, signal.getsignal(end)) for end in ends]
    try:
        for end in ends:
            signal.signal(end, break_in)
        yield hear_no_more
    finally:
        for end, handler in handlers:
            signal.signal(end, handler or signal.SIG_DFL)


def _read(number: int, hear_no_more: Callable[[], None]) -> Key:
    try:
        sent = os.read(number, _MOST_SENT)
    except OSError:
        hear_no_more()
        raise EOFError from None
    at_s = time.monotonic()
    if sent in {b"", b"\x04"}:
        raise EOFError
    return Key(sent.decode(errors="replace"), at_s)


def check_terminal() -> None:
    """Raises InputFault where there is no terminal to tap in."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise InputFault(
            "tapping needs a terminal", expected="--point HEAD:KNOB:MS instead", entry="--tap"
        )


def tapped(next_key: NextKey, show: Callable[[str], None], keep: Keep) -> TapReading:
    """Take taps until Enter, showing the reading after each. Raises Left on Esc.

    A pause begins the series anew. Enter after too few taps says so and goes on. Where
    KeyboardInterrupt or EOFError breaks in, `keep` is given what the taps say so far: the last
    series long enough, else as much as there is.
    """
    so_far: list[TapReading] = []
    try:
        return _until_enter(next_key, show, so_far)
    except (KeyboardInterrupt, EOFError):
        enough = [reading for reading in so_far if reading.used >= LEAST_TAPS]
        for reading in (enough or so_far)[-1:]:
            keep(reading)
        raise


def _until_enter(
    next_key: NextKey, show: Callable[[str], None], so_far: list[TapReading]
) -> TapReading:
    """The reading at Enter; those before it are added to `so_far`."""
    series = TapSeries()
    show("0 taps")
    while True:
        key = next_key()
        if key.sent == _ESCAPE:
            raise Left
        if key.sent in _ENTER:
            reading = series.reading
            if reading is not None and reading.used >= LEAST_TAPS:
                return reading
            show(f"{_count(reading)}; at least {LEAST_TAPS} are needed, tap on")
        elif not key.sent.startswith(_ESCAPE):  # an arrow key, say
            series.tap(key.at_s)
            if series.reading is not None:
                so_far.append(series.reading)
            show(live_line(series.reading))


def live_line(reading: TapReading | None) -> str:
    """Count, delay and spread, as they stand."""
    if reading is None:
        return "1 tap"
    return (
        f"{_count(reading)}   every {reading.delay_ms:.1f} ms +-{reading.error_ms:.1f}   "
        f"spread {1000 * reading.spread_s:.0f} ms"
    )


def show_over(line: str) -> None:
    """Write `line` over the one before on standard error."""
    click.echo(f"\r{line:<{_WIDTH}}", err=True, nl=False)


def _count(reading: TapReading | None) -> str:
    if reading is None:
        return "too few taps"
    dropped = reading.count - reading.used
    return f"{reading.count} taps" + (f", {dropped} dropped" if dropped else "")
