"""How well each hypothesis explains the measured points, and what they say together.

log delay = log gap of the head - log speed - discrepancy + noise. The discrepancy is a smooth
Gaussian process over the turn of the knob: what no taper in the list can follow. With it, with the
noise, and with a wide Gaussian for each head's gap, everything is Gaussian for one hypothesis, so
its evidence, its leave-one-out predictions and its curve have closed forms (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006: equations 2.25, 2.30, 5.12). All
hypotheses share one Cholesky factor for each setting of noise and discrepancy.
"""

from __future__ import annotations

import itertools
import math

import msgspec
import numpy as np
import numpy.typing as npt

from tempotape.unit.hypotheses import SCALE, Floats, Hypotheses

# Relative noise of one measurement, one sd, where the player gives no error: learnt from a grid,
# believed near 1 % (careful timing by hand or ear; common practice, no source). The largest are
# for points that nothing else explains.
_NOISES = (0.0035, 0.006, 0.009, 0.013, 0.018, 0.026, 0.04, 0.08, 0.3, 1.5)
_LIKELY_NOISE, _LOG_NOISE_SD = 0.011, 0.7
# Discrepancy in log speed, one sd, with the belief in each; and how far along the knob it reaches.
_DISCREPANCIES = ((0.002, 0.45), (0.008, 0.33), (0.025, 0.17), (0.08, 0.05))
_REACH = 0.25
# A stated error is kept above what setting a knob twice costs, and below no knowledge at all.
_LEAST_ERROR, _MOST_ERROR = 0.001, 3.0
# Hypotheses this far (in nats) below the best are dropped before the full sum.
_HOPELESS, _LENIENT = 13.0, (0.013, 0.025)
_NEGLIGIBLE = 1e-5
# Where a hypothesis may have stalled, its delay is anything: a factor of e, one sd.
_STALL_SD = 1.0
_MOST = 6000


class Measured(msgspec.Struct, frozen=True):
    """Points as the sums need them: turn 0 to 1, log delay, head number, relative error.

    `error` is NaN where the player gave none. `count` is how many measurements a point stands for.
    `gap_covariance` is (heads, heads): what is known of the log gaps beforehand. `level` (heads,)
    was taken off each head's log delays, to keep the numbers near zero.
    """

    turn: Floats
    log_delay: Floats
    head: npt.NDArray[np.int64]
    error: Floats
    count: Floats
    gap_covariance: Floats
    level: Floats

    def without(self, point: int) -> Measured:
        """The same, one point less."""
        kept = np.arange(len(self.turn)) != point
        return Measured(
            self.turn[kept],
            self.log_delay[kept],
            self.head[kept],
            self.error[kept],
            self.count[kept],
            self.gap_covariance,
            self.level,
        )


class Setting(msgspec.Struct, frozen=True):
    """One choice of noise and discrepancy (relative sds), with the log belief in it."""

    noise: float
    discrepancy: float
    log_belief: float


class Weighed(msgspec.Struct, frozen=True):
    """All hypotheses under all settings, weighed by the points.

    `weight` is (settings, hypotheses) and sums to one; `pull` is (settings, hypotheses, points),
    the inverse covariance times the residuals; `unlikely` is, for each point, the log of how much
    the evidence grows by leaving it out.
    """

    measured: Measured
    settings: tuple[Setting, ...]
    hypotheses: Hypotheses
    weight: Floats
    pull: Floats
    unlikely: Floats

    @property
    def noise(self) -> float:
        """The noise of one measurement, relative, as learnt."""
        return float(self.weight.sum(axis=1) @ np.array([one.noise for one in self.settings]))

    @property
    def believed_up(self) -> float:
        """Belief that a higher reading runs the tape faster, 0 to 1."""
        return float(self.weight[:, self.hypotheses.up].sum())


class Posterior(msgspec.Struct, frozen=True):
    """What the hypotheses of one direction say over `SCALE`, not yet monotone.

    `log_speed` is (scale,), `log_gap` (heads,) and `log_delay_variance` (heads, scale).
    """

    log_speed: Floats
    log_gap: Floats
    log_delay_variance: Floats


def weigh(measured: Measured, every: Hypotheses) -> Weighed:
    """The weight of each hypothesis by its evidence, summed over noise and discrepancy."""
    settings = _settings(measured)
    hopeful = _hopeful(measured, every)
    residual = measured.log_delay + hopeful.log_speed
    evidence, pulls, left_out = [], [], []
    for setting in settings:
        one, pull, alone = _evidence(residual, _covariance(measured, setting))
        one += hopeful.log_belief + setting.log_belief
        evidence.append(one)
        pulls.append(pull)
        left_out.append(_log_sum(one[:, None] - alone))
    table = np.array(evidence)
    total = float(_log_sum(table.ravel()[:, None])[0])
    return Weighed(
        measured=measured,
        settings=settings,
        hypotheses=hopeful,
        weight=np.exp(table - total),
        pull=np.array(pulls),
        unlikely=_log_sum(np.array(left_out)) - total,
    )


def posterior(weighed: Weighed, *, up: bool) -> Posterior:
    """Mean and variance of the curve under the hypotheses of one direction."""
    measured, gaps = weighed.measured, weighed.measured.gap_covariance
    weight = np.where(weighed.hypotheses.up == up, weighed.weight, 0.0)
    weight[weight < _NEGLIGIBLE * weight.max()] = 0.0
    weight /= weight.sum()
    used = np.flatnonzero(weight.any(axis=0))
    weight = weight[:, used]
    shapes, stalled = weighed.hypotheses.on_scale(used)
    to_points = gaps[:, measured.head]  # (heads, points)
    belief = weight.sum(axis=0)
    log_speed, log_gap = belief @ shapes, np.zeros(len(gaps))
    # One hypothesis says log delay = pull . reach - shape, so the mean square over all of them
    # needs only the second moments of pull and shape.
    squares = np.tile(belief @ (shapes * shapes + _STALL_SD**2 * stalled), (len(gaps), 1))
    for setting, share, pulls in zip(weighed.settings, weight, weighed.pull, strict=True):
        rows = np.flatnonzero(share)
        pull, weighted = pulls[used[rows]], share[rows, None] * pulls[used[rows]]
        bend = _discrepancy(SCALE, measured.turn, setting.discrepancy)  # (scale, points)
        log_speed -= bend @ weighted.sum(axis=0)
        log_gap += to_points @ weighted.sum(axis=0)
        pull_pull, pull_shape = weighted.T @ pull, weighted.T @ shapes[rows]
        _, whitener = _whitened(_covariance(measured, setting))
        for head in range(len(gaps)):
            reach = bend + to_points[head]
            known = reach @ whitener.T
            own = setting.discrepancy**2 + gaps[head, head] - (known * known).sum(axis=1)
            squares[head] += (
                ((reach @ pull_pull) * reach).sum(axis=1)
                - 2.0 * (reach * pull_shape.T).sum(axis=1)
                + share.sum() * np.maximum(own, 0.0)
            )
    variance = squares - (log_gap[:, None] - log_speed) ** 2
    return Posterior(log_speed, log_gap, np.maximum(variance, 0.0))


def _settings(measured: Measured) -> tuple[Setting, ...]:
    """The grid of noise and discrepancy; one noise only where every point states its error."""
    learnt = bool(np.isnan(measured.error).any())
    noises = _NOISES if learnt else (_LIKELY_NOISE,)
    return tuple(
        Setting(
            noise,
            discrepancy,
            math.log(belief) - 0.5 * (math.log(noise / _LIKELY_NOISE) / _LOG_NOISE_SD) ** 2,
        )
        for noise, (discrepancy, belief) in itertools.product(noises, _DISCREPANCIES)
    )


def _hopeful(measured: Measured, every: Hypotheses) -> Hypotheses:
    """The hypotheses that can matter, judged once under a lenient setting.

    Each is given the benefit of the doubt on its worst point, which may be a gross error. Where
    points are too few to tell many apart, an even sample of them says the same.
    """
    lenient = Setting(*_LENIENT, 0.0)
    residual = measured.log_delay + every.log_speed
    evidence, _, alone = _evidence(residual, _covariance(measured, lenient))
    best_case = evidence + every.log_belief - np.minimum(alone.min(axis=1), 0.0)
    kept = np.flatnonzero(best_case > best_case.max() - _HOPELESS)
    return every.among(kept[:: math.ceil(len(kept) / _MOST)])


def _covariance(measured: Measured, setting: Setting) -> Floats:
    stated = np.clip(measured.error, _LEAST_ERROR, _MOST_ERROR)
    noise = np.where(np.isnan(measured.error), setting.noise, stated) ** 2 / measured.count
    gaps = measured.gap_covariance[np.ix_(measured.head, measured.head)]
    bent = _discrepancy(measured.turn, measured.turn, setting.discrepancy)
    return np.asarray(bent + gaps + np.diag(noise))


def _discrepancy(turn: Floats, other: Floats, sd: float) -> Floats:
    """Matern covariance, smoothness 5/2 (Rasmussen and Williams, equation 4.17)."""
    far = math.sqrt(5.0) * np.abs(turn[:, None] - other[None, :]) / _REACH
    return np.asarray(sd**2 * (1.0 + far + far * far / 3.0) * np.exp(-far))


def _whitened(covariance: Floats) -> tuple[float, Floats]:
    """Log determinant of the covariance, and the inverse of its Cholesky factor."""
    factor = np.linalg.cholesky(covariance)
    return 2.0 * float(np.log(np.diag(factor)).sum()), np.linalg.inv(factor)


def _evidence(residual: Floats, covariance: Floats) -> tuple[Floats, Floats, Floats]:
    """Log evidence (rows,), inverse covariance times residual, and log p(point | the others).

    The last two are shaped as `residual`: (rows, points).
    """
    log_determinant, whitener = _whitened(covariance)
    white = residual @ whitener.T
    pull = white @ whitener
    precision = (whitener * whitener).sum(axis=0)
    size = residual.shape[1]
    fit = np.einsum("ij,ij->i", white, white)
    evidence = -0.5 * (fit + log_determinant + size * math.log(2.0 * math.pi))
    alone = 0.5 * (np.log(precision / (2.0 * math.pi)) - pull * pull / precision)
    return evidence, pull, alone


def _log_sum(table: Floats) -> Floats:
    """Log of the sum of exponentials down each column."""
    most = table.max(axis=0)
    return np.asarray(most + np.log(np.exp(table - most).sum(axis=0)))
