"""Sections of a MIDI file whose tempo moves, and what one delay cannot do for them."""

from __future__ import annotations

import msgspec

from tempotape.advice.settings import Setting
from tempotape.songs.setlist import Section


class Moving(Section, frozen=True, kw_only=True):
    """A section whose tempo moves between `low_bpm` and `high_bpm`; `tempo_bpm` is the mean."""

    low_bpm: float
    high_bpm: float

    @property
    def span(self) -> str:
        return f"between {round(self.low_bpm, 1):g} and {round(self.high_bpm, 1):g}"


def outrun(setting: Setting, moves: Moving | None) -> str:
    """Why the setting, for the mean of `moves`, is not in time all along; or nothing where it is.

    The least and the greatest tempo are each judged as a steady one is; where the mean is loose by
    itself, by what the movement alone makes of it.
    """
    if moves is None or moves.tempo_bpm is None:
        return ""
    ends_ms = [setting.target_ms * moves.tempo_bpm / bpm for bpm in (moves.high_bpm, moves.low_bpm)]
    alone = setting
    if not setting.in_time:
        alone = msgspec.structs.replace(setting, error_ms=0.0, delay_ms=setting.target_ms)
    if all(msgspec.structs.replace(alone, target_ms=ms).looseness <= 1.0 for ms in ends_ms):
        return ""
    return (
        f"loose: the tempo moves {moves.span}, so that the {setting.note} lasts "
        f"{ends_ms[0]:.0f} to {ends_ms[1]:.0f} ms: this delay is not in time all along"
    )
