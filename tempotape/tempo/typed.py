"""A tempo, or a delay, as a player types it."""

from __future__ import annotations

import re

from tempotape.faults import InputFault
from tempotape.text import quoted

SLOWEST_BPM = 20.0
FASTEST_BPM = 400.0
SHORTEST_MS = 20.0
LONGEST_MS = 10_000.0
_DECIMAL = re.compile(r"\d{1,6}([.,]\d{0,6})?|[.,]\d{1,6}", re.ASCII)


def tempo_bpm(text: str, *, entry: str = "") -> float:
    """The tempo typed as `96`, `96.5` or `96,5`, in beats a minute.

    Raises InputFault for anything else, and outside 20 to 400.
    """
    wanted = f"beats a minute from {SLOWEST_BPM:g} to {FASTEST_BPM:g}, as 96 or 96.5"
    return _typed("tempo", text, (SLOWEST_BPM, FASTEST_BPM), wanted, entry)


def delay_ms(text: str, *, entry: str = "") -> float:
    """The delay typed as `498` or `498.5`, in milliseconds.

    Raises InputFault for anything else, and outside 20 to 10000.
    """
    wanted = f"milliseconds from {SHORTEST_MS:g} to {LONGEST_MS:g}, as 498 or 498.5"
    return _typed("delay", text, (SHORTEST_MS, LONGEST_MS), wanted, entry)


def _typed(what: str, text: str, limits: tuple[float, float], wanted: str, entry: str) -> float:
    """The number typed, between the limits. Raises InputFault."""
    met = text.strip()
    value = float(met.replace(",", ".")) if _DECIMAL.fullmatch(met) else None
    if value is None or not limits[0] <= value <= limits[1]:
        told = f"{what} is {met if value is not None else quoted(text)}"
        raise InputFault(told, expected=wanted, entry=entry)
    return value
