"""What the stage opens with: unit, set, tempo and port, from the command line or from last time."""

from __future__ import annotations

from pathlib import Path

import msgspec

from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.remembered import LastOpened, fits_folder, last_opened, remember, state_folder
from tempotape.songs.setlist import Setlist, read_setlist, unit_path
from tempotape.stage.state import StageState, at_song
from tempotape.tempo.typed import tempo_bpm
from tempotape.text import listed, quoted
from tempotape.unit.calibration import Calibration, kept_calibration, load_calibration
from tempotape.unit.model import Unit
from tempotape.unit.unitfile import read_unit


class Opening(msgspec.Struct, frozen=True):
    """The unit, read but not yet fitted, and the first state.

    `kept` is the fitted unit where its fit was kept from before. `remark` is a sentence about a
    unit or set of last time that could not be opened again.
    """

    unit_file: Path
    kept: Calibration | None
    state: StageState
    last: LastOpened
    remark: str = ""

    def calibration(self) -> Calibration:
        """The fitted unit; takes a second or two unless its fit is kept from before."""
        return self.kept or load_calibration(self.unit_file, keep_in=fits_folder())


def open_stage(
    *, unit: str | None, setlist: str | None, midi_in: str | None, tempo: str | None
) -> Opening:
    """Read and check what the stage needs, and remember it for next time.

    Without a unit or a set, those used last; without any, the demo. Raises InputFault for anything
    given on the command line that cannot be used.
    """
    bpm = None if tempo is None else tempo_bpm(tempo, entry="--tempo")
    remark = ""
    if unit is None and setlist is None:
        last = last_opened(state_folder())
        midi_port = midi_in or last.midi_in
        try:
            unit, setlist = last.unit, last.setlist
            unit_file, model, songs = _read(unit, setlist) if unit or setlist else _read(*_DEMO)
        except InputFault as fault:
            unit = setlist = None
            unit_file, model, songs = _read(*_DEMO)
            remark = f"opened the demo, because {fault.sentence}"
    else:
        midi_port = midi_in
        unit_file, model, songs = _read(unit, setlist)
    state = at_song(StageState(setlist=songs), 0, None)
    if bpm is not None:
        state = msgspec.structs.replace(state, tempo_bpm=bpm, source="typed")
    state = msgspec.structs.replace(state, following=midi_in is not None)
    last = LastOpened(_absolute(unit), _absolute(setlist), midi_port)
    remember(state_folder(), last)
    kept = kept_calibration(model, fits_folder())
    return Opening(unit_file, kept, state, last, remark)


_DEMO = (str(DEMO_UNIT), str(DEMO_SET))


def _absolute(path: str | None) -> str | None:
    return None if path is None else str(Path(path).absolute())


def _read(unit: str | None, setlist: str | None) -> tuple[Path, Unit, Setlist | None]:
    """The unit's file, the unit in it, and the set. Raises InputFault."""
    songs = None if setlist is None else read_setlist(Path(setlist))
    if unit is not None:
        unit_file = Path(unit)
    else:
        named = unit_path(songs, Path(setlist)) if songs and setlist else None
        if named is None:
            raise InputFault(
                "names no unit", expected='a line unit = "FILE" or --unit', source=setlist or ""
            )
        unit_file = named
    model = read_unit(unit_file)
    heads = model.head_names
    for number, song in enumerate(songs.song if songs else (), 1):
        if song.head is not None and song.head not in heads:
            raise InputFault(
                f"head is {quoted(song.head)}",
                expected=f"a head of {unit_file}: {listed(map(quoted, heads))}",
                source=setlist or "",
                entry=f"song {number} {quoted(song.title)}",
            )
    return unit_file, model, songs
