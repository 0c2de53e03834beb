"""The lags of first copies, which tell the delay: of those that no other sound runs into."""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from tempotape.bench.explaining import TURN_S, Evidence, Explanation, Numbers
from tempotape.bench.offered import LEAST_COPIES
from tempotape.bench.recording import Samples

STRAY_S, STRAY = 0.002, 0.01  # how far a delay may stray between attacks studied
ODD_LEVEL_DB, ODD_LEVEL, ODD_UNLIKE = 1.0, 6.0, (0.05, 4.0)  # of copies that others run into
RINGING_LIKENESS, PERIOD_S = (0.6, 0.9), 0.0008
LIKER, LEANS = 0.01, 20.0  # in coherence; a second off
TURNED_LIKER = 0.1  # in coherence
FAR_LIKER, NEARLY = 0.15, 0.7  # in coherence; in parts of it


def pairs(found: Explanation, evidence: Evidence) -> tuple[Numbers, Samples]:
    """Attacks that are no copies, and the lags of their copies, of the usual ones."""
    rows = undisturbed_rows(found) & found.has_first_copy
    return evidence.at[rows], likeliest(found, evidence)[rows]


def as_like_as_may_be(found: Explanation, evidence: Evidence) -> Explanation:
    """The same, first copies turned over where so they are clearly more like what they copy.

    Half a period off a copy resembles it turned over. Where further copies are many they alone may
    have told the sign, and the unit may turn over what it writes again and not what it gives.
    """
    if not found.sign or not found.copied:
        return found
    matches, reach = evidence.matches, TURN_S * evidence.rate
    lag, coherence, gain = found.lag.copy(), found.coherence.copy(), found.gain.copy()
    liker = []
    for k in np.flatnonzero(found.has_first_copy):
        near = matches.only(matches.near(int(k), float(found.lag[k]), reach))
        like = near.like(-found.sign)
        likest = float(like.max(initial=0.0))
        liker.append(likest - abs(found.coherence[k]))
        lag[k] = np.nan
        if likest > 0:
            row = int(np.argmax(like))
            lag[k], coherence[k], gain[k] = near.lag[row], near.coherence[row], near.gain[row]
    if np.median(liker) < TURNED_LIKER:
        return found
    return msgspec.structs.replace(found, lag=lag, coherence=coherence, gain=gain, sign=-found.sign)


def undisturbed_rows(found: Explanation) -> NDArray[np.bool_]:
    """The attacks whose copies are usual ones, of first copies and of further ones."""
    usual = np.zeros(len(found.lag), bool)
    for kind in (found.has_first_copy, found.has_further_copy):
        if kind.any():
            usual[kind] = undisturbed(found.gain[kind], found.coherence[kind])
    return usual


def undisturbed(gain: Samples, coherence: Samples) -> NDArray[np.bool_]:
    """Which copies are about as loud, and as like, as most: another sound runs into the others.

    All of them where that leaves few.
    """
    level = 20 * np.log10(np.abs(gain))
    unlike = 1 - coherence**2
    off = np.abs(level - np.median(level))
    usual: NDArray[np.bool_] = off <= max(ODD_LEVEL_DB, ODD_LEVEL * float(np.median(off)))
    usual &= unlike <= max(ODD_UNLIKE[0], ODD_UNLIKE[1] * float(np.median(unlike)))
    if usual.sum() < max(LEAST_COPIES, len(usual) / 2):
        usual[:] = True
    return usual


def likeliest(found: Explanation, evidence: Evidence) -> Samples:
    """The lags, those of first copies moved where other matches are likelier to be the copies."""
    further = np.abs(found.coherence[found.has_further_copy])
    if len(further) >= found.copied and np.median(further) > found.first_likeness + FAR_LIKER:
        return _as_further_ones(found, evidence)
    ringing = RINGING_LIKENESS[0] < found.likeness < RINGING_LIKENESS[1]
    return _off_by_periods(found, evidence) if ringing else found.lag


def _off_by_periods(found: Explanation, evidence: Evidence) -> Samples:
    """The lags, of notes that ring moved to where a copy is likest: periods off it is nearly so."""
    lag = found.lag.copy()
    matches, rate = evidence.matches, evidence.rate
    for k in np.flatnonzero(found.has_first_copy):
        around = float(found.around[k])
        near = matches.near(int(k), around, stray(around, rate))
        if not len(near):
            continue
        like = matches.only(near).like(found.sign)
        off_s = np.abs(matches.lag[near] - around) / rate
        best = int(np.argmax(like - LEANS * off_s))
        another = abs(matches.lag[near[best]] - lag[k]) > PERIOD_S * rate
        if another and like[best] > abs(found.coherence[k]) + LIKER:
            lag[k] = matches.lag[near[best]]
    return lag


def _as_further_ones(found: Explanation, evidence: Evidence) -> Samples:
    """The lags, those of first copies that are far off the further ones' moved to the likest near.

    So where a unit overloads: what it makes of a click is unlike it, and more like it elsewhere.
    """
    lag = found.lag.copy()
    matches, reach = evidence.matches, STRAY_S * evidence.rate
    due = np.interp(evidence.at, evidence.at[found.has_further_copy], lag[found.has_further_copy])
    for k in np.flatnonzero(found.has_first_copy & (np.abs(lag - due) > reach)):
        near = matches.near(int(k), float(due[k]), reach)
        like = matches.only(near).like(found.sign)
        likest = float(like.max(initial=0.0))
        if likest > NEARLY * np.abs(found.coherence[k]):
            lag[k] = matches.lag[near[np.argmax(like)]]
    return lag


def stray(lag: float, rate: float) -> float:
    """How far a copy may be from the lag that others have, in samples."""
    return max(STRAY_S * rate, STRAY * lag)
