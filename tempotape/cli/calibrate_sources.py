"""Where calibration points come from: typed, recorded, live, tapped."""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from tempotape.cli.calibrate_asked import Asked
from tempotape.cli.shared import note
from tempotape.faults import InputFault
from tempotape.text import listed, printable, quoted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tempotape.bench.collecting import Collection
    from tempotape.bench.from_recording import Outcome
    from tempotape.bench.live import Interface, Take
    from tempotape.cli.calibrate_preview import Refused
    from tempotape.tempo.taps import TapReading
    from tempotape.unit.model import Point, Unit

CAUTION = """\
Before it plays: turn the level down and bring it up slowly, and turn the repeats down to one. The
tone is steady, and an echo near self-oscillation can get loud all at once: protect ears and
speakers. Keep fingers, hair and straps off the moving tape."""

# Where hands are at the tape and nothing is played yet.
CAUTION_AT_HAND = "Keep fingers, hair and straps off the moving tape; level down before repeats up."

LEVEL_DBFS, BITS = -12.0, 24

_TYPED = "HEAD:KNOB:MS or HEAD:KNOB:MS:ERROR, as long:2.5:812 or long:2.5:812:4"
_TAPPED = "HEAD:KNOB, or HEAD:KNOB:N with a tap on every Nth repeat, N up to 4"
_MOST_EVERY = 4


class Gathering(NamedTuple):
    """What is asked, of which unit, and what has come of it so far."""

    asked: Asked
    unit: Unit
    collection: Collection
    refused: list[Refused]


def gather(to: Gathering) -> None:
    """Collect all points asked for: typed, recorded, tapped. Raises InputFault, and Left on Esc."""
    typed = typed_points(to.asked, to.unit)
    readings = knob_readings(to.asked, to.unit)
    positions = [_position(text, to.unit) for text in to.asked.tap]
    for point in typed:
        _keep(to.collection, point, "typed")
    if to.asked.recorded:
        _recorded(to, readings)
    for position in positions:
        _tap(to, *position)


def check_typed(asked: Asked, unit: Unit) -> None:
    """Raises InputFault where anything typed does not fit the unit."""
    typed_points(asked, unit)
    knob_readings(asked, unit)
    for text in asked.tap:
        _position(text, unit)


def typed_points(asked: Asked, unit: Unit) -> list[Point]:
    """The points typed. Raises InputFault naming the one at fault."""
    return [_typed_point(text, unit) for text in asked.point]


def _typed_point(text: str, unit: Unit) -> Point:
    from tempotape.unit.model import Point  # noqa: PLC0415
    from tempotape.unit.unitfile import check_points  # noqa: PLC0415
    from tempotape.userfiles import checked  # noqa: PLC0415

    head, figures = _split(text, unit)
    if len(figures) not in {2, 3} or None in figures:
        raise InputFault(f"point is {quoted(text)}", expected=_TYPED, entry="--point")
    names = ("knob", "delay_ms", "error_ms")[: len(figures)]
    try:
        point = checked({"head": head, **dict(zip(names, figures, strict=True))}, Point, source="")
        check_points(unit, [point])
    except InputFault as fault:
        raise InputFault(
            fault.problem, expected=fault.expected, entry=f"--point {quoted(text)}"
        ) from None
    return point


def knob_readings(asked: Asked, unit: Unit) -> tuple[float, ...]:
    """The readings recorded: of each --knob, or the marks of a walk. Raises InputFault."""
    if not asked.recorded:
        return ()
    from tempotape.bench import testsignal  # noqa: PLC0415
    from tempotape.bench.walk import even_readings, readings_in, readings_on  # noqa: PLC0415

    testsignal.check(
        rate_hz=testsignal.USUAL_RATE_HZ, level_dbfs=LEVEL_DBFS, turn_s=asked.turn, bits=BITS
    )
    for name in asked.head:
        _head(name, unit)
    if asked.marks is not None:
        readings = readings_in(asked.marks, entry="--marks")
        return readings_on(unit.knob, readings, entry="--marks")
    if asked.walk is not None:
        return even_readings(unit.knob, None)
    readings = tuple(_reading(text) for text in asked.knob)
    return readings_on(unit.knob, readings, entry="--knob")


def _reading(text: str) -> float:
    figure = _figure(text)
    if figure is None:
        raise InputFault(f"is {quoted(text)}", expected="a reading, as 2.5", entry="--knob")
    return figure


def _recorded(to: Gathering, readings: tuple[float, ...]) -> None:
    """Points from recordings of one position each, from a walk, or from a recording made now."""
    from tempotape.bench.walk import twice_told  # noqa: PLC0415

    if to.asked.marks is not None and (twice := twice_told(readings)):
        note(twice)
    if to.asked.live:
        _live(to, readings)
    elif to.asked.walk is not None:
        _from_file(to, Path(to.asked.walk), _origin("walk", to.asked.walk), readings)
    else:
        _from_files(to, readings)


def _from_files(to: Gathering, readings: tuple[float, ...]) -> None:
    from tempotape.bench.from_recording import from_recording  # noqa: PLC0415

    files, heads = to.asked.recording, to.asked.head
    for file, head, knob in zip(
        files, heads * len(files) if len(heads) == 1 else heads, readings, strict=True
    ):
        with _progress(f"measuring {Path(file).name}") as told:
            outcome = from_recording(Path(file), to.unit, _head(head, to.unit), knob, progress=told)
        _take(to, outcome, _origin("recording", file))


def _origin(kind: str, file: str) -> str:
    """Where a point comes from, as text: the name of a file need not be."""
    return f"{kind} {printable(Path(file).name)}"


def _from_file(to: Gathering, path: Path, origin: str, readings: tuple[float, ...]) -> None:
    """One recording, of one position or of a walk."""
    from tempotape.bench.from_recording import from_recording, from_walk  # noqa: PLC0415

    head = _head(to.asked.head[0], to.unit)
    with _progress("measuring") as told:
        if to.asked.walk is None and to.asked.marks is None:
            outcomes = [from_recording(path, to.unit, head, readings[0], progress=told)]
        else:
            walk = from_walk(path, to.unit, head, readings, turn_s=to.asked.turn, progress=told)
            outcomes = list(walk.marks)
            for missing in walk.missing:
                note(missing)
    for outcome in outcomes:
        _take(to, outcome, origin)


def _take(to: Gathering, outcome: Outcome, origin: str) -> None:
    """Keep the point of an outcome, or tell why there is none."""
    from tempotape.cli.calibrate_preview import Refused  # noqa: PLC0415

    where = f"{origin}, knob at {outcome.knob:g}"
    if outcome.point is None:
        to.refused.append(Refused(origin, outcome.knob, outcome.why))
        note(f"{where}: no point, {outcome.why}")
    else:
        _keep(to.collection, outcome.point, origin)
    for told in outcome.notes:
        note(f"{where}: {told}")


class _Taken(NamedTuple):
    """A take, whether it holds a position to measure, and what cut it short or kept it unsaved."""

    path: Path
    measurable: bool
    trouble: InputFault | KeyboardInterrupt | None


def _live(to: Gathering, readings: tuple[float, ...]) -> None:
    """Points from a recording made now; those of one cut short are in hand before that is told."""
    with _live_take(to.asked, readings) as taken:
        if taken.trouble is None:
            _from_file(to, taken.path, "live", readings)
            return
        if taken.measurable:
            try:
                _from_file(to, taken.path, "live", readings)
            except InputFault as fault:
                note(fault.sentence)
        raise taken.trouble


@contextmanager
def _live_take(asked: Asked, knobs: tuple[float, ...]) -> Iterator[_Taken]:
    """A recording of the test signal through the unit, made now; kept where --save says so."""
    import numpy as np  # noqa: PLC0415

    from tempotape.bench import testsignal  # noqa: PLC0415
    from tempotape.bench.live import find_interface  # noqa: PLC0415
    from tempotape.bench.walk import plain_layout, walk_layout  # noqa: PLC0415

    _check_save(asked.save)
    interface = find_interface(asked.device)
    testsignal.check(rate_hz=interface.rate_hz, level_dbfs=LEVEL_DBFS, turn_s=asked.turn, bits=BITS)
    layout = plain_layout() if asked.marks is None else walk_layout(len(knobs), asked.turn)
    note(CAUTION)
    note(f"{layout.duration_s:.0f} s at {LEVEL_DBFS:g} dBFS on {interface.name}.")
    if asked.marks is not None:
        readings = ", ".join(f"{knob:g}" for knob in knobs)
        note(f"At each pair of notes, high then low, turn the knob on: {readings}.")
    if not asked.yes:
        if not sys.stdin.isatty():
            raise InputFault(
                "live recording waits for Enter in a terminal",
                expected="--yes where there is none",
                entry="--live",
            )
        click.prompt("Enter starts it, Ctrl-C leaves", default="", show_default=False, err=True)
    sound = np.concatenate(
        list(testsignal.rendered(layout, rate_hz=interface.rate_hz, level_dbfs=LEVEL_DBFS))
    )
    with tempfile.TemporaryDirectory(prefix="tempotape-") as folder:
        # Written before anything is told: the terminal may be gone.
        with _progress("playing") as told:
            take, path, trouble = _played(asked, sound, interface, Path(folder), told)
        if take.breaks:
            note(f"the sound broke up {take.breaks} times; flutter may read high")
        recorded_s = len(take.frames) / take.rate_hz
        if trouble is not None and asked.save is not None and path == Path(asked.save):
            note(f"the {recorded_s:.1f} s recorded until then are in {asked.save}")
        yield _Taken(path, recorded_s >= layout.part("clicks").end_s, trouble)


def _played(
    asked: Asked,
    sound: NDArray[Any],
    interface: Interface,
    folder: Path,
    told: Callable[[float], None] | None,
) -> tuple[Take, Path, InputFault | KeyboardInterrupt | None]:
    """What was recorded and the file it is in: that of --save, or one in `folder`."""
    from tempotape.bench.live import CutShort, play_and_record, write_take  # noqa: PLC0415
    from tempotape.cli.tapping import broken_into_once  # noqa: PLC0415

    trouble: InputFault | KeyboardInterrupt | None = None
    with broken_into_once() as hear_no_more:
        try:
            take = play_and_record(sound, interface, inputs=asked.inputs, progress=told)
        except CutShort as short:
            take, trouble = short.take, short.cause
        hear_no_more()
        unsaved: InputFault | None = None
        if asked.save is not None:
            try:
                write_take(Path(asked.save), take)
            except InputFault as fault:
                unsaved = fault
            else:
                return take, Path(asked.save), trouble
        path = folder / "take.wav"
        write_take(path, take)
    if trouble is not None and unsaved is not None:
        note(unsaved.sentence)
    return take, path, trouble or unsaved


def _check_save(file: str | None) -> None:
    """Raises InputFault before anything is played where the take could not be kept."""
    if file is None:
        return
    if Path(file).exists():
        raise InputFault("exists already", expected="another name for the take", source=file)
    from tempotape.userfiles import resolved  # noqa: PLC0415

    if not resolved(Path(file)).parent.is_dir():
        raise InputFault("is in no folder there is", expected="a folder to write to", source=file)


def _tap(to: Gathering, head: str, knob: float, every: int) -> None:
    """One position tapped."""
    from tempotape.cli import tapping  # noqa: PLC0415
    from tempotape.unit.knob import reading_text  # noqa: PLC0415
    from tempotape.unit.model import Point  # noqa: PLC0415

    each = "the repeats" if every == 1 else f"every {every} repeats"
    note(
        f"Head {head}, knob at {reading_text(to.unit.knob, knob)}: tap any key along with {each}, "
        "Enter ends, Esc leaves without this one."
    )

    def keep(reading: TapReading) -> None:
        point = Point(
            head=head,
            knob=knob,
            delay_ms=round(reading.delay_ms / every, 3),
            error_ms=round(reading.error_ms / every, 3),
        )
        _keep(to.collection, point, f"{reading.used} taps")

    try:
        with tapping.keyboard() as next_key:
            keep(tapping.tapped(next_key, tapping.show_over, keep))
    finally:
        with suppress(OSError):  # no terminal left to write to
            click.echo(err=True)


def _position(text: str, unit: Unit) -> tuple[str, float, int]:
    head, figures = _split(text, unit)
    knob, every, *more = (*figures, 1.0) if len(figures) == 1 else figures
    if knob is None or every not in range(1, _MOST_EVERY + 1) or more:
        raise InputFault(f"position is {quoted(text)}", expected=_TAPPED, entry="--tap")
    from tempotape.bench.walk import readings_on  # noqa: PLC0415

    readings_on(unit.knob, [knob], entry="--tap")
    return _head(head, unit), knob, int(every or 1)


def _split(text: str, unit: Unit) -> tuple[str, list[float | None]]:
    """Head and figures of `HEAD:FIGURE:...`; a head of the unit may hold colons itself."""
    named = [name for name in unit.head_names if text.casefold().startswith(f"{name.casefold()}:")]
    head = max(named, key=len) if named else text.partition(":")[0]
    return head, [_figure(part) for part in text[len(head) + 1 :].split(":")]


def _figure(text: str) -> float | None:
    try:
        figure = float(text)
    except ValueError:
        return None
    return figure if math.isfinite(figure) else None


def _head(text: str, unit: Unit) -> str:
    for name in unit.head_names:
        if name.casefold() == text.strip().casefold():
            return name
    raise InputFault(
        f"head is {quoted(text)}", expected=listed(map(quoted, unit.head_names)), entry="--head"
    )


def _keep(collection: Collection, point: Point, origin: str) -> None:
    if not collection.add(point, origin):
        note("the state folder cannot be written, so an interruption would lose the points so far")


@contextmanager
def _progress(label: str) -> Iterator[Callable[[float], None] | None]:
    """A bar on standard error, where that is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=printable(label), file=sys.stderr) as bar:
        yield lambda part: bar.update(round(1000 * part) - bar.pos)
