"""How near the fitted delays come to the truth, on made-up units, beside scipy's PCHIP.

The limits are the project's own requirement; PCHIP (scipy.interpolate.PchipInterpolator, monotone
interpolation through each head's own points) is the reference met with the same points.
"""

import functools
import math
import random

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from tempotape.unit.fit import fit_unit
from tests.made_units import made_unit

UNITS = 40
# Linear, logarithmic either way and S-shaped pots; friction takes the slowest point down to
# between a tenth and three tenths of full speed.
USUAL = {
    "tapers": ("linear", "exponential", "logistic", "smoothstep"),
    "slowest": (0.1, 0.3),
}
# Laws that the fit has no formula for, or only a coarse one.
UNUSUAL = {
    "tapers": ("power", "log of turn", "two slope", "tangent"),
    "slowest": (0.05, 0.3),
}


def units(first_seed, count=UNITS, **made):
    return [made_unit(random.Random(first_seed + number), **made) for number in range(count)]


@functools.cache
def usual_fits(first_seed):
    """Units with usual pots and two heads, and their fits: asked for by several tests."""
    made_units = units(first_seed, **USUAL)
    return made_units, [fit_unit(one.unit) for one in made_units]


def fitted(first_seed, made):
    if made in (USUAL, USUAL | {"heads": 2}):
        return usual_fits(first_seed)
    made_units = units(first_seed, **made)
    return made_units, [fit_unit(one.unit) for one in made_units]


def readings(curve):
    return np.linspace(curve.measured_low, curve.measured_high, 61)


def our_errors(made, fit):
    """Relative errors of the delay in percent, all heads, over the measured span."""
    return np.array(
        [
            100 * (fit.curve.delay_ms(name, knob) / made.true_delay_ms(head, knob) - 1)
            for head, name in enumerate(fit.curve.heads)
            for knob in readings(fit.curve)
        ]
    )


def stated_errors(fit):
    return np.array(
        [
            fit.curve.error_percent_at(name, knob)
            for name in fit.curve.heads
            for knob in readings(fit.curve)
        ]
    )


def pchip_errors(made):
    errors = []
    for head, name in enumerate(made.unit.head_names):
        points = sorted((p.knob, p.delay_ms) for p in made.unit.measured if p.head == name)
        through = PchipInterpolator(*zip(*points, strict=True))
        errors += [
            100 * (float(through(knob)) / made.true_delay_ms(head, knob) - 1)
            for knob in np.linspace(points[0][0], points[-1][0], 61)
        ]
    return np.array(errors)


def figures(errors):
    """In percent: median, the usual unit's 95th percentile, that of all, and of the worst tenth."""
    sizes = [np.abs(one) for one in errors]
    by_unit = np.array([np.percentile(one, 95) for one in sizes])
    worst = np.argsort(by_unit)[-max(1, len(sizes) // 10) :]
    return (
        float(np.median(np.concatenate(sizes))),
        float(np.median(by_unit)),
        float(np.percentile(np.concatenate(sizes), 95)),
        float(np.percentile(np.concatenate([sizes[number] for number in worst]), 95)),
    )


# Over all units alike the 95th percentile has a floor set by the noise alone: seven points of
# 2 % leave a head's gap uncertain by 2 / sqrt(7) = 0.76 %, so a unit at that end of the range
# spends 1.5 % before any question of shape. The limit on it is therefore wider than the 1.4 % for
# the usual unit. One head has half the points, so its limits are wider by the root of two.
@pytest.mark.parametrize(
    ("made", "limits"),
    [
        pytest.param(USUAL | {"heads": 2}, (0.6, 1.4, 1.6, 3.0), id="usual pots, two heads"),
        pytest.param(USUAL | {"heads": 3}, (0.6, 1.4, 1.6, 3.0), id="usual pots, three heads"),
        pytest.param(USUAL | {"heads": 1}, (0.85, 2.0, 2.2, 4.2), id="usual pots, one head"),
        pytest.param(UNUSUAL, (0.6, 1.4, 2.2, 4.2), id="unusual pots"),
    ],
)
def test_delays_come_within_the_limits_and_beat_plain_interpolation(made, limits):
    made_units, fits = fitted(100, made)
    ours = figures([our_errors(one, fit) for one, fit in zip(made_units, fits, strict=True)])
    pchip = figures([pchip_errors(one) for one in made_units])
    told = (
        "median, 95th percentile of the usual unit, of all, of the worst tenth, in percent: "
        + ", ".join(
            f"{whose} " + " ".join(f"{figure:.2f}" for figure in those)
            for whose, those in (("ours", ours), ("PCHIP", pchip), ("limits", limits))
        )
    )
    print(told)
    assert all(one <= limit for one, limit in zip(ours, limits, strict=True)), told
    assert all(one < other for one, other in zip(ours, pchip, strict=True)), told


@pytest.mark.parametrize(
    ("made", "least"),
    [
        pytest.param(USUAL, 0.7, id="usual pots"),
        pytest.param(UNUSUAL, 0.7, id="unusual pots"),
        pytest.param(USUAL | {"with_error": True}, 0.7, id="stated errors"),
        pytest.param(USUAL | {"with_error": False, "noise": (0.02, 0.02)}, 0.7, id="learnt noise"),
        # Three points leave the taper open; on the tamest pots the answer may be wide.
        pytest.param(USUAL | {"heads": 1, "points_a_head": (3, 3)}, 0.5, id="three points"),
    ],
)
def test_the_stated_error_is_about_the_true_one(made, least):
    ratios = []
    for one, fit in zip(*fitted(200, made), strict=True):
        ratios.append(our_errors(one, fit) / stated_errors(fit))
    rms = math.sqrt(float(np.mean(np.concatenate(ratios) ** 2)))
    print(f"true over stated error, rms: {rms:.2f}")
    assert least <= rms <= 1.4


def test_one_gross_error_is_named_in_95_of_100_units_and_others_rarely():
    named = falsely = 0
    for one in units(300, count=100, gross=True, **USUAL):
        points = fit_unit(one.unit).points
        suspects = {number for number, point in enumerate(points) if point.suspect}
        named += one.gross in suspects
        falsely += len(suspects - {one.gross})
    print(f"named in {named} of 100 units, falsely {falsely} times")
    assert named >= 95
    assert falsely <= 100 / 8


def test_good_points_are_rarely_suspected():
    others = [fit_unit(one.unit) for one in units(400, **USUAL)]
    fits = others + usual_fits(200)[1]
    assert len(fits) == 80
    falsely = sum(point.suspect for fit in fits for point in fit.points)
    print(f"{falsely} false suspicions in 80 units")
    assert falsely <= 80 / 8
