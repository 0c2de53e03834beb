"""Whether copies are there as an echo's are, alike in level and struck, and get no louder."""

from __future__ import annotations

import numpy as np

from tempotape.bench.by_chance import lines_by_chance
from tempotape.bench.explaining import UNLIKE, Evidence, Explanation
from tempotape.bench.lasting import ALL_PRESENT, FALLING_DB, LASTING_DB
from tempotape.bench.offered import LEAST_COPIES, WILD, WILD_S

FEW_CHAINS, MANY, MANY_BY_CHANCE = 6, 8, 12
LEAST_PRESENCE, DECIDED_PRESENCE = 0.7, 0.5
MOST_UNSTEADY_S, MOST_SCATTER_DB = 0.0007, 3.0
SHARP_COHERENCE, SURE_COHERENCE = 0.7, 0.9
CLEAN, CLEAN_PRESENCE = 0.97, 0.6
# Of the copies, fewer where they are exact and all are there: a note that rings on resembles
# itself, but strikes once; claps hide some.
LEAST_STRIKES, LEAST_OF_EXACT = 0.4, 0.25
LIKELY, LIKELY_EXACT = 0.55, 0.7  # coherence where a margin settles it; where they fall exactly
FAR_FAINTER = 0.03  # in energy
NO_CHANCE = -20.0  # log 10 of how many such lines chance makes
LOUDER_DB = 4.0  # of first copies
GROWING_DB, GROWING_ERRORS, GROWING_LIKENESS = 1.2, 3.0, 0.75
MOST_GROWN_DB = 20.0  # in all; where repeats run into one another some seem to grow
GROWING_PART = 0.15  # of the first copies: fewer further ones fall so by chance


def credible(best: Explanation, evidence: Evidence, *, decided: bool) -> bool:
    """Whether the copies are there, alike in level, and strike or, where too faint, are steady.

    Copies that fall very exactly, or are much better than every other lag's, may be fewer.
    """
    few = LEAST_COPIES if best.has_further_copy.sum() < best.copied else FEW_CHAINS
    unlike = best.likeness < UNLIKE
    # A few sounds that come again and again, as loud as ever or none too like, or by chance.
    again = best.copied < few and (unlike or best.level_db(best.has_further_copy) > FALLING_DB)
    few_stray = best.copied < FEW_CHAINS and _strays(best)
    if again or few_stray or _chance(best, evidence):
        return False
    presence = _presence(best, evidence)
    struck = best.heard_as_attacks
    exact = best.likeness > LIKELY_EXACT and best.exact
    whole = exact and best.copied >= MANY and presence > ALL_PRESENT
    if struck is not None and struck < (LEAST_OF_EXACT if whole else LEAST_STRIKES):
        return False
    # Where copies are so like what they copy, nothing hides half of them.
    if best.likeness > CLEAN and presence < CLEAN_PRESENCE:
        return False
    no_chance = best.likeness > LIKELY or lines_by_chance(best, evidence) < NO_CHANCE
    best_by_far = decided and no_chance and presence > DECIDED_PRESENCE
    if best.copied >= MANY and (exact or best_by_far):
        return True
    if presence < LEAST_PRESENCE or best.gain_scatter_db > MOST_SCATTER_DB:
        return False
    sharp = struck is not None and best.likeness > SHARP_COHERENCE
    return sharp or best.unsteadiness < MOST_UNSTEADY_S * best.rate


def _presence(best: Explanation, evidence: Evidence) -> float:
    """The part of the copies due that was found.

    Of notes, only of sounds not far fainter than those: while others ring, more may seem to strike.
    """
    if not evidence.notes or not best.copied:
        return best.presence
    loud = evidence.energy > FAR_FAINTER * np.median(evidence.energy[best.has_first_copy])
    return 1 - float((best.due & loud & ~best.has_copy).sum()) / max(
        1, int((best.due & loud).sum())
    )


def _chance(best: Explanation, evidence: Evidence) -> bool:
    """Whether chance alone makes such lines, of few copies of which some are missing."""
    few = best.copied < MANY_BY_CHANCE and best.presence < ALL_PRESENT
    return few and lines_by_chance(best, evidence) > 0


def grows(found: Explanation) -> bool:
    """Whether every repeat is louder than the last, or only the first, by much, and all last.

    No tape is louder and louder for long; and from echoes to the next sound played it seems so.
    What grows less may not do it pass after pass, until it would be too loud for any tape.
    """
    further_db = found.level_db(found.has_further_copy)
    unsure_db = GROWING_ERRORS * found.level_error_db(found.has_further_copy)
    most_db = GROWING_DB + min(unsure_db, found.gain_scatter_db)
    passes = found.has_further_copy.sum() / max(1, found.copied)
    many = found.has_further_copy.sum() > found.copied
    louder = many and found.level_db(found.has_first_copy) > LOUDER_DB and further_db > LASTING_DB
    some = found.has_further_copy.sum() > GROWING_PART * found.copied
    grown = (further_db - unsure_db) * passes > MOST_GROWN_DB
    return bool(
        louder or grown or (some and found.likeness > GROWING_LIKENESS and further_db > most_db)
    )


def _strays(found: Explanation) -> bool:
    """Whether the copies' lags differ by more than a tape's speed: a few fall so by chance."""
    lags = found.lag[found.has_first_copy]
    return bool(np.ptp(lags) > max(WILD_S * found.rate, WILD * found.middle))
