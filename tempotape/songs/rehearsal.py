"""Running a set against the clock: countdowns, and whether the hand had the time it needs.

Pure: every function is handed the time now, in seconds of any clock that only runs forward. An
event that does not fit the moment changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec


class Item(msgspec.Struct, frozen=True):
    """A song, or a section `inside` one, that is played at one setting.

    `gap_s` is the time to set up before a song, `length_s` how long the item lasts; None is not
    known. `move` is what the hand must do before it, empty where nothing.
    """

    title: str
    section: str | None = None
    gap_s: float | None = None
    length_s: float | None = None
    move: str = ""
    inside: bool = False


class Played(msgspec.Struct, frozen=True):
    """What was measured of the item at `place`, in seconds.

    `gap_s` was used before it, None inside a song. `hand_s` is how long the hand took, from the
    moment it could begin to the moment it was said to be ready; None where that was not said.
    """

    place: int
    gap_s: float | None
    hand_s: float | None
    length_s: float


class Rehearsal(msgspec.Struct, frozen=True):
    """Where the rehearsal stands: in the gap before the item `at`, or `playing` it.

    `since_s` is when that began, `hand_since_s` when the hand could begin to move, and `hand_s`
    how long it took, None while it is not ready. `gap_s` is the gap that was used before `at`.
    """

    items: tuple[Item, ...]
    since_s: float
    hand_since_s: float
    at: int = 0
    playing: bool = False
    gap_s: float | None = None
    hand_s: float | None = None
    played: tuple[Played, ...] = ()

    @property
    def over(self) -> bool:
        return self.at >= len(self.items)


class Countdown(msgspec.Struct, frozen=True):
    """What is left, in seconds; negative is late, None is not known or does not apply.

    `gap_left_s` runs in a gap, `item_left_s` while an item is played. `next_move` is the place of
    the item that the hand must move for next, and `next_move_s` the time until it can begin to: 0
    where it is to move now.
    """

    gap_left_s: float | None
    item_left_s: float | None
    next_move: int | None
    next_move_s: float | None


class Handwork(msgspec.Struct, frozen=True):
    """A move of the hand as it went: the seconds it took and those there were.

    `used_s` is None where nobody said when the hand was ready inside a song. Before a song that is
    known to be at most the gap. `enough` is None where one of the two is not known.
    """

    place: int
    move: str
    used_s: float | None
    allowed_s: float | None

    @property
    def enough(self) -> bool | None:
        if self.used_s is None or self.allowed_s is None:
            return None
        return self.used_s <= self.allowed_s


_replace = msgspec.structs.replace


def begun(items: Sequence[Item], now_s: float) -> Rehearsal:
    """The rehearsal at its beginning: in the gap before the first item."""
    return Rehearsal(tuple(items), since_s=now_s, hand_since_s=now_s)


def called(rehearsal: Rehearsal, place: int) -> Rehearsal:
    """Another item comes next than the one in turn; the gap runs on."""
    if rehearsal.playing or not 0 <= place < len(rehearsal.items):
        return rehearsal
    return _replace(rehearsal, at=place, hand_s=None)


def song_begun(rehearsal: Rehearsal, now_s: float) -> Rehearsal:
    """The gap is over and the item in turn is played."""
    if rehearsal.playing or rehearsal.over:
        return rehearsal
    gap_s = max(0.0, now_s - rehearsal.since_s)
    return _replace(rehearsal, playing=True, since_s=now_s, gap_s=gap_s)


def section_begun(rehearsal: Rehearsal, now_s: float) -> Rehearsal:
    """The next section of the song is played; without one, nothing changes."""
    section = rehearsal.at + 1
    if not rehearsal.playing or not _is_inside(rehearsal.items, section):
        return rehearsal
    return _replace(
        _ended(rehearsal, now_s), at=section, playing=True, since_s=now_s, hand_since_s=now_s
    )


def song_ended(rehearsal: Rehearsal, now_s: float) -> Rehearsal:
    """The song is over, with what is left of its sections; the gap before the next one begins."""
    if not rehearsal.playing:
        return rehearsal
    following = rehearsal.at + 1
    while _is_inside(rehearsal.items, following):
        following += 1
    return _replace(_ended(rehearsal, now_s), at=following, since_s=now_s, hand_since_s=now_s)


def hand_ready(rehearsal: Rehearsal, now_s: float) -> Rehearsal:
    """Switch and knob stand as the item in turn wants them, in its gap or, late, while it plays."""
    if rehearsal.over or rehearsal.hand_s is not None or not rehearsal.items[rehearsal.at].move:
        return rehearsal
    return _replace(rehearsal, hand_s=max(0.0, now_s - rehearsal.hand_since_s))


def _is_inside(items: Sequence[Item], place: int) -> bool:
    return place < len(items) and items[place].inside


def _ended(rehearsal: Rehearsal, now_s: float) -> Rehearsal:
    """The item in turn put down as played; not playing, and nothing known of the next one."""
    played = Played(
        rehearsal.at, rehearsal.gap_s, rehearsal.hand_s, max(0.0, now_s - rehearsal.since_s)
    )
    return _replace(
        rehearsal,
        playing=False,
        gap_s=None,
        hand_s=None,
        played=(*rehearsal.played, played),
    )


def countdown(rehearsal: Rehearsal, now_s: float) -> Countdown:
    """What is left at `now_s` of the gap, of the item, and until the next move of the hand."""
    if rehearsal.over:
        return Countdown(None, None, None, None)
    item = rehearsal.items[rehearsal.at]
    whole_s = item.length_s if rehearsal.playing else item.gap_s
    left_s = None if whole_s is None else whole_s - max(0.0, now_s - rehearsal.since_s)
    gap_left_s, item_left_s = (None, left_s) if rehearsal.playing else (left_s, None)
    # A song that has begun is taken to stand as it should; inside a song the move comes with it.
    due = item.move and rehearsal.hand_s is None and (item.inside or not rehearsal.playing)
    if due:
        return Countdown(gap_left_s, item_left_s, rehearsal.at, 0.0)
    until_s = None if left_s is None else max(0.0, left_s)
    if not rehearsal.playing:
        until_s = _sum_s(until_s, item.length_s)
    for place in range(rehearsal.at + 1, len(rehearsal.items)):
        coming = rehearsal.items[place]
        if coming.move:
            return Countdown(gap_left_s, item_left_s, place, until_s)
        until_s = _sum_s(until_s, 0.0 if coming.inside else coming.gap_s, coming.length_s)
    return Countdown(gap_left_s, item_left_s, None, None)


def _sum_s(*parts_s: float | None) -> float | None:
    """The sum, or None where a part is not known."""
    known = [part for part in parts_s if part is not None]
    return sum(known) if len(known) == len(parts_s) else None


def handwork(rehearsal: Rehearsal) -> tuple[Handwork, ...]:
    """Every move made so far, in the order played, with the time it took and the time there was."""
    return tuple(
        Handwork(
            place=played.place,
            move=item.move,
            used_s=played.gap_s if played.hand_s is None else played.hand_s,
            allowed_s=0.0 if item.inside else item.gap_s,
        )
        for played in rehearsal.played
        if (item := rehearsal.items[played.place]).move
    )


def with_lengths(items: Sequence[Item], played: Sequence[Played]) -> tuple[Item, ...]:
    """The items as long as they were when last played."""
    length_s = {one.place: one.length_s for one in played}
    return tuple(
        _replace(item, length_s=length_s.get(place, item.length_s))
        for place, item in enumerate(items)
    )
