"""What a picture shows, as plain data: panels of lines, points, bands and zones on two axes.

`pictures` draws it as SVG and `plots` as text. Every series is told apart by its line or its
shape, so that ink of one colour is enough.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec
import numpy as np

from tempotape.bench.flutter import Deviation
from tempotape.unit.calibration import Calibration
from tempotape.unit.curve import FittedPoint
from tempotape.unit.knob import knob_figure, reading_text
from tempotape.unit.model import Knob

# Readings that a curve is drawn through.
_DRAWN = 161
# A long series is drawn by the lowest and highest value of so many stretches.
_STRETCHES = 600
_MARGIN = 0.04
_FINEST_PERCENT = 1e-4  # less than any clock; finer would only draw the noise of the numbers
BAND_SDS = 2.0


class Axis(msgspec.Struct, frozen=True):
    """An axis from `low` to `high`; `knob` is the scale that its figures are readings of."""

    label: str
    low: float
    high: float
    log: bool = False
    knob: Knob | None = None

    def share(self, value: float) -> float:
        """Where a value stands, 0 at `low` and 1 at `high`."""
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def ticks(self, most: int) -> tuple[tuple[float, str], ...]:
        """Round values inside the axis with their labels, at most `most` of them."""
        values = _log_ticks(self.low, self.high, most) if self.log else ()
        values = values or even_ticks(self.low, self.high, most)
        if self.knob is not None and self.knob.marks == "clock":
            return tuple((value, knob_figure(self.knob, value)) for value in values)
        return tuple((value, _plain(value)) for value in values)


class Line(msgspec.Struct, frozen=True):
    """A line through points, broken where a value is not finite; `dash` 0 is unbroken.

    `ink` numbers a colour, 0 black; what it tells, the dash tells too.
    """

    name: str
    xs: tuple[float, ...]
    ys: tuple[float, ...]
    dash: int = 0
    ink: int = 0
    faint: bool = False


class Points(msgspec.Struct, frozen=True):
    """Marks of one shape, filled or hollow. Shape `CROSSED` is kept for what does not count."""

    name: str
    xs: tuple[float, ...]
    ys: tuple[float, ...]
    shape: int = 0
    filled: bool = True
    ink: int = 0


CROSSED = -1


class Band(msgspec.Struct, frozen=True):
    """The stretch between two lines."""

    name: str
    xs: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]


class Limit(msgspec.Struct, frozen=True):
    """A level across the panel."""

    y: float
    name: str


class Zone(msgspec.Struct, frozen=True):
    """A stretch of the x axis with a name; `shade` 0 is clear, 1 light, 2 hatched."""

    low: float
    high: float
    name: str
    shade: int


class Panel(msgspec.Struct, frozen=True):
    """Two axes and what is drawn on them; `note` is written where there is nothing to draw."""

    title: str
    x: Axis
    y: Axis
    lines: tuple[Line, ...] = ()
    points: tuple[Points, ...] = ()
    bands: tuple[Band, ...] = ()
    limits: tuple[Limit, ...] = ()
    zones: tuple[Zone, ...] = ()
    note: str = ""


class Picture(msgspec.Struct, frozen=True):
    """Panels one below the other."""

    title: str
    panels: tuple[Panel, ...]


def curve_picture(calibration: Calibration) -> Picture:
    """Delay of every head against the knob, with its 95 % band and the measured points."""
    name = calibration.unit.name
    panel = _delay_panel(calibration)
    return Picture(f"{name}: delay against the knob", (panel,))


def flutter_picture(calibration: Calibration) -> Picture:
    """Flutter against the knob, with the player's limits and the zones."""
    name = calibration.unit.name
    return Picture(f"{name}: flutter against the knob", (_flutter_panel(calibration),))


def unit_picture(calibration: Calibration) -> Picture:
    """Curve and flutter of one unit; the curve alone where no flutter was measured."""
    curve = curve_picture(calibration)
    if not calibration.flutter.log_speed:
        return curve
    panels = (*curve.panels, *flutter_picture(calibration).panels)
    return msgspec.structs.replace(curve, panels=panels)


def deviation_picture(t_s: Sequence[float], percent: Sequence[float]) -> Picture:
    """Deviation in percent against time in seconds. Raises ValueError where nothing is finite."""
    xs, ys = _thinned(*_finite(t_s, percent))
    reach = max(_FINEST_PERCENT, *map(abs, ys)) * (1 + _MARGIN)
    panel = Panel(
        title="deviation against time",
        x=_axis("time in s", xs),
        y=Axis("deviation in %", -reach, reach),
        lines=(Line("", xs, ys),),
        limits=(Limit(0.0, ""),),
    )
    return Picture("Deviation of the tone against time", (panel,))


def spectrum_picture(hz: Sequence[float], percent: Sequence[float]) -> Picture:
    """Size of the deviation in percent against its frequency above 0 Hz, on a log scale.

    Raises ValueError where no frequency above 0 Hz has a finite figure.
    """
    all_hz, sizes = _finite(hz, percent)
    kept = [(f, size) for f, size in zip(all_hz, sizes, strict=True) if f > 0]
    xs, ys = _highest([f for f, _ in kept], [size for _, size in kept])
    low, high = min(xs), max(xs)
    panel = Panel(
        title="what the deviation is made of",
        x=Axis("frequency in Hz", low / 1.1, high * 1.1, log=True),
        y=Axis("deviation in %", 0.0, max(_FINEST_PERCENT, *ys) * (1 + _MARGIN)),
        lines=(Line("", xs, ys),),
    )
    return Picture("Spectrum of the deviation", (panel,))


def tone_picture(tone: Deviation) -> Picture:
    """The deviation of a tone against time, and the size of each frequency in it.

    The spectrum is that of the series under a Hann window, scaled so that a sine shows its peak.
    """
    percent = np.asarray(tone.percent)
    t_s = tone.start_s + np.arange(len(percent)) / tone.rate_hz
    window = np.hanning(len(percent))
    sizes = 2 * np.abs(np.fft.rfft((percent - percent.mean()) * window)) / max(window.sum(), 1e-9)
    hz = np.fft.rfftfreq(len(percent), 1 / tone.rate_hz)
    time = deviation_picture(t_s.tolist(), tone.percent)
    panels = (*time.panels, *spectrum_picture(hz.tolist(), sizes.tolist()).panels)
    return Picture("Deviation of the tone", panels)


def comparison_picture(
    before: Calibration, after: Calibration, span: tuple[float, float]
) -> Picture:
    """Delays and flutter of two calibrations overlaid; `span` holds the readings compared."""
    names = dict.fromkeys((before.unit.name, after.unit.name))
    return Picture(
        f"{' and '.join(names)}: before and after",
        (_delays_of_both(before, after, span), _flutter_of_both(before, after, span)),
    )


# --- panels -----------------------------------------------------------------------------------


def _delay_panel(one: Calibration) -> Panel:
    curve = one.curve
    lines: list[Line] = []
    points: list[Points] = []
    bands: list[Band] = []
    reached: list[float] = []
    for number, head in enumerate(curve.heads):
        own = [point for point in one.fit.points if point.head == head]
        reached += [point.delay_ms for point in own]
        if curve.log_gap[number] is None:
            continue
        xs = _between(curve.measured_low, curve.measured_high)
        ys = tuple(curve.delay_ms(head, knob) or math.nan for knob in xs)
        off = [BAND_SDS * curve.error_percent_at(head, knob) / 100 for knob in xs]
        band = Band(
            "" if bands else "95 % of cases",
            xs,
            tuple(y * math.exp(-part) for y, part in zip(ys, off, strict=True)),
            tuple(y * math.exp(part) for y, part in zip(ys, off, strict=True)),
        )
        reached += ys
        bands.append(band)
        lines.append(Line(f"head {head}", xs, ys, number, number))
        good = [point for point in own if not point.suspect]
        if good:
            points.append(_marks(f"{head}, measured", good, number, number))
    suspects = [point for point in one.fit.points if point.suspect]
    if suspects:
        points.append(_marks("suspect, does not count", suspects, CROSSED, 0))
    y = _delay_axis(reached)
    outside = [_outside(one, head, number, y) for number, head in enumerate(curve.heads)]
    return Panel(
        title="delay of each head",
        x=_knob_axis(one),
        y=y,
        lines=(*lines, *(line for some in outside for line in some)),
        points=tuple(points),
        bands=tuple(bands),
    )


def _outside(one: Calibration, head: str, dash: int, y: Axis) -> list[Line]:
    """The curve carried on beyond what was measured, as far as the panel shows it."""
    curve = one.curve
    ends = ((curve.knob[0], curve.measured_low), (curve.measured_high, curve.knob[-1]))
    found: list[Line] = []
    for low, high in ends:
        if low < high and curve.delay_ms(head, low) is not None:
            xs = _between(low, high)
            ys = [curve.delay_ms(head, knob) or math.nan for knob in xs]
            shown = tuple(value if y.low <= value <= y.high else math.nan for value in ys)
            name = "" if found or dash else "not measured"
            found.append(Line(name, xs, shown, dash, dash, faint=True))
    return found


def _marks(name: str, points: Sequence[FittedPoint], shape: int, ink: int) -> Points:
    places = [(point.knob, point.delay_ms) for point in points]
    return Points(name, *_columns(places), shape, ink=ink)


def _flutter_panel(one: Calibration) -> Panel:
    points = [
        (p.knob, p.flutter_percent) for p in one.unit.measured if p.flutter_percent is not None
    ]
    limits = _limits(one)
    top = max([0.5, *(y for _, y in points), *(limit.y for limit in limits)])
    lines: tuple[Line, ...] = ()
    if points:
        lines = (_flutter_line("flutter", one, 0),)
    return Panel(
        title="weighted flutter",
        x=_knob_axis(one),
        y=Axis("flutter in %", 0.0, top * 1.12),
        lines=lines,
        points=(Points("measured", *_columns(points)),) if points else (),
        limits=limits,
        zones=_zones(one),
        note="" if points else "flutter is not measured",
    )


def _flutter_line(name: str, one: Calibration, dash: int) -> Line:
    knobs = [p.knob for p in one.unit.measured if p.flutter_percent is not None]
    xs = _between(min(knobs), max(knobs))
    return Line(name, xs, tuple(one.flutter_at(knob) or math.nan for knob in xs), dash, dash)


def _limits(one: Calibration) -> tuple[Limit, ...]:
    steadiness = one.unit.steadiness
    named = (
        (steadiness.steady_percent, "steady up to"),
        (steadiness.unstable_percent, "unstable from"),
    )
    return tuple(Limit(y, f"{name} {y:g} %") for y, name in named if y is not None)


def _zones(one: Calibration) -> tuple[Zone, ...]:
    """Neighbouring readings of one zone together; how finely they are looked at can be drawn."""
    shades = {"steady": 0, "unknown": 0, "wobbly": 1, "unstable": 2}
    knobs = _between(one.unit.knob.low, one.unit.knob.high)
    half = (knobs[1] - knobs[0]) / 2
    found = []
    for name, some in itertools.groupby(knobs, key=one.zone_at):
        own = list(some)
        low, high = max(own[0] - half, knobs[0]), min(own[-1] + half, knobs[-1])
        found.append(Zone(low, high, name, shades[name]))
    return tuple(found)


def _delays_of_both(before: Calibration, after: Calibration, span: tuple[float, float]) -> Panel:
    lines, points, reached = [], [], []
    heads = [head for head in before.curve.heads if head in after.curve.heads]
    for shape, head in enumerate(heads):
        for one, when in ((before, "before"), (after, "after")):
            xs = _between(one.curve.measured_low, one.curve.measured_high)
            ys = tuple(one.curve.delay_ms(head, knob) or math.nan for knob in xs)
            own = [p for p in one.fit.points if p.head == head and not p.suspect]
            reached += [value for value in (*ys, *(p.delay_ms for p in own)) if value > 0]
            lines.append(
                Line(
                    f"curve {when}" if shape == 0 else "",
                    xs,
                    ys,
                    int(when == "before"),
                    int(when == "before"),
                )
            )
            if own:
                mark = _marks(f"{head} {when}", own, shape, int(when == "before"))
                points.append(msgspec.structs.replace(mark, filled=when == "after"))
    return Panel(
        title=_titled("delay of each head", before, after, span),
        x=_both_axis(before, after),
        y=_delay_axis(reached),
        lines=tuple(lines),
        points=tuple(points),
        zones=_compared(before, after, span),
    )


def _flutter_of_both(before: Calibration, after: Calibration, span: tuple[float, float]) -> Panel:
    lines, points, top = [], [], [0.5]
    for one, when in ((before, "before"), (after, "after")):
        own = [
            (p.knob, p.flutter_percent) for p in one.unit.measured if p.flutter_percent is not None
        ]
        if own:
            top += [y for _, y in own]
            lines.append(_flutter_line("", one, int(when == "before")))
            points.append(
                Points(f"flutter {when}", *_columns(own), 0, when == "after", int(when == "before"))
            )
    limits = _limits(after)
    return Panel(
        title=_titled("weighted flutter", before, after, span),
        x=_both_axis(before, after),
        y=Axis("flutter in %", 0.0, max([*top, *(limit.y for limit in limits)]) * 1.12),
        lines=tuple(lines),
        points=tuple(points),
        limits=limits,
        zones=_compared(before, after, span),
        note="" if points else "flutter is not measured",
    )


def _compared(
    before: Calibration, after: Calibration, span: tuple[float, float]
) -> tuple[Zone, ...]:
    """What is left out of the comparison, shaded at either side."""
    axis = _both_axis(before, after)
    ends = ((axis.low, span[0]), (span[1], axis.high))
    return tuple(Zone(low, high, "", 1) for low, high in ends if low < high)


def _titled(name: str, before: Calibration, after: Calibration, span: tuple[float, float]) -> str:
    """`name`, with the readings compared where the axis holds others too."""
    axis = _both_axis(before, after)
    if (axis.low, axis.high) == span or axis.knob is None:
        return name
    low, high = (reading_text(axis.knob, reading) for reading in span)
    return f"{name}, compared from {low} to {high}"


# --- axes and numbers -------------------------------------------------------------------------


def _knob_axis(one: Calibration) -> Axis:
    knob = one.unit.knob
    return Axis("knob reading", knob.low, knob.high, knob=knob)


def _both_axis(before: Calibration, after: Calibration) -> Axis:
    knobs = [one.unit.knob for one in (before, after)]
    low, high = min(knob.low for knob in knobs), max(knob.high for knob in knobs)
    return Axis("knob reading", low, high, knob=knobs[0])


def _delay_axis(delays_ms: Sequence[float]) -> Axis:
    low, high = min(delays_ms), max(delays_ms)
    margin = (high / low) ** _MARGIN * 1.02
    return Axis("delay in ms", low / margin, high * margin, log=True)


def _axis(label: str, values: Sequence[float]) -> Axis:
    low, high = min(values), max(values)
    return Axis(label, low, high if high > low else low + 1.0)


def _between(low: float, high: float) -> tuple[float, ...]:
    """Evenly spaced readings, both ends exact."""
    return tuple(np.linspace(low, high, _DRAWN).tolist())


def _columns(pairs: Sequence[tuple[float, float]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(x for x, _ in pairs), tuple(y for _, y in pairs)


def _finite(xs: Sequence[float], ys: Sequence[float]) -> tuple[list[float], list[float]]:
    x, y = np.asarray(xs, dtype=float), np.asarray(ys, dtype=float)
    kept = np.isfinite(x) & np.isfinite(y)
    if not kept.any():
        raise ValueError("nothing finite to draw")
    return x[kept].tolist(), y[kept].tolist()


def _thinned(
    xs: Sequence[float], ys: Sequence[float]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The same series, or of a long one the lowest and highest value of each stretch, in order."""
    if len(xs) <= 2 * _STRETCHES:
        return tuple(xs), tuple(ys)
    kept: list[int] = []
    for part in np.array_split(np.arange(len(xs)), _STRETCHES):
        values = [ys[number] for number in part]
        ends = {int(part[int(np.argmin(values))]), int(part[int(np.argmax(values))])}
        kept += sorted(ends)
    return tuple(xs[number] for number in kept), tuple(ys[number] for number in kept)


def _highest(
    xs: Sequence[float], ys: Sequence[float]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The same spectrum, or of a long one the highest line of each narrow stretch of log Hz."""
    if not xs:
        raise ValueError("nothing above 0 Hz to draw")
    order = sorted(range(len(xs)), key=lambda number: xs[number])
    if len(xs) <= 2 * _STRETCHES:
        return tuple(xs[n] for n in order), tuple(ys[n] for n in order)
    low, high = xs[order[0]], xs[order[-1]]

    def stretch(number: int) -> int:
        return int(_STRETCHES * math.log(xs[number] / low) / math.log(high / low))

    tops = [
        max(some, key=lambda number: ys[number])
        for _, some in itertools.groupby(order, key=stretch)
    ]
    return tuple(xs[n] for n in tops), tuple(ys[n] for n in tops)


def _plain(value: float) -> str:
    """Six figures of a value, without an exponent."""
    return str(np.format_float_positional(float(f"{value:.6g}"), trim="-"))


def even_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """Multiples, inside the span, of 1, 2 or 5 times a power of ten; at most `most`."""
    exact = (high - low) / max(1, most - 1)
    power = 10.0 ** math.floor(math.log10(exact))
    step = next(size * power for size in (1, 2, 5, 10) if size * power >= exact * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(round(place * step, 12) for place in range(first, last + 1))


def _log_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """Powers of ten times 1, 1.5, 2 ... 8, or as few of these as fit, or every second power only.

    Empty where fewer than three would fit.
    """
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for sizes in ((1, 1.5, 2, 3, 4, 5, 6, 8), (1, 2, 3, 5), (1, 2, 5), (1,)):
        values = tuple(
            size * 10.0**power
            for power in range(first, last + 1)
            for size in sizes
            if low * (1 - 1e-9) <= size * 10.0**power <= high * (1 + 1e-9)
        )
        if 3 <= len(values) <= most:
            return values
    return values[:: math.ceil(len(values) / most)] if len(values) > most else ()
