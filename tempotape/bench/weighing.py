"""What an explanation costs: sounds left over, counted and heard, and what no tape does."""

from __future__ import annotations

import msgspec
import numpy as np

from tempotape.bench.copies import coherence, template
from tempotape.bench.explaining import Evidence, Explanation
from tempotape.bench.leftover import aligned, left_over
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import passing

TRUSTED, MUCH_ALIKE, FIT = 8.0, 0.8, 0.1  # sounds left over; a coherence; in energy
EXCUSED_COST, SHARPER_COST, SHARPER_DB, SHARPER_ERRORS = 0.9, 3.0, 0.04, 4.0
LOUD_DB, LOUDER_COST = 6.0, 0.5  # of the first copies, and a dB more
FAINT_S, FAINT_LIKENESS = 0.0015, 0.8  # about the lag; of the other copies' likeness


def weighed(
    told: list[Explanation], evidence: Evidence, sound: Whitened, copies: Whitened
) -> list[tuple[Explanation, float]]:
    """Explanations, and what each costs in sounds left over, counted and heard.

    What is heard to be left over counts only so much where copies are like what they copy and
    yet no pass could be fitted: they are overloaded, or run into one another.
    """
    likely = [
        aligned(rooted, evidence, sound, copies)
        for found in told
        if (rooted := _with_faint(found, evidence, sound)).copied
    ]
    if not likely:
        return []
    left = [left_over(found, evidence, sound, copies) for found in likely]
    least = min(part.sounds for part in left)
    out = []
    for found, part in zip(likely, left, strict=True):
        like = found.likeness > MUCH_ALIKE
        trusted = not like or part.off < 1 - found.likeness**2 + FIT
        heard = part.sounds if trusted else min(part.sounds, least + TRUSTED)
        unlikely = _unlikely(found, evidence, sound, copies)
        out.append((found, found.cost + EXCUSED_COST * found.excused + heard + unlikely))
    return out


def _with_faint(found: Explanation, evidence: Evidence, sound: Whitened) -> Explanation:
    """The explanation without roots that copy a sound too faint to be an attack itself."""
    if evidence.heard is not None:
        return found
    root = found.root.copy()
    reach = round(FAINT_S * evidence.rate)
    for k in np.flatnonzero(root & (evidence.at - evidence.at[0] > found.middle)):
        cut = template(sound, int(evidence.at[k]), None)
        back = -round(float(found.around[k]))
        rho, gain = coherence(sound, cut, back - reach, back + reach)
        top = int(np.argmax(np.abs(rho)))
        root[k] = np.abs(rho[top]) < FAINT_LIKENESS * found.likeness or np.abs(gain[top]) < 1
    return msgspec.structs.replace(found, root=root, due=found.due & root)


def _unlikely(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> float:
    """What it costs that no tape does so, or that few units are set so; in sounds left over.

    Where many sounds run into one another, the one is not asked.
    """
    sharper = found.deep.sum() < found.copied and _sharpens(found, evidence, sound, copies)
    louder_db = 0.0
    if evidence.heard is None:
        louder_db = max(0.0, found.level_db(found.first) - LOUD_DB)
    return SHARPER_COST * sharper + LOUDER_COST * louder_db


def _sharpens(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether copies are stronger than what they copy at both ends of the band: no tape does so.

    So it is from an echo to the next sound played.
    """
    rows = np.flatnonzero(found.first)
    at, lags = evidence.at[rows], found.lag[rows]
    gain_db, error_db = passing(sound.brief, copies.brief, at, lags, evidence.length_s).band_db()
    rise_db = (gain_db[1] + gain_db[-1]) / 2 - gain_db[len(gain_db) // 2]
    error = np.hypot(np.hypot(error_db[1], error_db[-1]) / 2, error_db[len(gain_db) // 2])
    return bool(rise_db > max(SHARPER_DB, SHARPER_ERRORS * error))
