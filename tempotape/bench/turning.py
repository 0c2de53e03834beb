"""Attacks that come once a turn of the loop: the ticks of a splice amid what is played.

They are no played sounds, so no echo of them is due. They come all along, through silence too, and
are fainter than what is played; a unit that repeats them repeats them once a turn as well.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from tempotape.bench.onsets import Attacks, Whitened
from tempotape.bench.recording import Samples
from tempotape.bench.rows import evenly

MOST_ATTACKS, MOST_PAIRS = 300, 500  # more are not looked through
SHORTEST_S, LEAST_TURNS = 0.4, 5
NEAR_S, STRAYS_S = 0.004, 0.0003  # a tick from where it is due; more for each turn
AS_LOUD = 4.0  # in energy, either way
HEARD_PART, REPEATED_PART, ALONG = 0.5, 0.4, 0.7  # of the turns, two; of the recording
NO_CHANCE = -6.0  # log 10 of how many such rows chance makes
FAINTER, LEAST_LEFT = 0.5, 6  # in energy, than the louder ones of the others, of which so many
LOUDER = 0.75  # quantile of the others
OTHER, NEAR, LENGTH_S = 0.3, 0.005, 0.003  # in power; of a delay
MOST_TURNS, IN_TIME = 8, 0.5  # of the others, as many come again after some turns

Rows = NDArray[np.bool_]


class Ticks(msgspec.Struct, frozen=True):
    """Ticks at `t_s`, `turns` counted from the first, and their power over the noise, `over`."""

    t_s: Samples
    turns: Samples
    over: Samples


class _Row(NamedTuple):
    """Attacks that keep a pace: one at `first`, the others whole `turn`s from it, in samples."""

    first: float
    turn: float
    heard: NDArray[np.int64]
    log_chance: float


def without_ticks(struck: Attacks, length: int, rate: float) -> tuple[Attacks, Ticks | None]:
    """The attacks of a recording of `length` samples without ticks, and those if there are any."""
    if not LEAST_TURNS + LEAST_LEFT <= len(struck) <= MOST_ATTACKS:
        return struck, None
    row = _best_row(struck, length, rate)
    if row is None or row.log_chance > NO_CHANCE:
        return struck, None
    ticks = _all_once_a_turn(struck, row, rate)
    left = msgspec.structs.replace(struck, at=struck.at[~ticks], energy=struck.energy[~ticks])
    if len(left) < LEAST_LEFT or _in_time(left, row, rate):
        return struck, None
    loudest = float(np.median(struck.energy[row.heard]))
    fainter = loudest < FAINTER * np.quantile(left.energy, LOUDER)
    along = np.ptp(struck.at[row.heard]) > ALONG * length
    if not (fainter and along):
        return struck, None
    at = struck.at[row.heard].astype(float)
    return left, Ticks(at / rate, np.rint((at - at[0]) / row.turn), struck.energy[row.heard])


def unplayed(ticks: Ticks, sound: Whitened, delay_s: float, echo_db: float) -> bool:
    """Whether none of the ticks is a sound that was played, nor the echo of one.

    Those would have an echo, or be one, so much later and louder by `echo_db`. The unit may repeat
    a tick too, but hardly by as much weaker. Half of the ticks may have something else there.
    """
    echo = 10 ** (echo_db / 10)
    before, here, after = (_power(ticks, sound, way * delay_s) for way in (-1, 0, 1))
    as_echo = float(np.median(after / here)) / echo
    as_source = float(np.median(before / here)) * echo
    return as_source < OTHER and not OTHER < as_echo < 1 / OTHER


def _power(ticks: Ticks, sound: Whitened, off_s: float) -> Samples:
    """The most power that sounds so far off each tick, in a few milliseconds."""
    rate = sound.rate_hz
    near, length = round(max(NEAR_S, NEAR * abs(off_s)) * rate), round(LENGTH_S * rate)
    at = np.rint((ticks.t_s + off_s) * rate).astype(int)
    parts = np.array([sound.part(one - near - length, one + near + length) for one in at])
    return np.asarray(ndimage.uniform_filter1d(parts**2, length, axis=1).max(axis=1))


def _in_time(left: Attacks, row: _Row, rate: float) -> bool:
    """Whether the other attacks keep time with the row, as a machine's do: it is part of a bar."""
    every, at = np.arange(len(left)), left.at.astype(float)
    again = [
        _hit(left, every, at + times * row.turn, NEAR_S * rate) >= 0
        for times in range(-MOST_TURNS, MOST_TURNS + 1)
        if times
    ]
    return bool(np.mean(np.any(again, axis=0)) > IN_TIME)


def _best_row(struck: Attacks, length: int, rate: float) -> _Row | None:
    """The row of attacks at an even pace that chance makes least."""
    at = struck.at.astype(float)
    one, two = np.triu_indices(len(at), 1)
    turn = at[two] - at[one]
    fits = (
        (turn > SHORTEST_S * rate)
        & (turn < length / LEAST_TURNS)
        & _as_loud(struck.energy[one], struck.energy[two])
    )
    one, turn = one[fits], turn[fits]
    # Hardly any pair has a third, before or after; the others need not be looked at further.
    third = [_hit(struck, one, at[one] + times * turn, NEAR_S * rate) >= 0 for times in (-1, 2)]
    some = np.any(third, axis=0)
    pairs = len(one)
    best: _Row | None = None
    for pair in evenly(np.flatnonzero(some), MOST_PAIRS).tolist():
        row = _row(struck, int(one[pair]), float(turn[pair]), length, rate)
        if row is not None and (best is None or row.log_chance < best.log_chance):
            best = row
    return None if best is None else best._replace(log_chance=best.log_chance + np.log10(pairs))


def _row(struck: Attacks, begin: int, turn: float, length: int, rate: float) -> _Row | None:
    """The row through attack `begin` at that pace, the pace fitted to what is heard of it."""
    at = struck.at.astype(float)
    first, heard, times = at[begin], np.array([begin]), np.zeros(1)
    for _ in range(2):
        times = np.arange(np.ceil(-first / turn), np.floor((length - first) / turn) + 1)
        times = times[~_in_tones(struck, first + times * turn)]
        near = (NEAR_S + STRAYS_S * np.abs(times)) * rate
        hit = _hit(struck, np.full(len(times), begin), first + times * turn, near)
        heard = hit[hit >= 0]
        if len(heard) < LEAST_TURNS or len(heard) < HEARD_PART * len(times):
            return None
        turn, first = np.polyfit(times[hit >= 0], at[heard], 1)
    slot = min(1.0, 2 * float(np.mean(near)) * len(at) / length)
    # All but the two that the pace is from.
    chance = stats.binom.logsf(len(heard) - 3, max(1, len(times) - 2), slot) / np.log(10)
    return _Row(float(first), float(turn), heard, float(chance))


def _hit(
    struck: Attacks, like: NDArray[np.int64], due: Samples, near: Samples | float
) -> NDArray[np.int64]:
    """The attack nearest to each place where one is due, about as loud as `like`; -1 for none."""
    at = struck.at
    after = np.clip(np.searchsorted(at, due), 1, len(at) - 1)
    nearest = np.where(due - at[after - 1] < at[after] - due, after - 1, after)
    close = np.abs(at[nearest] - due) < near
    return np.where(close & _as_loud(struck.energy[nearest], struck.energy[like]), nearest, -1)


def _as_loud(one: Samples, two: Samples) -> Rows:
    return (one < AS_LOUD * two) & (two < AS_LOUD * one)


def _in_tones(struck: Attacks, places: Samples) -> Rows:
    within = np.zeros(len(places), bool)
    for begin, end in struck.tones:
        within |= (places > begin) & (places < end)
    return within


def _all_once_a_turn(struck: Attacks, row: _Row, rate: float) -> Rows:
    """Those of the row, and of others at its pace all along: what the unit makes of them.

    What it makes of a played sound may come at that pace too, but only for a while.
    """
    at = struck.at.astype(float)
    first, last = at[row.heard[0]], at[row.heard[-1]]
    ticks = np.zeros(len(at), bool)
    for number in np.flatnonzero((at > first - row.turn) & (at < last + row.turn)).tolist():
        times = np.arange(
            np.ceil((first - at[number]) / row.turn), np.floor((last - at[number]) / row.turn) + 1
        )
        due = at[number] + times * row.turn
        near = (NEAR_S + STRAYS_S * np.abs(times)) * rate
        heard = _hit(struck, np.full(len(times), number), due, near) >= 0
        heard = heard[~_in_tones(struck, due)]
        ticks[number] = len(heard) > 0 and np.mean(heard) > REPEATED_PART
    ticks[row.heard] = True
    return ticks
