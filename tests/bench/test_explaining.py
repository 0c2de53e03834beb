"""Explanations of lags that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.explaining import explain, follow, less_drift
from tempotape.bench.offered import _turned_wrongly, offered
from tempotape.bench.two_lags import of_another, take_turns
from tests.made_evidence import made_evidence

RATE_HZ, LAG, ATTACKS = 24_000.0, 9600.0, 24
AT = 20_000 * (1 + np.arange(ATTACKS))


def evidence_of(lag, gain=0.5, coherence=0.95):
    every = np.arange(ATTACKS)
    matches = Matches(every, lag, np.full(ATTACKS, coherence), np.broadcast_to(gain, ATTACKS))
    return made_evidence(AT, matches)


@pytest.mark.parametrize(
    ("moves", "takes_turns"),
    [
        (np.where(np.arange(ATTACKS) % 2, 100.0, -100.0), True),
        (100.0 * np.sin(np.arange(ATTACKS)), False),  # as wow moves it
        (np.where(np.arange(ATTACKS) < ATTACKS / 2, 100.0, -100.0), False),  # once, as after a slip
    ],
)
def test_lags_that_go_to_and_fro_between_two_are_two(moves, takes_turns):
    assert take_turns(LAG + moves, RATE_HZ) is takes_turns


@pytest.mark.parametrize(("likeness", "filled"), [(0.95, True), (0.5, False)])
def test_a_copy_that_a_deep_wow_moves_far_is_taken_if_it_is_as_like_as_the_others(likeness, filled):
    moves = 60.0 * np.sin(2 * np.pi * np.arange(ATTACKS) / 24) ** 9  # 2.5 ms, twice
    evidence = evidence_of(LAG + moves)
    coherence = np.where(np.arange(ATTACKS) == 6, likeness, 0.95)
    matches = msgspec.structs.replace(evidence.matches, coherence=coherence)
    track = follow(matches, AT.astype(float), LAG, 1, RATE_HZ)
    assert np.isfinite(track.lag[6]) == filled
    assert np.isfinite(np.delete(track.lag, 6)).all()


@pytest.mark.parametrize(
    ("missed", "off", "another"),
    [
        (np.arange(ATTACKS) % 3 == 1, 144.0, True),  # as an echo comes, to the next of a beat
        (np.arange(ATTACKS) > 15, 144.0, False),  # as after a slip
        (np.arange(ATTACKS) % 3 == 1, np.linspace(70.0, 200.0, ATTACKS), False),  # strays
        (np.arange(ATTACKS) % 6 == 1, 144.0, False),  # too few to tell
    ],
)
def test_copies_that_lie_in_turn_at_one_other_lag_are_another_lags(missed, off, another):
    lag = LAG + np.where(missed, off, 0.0)
    lag[-3:] = np.nan
    assert of_another(lag, missed, 0.0004 * RATE_HZ) is another


def followed(lag, coherence, gain, around):
    """The lags that are followed, of attacks of which each has one match."""
    count = len(lag)
    matches = Matches(np.arange(count), lag, np.broadcast_to(coherence, count), gain)
    return follow(matches, 20_000.0 * np.arange(count), around, 1, RATE_HZ).lag


def test_of_few_copies_about_as_like_none_is_taken_for_one_that_strays():
    # As wow moves the lags of sparse clicks; those a little more like are by chance near together.
    lag = LAG + 24 * np.array([-1.4, 0.7, 1.5, -1.4, 1.7, -0.7, -1.9, 0.1, 0.5, 0.1, 0.1])
    coherence = np.array([977, 974, 972, 977, 977, 973, 972, 977, 973, 977, 978]) / 1000
    assert followed(lag, coherence, np.full(11, 0.5), LAG) == pytest.approx(lag)


def test_copies_hardly_alike_do_not_tell_how_far_a_delay_strays():
    # Two of three are less than 0.1 ms off, the others more than 1 ms, and a quarter as like.
    stray = np.arange(24) % 3 == 1
    off = np.where(np.arange(24) % 2, 2.0, -2.0)
    off[stray] *= np.random.default_rng(2).uniform(13, 22, 8)
    coherence = np.where(stray, 0.25, 0.95)
    found = np.isfinite(followed(LAG + off, coherence, np.full(24, 0.5), LAG))
    assert found.tolist() == (~stray).tolist()


@pytest.mark.parametrize("gain", [11.0, 0.01])
def test_what_is_far_louder_or_fainter_does_not_lead_astray_from_a_drift(gain):
    # A delay that settles by 5 %, and one match that is no copy where it is furthest away.
    lag = LAG * (1 - 0.05 * np.exp(-np.arange(80) / 24))
    gains = np.full(80, 0.3)
    lag[1], gains[1] = LAG * 1.01, gain
    found = followed(lag, 0.98, gains, LAG * 0.99)
    assert np.isnan(found[1])
    assert np.delete(found, 1) == pytest.approx(np.delete(lag, 1))


@pytest.mark.parametrize(
    ("further", "copied_again", "sign"),
    [(0.9, ATTACKS, 0), (-0.9, ATTACKS, -1), (0.9, ATTACKS // 3, -1)],
)
def test_first_copies_may_be_turned_over_and_further_ones_not_again(further, copied_again, sign):
    at = np.sort(np.concatenate((AT, AT + LAG))).astype(np.int64)
    every = np.arange(2 * ATTACKS)
    rows = (every % 2 == 0) | (every < 2 * copied_again)
    evidence = msgspec.structs.replace(
        evidence_of(np.full(ATTACKS, LAG)),
        at=at,
        since=np.full(2 * ATTACKS, -100_000),
        energy=np.full(2 * ATTACKS, 1000.0),
        matches=Matches(
            every[rows],
            np.full(rows.sum(), LAG),
            np.where(every % 2, further, -0.95)[rows],
            np.full(rows.sum(), 0.5),
        ),
    )
    found = offered(evidence)[0]
    assert (found.middle, found.sign, found.copied) == (LAG, sign, ATTACKS)
    assert int(found.has_further_copy.sum()) == (copied_again if further < 0 or sign == 0 else 0)


def test_with_fewer_roots_what_is_about_as_loud_as_their_copies_is_one_of_them():
    # 13 dB louder than most copies, so that they were none, but not than most of the fewer.
    gain = np.where(np.arange(ATTACKS) < 4, 2.0, 0.45)
    found = explain(evidence_of(np.full(ATTACKS, LAG), gain), LAG, 1)
    assert np.isnan(found.lag[:4]).all()
    fewer = found.with_roots(np.arange(ATTACKS) < 6)
    assert fewer.has_copy[:4].all()
    assert (fewer.copied, fewer.missing) == (4, 2)


def test_between_runs_nothing_is_studied():
    evidence = evidence_of(np.full(ATTACKS, LAG))
    assert evidence.unstudied == ()
    in_runs = msgspec.structs.replace(evidence, since=np.where(np.arange(ATTACKS) < 8, 0, AT[8]))
    assert in_runs.unstudied == ((AT[7], AT[8]),)


def test_of_matches_of_two_far_different_levels_the_louder_are_copies():
    lag = followed(np.full(12, LAG), 0.98, np.tile([5.0, 0.01], 6), LAG)
    assert np.isfinite(lag).tolist() == [True, False] * 6


def test_of_matches_of_two_levels_that_a_unit_may_give_both_are_copies():
    # 27 dB apart: the wet sound loud, and little of it fed back.
    gain = np.tile([2.2, 0.1, 0.1], 4)
    assert np.isfinite(followed(np.full(12, LAG), 0.98, gain, LAG)).all()


def test_few_copies_that_stray_slowly_stray_to_their_ends():
    # Played by a hand, 13 sounds; by the middle of nine with the ends repeated most do not stray.
    off_ms = [-7, -0.6, -0.1, 5.8, 3.9, 2.8, 0.4, 1.1, 6.7, -4.3, -5.3, -15.5, -11]
    lag = np.r_[LAG + 24 * np.array(off_ms), np.full(ATTACKS - 13, np.nan)]
    found = msgspec.structs.replace(explain(evidence_of(np.full(ATTACKS, LAG)), LAG, 1), lag=lag)
    assert found.unsteadiness / 24 == pytest.approx(1.7, abs=0.5)


@pytest.mark.parametrize("count", [8, 12, 20])
def test_copies_that_stray_by_chance_do_it_by_two_thirds_of_a_deviation(count):
    # The median of what is normally distributed is 0.674 standard deviations off (tables).
    found = explain(evidence_of(np.full(ATTACKS, LAG)), LAG, 1)
    rng = np.random.default_rng(1)
    off = [np.r_[rng.normal(0, 100, count), np.full(ATTACKS - count, np.nan)] for _ in range(200)]
    told = [msgspec.structs.replace(found, lag=LAG + some).unsteadiness for some in off]
    assert np.mean(told) == pytest.approx(67.4, rel=0.25)


def test_lags_about_as_like_in_hiss_are_about_as_loose():
    # Where hiss hides most, fewer lags look like copies by chance: that sets in little by little.
    moves = 20.0 * np.sin(np.arange(ATTACKS) * 2.0)
    found = msgspec.structs.replace(explain(evidence_of(LAG + moves), LAG, 1), crowd=0.1)
    loose = [
        msgspec.structs.replace(found, coherence=np.full(ATTACKS, like)).looseness
        for like in np.arange(0.65, 0.86, 0.01)
    ]
    assert np.all(np.diff(loose[5:16]) > 0)
    assert np.max(np.diff(loose)) < 0.06
    assert loose[15] - loose[5] > 0.4


@pytest.mark.parametrize(("likeness", "wrongly"), [(0.68, True), (0.62, False)])
def test_of_one_sign_is_taken_what_is_liker_so_than_of_either(likeness, wrongly):
    found = explain(evidence_of(np.full(ATTACKS, LAG)), LAG, 1)
    either, one = (
        msgspec.structs.replace(found, sign=sign, coherence=np.full(ATTACKS, like))
        for sign, like in ((0, 0.61), (1, likeness))
    )
    assert _turned_wrongly(either, one) is wrongly


@pytest.mark.parametrize(("more", "wrongly"), [(0, True), (1, True), (4, False)])
def test_first_copies_turned_over_and_further_ones_not_may_leave_a_little_more_over(more, wrongly):
    root = np.arange(ATTACKS) % 2 == 0
    found = explain(evidence_of(np.full(ATTACKS, LAG)), LAG, 1)
    either, one = (
        msgspec.structs.replace(
            found,
            sign=sign,
            root=root,
            due=root,
            lag=np.where(root | (sign == 0), LAG, np.nan),
            orphans=0 if sign else more,
        )
        for sign in (0, 1)
    )
    assert (one.left_over, either.left_over) == (ATTACKS // 2, ATTACKS // 2 + more)
    assert _turned_wrongly(one, either) is wrongly


def test_lags_that_only_rise_are_as_unsteady_as_they_are_off_their_course():
    # As by chance along a course: the running median of what only rises is itself.
    smooth = LAG * np.linspace(0.97, 1.03, ATTACKS)
    jagged = smooth + np.random.default_rng(2).uniform(-12, 12, ATTACKS)
    assert np.all(np.diff(jagged) > 0)
    told = [
        msgspec.structs.replace(explain(evidence_of(lag), lag, 1), lag=lag).unsteadiness
        for lag in (smooth, jagged)
    ]
    # Of what is even from -12 to 12, half is nearer to 0 than 6.
    assert told == pytest.approx([0, 6], abs=2)


@pytest.mark.parametrize(("spread", "degree"), [(9, 2), (8, 0)])
def test_a_drift_is_taken_out_where_there_are_enough_to_know_it(spread, degree):
    at = AT[:spread]
    lags = LAG + 3e-4 * at + 1e-9 * at.astype(float) ** 2
    reference = lags - np.polynomial.Polynomial.fit(at, lags, degree)(at)
    assert less_drift(at, lags) == pytest.approx(reference, abs=1e-6)


@pytest.mark.parametrize(
    ("gain", "later", "struck"),
    [
        (0.5, 0.030, None),  # 6 dB fainter than what was played 30 ms before
        (1.2, 0.030, 0.0),
        (0.5, 0.060, 0.0),
    ],
)
def test_copies_that_a_louder_sound_hides_need_not_strike(gain, later, struck):
    # Each falls so many seconds after the second next sound; none is heard as an attack.
    lag = 40_000 + later * RATE_HZ
    evidence = evidence_of(np.full(ATTACKS, lag), gain)
    assert explain(evidence, lag, 1).heard_as_attacks == struck


def test_of_copies_that_are_hidden_those_that_strike_count():
    at = np.sort(np.concatenate((AT, AT + round(0.030 * RATE_HZ))))
    played = np.flatnonzero(np.isin(at, AT))
    lag = 40_000 + 0.030 * RATE_HZ
    fainter = np.where(np.isin(at, AT), 1000.0, 250.0)
    matches = Matches(played, np.full(ATTACKS, lag), np.full(ATTACKS, 0.95), np.full(ATTACKS, 0.5))
    evidence = msgspec.structs.replace(made_evidence(at, matches), energy=fainter)
    # All but those of the last two, after which nothing sounds.
    assert explain(evidence, lag, 1).heard_as_attacks == 1 - 2 / ATTACKS
