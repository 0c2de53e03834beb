"""One choice a part for a whole set, chosen together so that their cost in sum is the least."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from tempotape.advice.ranking import HEAD_SWITCH_TRAVEL
from tempotape.songs.choices import Choice

# Handwork in the units of `choices`, where there is the usual time for it; judgement.
FULL_TURN = 2.0  # the knob from end to end
TOUCH = 0.2  # moving the knob at all, to find the new mark
SWITCH = FULL_TURN * HEAD_SWITCH_TRAVEL
USUAL_GAP_S = 20.0
# The time a hand needs at least: without any gap, handwork weighs 11 times the usual.
_READY_S = 2.0
_LEAST_HASTE = 0.25


class Weights(msgspec.Struct, frozen=True):
    """What a path's cost is made of, beside the own cost of each choice.

    From a choice to the next: `haste * (full_turn * |difference of knob| / scale)`, `haste * touch`
    where the marks differ, and `haste * head_switch` where the heads differ.
    """

    scale: float
    full_turn: float = FULL_TURN
    touch: float = TOUCH
    head_switch: float = SWITCH


class Cost(msgspec.Struct, frozen=True):
    """The parts of what one choice costs on its path. Field names are the JSON contract."""

    timing: float
    steadiness: float
    travel: float
    head_switch: float
    preference: float
    total: float


def haste(gap_s: float | None) -> float:
    """How dear handwork is with `gap_s` to do it: 1 at the usual 20 s, which None stands for."""
    gap_s = USUAL_GAP_S if gap_s is None else gap_s
    return max(_LEAST_HASTE, (USUAL_GAP_S + _READY_S) / (gap_s + _READY_S))


def cost_of(choice: Choice, before: Choice | None, weights: Weights, hurry: float) -> Cost:
    """What `choice` costs after the choice `before` it, with handwork weighed by `hurry`."""
    travel = switch = 0.0
    if before is not None:
        travel = hurry * weights.full_turn * abs(choice.knob - before.knob) / weights.scale
        travel += hurry * weights.touch if choice.mark != before.mark else 0.0
        switch = hurry * weights.head_switch if choice.head != before.head else 0.0
    return Cost(
        timing=choice.timing,
        steadiness=choice.steadiness,
        travel=travel,
        head_switch=switch,
        preference=choice.preference,
        total=choice.own_cost + travel + switch,
    )


def cheapest_path(
    choices: Sequence[Sequence[Choice]], hurries: Sequence[float], weights: Weights
) -> list[int | None]:
    """The index of the choice to take at each part; None where there is none, the hand stays.

    A shortest path through the parts in order (dynamic programming over the choices of each part,
    R. Bellman, 1957), so no other selection costs less. Nothing is paid to reach the first choice.
    """
    steps: list[tuple[int, list[int]]] = []  # part, and for each choice the best one before it
    before: Sequence[Choice] = ()
    so_far: list[float] = []
    for part, (here, hurry) in enumerate(zip(choices, hurries, strict=True)):
        if not here:
            continue
        turn = hurry * weights.full_turn / weights.scale
        touch, switch = hurry * weights.touch, hurry * weights.head_switch
        reached, chosen = [], []
        # One that is dearer than the cheapest with the longest way from there is on no best path.
        dearest = min(so_far, default=0.0) + hurry * weights.full_turn + touch + switch
        hands = [
            (cost, b.knob, b.mark, b.head, via)
            for via, (cost, b) in enumerate(zip(so_far, before, strict=True))
            if cost <= dearest
        ]
        for choice in here:
            best, via = 0.0, -1
            if hands:
                knob, mark, head = choice.knob, choice.mark, choice.head
                costs = [
                    cost
                    + turn * abs(knob - its_knob)
                    + (touch if mark != its_mark else 0.0)
                    + (switch if head != its_head else 0.0)
                    for cost, its_knob, its_mark, its_head, _ in hands
                ]
                best = min(costs)
                via = hands[costs.index(best)][4]
            reached.append(best + choice.own_cost)
            chosen.append(via)
        steps.append((part, chosen))
        before, so_far = here, reached
    path: list[int | None] = [None] * len(choices)
    at = so_far.index(min(so_far)) if so_far else -1
    for part, chosen in reversed(steps):
        path[part] = at
        at = chosen[at]
    return path
