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
MORE_OFTEN = 0.2  # in logarithms: so much is no accident
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
    """Mixed on one channel or both, or one side each: dry left and wet right, or turned round.

    What is played begins before what the unit makes of it, ends before it, and sounds less often.
    A cutting may begin with an echo: two of the three decide.
    """
    energy = (_energy(left), _energy(right))
    if energy[1] <= SILENT * energy[0]:
        return Sides("left", "left")
    if energy[0] <= SILENT * energy[1]:
        return Sides("right", "right")
    together, turned = _together(left, right)
    if together is None or together > SAME:
        return MONO
    return Sides("right", "left") if turned else Sides("left", "right")


def _energy(channel: Thinned) -> float:
    return sum(
        float(np.sum(channel.part(begin, min(begin + CHUNK, len(channel))) ** 2))
        for begin in range(0, len(channel), CHUNK)
    )


def _together(left: Thinned, right: Thinned) -> tuple[float | None, bool]:
    """Coherence of the left channel's attacks with the right at the same moment, its median.

    And whether the right channel seems to hold what is played. None without attacks.
    """
    one, other = whitened(left), whitened(right)
    if one is None or other is None:
        return None, False
    struck, heard = attacks(one), attacks(other)
    if not len(struck) or not len(heard):
        return None, False
    reach = round(TOGETHER_S * left.rate_hz)
    loud = np.sort(np.argsort(-struck.energy)[:MOST_ATTACKS])
    found = []
    for k in loud:
        cut = template(one, int(struck.at[k]), None)
        found.append(float(np.abs(coherence(other, cut, -reach, reach)[0]).max()))
    signs = (
        np.sign(struck.at[0] - heard.at[0]),
        np.sign(struck.at[-1] - heard.at[-1]),
        np.sign(np.trunc(np.log(len(struck) / len(heard)) / MORE_OFTEN)),
    )
    return float(np.median(found)), float(np.sum(signs)) > 0


def one_side(block: Samples, side: Side) -> Samples:
    """One channel of a block of shape (frames, channels): that of `side`, or the mean."""
    if block.shape[1] == 1:
        return block[:, 0]
    if side == "both":
        return (block[:, 0] + block[:, 1]) / 2
    return block[:, 0 if side == "left" else 1]
