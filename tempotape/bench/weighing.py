"""What an explanation costs: sounds left over, counted and heard, and what no tape does."""

from __future__ import annotations

import itertools

import numpy as np
from scipy import stats

from tempotape.bench.copies import between, coherence, template
from tempotape.bench.explaining import Evidence, Explanation
from tempotape.bench.leftover import LeftOver, aligned, left_over
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import passing
from tempotape.bench.rows import evenly

TRUSTED, MUCH_ALIKE, FIT = 8.0, 0.8, 0.1  # sounds left over; a coherence; in energy
FAR, FAR_SOUNDS = 2.0, 10.0  # times the least cost, and sounds left over
EXCUSED_COST, SHARPER_COST, SHARPER_DB, SHARPER_ERRORS = 0.9, 3.0, 0.04, 4.0
A_SOUND = EXCUSED_COST + 2  # left over, it is counted and heard
LOUD_DB, LOUDER_COST = 4.0, 1.0  # of the first copies, and a dB more
MORE_EVEN_COST, MORE_EVEN, UNEVEN_S = 3.0, 4.0, 2e-5
LEAST_STEPS, MOST_STEPS, EVEN_S = 5, 60, 0.001  # the latter as near as an attack is timed
FAINT_S, FAINT_LIKENESS = 0.0015, 0.8  # about the lag; of the other copies' likeness


def weighed(
    told: list[Explanation], evidence: Evidence, sound: Whitened, copies: Whitened
) -> list[tuple[Explanation, float]]:
    """Explanations, and what each costs in sounds left over, counted and heard.

    Listening takes long: one that, as counted without what it excuses, costs far more than another
    as counted and heard comes with its cost as counted.
    What is heard to be left over counts only so much where copies are like what they copy and
    yet no pass could be fitted: they are overloaded, or run into one another.
    """
    heard: list[tuple[Explanation, LeftOver]] = []
    unlikely: list[float] = []
    far: list[Explanation] = []
    nearest = np.inf

    def listen(found: Explanation) -> None:
        heard.append((found, left_over(found, evidence, sound, copies)))
        unlikely.append(_unlikely(found, evidence, sound, copies))

    for counted in told:
        rooted = _with_faint(counted, evidence, sound)
        if not rooted.copied:
            continue
        found = aligned(rooted, evidence, sound, copies)
        if _far(found, nearest):
            far.append(found)
        else:
            listen(found)
            nearest = min(nearest, _counted(found) + heard[-1][1].sounds)
    # What seemed nearest may be none that a unit makes.
    least = min(_costs(heard, unlikely), default=np.inf)
    for found in far:
        if not _far(found, least):
            listen(found)
    costs = _costs(heard, unlikely)
    listened = [(found, cost) for (found, _), cost in zip(heard, costs, strict=True)]
    return listened + [(found, _counted(found)) for found in far if _far(found, least)]


def _far(found: Explanation, cost: float) -> bool:
    """Whether it costs far more, as counted without what it excuses, than so many sounds."""
    return _counted(found) - A_SOUND * found.excused > FAR * cost + FAR_SOUNDS


def _costs(heard: list[tuple[Explanation, LeftOver]], unlikely: list[float]) -> list[float]:
    """What each costs, as counted, as heard and as no tape does so."""
    least = min((left.sounds for _, left in heard), default=0.0)
    costs = []
    for (found, left), more in zip(heard, unlikely, strict=True):
        like = found.likeness > MUCH_ALIKE
        trusted = not like or left.off < 1 - found.likeness**2 + FIT
        sounds = left.sounds if trusted else min(left.sounds, least + TRUSTED)
        costs.append(_counted(found) + sounds + more)
    return costs


def _counted(found: Explanation) -> float:
    """What it costs at least, in sounds, before it is heard what it leaves over."""
    return found.cost + EXCUSED_COST * found.excused


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
    return found.with_roots(root)


def _unlikely(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> float:
    """What it costs that no tape does so, or that few units are set so; in sounds left over.

    Where many sounds run into one another, the one is not asked.
    """
    sharper = found.has_further_copy.sum() < found.copied and _sharpens(
        found, evidence, sound, copies
    )
    louder_db = 0.0
    if evidence.heard is None:
        louder_db = max(0.0, found.level_db(found.has_first_copy) - LOUD_DB)
    more_even = evidence.heard is None and _more_even(found, evidence, sound)
    return SHARPER_COST * sharper + LOUDER_COST * louder_db + MORE_EVEN_COST * more_even


def _more_even(found: Explanation, evidence: Evidence, sound: Whitened) -> bool:
    """Whether copies follow one another more evenly than what they copy: no tape does so.

    So it is where regular playing seems to copy its echoes. The time from one sound to the next is
    told by their likeness.
    """
    reach = round(EVEN_S * evidence.rate)
    steps, strays = [], []
    for one, two in itertools.pairwise(evenly(np.flatnonzero(found.has_first_copy), MOST_STEPS)):
        apart = int(evidence.at[two] - evidence.at[one])
        cut = template(sound, int(evidence.at[one]), None)
        rho, _ = coherence(sound, cut, apart - reach, apart + reach)
        top = np.clip(np.argmax(np.abs(rho), keepdims=True), 1, 2 * reach - 1)
        if np.abs(rho[top[0]]) > MUCH_ALIKE:
            steps.append(float(top[0] + between(rho, top)[0][0]) - reach + apart)
            strays.append(float(found.lag[two] - found.lag[one]))
    if len(steps) < LEAST_STEPS:
        return False
    played = stats.median_abs_deviation(steps)
    copied = stats.median_abs_deviation(np.add(steps, strays))
    return bool(played > max(UNEVEN_S * evidence.rate, MORE_EVEN * copied))


def _sharpens(found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened) -> bool:
    """Whether copies are stronger than what they copy at both ends of the band: no tape does so.

    So it is from an echo to the next sound played.
    """
    rows = np.flatnonzero(found.has_first_copy)
    at, lags = evidence.at[rows], found.lag[rows]
    gain_db, error_db = passing(sound.brief, copies.brief, at, lags, evidence.length_s).band_db()
    rise_db = (gain_db[1] + gain_db[-1]) / 2 - gain_db[len(gain_db) // 2]
    error = np.hypot(np.hypot(error_db[1], error_db[-1]) / 2, error_db[len(gain_db) // 2])
    return bool(rise_db > max(SHARPER_DB, SHARPER_ERRORS * error))
