"""Where the player stood, kept so that the stage opens there again, after a crash too."""

from __future__ import annotations

import threading
from pathlib import Path

import msgspec

from tempotape.advice.ranking import Taste
from tempotape.keptfile import KeptFile
from tempotape.songs.show_order import ShowOrder, reconciled
from tempotape.stage.state import Edit, Source, StageState, at_part
from tempotape.tempo.notes import NOTE_VALUES

_NAME = "show"


class KeptEdit(msgspec.Struct, frozen=True):
    """What was changed of a song, or of a section; of songs of one title, `nth` counts from 0."""

    title: str
    nth: int
    section: int
    tempo_bpm: float | None = None
    note: str | None = None
    taste: Taste = "steady"
    head: str | None = None
    factor: float = 1.0


class Session(msgspec.Struct, frozen=True):
    """Where the player stood with a unit and a set, named by their absolute paths.

    `titles` are the songs as they stood in the file, so that a file that has changed since is
    matched by them. The tempo is kept where it was not the set's own.
    """

    unit: str | None = None
    setlist: str | None = None
    titles: tuple[str, ...] = ()
    order: tuple[int, ...] = ()
    skipped: tuple[int, ...] = ()
    song_at: int = 0
    section_at: int = 0
    edits: tuple[KeptEdit, ...] = ()
    tempo_bpm: float | None = None
    source: Source = "none"
    following: bool = False


def session_of(state: StageState, *, unit: str | None, setlist: str | None) -> Session:
    """What to keep of a state."""
    titles = _titles(state)
    return Session(
        unit=unit,
        setlist=setlist,
        titles=titles,
        order=state.show.order,
        skipped=tuple(sorted(state.show.skipped)),
        song_at=state.song_at,
        section_at=state.section_at if state.parts else 0,
        edits=tuple(_kept(state, titles, at, edit) for at, edit in sorted(state.edits.items())),
        tempo_bpm=state.tempo_bpm,
        source=state.source,
        following=state.following,
    )


def resumed(state: StageState, kept: Session) -> StageState:
    """The state just opened, taken to where the kept one stood; songs are matched by title."""
    if state.setlist is None:
        return _with_tempo(state, kept)
    titles = _titles(state)
    order = ShowOrder(kept.order, frozenset(kept.skipped))
    show, song_at = reconciled(kept.titles, titles, order, kept.song_at)
    edits = dict(_known(state, titles, kept.edits))
    state = msgspec.structs.replace(state, show=show, edits=edits)
    if song_at is None:
        return state
    first = state.first_part(song_at)
    part_at = first + kept.section_at
    if not (part_at < len(state.parts) and state.parts[part_at].number == song_at + 1):
        part_at = first
    there = at_part(state, part_at, None)
    same = 0 <= kept.song_at < len(kept.titles) and kept.titles[kept.song_at] == titles[song_at]
    return _with_tempo(there, kept) if same else there


def _with_tempo(state: StageState, kept: Session) -> StageState:
    """A tempo that no file and no edit knows: a clock's, or one typed or tapped without a set."""
    unknown = {"clock"} if state.setlist else {"clock", "typed", "tapped", "tape"}
    if kept.tempo_bpm is None or kept.source not in unknown:
        return msgspec.structs.replace(state, following=kept.following)
    return msgspec.structs.replace(
        state,
        tempo_bpm=kept.tempo_bpm,
        source="clock" if kept.source == "clock" else "typed",
        following=kept.following,
        as_planned=False,
    )


def _titles(state: StageState) -> tuple[str, ...]:
    return tuple(song.title for song in state.setlist.song) if state.setlist else ()


def _kept(state: StageState, titles: tuple[str, ...], part_at: int, edit: Edit) -> KeptEdit:
    song_at = state.parts[part_at].number - 1 if state.parts else 0
    title = titles[song_at] if titles else ""
    return KeptEdit(
        title=title,
        nth=titles[:song_at].count(title),
        section=part_at - state.first_part(song_at) if state.parts else 0,
        tempo_bpm=edit.tempo_bpm,
        note=edit.note.name if edit.note else None,
        taste=edit.taste,
        head=edit.head,
        factor=edit.factor,
    )


def _known(
    state: StageState, titles: tuple[str, ...], edits: tuple[KeptEdit, ...]
) -> list[tuple[int, Edit]]:
    """The edits of songs and sections that are still there, by place among the parts."""
    found = []
    for edit in edits:
        places = [place for place, title in enumerate(titles) if title == edit.title]
        if not 0 <= edit.nth < len(places):
            continue
        song_at = places[edit.nth]
        at = state.first_part(song_at) + edit.section
        if edit.section >= 0 and at < len(state.parts) and state.parts[at].number == song_at + 1:
            note = NOTE_VALUES.get(edit.note) if edit.note else None
            found.append((at, Edit(edit.tempo_bpm, note, edit.taste, edit.head, edit.factor)))
    return found


class SessionKeeper:
    """Keeps the newest session on disk, on a thread of its own, so that no key waits for it."""

    def __init__(self, folder: Path) -> None:
        self._file = KeptFile(folder, _NAME, Session)
        self._changed = threading.Condition()
        self._newest: Session | None = None
        self._saved: Session | None = None
        self._closing = False
        self._thread: threading.Thread | None = None

    def load(self) -> tuple[Session | None, str]:
        """The session kept last or None, and a sentence where a file was damaged."""
        return self._file.load()

    def keep(self, session: Session) -> None:
        """Have this session on disk soon; returns at once."""
        with self._changed:
            if session == self._newest:
                return
            self._newest = session
            if self._thread is None:
                self._thread = threading.Thread(target=self._keep, name="session", daemon=True)
                self._thread.start()
            self._changed.notify()

    def close(self) -> None:
        """Wait until the newest session is on disk, a second at most."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(_CLOSE_S)

    def _keep(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or self._newest is not self._saved)
                newest = self._newest
                if newest is self._saved or newest is None:
                    return
            self._file.save(newest)
            self._saved = newest


_CLOSE_S = 1.0
