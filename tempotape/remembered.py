"""What the stage had open last, kept in the user's state folder."""

from __future__ import annotations

from pathlib import Path

import msgspec
import platformdirs

from tempotape.keptfile import KeptFile

_NAME = "last"


class LastOpened(msgspec.Struct, frozen=True):
    """Absolute paths of the unit and the set, and the MIDI ports by their stable names."""

    unit: str | None = None
    setlist: str | None = None
    midi_in: str | None = None
    midi_out: str | None = None


def state_folder() -> Path:
    return platformdirs.user_state_path("tempotape")


def controls_file() -> Path:
    """Where the player's pedals are mapped; a file for a person to edit."""
    return platformdirs.user_config_path("tempotape") / "controls.toml"


def fits_folder() -> Path:
    return platformdirs.user_cache_path("tempotape")


def last_opened(folder: Path) -> tuple[LastOpened, str]:
    """What was open last, nothing where that is not known; and a sentence on damaged files."""
    last, damage = _file(folder).load()
    if damage:
        damage = "what was open last was damaged: set aside" + ("" if last else ", not known")
    return last or LastOpened(), damage


def remember(folder: Path, last: LastOpened) -> None:
    """Keep `last` for the next start. A folder that cannot be written is no reason to fail."""
    _file(folder).save(last)


def _file(folder: Path) -> KeptFile[LastOpened]:
    return KeptFile(folder, _NAME, LastOpened)
