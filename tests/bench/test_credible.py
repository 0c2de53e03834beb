"""Whether copies may be an echo's, from copies that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.credible import credible, grows
from tempotape.bench.explaining import explain
from tests.made_evidence import made_evidence

LAG = 9600.0


def copies_of(clicks=10, *, first=0.5, further=0.5, coherence=0.95, found=None, stray=0.0):
    """What a lag explains of clicks that come again twice, and the evidence."""
    played = 40_000 * (1 + np.arange(clicks))
    at = np.sort(np.concatenate((played, played + round(LAG))))
    every = np.arange(2 * clicks)
    lag = LAG + stray * np.where(every % 4 < 2, 1, -1)
    gain = np.where(every % 2, further, first)
    rows = every < (2 * clicks if found is None else 2 * found)
    matches = Matches(every[rows], lag[rows], np.full(rows.sum(), coherence), gain[rows])
    evidence = made_evidence(at, matches)
    return explain(evidence, LAG, 1), evidence


@pytest.mark.parametrize(
    ("copies", "is_credible"),
    [
        ({}, True),
        ({"found": 4}, False),  # most copies are missing, of sounds much alike
        ({"clicks": 3}, True),  # few, and falling
        ({"clicks": 3, "further": 0.97}, False),  # few that are as loud as ever
        ({"clicks": 3, "stray": 90.0}, False),  # few that stray
    ],
)
def test_an_echos_copies_are_there_and_alike(copies, is_credible):
    found, evidence = copies_of(**copies)
    assert credible(found, evidence, decided=False) is is_credible


@pytest.mark.parametrize(
    ("struck", "stray", "is_credible"),
    [(0.5, 0.0, True), (0.3, 0.0, True), (0.3, 90.0, False), (0.1, 0.0, False)],
)
def test_copies_strike_nearly_half_of_them_where_they_are_not_exact(struck, stray, is_credible):
    found, evidence = copies_of(stray=stray)
    found = msgspec.structs.replace(found, heard_as_attacks=struck)
    assert credible(found, evidence, decided=False) is is_credible


@pytest.mark.parametrize(
    ("copies", "growing"),
    [
        ({}, False),
        ({"further": 1.5}, True),  # every repeat is louder than the last
        ({"further": 1.1}, False),  # so it may be at the edge of oscillation, for a while
        ({"first": 2.0, "further": 0.5}, False),  # set louder than what is played
    ],
)
def test_an_echos_copies_are_never_louder_for_long(copies, growing):
    assert grows(copies_of(**copies)[0]) is growing


@pytest.mark.parametrize(("further", "growing"), [(1.1, True), (1.01, False), (0.97, False)])
def test_no_repeat_grows_through_dozens_of_passes(further, growing):
    # By 0.83, 0.09 and -0.26 dB a pass, 29 passes a click played.
    found, _ = copies_of(clicks=60, further=further, first=further)
    assert not grows(found)
    few = np.arange(120) < 4
    assert grows(msgspec.structs.replace(found, root=few, due=few)) is growing


@pytest.mark.parametrize(
    ("notes", "faint", "is_credible"),
    [(True, 0.01, True), (True, 0.1, False), (False, 0.01, False)],
)
def test_copies_of_far_fainter_notes_may_be_missing(notes, faint, is_credible):
    # Of ten sounds that begin four have copies.
    found, evidence = copies_of(found=4, coherence=0.8)
    lost = found.root & ~found.has_copy
    energy = evidence.energy * np.where(lost, faint, 1.0)
    evidence = msgspec.structs.replace(evidence, notes=notes, energy=energy)
    assert credible(found, evidence, decided=True) is is_credible
