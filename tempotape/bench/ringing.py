"""Notes that ring on: a note resembles itself some periods later, which is no echo.

The further from where it was struck, the less. What comes again at an echo is the attack too: it
is more like the note, and louder, than what sounded there a little before.
"""

from __future__ import annotations

import numpy as np

from tempotape.bench.copies import Template, coherence, template
from tempotape.bench.explaining import Evidence, Explanation
from tempotape.bench.onsets import Whitened
from tempotape.bench.rows import evenly

SPAN_S = (0.015, 0.040)  # after an attack; some periods of low notes
RINGS = 0.4  # coherence in it: clicks, in hiss too, seldom reach 0.35, notes seldom stay below
BEFORE_S, PEAK_S = 0.025, 0.0015  # of a copy; a peak of the correlation is narrower
RISE = 1.15  # what comes again by chance rises as often as it falls, about
ALIKE, LOUD = 0.75, 0.9  # coherence: more is no chance; then an echo may be a little less loud
MOST_ASKED = 40


def rings(evidence: Evidence, sound: Whitened) -> bool:
    """Whether what is played rings on: half of it resembles itself soon after."""
    low, high = (round(span * evidence.rate) for span in SPAN_S)
    found = []
    for k in evenly(np.arange(len(evidence.at)), MOST_ASKED):
        cut = _cut(sound, evidence, int(k))
        found.append(float(np.abs(coherence(sound, cut, low, high)[0]).max()))
    return float(np.median(found)) > RINGS


def rings_on(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether half of what seems to be copies is no more like, or no louder, than just before."""
    rises = [
        _rises(copies, _cut(sound, evidence, int(k)), float(found.lag[k]))
        for k in evenly(np.flatnonzero(found.first), MOST_ASKED)
    ]
    like, loud = np.array(rises).T
    if found.likeness > ALIKE:
        louder = float(np.median(loud))
        return louder < LOUD or (louder < RISE and float(np.median(like)) < 1)
    return float(np.median(np.minimum(like, loud))) < RISE


def _cut(sound: Whitened, evidence: Evidence, k: int) -> Template:
    """An attack, cut off where the next begins."""
    following = int(evidence.at[k + 1]) if k + 1 < len(evidence.at) else None
    return template(sound, int(evidence.at[k]), following)


def _rises(copies: Whitened, cut: Template, lag: float) -> tuple[float, float]:
    """How much more a copy is like what it copies, and louder, than what is there before it.

    As ratios.
    """
    rate = copies.rate_hz
    before, peak = round(BEFORE_S * rate), round(PEAK_S * rate)
    at = round(lag)
    told = coherence(copies, cut, max(at - before, round(SPAN_S[0] * rate)), at + peak)
    here, earlier = (
        [float(np.abs(row[part]).max()) for row in told]
        for part in (slice(-2 * peak, None), slice(-2 * peak))
    )
    return here[0] / max(earlier[0], 1e-12), here[1] / max(earlier[1], 1e-12)
