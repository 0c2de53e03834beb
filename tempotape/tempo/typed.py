"""A tempo as a player types it."""

from __future__ import annotations

import re

from tempotape.faults import InputFault
from tempotape.text import quoted

SLOWEST_BPM = 20.0
FASTEST_BPM = 400.0
_DECIMAL = re.compile(r"\d{1,6}([.,]\d{0,6})?|[.,]\d{1,6}", re.ASCII)


def tempo_bpm(text: str, *, entry: str = "") -> float:
    """The tempo typed as `96`, `96.5` or `96,5`, in beats a minute.

    Raises InputFault for anything else, and outside 20 to 400.
    """
    met = text.strip()
    value = float(met.replace(",", ".")) if _DECIMAL.fullmatch(met) else None
    if value is None or not SLOWEST_BPM <= value <= FASTEST_BPM:
        raise InputFault(
            f"tempo is {met if value is not None else quoted(text)}",
            expected=f"beats a minute from {SLOWEST_BPM:g} to {FASTEST_BPM:g}, as 96 or 96.5",
            entry=entry,
        )
    return value
