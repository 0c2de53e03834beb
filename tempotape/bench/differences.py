"""Which changes between two calibrations are larger than the measuring error, in sentences.

A change counts where chance alone would show it in at most 5 % of pairs with nothing changed,
two-sided. Several questions are asked of a pair (speed on the whole and slow end against fast, each
head against the others, flutter in the same two ways), so each has its part of the 5 %
(Bonferroni). No reading is judged by itself, so that a finer grid finds no more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

import msgspec
import numpy as np

from tempotape.bench.change_model import Change, Changes
from tempotape.bench.compared_points import Pair, Question, flutter_question, speed_question
from tempotape.text import listed
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text

CHANCE = 0.05

_Within = Callable[[Calibration, float], bool]


class Difference(msgspec.Struct, frozen=True):
    """One thing that changed by more than the measuring error.

    `what` says what kind of figure `before` and `after` are, in `unit`; `knob` is the reading they
    belong to, or `span` the readings. `change_percent` is of the figure before, with one standard
    deviation. Where a part does not apply it is None.
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
    speed, heads, remark = speed_question(pair)
    flutter, flutter_remarks = flutter_question(pair)
    count = (len(speed.asked) + _head_questions(len(heads)) if speed else 0) + (
        len(flutter.asked) if flutter else 0
    )
    limit = CHANCE / max(1, count)
    found: list[Difference] = []
    same: list[Unchanged] = []
    steady: tuple[int, ...] = ()
    if speed is not None:
        gaps, steady = _gaps(speed.level, heads, limit)
        found += gaps
        if steady:
            counted = msgspec.structs.replace(speed, groups=steady)
            names = tuple(heads[number] for number in steady)
            more, less = _speed(pair, counted, names, limit)
            found, same = [*more, *found], [*less]
        if len(steady) > 1 and not gaps:
            same.append(_gaps_unchanged(speed.level, heads))
    if flutter is not None:
        more, less = _flutter(pair, flutter, limit)
        found += more
        same += less
        if more:
            found += _reach(pair, flutter)
    return Outcome(
        tuple(found), tuple(same), (*remark, *flutter_remarks), tuple(heads[n] for n in steady)
    )


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
    return heads if heads > 2 else heads - 1


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
    pair: Pair, question: Question, heads: Sequence[str], limit: float
) -> tuple[list[Difference], list[Unchanged]]:
    overall, *bends = question.asked
    ends = (("slow end", 1.0, question.slow), ("fast end", 0.0, question.fast))
    told: list[Difference] = []
    same: list[Unchanged] = []
    if any(bend.chance < limit for bend in bends):
        for name, slowness, knob in ends:
            change = question.bent.at(slowness, question.groups)
            if change.chance < CHANCE:
                told.append(_speed_end(pair, name, knob, change, heads))
            else:
                nothing = f"no difference beyond measuring error in speed at the {name}"
                same.append(_speed_same(nothing, change))
    if told:
        return told, same
    if overall.chance < limit:
        return [_speed_overall(pair, question, overall)], []
    where = pair.over(*sorted((question.slow, question.fast)))
    return [], [_speed_same(f"no difference beyond measuring error in speed {where}", overall)]


def _speed_same(sentence: str, change: Change) -> Unchanged:
    speed = _reversed(change)
    return Unchanged("speed", speed.percent, speed.error_percent, f"{sentence} ({_spread(speed)})")


def _speed_overall(pair: Pair, question: Question, overall: Change) -> Difference:
    speed = _reversed(overall)
    low, high = sorted((question.slow, question.fast))
    at_ends = [question.bent.at(slowness, question.groups) for slowness in (1.0, 0.0)]
    everywhere = low < high and all(end.log * overall.log > 0 for end in at_ends)
    where = "at every reading" if everywhere else pair.over(low, high)
    return Difference(
        what="speed",
        span=(low, high),
        change_percent=speed.percent,
        change_error_percent=speed.error_percent,
        sentence=f"runs {_size(speed.percent)} % {_pace(speed)} {where} ({_spread(speed)})",
    )


def _speed_end(
    pair: Pair, name: str, knob: float, change: Change, heads: Sequence[str]
) -> Difference:
    speed = _reversed(change)
    head = max(heads, key=lambda one: pair.before.curve.delay_ms(one, knob) or 0.0)
    before, after = (one.curve.delay_ms(head, knob) for one in pair.both)
    return Difference(
        what="speed",
        head=head,
        knob=knob,
        unit="ms",
        before=before,
        after=after,
        change_percent=speed.percent,
        change_error_percent=speed.error_percent,
        sentence=(
            f"{name} runs {_size(speed.percent)} % {_pace(speed)} ({_spread(speed)}): at "
            f"{pair.told(knob)} the delay of head {head} went from {before:.4g} to {after:.4g} ms"
        ),
    )


def _flutter(
    pair: Pair, question: Question, limit: float
) -> tuple[list[Difference], list[Unchanged]]:
    overall, *bends = question.asked
    ends = (("slow end", 1.0, question.slow), ("fast end", 0.0, question.fast))
    told: list[Difference] = []
    same: list[Unchanged] = []
    if any(bend.chance < limit for bend in bends):
        for name, slowness, knob in ends:
            change = question.bent.at(slowness, (0,))
            if change.chance < CHANCE and _shows(pair, knob, change):
                told.append(_flutter_end(pair, name, knob, change))
            else:
                same.append(_flutter_same(f"at the {name}", change))
    if told:
        return told, same
    if overall.chance < limit:
        return [_flutter_overall(pair, question, overall)], []
    return [], [_flutter_same(pair.over(*sorted((question.slow, question.fast))), overall)]


def _flutter_same(where: str, change: Change) -> Unchanged:
    return Unchanged(
        "flutter",
        change.percent,
        change.error_percent,
        f"no difference beyond measuring error in flutter {where} "
        f"({_spread(change)} of what it was)",
    )


def _flutter_overall(pair: Pair, question: Question, overall: Change) -> Difference:
    low, high = sorted((question.slow, question.fast))
    ends = ", ".join(_from_to(pair, knob) for knob in dict.fromkeys((question.slow, question.fast)))
    return Difference(
        what="flutter",
        span=(low, high),
        change_percent=overall.percent,
        change_error_percent=overall.error_percent,
        sentence=(
            f"{_steadier(overall)} {pair.over(low, high)}: flutter went {_up(overall.log)} by "
            f"{_size(overall.percent)} % of what it was ({ends})"
        ),
    )


def _flutter_end(pair: Pair, name: str, knob: float, change: Change) -> Difference:
    before, after = (one.flutter_at(knob) or math.nan for one in pair.both)
    return Difference(
        what="flutter",
        knob=knob,
        unit="%",
        before=before,
        after=after,
        change_percent=change.percent,
        change_error_percent=change.error_percent,
        sentence=f"{name} {_steadier(change)}: flutter {_fell(pair, knob, before, after)}",
    )


def _shows(pair: Pair, knob: float, change: Change) -> bool:
    """Whether the curves drawn at this reading moved the way that the points say."""
    before, after = (one.flutter_at(knob) or math.nan for one in pair.both)
    return (after - before) * change.log > 0


def _fell(pair: Pair, knob: float, before: float, after: float) -> str:
    went = "fell" if after < before else "rose"
    return f"at {pair.told(knob)} {went} from {before:.2g} % to {after:.2g} %"


def _from_to(pair: Pair, knob: float) -> str:
    before, after = (one.flutter_at(knob) or math.nan for one in pair.both)
    return f"at {pair.told(knob)} from {before:.2g} % to {after:.2g} %"


def _reach(pair: Pair, question: Question) -> list[Difference]:
    """How slow the tape may run in each unit's own zones, where that moved by a knob step."""
    before, after = pair.both
    told = []
    for within, words in ((_steady, "steady"), (_not_yet_unstable, "not yet unstable")):
        slowest = [_slowest(one, question, within) for one in (before, after)]
        if slowest[0] is None or slowest[1] is None:
            continue
        if abs(slowest[1] - slowest[0]) < before.unit.knob.step:
            continue
        at = [
            _mark_text(one, question, knob, within)
            for one, knob in zip(pair.both, slowest, strict=True)
            if knob is not None
        ]
        further = abs(slowest[1] - question.fast) > abs(slowest[0] - question.fast)
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


def _slowest(one: Calibration, question: Question, within: _Within) -> float | None:
    """The slowest reading, from the fast end on, that is within; None for none."""
    found = None
    for share in np.linspace(0.0, 1.0, 401).tolist():
        knob = question.fast + share * (question.slow - question.fast)
        if not within(one, knob):
            break
        found = knob
    return found


def _mark_text(one: Calibration, question: Question, slowest: float, within: _Within) -> str:
    """The slowest reading as a hand can set it: rounded, but never into what it is not."""
    knob = one.unit.knob
    steps = round((slowest - knob.low) / knob.step)
    mark = round(knob.low + steps * knob.step, 12)  # 1.2, not 1.2000000000000002
    if not within(one, mark):
        mark += math.copysign(knob.step, question.fast - question.slow)
    return knob_text(knob, mark)


def _reversed(delay: Change) -> Change:
    """The change of speed that a change of delay means."""
    return Change(-delay.log, delay.sd, delay.chance)


def _size(percent: float) -> str:
    return f"{abs(percent):.2g}" if abs(percent) < 9.95 else f"{abs(percent):.0f}"


def _spread(change: Change) -> str:
    """The change with the two sds that 95 % of cases lie within."""
    percent = round(change.percent, 1) + 0.0  # no minus before a zero
    return f"{percent:+.1f} % ± {2 * change.error_percent:.1f} %"


def _up(log_change: float) -> str:
    return "up" if log_change > 0 else "down"


def _pace(speed: Change) -> str:
    return "faster" if speed.log > 0 else "slower"


def _steadier(flutter: Change) -> str:
    return "steadier" if flutter.log < 0 else "less steady"
