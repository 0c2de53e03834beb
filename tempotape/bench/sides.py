"""Which channel of a recording holds the played sound and which the unit's."""

from __future__ import annotations

from typing import Literal

import msgspec
import numpy as np

from tempotape.bench.copies import coherence, template
from tempotape.bench.onsets import attacks, whitened
from tempotape.bench.recording import Samples
from tempotape.bench.thinned import Thinned

Side = Literal["left", "right", "both"]

SILENT = 1e-6  # in energy, of the other channel
SAME = 0.5  # coherence at lag 0
TOGETHER_S = 0.002
MOST_ATTACKS = 40
CHUNK = 1 << 16


class Sides(msgspec.Struct, frozen=True):
    """Where the played sound and the unit's are; the same side where they are mixed."""

    dry: Side
    wet: Side

    @property
    def mixed(self) -> bool:
        return self.dry == self.wet


MONO = Sides("both", "both")


def sides_of(left: Thinned, right: Thinned) -> Sides:
    """Mixed on one channel or both, or one side each: dry left and wet right, or turned round."""
    energy = (_energy(left), _energy(right))
    if energy[1] <= SILENT * energy[0]:
        return Sides("left", "left")
    if energy[0] <= SILENT * energy[1]:
        return Sides("right", "right")
    together, first = _together(left, right)
    if together is None or together > SAME:
        return MONO
    return Sides("left", "right") if first <= 0 else Sides("right", "left")


def _energy(channel: Thinned) -> float:
    return sum(
        float(np.sum(channel.part(begin, min(begin + CHUNK, len(channel))) ** 2))
        for begin in range(0, len(channel), CHUNK)
    )


def _together(left: Thinned, right: Thinned) -> tuple[float | None, float]:
    """Coherence of the left channel's attacks with the right at the same moment, its median.

    And by how much later (samples) the left channel first sounds. None without attacks.
    """
    one, other = whitened(left), whitened(right)
    if one is None or other is None:
        return None, 0.0
    struck, heard = attacks(one), attacks(other)
    if not len(struck) or not len(heard):
        return None, 0.0
    reach = round(TOGETHER_S * left.rate_hz)
    loud = np.sort(np.argsort(-struck.energy)[:MOST_ATTACKS])
    found = []
    for k in loud:
        cut = template(one, int(struck.at[k]), None)
        found.append(float(np.abs(coherence(other, cut, -reach, reach)[0]).max()))
    return float(np.median(found)), float(struck.at[0] - heard.at[0])


def one_side(block: Samples, side: Side) -> Samples:
    """One channel of a block of shape (frames, channels): that of `side`, or the mean."""
    if block.shape[1] == 1:
        return block[:, 0]
    if side == "both":
        return (block[:, 0] + block[:, 1]) / 2
    return block[:, 0 if side == "left" else 1]
