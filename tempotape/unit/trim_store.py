"""Where trims are kept: a small file a unit in the user's state folder, never in the unit file."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec

from tempotape.faults import InputFault
from tempotape.unit.model import Unit
from tempotape.unit.trim import Trim
from tempotape.userfiles import read_text, write_whole


class _Kept(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A trim with the fingerprint of the calibration that it corrects."""

    calibration: str
    trim: Trim


def load_trim(folder: Path, unit_file: Path, unit: Unit) -> Trim | None:
    """The trim kept in `folder` for the unit at `unit_file`.

    None where none is kept, the file is damaged or foreign, or the unit was measured anew since:
    a trim says how far the tape has drifted from the points it was made with.
    """
    try:
        text = read_text(_place(folder, unit_file), what="trim")
        kept = msgspec.json.decode(text, type=_Kept)
    except (InputFault, msgspec.MsgspecError, RecursionError):
        return None
    return kept.trim if kept.calibration == _fingerprint(unit) else None


def keep_trim(folder: Path, unit_file: Path, unit: Unit, trim: Trim | None) -> bool:
    """Keep `trim`, or forget the one kept where it is None; whether the folder could be written."""
    place = _place(folder, unit_file)
    try:
        if trim is None:
            place.unlink(missing_ok=True)
        else:
            folder.mkdir(parents=True, exist_ok=True)
            write_whole(place, msgspec.json.encode(_Kept(_fingerprint(unit), trim)).decode())
    except (OSError, InputFault):
        return False
    return True


def _place(folder: Path, unit_file: Path) -> Path:
    path = str(unit_file.resolve()).encode(errors="surrogateescape")
    return folder / f"trim-{hashlib.sha256(path).hexdigest()[:32]}.json"


def _fingerprint(unit: Unit) -> str:
    """What a trim corrects: the heads, the knob's scale and the measured points.

    A new name, condition or limit leaves a trim as good as it was.
    """
    measured = msgspec.json.encode((unit.knob, unit.head, unit.measured))
    return hashlib.sha256(measured).hexdigest()[:32]
