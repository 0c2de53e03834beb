"""The order of a show: songs moved and skipped while it runs, and found by typing. No screen.

A place is a song's index in the set file, from 0; the file itself is left alone.
"""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Sequence

import msgspec


class ShowOrder(msgspec.Struct, frozen=True):
    """The places of all songs in the order they are played, and those that are passed over."""

    order: tuple[int, ...]
    skipped: frozenset[int] = frozenset()

    @property
    def played(self) -> tuple[int, ...]:
        return tuple(place for place in self.order if place not in self.skipped)


def as_written(count: int) -> ShowOrder:
    """The order of the file, with nothing skipped."""
    return ShowOrder(tuple(range(count)))


def moved(show: ShowOrder, place: int, by: int) -> ShowOrder:
    """The song at `place` played `by` songs later, or earlier where negative; at most to the end.

    A place that is not in the order changes nothing.
    """
    if place not in show.order:
        return show
    rest = [other for other in show.order if other != place]
    to = min(max(show.order.index(place) + by, 0), len(rest))
    return msgspec.structs.replace(show, order=(*rest[:to], place, *rest[to:]))


def with_skip(show: ShowOrder, place: int, *, on: bool) -> ShowOrder:
    """The song at `place` passed over, or played again."""
    skipped = show.skipped | {place} if on else show.skipped - {place}
    return msgspec.structs.replace(show, skipped=skipped & frozenset(show.order))


def after(show: ShowOrder, place: int) -> int | None:
    """The next song that is not skipped, None where there is none; `place` may be skipped."""
    later = show.order[show.order.index(place) + 1 :] if place in show.order else ()
    return next((other for other in later if other not in show.skipped), None)


def ahead_of(show: ShowOrder, place: int) -> int | None:
    """The song before, of those that are not skipped; None where there is none."""
    earlier = show.order[: show.order.index(place)] if place in show.order else ()
    return next((other for other in reversed(earlier) if other not in show.skipped), None)


def find(titles: Sequence[str], typed: str) -> tuple[int, ...]:
    """The places of the titles that hold every word of `typed`, in any order, best first.

    Best is the whole title, then a title that begins as typed, then one where every word begins a
    word, then one that holds the words anywhere; equals stand in the order of the file. Case,
    accents and punctuation do not count. Nothing typed finds nothing.

    >>> find(["Low Tide", "Tidewater Low", "The Yellow Tide"], "tide lo")
    (0, 1, 2)
    """
    sought = folded(typed)
    ranked = [
        (rank, place)
        for place, title in enumerate(titles)
        if (rank := _rank(folded(title), sought)) is not None
    ]
    return tuple(place for _, place in sorted(ranked))


def _rank(title: str, sought: str) -> int | None:
    words = sought.split()
    if not words or not all(word in title for word in words):
        return None
    if title == sought:
        return 0
    if title.startswith(sought):
        return 1
    spaced = f" {title}"
    return 2 if all(f" {word}" in spaced for word in words) else 3


@functools.lru_cache(maxsize=4096)
def folded(text: str) -> str:
    """`text` as it is searched: small letters without accents, words parted by one blank.

    Apostrophes are dropped, other punctuation parts words; signs such as emoji stay.

    >>> folded("Ferryman's  WALTZ (Ångström, Øre)")
    'ferrymans waltz angstrom ore'
    """
    if text.isascii() and text.isalnum():
        return text.casefold()
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
    return " ".join("".join(_folded_mark(mark) for mark in plain).split())


def _folded_mark(mark: str) -> str:
    if mark.isalnum():
        return mark if mark.isascii() else _without_stroke(mark)
    kind = unicodedata.category(mark)
    if mark in _APOSTROPHES or kind in {"Mn", "Cf"}:  # accents, and marks that are not seen
        return ""
    return " " if kind[0] in "PZC" else mark


_APOSTROPHES = "'\u2019\u2018\u02bc`\u00b4"


def _without_stroke(letter: str) -> str:
    """The letter without what is part of it and no accent of its own, as the stroke of an ø."""
    name = unicodedata.name(letter, "")
    if " WITH " not in name:
        return letter
    try:
        return unicodedata.lookup(name.partition(" WITH ")[0])
    except KeyError:
        return letter


def reconciled(
    old_titles: Sequence[str], new_titles: Sequence[str], show: ShowOrder, current: int | None
) -> tuple[ShowOrder, int | None]:
    """The order and the current song, carried over to a set file that has changed.

    Songs are the same where their titles are; of songs of one title, the first is the first. An
    order that was the file's own follows the file. Otherwise what was kept stays in the order of
    the show, and each new song comes after the one it follows in the file. A current song that is
    gone gives way to the next one kept, or the last one kept, or the first of all. Places that the
    old file does not have are ignored.
    """
    now_at = _same_songs(old_titles, new_titles)
    old_order = tuple(dict.fromkeys(p for p in show.order if 0 <= p < len(old_titles)))
    kept = [now_at[place] for place in old_order if place in now_at]
    if old_order == tuple(range(len(old_titles))):
        order = list(range(len(new_titles)))
    else:
        order = list(kept)
        known = set(kept)
        for place in range(len(new_titles)):
            if place not in known:
                order.insert(order.index(place - 1) + 1 if place else 0, place)
    skipped = frozenset(now_at[place] for place in show.skipped if place in now_at)
    return ShowOrder(tuple(order), skipped), _still_current(old_order, now_at, order, current)


def _same_songs(old_titles: Sequence[str], new_titles: Sequence[str]) -> dict[int, int]:
    """Where each old song is in the new file, for those that are."""
    new_places: dict[str, list[int]] = {}
    for place, title in enumerate(new_titles):
        new_places.setdefault(title, []).append(place)
    taken = {title: iter(places) for title, places in new_places.items()}
    found = (
        (place, next(taken[title], None))
        for place, title in enumerate(old_titles)
        if title in taken
    )
    return {place: now for place, now in found if now is not None}


def _still_current(
    old_order: Sequence[int], now_at: dict[int, int], order: Sequence[int], current: int | None
) -> int | None:
    if current is None or not order:
        return None
    at = old_order.index(current) if current in old_order else 0
    nearest = (*old_order[at:], *reversed(old_order[:at]))
    return next((now_at[place] for place in nearest if place in now_at), order[0])
