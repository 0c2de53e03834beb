"""Whether what is played falls on a beat: an echo's does so seldom, unless it is set to it."""

from __future__ import annotations

import numpy as np

from tempotape.bench.explaining import Evidence, Explanation

LEAST_BEATS, ON_BEAT_S = 5, 0.004
REGULAR, OFF_BEAT_COST = 0.1, 2.0  # off the beat; in sounds left over
BEAT_PART = 0.01  # of a beat: as near lags are some beats apart


def off_beat(found: Explanation, evidence: Evidence, beats: list[float]) -> float:
    """The least part of what is played that does not fall on a beat from the first sound on.

    The `beats` are the intervals, in samples, at which what is played may come again. All of it
    where the recording may begin within the playing: then the first sound tells nothing.
    """
    since = evidence.at[found.root] - evidence.at[0]
    if not evidence.begins_in_silence or len(since) < LEAST_BEATS:
        return 1.0
    near = ON_BEAT_S * evidence.rate
    off = [np.abs(since - np.rint(since / beat) * beat) > near for beat in beats]
    return min((float(np.mean(away)) for away in off), default=1.0)


def on_the_beat(
    weighed: list[tuple[Explanation, float]], evidence: Evidence, beats: list[float]
) -> list[tuple[Explanation, float]]:
    """Costs with those of what is played off the beat, where one lag puts nearly all on a beat."""
    off = [off_beat(found, evidence, beats) for found, _ in weighed]
    if min(off, default=1.0) > REGULAR:
        return weighed
    return [
        (found, cost + OFF_BEAT_COST * part * found.root.sum())
        for (found, cost), part in zip(weighed, off, strict=True)
    ]


def beats_apart(
    one: Explanation, other: Explanation, evidence: Evidence, beats: list[float]
) -> bool:
    """Whether two lags differ by some beats: then the same sounds are copies of others.

    A lag is no beat itself: twice a delay is not a beat away from it.
    """
    lags, near = (one.middle, other.middle), ON_BEAT_S * evidence.rate
    apart = abs(one.middle - other.middle)
    return any(
        apart > beat / 2
        and abs(apart - round(apart / beat) * beat) < min(near, BEAT_PART * beat)
        and all(abs(lag - beat) > near for lag in lags)
        for beat in beats
    )
