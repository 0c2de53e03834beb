"""Which changes between two calibrations are larger than the measuring error, in sentences.

A change counts where chance alone would show one anywhere in at most 5 % of pairs with nothing
changed, two-sided. Five things are asked of a pair, and each has its part of the 5 % (Bonferroni):
speed on the whole, told by the measured points; speed at each reading, by the figures of the table;
each head against the others; and flutter, along all stretches of readings (two parts). Every ±
told is as wide as that, so what is told never holds zero, and what is called error always does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

import msgspec
import numpy as np

from tempotape.bench.change_model import Change, Changes
from tempotape.bench.compared_points import Pair, Question, flutter_places, speed_question
from tempotape.bench.side_by_side import flutter_error, flutter_percent, row
from tempotape.bench.stretches import Along, Stretch, along
from tempotape.text import listed
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text

CHANCE = 0.05
_LEAST_FLUTTER_PERCENT = 0.01

_Within = Callable[[Calibration, float], bool]


class Difference(msgspec.Struct, frozen=True):
    """One thing that changed by more than the measuring error.

    `what` says what kind of figure `before` and `after` are, in `unit`, and `knob` at which
    reading; `span` holds the readings that changed. `change_percent` is of the figure before, with
    one standard deviation: at `knob`, but for flutter, and without `knob`, the mean over `span`.
    Where a part does not apply it is None.
    """

    what: Literal["speed", "gap", "flutter", "reach", "direction"]
    sentence: str
    head: str | None = None
    knob: float | None = None
    span: tuple[float, float] | None = None
    unit: str = ""
    before: float | None = None
    after: float | None = None
    change_percent: float | None = None
    change_error_percent: float | None = None


class Unchanged(msgspec.Struct, frozen=True):
    """Something looked at that differs by no more than the measuring error (one sd given)."""

    what: Literal["speed", "gap", "flutter"]
    change_percent: float
    change_error_percent: float
    sentence: str


class Outcome(msgspec.Struct, frozen=True):
    """What was told apart from chance, what was not, and what could not be looked at.

    `steady_heads` are the heads whose gap seems to be the old one; they tell the speed.
    """

    differences: tuple[Difference, ...]
    unchanged: tuple[Unchanged, ...]
    remarks: tuple[str, ...]
    steady_heads: tuple[str, ...]


def differences(pair: Pair) -> Outcome:
    """What changed from one calibration to the other."""
    if not pair.laws:
        return _other_way(pair)
    speed, remark = speed_question(pair)
    places, flutter_remarks = flutter_places(pair)
    parts = (
        2 * (speed is not None) + (speed is not None and len(speed.heads) > 1) + 2 * bool(places)
    )
    part = CHANCE / max(1, parts)
    found: list[Difference] = []
    same: list[Unchanged] = []
    steady: tuple[str, ...] = ()
    if speed is not None:
        gaps, numbers = _gaps(speed.level, speed.heads, part / _head_questions(len(speed.heads)))
        found += gaps
        steady = tuple(speed.heads[number] for number in numbers)
        if steady:
            more, less = _speed(pair, speed, numbers, part)
            found, same = [*more, *found], [*less]
        if len(steady) > 1 and not gaps:
            same.append(_gaps_unchanged(speed.level, speed.heads))
    if places:
        more, less = _flutter(pair, places, 2 * part)
        found += more
        same += less
        if more:
            found += _reach(pair, places)
    return Outcome(tuple(found), tuple(same), (*remark, *flutter_remarks), steady)


def _other_way(pair: Pair) -> Outcome:
    ways = ["faster" if one.curve.faster_up else "slower" for one in pair.both]
    told = Difference(
        what="direction",
        sentence=(
            f"the knob turns the other way: a higher reading ran the tape {ways[0]} before and "
            f"runs it {ways[1]} now, so nothing is compared reading by reading"
        ),
    )
    return Outcome((told,), (), (), pair.heads)


def _head_questions(heads: int) -> int:
    return heads if heads > 2 else 1


def _gaps(
    found: Changes, heads: Sequence[str], limit: float
) -> tuple[list[Difference], tuple[int, ...]]:
    """Heads whose delay changed apart from the others', and the numbers of the others."""
    left = list(range(len(heads)))
    odd: list[Difference] = []
    while len(left) > 1:
        apart = [found.apart(one, [other for other in left if other != one]) for one in left]
        worst = min(range(len(left)), key=lambda one: apart[one].chance)
        if apart[worst].chance >= limit:
            break
        if len(left) == 2:
            own = [found.overall((one,)) for one in left]
            more = 0 if abs(own[0].log) > abs(own[1].log) else 1
            if own[1 - more].chance < CHANCE:
                return [*odd, _heads_disagree(found, heads, left)], ()
            worst = more
        odd.append(_gap(found, heads, left[worst], [one for one in left if one != left[worst]]))
        left.pop(worst)
    return odd, tuple(left)


def _gap(found: Changes, heads: Sequence[str], one: int, others: Sequence[int]) -> Difference:
    own, change = found.overall((one,)), found.apart(one, others)
    rest = found.overall(tuple(others))
    names = listed((f"head {heads[other]}" for other in others), "and")
    did = "did not" if rest.chance >= CHANCE else f"went {_up(rest.log)} {_size(rest.percent)} %"
    return Difference(
        what="gap",
        head=heads[one],
        change_percent=change.percent,
        change_error_percent=change.error_percent,
        sentence=(
            f"head {heads[one]}: gap seems to have changed, its delay went {_up(own.log)} "
            f"{_size(own.percent)} % while that of {names} {did}"
        ),
    )


def _heads_disagree(found: Changes, heads: Sequence[str], two: Sequence[int]) -> Difference:
    own = [found.overall((one,)) for one in two]
    change = found.apart(two[1], two[:1])
    told = " and ".join(
        f"that of head {heads[one]} went {_up(each.log)} {_size(each.percent)} %"
        for one, each in zip(two, own, strict=True)
    )
    return Difference(
        what="gap",
        head=heads[two[1]],
        change_percent=change.percent,
        change_error_percent=change.error_percent,
        sentence=(
            f"the heads disagree on the delay: {told}, so a gap has changed, "
            "and the speed cannot be told from these points"
        ),
    )


def _gaps_unchanged(found: Changes, heads: Sequence[str]) -> Unchanged:
    numbers = range(len(heads))
    apart = [found.apart(one, [other for other in numbers if other != one]) for one in numbers]
    most = max(apart, key=lambda one: abs(one.log) / one.sd)
    return Unchanged(
        what="gap",
        change_percent=most.percent,
        change_error_percent=most.error_percent,
        sentence=(
            "no difference beyond measuring error between the heads: no sign that one was moved"
        ),
    )


def _speed(
    pair: Pair, question: Question, numbers: tuple[int, ...], part: float
) -> tuple[list[Difference], list[Unchanged]]:
    """The speed by these heads: one sentence for all readings, or one for each stretch."""
    heads = tuple(question.heads[number] for number in numbers)
    rows = [row(pair, heads, knob) for knob in question.places]
    figures = [
        (one.knob, one.speed_change_percent, one.speed_change_error_percent)
        for one in rows
        if one.speed_change_percent is not None and one.speed_change_error_percent is not None
    ]
    by_reading = along(
        [knob for knob, _, _ in figures],
        [math.log1p(percent / 100) for _, percent, _ in figures],
        [error / (100 + percent) for _, percent, error in figures],
        independent=False,
        chance=part,
    )
    delay = question.level.overall(numbers)
    whole = Change(-delay.log, delay.sd, delay.chance)
    spread = _spread(whole, question.level.margin(numbers, part))
    counts = delay.chance < part
    stretches = _stretches(by_reading, counts=counts)
    if stretches:
        return (
            [_speed_over(pair, by_reading, one, heads) for one in stretches],
            [_speed_same(pair, by_reading, one) for one in by_reading.others(stretches)],
        )
    if counts:
        return [_speed_overall(pair, whole, spread, by_reading)], []
    return [], [
        Unchanged(
            "speed",
            whole.percent,
            whole.error_percent,
            f"no difference beyond measuring error in speed {pair.over(pair.low, pair.high)} "
            f"({spread})",
        )
    ]


def _stretches(by_reading: Along, *, counts: bool) -> list[Stretch]:
    """The stretches to tell one by one; none where the whole says it all (`counts`) or nothing."""
    return [] if counts and not by_reading.uneven() else by_reading.found()


def _speed_overall(pair: Pair, speed: Change, spread: str, by_reading: Along) -> Difference:
    alike = len(by_reading.log) > 1 and all(one * speed.log > 0 for one in by_reading.log)
    where = "at every reading" if alike else pair.over(pair.low, pair.high)
    return Difference(
        what="speed",
        span=(pair.low, pair.high),
        change_percent=speed.percent,
        change_error_percent=speed.error_percent,
        sentence=f"runs {_size(speed.percent)} % {_pace(speed)} {where} ({spread})",
    )


def _speed_over(pair: Pair, by_reading: Along, one: Stretch, heads: tuple[str, ...]) -> Difference:
    changes = [_at(by_reading, number) for number in one.numbers]
    told = by_reading.farthest(one)
    knob, speed = by_reading.knob[told], _at(by_reading, told)
    head = max(heads, key=lambda name: pair.before.curve.delay_ms(name, knob) or 0.0)
    before, after = (each.curve.delay_ms(head, knob) or math.nan for each in pair.both)
    sizes = dict.fromkeys(_size(each.percent) for each in sorted(changes, key=_magnitude))
    size = " to ".join([*sizes][:: max(1, len(sizes) - 1)])
    name, where = _end_name(pair, by_reading, one), _where(pair, by_reading, one)
    spread = _spread(speed, by_reading.limit_sds * speed.sd)
    went = f"the delay of head {head} went from {before:.4g} to {after:.4g} ms"
    what = f"{name}runs {size} % {_pace(speed)}"
    return Difference(
        what="speed",
        head=head,
        knob=knob,
        span=(by_reading.knob[one.first], by_reading.knob[one.last]),
        unit="ms",
        before=before,
        after=after,
        change_percent=speed.percent,
        change_error_percent=speed.error_percent,
        sentence=(
            f"{what} ({spread}): at {pair.told(knob)} {went}"
            if one.first == one.last
            else f"{what} {where}: at {pair.told(knob)} {went} ({spread})"
        ),
    )


def _speed_same(pair: Pair, by_reading: Along, one: Stretch) -> Unchanged:
    told = by_reading.largest(one)
    speed = _at(by_reading, told)
    most = (
        "" if one.first == one.last else f" at {pair.told(by_reading.knob[told])}, the most there"
    )
    return Unchanged(
        "speed",
        speed.percent,
        speed.error_percent,
        f"no difference beyond measuring error in speed {_where(pair, by_reading, one)} "
        f"({_spread(speed, by_reading.limit_sds * speed.sd)}{most})",
    )


def _flutter(
    pair: Pair, places: Sequence[float], part: float
) -> tuple[list[Difference], list[Unchanged]]:
    """The flutter at these readings: one sentence for all of them, or one for each stretch."""
    by_reading = along(
        places,
        [math.log(_flutters(pair, knob)[1] / _flutters(pair, knob)[0]) for knob in places],
        [math.hypot(*(flutter_error(one, knob) for one in pair.both)) for knob in places],
        independent=True,
        chance=part,
    )
    whole = by_reading.whole
    counts = abs(whole.log) > by_reading.limit_sds * whole.sd
    stretches = _stretches(by_reading, counts=counts)
    if stretches:
        return (
            [_flutter_over(pair, by_reading, one) for one in stretches],
            [_flutter_same(pair, by_reading, one) for one in by_reading.others(stretches)],
        )
    if counts:
        return [_flutter_overall(pair, by_reading)], []
    return [], [_flutter_same(pair, by_reading, whole)]


def _flutter_same(pair: Pair, by_reading: Along, one: Stretch) -> Unchanged:
    change = _change(one)
    return Unchanged(
        "flutter",
        change.percent,
        change.error_percent,
        f"no difference beyond measuring error in flutter {_where(pair, by_reading, one)} "
        f"({_range(change, by_reading.limit_sds)} of what it was)",
    )


def _flutter_overall(pair: Pair, by_reading: Along) -> Difference:
    change = _change(by_reading.whole)
    low, high = by_reading.knob[0], by_reading.knob[-1]
    ends = ", ".join(_from_to(pair, knob) for knob in dict.fromkeys(pair.slow_fast(low, high)))
    return Difference(
        what="flutter",
        span=(low, high),
        change_percent=change.percent,
        change_error_percent=change.error_percent,
        sentence=(
            f"{_steadier(change)} {pair.over(low, high)}: flutter went {_up(change.log)} by "
            f"{_size(change.percent)} % of what it was ({ends})"
        ),
    )


def _flutter_over(pair: Pair, by_reading: Along, one: Stretch) -> Difference:
    change = _change(one)
    span = by_reading.knob[one.first], by_reading.knob[one.last]
    knob = by_reading.knob[by_reading.farthest(one)]
    before, after = _flutters(pair, knob)
    name = _end_name(pair, by_reading, one)
    spread, steadier = _range(change, by_reading.limit_sds), _steadier(change)
    if one.first == one.last:
        at = f"at {pair.told(knob)}"
        told = f"{steadier}: flutter {at}" if name else f"{steadier} {at}: flutter"
        went = f"{name}{told} {_fell(before, after)} ({spread})"
    else:
        mean = f"{_size(change.percent)} % {'less' if change.log < 0 else 'more'}"
        went = (
            f"{name}{steadier} {_where(pair, by_reading, one)}: flutter {mean} in the "
            f"mean ({spread}), at {pair.told(knob)} it {_fell(before, after)}"
        )
    return Difference(
        what="flutter",
        knob=knob,
        span=span,
        unit="%",
        before=before,
        after=after,
        change_percent=change.percent,
        change_error_percent=change.error_percent,
        sentence=went,
    )


def _flutters(pair: Pair, knob: float) -> tuple[float, float]:
    read = [flutter_percent(one, knob) for one in pair.both]
    before, after = (math.nan if one is None else max(one, _LEAST_FLUTTER_PERCENT) for one in read)
    return before, after


def _fell(before: float, after: float) -> str:
    return f"{'fell' if after < before else 'rose'} from {before:.2g} % to {after:.2g} %"


def _from_to(pair: Pair, knob: float) -> str:
    before, after = _flutters(pair, knob)
    return f"at {pair.told(knob)} from {before:.2g} % to {after:.2g} %"


def _at(by_reading: Along, number: int) -> Change:
    return _change(by_reading.stretch(number, number))


def _change(one: Stretch) -> Change:
    """A stretch as a change; the chance is that of its one question."""
    return Change(one.log, one.sd, math.erfc(abs(one.log) / one.sd / math.sqrt(2)))


def _magnitude(change: Change) -> float:
    return abs(change.percent)


def _end_name(pair: Pair, by_reading: Along, one: Stretch) -> str:
    """The end of the readings that a stretch is, and a space; nothing for the middle and all."""
    at_low, at_high = one.first == 0, one.last == len(by_reading.knob) - 1
    if at_low == at_high:
        return ""
    slow = pair.slow_fast(*by_reading.knob[:: max(1, len(by_reading.knob) - 1)])[0]
    return "slow end " if (slow == by_reading.knob[0]) == at_low else "fast end "


def _where(pair: Pair, by_reading: Along, one: Stretch) -> str:
    return pair.over(by_reading.knob[one.first], by_reading.knob[one.last])


def _reach(pair: Pair, places: Sequence[float]) -> list[Difference]:
    """How slow the tape may run in each unit's own zones, where that moved by a knob step."""
    before, after = pair.both
    slow, fast = pair.slow_fast(places[0], places[-1])
    told = []
    for within, words in ((_steady, "steady"), (_not_yet_unstable, "not yet unstable")):
        slowest = [_slowest(one, slow, fast, within) for one in (before, after)]
        if slowest[0] is None or slowest[1] is None:
            continue
        if abs(slowest[1] - slowest[0]) < before.unit.knob.step:
            continue
        toward_fast = math.copysign(1.0, fast - slow)
        at = [
            _mark_text(one, knob, toward_fast, within)
            for one, knob in zip(pair.both, slowest, strict=True)
            if knob is not None
        ]
        further = abs(slowest[1] - fast) > abs(slowest[0] - fast)
        told.append(
            Difference(
                what="reach",
                unit="knob",
                before=slowest[0],
                after=slowest[1],
                sentence=(
                    f"reaches {'slower' if further else 'less slow'}: the slowest {words} reading "
                    f"is {at[1]}, before it was {at[0]}"
                ),
            )
        )
    return told


def _steady(one: Calibration, knob: float) -> bool:
    return one.flutter_at(knob) is not None and one.zone_at(knob) == "steady"


def _not_yet_unstable(one: Calibration, knob: float) -> bool:
    limits = one.unit.steadiness
    if limits.unstable_percent is None and limits.unstable_knob is None:
        return False  # nothing says what would be
    return one.flutter_at(knob) is not None and one.zone_at(knob) != "unstable"


def _slowest(one: Calibration, slow: float, fast: float, within: _Within) -> float | None:
    """The slowest reading, from the fast end on, that is within; None for none."""
    found = None
    for share in np.linspace(0.0, 1.0, 401).tolist():
        knob = fast + share * (slow - fast)
        if not within(one, knob):
            break
        found = knob
    return found


def _mark_text(one: Calibration, slowest: float, toward_fast: float, within: _Within) -> str:
    """The slowest reading as a hand can set it: rounded, but never into what it is not."""
    knob = one.unit.knob
    steps = round((slowest - knob.low) / knob.step)
    mark = round(knob.low + steps * knob.step, 12)  # 1.2, not 1.2000000000000002
    if not within(one, mark):
        mark += toward_fast * knob.step
    return knob_text(knob, mark)


def _size(percent: float) -> str:
    return f"{abs(percent):.2g}" if abs(percent) < 9.95 else f"{abs(percent):.0f}"


def _spread(change: Change, margin: float) -> str:
    """The change with how far it lies from where it would not count, its margin in log."""
    percent = round(change.percent, 1) + 0.0  # no minus before a zero
    nearer = change.log - math.copysign(margin, change.log)
    return f"{percent:+.1f} % ± {100 * abs(math.exp(change.log) - math.exp(nearer)):.1f} %"


def _range(change: Change, sds: float) -> str:
    """The change and what it lies within together with all others told, uneven where it is wide."""
    low, high = (100.0 * math.expm1(change.log + way * sds * change.sd) for way in (-1.0, 1.0))
    percent = round(change.percent, 1) + 0.0
    return f"{percent:+.1f} %, from {low:+.1f} to {high:+.1f} %"


def _up(log_change: float) -> str:
    return "up" if log_change > 0 else "down"


def _pace(speed: Change) -> str:
    return "faster" if speed.log > 0 else "slower"


def _steadier(flutter: Change) -> str:
    return "steadier" if flutter.log < 0 else "less steady"
