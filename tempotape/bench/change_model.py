"""What two sets of measured points say about the change between them, with its error.

log value = what both sets share + what the second adds + noise. The shared part is a known law, a
free constant for each group (a head) and a smooth Gaussian process for what the law misses, so
that two sets measured at the same knob readings are compared point by point and others through
the curve. The second adds a constant for each group.
Everything is Gaussian for given noise (Rasmussen and Williams, Gaussian Processes
for Machine Learning, 2006, section 2.7), and the noise of either set is summed over, weighed by
how well it explains the points. The noise of the two sets is taken as independent; what they have
in common, a clock or a habit of the same hand, cancels and only makes the true error smaller.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

# Prior sds, wide against any change a unit survives: groups, their change, and the law's bend.
_FREE, _CHANGE, _BEND = 5.0, 1.0, 0.3
# How far along the knob (of the scale) the shared law misses in one direction.
_REACH = 0.25


class Values(msgspec.Struct, frozen=True):
    """Points of one set. All arrays are (points,).

    `slowness` is 1 at the slow end of the span and 0 at the fast one, `turn` runs from 0 to 1 over
    the knob's scale. `log_value` has the known law taken off, `group` numbers the heads. `error`
    is relative, one sd, NaN where it is to be learnt; `per_step` is how far one step of the knob
    moves the log value.
    """

    slowness: Floats
    turn: Floats
    log_value: Floats
    group: npt.NDArray[np.int64]
    error: Floats
    per_step: Floats


class NoiseGrid(msgspec.Struct, frozen=True):
    """What the noise may be: relative sds with the log belief in each, and hand errors in steps.

    `law_sd` is how far the shared law may be off.
    """

    sds: tuple[tuple[float, float], ...]
    hand_steps: tuple[float, ...]
    law_sd: float


class Change(NamedTuple):
    """A change of log value, one sd of it, and the belief, 0 to 1, that chance made it.

    `chance` is two-sided: twice the belief that the true change has the other sign.
    """

    log: float
    sd: float
    chance: float

    @property
    def percent(self) -> float:
        return 100.0 * math.expm1(self.log)

    @property
    def error_percent(self) -> float:
        """One sd, in percent of the value before."""
        return 100.0 * math.exp(self.log) * self.sd


class Changes(msgspec.Struct, frozen=True):
    """The change of each group under each setting of the noise: (settings, groups)."""

    weight: Floats
    mean: Floats
    covariance: Floats

    def overall(self, groups: Sequence[int]) -> Change:
        """The mean change of these groups."""
        return _change(*self._of(groups, ()))

    def apart(self, group: int, others: Sequence[int]) -> Change:
        """How much more one group changes than the mean of the others."""
        return _change(*self._of((group,), others))

    def margin(self, groups: Sequence[int], chance: float) -> float:
        """How far towards zero from the mean change, in log, the true one is with half this chance.

        It is less than the mean change where that has less than this chance, and only there.
        """
        weight, means, sds = self._of(groups, ())
        mean = float(weight @ means)
        along = means if mean >= 0.0 else -means
        low, high = float((along - 40.0 * sds).min()), abs(mean)
        for _ in range(60):
            middle = (low + high) / 2.0
            if weight @ ndtr((middle - along) / sds) < chance / 2.0:
                low = middle
            else:
                high = middle
        return abs(mean) - low

    def _of(self, groups: Sequence[int], others: Sequence[int]) -> tuple[Floats, Floats, Floats]:
        """Weight, mean and sd under each setting, of these groups' mean less that of the others."""
        contrast = np.zeros(self.mean.shape[1])
        contrast[list(groups)] = 1.0 / len(groups)
        if others:
            contrast[list(others)] -= 1.0 / len(others)
        variances = np.einsum("i,sij,j->s", contrast, self.covariance, contrast)
        return self.weight, self.mean @ contrast, np.sqrt(variances)


def _change(weight: Floats, means: Floats, sds: Floats) -> Change:
    mean = float(weight @ means)
    variance = float(weight @ (sds**2 + (means - mean) ** 2))
    other_sign = ndtr(-means / sds if mean >= 0.0 else means / sds)
    return Change(mean, math.sqrt(variance), min(1.0, 2.0 * float(weight @ other_sign)))


def changes(before: Values, after: Values, noise: NoiseGrid, *, groups: int) -> Changes:
    """The change from one set of points to the other, as a constant for each group."""
    slowness = np.concatenate([before.slowness, after.slowness])
    middle = float(slowness.mean())
    is_after = np.repeat([0.0, 1.0], [len(before.slowness), len(after.slowness)])
    group = np.concatenate([before.group, after.group])
    of_group = np.eye(groups)[group]
    bend = (slowness - middle)[:, None]
    # The law is the mean of two that may be bent apart, so the shared part bends.
    columns = np.hstack([bend, of_group, is_after[:, None] * of_group])
    prior = np.diag([_BEND**2] + [_FREE**2] * groups + [_CHANGE**2] * groups)
    changing = groups + 1
    values = np.concatenate([before.log_value, after.log_value])
    shared = _smooth(np.concatenate([before.turn, after.turn]), noise.law_sd)
    signal = columns @ prior @ columns.T + shared
    to_change = (prior @ columns.T)[changing:]
    noises = [_noises(points, noise) for points in (before, after)]
    log_weights, means, covariances = [], [], []
    for (belief, one), (other_belief, other) in itertools.product(*noises):
        total = signal.copy()
        total[: len(one), : len(one)] += one
        total[len(one) :, len(one) :] += other
        factor = np.linalg.cholesky(total)
        white = np.linalg.solve(factor, np.column_stack([values, to_change.T]))
        evidence = -0.5 * float(white[:, 0] @ white[:, 0]) - float(np.log(np.diag(factor)).sum())
        log_weights.append(evidence + belief + other_belief)
        means.append(white[:, 1:].T @ white[:, 0])
        covariances.append(prior[changing:, changing:] - white[:, 1:].T @ white[:, 1:])
    weight = np.exp(np.array(log_weights) - max(log_weights))
    return Changes(
        weight=weight / weight.sum(),
        mean=np.array(means),
        covariance=np.array(covariances),
    )


def _noises(points: Values, grid: NoiseGrid) -> list[tuple[float, Floats]]:
    """Each noise covariance of one set with the log belief in it.

    A hand sets the knob once for all heads read there, so its error is shared at equal readings.
    """
    together = np.isclose(points.turn[:, None], points.turn[None, :], rtol=0.0, atol=1e-9)
    hand = together * np.outer(points.per_step, points.per_step)
    learnt = bool(np.isnan(points.error).any())
    found = []
    for (sd, belief), steps in itertools.product(
        grid.sds if learnt else grid.sds[:1], grid.hand_steps
    ):
        own = np.where(np.isnan(points.error), sd, points.error) ** 2
        found.append((belief if learnt else 0.0, np.diag(own) + steps**2 * hand))
    return found


def _smooth(turn: Floats, sd: float) -> Floats:
    """Matern covariance, smoothness 5/2 (Rasmussen and Williams, equation 4.17)."""
    far = math.sqrt(5.0) * np.abs(turn[:, None] - turn[None, :]) / _REACH
    return np.asarray(sd**2 * (1.0 + far + far * far / 3.0) * np.exp(-far))
