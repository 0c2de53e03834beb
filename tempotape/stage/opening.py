"""What the stage opens with: unit, set, tempo and port, from the command line or from last time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.remembered import LastOpened, fits_folder, last_opened, remember, state_folder
from tempotape.stage.session import SessionKeeper, resumed
from tempotape.stage.state import StageState, at_tempo, opened, without_heads
from tempotape.tempo.typed import tempo_bpm
from tempotape.unit.calibration import Calibration, kept_calibration, load_calibration
from tempotape.unit.model import Unit
from tempotape.unit.unitfile import read_unit

if TYPE_CHECKING:
    from tempotape.songs.parts import Part
    from tempotape.songs.set_edit import FileStamp
    from tempotape.songs.setlist import Section, Setlist


class SetOpened(msgspec.Struct, frozen=True):
    """A set with its file, as it was when read, and what it plays."""

    file: Path
    stamp: FileStamp
    setlist: Setlist
    parts: tuple[Part, ...]


class Opening(msgspec.Struct, frozen=True):
    """The unit, read but not yet fitted, and the first state.

    `kept` is the fitted unit where its fit was kept from before. `remark` is a sentence about a
    unit or set of last time that could not be opened again, or about damaged state. `recalled`
    says that unit or set are those of last time. `before` is what was remembered when this was
    opened, None where nothing is to be remembered.
    """

    unit_file: Path
    kept: Calibration | None
    state: StageState
    last: LastOpened
    remark: str = ""
    songs: SetOpened | None = None
    recalled: bool = False
    before: LastOpened | None = None

    @property
    def shown_for(self) -> Path:
        """What the session belongs to: the set, or the unit where there is no set."""
        return self.songs.file if self.songs else self.unit_file

    def calibration(self) -> Calibration:
        """The fitted unit; takes a second or two unless its fit is kept from before.

        Only now is it remembered for next time: what cannot be fitted does not open.
        """
        calibration = self.kept or load_calibration(self.unit_file, keep_in=fits_folder())
        self.remember()
        return calibration

    def remember(self) -> None:
        """Keep what is open for the next start; a port chosen since then stays."""
        if self.before is None or self.before == self.last:
            return
        now, _ = last_opened(state_folder())
        last = self.last
        if now != self.before:
            last = msgspec.structs.replace(now, unit=last.unit, setlist=last.setlist)
        remember(state_folder(), last)


def open_stage(
    *,
    unit: str | None,
    setlist: str | None,
    midi_in: str | None,
    tempo: str | None,
    midi_out: str | None = None,
    unfit: str = "",
) -> Opening:
    """Read and check what the stage needs, and remember it for next time once its unit is fitted.

    Without a unit or a set, those used last; without any, the demo, and so where `unfit` says why
    the unit used last could not be fitted. The same unit and set as last time open where they were
    left. Raises InputFault for anything given on the command line that cannot be used.
    """
    bpm = None if tempo is None else tempo_bpm(tempo, entry="--tempo")
    last, remark = last_opened(state_folder())
    remarks = [remark] if remark else []
    ports = (midi_in or last.midi_in, midi_out or last.midi_out)
    recalled = False
    if unit is None and setlist is None:
        unit, setlist = last.unit, last.setlist
        recalled = bool(unit or setlist) and not unfit
        try:
            unit_file, model, songs = _read(unit, setlist) if recalled else _read(*_DEMO)
        except InputFault as fault:
            # What was open last stays remembered: the file may only be away.
            recalled, unfit = False, fault.sentence
            unit_file, model, songs = _read(*_DEMO)
        if unfit:
            remarks.append(f"opened the demo, because {unfit}")
    else:
        unit_file, model, songs = _read(unit, setlist)
    before, last = last, LastOpened(_absolute(unit), _absolute(setlist), *ports)
    state = opened(songs.setlist, songs.parts) if songs else opened(None)
    session, damage = SessionKeeper(state_folder(), songs.file if songs else unit_file).load()
    if damage:
        remarks.append(WHAT_DAMAGE[session is not None])
    if session is not None:
        state = without_heads(resumed(state, session), model.head_names)
    if bpm is not None:
        state = msgspec.structs.replace(at_tempo(state, bpm, "typed"), following=False)
    if midi_in is not None:
        state = msgspec.structs.replace(state, following=True)
    kept = kept_calibration(model, fits_folder())
    told = "; ".join(remarks)
    opening = Opening(unit_file, kept, state, last, told, songs, recalled, before)
    if kept is not None:
        opening.remember()
    return opening


# Where the player stood was damaged on disk: without and with an older generation that is sound.
WHAT_DAMAGE = (
    "where you stood last was damaged: set aside, beginning anew",
    "where you stood last was damaged: set aside, going on from just before",
)
_DEMO = (str(DEMO_UNIT), str(DEMO_SET))


def _absolute(path: str | None) -> str | None:
    return None if path is None else str(Path(path).absolute())


def open_set(path: Path, heads: Sequence[str] | None = None) -> SetOpened:
    """The set in the file at `path`, with its MIDI files.

    Raises InputFault, also for a song that insists on a head which is not one of `heads`.
    """
    from tempotape.songs.parts import parts_of  # noqa: PLC0415 - not without a set
    from tempotape.songs.set_csv import read_set  # noqa: PLC0415
    from tempotape.songs.set_edit import stamp  # noqa: PLC0415
    from tempotape.songs.setlist import with_known_heads  # noqa: PLC0415

    seen = stamp(path)
    setlist = read_set(path)
    if heads is not None:
        setlist = with_known_heads(setlist, heads, source=str(path))
    try:
        parts = parts_of(setlist, _from_midi_files(setlist, path))
    except InputFault as fault:
        raise fault if fault.source else fault.located(source=str(path)) from None
    return SetOpened(path, seen, setlist, parts)


def _from_midi_files(setlist: Setlist, path: Path) -> dict[int, tuple[Section, ...]]:
    if not any(song.midi_file for song in setlist.song):
        return {}
    from tempotape.songs.midi_sections import midi_sections  # noqa: PLC0415 - not for every set

    return midi_sections(setlist, path)


def _unit_of(songs: SetOpened) -> Path | None:
    from tempotape.songs.setlist import unit_path  # noqa: PLC0415 - not without a set

    return unit_path(songs.setlist, songs.file)


def _read(unit: str | None, setlist: str | None) -> tuple[Path, Unit, SetOpened | None]:
    """The unit's file, the unit in it, and the set. Raises InputFault."""
    songs = None if setlist is None else open_set(Path(setlist))
    if unit is not None:
        unit_file = Path(unit)
    else:
        named = _unit_of(songs) if songs else None
        if named is None:
            raise InputFault(
                "names no unit", expected='a line unit = "FILE" or --unit', source=setlist or ""
            )
        unit_file = named
    model = read_unit(unit_file)
    if songs is not None:
        songs = open_set(songs.file, model.head_names)
    return unit_file, model, songs
