"""Clicks in hiss that are all alike, as those of a test sound: their mean is clearer than each.

Correlated with it, clicks are found that hiss hides, and copies of them (a matched filter: D. O.
North, "An analysis of the factors which determine signal/noise discrimination", 1943).
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np
from scipy import fft, ndimage, stats

from tempotape.bench.copies import (
    BEFORE_S,
    Matches,
    Template,
    between,
    coherence,
    correlated,
    template,
)
from tempotape.bench.onsets import APART_S, CHUNK, Attacks, Whitened
from tempotape.bench.recording import Samples
from tempotape.bench.rows import evenly

HISSY = 0.15  # of the energy cut out: where there is less hiss, nothing is to be gained
FEWEST, MOST = 4, 60  # clicks in the mean
MOST_ALIKE, LEAST_PART = 0.8, 0.5  # of the likeness that hiss leaves; of the attacks
ROUNDS = 3
CLEAR, BODY = 4.0, (0.02, 0.98)  # of the hiss left in the mean; parts of its energy
OVER_HISS = 5.3  # standard deviations: chance lets one in some recordings so far out
COPY = 3.7  # likewise: some for each attack
STRAY_S = 0.0015  # an attack is timed as near as that
WOW_S = 0.0004  # so far most copies stray from one lag
MOST_EACH, STANDS_OUT, FAINT = 8.0, 7.0, 2.0  # standard deviations
MOST_LAGS = 12
LEAST_POWER = 0.25  # a sample: hiss itself has about that
MARGIN = 16  # samples: so far a shift by part of a sample rings


class Alike(msgspec.Struct, frozen=True):
    """The mean of clicks that are alike, whitened samples of unit energy, shape (n,).

    It begins `after` samples after an attack is told; `noise` is the power of hiss left in it, a
    sample, and `hiss` the standard deviation of what correlates with it, whitened too.
    """

    sound: Samples
    noise: float
    after: int
    hiss: float


def alike(sound: Whitened, struck: Attacks) -> Alike | None:
    """The mean of the clicks, or None where there is little hiss or they are not alike."""
    cuts = [
        template(sound, int(at), None) for at in struck.at[evenly(np.arange(len(struck)), MOST)]
    ]
    if len(cuts) < FEWEST or not sound.hissing:
        return None
    hissy = [len(cut.sound) * sound.noise / cut.size**2 for cut in cuts]
    if np.median(hissy) < HISSY:
        return None
    length = int(np.median([len(cut.sound) for cut in cuts]))
    loudest = cuts[int(np.argmin(hissy))].begin
    mean = Template(loudest, sound.part(loudest, loudest + length), sound.noise)
    for _ in range(ROUNDS):
        placed = [_placed(sound, mean, cut.begin) for cut in cuts]
        joined = [(cut, like) for cut, like in placed if abs(like) > MOST_ALIKE]
        if len(joined) < max(FEWEST, LEAST_PART * len(cuts)):
            return None
        parts = [cut * np.sign(like) for cut, like in joined]
        mean = Template(loudest, np.mean(parts, axis=0), sound.noise / len(joined))
    return _told(sound, mean)


def _told(sound: Whitened, mean: Template) -> Alike:
    """The mean without what is beside the click."""
    energy = np.cumsum(np.maximum(mean.sound**2 - mean.noise * CLEAR, 0.0))
    first, last = (int(k) for k in np.searchsorted(energy, np.array(BODY) * energy[-1]))
    first = max(0, first - 1)
    body = mean.sound[first : last + 2]
    size = float(np.sqrt(np.sum(body**2)))
    heard = _correlated(sound, body / size, *sound.middle)
    hiss = float(stats.median_abs_deviation(heard, scale="normal"))
    after = first - round(BEFORE_S * sound.rate_hz)
    return Alike(body / size, mean.noise / size**2, after, hiss)


def _placed(sound: Whitened, mean: Template, begin: int) -> tuple[Samples, float]:
    """A click where the mean is likest it: what is heard there, and how like it is, less hiss."""
    top, late, _ = _likest(sound, mean.sound, begin)
    heard = sound.part(top - MARGIN, top + len(mean.sound) + MARGIN)
    cut = _later(heard, -late)[MARGIN:-MARGIN]
    whole = float(np.sum(cut**2))
    energy = max(whole - len(cut) * sound.noise, 0.2 * whole)
    return cut, float(cut @ mean.sound) / float(np.sqrt(energy * mean.energy))


def _likest(sound: Whitened, click: Samples, begin: int) -> tuple[int, float, float]:
    """Where about sample `begin` the click is likest to begin, how much later, and how much."""
    reach = round(STRAY_S * sound.rate_hz)
    rho = np.correlate(sound.part(begin - reach, begin + reach + len(click)), click)
    top = np.array([np.clip(np.argmax(np.abs(rho)), 1, len(rho) - 2)])
    late, rise = between(rho, top)
    return begin - reach + int(top[0]), float(late[0]), float(rho[top[0]] * rise[0])


def _later(heard: Samples, samples: float) -> Samples:
    """What is heard, that part of a sample later."""
    turn = np.exp(-2j * np.pi * fft.rfftfreq(len(heard)) * samples)
    out: Samples = fft.irfft(fft.rfft(heard) * turn, len(heard))
    return out


def _correlated(sound: Whitened, click: Samples, begin: int, end: int) -> Samples:
    """How much of the click begins at each of these samples."""
    return correlated(sound.part(begin, end + len(click) - 1), click)


def struck_again(sound: Whitened, struck: Attacks, click: Alike) -> Attacks:
    """Where such a click is heard, by its mean; energy is over the hiss's variance."""
    apart = round(APART_S * sound.rate_hz)
    found, sizes = [], []
    for begin in range(0, len(sound), CHUNK):
        end = min(begin + CHUNK, len(sound))
        over = np.abs(_correlated(sound, click.sound, begin - apart, end + apart)) / click.hiss
        top = over == ndimage.maximum_filter1d(over, 2 * apart + 1)
        at = np.flatnonzero((over > OVER_HISS) & top)
        at = at[(at >= apart) & (at < apart + end - begin)]
        found.append(begin - apart + at - click.after)
        sizes.append(over[at])
    at, size = np.concatenate(found), np.concatenate(sizes)
    heard = np.ones(len(at), bool)
    for first, last in struck.tones:
        heard &= (at < first) | (at > last)
    return Attacks(at[heard], size[heard] ** 2, struck.tones)


def cut_out(sound: Whitened, at: int, click: Alike) -> Template:
    """The click about sample `at`, by the mean: as loud, and where it is likest."""
    begin, late, size = _likest(sound, click.sound, at + click.after)
    placed = _later(np.pad(click.sound, MARGIN), late)[MARGIN - 1 : 1 - MARGIN] * size
    return Template(begin - 1, placed, click.noise * size**2, COPY * click.hiss, LEAST_POWER)


def faint_copies(
    copies: Whitened, cuts: list[Template], low: int, high: int, click: Alike
) -> list[Matches]:
    """Copies too faint to be told one by one, at the lags at which many attacks have some.

    What correlates with each attack at a lag, `low` to `high` samples, is added up over the
    attacks; about the lags where the sum stands out each attack's likest copy is taken.
    """
    wow = round(WOW_S * copies.rate_hz)
    some = [cuts[k] for k in evenly(np.arange(len(cuts)), MOST)]
    sums = np.zeros((2, high - low + 1))
    for over, _, _ in _over_hiss(copies, some, low, high, click):
        turned = ndimage.maximum_filter1d(np.stack([over, -over]), 2 * wow + 1)
        sums += np.minimum(turned, MOST_EACH)
    near = [(sign, lag) for sign, row in zip((1, -1), sums, strict=True) for lag in _tops(row, wow)]
    found = []
    for k, (over, rho, gain) in enumerate(_over_hiss(copies, cuts, low, high, click)):
        size = np.zeros(len(over))
        for sign, lag in near:
            span = slice(max(0, lag - 2 * wow), lag + 2 * wow + 1)
            size[span] = np.maximum(size[span], sign * over[span])
        top = (size > FAINT) & (size == ndimage.maximum_filter1d(size, 4 * wow + 1))
        at = np.flatnonzero(top[1:-1]) + 1
        if len(at):
            late, rise = between(rho, at)
            attack = np.full(len(at), k)
            found.append(Matches(attack, at + late + low, rho[at] * rise, gain[at] * rise))
    return found


def _over_hiss(
    copies: Whitened, cuts: list[Template], low: int, high: int, click: Alike
) -> Iterator[tuple[Samples, Samples, Samples]]:
    """Of each cut what correlates with it, in standard deviations of hiss; coherence; gain."""
    for cut in cuts:
        rho, gain = coherence(copies, cut, low, high)
        yield gain * cut.size / click.hiss, rho, gain


def _tops(total: Samples, wow: int) -> list[int]:
    """Where a sum over many attacks stands out most."""
    spread = float(stats.median_abs_deviation(total, scale="normal"))
    out = (total - np.median(total)) / max(spread, 1e-30)
    top = (out > STANDS_OUT) & (out == ndimage.maximum_filter1d(out, 8 * wow + 1))
    at = np.flatnonzero(top)
    return [int(k) for k in at[np.argsort(-out[at])[:MOST_LAGS]]]
