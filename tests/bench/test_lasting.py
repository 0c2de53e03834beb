"""Whether what lasts may be played, from copies that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain
from tempotape.bench.lasting import (
    begins_all_along,
    begins_anew,
    begins_once,
    lasts,
    lasts_by_playing,
    only_lasts,
    over_and_over,
    to_and_fro,
)
from tests.made_evidence import made_evidence

LAG, STEP, SOUNDS, BEGUN = 9600.0, 1920, 40, 5
SHORT = 700.0


def lasting(
    *, begun=range(BEGUN), gain=1.0, coherence=0.95, to_and_fro_by=0.0, lag=LAG, deep=SOUNDS
):
    """Sounds five to the lag, what a lag makes of them, and the evidence.

    Of those at the places `begun` sounds begin; all others are copies, `deep` of them copied again.
    """
    places = np.arange(SOUNDS)
    at = 20_000 + STEP * places
    matches = Matches(
        places, np.full(SOUNDS, LAG), np.full(SOUNDS, coherence), np.full(SOUNDS, gain)
    )
    evidence = made_evidence(at, matches)
    root = np.isin(places, list(begun))
    strays = to_and_fro_by * (places % 3 - 1)
    copied = root | (np.cumsum(~root) <= deep)
    found = msgspec.structs.replace(
        explain(evidence, LAG, 1),
        root=root,
        due=root,
        around=np.full(SOUNDS, lag),
        lag=np.where(copied, lag + strays, np.nan),
    )
    return found, evidence


@pytest.mark.parametrize(
    ("made", "forever"),
    [
        ({}, True),
        ({"gain": 0.8}, False),
        ({"gain": 0.85, "coherence": 0.85}, True),  # as loud, but in part unlike
        ({"deep": 9}, False),  # with hardly as many further copies as twice the first
    ],
)
def test_copies_as_loud_as_what_they_copy_last_for_ever(made, forever):
    assert lasts(lasting(**made)[0]) is forever


@pytest.mark.parametrize(("level_db", "forever"), [(-2.5, True), (-3.5, False)])
def test_copies_however_uneven_do_not_last_where_they_are_clearly_fainter(level_db, forever):
    found, _ = lasting(gain=10 ** ((level_db + 6.0 * np.sin(2.0 * np.arange(SOUNDS))) / 20))
    assert lasts(found) is forever


@pytest.mark.parametrize(
    ("begun", "all_along"),
    [
        (range(BEGUN), False),
        (range(0, SOUNDS, BEGUN), True),
        (range(0, SOUNDS // 2 - 1, 3), False),  # to the middle
        (range(0, SOUNDS, 12), False),  # too few
        ([0, 4, 23, 30, 37], True),
    ],
)
def test_an_echos_sounds_begin_all_along(begun, all_along):
    # By a lag of less than a step nothing sounded before any of them.
    found, evidence = lasting(begun=begun, lag=SHORT)
    assert list(begins_anew(found, evidence)) == list(begun)
    assert begins_all_along(found, evidence) is all_along


@pytest.mark.parametrize(
    ("made", "only"),
    [({}, True), ({"gain": 0.8}, False), ({"begun": range(0, SOUNDS, BEGUN), "lag": SHORT}, False)],
)
def test_what_begins_all_along_or_fades_does_not_only_last(made, only):
    assert only_lasts(*lasting(**made)) is only


def test_sounds_that_all_but_begin_within_the_lag_do_not_begin_all_along():
    found, evidence = lasting(begun=[0, 1, 2, 30, 37], lag=3.3 * STEP)
    assert list(begins_anew(found, evidence)) == [0, 1, 2, 30, 37]
    assert not begins_all_along(found, evidence)


def test_what_is_faint_does_not_begin():
    found, evidence = lasting(begun=range(0, SOUNDS, BEGUN), lag=SHORT)
    faint = np.where(np.arange(SOUNDS) == 10, 0.02, 1.0)
    evidence = msgspec.structs.replace(evidence, energy=evidence.energy * faint)
    assert list(begins_anew(found, evidence)) == [0, 5, 15, 20, 25, 30, 35]


def test_what_begins_hardly_ever_after_the_first_lag_is_put_aside_too():
    # The shorter lag has 14 sounds that begin; two and then three later ones by the longer.
    short, evidence = lasting(**ECHO)
    for late, aside in ((2, True), (3, False)):
        begun = [*range(BEGUN), *(np.array([13, 21, 34])[:late])]
        long, _ = lasting(begun=begun, lag=LAG + STEP / 3)
        assert begins_once(long, [short], evidence) is aside


@pytest.mark.parametrize(("unheard", "begun"), [([], [0]), ([5], [0]), ([5, 10], [0, 15])])
def test_what_goes_on_with_what_once_was_not_heard_does_not_begin(unheard, begun):
    # A root each lag; one is not heard, or two in a row.
    found, evidence = lasting(begun=range(0, SOUNDS, BEGUN))
    heard = ~np.isin(np.arange(SOUNDS), unheard)
    evidence = msgspec.structs.replace(
        evidence, at=evidence.at[heard], since=evidence.since[heard], energy=evidence.energy[heard]
    )
    some = {part: getattr(found, part)[heard] for part in ("at", "root", "around", "lag", "gain")}
    found = msgspec.structs.replace(found, due=some["root"], **some)
    assert list(np.flatnonzero(heard)[begins_anew(found, evidence)]) == begun


ECHO = {"begun": range(0, SOUNDS, 3), "gain": 0.3, "lag": SHORT}


@pytest.mark.parametrize(
    ("bar", "echo", "played"),
    [
        ({}, {}, True),
        ({"gain": 0.3}, {}, False),  # it gets fainter, as an echo does
        ({}, {"begun": range(12)}, False),  # by the other, too, all begins in the beginning
        ({}, {"begun": range(0, SOUNDS, 12)}, False),  # of which there are few
        ({}, {"gain": 1.0, "begun": range(0, SOUNDS, BEGUN)}, False),  # by both it lasts
    ],
)
def test_what_lasts_is_played_where_a_shorter_lag_tells_echoes_all_along(bar, echo, played):
    long, evidence = lasting(**bar)
    short, _ = lasting(**ECHO | echo)
    assert lasts_by_playing(long, short, evidence) is played
    assert begins_once(long, [long, short], evidence) is played


@pytest.mark.parametrize(
    "echo",
    [
        {"lag": LAG + STEP / 3},
        {"gain": 0.3 * 1.3 ** (np.arange(SOUNDS) % 7 - 3)},
        {"coherence": 0.9},
        {"gain": 1.0, "begun": range(0, SOUNDS, BEGUN)},
    ],
    ids=lambda echo: next(iter(echo)),
)
def test_what_lasts_is_put_aside_only_for_a_shorter_lag_as_alike_that_fades(echo):
    long, evidence = lasting()
    assert not begins_once(long, [lasting(**ECHO | echo)[0]], evidence)


@pytest.mark.parametrize(
    ("made", "over"),
    [
        ({"coherence": 0.8}, True),  # as of noise unlike
        ({"gain": 0.5, "coherence": 0.8}, False),
        ({}, False),
        ({"to_and_fro_by": 60.0}, True),  # 2.5 ms: as a hand plays
        ({"to_and_fro_by": 60.0, "gain": 0.8}, False),
        ({"coherence": 0.8, "begun": range(0, SOUNDS, 3), "lag": SHORT}, False),  # all along
        ({"coherence": 0.76, "gain": 0.75}, True),  # as loud, but for what is unlike
    ],
)
def test_a_bar_that_is_played_over_and_over_is_no_echo(made, over):
    assert over_and_over(*lasting(**made)) is over


@pytest.mark.parametrize(("a_lag_db", "over"), [(0.0, True), (-0.3, True), (-0.7, False)])
def test_what_hardly_gets_softer_and_is_unlike_is_played_over_and_over(a_lag_db, over):
    found, evidence = lasting(coherence=0.76, gain=0.75)
    energy = evidence.energy * 10 ** (a_lag_db / 10 * np.arange(SOUNDS) / BEGUN)
    assert over_and_over(found, msgspec.structs.replace(evidence, energy=energy)) is over


@pytest.mark.parametrize(
    ("made", "mixed_up"),
    [
        ({"to_and_fro_by": 100.0}, True),  # 4.2 ms
        ({"to_and_fro_by": 50.0}, False),
        ({"to_and_fro_by": 100.0, "gain": 0.8}, False),  # a tape near its slowest may stray so
        ({"to_and_fro_by": 100.0, "deep": 0}, False),
    ],
)
def test_what_lasts_does_not_jump_to_and_fro_on_a_tape(made, mixed_up):
    assert to_and_fro(lasting(**made)[0]) is mixed_up
