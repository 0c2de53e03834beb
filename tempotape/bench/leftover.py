"""What is left of a recording when the copies that a lag predicts are taken off.

What one pass does to a sound is fitted to the attacks and their copies; then, from the first sound
on, what has sounded gives what must come again. Taken off, it leaves the sounds that were played.
A lag that is not the echo's leaves more: copies that it does not predict, and predicted ones that
are not there.
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from tempotape.bench.copies import BETWEEN, between
from tempotape.bench.explaining import Evidence, Explanation
from tempotape.bench.onsets import Whitened
from tempotape.bench.recording import Samples
from tempotape.bench.rows import evenly

BEFORE, AFTER = 10, 26  # samples that one pass may spread a sound over
RIDGE = 1e-2  # of the mean energy: bands in which nothing sounds must not be made up
MOST_PAIRS, ENOUGH, KEPT = 60, 6, 0.7
LEAD_S, LENGTH_S = 0.002, 0.004  # around an attack, beside its own length
TILE_S = 0.004
RINGING_S, RINGING = 0.09, 1e-2  # the whitening filter rings; in energy
QUIET_PERCENTILE, QUIET, LOUDEST, LEAST_QUIET = 25, 1.25, 20, 2e-3
SOUNDS, STANDS_OUT = 3.0, 3.0  # in energy, over the quiet
EXPLAINED, UNLIKE = 0.25, 0.1  # in energy: no pass is quite as it is fitted
TURNS, SHIFT_S = 2, 0.0007  # more than a period of what clicks sound at, either way
AGAIN_S, STRAYS, MOST_STRAY_S = 0.0005, 3.0, 0.003  # how far a second copy falls from two lags
LEAST_CLEAR, CROWDED, PASS_UNLIKE = 3, 0.5, 0.05  # attacks; least scatter of a gain, two cases
MOST_HISS = 0.7  # of the gain
OWN_S = 0.06  # after its beginning a tile is an event's
FULLY = 2.0  # in nats: what stands out so far counts for one
LASTS_S, OVER_LEAST = 0.25, 10.0  # in energy
BEFORE_FIRST_S = 0.01
STRETCH_S, WHOLE_S = 20.0, 45.0  # several delays long; no more memory than that
SILENCE = 64  # samples before the first
TABLE, HALF, CHUNK = 512, 8, 1 << 16  # of the windowed sinc that reads between samples


def _table() -> Samples:
    away = np.arange(2 * HALF) - (HALF - 1) - np.arange(TABLE + 1)[:, None] / TABLE
    window = np.i0(6 * np.sqrt(np.clip(1 - (away / HALF) ** 2, 0, 1))) / np.i0(6)
    return np.asarray(np.sinc(away) * window)


_TABLE = _table()


class Passes(msgspec.Struct, frozen=True):
    """What the first pass does to a sound, and what every further one: filters, in samples."""

    first: Samples
    further: Samples


class Stretch(msgspec.Struct, frozen=True):
    """Samples `begin` to `end` of a recording, of which those from `told` on count."""

    begin: int
    end: int
    told: int


class LeftOver(msgspec.Struct, frozen=True):
    """What lags leave over, in sounds as loud as the usual attack.

    And `off`, how far copies are from what the fitted pass makes of what they copy, in energy.
    """

    sounds: float
    off: float


def left_over(
    found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> LeftOver:
    """What the lags found leave over."""
    passes, off = _passes(found, evidence, sound, copies)
    has = np.flatnonzero(found.has_copy)
    times, lags = evidence.at[has].astype(float), found.lag[has]
    own, before = round(OWN_S * evidence.rate), round(BEFORE_FIRST_S * evidence.rate)
    unstudied = [(last + own, next_ - before) for last, next_ in evidence.unstudied]
    sounds = 0.0
    for stretch in _stretches(evidence, float(lags.max())):
        tiles = round(TILE_S * evidence.rate)
        length = (stretch.end - stretch.begin) // tiles * tiles
        heard = copies.part(stretch.begin, stretch.begin + length)
        moved = Lags(times + lags - stretch.begin, lags)
        quiet = _quiet(_energy(heard, tiles))
        if evidence.heard is None:
            predicted = _again(heard, moved, passes, tiles, SOUNDS * quiet)
        else:
            played = sound.part(stretch.begin, stretch.begin + length)
            predicted = _copied(played, heard, moved, passes)
        at = stretch.begin + tiles * np.arange(length // tiles)
        counts = at >= stretch.told
        for begin, end in (*evidence.tones, *unstudied):
            counts &= (at < begin) | (at > end)
        left, told = _nats(heard, predicted, quiet, tiles, counts)
        events = evidence.at if evidence.heard is None else evidence.heard
        sounds += _sounds(left, told, at + tiles, events, evidence.rate)
    return LeftOver(sounds, off)


def _sounds(
    left: Samples, told: Samples, ends: NDArray[np.int64], events: NDArray[np.int64], rate: float
) -> float:
    """How many sounds are left: of each event the part that is, of what is elsewhere as if it were.

    So that explaining loud ones by faint ones is worth no more than the other way round.
    """
    if not len(events):
        return float(left.sum()) / FULLY
    own = np.searchsorted(events, ends, side="right") - 1
    belongs = (own >= 0) & (ends - events[np.maximum(own, 0)] < OWN_S * rate)
    whole = np.maximum(np.bincount(own[belongs], told[belongs], len(events)), FULLY)
    parts = np.bincount(own[belongs], left[belongs], len(events)) / whole
    return float(parts.sum() + left[~belongs].sum() / np.mean(whole))


def aligned(
    found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> Explanation:
    """The explanation with all its lags to the same place in the copies.

    A copy in a narrow band fits nearly as well half a period off and turned over. Once it is known
    what a pass does, what it makes of each attack tells which place is meant.
    """
    lag = found.lag.copy()
    groups = ((found.has_first_copy, sound), (found.has_further_copy, copies))
    for rows, source in groups:
        if rows.any():
            lag[rows] = _aligned(found, rows, evidence, (source, copies))
    return msgspec.structs.replace(found, lag=lag)


def _aligned(
    found: Explanation,
    rows: NDArray[np.bool_],
    evidence: Evidence,
    sides: tuple[Whitened, Whitened],
) -> Samples:
    """Lags of some attacks, to the same place in the copies where a pass then fits them better."""

    def fit(known: Explanation, usual: NDArray[np.bool_]) -> tuple[Samples, float]:
        pairs = _pairs(evidence, known, usual, sides, most=MOST_PAIRS)
        taps = _fitted(pairs)
        return taps, float(np.mean(_off(pairs, taps)))

    signed = found.coherence[rows] > 0
    usual = rows.copy()
    usual[rows] = signed if 2 * signed.sum() >= len(signed) else ~signed
    taps, known = fit(found, usual)[0], found
    for _ in range(TURNS):
        lag = known.lag.copy()
        lag[rows] += _shifts(evidence, known, rows, sides, taps)
        known = msgspec.structs.replace(found, lag=lag)
        taps, off = fit(known, rows)
    return known.lag[rows] if off <= fit(found, rows)[1] else found.lag[rows]


def _shifts(
    evidence: Evidence,
    found: Explanation,
    rows: NDArray[np.bool_],
    sides: tuple[Whitened, Whitened],
    taps: Samples,
) -> Samples:
    """How much later each copy comes than the lags say, samples."""
    reach = round(SHIFT_S * evidence.rate)
    pairs = _pairs(evidence, found, rows, sides, reach=reach)
    made = pairs.ways @ taps
    windows = np.lib.stride_tricks.sliding_window_view(pairs.copies, made.shape[1], axis=1)
    match = np.einsum("nks,ns->nk", windows, made)
    total = np.pad(np.cumsum(pairs.copies**2, axis=1), ((0, 0), (1, 0)))
    match /= np.sqrt(np.maximum(total[:, made.shape[1] :] - total[:, : -made.shape[1]], 1e-9))
    top = np.argmax(match[:, 1:-1], axis=1) + 1
    # In one row after another, each between zeros.
    apart = np.pad(match, ((0, 0), (BETWEEN, BETWEEN)))
    at = np.arange(len(top)) * apart.shape[1] + BETWEEN + top
    return np.asarray(top + between(apart.ravel(), at)[0] - reach)


def further_gain(found: Explanation, evidence: Evidence, sound: Whitened) -> tuple[float, float]:
    """How much less a further pass does than a first one, in parts of that, and its error.

    In a recording of both. What the fitted pass makes of each attack when it is passed through it
    twice, looked for two lags later: the median of the gains it comes with, and the error of that;
    infinite where no attack has room for it. The largest match of some is larger in hiss, by a part
    of the square of what hiss alone gives just before.
    """
    first = _passes(found, evidence, sound, sound)[0].first
    has = np.flatnonzero(found.has_copy)
    times, lags, rate = evidence.at[has].astype(float), found.lag[has], evidence.rate
    lead, length = round(LEAD_S * rate), int((evidence.length_s + LENGTH_S) * rate)
    stray = int(min(AGAIN_S * rate + STRAYS * found.unsteadiness, MOST_STRAY_S * rate))
    rows = np.flatnonzero(found.has_first_copy)
    at, both = evidence.at[rows], found.lag[rows]
    both = both + np.interp(at + both, times, lags)
    room = at + both + length + AFTER + stray < evidence.end
    begun = evidence.at[found.root]
    off = np.abs((at + both)[:, None] - begun[None, :])
    clear = room & (off.min(axis=1, initial=np.inf) > length)  # of the next sound that is played
    crowded = clear.sum() < LEAST_CLEAR
    # At the edges of the band what a pass does is not known well enough to do it twice.
    band = sound.brief.taps
    ring = len(band) // 2
    gains: list[float] = []
    by_hiss: list[float] = []
    for k in np.flatnonzero(room if crowded else clear):
        begin, whole = int(at[k]) - lead, int(both[k])
        end = begin + lead + length
        struck = sound.part(begin - 2 * AFTER - HALF - ring, end + 2 * BEFORE + HALF + ring)
        made = _later(struck, both[k] - whole)
        for taps in (first, first, band):
            made = np.convolve(made, taps, "valid")
        begin += whole
        before = begin - len(made) - 2 * stray
        for first_sample, told in ((begin, gains), (before, by_hiss)):
            heard = sound.part(first_sample - stray - ring, first_sample + len(made) + stray + ring)
            match = np.correlate(np.convolve(heard, band, "valid"), made, "valid")
            told.append(float(match.max()) / max(_sum(made), 1e-30))
    if not gains:
        return 0.0, np.inf
    middle = float(np.median(gains))
    scatter = float(stats.median_abs_deviation(gains, scale="normal"))
    scatter = max(scatter, CROWDED if crowded else PASS_UNLIKE)
    due = 1 + min(float(np.median(by_hiss)), MOST_HISS) ** 2 / 4
    return due - middle, float(np.sqrt(np.pi / 2 / len(gains))) * scatter


class Lags(msgspec.Struct, frozen=True):
    """Lags, in samples, of the copies heard at `times`."""

    times: Samples
    lags: Samples

    def at(self, begin: int, end: int) -> Samples:
        """The lag at every sample from `begin` to `end`, in samples."""
        return np.interp(np.arange(begin, end), self.times, self.lags)


def _stretches(evidence: Evidence, longest: float) -> list[Stretch]:
    """All of a short recording, or both ends: there lags differ in what they leave over.

    From the first attack on: what sounds before, as a sweep does, was not looked at.
    """
    rate, end = evidence.rate, evidence.end
    told = max(0, int(evidence.at[0] - BEFORE_FIRST_S * rate))
    if end <= WHOLE_S * rate:
        return [Stretch(-SILENCE, end, told)]
    length = round(STRETCH_S * rate)
    first, begin = min(int(evidence.at[0] - rate), end - 2 * length), end - length
    ends = [Stretch(begin, end, begin + round(longest))]
    return [Stretch(first, first + length, told), *ends]


def _passes(
    found: Explanation, evidence: Evidence, sound: Whitened, copies: Whitened
) -> tuple[Passes, float]:
    """What passes do, and how far the first is from what it is fitted to, the median."""
    pairs = _pairs(evidence, found, found.has_first_copy, (sound, copies), most=MOST_PAIRS)
    first = _fitted(pairs)
    off = float(np.median(_off(pairs, first)))
    if not found.has_further_copy.any():
        return Passes(first, np.zeros(len(first))), off
    deep = _pairs(evidence, found, found.has_further_copy, (copies, copies), most=MOST_PAIRS)
    if len(deep.copies) >= ENOUGH:
        return Passes(first, _fitted(deep)), off
    made = deep.ways @ first
    gains = np.sum(made * deep.copies, axis=1) / np.maximum(np.sum(made**2, axis=1), 1e-9)
    return Passes(first, first * float(np.clip(np.median(gains), 0.0, 1.5))), off


def _sum(samples: Samples) -> float:
    return float(np.sum(samples**2))


class Pairs(msgspec.Struct, frozen=True):
    """Attacks, a row each: all the `ways` a sound may be shifted, and its copy.

    Shapes (n, samples, taps) and (n, samples), the latter with as many more as were asked for.
    """

    ways: Samples
    copies: Samples

    def only(self, rows: NDArray[np.int64]) -> Pairs:
        return Pairs(self.ways[rows], self.copies[rows])


def _pairs(
    evidence: Evidence,
    found: Explanation,
    rows: NDArray[np.bool_],
    sides: tuple[Whitened, Whitened],
    *,
    most: int | None = None,
    reach: int = 0,
) -> Pairs:
    """Attacks and their copies, `most` of them; of the copies `reach` more samples either side."""
    chosen = np.flatnonzero(rows)
    if most is not None:
        chosen = evenly(chosen, most)
    sound, copies = sides
    rate = evidence.rate
    lead, length = round(LEAD_S * rate), int((evidence.length_s + LENGTH_S) * rate)
    at, lags = evidence.at[chosen], found.lag[chosen]
    whole = np.floor(lags).astype(np.int64)
    heard = np.empty((len(chosen), lead + length + BEFORE + AFTER))
    copied = np.empty((len(chosen), lead + length + 2 * reach))
    for k, (place, late) in enumerate(zip(at.tolist(), whole.tolist(), strict=True)):
        around = sound.part(place - lead - AFTER - HALF, place + length + BEFORE + HALF)
        heard[k] = _later(around, lags[k] - late)
        begin = place - lead + late
        copied[k] = copies.part(begin - reach, begin + lead + length + reach)
    windows = np.lib.stride_tricks.sliding_window_view(heard, BEFORE + AFTER + 1, axis=1)
    return Pairs(np.ascontiguousarray(windows[:, :, ::-1]), copied)


def _fitted(pairs: Pairs) -> Samples:
    """The filter, by least squares, once more without the copies that others run into."""
    taps = _solved(pairs)
    if len(pairs.copies) < ENOUGH:
        return taps
    best = np.argsort(_off(pairs, taps))[: max(4, int(KEPT * len(pairs.copies)))]
    return _solved(pairs.only(best))


def _off(pairs: Pairs, taps: Samples) -> Samples:
    """Of the energy of each copy, the part that is not what the filter makes."""
    left = np.sum((pairs.copies - pairs.ways @ taps) ** 2, axis=1)
    out: Samples = left / np.maximum(np.sum(pairs.copies**2, axis=1), 1e-9)
    return out


def _solved(pairs: Pairs) -> Samples:
    ways = pairs.ways.reshape(-1, pairs.ways.shape[2])
    square, cross = ways.T @ ways, ways.T @ pairs.copies.ravel()
    ridge = RIDGE * np.trace(square) / len(square) + 1e-12
    return np.asarray(np.linalg.solve(square + ridge * np.eye(len(square)), cross))


def _read(samples: Samples, at: NDArray[np.floating]) -> Samples:
    """`samples`, of one sound or of some, at fractional positions; 0 outside."""
    out = np.zeros((*samples.shape[:-1], len(at)))
    ways = np.lib.stride_tricks.sliding_window_view(samples, 2 * HALF, axis=-1)
    for begin in range(0, len(at), CHUNK):
        some = at[begin : begin + CHUNK]
        whole = np.floor(some).astype(np.int64)
        phase = np.rint((some - whole) * TABLE).astype(np.int64)
        first = whole - (HALF - 1)
        inside = (first >= 0) & (first + 2 * HALF <= samples.shape[-1])
        read = np.einsum("...ij,ij->...i", ways[..., first[inside], :], _TABLE[phase[inside]])
        out[..., begin : begin + CHUNK][..., inside] = read
    return out


def _later(samples: Samples, part: float) -> Samples:
    """`samples` later by a part of a sample, 0 to 1; without `HALF` of them at both ends."""
    weights = _TABLE[round((1 - part) * TABLE)]
    out: Samples = np.correlate(samples, weights, "valid")[:-1]
    return out


def _again(heard: Samples, moved: Lags, passes: Passes, tile: int, sounds: float) -> Samples:
    """What comes again in a recording of both, from what has sounded before.

    Tile by tile what is heard is told apart: what was predicted has passed the unit, what is left
    was played; where the prediction fails, all of it was. Where it fits better if all that sounded
    had passed already, it had: what was once taken for played would else stay so, pass by pass.
    """
    count = len(heard)
    predicted = np.zeros(count)
    apart = np.zeros((2, count + tile))  # what was played, and what has passed
    sounding = np.zeros(count // tile + 2, bool)  # whether either is, in each tile, from -1 on
    ahead = BEFORE + AFTER
    sources = np.zeros((2, count + ahead + tile))
    reach = int(moved.lags.min()) - BEFORE - 2 * HALF
    step = max(tile, reach // tile * tile)
    for begin in range(0, count, step):
        end = min(begin + step, count)
        fresh = begin if begin == 0 else begin + BEFORE
        at = np.arange(fresh, end + BEFORE) - moved.at(fresh, end + BEFORE)
        near = np.floor(np.stack((at - HALF, at + HALF)) / tile).astype(np.int64) + 1
        some = np.flatnonzero(sounding[np.clip(near, 0, len(sounding) - 1)].any(axis=0))
        sources[:, AFTER + fresh + some] = _read(apart, at[some])
        span = slice(begin, end + ahead)
        new, old = sources[:, span]
        further = np.convolve(old, passes.further, "valid")
        ways = [
            (further + np.convolve(new, taps, "valid")).reshape(-1, tile)
            for taps in (passes.first, passes.further)
        ]
        all_ = heard[begin:end].reshape(-1, tile)
        copy = _nearer(all_, *ways)
        predicted[begin:end] = copy.ravel()
        energy = np.mean(all_**2, axis=1, keepdims=True)
        off = np.mean((all_ - copy) ** 2, axis=1, keepdims=True)
        explained, fails, silent = off <= EXPLAINED * energy, off > energy, energy <= sounds
        fresh_sound = np.where(explained | silent, 0, np.where(fails, all_, all_ - copy))
        copied = np.where(silent | fails, 0, np.where(explained, all_, copy))
        apart[:, begin:end] = fresh_sound.ravel(), copied.ravel()
        sounding[begin // tile + 1 : end // tile + 1] = ~silent.ravel()
    return predicted


def _nearer(heard: Samples, one: Samples, other: Samples) -> Samples:
    """Tile by tile, a row each, the prediction that is nearer to what is heard."""
    off = [np.sum((heard - way) ** 2, axis=1, keepdims=True) for way in (one, other)]
    return np.where(off[1] < off[0], other, one)


def _copied(played: Samples, heard: Samples, moved: Lags, passes: Passes) -> Samples:
    """What comes again on a side of its own."""
    at = np.arange(len(heard)) - moved.at(0, len(heard))
    return _passed(played, at, passes.first) + _passed(heard, at, passes.further)


def _passed(source: Samples, at: Samples, taps: Samples) -> Samples:
    """What a pass makes of what `source` was at the positions `at`."""
    row = np.concatenate((np.zeros(AFTER), _read(source, at), np.zeros(BEFORE)))
    out: Samples = np.convolve(row, taps, "valid")
    return out


def _energy(samples: Samples, tile: int) -> Samples:
    out: Samples = np.mean(samples.reshape(-1, tile) ** 2, axis=1)
    return out


def _quiet(energy: Samples) -> float:
    """Energy where nothing sounds."""
    quiet = QUIET * float(np.percentile(energy, QUIET_PERCENTILE))
    return max(quiet, LEAST_QUIET * float(np.median(np.sort(energy)[-LOUDEST:])), 1e-30)


def _nats(
    heard: Samples, predicted: Samples, quiet: float, tile: int, counts: NDArray[np.bool_]
) -> tuple[Samples, Samples]:
    """Of each tile what is left, and how far it stands out at all; 0 where it does not count.

    By the logarithms of their energy, so that faint sounds count nearly as much as loud ones.
    """
    whole, copy = _energy(heard, tile), _energy(predicted, tile)
    left = _energy(heard - predicted, tile)
    floor = STANDS_OUT * (quiet + RINGING * _around(np.maximum(whole, copy)))
    stands = np.log(np.maximum(1.0, np.maximum(left - UNLIKE * copy, 0.0) / floor))
    told = np.log(np.maximum(1.0, whole / floor))
    most = np.maximum(np.maximum(stands, told), 1e-9)
    weight = np.minimum(most, FULLY)
    begins = counts & (_begins(whole) | _begins(copy))
    part = weight * stands / most
    return np.where(begins, part, 0.0), np.where(begins, np.minimum(told, FULLY), 0.0)


def _around(energy: Samples) -> Samples:
    """The largest energy near each tile."""
    return np.asarray(ndimage.maximum_filter1d(energy, 2 * int(RINGING_S / TILE_S) + 1))


def _begins(energy: Samples) -> NDArray[np.bool_]:
    """Where energy is far over its least of the time before: a tone that lasts tells nothing."""
    span = int(LASTS_S / TILE_S)
    least = ndimage.minimum_filter1d(energy, span, origin=(span - 1) // 2, mode="constant")
    begins: NDArray[np.bool_] = energy > OVER_LEAST * least
    return begins
