"""Whether the attacks of a recording are too bright to have passed the unit.

Repeats alone, and a mix whose first repeat is as loud as the next beside it, fall alike. But what
repeats copy has in the one case passed the unit once already. Put that loss back: where that makes
a sound of which the top is far louder than all below, it was played beside the unit.
"""

from __future__ import annotations

import itertools

import numpy as np
from scipy import fft

from tempotape.bench.recording import Samples
from tempotape.bench.repeats import BEFORE_S, CLIPPED, HUM_S, LEAST_CLIPPED, Cutter

LEAD_S, LENGTH_S, RISE_S = 0.001, 0.009, 0.0005
LOWEST_HZ, HIGHEST, BANDS_AN_OCTAVE = 315.0, 0.45, 3  # the second in parts of the rate
STANDS_OUT, UNSURE = 10.0, 0.5  # in energy, over and of the noise
LOST_DB, BRIGHTER_DB = 8.0, 12.0  # in a band; its top over all that is an octave and more below
FAINTEST_DB = 15.0  # below the band in which most is played: overtones of what is overloaded
FEWEST, FEWEST_BANDS = 3, 2


def too_bright(cutter: Cutter) -> bool:
    """Whether the attacks kept cannot be repeats: of a mono recording, from its full band."""
    heads = np.array([place.repeat == 0 for place in cutter.wanted])
    copies = np.array([place.repeat == 1 and not place.between for place in cutter.wanted])
    attacks, repeats = cutter.kept(heads), cutter.kept(copies)
    high = np.abs(attacks) >= CLIPPED * np.abs(attacks).max(initial=1e-30)
    attacks = attacks[np.count_nonzero(high, axis=1) < LEAST_CLIPPED]
    if min(len(attacks), len(repeats)) < FEWEST:
        return False
    edges_hz = LOWEST_HZ * 2 ** (np.arange(0, 40) / BANDS_AN_OCTAVE)
    edges_hz = edges_hz[edges_hz < HIGHEST * cutter.rate_hz]
    begin = round((HUM_S + BEFORE_S - LEAD_S) * cutter.rate_hz)
    played = _energies(attacks, begin, edges_hz, cutter.rate_hz)
    copied = _energies(repeats, begin, edges_hz, cutter.rate_hz)
    quiet = begin - round(LENGTH_S * cutter.rate_hz)
    noise = _energies(attacks, quiet, edges_hz, cutter.rate_hz)
    heard = played > (1 + STANDS_OUT) * noise
    played = np.maximum(played - noise, 1e-30)
    copied = np.maximum(copied - noise, 0.0) + UNSURE * noise
    gain_db = 10 * np.log10(copied / played + 1e-30)
    lost_db = gain_db - gain_db[heard].max(initial=-np.inf)
    level_db = 10 * np.log10(played / np.diff(edges_hz))
    faintest_db = level_db[heard].max(initial=-np.inf) - FAINTEST_DB
    before_db = np.where(heard, level_db - lost_db, -np.inf)
    # All that is an octave or more below a band; of the lowest octave nothing is.
    below_db = np.full(len(heard), np.inf)
    below_db[BANDS_AN_OCTAVE:] = np.maximum.accumulate(before_db)[:-BANDS_AN_OCTAVE]
    below_db[~np.isfinite(below_db)] = np.inf
    bright = heard & (lost_db < -LOST_DB) & (level_db > faintest_db)
    bright &= before_db > below_db + BRIGHTER_DB
    return bool(bright.sum() >= FEWEST_BANDS)


def _energies(cuts: Samples, begin: int, edges_hz: Samples, rate_hz: int) -> Samples:
    """Energy in each band of what begins at sample `begin` of each row, the median."""
    length, rise = round(LENGTH_S * rate_hz), round(RISE_S * rate_hz)
    window = np.ones(length)
    window[:rise] = np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
    window[-rise:] = window[:rise][::-1]
    power = np.abs(fft.rfft(cuts[:, begin : begin + length] * window, 2 * length, axis=1)) ** 2
    hz = fft.rfftfreq(2 * length, 1 / rate_hz)
    bounds = np.searchsorted(hz, edges_hz)
    bands = [power[:, low:high].sum(axis=1) for low, high in itertools.pairwise(bounds)]
    return np.asarray(np.median(np.array(bands), axis=1))
