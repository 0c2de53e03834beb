"""What the very first sound alone tells: its repeats, before much else is played.

A unit with much feedback soon repeats so much at once that one sound hides another. But before its
first sound nothing was played, and that comes again after the delay, and again, each time a little
fainter. Whatever is played beside it falls elsewhere; nothing that is played falls so evenly and
fades so.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tempotape.bench.copies import Template, between, coherence, template
from tempotape.bench.explaining import Evidence
from tempotape.bench.onsets import Whitened
from tempotape.bench.passing import passing

LIKE, CLEAR = 0.4, 0.7  # coherences: of each repeat with the one before; of what surely is one
FEWEST, ALONE = 4, 3  # repeats; of which the first may not be drowned in what is played next
STRAY, EVEN = 0.012, 0.01  # of the lag: each from the one before; the first ones from their middle
AROUND, BESIDE_S, BESIDE = 0.06, 0.004, 0.15  # of the lag; nothing else near may be so like
# Of the first repeat; the second; the second and third together. The less the first falls, the
# more both others must.
FALLS_DB = ((-4.0, -0.15, -0.4), (-1.0, -0.3, -0.7), (7.0, -0.5, -1.0))
RISE_DB = 0.3  # of the third, as the next sound begins to run into it
ANOTHER_DB = 2.0  # between what two passes do: more than one unit's differ by


class Repeat(NamedTuple):
    """A repeat, `lag` samples after what begins `at` a sample, by how many dB louder.

    And how like that the most like other sound near it is, as part of how like it is itself.
    """

    at: int
    lag: float
    louder_db: float
    beside: float


def repeats_of_first(evidence: Evidence, sound: Whitened) -> list[Repeat]:
    """The first repeats of the first sound of all, where it comes again and again and fades.

    At the shortest such lag: every second repeat, or what is played, in time or not, with its
    echoes, comes later. None where the recording does not begin in silence, where there is no such
    lag, or where the sound comes again before, whatever that is.
    """
    if not evidence.begins_in_silence:
        return []
    again = evidence.matches.only(evidence.matches.attack == 0)
    for k in np.argsort(again.lag):
        like = abs(float(again.coherence[k]))
        repeats = _repeats(evidence, sound, float(again.lag[k])) if like > LIKE else []
        if _fade(repeats):
            return repeats
        if like > CLEAR:
            break
    return []


def passed_once(repeats: list[Repeat], evidence: Evidence, sound: Whitened) -> bool:
    """Whether the first sound was played: the unit does to it what it does not to its repeats.

    To those it does the same again and again. Where it does so from the first, that may be one too.
    """
    at = np.array([repeat.at for repeat in repeats])
    lags = np.array([repeat.lag for repeat in repeats])
    once, again = (
        passing(sound.brief, sound.brief, at[rows], lags[rows], evidence.length_s)
        for rows in (slice(1), slice(1, ALONE))
    )
    # Over the frequencies that both have: further repeats are duller.
    weight = np.sqrt(once.weight / once.weight.sum() * again.weight / again.weight.sum())
    unlike_db = once.band_db(weight)[0][1:] - again.band_db(weight)[0][1:]
    return bool(np.abs(np.median(unlike_db)) > ANOTHER_DB)


def _repeats(evidence: Evidence, sound: Whitened, lag: float) -> list[Repeat]:
    """The first repeats about `lag` apart, each looked for by what the one before sounds like."""
    rate, at = evidence.rate, int(evidence.at[0])
    cut = template(sound, at, None)
    width = len(cut.sound)
    told: list[Repeat] = []
    while len(told) < FEWEST:
        wide = max(AROUND * lag, 3 * BESIDE_S * rate)
        lags = np.arange(round(lag - wide), round(lag + wide) + 1)
        if cut.begin + lags[-1] + width > len(sound):
            break
        rho, _ = coherence(sound, cut, int(lags[0]), int(lags[-1]))
        like = np.abs(rho)
        k = int(np.argmax(np.where(np.abs(lags - lag) <= STRAY * lag + 1, like, 0.0)))
        if like[k] < LIKE:
            break
        beside = float(like[np.abs(lags - lags[k]) > BESIDE_S * rate].max())
        lag = float(lags[k] + between(rho, np.array([k]))[0][0])
        begin = cut.begin + round(lag)
        repeat = Template(begin, sound.part(begin, begin + width), sound.noise)
        louder_db = 20 * float(np.log10(repeat.size / cut.size))
        told.append(Repeat(at, lag, louder_db, beside / float(like[k])))
        at, cut = at + round(lag), repeat
    return told


def _fade(repeats: list[Repeat]) -> bool:
    """Whether these are an echo's: enough, even, alone, and each fainter than the one before."""
    if len(repeats) < FEWEST:
        return False
    first_db, second_db, third_db = (repeat.louder_db for repeat in repeats[:ALONE])
    falls = any(
        first_db < first and second_db < second and second_db + third_db < both
        for first, second, both in FALLS_DB
    )
    lags = np.array([repeat.lag for repeat in repeats[:ALONE]])
    even = np.abs(lags / np.median(lags) - 1).max() < EVEN
    alone = np.median([repeat.beside for repeat in repeats[:ALONE]]) < BESIDE
    return bool(falls and third_db < RISE_DB and even and alone)
