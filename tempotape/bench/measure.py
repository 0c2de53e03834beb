"""What one recording says about a unit: delay, flutter, repeats, splice and noise."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

import msgspec
import numpy as np
from threadpoolctl import threadpool_limits

from tempotape.bench.brightness import too_bright
from tempotape.bench.delay import Delay, DelayResult, Echoes, find_delay
from tempotape.bench.flutter import Deviation, Flutter, FlutterMeter
from tempotape.bench.no_delay import NoDelay
from tempotape.bench.noise import Noise, NoiseMeter
from tempotape.bench.recording import Reading, Recording, Samples, open_recording
from tempotape.bench.repeats import Cutter, Place, Repeats, RepeatsResult, places, repeats_told
from tempotape.bench.sides import MONO, Sides, one_side, sides_of
from tempotape.bench.splice import Splice, SpliceFinder, SpliceResult, amid_playing
from tempotape.bench.thinned import Thinned, Thinner
from tempotape.text import listed

Progress = Callable[[float], None]
Span = tuple[float, float]
Result = TypeVar("Result")

CLIPPED = 0.9985  # of the largest sample, which has to be reached again and again
FULL_SCALE = 0.9
LEAST_CLIPPED = 20
QUIET = 10 ** (-60 / 20)
FIRST_PASS, METERED = 0.4, 0.9  # of the time, one after the other
BLOCKS_AS_ONE = 8
AWAITED_S = 0.1
MOST_AT_ONCE_S = 20 * 60.0  # of a longer recording both at once would take too much memory
REPEATS = 3  # of a played sound: they are no ticks


class MeasureReport(msgspec.Struct, frozen=True):
    """The parts that the recording shows; `warnings` says why a part is missing.

    `loop_period_s` is one turn of the loop, where it can be told from the lengths given or the
    splice, and `speed_mm_s` the tape's speed.
    """

    sample_rate_hz: int
    duration_s: float
    delay: Delay | None
    flutter: Flutter | None
    repeats: Repeats | None
    splice: Splice | None
    noise: Noise | None
    warnings: tuple[str, ...]
    loop_period_s: float | None
    speed_mm_s: float | None


class Lengths(msgspec.Struct, frozen=True):
    """Lengths along the tape, where known: of the loop, and from record to playback head."""

    loop_mm: float | None = None
    gap_mm: float | None = None


class Remarks(msgspec.Struct, frozen=True):
    """What is told beside the figures, in sentences, in the order of the report.

    About the `file`, whatever stretch of it is measured; about the `sound` in it; and why parts are
    missing, or what is odd about them.
    """

    file: tuple[str, ...]
    sound: tuple[str, ...]
    delay: tuple[str, ...]
    loop_gain: tuple[str, ...]
    growth: tuple[str, ...]  # of the repeats
    flutter: tuple[str, ...]
    splice: tuple[str, ...]
    noise: tuple[str, ...]

    @property
    def all(self) -> tuple[str, ...]:
        """All of them in that order."""
        return tuple(itertools.chain.from_iterable(msgspec.structs.astuple(self)))


class Measured(msgspec.Struct, frozen=True):
    """The report, its warnings by what they are about, and what was read of each tone."""

    report: MeasureReport
    remarks: Remarks
    tones: tuple[Deviation, ...]


def measure(
    path: Path,
    *,
    lengths: Lengths | None = None,
    span_s: Span | None = None,
    progress: Progress | None = None,
) -> MeasureReport:
    """What `measured` reports."""
    return measured(path, lengths=lengths, span_s=span_s, progress=progress).report


def measured(
    path: Path,
    *,
    lengths: Lengths | None = None,
    span_s: Span | None = None,
    progress: Progress | None = None,
) -> Measured:
    """Measure the recording at `path`, or its stretch `span_s`; it is read in blocks, three times.

    The second time beside the first, or while the delay is found, unless it is long. `progress` is
    told the part done, 0 to 1, on whatever thread. Raises InputFault as `open_recording` and
    `Reading`.
    """
    # Of matrices as small as these, more threads only wait for one another.
    with threadpool_limits(limits=1, user_api="blas"):
        return _measured(path, lengths, span_s, progress or _nothing)


class _Heard(msgspec.Struct, frozen=True):
    """What reading the whole recording gives, and where to look for repeats in it."""

    sides: Sides
    level: Level
    found: DelayResult
    wanted: tuple[Place, ...]
    meters: Meters


def _heard(reading: Reading, span_s: Span | None, told: Progress) -> _Heard:
    """Read twice, at once or one after the other: to find the delay, and to meter the unit's side.

    Which side that is, is known of one channel from the start, and of two when they were read; how
    long it is, of a file that does not say so, likewise.
    """
    recording = reading.recording
    mono = recording.used_channels == 1
    with ExitStack() as held:

        def metering(sides: Sides, begin: float, *, at_once: bool) -> _Working[Meters]:
            work = partial(_metered, recording, sides, span_s)
            told_so = _part_of(told, begin, METERED)
            return held.enter_context(_meanwhile(work, told_so, at_once=at_once))

        if mono and _short(recording.frames, recording):
            meters = metering(MONO, 0.0, at_once=True)
            channels, level = _first_pass(reading, span_s, lambda _part: meters.check())
            sides = MONO
        else:
            channels, level = _first_pass(reading, span_s, _part_of(told, 0.0, FIRST_PASS))
            sides = MONO if mono else sides_of(*channels)
            meters = metering(sides, FIRST_PASS, at_once=_short(level.frames, recording))
        meters.check()
        found = find_delay(*_split(channels, sides))
        wanted = () if found.echoes is None else _places(found.echoes)
        # Of an hour, too much to hold beside what follows.
        found = msgspec.structs.replace(found, echoes=None)
        for channel in channels:
            channel.close()
        return _Heard(sides, level, found, wanted, meters.result())


def _short(frames: int, recording: Recording) -> bool:
    """Whether so many samples are few enough to do two things at once."""
    return frames <= MOST_AT_ONCE_S * recording.sample_rate_hz


def _measured(path: Path, lengths: Lengths | None, span_s: Span | None, told: Progress) -> Measured:
    recording = open_recording(path)
    reading = recording.reading()
    heard = _heard(reading, span_s, told)
    found, meters = heard.found, heard.meters
    cutter = _cut(recording, heard.sides, heard.wanted, span_s, _part_of(told, METERED, 1.0))
    delay, why = _told(found, cutter)
    delay_s = None if delay is None else delay.ms / 1e3

    def repeated(_told_so: Progress) -> RepeatsResult:
        if cutter is None or delay_s is None:
            return RepeatsResult(None, (_NO_REPEATS,))
        return repeats_told(cutter, delay_s)

    at_once = _short(heard.level.frames, recording)
    with _meanwhile(repeated, _nothing, at_once=at_once) as repeating:
        own_s = _own_period_s(lengths, delay_s)
        splice = meters.splice.result(own_s, _sounds_s(delay))
        if splice.splice is None and found.ticks is not None:
            amid = amid_playing(found.ticks, own_s)
            splice = splice if amid is None else SpliceResult(amid, ())
        period_s = own_s if splice.splice is None else splice.splice.period_s
        flutter = meters.flutter.result(None if delay_s is None else delay_s * 1e3, period_s)
        noise = meters.noise.result()
        repeats = repeating.result()
    remarks = Remarks(
        file=reading.warnings,
        sound=(*heard.level.warnings, *_about_sides(heard.sides)),
        delay=() if why is None else (why.sentence,),
        loop_gain=repeats.missing,
        growth=repeats.growth,
        flutter=flutter.warnings,
        splice=splice.warnings,
        noise=noise.warnings,
    )
    report = MeasureReport(
        sample_rate_hz=recording.sample_rate_hz,
        duration_s=heard.level.frames / recording.sample_rate_hz,
        delay=delay,
        flutter=flutter.flutter,
        repeats=repeats.repeats,
        splice=splice.splice,
        noise=noise.noise,
        warnings=remarks.all,
        loop_period_s=period_s,
        speed_mm_s=_speed_mm_s(lengths, delay_s, period_s),
    )
    return Measured(report, remarks, flutter.deviation)


def _sounds_s(delay: Delay | None) -> list[float]:
    """When the sounds that tell the delay, and their first repeats, are heard."""
    return [
        moment.t_s + times * moment.ms / 1e3
        for moment in (delay.series if delay else ())
        for times in range(REPEATS + 1)
    ]


_NO_REPEATS = "no loop gain: without a delay there are no repeats to compare"


class Level(msgspec.Struct, frozen=True):
    """How the recording is driven: largest sample, and how many stand at it; and its length."""

    peak: float
    at_peak: int
    frames: int

    @property
    def warnings(self) -> tuple[str, ...]:
        if self.peak > FULL_SCALE and self.at_peak >= LEAST_CLIPPED:
            return (f"the recording is clipped: {self.at_peak} samples stand at full scale",)
        if 0 < self.peak < QUIET:
            return (
                f"the recording is very quiet: its peak is {20 * np.log10(self.peak):.0f} dBFS",
            )
        return ()


class Meters(msgspec.Struct, frozen=True):
    """What takes in all of the recording, whatever its delay is."""

    flutter: FlutterMeter
    splice: SpliceFinder
    noise: NoiseMeter


def _nothing(_part: float) -> None:
    """Nobody watches."""


def _part_of(told: Progress, begin: float, end: float) -> Progress:
    """Progress of a step that takes all from one part to another."""
    return lambda part: told(begin + (end - begin) * part)


class _Working(NamedTuple, Generic[Result]):
    """What is done meanwhile: its `result`, waited for, and a `check` that it has not failed.

    Both raise what the work raised.
    """

    result: Callable[[], Result]
    check: Callable[[], None]


@contextmanager
def _meanwhile(
    work: Callable[[Progress], Result], told: Progress, *, at_once: bool
) -> Iterator[_Working[Result]]:
    """Work on a thread of its own, or else when its result is asked for.

    Where what is done meanwhile fails or is interrupted, it is given up when it next tells how far
    it is, or else waited for. Most of the time of both goes where Python lets other threads run.
    """
    if not at_once:
        yield _Working(lambda: work(told), lambda: None)
        return
    given_up = threading.Event()

    def watched(part: float) -> None:
        if given_up.is_set():
            raise CancelledError
        told(part)

    with ThreadPoolExecutor(1) as thread:
        working = thread.submit(work, watched)

        def result() -> Result:
            while not wait((working,), AWAITED_S).done:
                pass  # not every system notices an interrupt while it waits
            return working.result()

        def check() -> None:
            if working.done():
                working.result()

        try:
            yield _Working(result, check)
        except BaseException:
            given_up.set()
            raise


def _blocks(reading: Reading, span_s: Span | None, told: Progress) -> Iterator[Samples]:
    """The blocks of the recording, or of a stretch of it."""
    return _whole(reading, told) if span_s is None else _stretch(reading, span_s, told)


def _whole(reading: Reading, told: Progress) -> Iterator[Samples]:
    at, frames = 0, max(1, reading.recording.frames)
    for block in _longer(reading):
        yield block
        at += len(block)
        told(min(1.0, at / frames))


def _stretch(reading: Reading, span_s: Span, told: Progress) -> Iterator[Samples]:
    """Reads no further than the stretch: what is wrong with the file beyond is not its own."""
    first, last = (round(at_s * reading.recording.sample_rate_hz) for at_s in span_s)
    begin = 0
    for block in reading:
        end = begin + len(block)
        if begin < last and end > first:
            yield block[max(first - begin, 0) : last - begin]
        told(min(1.0, end / max(1, last)))
        if end >= last:
            break
        begin = end


def _longer(reading: Reading) -> Iterator[Samples]:
    """The blocks of a reading, several as one: each costs the meters something of its own."""
    blocks = iter(reading)
    while some := list(itertools.islice(blocks, BLOCKS_AS_ONE)):
        yield np.concatenate(some)


def _first_pass(
    reading: Reading, span_s: Span | None, told: Progress
) -> tuple[list[Thinned], Level]:
    recording = reading.recording
    thinners = [Thinner(recording.sample_rate_hz) for _ in range(recording.used_channels)]
    peak, at_peak, frames = 0.0, 0, 0
    for block in _blocks(reading, span_s, told):
        for number, thinner in enumerate(thinners):
            thinner.feed(block[:, number])
        frames += len(block)
        highest = max(float(block.max()), -float(block.min()))
        if highest > peak / CLIPPED:
            at_peak = 0
        peak = max(peak, highest)
        if highest >= CLIPPED * peak and peak > FULL_SCALE:
            at_peak += int(np.count_nonzero(np.abs(block) >= CLIPPED * peak))
    return [thinner.thinned() for thinner in thinners], Level(peak, at_peak, frames)


def _split(channels: list[Thinned], sides: Sides) -> tuple[Thinned, Thinned | None]:
    """The side that holds the played sound, and the unit's where it is another."""
    if len(channels) == 1:
        return channels[0], None
    named = {"left": channels[0], "right": channels[1]}
    if sides.mixed:
        return named.get(sides.dry) or Thinned.mean(*channels), None
    return named[sides.dry], named[sides.wet]


def _places(echoes: Echoes) -> tuple[Place, ...]:
    """Where to look for repeats."""
    return places(echoes.sound, echoes.copies, echoes.at, echoes.lags)


def _told(found: DelayResult, cutter: Cutter | None) -> tuple[Delay | None, NoDelay | None]:
    """The delay, or why there is none: a doubted one where what is copied was not the unit's."""
    if found.doubted is not None and cutter is not None and too_bright(cutter):
        return found.doubted, None
    return found.delay, found.why


def _metered(recording: Recording, sides: Sides, span_s: Span | None, told: Progress) -> Meters:
    rate_hz = recording.sample_rate_hz
    meters = Meters(FlutterMeter(rate_hz), SpliceFinder(rate_hz), NoiseMeter(rate_hz))
    for block in _blocks(recording.reading(), span_s, told):
        wet = one_side(block, sides.wet)
        meters.flutter.feed(wet)
        meters.splice.feed(wet)
        meters.noise.feed(wet)
    return meters


def _cut(
    recording: Recording,
    sides: Sides,
    wanted: tuple[Place, ...],
    span_s: Span | None,
    told: Progress,
) -> Cutter | None:
    """What was wanted of the recording cut out of it, if anything."""
    if not wanted:
        told(1.0)
        return None
    cutter = Cutter(wanted, recording.sample_rate_hz)
    for block in _blocks(recording.reading(), span_s, told):
        cutter.feed(one_side(block, sides.dry), one_side(block, sides.wet))
    return cutter


def _about_sides(sides: Sides) -> list[str]:
    if sides.dry == "right" and sides.wet == "left":
        return ["the played sound seems to be on the right and the unit on the left"]
    if sides.mixed and sides.dry != "both":
        other = listed({"left", "right"} - {sides.dry})
        if sides.opposite:
            return [f"the {other} channel is left aside: it is the {sides.dry} one turned over"]
        return [f"the {other} channel is left aside: no sound begins there"]
    return []


def _own_period_s(lengths: Lengths | None, delay_s: float | None) -> float | None:
    """One turn of the loop, from its length and the speed that gap and delay give."""
    if lengths is None or lengths.loop_mm is None or lengths.gap_mm is None or delay_s is None:
        return None
    return lengths.loop_mm / lengths.gap_mm * delay_s


def _speed_mm_s(
    lengths: Lengths | None, delay_s: float | None, period_s: float | None
) -> float | None:
    if lengths is None:
        return None
    if lengths.gap_mm is not None and delay_s is not None:
        return lengths.gap_mm / delay_s
    if lengths.loop_mm is not None and period_s is not None:
        return lengths.loop_mm / period_s
    return None
