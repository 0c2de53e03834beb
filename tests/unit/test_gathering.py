"""Many points over many heads or readings: the curve is the one that all of them lie on."""

import math
import random

import numpy as np
import pytest

from tempotape.unit import gathering
from tempotape.unit.fit import fit_unit
from tempotape.unit.gathering import gathered
from tempotape.unit.model import Head
from tests.made_units import made_unit, shown_unit
from tests.unit.test_fit_accuracy import our_errors, stated_errors


def gaps_mm(heads):
    return {f"h{number}": 20 + 15 * number for number in range(heads)}


def true_ms(gap_mm, knob):
    """A motor linear in the knob, at 30 + 20 k mm/s."""
    return 1000 * gap_mm / (30 + 20 * knob)


def exact(readings_of):
    """A unit whose points lie on the curve; heads and the readings measured on each."""
    gaps = gaps_mm(len(readings_of))
    return shown_unit(
        [
            (head, knob, true_ms(gaps[head], knob))
            for head, readings in readings_of.items()
            for knob in readings
        ],
        heads=[Head(head) for head in readings_of],
    )


def even(heads, count):
    readings = [0.5 + 9 * place / (count - 1) for place in range(count)]
    return exact(dict.fromkeys(gaps_mm(heads), readings))


def loose(heads, count):
    rng = random.Random(3)
    return exact({head: [rng.uniform(0.3, 9.8) for _ in range(count)] for head in gaps_mm(heads)})


def crowded():
    """Many at the fast end, few at the slow one."""
    readings = [0.5, 1, 2, 3, *(5 + 0.2 * place for place in range(25))]
    return exact(dict.fromkeys(gaps_mm(2), readings))


def off_percent(fit):
    """How far the fitted delays are off the true ones, and the error stated for them."""
    places = [
        (head, gap, float(knob))
        for head, gap in gaps_mm(len(fit.curve.heads)).items()
        for knob in np.linspace(fit.curve.measured_low, fit.curve.measured_high, 31)
    ]
    return [
        (
            100 * abs(math.log(fit.curve.delay_ms(head, knob) / true_ms(gap, knob))),
            fit.curve.error_percent_at(head, knob),
        )
        for head, gap, knob in places
    ]


@pytest.mark.parametrize(
    "unit",
    [
        pytest.param(even(4, 20), id="4 heads, 20 readings"),
        pytest.param(even(6, 12), id="6 heads, 12 readings"),
        pytest.param(even(8, 10), id="8 heads, 10 readings"),
        pytest.param(even(40, 4), id="40 heads, 4 readings"),
        pytest.param(even(2, 100), id="2 heads, 100 readings"),
        pytest.param(loose(10, 6), id="6 readings of each head's own"),
        pytest.param(crowded(), id="crowded at the fast end"),
        pytest.param(
            exact({"h0": [0.3, 0.6, 1, 2, 3, 5, 7, 9] * 7}), id="each reading seven times"
        ),
    ],
)
def test_exact_points_however_many_give_the_exact_curve_within_its_error(unit):
    fit = fit_unit(unit)
    assert not any(point.suspect for point in fit.points)
    assert max(abs(point.residual_percent) for point in fit.points) < 0.25
    for off, error in off_percent(fit):
        assert off < error
        assert off < 0.2
        assert error < 1


def test_points_moved_to_their_neighbours_readings_tell_what_all_of_them_tell(monkeypatch):
    unit = loose(4, 30)
    few = fit_unit(unit)
    assert len(gathered(unit).places) < len(unit.measured)
    monkeypatch.setattr(gathering, "_MOST_POINTS", len(unit.measured))
    every = fit_unit(unit)
    assert len(gathered(unit).places) == len(unit.measured)
    assert not any(point.suspect for point in few.points)
    assert max(abs(point.residual_percent) for point in few.points) < 0.25
    for (off, error), (as_off, as_error) in zip(off_percent(few), off_percent(every), strict=True):
        assert off == pytest.approx(as_off, abs=0.02)
        assert error == pytest.approx(as_error, abs=0.02)
        assert off < 0.25
        assert error < 1
    slow = fast = 0.0
    for head, gap in gaps_mm(4).items():
        for knob in np.linspace(few.curve.measured_low, few.curve.measured_high, 31).tolist():
            off = abs(math.log(few.curve.delay_ms(head, knob) / true_ms(gap, knob)))
            ratio = 100 * off / few.curve.error_percent_at(head, knob)
            slow, fast = (max(slow, ratio), fast) if knob < 1 else (slow, max(fast, ratio))
    assert fast < 1
    # One standard deviation: at the slow end the fit of all of them is off by 1.7 of it too.
    assert slow < 2


@pytest.mark.parametrize(("heads", "count"), [(4, 30), (30, 4), (100, 3), (200, 2)])
def test_what_is_measured_keeps_its_ends(heads, count):
    unit = loose(heads, count)
    knobs = [point.knob for point in unit.measured]
    turn = 10 * gathered(unit).measured.turn
    assert (turn.min(), turn.max()) == pytest.approx((min(knobs), max(knobs)))


def test_neighbours_are_near():
    unit = loose(4, 30)
    knobs = [point.knob for point in unit.measured]
    # Of four heads each keeps twelve places, along a knob from 0 to 10.
    assert max(np.ptp([knobs[one] for one in place]) for place in gathered(unit).places) < 1.0


def test_a_head_known_by_ruler_alone_is_told_beside_many_that_are_measured():
    gaps = gaps_mm(7)
    unit = shown_unit(
        [(f"h{n}", k, true_ms(gaps[f"h{n}"], k)) for n in range(6) for k in range(1, 11)],
        heads=[Head(head, gap) for head, gap in gaps.items()],
    )
    fit = fit_unit(unit)
    assert fit.curve.delay_ms("h6", 4) == pytest.approx(true_ms(gaps["h6"], 4), rel=0.005)
    # A gap of 110 mm read to 1 mm, beside six that are read so and told by their delays.
    assert 0.9 <= fit.curve.error_percent_at("h6", 4) <= 2


def test_slips_among_many_heads_are_named_and_move_nothing():
    gaps = gaps_mm(6)
    slips = {("h0", 2): 1.3, ("h3", 7): 0.8, ("h5", 10): 2.0}
    unit = shown_unit(
        [
            (head, k, true_ms(gap, k) * slips.get((head, k), 1))
            for head, gap in gaps.items()
            for k in range(1, 11)
        ],
        heads=[Head(head) for head in gaps],
    )
    fit = fit_unit(unit)
    assert {(p.head, p.knob) for p in fit.points if p.suspect} == set(slips)
    assert max(off for off, _ in off_percent(fit)) < 0.3


def test_the_error_stated_for_many_noisy_points_is_about_the_true_one():
    ratios = []
    for seed in range(9000, 9012):
        made = made_unit(random.Random(seed), heads=3, points_a_head=(18, 26), gross=True)
        fit = fit_unit(made.unit)
        ratios.append(our_errors(made, fit) / stated_errors(fit))
    rms = math.sqrt(float(np.mean(np.concatenate(ratios) ** 2)))
    print(f"true over stated error, rms: {rms:.2f}")
    assert 0.6 <= rms <= 1.4


def test_the_places_summed_stay_few():
    for unit, most in ((even(40, 4), 4), (even(6, 12), 12), (loose(4, 30), 48), (even(2, 900), 48)):
        places = gathered(unit).places
        assert len(places) <= most
        numbers = sorted(number for place in places for number in place)
        assert numbers == list(range(len(unit.measured)))
