"""Made-up echo units: a pot's taper, a motor against friction, heads, and a hand that measures.

The physics is the design's: the knob turns a pot, the pot sets the drive of a small DC motor, the
tape runs in proportion to the drive above a friction dead band, and a head repeats after its gap
divided by that speed. Nothing here is shared with the fit under test: the taper formulas, their
strengths, the dead bands and the places measured are drawn at random from wider families.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

import msgspec

from tempotape.unit.model import Head, Knob, Point, Steadiness, Unit

Taper = Callable[[float], float]


class MadeUnit(msgspec.Struct, frozen=True):
    """A unit file as measured, with the truth behind it."""

    unit: Unit
    taper: str
    gaps_mm: tuple[float, ...]
    speed_mm_s: Callable[[float], float]  # by knob reading
    noise: float  # relative, one standard deviation
    gross: int | None  # index of the point with a gross error

    def true_delay_ms(self, head: int, knob: float) -> float:
        return 1000 * self.gaps_mm[head] / self.speed_mm_s(knob)


def linear(_: random.Random) -> Taper:
    return lambda turn: turn


def exponential(rng: random.Random) -> Taper:
    """A logarithmic ("audio") or reversed pot as an exponential law."""
    base = math.exp(rng.choice((-1, 1)) * rng.uniform(0.7, 4.2))
    return lambda turn: (base**turn - 1) / (base - 1)


def power(rng: random.Random) -> Taper:
    exponent = math.exp(rng.uniform(-0.9, 0.9))
    return lambda turn: turn**exponent


def log_of_turn(rng: random.Random) -> Taper:
    """A logarithm of the turn itself: steep at first, then flattening."""
    strength = rng.uniform(2, 20)
    return lambda turn: math.log1p(strength * turn) / math.log1p(strength)


def two_slope(rng: random.Random) -> Taper:
    """How cheap log pots are really made: two straight tracks that meet."""
    bend, height = rng.uniform(0.35, 0.65), rng.uniform(0.12, 0.35)
    if rng.random() < 0.5:
        bend, height = 1 - bend, 1 - height

    def taper(turn: float) -> float:
        if turn < bend:
            return height * turn / bend
        return height + (1 - height) * (turn - bend) / (1 - bend)

    return taper


def logistic(rng: random.Random) -> Taper:
    steepness = rng.uniform(3, 9)
    low, high = (1 / (1 + math.exp(sign * steepness / 2)) for sign in (1, -1))
    return lambda turn: (1 / (1 + math.exp(-steepness * (turn - 0.5))) - low) / (high - low)


def smoothstep(rng: random.Random) -> Taper:
    part = rng.uniform(0.4, 1.0)
    return lambda turn: part * turn * turn * (3 - 2 * turn) + (1 - part) * turn


def tangent(rng: random.Random) -> Taper:
    """Steep at both ends, flat in the middle, or its inverse."""
    half = rng.uniform(0.6, 1.25)
    if rng.random() < 0.5:
        return lambda turn: 0.5 + math.tan((2 * turn - 1) * half) / (2 * math.tan(half))
    reach = math.tan(half)
    return lambda turn: 0.5 + math.atan((2 * turn - 1) * reach) / (2 * half)


TAPERS: dict[str, Callable[[random.Random], Taper]] = {
    "linear": linear,
    "exponential": exponential,
    "power": power,
    "log of turn": log_of_turn,
    "two slope": two_slope,
    "logistic": logistic,
    "smoothstep": smoothstep,
    "tangent": tangent,
}


def made_unit(
    rng: random.Random,
    *,
    tapers: Sequence[str] = tuple(TAPERS),
    heads: int = 2,
    points_a_head: tuple[int, int] = (6, 8),
    noise: tuple[float, float] = (0.005, 0.02),
    dead_band: tuple[float, float] = (0.05, 0.3),
    slowest: tuple[float, float] = (0.03, 0.25),
    same_places: bool | None = None,
    even: bool | None = None,
    gross: bool = False,
    gross_size: tuple[float, float] | None = None,
    with_gap: bool | None = None,
    with_error: bool | None = None,
    faster_up: bool | None = None,
) -> MadeUnit:
    """One unit. `slowest` is the speed where measuring starts, as part of the fastest.

    A None is decided by a coin. `gross` spoils one point, end points included: 8 to 40 % either
    way, or a factor of two (an echo counted twice or missed).
    """

    def coin(choice: bool | None) -> bool:
        return rng.random() < 0.5 if choice is None else choice

    name = rng.choice(list(tapers))
    taper = TAPERS[name](rng)
    dead = rng.uniform(*dead_band)
    rising = coin(faster_up)
    low, high = rng.choice(((0.0, 10.0), (1.0, 11.0), (0.0, 100.0), (7.0, 17.0), (-5.0, 5.0)))
    knob = Knob(low=low, high=high, step=(high - low) / rng.choice((20, 50, 100)))
    fastest_mm_s = rng.uniform(80, 500)

    def turned(reading: float) -> float:
        part = (reading - low) / (high - low)
        return part if rising else 1 - part

    def speed_mm_s(reading: float) -> float:
        return fastest_mm_s * max(0.0, taper(turned(reading)) - dead) / (1 - dead)

    least = fastest_mm_s * rng.uniform(*slowest)
    running = [low + (high - low) * i / 1000 for i in range(1001)]
    running = [reading for reading in running if speed_mm_s(reading) >= least]
    sd = rng.uniform(*noise)
    ratio = rng.uniform(1.5, 4.0)
    gaps = [rng.uniform(15, 40)]
    for _ in range(heads - 1):
        gaps.append(gaps[-1] * (ratio if heads == 2 else ratio**0.6))
    ruler, timed = coin(with_gap), coin(with_error)
    names = ("short", "long", "longest")[:heads]
    together, regular = coin(same_places), coin(even)
    shared = _places(rng, running, rng.randint(*points_a_head), even=regular)
    points = []
    for head, gap_mm in enumerate(gaps):
        places = (
            shared if together else _places(rng, running, rng.randint(*points_a_head), even=regular)
        )
        for reading in places:
            true_ms = 1000 * gap_mm / speed_mm_s(reading)
            points.append(
                Point(
                    head=names[head],
                    knob=reading,
                    delay_ms=true_ms * (1 + rng.gauss(0, sd)),
                    error_ms=true_ms * sd if timed else None,
                )
            )
    spoilt = rng.randrange(len(points)) if gross else None
    if spoilt is not None:
        point = points[spoilt]
        factor = _gross_factor(rng, gross_size)
        points[spoilt] = msgspec.structs.replace(point, delay_ms=point.delay_ms * factor)
    rng.shuffle(order := list(range(len(points))))
    unit = Unit(
        format=1,
        name="Made up",
        knob=knob,
        head=tuple(
            Head(name, gap_mm=round(gap) * 1.0 if ruler else None)
            for name, gap in zip(names, gaps, strict=True)
        ),
        measured=tuple(points[i] for i in order),
    )
    return MadeUnit(
        unit=unit,
        taper=name,
        gaps_mm=tuple(gaps),
        speed_mm_s=speed_mm_s,
        noise=sd,
        gross=None if spoilt is None else order.index(spoilt),
    )


def _places(rng: random.Random, running: list[float], count: int, *, even: bool) -> list[float]:
    """Readings measured, ascending, from end to end of what runs, evenly or by a loose hand."""
    low, high = running[0], running[-1]
    shares = [i / (count - 1) for i in range(count)]
    if not even:
        loose = 0.35 / (count - 1)
        shares = [min(1.0, max(0.0, share + rng.uniform(-loose, loose))) for share in shares]
    return [low + (high - low) * share for share in shares]


def _gross_factor(rng: random.Random, size: tuple[float, float] | None) -> float:
    if size is None and rng.random() < 0.15:
        return rng.choice((0.5, 2.0))
    off = rng.uniform(*(size or (0.08, 0.40)))
    return 1 + rng.choice((-1, 1)) * off


def shown_unit(
    points: Sequence[tuple[str, float, float]],
    *,
    heads: Sequence[Head] = (Head("short"), Head("long")),
    knob: Knob = Knob(low=0.0, high=10.0, step=0.2),  # noqa: B008
    steadiness: Steadiness = Steadiness(),  # noqa: B008
) -> Unit:
    """A unit with points typed in a test as (head, reading, delay in ms)."""
    return Unit(
        format=1,
        name="Typed in",
        knob=knob,
        head=tuple(heads),
        steadiness=steadiness,
        measured=tuple(Point(*point) for point in points),
    )
