"""Where the player stood, kept so that the stage opens there again, after a crash too."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec

from tempotape.advice.ranking import Taste
from tempotape.keptfile import KeptFile
from tempotape.songs.show_order import ShowOrder, reconciled
from tempotape.stage.state import Edit, Source, StageState, Way, at_part, at_tempo
from tempotape.tempo.notes import NOTE_VALUES


class KeptEdit(msgspec.Struct, frozen=True):
    """What was changed of a song, or of its section of that name; None is not changed.

    Of songs of one title, and of sections of one name in a song, `nth` and `section_nth` count
    from 0.
    """

    title: str
    nth: int
    section: str | None = None
    section_nth: int = 0
    tempo_bpm: float | None = None
    note: str | None = None
    taste: Taste | None = None
    head: str | None = None
    head_chosen: bool = False
    factor: float | None = None
    way: Way | None = None


class Session(msgspec.Struct, frozen=True):
    """Where the player stood with a set, or with a unit and no set.

    `titles` are the songs as they stood in the file, so that a file that has changed since is
    matched by them. Tempo, note, taste, head and way are those shown.
    """

    titles: tuple[str, ...] = ()
    order: tuple[int, ...] = ()
    skipped: tuple[int, ...] = ()
    song_at: int = 0
    section_at: int = 0
    edits: tuple[KeptEdit, ...] = ()
    tempo_bpm: float | None = None
    source: Source = "none"
    following: bool = False
    note: str | None = None
    taste: Taste = "steady"
    head: str | None = None
    way: Way | None = None


def session_of(state: StageState) -> Session:
    """What to keep of a state."""
    titles = _titles(state)
    return Session(
        titles=titles,
        order=state.show.order,
        skipped=tuple(sorted(state.show.skipped)),
        song_at=state.song_at,
        section_at=state.section_at if state.parts else 0,
        edits=tuple(
            _kept(state, titles, at, edit)
            for at, edit in sorted(state.edits.items())
            if state.parts  # without a set, note, taste and head themselves are kept
        ),
        tempo_bpm=state.tempo_bpm,
        source=state.source,
        following=state.following,
        note=state.note.name if state.note else None,
        taste=state.taste,
        head=state.head,
        way=state.way,
    )


def resumed(state: StageState, kept: Session) -> StageState:
    """The state just opened, taken to where the kept one stood; songs are matched by title.

    A title that is new at the place of one that is gone is the same song under another name.
    """
    if state.setlist is None:
        note = NOTE_VALUES.get(kept.note) if kept.note else None
        state = msgspec.structs.replace(
            state, note=note, taste=kept.taste, head=kept.head, way=kept.way
        )
        return _with_tempo(state, kept)
    titles = _titles(state)
    before = _renamed(kept.titles, titles)
    order = ShowOrder(kept.order, frozenset(kept.skipped))
    show, song_at = reconciled(before, titles, order, kept.song_at)
    edits = dict(_known(state, titles, kept, before))
    state = msgspec.structs.replace(state, show=show, edits=edits)
    if song_at is None:
        return state
    first = state.first_part(song_at)
    part_at = first + kept.section_at
    if not (part_at < len(state.parts) and state.parts[part_at].number == song_at + 1):
        part_at = first
    there = at_part(state, part_at, None)
    same = 0 <= kept.song_at < len(before) and before[kept.song_at] == titles[song_at]
    return _with_tempo(there, kept) if same else there


def _renamed(before: tuple[str, ...], titles: tuple[str, ...]) -> tuple[str, ...]:
    """The titles before, with those of renamed songs as they are now."""
    if len(before) != len(titles):
        return before
    gone, new = set(before) - set(titles), set(titles) - set(before)
    return tuple(
        now if was in gone and now in new else was for was, now in zip(before, titles, strict=True)
    )


def _with_tempo(state: StageState, kept: Session) -> StageState:
    """A tempo that no file and no edit knows: a clock's, or one typed or tapped without a set."""
    unknown = {"clock"} if state.setlist else {"clock", "typed", "tapped", "tape"}
    if kept.tempo_bpm is None or kept.source not in unknown:
        return msgspec.structs.replace(state, following=kept.following)
    source: Source = "clock" if kept.source == "clock" else "typed"
    state = msgspec.structs.replace(state, following=kept.following)
    return at_tempo(state, kept.tempo_bpm, source)


def _titles(state: StageState) -> tuple[str, ...]:
    return tuple(song.title for song in state.setlist.song) if state.setlist else ()


def _kept(state: StageState, titles: tuple[str, ...], part_at: int, edit: Edit) -> KeptEdit:
    part = state.parts[part_at] if state.parts else None
    song_at = part.number - 1 if part else 0
    title = titles[song_at] if titles else ""
    names = (
        [one.section for one in state.parts[state.first_part(song_at) : part_at]] if part else []
    )
    return KeptEdit(
        title=title,
        nth=titles[:song_at].count(title),
        section=part.section if part else None,
        section_nth=names.count(part.section) if part else 0,
        tempo_bpm=edit.tempo_bpm,
        note=edit.note.name if edit.note else None,
        taste=edit.taste,
        head=edit.head,
        head_chosen=edit.head_chosen,
        factor=edit.factor,
        way=edit.way,
    )


def _known(
    state: StageState, titles: tuple[str, ...], kept: Session, before: tuple[str, ...]
) -> Iterator[tuple[int, Edit]]:
    """The edits of songs and sections that are still there, by place among the parts."""
    renamed = dict(zip(kept.titles, before, strict=True))
    for edit in kept.edits:
        title = renamed.get(edit.title, edit.title)
        places = [place for place, one in enumerate(titles) if one == title]
        if not 0 <= edit.nth < len(places):
            continue
        number = places[edit.nth] + 1
        sections = [
            at
            for at, part in enumerate(state.parts)
            if part.number == number and part.section == edit.section
        ]
        if 0 <= edit.section_nth < len(sections):
            note = NOTE_VALUES.get(edit.note) if edit.note else None
            yield (
                sections[edit.section_nth],
                Edit(
                    edit.tempo_bpm,
                    note,
                    edit.taste,
                    edit.head,
                    edit.head_chosen,
                    edit.factor,
                    edit.way,
                ),
            )


class SessionKeeper:
    """Keeps the newest session on disk, on a thread of its own, so that no key waits for it.

    Each set, or unit without a set, has a file of its own, by `path`. `failed` says that the last
    session could not be kept.
    """

    def __init__(self, folder: Path, path: Path) -> None:
        key = hashlib.sha256(str(path.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
        self._file = KeptFile(folder, f"show-{key[:16]}", Session)
        self.failed = False
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
            self.failed = not self._file.save(newest)
            self._saved = newest


_CLOSE_S = 1.0
