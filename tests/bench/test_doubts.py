"""Whether a lag is to be believed beside a beat, from lags that are made up."""

import msgspec
import numpy as np
import pytest

from tempotape.bench.copies import Matches
from tempotape.bench.delay import find_delay
from tempotape.bench.doubts import _as_well, _from_echoes, doubtful
from tempotape.bench.explaining import explain
from tempotape.bench.played_again import Offer
from tempotape.bench.thinned import Thinner
from tests.made_evidence import made_evidence
from tests.simulated_unit import plucked

BEAT, SHORT, LONG, ATTACKS = 12_000, 4800.0, 17_000.0, 20
AT = BEAT * (1 + np.arange(ATTACKS))


def offer_of(*, first_copied=True, all_copied=True, in_the_midst=False, gain=0.5):
    """Clicks on a beat, with copies at a short lag and, of the clicks before, a beat later."""
    rows = np.arange(0 if first_copied else 1, ATTACKS)
    before = rows[rows > 0] - 1
    before = before if all_copied else before[before != 7]
    attack = np.r_[rows, before]
    lag = np.r_[np.full(len(rows), SHORT), np.full(len(before), SHORT + BEAT)]
    matches = Matches(attack, lag, np.full(len(lag), 0.95), np.full(len(lag), gain))
    evidence = made_evidence(AT, matches, since=0 if in_the_midst else -10 * BEAT)
    lags = [explain(evidence, lag, 1) for lag in (SHORT, SHORT + BEAT)]
    return Offer(evidence, lags, beats=[float(BEAT)]), *lags


@pytest.mark.parametrize("first_copied", [True, False])
def test_a_lag_that_gives_the_first_sound_the_copy_it_lacks_may_be_the_delay(first_copied):
    offer, short, longer = offer_of(first_copied=first_copied)
    assert _as_well(short, longer, offer) is not first_copied
    assert longer.missing > 0
    assert _as_well(longer, short, offer)


@pytest.mark.parametrize("all_copied", [True, False])
def test_in_the_midst_of_playing_a_shorter_lag_may_be_the_delay_where_copies_lack(all_copied):
    offer, short, longer = offer_of(all_copied=all_copied, in_the_midst=True)
    longer = msgspec.structs.replace(longer, due=longer.due & (np.arange(ATTACKS) < ATTACKS - 1))
    assert _as_well(longer, short, offer) is not all_copied
    assert not _as_well(short, longer, offer)


@pytest.mark.parametrize(
    ("gain", "likeness", "may_be"),
    [
        (0.5, 0.95, True),
        (0.51, 0.95, True),  # 0.2 dB louder
        (0.53, 0.95, False),  # 0.5
        (0.5, 0.94, True),
        (0.5, 0.92, False),
    ],
)
def test_copies_of_another_level_or_likeness_are_not_the_same_sounds(gain, likeness, may_be):
    offer, short, longer = offer_of(first_copied=False)
    other = msgspec.structs.replace(
        longer, gain=np.full(ATTACKS, gain), coherence=np.full(ATTACKS, likeness)
    )
    assert _as_well(short, other, offer) is may_be


@pytest.mark.parametrize("beat", [7000.0, SHORT + BEAT])
def test_lags_no_beat_apart_are_no_such_two(beat):
    # Nor are those of which one is taken for a beat.
    offer, short, longer = offer_of(first_copied=False)
    assert not _as_well(short, longer, Offer(offer.evidence, offer.told, beats=[beat]))


@pytest.mark.parametrize(
    ("first_copied", "gain", "may_be"),
    [(False, 1.5, True), (False, 0.5, False), (True, 1.5, False)],
)
def test_louder_copies_that_the_first_sound_lacks_may_be_what_is_played_next(
    first_copied, gain, may_be
):
    offer, short, _ = offer_of(first_copied=first_copied, gain=gain)
    assert _from_echoes(short, offer.evidence) is may_be


def made_up(lag, *, level_db=-6.0, likeness=0.95, found=ATTACKS):
    """An explanation with copies of the first so many clicks."""
    _, short, _ = offer_of()
    rows = np.arange(ATTACKS) < found
    return msgspec.structs.replace(
        short,
        lag=np.where(rows, lag, np.nan),
        gain=np.full(ATTACKS, 10 ** (level_db / 20)),
        coherence=np.full(ATTACKS, likeness),
    )


def asked(best, *rivals, beats=(), played=()):
    offer, _, _ = offer_of()
    offer = msgspec.structs.replace(offer, beats=list(beats), played=list(played))
    return doubtful(best, list(rivals), offer, mono=True)


@pytest.mark.parametrize(
    ("part", "more", "may_be"),
    [
        (made_up(SHORT, level_db=-3.0, likeness=0.97), 100.0, True),  # louder, liker, none missing
        (made_up(SHORT, level_db=-9.0, likeness=0.97), 100.0, False),  # fainter
        (made_up(SHORT, level_db=-9.0, likeness=0.97), 1.0, True),  # fainter, hardly dearer
        (made_up(SHORT * 1.01, level_db=-3.0, likeness=0.97), 100.0, False),  # no part of it
    ],
)
def test_the_second_repeat_is_not_taken_for_the_first(part, more, may_be):
    assert asked(made_up(2 * SHORT), (part, more)) is may_be


@pytest.mark.parametrize(
    ("found", "more", "may_be"),
    [
        (20, 7.0, True),  # the best itself leaves 20 sounds over
        (20, 9.0, False),
        (15, 2.0, True),
        (15, 4.0, False),  # copies are missing: it must leave hardly more over
        (8, 2.0, True),
        (6, 2.0, False),  # most are missing
    ],
)
def test_a_part_of_a_lag_may_be_the_delay_where_it_explains_about_as_much(found, more, may_be):
    part = made_up(SHORT, level_db=-9.0, likeness=0.97, found=found)
    assert asked(made_up(2 * SHORT), (part, more)) is may_be


@pytest.mark.parametrize(
    ("off", "level_db", "strays", "more", "may_be"),
    [
        (0.0, 6.0, 0.0, 2.0, True),
        (0.0, -6.0, 0.0, 2.0, False),
        (15.0, 6.0, 0.0, 2.0, True),  # both make up a beat, within 1.25 in a thousand
        (40.0, 6.0, 0.0, 2.0, False),
        (0.0, 6.0, 0.0, 6.0, True),  # the best leaves 20 sounds over
        (0.0, 6.0, 0.0, 9.0, False),
        (0.0, 6.0, 60.0, 9.0, True),  # more where its copies fall less exactly
        (0.0, 6.0, 60.0, 14.0, False),
    ],
)
def test_from_echoes_to_later_sounds_of_a_beat_copies_grow(off, level_db, strays, more, may_be):
    other = made_up(BEAT - SHORT + off, level_db=-6.0)
    best = strayed(made_up(SHORT, level_db=level_db), strays)
    assert best.exact is (strays == 0.0)
    assert asked(best, (other, more), beats=[float(BEAT)]) is may_be


@pytest.mark.parametrize(
    ("steps", "found", "may_be"),
    [
        (5, 15, True),
        (5, ATTACKS, False),
        (5.4, 15, False),
        (5 + 1 / 3, 15, False),  # on none of its sixteenths and triplets
        (5.004, 15, True),  # 12 samples off, half a millisecond
        (5.010, 15, False),
    ],
)
def test_what_falls_on_a_step_of_a_bar_in_part_is_that_bar(steps, found, may_be):
    bar = made_up(48 * 3000.0)
    assert asked(made_up(steps * 3000.0, found=found), played=[bar]) is may_be


@pytest.mark.parametrize(("level_db", "may_be"), [(0.03, True), (-0.03, True), (-0.1, False)])
def test_copies_on_a_step_of_a_bar_that_are_as_loud_as_what_they_copy_are_that_bar(
    level_db, may_be
):
    best = made_up(5 * 3000.0, level_db=level_db)
    assert asked(best, played=[made_up(48 * 3000.0)]) is may_be


@pytest.mark.parametrize(("uneven_db", "may_be"), [(3.0, True), (0.9, False)])
def test_copies_on_a_step_of_a_bar_that_are_of_many_levels_are_that_bar(uneven_db, may_be):
    levels = 10 ** (uneven_db * (np.arange(ATTACKS) % 3 - 1) / 20)
    some = made_up(5 * 3000.0)
    some = msgspec.structs.replace(some, gain=some.gain * levels)
    assert asked(some, played=[made_up(48 * 3000.0)]) is may_be


@pytest.mark.parametrize(
    ("lag", "taken", "may_be"),
    [
        (6150.0, 5850.0, True),
        (6158.0, 5850.0, True),  # within 0.7 in a thousand of the beat
        (6170.0, 5850.0, False),
        (6600.0, 5400.0, False),
    ],
)
def test_the_lag_from_an_echo_taken_for_half_a_beat_to_the_next_sound_is_none(lag, taken, may_be):
    played = [made_up(taken), made_up(float(BEAT))]
    assert asked(made_up(lag), played=played, beats=[float(BEAT)]) is may_be


@pytest.mark.parametrize(("off", "may_be"), [(40.0, True), (150.0, False)])
def test_what_a_hand_plays_falls_on_a_step_as_nearly_as_it_plays(off, may_be):
    # It strays by 150 samples: so exactly are the lags told, 3000 to a step.
    bar = made_up(48 * 3000.0)
    some = made_up(5 * 3000.0 + off, found=15)
    strays = 150.0 * (np.arange(ATTACKS) % 3 - 1)
    assert asked(msgspec.structs.replace(some, lag=some.lag + strays), played=[bar]) is may_be


OTHER = made_up(2.3 * LONG, found=12)  # which lacks many copies


@pytest.mark.parametrize(
    ("likeness", "others_likeness", "found", "may_be"),
    [
        (0.5, 0.8, ATTACKS, True),
        (0.5, 0.65, ATTACKS, False),  # hardly liker
        (0.7, 0.95, ATTACKS, False),  # the best is alike itself
        (0.5, 0.8, 15, False),  # copies are missing
    ],
)
def test_copies_hardly_alike_are_doubted_where_another_lag_gives_all_much_liker(
    likeness, others_likeness, found, may_be
):
    other = made_up(2.3 * LONG, likeness=others_likeness, found=found)
    assert asked(made_up(LONG, likeness=likeness), (other, 100.0)) is may_be


@pytest.mark.parametrize(
    ("times", "off_ms", "likeness", "may_be"),
    [
        (1, 20, 0.5, True),
        (2, -20, 0.5, True),
        (1, 20, 0.7, False),
        (1, 40, 0.5, False),  # hardly a note goes on so slowly
        (1, 8, 0.7, True),  # a period or two away most of it is still the same
        (1, 8, 0.8, False),
        (1, 14, 0.7, False),
    ],
)
def test_what_is_a_little_alike_beside_a_played_lag_may_be_its_notes_ringing_on(
    times, off_ms, likeness, may_be
):
    # At 24 000 samples a second.
    played = made_up(36_500.0)
    best = made_up(times * 36_500.0 + 24.0 * off_ms, likeness=likeness)
    assert asked(best, played=[played]) is may_be


# Three notes that a machine plays every 506 ms, in hiss, and no unit. With the first two seeds most
# is explained by 531.6 ms, three periods of 117 Hz more; with the third by 60 ms, hardly alike.
@pytest.mark.parametrize("seed", [24, 25, 37])
def test_notes_that_a_machine_plays_again_in_hiss_tell_no_delay(seed):
    rate_hz, seconds = 16_000, 13
    notes = plucked([0.0, 0.095, 0.443], [278.0, 117.0, 161.5], 40_096, rate_hz, seed=seed)
    sound = np.zeros((seconds + 4) * rate_hz)
    for at_s in np.arange(0.5, seconds, 0.506):
        at = round(at_s * rate_hz)
        sound[at : at + len(notes)] += notes
    hiss = np.random.default_rng(seed).normal(scale=0.01, size=seconds * rate_hz)
    thinner = Thinner(rate_hz)
    thinner.feed(sound[: len(hiss)] + hiss)
    assert find_delay(thinner.thinned()).delay is None


def strayed(found, samples):
    """The same, its lags strewn by so much and less."""
    return msgspec.structs.replace(
        found, lag=found.lag + samples * np.sin(np.arange(ATTACKS) * 2.0)
    )


@pytest.mark.parametrize(
    ("level_db", "uneven_db", "strays", "may_be"),
    [
        (0.05, 0.0, 90.0, True),  # to and fro by 3.8 ms
        (0.05, 0.0, 30.0, False),  # by 1.3
        (-0.2, 0.0, 90.0, False),  # as a unit is set
        (-0.5, 0.6, 90.0, True),
        (-0.5, 0.3, 90.0, True),
        (-0.5, 0.6, 30.0, False),
        (-1.5, 0.6, 90.0, False),
        (0.05, 0.15, 90.0, False),  # not exactly, and not uneven either
    ],
)
def test_what_is_as_loud_as_before_and_no_more_even_than_a_hand_is_played(
    level_db, uneven_db, strays, may_be
):
    best = made_up(LONG, level_db=level_db)
    uneven = 10 ** (uneven_db * (np.arange(ATTACKS) % 3 - 1) / 20)
    best = strayed(msgspec.structs.replace(best, gain=best.gain * uneven), strays)
    assert asked(best, (OTHER, 5.0)) is may_be
    assert not asked(best, (OTHER, 50.0))  # far dearer


@pytest.mark.parametrize(("roots", "may_be"), [(20, True), (17, True), (14, False), (10, False)])
def test_what_is_about_as_loud_and_uneven_is_an_echo_where_it_is_heard_again(roots, may_be):
    # Seven further copies of thirteen first ones were hardly left to chance; two of eighteen are.
    best, root = made_up(LONG, level_db=-0.5), np.arange(ATTACKS) < roots
    uneven = 10 ** (0.6 * (np.arange(ATTACKS) % 3 - 1) / 20)
    best = strayed(msgspec.structs.replace(best, gain=best.gain * uneven), 90.0)
    assert asked(msgspec.structs.replace(best, root=root, due=root), (OTHER, 5.0)) is may_be


def test_what_is_exactly_as_loud_is_an_echo_where_most_of_it_is_heard_again():
    exact = strayed(made_up(LONG, level_db=0.05), 90.0)
    assert asked(exact, (OTHER, 5.0))
    few = np.arange(ATTACKS) < ATTACKS / 3
    assert not asked(msgspec.structs.replace(exact, root=few, due=few), (OTHER, 5.0))


STEP = 2700.0


@pytest.mark.parametrize(
    ("steps", "lags", "changes", "may_be"),
    [
        (16, (3, 9, 13, 29), {}, True),
        (16, (3.5, 9, 13, 29), {}, False),  # one in four is on no step
        (16, (3, 9), {}, False),  # too few to tell
        (3, (6, 9, 12), {}, False),  # some echoes of echoes
        (40, (3, 9, 13, 29), {}, False),  # so fine steps all lags are on by chance
        (16, (3, 9, 13, 29), {"further_db": -3.0}, False),  # it gets fainter
        (16, (3, 9, 13, 29), {"begins": (0, 12, 17, 18, 19)}, False),  # sounds begin all along
        (16, (3, 9, 13, 29), {"begins": range(11)}, False),  # few are heard again
        (16, (3, 9, 13, 29), {"strays": 20.0}, False),  # no machine
    ],
)
def test_what_loses_nothing_on_the_grid_of_a_pattern_is_that_pattern(steps, lags, changes, may_be):
    begins = changes.get("begins", (0, 1))
    best = timed(steps * STEP, begins=begins, further_db=changes.get("further_db", -0.6))
    best = strayed(best, changes.get("strays", 0.0))
    # Each of the others lacks copies, and leaves far more over.
    others = [(made_up(lag * STEP, found=15), 100.0) for lag in lags]
    assert asked(best, *others) is may_be


@pytest.mark.parametrize(
    ("changes", "may_be"),
    [
        ({}, True),
        ({"best": BEAT}, True),
        ({"best": BEAT, "begins": range(6)}, False),  # by the other all begins in the beginning
        ({"more": 12.0}, False),  # it leaves far more over than the 3 of the best
        ({"best": SHORT / 2}, False),  # a multiple always explains as many
        ({"missing": 2}, False),
        ({"best": 3.3 * BEAT}, False),  # what begins keeps to another time
    ],
)
def test_the_interval_of_what_begins_by_another_lag_may_be_that_of_a_beat(changes, may_be):
    begins = changes.get("begins", range(0, ATTACKS, 3))
    best = timed(changes.get("best", 3.0 * BEAT), begins=range(3), further_db=-3.0)
    other = timed(SHORT, begins=begins, further_db=-6.0)
    lost = np.isin(np.arange(ATTACKS), list(begins)[: changes.get("missing", 0)])
    other = msgspec.structs.replace(other, lag=np.where(lost, np.nan, other.lag))
    assert asked(best, (other, changes.get("more", 5.0))) is may_be


def timed(lag, *, begins, further_db=0.0):
    """An explanation by which sounds begin at the rows `begins`; the others are copies."""
    found, root = made_up(lag), np.isin(np.arange(ATTACKS), begins)
    level_db = np.where(root, -6.0, further_db)
    return msgspec.structs.replace(found, root=root, due=root, gain=10 ** (level_db / 20))


@pytest.mark.parametrize(
    ("changes", "may_be"),
    [
        ({}, True),
        ({"further_db": -3.0}, False),  # it gets fainter, as an echo does
        ({"begins": range(6)}, False),  # by the other, too, all begins in the beginning
        ({"begins": range(0, 12, 3)}, False),  # of which there are few
        ({"more": 12.0}, False),  # it leaves far more over than the 3 of the best
        ({"lag": 3 * SHORT}, True),
        ({"lag": 2 * 3.3 * BEAT}, False),  # a multiple always explains as many
        ({"missing": 2}, False),
        ({"beats": [3.3 * BEAT - SHORT]}, False),  # or what is some beats away
    ],
)
def test_what_goes_on_unweakened_may_be_how_sounds_with_echoes_are_played(changes, may_be):
    begins = changes.get("begins", range(0, ATTACKS, 3))
    best = timed(3.3 * BEAT, begins=range(3), further_db=changes.get("further_db", 0.0))
    other = timed(changes.get("lag", SHORT), begins=begins, further_db=-6.0)
    lost = np.isin(np.arange(ATTACKS), list(begins)[: changes.get("missing", 0)])
    other = msgspec.structs.replace(other, lag=np.where(lost, np.nan, other.lag))
    told = asked(best, (other, changes.get("more", 5.0)), beats=changes.get("beats", ()))
    assert told is may_be


def test_near_oscillation_many_delays_may_seem_to_be_played():
    # All copies but two of those of the first sounds are there; what is played is sixteen of them.
    begins = range(4)
    repeats = timed(5000.0, begins=begins, further_db=-0.5)
    lost = np.arange(ATTACKS) == 1
    repeats = msgspec.structs.replace(repeats, lag=np.where(lost, np.nan, repeats.lag))
    played = made_up(16 * 5000.0)
    assert not asked(repeats, played=[played])
    few = timed(5000.0, begins=range(10), further_db=-0.5)
    few = msgspec.structs.replace(few, lag=np.where(lost, np.nan, few.lag))
    assert asked(few, played=[played])
