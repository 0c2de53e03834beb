"""What the stage had open last, kept in the user's state folder."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec
import platformdirs

from tempotape.faults import InputFault
from tempotape.userfiles import write_whole

_FILE = "last.json"


class LastOpened(msgspec.Struct, frozen=True):
    """Absolute paths of the unit and the set, and the MIDI port by its stable name."""

    unit: str | None = None
    setlist: str | None = None
    midi_in: str | None = None


def state_folder() -> Path:
    return platformdirs.user_state_path("tempotape")


def fits_folder() -> Path:
    return platformdirs.user_cache_path("tempotape")


def last_opened(folder: Path) -> LastOpened:
    """What was open last; nothing where that is not known or the file is damaged."""
    try:
        return msgspec.json.decode((folder / _FILE).read_bytes(), type=LastOpened)
    except (OSError, msgspec.MsgspecError):
        return LastOpened()


def remember(folder: Path, last: LastOpened) -> None:
    """Keep `last` for the next start. A folder that cannot be written is no reason to fail."""
    with contextlib.suppress(OSError, InputFault):
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / _FILE, msgspec.json.encode(last).decode())
