"""Comparing two calibrations: what is told, what is called error, and how often each is right."""

import math
import random
import re

import msgspec
import numpy as np
import pytest
from scipy.stats import binom, norm

from tempotape.bench.change_model import NoiseGrid, Values, changes
from tempotape.bench.compare import compare
from tempotape.bench.compare_text import comparison_text
from tempotape.faults import InputFault
from tempotape.unit.calibration import calibrate
from tempotape.unit.curve_report import GridSpan
from tempotape.unit.model import Head, Knob, Loop, Point, Steadiness, Unit
from tests.made_units import made_unit

GAPS_MM = {"short": 28.0, "long": 70.0, "longest": 110.0}
READINGS = (1.0, 2.5, 4.0, 6.0, 8.0, 10.0)


def speed_mm_s(knob):
    """A motor close to linear in its drive above a dead band (design, section 1)."""
    return 30 + 45 * knob


def unit(
    change=lambda _head, _knob: 1.0,
    *,
    readings=READINGS,
    heads=("short", "long"),
    flutter=None,
    jitter=0.004,
    **more,
):
    """A unit of known speed; `change` multiplies its delays, `flutter` is read on head long.

    The points scatter about the truth by a fixed share, up and down in turn.
    """
    points = [
        Point(
            head,
            knob,
            1000 * GAPS_MM[head] / speed_mm_s(knob) * change(head, knob)
            * (1 + jitter * (-1) ** (place + len(head))),
            flutter_percent=flutter(knob) if flutter and head == "long" else None,
        )
        for head in heads
        for place, knob in enumerate(readings)
    ]  # fmt: skip
    plain = Unit(
        format=1,
        name="Made up",
        knob=Knob(low=0.0, high=10.0, step=0.1),
        head=tuple(Head(head, GAPS_MM[head]) for head in heads),
        measured=tuple(points),
    )
    return msgspec.structs.replace(plain, **more)


def compared(before, after, at=None):
    return compare(calibrate(before), calibrate(after), at)


def told(comparison):
    return [one.sentence for one in comparison.differences]


def untold(comparison):
    return [one.sentence for one in comparison.unchanged]


def lowered(share_at_slow_end):
    """A flutter law, and the same with its slow end lowered, evenly along log speed."""

    def law(knob):
        return 100 / speed_mm_s(knob)

    def after(knob):
        slow, fast = math.log(speed_mm_s(READINGS[0])), math.log(speed_mm_s(READINGS[-1]))
        share = (fast - math.log(speed_mm_s(knob))) / (fast - slow)
        return law(knob) * (1 - share_at_slow_end * share)

    return law, after


# --- made-up pairs with known truth -----------------------------------------------------------


def measured_again(made, rng, *, change=lambda _head: 1.0):
    """The same unit measured at the same marks by the same hand, flutter read to 10 %."""
    names = made.unit.head_names
    fastest = max(made.speed_mm_s(point.knob) for point in made.unit.measured)
    points = []
    for point in made.unit.measured:
        head = names.index(point.head)
        true_ms = made.true_delay_ms(head, point.knob) * change(head)
        flutter = 0.4 * (fastest / made.speed_mm_s(point.knob)) ** 0.9
        points.append(
            Point(
                point.head,
                point.knob,
                true_ms * (1 + rng.gauss(0, made.noise)),
                true_ms * made.noise if point.error_ms else None,
                flutter * math.exp(rng.gauss(0, 0.1)) if head == len(names) - 1 else None,
            )
        )
    return msgspec.structs.replace(made.unit, measured=tuple(points))


def made_pair(seed, *, change=lambda _head: 1.0, **made):
    one = made_unit(random.Random(seed), **made)
    rng = random.Random(seed + 50_000)
    before, after = measured_again(one, rng), measured_again(one, rng, change=change)
    return compared(before, after)


def test_measuring_the_same_unit_twice_shows_a_difference_in_at_most_5_of_100_pairs():
    # 5 % is the level stated; a count this much over it would be met in one run of forty.
    pairs = [made_pair(seed) for seed in range(20_000, 20_040)]
    false = [told(pair) for pair in pairs if pair.differences]
    print(f"{len(false)} of {len(pairs)}: {false}")
    assert len(false) <= binom.ppf(0.975, len(pairs), 0.05)


def test_a_change_of_3_percent_is_mostly_found_and_its_error_is_honest():
    pairs = [
        made_pair(seed, change=lambda _: 1.03, noise=(0.005, 0.015)) for seed in range(700, 720)
    ]
    found = [one for pair in pairs for one in pair.differences if one.what == "speed"]
    print(f"found in {len(found)} of {len(pairs)}")
    assert len(found) >= 0.85 * len(pairs)
    # The truth is 1/1.03 of the speed before.
    true_percent = 100 * (1 / 1.03 - 1)
    off = [(one.change_percent - true_percent) / one.change_error_percent for one in found]
    rms = math.sqrt(sum(z * z for z in off) / len(off))
    print(f"true over stated error, rms: {rms:.2f}")
    assert 0.6 <= rms <= 1.6
    assert all(" % slower " in one.sentence for one in found)


def test_a_head_moved_by_5_percent_is_mostly_named():
    pairs = [
        made_pair(seed, change=lambda head: 1.05 if head == 1 else 1.0, noise=(0.005, 0.012))
        for seed in range(800, 815)
    ]
    gaps = [one for pair in pairs for one in pair.differences if one.what == "gap"]
    named = [one for one in gaps if one.head == "long"]
    print(f"named in {len(named)} of {len(pairs)}, another in {len(gaps) - len(named)}")
    assert len(named) >= 0.8 * len(pairs)


# --- the change model against plain least squares ---------------------------------------------


def one_noise(sd):
    return NoiseGrid(sds=((sd, 0.0),), hand_steps=(0.0,), law_sd=1e-9)


def values(groups, slowness, log_value, error):
    count = len(slowness)
    return Values(
        slowness=slowness,
        turn=np.linspace(0, 1, count),
        log_value=log_value,
        group=groups,
        error=np.full(count, error),
        per_step=np.zeros(count),
    )


def test_with_known_noise_the_change_is_that_of_weighted_least_squares():
    """Against numpy.linalg.lstsq; priors this wide move it by less than a thousandth."""
    rng = np.random.default_rng(4)
    groups, sd = np.array([0, 0, 0, 0, 1, 1, 1, 1]), (0.01, 0.02)
    slowness = np.array([1, 0.6, 0.2, 0, 1, 0.5, 0.3, 0], dtype=float)
    sets = []
    for which in (0, 1):
        true = groups * 0.9 + 0.1 * slowness + which * 0.05 * groups
        sets.append(values(groups, slowness, true + rng.normal(0, sd[which], 8), sd[which]))
    found = changes(*sets, one_noise(math.nan), groups=2)

    # The law is shared where turns are equal, so both sets stand in one regression.
    both = np.concatenate([slowness, slowness])
    heads = np.eye(2)[np.concatenate([groups, groups])]
    after = np.repeat([0.0, 1.0], 8)[:, None]
    bend = (both - both.mean())[:, None]
    columns = np.hstack([heads, after * heads, bend])
    weight = np.repeat([1 / sd[0], 1 / sd[1]], 8)
    observed = np.concatenate([one.log_value for one in sets])
    answer = np.linalg.lstsq(columns * weight[:, None], observed * weight, rcond=None)[0]
    covariance = np.linalg.inv((columns * weight[:, None]).T @ (columns * weight[:, None]))
    for got, number in ((found.overall((0,)), 2), (found.overall((1,)), 3)):
        assert got.log == pytest.approx(answer[number], rel=0.02, abs=1e-4)
        assert got.sd == pytest.approx(math.sqrt(covariance[number, number]), rel=0.02)
        # Two-sided, by the normal law.
        assert got.chance == pytest.approx(2 * norm.sf(abs(got.log) / got.sd), rel=1e-6)
    # The margin is that of the normal law, 1.96 sds for 5 %.
    assert found.margin((1,), 0.05) == pytest.approx(1.96 * found.overall((1,)).sd, rel=1e-4)
    apart = found.apart(1, (0,))
    assert apart.log == pytest.approx(answer[3] - answer[2], rel=0.02)


# --- sentences --------------------------------------------------------------------------------


def test_the_same_points_twice_differ_in_nothing():
    law, _ = lowered(0)
    comparison = compared(unit(flutter=law), unit(flutter=law))
    assert told(comparison) == []
    speed, gaps, flutter = (
        re.sub(r"(?<=[±] )[0-9.]+|(?<=from -)[0-9.]+|(?<=to [+])[0-9.]+", "E", line)
        for line in untold(comparison)
    )
    assert speed == (
        "no difference beyond measuring error in speed over readings 1 to 10 (+0.0 % ± E %)"
    )
    assert gaps == (
        "no difference beyond measuring error between the heads: no sign that one was moved"
    )
    assert flutter == (
        "no difference beyond measuring error in flutter over readings 1 to 10 "
        "(+0.0 %, from -E to +E % of what it was)"
    )
    assert comparison.remarks == (
        "both hold the very same points: is it the same file, or a copy not measured anew?",
    )
    assert all(0 < one.change_error_percent < 8 for one in comparison.unchanged)
    assert "nothing beyond measuring error" in comparison_text(calibrate(unit()), comparison)


def test_delays_4_percent_longer_are_a_speed_3_8_percent_lower_at_every_reading():
    # 1 / 1.04 = 0.9615
    comparison = compared(unit(), unit(lambda _head, _knob: 1.04))
    (difference,) = comparison.differences
    assert difference.sentence.startswith("runs 3.8 % slower at every reading (-3.8 % ± ")
    assert difference.span == (1.0, 10.0)
    assert difference.change_percent == pytest.approx(100 * (1 / 1.04 - 1), abs=0.05)


def test_a_slow_end_alone_is_told_by_itself():
    # Friction takes some more of the drive: speed lower by 10 mm/s, 13 % at the slow end.
    slower = compared(
        unit(jitter=0.002),
        unit(lambda _, knob: speed_mm_s(knob) / (speed_mm_s(knob) - 10), jitter=0.002),
    )
    # At 10 it is 10 of 480 mm/s, 2.1 %.
    (slow,) = slower.differences
    assert (slow.what, slow.knob, slow.span) == ("speed", 1.0, (1.0, 10.0))
    assert (slow.unit, slow.head) == ("ms", "long")
    assert re.match(
        r"runs (1.9|2|2.1|2.2|2.3) to 13 % slower over readings 1 to 10: at 1 ", slow.sentence
    )
    assert "the delay of head long went from 93" in slow.sentence
    # True delays at 1: 70 mm at 75 and at 65 mm/s.
    assert slow.before == pytest.approx(1000 * 70 / 75, rel=0.01)
    assert slow.after == pytest.approx(1000 * 70 / 65, rel=0.01)

    other = compared(unit(), unit(lambda _, knob: 1.04 - 15 / speed_mm_s(knob)))
    # 1 / (1.04 - 15 / 75) = 1.19
    assert re.match(
        r"slow end runs 3.\d to (19|20) % faster over readings 1 to 4: ", told(other)[0]
    )


MARKS = (2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)
# Where the speed is what share of the speed before, and the sentences that this has to give: end,
# readings and way of each.
LOCAL_SPEEDS = {
    "6 % at 2 and 3": (
        lambda k: 1 + 0.06 * (k < 4),
        [("slow end runs ", "faster over readings 2 to 3", 2, 3)],
    ),
    "6 % at 2": (lambda k: 1 + 0.06 * (k == 2), [("slow end runs ", "faster (", 2, 2)]),
    "3 % below 6": (
        lambda k: 1 + 0.03 * (k < 6),
        [("slow end runs ", "faster over readings 2 to 5", 2, 5)],
    ),
    "3 % above 7": (
        lambda k: 1 + 0.03 * (k > 7),
        [("fast end runs ", "faster over readings 8 to 9", 8, 9)],
    ),
    "4 % at 5 to 7": (
        lambda k: 1 + 0.04 * (4 < k < 8),
        [("runs ", "faster over readings 5 to 7", 5, 7)],
    ),
    "slow end 20, 10, 5, 2 % slower": (
        lambda k: {2: 0.8, 3: 0.9, 4: 0.95, 5: 0.98}.get(k, 1),
        [("slow end runs ", "to 20 % slower over readings 2 to 5", 2, 5)],
    ),
    "ends turned against each other": (
        lambda k: 1 + 0.03 * (k < 5) - 0.03 * (k >= 7),
        [
            ("slow end runs ", "faster over readings 2 to 4", 2, 4),
            ("fast end runs ", "slower over readings 7 to 9", 7, 9),
        ],
    ),
}


def noisy(seed, speed=lambda _knob: 1.0, flutter=None, noise=0.003):
    """A unit measured at `MARKS` with this relative noise, its speed times `speed`."""
    rng = random.Random(seed)
    return unit(
        lambda _head, knob: (1 + rng.gauss(0, noise)) / speed(knob),
        readings=MARKS,
        flutter=flutter,
        jitter=0,
    )


@pytest.mark.parametrize("name", LOCAL_SPEEDS)
def test_a_change_of_speed_at_some_readings_is_told_there_and_nowhere_else(name):
    speed, expected = LOCAL_SPEEDS[name]
    for seed in range(3):
        comparison = compared(noisy(2 * seed), noisy(2 * seed + 1, speed))
        lines = told(comparison)
        assert len(lines) == len(expected), lines
        for difference, (start, inside, low, high) in zip(
            comparison.differences, expected, strict=True
        ):
            assert difference.sentence.startswith(start), lines
            # An edge may be a reading off where the curve is bent to the step.
            assert inside in difference.sentence or difference.span != (low, high), lines
            assert abs(difference.span[0] - low) + abs(difference.span[1] - high) <= 1, lines
            off = difference.change_percent - 100 * (speed(difference.knob) - 1)
            assert abs(off) <= 3 * difference.change_error_percent, lines


def test_percentages_are_those_of_the_table_and_of_the_figures_beside_them():
    for speed, _ in LOCAL_SPEEDS.values():
        comparison = compared(noisy(0), noisy(1, speed), GridSpan(2, 9, 1))
        rows = {row.knob: row for row in comparison.rows}
        for difference in comparison.differences:
            row = rows[difference.knob]
            assert difference.change_percent == pytest.approx(row.speed_change_percent)
            assert difference.change_error_percent == pytest.approx(row.speed_change_error_percent)
            assert difference.before == row.heads[difference.head].before_ms
            assert difference.after == row.heads[difference.head].after_ms
            by_figures = 100 * (difference.before / difference.after - 1)
            assert difference.change_percent == pytest.approx(by_figures, abs=0.4)
        # Each reading that is clear of its error is in one of the spans told.
        for row in rows.values():
            if abs(row.speed_change_percent) > 3.5 * row.speed_change_error_percent:
                assert any(one.span[0] <= row.knob <= one.span[1] for one in comparison.differences)


def holds_zero(sentence):
    """Whether the range in a sentence holds zero."""
    about = re.search(r"([-+][0-9.]+) % ± ([0-9.]+) %", sentence)
    if about:
        return abs(float(about[1])) <= float(about[2]) + 0.05
    low, high = re.search(r"from ([-+][0-9.]+) to ([-+][0-9.]+) %", sentence).groups()
    return float(low) <= 0 <= float(high)


def test_what_is_called_error_holds_zero_and_what_is_told_does_not():
    flutters = [
        lambda k, at=at, share=share: 6.2 / k * (share if k in at else 1)
        for at in ((2.0,), (2.0, 3.0), MARKS)
        for share in (0.9, 0.8, 0.7, 0.6, 1.3)
    ]
    for number, flutter in enumerate(flutters):
        speed = 1 + 0.002 * number
        pair = (
            noisy(0, flutter=lambda k: 6.2 / k),
            noisy(number, lambda _, s=speed: s, flutter),
        )
        comparison = compared(*pair)
        for one in comparison.unchanged:
            assert one.what == "gap" or holds_zero(one.sentence), one.sentence
        for one in comparison.differences:
            if "±" in one.sentence or " from -" in one.sentence or " from +" in one.sentence:
                assert not holds_zero(one.sentence), one.sentence


@pytest.mark.parametrize(
    ("changed", "start"),
    [
        (
            {2: 1.9},
            "slow end steadier: flutter at 2 fell from 3.1 % to 1.9 % (-38.7 %, from -",
        ),
        (
            {2: 1.86, 3: 1.24},
            "slow end steadier over readings 2 to 3: flutter 40 % less in the mean (-40.",
        ),
        ({2: 1.24, 3: 0.83}, "slow end steadier over readings 2 to 3: flutter 60 % less"),
        ({2: 6.2, 3: 4.13}, "slow end less steady over readings 2 to 3: flutter 100 % more"),
        ({5: 0.6, 6: 0.5}, "steadier over readings 5 to 6: flutter 52 % less in the mean"),
    ],
)
def test_a_change_of_flutter_at_some_readings_is_told_there(changed, start):
    def before(knob):
        return 6.2 / knob

    comparison = compared(
        noisy(0, flutter=before), noisy(1, flutter=lambda knob: changed.get(knob, before(knob)))
    )
    assert told(comparison)[0].startswith(start)
    difference = comparison.differences[0]
    assert difference.before == pytest.approx(before(difference.knob))
    assert difference.after == pytest.approx(changed[difference.knob])
    row = compared(
        noisy(0, flutter=before),
        noisy(1, flutter=lambda knob: changed.get(knob, before(knob))),
        GridSpan(difference.knob, difference.knob, 1),
    ).rows[0]
    assert (row.flutter_before_percent, row.flutter_after_percent) == (
        difference.before,
        difference.after,
    )


def test_flutter_that_scatters_more_than_usual_needs_a_larger_change():
    def scattered(share):
        rng = random.Random(3)
        plain = noisy(0, flutter=lambda knob: 6.2 / knob)
        repeated = [
            msgspec.structs.replace(
                point, flutter_percent=6.2 / point.knob * share * math.exp(rng.gauss(0, 0.5))
            )
            for point in plain.measured
            for _ in range(3)
            if point.head == "long"
        ]
        kept = [point for point in plain.measured if point.head == "short"]
        return msgspec.structs.replace(plain, measured=(*kept, *repeated))

    quiet = compared(scattered(1), scattered(0.8))
    assert not [one for one in quiet.differences if one.what == "flutter"]
    # Three readings that are good to 10 % would be to 0.1 / sqrt(3) = 5.8 %.
    assert quiet.rows[0].flutter_before_error_percent > 0.15 * quiet.rows[0].flutter_before_percent
    loud = compared(scattered(1), scattered(0.3))
    assert [one.what for one in loud.differences][:1] == ["flutter"]


def test_a_change_at_the_one_reading_both_have_is_told_there():
    comparison = compared(unit(readings=(4.0,)), unit(lambda _head, _knob: 1.5, readings=(4.0,)))
    assert told(comparison)[0].startswith("runs 33 % slower at 4 (-33.")  # 1 / 1.5 = 0.667


def test_an_end_within_the_error_is_told_as_such_beside_the_other():
    # 3 % faster at and above 6, 3 % slower below 3: of the slow end less is sure.
    tilted = unit(lambda _, knob: 1.03 if knob < 3 else 0.97 if knob > 5 else 1.0)
    comparison = compared(unit(), tilted)
    (fast,) = told(comparison)
    assert re.match(r"fast end runs 2.[5-9] to 3.[0-5] % faster over readings 6 to 10: at ", fast)
    assert untold(comparison)[0].startswith(
        "no difference beyond measuring error in speed over readings 1 to 4 (-"
    )


def test_a_moved_head_is_named_and_the_others_tell_the_speed():
    moved = compared(unit(), unit(lambda head, _: 1.05 if head == "long" else 1.0))
    assert told(moved) == [
        "head long: gap seems to have changed, its delay went up 5 % while that of head short "
        "did not"
    ]
    assert moved.differences[0].head == "long"
    assert untold(moved)[0].startswith("no difference beyond measuring error in speed")
    row = moved.rows[0]
    assert row.heads["long"].change_percent > 4
    assert abs(row.speed_change_percent) < 1

    three = compared(
        unit(heads=("short", "long", "longest")),
        unit(
            lambda head, _: 0.93 if head == "longest" else 0.97,
            heads=("short", "long", "longest"),
        ),
    )
    assert [one.what for one in three.differences] == ["speed", "gap"]
    assert told(three)[0].startswith("runs 3.1 % faster at every reading")
    assert told(three)[1] == (
        "head longest: gap seems to have changed, its delay went down 7 % while that of "
        "head short and head long went down 3 %"
    )


def test_two_heads_that_both_moved_leave_the_speed_open():
    comparison = compared(unit(), unit(lambda head, _: 1.05 if head == "long" else 0.97))
    assert told(comparison) == [
        "the heads disagree on the delay: that of head short went down 3 % and that of head long "
        "went up 5 %, so a gap has changed, and the speed cannot be told from these points"
    ]
    assert comparison.rows[0].speed_change_percent is None
    assert comparison.rows[0].speed_before_cm_s is None


def test_a_steadier_slow_end_is_told_with_its_figures_and_its_reach():
    law, after = lowered(0.6)
    limits = Steadiness(0.4, 1.0)
    comparison = compared(
        unit(flutter=law, steadiness=limits), unit(flutter=after, steadiness=limits)
    )
    # 100 / 75 = 1.33 %, and 40 % of it.
    assert told(comparison)[0].startswith(
        "slow end steadier over readings 1 to 4: flutter 44 % less"
    )
    assert told(comparison)[0].endswith(", at 1 it fell from 1.3 % to 0.53 %")
    # 100 / v is 0.4 % at 4.89 and 1 % at 1.56; after it, 1 % is met nowhere.
    assert told(comparison)[1].startswith("reaches slower: the slowest steady reading is ")
    assert told(comparison)[1].endswith(", before it was 4.9")
    assert told(comparison)[2] == (
        "reaches slower: the slowest not yet unstable reading is 1.0, before it was 1.6"
    )
    flutter, steady, _ = comparison.differences
    assert (flutter.knob, flutter.unit) == (1.0, "%")
    assert flutter.before == pytest.approx(100 / 75)
    assert steady.before == pytest.approx((100 / 0.4 - 30) / 45, abs=0.05)


def test_less_steady_everywhere_is_told_on_the_whole():
    law, _ = lowered(0)
    limits = Steadiness(0.4, None)
    comparison = compared(
        unit(flutter=law, steadiness=limits),
        unit(flutter=lambda knob: 1.5 * law(knob), steadiness=limits),
    )
    assert told(comparison)[0] == (
        "less steady over readings 1 to 10: flutter went up by 50 % of what it was "
        "(at 1 from 1.3 % to 2 %, at 10 from 0.21 % to 0.31 %)"
    )
    assert told(comparison)[1].startswith("reaches less slow: the slowest steady reading is ")


def test_reach_is_told_only_where_a_limit_is_met_on_both_sides_and_moved_by_a_step():
    law, _ = lowered(0)

    def reach(steady_percent):
        limits = Steadiness(steady_percent, None)
        comparison = compared(
            unit(flutter=law, steadiness=limits),
            unit(flutter=lambda knob: 1.5 * law(knob), steadiness=limits),
        )
        assert told(comparison)[0].startswith("less steady")
        return [one for one in comparison.differences if one.what == "reach"]

    assert len(reach(0.4)) == 1
    assert reach(0.25) == []  # after, no reading is as steady as that
    assert reach(3.0) == []  # before and after, every reading is


@pytest.mark.parametrize("faster_up", [True, False])
def test_reach_ends_where_the_players_ear_calls_the_tape_unstable(faster_up):
    law, after = lowered(0.6)

    def reach(unstable_knob):
        """What is told of reach where the ear distrusts this reading, from 1 on, and slower."""

        def side(flutter):
            limits = Steadiness(None, 1.0, unstable_knob if faster_up else 11 - unstable_knob)
            made = unit(flutter=flutter, steadiness=limits)
            if faster_up:
                return made
            turned = [msgspec.structs.replace(p, knob=11 - p.knob) for p in made.measured]
            return msgspec.structs.replace(made, measured=tuple(turned))

        comparison = compared(side(law), side(after))
        assert told(comparison)[0].startswith("slow end steadier")
        return [one.sentence for one in comparison.differences if one.what == "reach"]

    # By flutter, 1 % is met at 1.56 before and nowhere after; but both end just above 2.6.
    assert reach(2.6) == []
    # Above 1.2 after, and before at 1.56 as ever.
    ends = ("1.3", "1.6") if faster_up else ("9.7", "9.4")
    assert reach(1.2) == [
        f"reaches slower: the slowest not yet unstable reading is {ends[0]}, "
        f"before it was {ends[1]}"
    ]


def test_reach_is_told_by_each_units_own_limits():
    law, after = lowered(0.6)
    comparison = compared(
        unit(flutter=law, steadiness=Steadiness(None, 1.0, 4.0)),
        unit(flutter=after, steadiness=Steadiness(None, 1.0, 2.0)),
    )
    assert told(comparison)[1:] == [
        "reaches slower: the slowest not yet unstable reading is 2.1, before it was 4.1"
    ]
    for name, at in (("before", 4.0), ("after", 2.0)):
        zones = {getattr(row, f"zone_{name}") for row in comparison.rows if row.knob <= at}
        assert zones == {"unstable"}


def test_one_reading_of_flutter_needs_a_large_change():
    def only(percent):
        return unit(flutter=lambda knob: percent if knob == 1.0 else None)

    assert "flutter at 1" not in " ".join(told(compared(only(3.0), only(2.5))))
    assert told(compared(only(3.0), only(1.5))) == [
        "steadier at 1: flutter went down by 50 % of what it was (at 1 from 3 % to 1.5 %)"
    ]


def test_a_knob_that_turns_the_other_way_is_told_and_nothing_else():
    turned = unit(readings=(1.0, 3.0, 5.0, 7.0, 9.0))
    reversed_points = tuple(
        msgspec.structs.replace(point, knob=10 - point.knob) for point in turned.measured
    )
    comparison = compared(turned, msgspec.structs.replace(turned, measured=reversed_points))
    assert told(comparison) == [
        "the knob turns the other way: a higher reading ran the tape faster before and runs it "
        "slower now, so nothing is compared reading by reading"
    ]
    assert untold(comparison) == []


def test_one_point_does_not_tell_the_way_so_it_contradicts_nothing():
    turned = unit(readings=(1.0, 3.0, 5.0, 7.0, 9.0))
    reversed_unit = msgspec.structs.replace(
        turned,
        measured=tuple(
            msgspec.structs.replace(point, knob=10 - point.knob) for point in turned.measured
        ),
    )
    single = msgspec.structs.replace(reversed_unit, measured=reversed_unit.measured[:1])
    comparison = compared(reversed_unit, single)
    assert told(comparison) == []
    assert untold(comparison)[0].startswith("no difference beyond measuring error in speed at 9")
    assert [row.knob for row in comparison.rows] == [9.0]


def test_many_points_find_a_small_change():
    readings = tuple(float(reading) for reading in np.linspace(1, 10, 60))
    comparison = compared(
        unit(readings=readings), unit(lambda _head, _knob: 1.01, readings=readings)
    )
    assert len(told(comparison)) == 1
    assert told(comparison)[0].startswith("runs 0.99 % slower at every reading (-1.0 % ± 0.")


def test_stated_errors_are_taken_at_their_word():
    def stated(change, error_share):
        plain = unit(lambda _head, _knob: change, jitter=0.001)
        points = [
            msgspec.structs.replace(point, error_ms=point.delay_ms * error_share)
            for point in plain.measured
        ]
        return msgspec.structs.replace(plain, measured=tuple(points))

    assert told(compared(stated(1, 0.002), stated(1.01, 0.002)))
    assert not told(compared(stated(1, 0.03), stated(1.01, 0.03)))


# --- rows, conditions and remarks -------------------------------------------------------------


def test_rows_set_both_curves_side_by_side_with_speed_by_the_gap():
    law, _ = lowered(0)
    before, after = (
        calibrate(unit(flutter=law)),
        calibrate(unit(lambda _head, _knob: 1.04, flutter=law)),
    )
    comparison = compare(before, after, GridSpan(2, 8, 3))
    assert [row.knob for row in comparison.rows] == [2, 5, 8]
    for row in comparison.rows:
        assert list(row.heads) == ["short", "long"]
        for name, head in row.heads.items():
            assert head.before_ms == before.curve.delay_ms(name, row.knob)
            assert head.after_ms == after.curve.delay_ms(name, row.knob)
            share = before.curve.error_percent_at(name, row.knob) / 100
            assert head.before_error_ms == pytest.approx(head.before_ms * share)
            assert head.change_percent == pytest.approx(100 * (head.after_ms / head.before_ms - 1))
        # v = d / tau: the truth is (30 + 45 k) mm/s before, and 1/1.04 of it after.
        assert row.speed_before_cm_s == pytest.approx(speed_mm_s(row.knob) / 10, rel=0.01)
        assert row.speed_after_cm_s == pytest.approx(speed_mm_s(row.knob) / 10.4, rel=0.01)
        assert row.speed_change_percent == pytest.approx(100 * (1 / 1.04 - 1), abs=0.5)
        assert 0 < row.speed_change_error_percent < 2
        assert row.flutter_before_error_percent == pytest.approx(row.flutter_before_percent * 0.1)


def test_the_text_fits_a_narrow_terminal_and_leaves_nothing_out():
    law, after = lowered(0.6)
    heads = ("short", "long", "longest")
    limits = Steadiness(0.4, 1.0)
    before = unit(flutter=law, heads=heads, steadiness=limits)
    comparison = compared(before, unit(flutter=after, heads=heads, steadiness=limits, name="New"))
    text = comparison_text(calibrate(before), comparison)
    assert text.startswith("Made up, then New\n")
    assert max(map(len, text.splitlines())) <= 79
    words = text.split()
    assert all(one in " ".join(words) for one in (*told(comparison), *untold(comparison)))
    tables = text.partition("Side by side")[2].split("\n\n")
    names = [table.splitlines()[0 if place else 1] for place, table in enumerate(tables)]
    assert [re.split("  +", name) for name in names] == [
        ["knob", "short, ms", "long, ms"],
        ["knob", "longest, ms", "speed, cm/s", "speed change"],
        ["knob", "flutter, %"],
    ]
    readings = [f"{row.knob:g}" for row in comparison.rows]
    for place, table in enumerate(tables):
        rows = table.splitlines()[1 if place else 2 :]
        assert [row.split()[0] for row in rows] == readings
    same = comparison_text(calibrate(before), compared(before, before))
    assert same.startswith("Made up, before and after\n")


def test_rows_stand_at_the_common_ends_and_round_readings_between():
    comparison = compared(unit(readings=(1.0, 3.0, 5.0, 7.3)), unit(readings=(1.5, 4.0, 7.0, 10.0)))
    assert comparison.span == (1.5, 7.3)
    assert [row.knob for row in comparison.rows] == [1.5, 2, 3, 4, 5, 6, 7, 7.3]
    assert comparison.remarks[0] == (
        "compared over readings 1.5 to 7.3, which both have measured "
        "(before 1 to 7.3, after 1.5 to 10)"
    )


def test_the_speed_is_relative_alone_where_no_gap_is_known():
    bare = tuple(Head(head) for head in ("short", "long"))
    comparison = compared(unit(head=bare), unit(head=bare))
    assert comparison.rows[0].speed_before_cm_s is None
    assert comparison.rows[0].speed_change_percent is not None
    assert "cm/s" not in comparison_text(calibrate(unit(head=bare)), comparison)


def test_conditions_that_differ_are_listed_beside():
    before = unit(
        conditions={"pads": "felt, 2 mm", "warm": True, "minutes": 20, "tape": "new", "oil": " "}
    )
    after = unit(
        conditions={"pads": "felt, 1 mm", "minutes": 30, "tape": "new"},
        loop=Loop(640.0),
        head=(Head("short", 28.0), Head("long", 71.5)),
        steadiness=Steadiness(unstable_knob=2.0),
    )
    comparison = compared(before, after)
    assert [(one.name, one.before, one.after) for one in comparison.conditions] == [
        ("pads", "felt, 2 mm", "felt, 1 mm"),
        ("warm", "yes", None),
        ("minutes", "20", "30"),
        ("gap of head long", "70 mm", "71.5 mm"),
        ("loop", None, "640 mm"),
        ("unstable by ear at", None, "2"),
    ]
    assert "  pads: felt, 2 mm -> felt, 1 mm" in comparison_text(calibrate(before), comparison)
    assert "  loop: not said -> 640 mm" in comparison_text(calibrate(before), comparison)


def test_what_is_not_common_is_remarked_and_the_rest_compared():
    law, _ = lowered(0)
    comparison = compared(unit(flutter=law), unit(heads=("short", "longest")))
    assert list(comparison.rows[0].heads) == ["short"]
    assert comparison.remarks == (
        'head "long" has a delay only before, so it is not compared',
        'head "longest" has a delay only after, so it is not compared',
        "flutter is measured only before, so it is not compared",
    )
    turned = compared(unit(), unit(knob=Knob(low=0.0, high=10.0, step=0.1, sweep_deg=270)))
    assert turned.remarks[0].startswith("the knobs turn through different angles")
    assert turned.remarks[-1] == "flutter is measured in neither"


def test_calibrations_on_different_scales_are_not_compared():
    with pytest.raises(InputFault) as fault:
        compared(unit(), unit(knob=Knob(low=1.0, high=11.0, step=0.1)))
    assert fault.value.sentence == (
        "the knob is read from 0 to 10 before and from 1 to 11 after; "
        "expected two calibrations read on the same scale"
    )


def test_flutter_without_common_readings_or_from_another_head_is_remarked():
    slow = unit(flutter=lambda knob: 3.0 if knob == 1.0 else None)
    fast = unit(flutter=lambda knob: 0.3 if knob == 10.0 else None)
    assert (
        "flutter was measured at no common readings, so it is not compared"
        in compared(slow, fast).remarks
    )
    other = msgspec.structs.replace(
        slow,
        measured=tuple(
            msgspec.structs.replace(
                point,
                flutter_percent=3.0 if (point.head, point.knob) == ("short", 1.0) else None,
            )
            for point in slow.measured
        ),
    )
    assert compared(slow, other).remarks[-1].startswith("flutter was read on other heads")


def test_suspect_points_do_not_count():
    spoilt = unit(readings=(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0))
    points = list(spoilt.measured)
    points[4] = msgspec.structs.replace(points[4], delay_ms=points[4].delay_ms * 2)
    comparison = compared(spoilt, msgspec.structs.replace(spoilt, measured=tuple(points)))
    assert told(comparison) == []
    assert (
        "the delays of suspect points do not count, their flutter does; see the curve of each unit"
        in comparison.remarks
    )


def test_a_head_measured_elsewhere_does_not_count():
    short_low = unit(readings=(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0))
    kept = [
        point for point in short_low.measured if point.head == "long" or point.knob in (1.0, 2.0)
    ]
    part = msgspec.structs.replace(short_low, measured=tuple(kept))
    rest = unit(readings=(5.0, 6.0, 8.0, 10.0))
    comparison = compared(part, rest)
    assert (
        'head "short" has no measured point near these readings in one of the two, so it does '
        "not count for the differences" in comparison.remarks
    )


def test_heads_that_meet_only_just_outside_the_common_readings_are_compared_at_its_ends():
    def only(readings_of):
        points = [
            Point(head, knob, 1000 * GAPS_MM[head] / speed_mm_s(knob))
            for head, readings in readings_of.items()
            for knob in readings
        ]
        return msgspec.structs.replace(unit(), measured=tuple(points))

    before = only({"short": (1.0, 3.2), "long": (2.0, 4.0)})
    after = only({"short": (4.3, 8.0), "longest": (3.4, 5.0)})
    comparison = compared(
        msgspec.structs.replace(before, head=(*before.head, Head("longest"))),
        msgspec.structs.replace(after, head=(*after.head, Head("longest"))),
    )
    assert comparison.span == (3.4, 4.0)
    assert untold(comparison)[0].startswith("no difference beyond measuring error in speed")


def test_nothing_in_common_is_a_fault():
    with pytest.raises(InputFault) as met:
        compared(unit(heads=("long",)), unit(heads=("short", "longest")))
    assert str(met.value) == (
        'the two have no measured head in common ("long" before, "short" and "longest" after); '
        "expected units with a head of the same name"
    )
    with pytest.raises(InputFault) as met:
        compared(unit(readings=(1.0, 2.0, 3.0)), unit(readings=(4.0, 6.0, 8.0)))
    assert str(met.value) == (
        "the two were measured at no common readings (1 to 3 before, 4 to 8 after); "
        "expected points that overlap along the knob"
    )
    with pytest.raises(InputFault) as met:
        compared(unit(), unit(), GridSpan(0, 10, 1))
    assert str(met.value) == (
        "--at: readings run from 0 to 10; expected readings that both have measured, 1 to 10"
    )


def test_no_flutter_at_all_is_compared_as_a_figure():
    still = unit(flutter=lambda knob: 0.0 if knob <= 3 else 1.0)
    comparison = compared(still, unit(flutter=lambda _knob: 1.0))
    assert any("less steady" in sentence for sentence in told(comparison))
    assert not any("nan" in sentence for sentence in (*told(comparison), *untold(comparison)))
