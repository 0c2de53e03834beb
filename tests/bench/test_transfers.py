"""Transfers from attacks to repeats made by multiplying spectra."""

import numpy as np
import pytest

from tempotape.bench.transfers import Stretches, in_line, powers_of, spectra_of

HZ = np.arange(60.0, 6000.0, 15.0)
ATTACKS = 8


def stretches(*, late_s=0.0, lost=(), ringing=0.0, seed=0):
    """Two repeats of each attack, 0.5 and 0.25 times as loud, and what is between them.

    The second repeat of each attack comes up to `late_s` late or early; in `lost`, an attack's
    repeats are from its first on a tenth as loud; `ringing` is what sounds between, of the attack.
    """
    rng = np.random.default_rng(seed)

    def sound():
        return rng.normal(size=len(HZ)) + 1j * rng.normal(size=len(HZ))

    spectra, attack, repeat, between = [], [], [], []
    for number in range(ATTACKS):
        head = sound()
        late = late_s * (2 * number / (ATTACKS - 1) - 1)
        loss = 0.1 if number in lost else 1.0
        second = 0.25 * loss * head * np.exp(-2j * np.pi * HZ * late)
        parts = [head, 0.5 * head, second, *(ringing * head for _ in range(2))]
        spectra += [part + 1e-3 * sound() for part in parts]
        attack += [number] * 5
        repeat += [0, 1, 2, 1, 2]
        between += [False] * 3 + [True] * 2
    return Stretches(
        HZ, np.array(spectra), np.array(attack), np.array(repeat), np.array(between), 0.0
    )


def levels_db(powers):
    return 10 * np.log10(powers.power.mean(axis=1) / powers.power[0].mean())


def test_transfers_are_the_factors_that_made_the_repeats():
    powers = powers_of(stretches())
    assert powers.power.mean(axis=1) == pytest.approx([0.25, 0.0625], rel=1e-3)
    assert powers.strange.max() < 1e-4
    assert powers.attacks.tolist() == [ATTACKS, ATTACKS]


def test_repeats_early_and_late_are_as_loud_as_those_on_time():
    found = stretches(late_s=0.0001)
    assert levels_db(powers_of(found))[1] < -7.0
    assert levels_db(powers_of(in_line(found)))[1] == pytest.approx(-6.02, abs=0.05)


def test_a_repeat_lost_in_a_dropout_is_left_out():
    found = stretches(lost=(3,))
    assert levels_db(powers_of(found))[1] < -6.5
    assert levels_db(powers_of(in_line(found)))[1] == pytest.approx(-6.02, abs=0.05)


def test_what_rings_on_between_repeats_is_told():
    assert powers_of(stretches(ringing=0.2)).strange.mean() == pytest.approx(0.04, rel=0.05)


def test_without_repeats_there_are_no_powers():
    found = stretches()
    assert powers_of(found.only(found.repeat == 0)) is None


def test_a_stretch_that_begins_early_has_the_phase_of_its_place():
    """A click 4 ms into a stretch that begins 0.3 samples early lies 0.3 samples before: shift."""
    rate_hz = 48_000
    cut = np.zeros((2, 1824))
    cut[:, 192] = 1.0
    hz, spectra, rounding = spectra_of(cut, np.array([0.0, 0.3 / rate_hz]), rate_hz)
    phase = np.angle(spectra[1] / spectra[0])
    assert phase == pytest.approx(2 * np.pi * hz * 0.3 / rate_hz, abs=1e-9)
    # Rounding to steps of q has the power q^2 / 12 a sample (Bennett, 1948).
    assert rounding == pytest.approx(1824 * (2.0**-15) ** 2 / 12, rel=0.3)
