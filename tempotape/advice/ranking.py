"""Which of several settings a player would rather have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, get_args

from tempotape.advice.settings import Setting
from tempotape.faults import InputFault
from tempotape.text import listed, quoted
from tempotape.unit.calibration import Calibration

Taste = Literal["steady", "wobbly", "either"]
TASTES: tuple[Taste, ...] = get_args(Taste)

# Zones from the best to the worst of each taste. An unknown zone may turn out unstable, so what is
# known to waver or to hold comes before it; unstable is the last resort of every taste.
_ZONES: dict[Taste, tuple[str, ...]] = {
    "steady": ("steady", "wobbly", "unknown", "unstable"),
    "wobbly": ("wobbly", "steady", "unknown", "unstable"),
    "either": ("steady wobbly unknown", "unstable"),
}
# Switching heads moves the hand away from the knob: counted as this share of the knob's scale.
HEAD_SWITCH_TRAVEL = 0.2


def taste_named(text: str, *, entry: str = "") -> Taste:
    """The taste of that name. Raises InputFault."""
    for taste in TASTES:
        if text.strip().casefold() == taste:
            return taste
    raise InputFault(f"unknown taste {quoted(text)}", expected=listed(TASTES), entry=entry)


def ranked(
    calibration: Calibration,
    settings: Sequence[Setting],
    *,
    wanted: Sequence[str],
    taste: Taste,
    hand: tuple[str, float] | None = None,
) -> tuple[Setting, ...]:
    """The settings best first; `wanted` holds note names best first, `hand` where the knob is.

    `steady` puts the zone first, then landing in time, the wanted order and a small error;
    `wobbly` the same with a wavering zone first and the most waver short of unstable; `either` the
    setting where a knob step is worth least. What a listener cannot tell apart counts as equal,
    and goes to the setting that moves the hand least.
    """

    def order(setting: Setting) -> tuple[float, ...]:
        if setting.knob is None:
            # A head of which no delay is known comes after every known miss.
            miss_ms = math.inf if setting.miss_ms is None else abs(setting.miss_ms)
            return (1, miss_ms / setting.target_ms)
        place = wanted.index(setting.note)
        moved = hand_travel(calibration, hand, setting)
        zone = next(
            rank for rank, zones in enumerate(_ZONES[taste]) if setting.zone in zones.split()
        )
        # A tenth of what a listener notices is no difference.
        loose = 0.0 if setting.in_time else round(setting.looseness, 1)
        if taste == "either":
            ease = (setting.ms_per_step or 0.0) * setting.looseness / (setting.error_ms or 1.0)
            return (0, zone, loose, round(ease, 1), place, moved)
        waver = _waver(calibration, setting)
        if taste == "steady":
            # Where flutter is known, its zone has spoken; where not, faster tape is steadier.
            unsteady = waver if setting.zone == "unknown" else 0.0
            return (0, zone, loose, place, unsteady, round(setting.looseness, 1), moved)
        return (0, zone, loose, place, -waver, round(setting.looseness, 1), moved)

    return tuple(sorted(settings, key=order))


def _waver(calibration: Calibration, setting: Setting) -> float:
    """Flutter to a tenth of a percent, or slowness of the tape where flutter is unknown.

    The slower the tape, the less steady (common practice, no source).
    """
    if setting.flutter_percent is not None:
        return round(setting.flutter_percent, 1)
    assert setting.knob is not None  # noqa: S101 - only reachable settings are compared
    return -round(calibration.curve.log_speed_at(setting.knob), 2)


def hand_travel(
    calibration: Calibration, hand: tuple[str, float] | None, setting: Setting
) -> float:
    """How far the hand moves to a setting, as a share of the knob's scale; 0 from nowhere."""
    if hand is None or setting.knob is None:
        return 0.0
    knob = calibration.unit.knob
    turned = abs(setting.knob - hand[1]) / (knob.high - knob.low)
    return round(turned + (HEAD_SWITCH_TRAVEL if setting.head != hand[0] else 0.0), 6)
