"""The stage's answer where there is no terminal to draw it on."""

from __future__ import annotations

from tempotape import tables
from tempotape.advice.advise import advise
from tempotape.stage.opening import Opening


def plain_answer(opening: Opening) -> str:
    """The answer that the stage would open with, as plain text."""
    calibration = opening.calibration()
    state = opening.state
    lines = [opening.remark] if opening.remark else []
    if state.song is not None and state.setlist is not None:
        lines.append(
            f"{state.song.title}: song {state.song_at + 1} of {len(state.setlist.song)}, "
            f"{state.setlist.name}"
        )
    if state.wish is None:
        lines.append(f"{calibration.unit.name}: no tempo yet; give one with --tempo BPM")
    else:
        lines.append(tables.advice_text(advise(calibration, state.wish)))
    return "\n".join(lines)
