"""What a speed curve can look like before anything is measured: tapers of the pot, dead bands.

A small motor pulls the tape in proportion to its drive above a friction dead band, and the drive
follows the taper of the pot: speed = taper(turn) - dead, up to a factor that the head gaps take
up. A hypothesis is one taper with one dead band and one direction of turn. A negative dead band
is a motor that still runs at the end stop.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Direction = Literal["up", "down"]

SCALE = np.linspace(0.0, 1.0, 401)  # the turn from end stop to end stop
SCALE.setflags(write=False)

# Full speed over the speed at the slowest reading measured: how much of the drive friction takes.
_LOG_RATIOS = np.linspace(math.log(1.04), math.log(60.0), 96)
# Points that all lie near the fast end say little of friction; the ratio is then counted from here.
_SLOWEST_COUNTED = 0.85
# Beyond the slowest reading measured, the tape is not taken to run slower than this part of it:
# somewhere there it stalls, and no delay would be right.
_LOG_STALL = -1.5


def _exponential(turn: Floats) -> Floats:
    """Logarithmic ("audio") pots and reversed ones."""
    bend = _column(np.linspace(-5.0, 5.0, 42))  # an even count, so that none is zero
    return np.asarray(np.expm1(bend * turn) / np.expm1(bend))


def _straight(turn: Floats) -> Floats:
    return turn[None, :]


def _symmetric_s(turn: Floats) -> Floats:
    return _logistic(turn, _column(np.linspace(1.5, 13.0, 24)), 0.5)


def _lopsided_s(turn: Floats) -> Floats:
    steepness = np.linspace(2.0, 13.0, 12)
    return np.vstack(
        [_logistic(turn, _column(steepness), middle) for middle in (0.35, 0.425, 0.575, 0.65)]
    )


def _logistic(turn: Floats, steepness: Floats, middle: float) -> Floats:
    def plain(at: Floats) -> Floats:
        return np.asarray(1.0 / (1.0 + np.exp(-steepness * (at - middle))))

    low, high = plain(np.zeros(1)), plain(np.ones(1))
    return np.asarray((plain(turn) - low) / (high - low))


def _gentle_s(turn: Floats) -> Floats:
    """A straight track with a part of the cubic 3 t^2 - 2 t^3 mixed in."""
    part = _column(np.linspace(0.2, 1.2, 16))
    return np.asarray(turn + part * (turn * turn * (3.0 - 2.0 * turn) - turn))


def _steep_s(turn: Floats) -> Floats:
    """Odds of the turn to a power: flat at both end stops."""
    power = _column(np.linspace(1.15, 3.7, 16))
    return np.asarray(turn**power / (turn**power + (1.0 - turn) ** power))


def _steep_ends(turn: Floats) -> Floats:
    """Steep at both end stops, flat between."""
    width = _column(np.array([1.0, 1.4, 1.8, 2.1, 2.4, 2.6, 2.8]))
    return np.asarray(0.5 + np.tan((turn - 0.5) * width) / (2.0 * np.tan(width / 2.0)))


def _two_tracks(turn: Floats) -> Floats:
    """Cheap logarithmic pots: two straight tracks that meet at (`bend`, `height`)."""
    heights = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
    bend, height = (
        _column(axis.ravel()) for axis in np.meshgrid(np.linspace(0.3, 0.7, 9), heights)
    )
    above = height + (1.0 - height) * (turn - bend) / (1.0 - bend)
    return np.asarray(np.where(turn < bend, height * turn / bend, above))


def _power(turn: Floats) -> Floats:
    return np.asarray(turn ** _column(np.exp(np.linspace(-1.2, 1.2, 17))))


def _log_of_turn(turn: Floats) -> Floats:
    strength = _column(np.exp(np.linspace(0.0, 3.5, 9)))
    return np.asarray(np.log1p(strength * turn) / np.log1p(strength))


def _log_of_rest(turn: Floats) -> Floats:
    return 1.0 - _log_of_turn(1.0 - turn)


# Each family's share of belief, spread evenly over its members. Pots are sold as linear,
# logarithmic either way, and S-shaped (common practice, no source); the rest keeps the mind open.
_FAMILIES: tuple[tuple[Callable[[Floats], Floats], float], ...] = (
    (_straight, 0.7),
    (_exponential, 1.0),
    (_symmetric_s, 0.5),
    (_gentle_s, 0.4),
    (_steep_s, 0.25),
    (_lopsided_s, 0.25),
    (_steep_ends, 0.2),
    (_two_tracks, 0.2),
    (_power, 0.3),
    (_log_of_turn, 0.15),
    (_log_of_rest, 0.15),
)


def tapers(turn: Floats) -> Floats:
    """Every taper at each turn of the knob: (tapers, turns), 0 at one end stop, 1 at the other."""
    return np.vstack([family(turn) for family, _ in _FAMILIES])


@lru_cache(maxsize=1)
def _log_beliefs() -> Floats:
    """Log of the belief in each taper, summing to one."""
    sizes = [len(family(np.zeros(1))) for family, _ in _FAMILIES]
    shares = np.repeat(
        [share / size for (_, share), size in zip(_FAMILIES, sizes, strict=True)], sizes
    )
    return np.asarray(np.log(shares / shares.sum()))


@lru_cache(maxsize=2)
def _tapers_on_scale(direction: Direction) -> Floats:
    return tapers(SCALE if direction == "up" else 1.0 - SCALE)


class Hypotheses(msgspec.Struct, frozen=True):
    """Possible curves: (hypotheses, points) log speeds where measured, and the belief in each.

    Each row of `log_speed` has mean `level` taken off, so that it is zero on average where
    measured. `taper` is the row in `tapers`, `dead` the dead band, `up` the direction.
    """

    log_speed: Floats
    level: Floats
    log_belief: Floats
    taper: npt.NDArray[np.int64]
    dead: Floats
    up: npt.NDArray[np.bool_]

    def among(self, rows: npt.NDArray[np.int64]) -> Hypotheses:
        """Some of the hypotheses."""
        return Hypotheses(*(getattr(self, field)[rows] for field in self.__struct_fields__))

    def without(self, point: int) -> Hypotheses:
        """The same hypotheses, seen at one point less."""
        fewer = np.delete(self.log_speed, point, axis=1)
        return msgspec.structs.replace(self, log_speed=fewer)

    def on_scale(self, chosen: npt.NDArray[np.int64]) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Log speeds of some hypotheses over `SCALE`, and where each may have stalled.

        The speeds are on the same level as `log_speed`; both are (chosen, scale).
        """
        speed = np.empty((len(chosen), len(SCALE)))
        for direction, rows in (("up", self.up[chosen]), ("down", ~self.up[chosen])):
            some = chosen[rows]
            on_scale = _tapers_on_scale("up" if direction == "up" else "down")
            speed[rows] = on_scale[self.taper[some]] - self.dead[some, None]
        slowest = self.log_speed[chosen].min(axis=1) + self.level[chosen]
        floor = np.exp(slowest + _LOG_STALL)[:, None]
        log_speed = np.log(np.maximum(speed, floor)) - self.level[chosen, None]
        return np.asarray(log_speed), np.asarray(speed < floor)


def hypotheses(turn: Floats) -> Hypotheses:
    """Every taper, dead band and direction, at the turns measured (0 to 1, any order)."""
    both = [_one_way(turn, up=True), _one_way(turn, up=False)]
    return Hypotheses(
        *(
            np.concatenate([getattr(one, field) for one in both])
            for field in Hypotheses.__struct_fields__
        )
    )


def _one_way(turn: Floats, *, up: bool) -> Hypotheses:
    along = turn if up else 1.0 - turn
    taper = tapers(along)
    slowest = tapers(np.array([min(float(along.min()), _SLOWEST_COUNTED)]))
    dead = slowest - (1.0 - slowest) / np.expm1(_LOG_RATIOS)
    # Even over the dead band, and the less likely the faster the motor runs at the stop.
    belief = np.exp(np.minimum(dead, 0.0) / 0.3) * np.abs(np.gradient(dead, axis=1))
    belief /= belief.sum(axis=1, keepdims=True)
    log_belief = _log_beliefs()[:, None] + np.log(belief) + math.log(0.5)
    log_speed = np.log(taper[:, None, :] - dead[:, :, None]).reshape(-1, len(turn))
    level = log_speed.mean(axis=1)
    return Hypotheses(
        log_speed=log_speed - level[:, None],
        level=level,
        log_belief=log_belief.ravel(),
        taper=np.repeat(np.arange(len(taper)), len(_LOG_RATIOS)),
        dead=dead.ravel(),
        up=np.full(log_speed.shape[0], up),
    )


def _column(values: Floats) -> Floats:
    return values[:, None]
