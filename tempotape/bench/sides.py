"""Which channel of a recording holds the played sound and which the unit's."""

from __future__ import annotations

from typing import Literal

import msgspec
import numpy as np

from tempotape.bench.copies import coherence, template
from tempotape.bench.explaining import landed
from tempotape.bench.onsets import Attacks, Whitened, attacks, whitened
from tempotape.bench.recording import Samples
from tempotape.bench.thinned import Thinned

Side = Literal["left", "right", "both"]

SILENT = 1e-6  # in energy, of the other channel
SAME, OPPOSITE = 0.5, 0.9  # coherence at lag 0, of attacks; and of all, turned over
TOGETHER_S, APART_S, SPAN_S = 0.002, 0.030, 3.0
FEWEST_ATTACKS, MOST_ATTACKS = 3, 40
UNEXPLAINED = 4.0  # of a coherence: it is surer where it tells
MOST_TIMES, LONGEST_S = 60, 5.0
NEAR_S, STRAYS = 0.004, 0.003  # of the lag
CHUNK = 1 << 16


class Sides(msgspec.Struct, frozen=True):
    """Where the played sound and the unit's are; the same side where they are mixed."""

    dry: Side
    wet: Side
    opposite: bool = False  # the other side is this one turned over: their mean would be silence

    @property
    def mixed(self) -> bool:
        return self.dry == self.wet


MONO = Sides("both", "both")


def sides_of(left: Thinned, right: Thinned) -> Sides:
    """Mixed on one channel or both, or one side each: dry left and wet right, or turned round.

    What is played comes again on the unit's side afterwards, not before; and with its own way round
    one delay leaves the fewest sounds without origin and without echo. Equal clicks show the one
    hardly, notes that run into one another the other: both count, in parts of one.
    """
    energy = (_energy(left), _energy(right))
    if min(energy) <= SILENT * max(energy):
        side: Side = "left" if energy[0] >= energy[1] else "right"
        return Sides(side, side)
    one, other = whitened(left), whitened(right)
    if one is None or other is None:
        return MONO
    struck, heard = attacks(one), attacks(other)
    if min(len(struck), len(heard)) < FEWEST_ATTACKS:
        return _busier(len(struck), len(heard))
    together, turned = _together(one, struck, other, heard)
    if together > SAME:
        return MONO
    if together < -SAME:
        side = "left" if energy[0] >= energy[1] else "right"
        return Sides(side, side, opposite=True)
    return Sides("right", "left") if turned else Sides("left", "right")


def _busier(struck: int, heard: int) -> Sides:
    """The side with the attacks, where the other has a stray one or two; both where both have."""
    if max(struck, heard) < FEWEST_ATTACKS:
        return MONO
    side: Side = "left" if struck > heard else "right"
    return Sides(side, side)


def _energy(channel: Thinned) -> float:
    return sum(
        float(np.sum(channel.part(begin, min(begin + CHUNK, len(channel))) ** 2))
        for begin in range(0, len(channel), CHUNK)
    )


def _together(
    one: Whitened, struck: Attacks, other: Whitened, heard: Attacks
) -> tuple[float, bool]:
    """Coherence of either channel's attacks with the other at the same moment, usually; signed.

    And whether the other channel seems to hold what is played.
    """
    moments = _coherences(one, struck, other)
    back = _coherences(other, heard, one)
    at_once = float(np.mean([np.median([now for _, now, _ in way]) for way in (moments, back)]))
    later = np.median([after - before for before, _, after in moments])
    later -= np.median([after - before for before, _, after in back])
    end_s = len(one) / one.rate_hz
    struck_s, heard_s = struck.at / one.rate_hz, heard.at / one.rate_hz
    turned, straight = (
        _unexplained(played_s, other_s, end_s)
        for played_s, other_s in ((heard_s, struck_s), (struck_s, heard_s))
    )
    return at_once, float(later) + UNEXPLAINED * (turned - straight) < 0


def _unexplained(played_s: Samples, heard_s: Samples, end_s: float) -> float:
    """The part that the best lag leaves over, where what is `played_s` gives what is `heard_s`.

    Heard ones with nothing a lag before them, and twice, played ones with nothing a lag after. Of
    a long recording, its beginning.
    """
    played_s = played_s[:MOST_TIMES]
    if len(played_s) == MOST_TIMES:
        end_s = float(played_s[-1])
    heard_s = heard_s[heard_s <= end_s]
    lags_s = (heard_s[:, None] - played_s[None, :]).ravel()
    either_s = np.concatenate((played_s, heard_s))
    least = 1.0
    for lag_s in np.unique(np.round(lags_s[(lags_s > APART_S) & (lags_s < LONGEST_S)], 3)):
        due_s = (played_s + lag_s)[played_s + lag_s < end_s]
        near_s = NEAR_S + STRAYS * lag_s
        over = np.sum(~landed(heard_s - lag_s, either_s, near_s))
        missing = np.sum(~landed(due_s, heard_s, near_s))
        least = min(least, float(over + 2 * missing) / (len(heard_s) + 2 * len(due_s)))
    return least


def _coherences(
    sound: Whitened, struck: Attacks, other: Whitened
) -> list[tuple[float, float, float]]:
    """The best coherence of loud attacks with the other channel before, at once and after.

    That at once with its sign: negative where one channel is the other turned over.
    """
    reach, apart, span = (round(s * sound.rate_hz) for s in (TOGETHER_S, APART_S, SPAN_S))
    found = []
    for k in np.argsort(-struck.energy)[:MOST_ATTACKS]:
        cut = template(sound, int(struck.at[k]), None)
        rho, _ = coherence(other, cut, -span, span)
        size, at_once = np.abs(rho), rho[span - reach : span + reach + 1]
        now = float(at_once[np.argmax(np.abs(at_once))])
        found.append((float(size[: span - apart].max()), now, float(size[span + apart :].max())))
    return found


def in_one(block: Samples) -> Samples:
    """The mean of all channels; the louder of two where one is the other turned over."""
    if block.shape[1] == 2:
        left, right = block.T
        energy = (float(left @ left), float(right @ right))
        if float(left @ right) < -OPPOSITE * float(np.sqrt(energy[0] * energy[1])):
            return np.asarray(left if energy[0] >= energy[1] else right)
    return np.asarray(block.mean(axis=1))


def one_side(block: Samples, side: Side) -> Samples:
    """One channel of a block of shape (frames, channels): that of `side`, or the mean."""
    if block.shape[1] == 1:
        return block[:, 0]
    if side == "both":
        return (block[:, 0] + block[:, 1]) / 2
    return block[:, 0 if side == "left" else 1]
