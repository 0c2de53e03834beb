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
    met = text.strip()
    value = _decimal(met)
    if value is None or not SLOWEST_BPM <= value <= FASTEST_BPM:
        raise InputFault(
            f"tempo is {met if value is not None else quoted(text)}",
            expected=f"beats a minute from {SLOWEST_BPM:g} to {FASTEST_BPM:g}, as 96 or 96.5",
            entry=entry,
        )
    return value


def delay_ms(text: str, *, entry: str = "") -> float:
    """The delay typed as `498` or `498.5`, in milliseconds.

    Raises InputFault for anything else, and outside 20 to 10000.
    """
    met = text.strip()
    value = _decimal(met)
    if value is None or not SHORTEST_MS <= value <= LONGEST_MS:
        raise InputFault(
            f"delay is {met if value is not None else quoted(text)}",
            expected=f"milliseconds from {SHORTEST_MS:g} to {LONGEST_MS:g}, as 498 or 498.5",
            entry=entry,
        )
    return value


def _decimal(text: str) -> float | None:
    return float(text.replace(",", ".")) if _DECIMAL.fullmatch(text) else None
