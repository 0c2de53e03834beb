"""A set rehearsed against the clock: one key goes on, and the time left is told."""

from __future__ import annotations

from collections.abc import Sequence

from tempotape.songs import rehearsal
from tempotape.songs.rehearsal import Item


class Rehearsing:
    """A rehearsal of `items`, each of them the part of the set at the same place of `places`.

    It begins at the part `at`.
    """

    def __init__(self, places: Sequence[int], items: Sequence[Item], at: int, now_s: float) -> None:
        self._places = tuple(places)
        begun = rehearsal.begun(items, now_s)
        self._state = rehearsal.called(begun, self._places.index(at))
        # The time before the first song, or after a jump, is no gap of the show.
        self._gap_counts = False

    @property
    def playing(self) -> bool:
        return self._state.playing

    @property
    def gap_used_s(self) -> float | None:
        """The gap that was used before what is played now, where it was one of the show."""
        return self._state.gap_s if self._gap_counts else None

    def go(self, now_s: float) -> int | None:
        """Begin to play, or go on to the section or song that follows; the part to show, if any.

        None where the set is over.
        """
        state = self._state
        if not state.playing:
            self._state = rehearsal.song_begun(state, now_s)
        else:
            section = rehearsal.section_begun(state, now_s)
            self._state = section if section is not state else rehearsal.song_ended(state, now_s)
            self._gap_counts = True
        return None if self._state.over else self._places[self._state.at]

    def arrive(self, part_at: int, now_s: float) -> None:
        """Another part than the one in turn was called; a song still playing is over."""
        if part_at not in self._places or self._at == part_at:
            return
        if self._state.playing:
            self._state = rehearsal.song_ended(self._state, now_s)
        self._state = rehearsal.called(self._state, self._places.index(part_at))
        self._gap_counts = False

    @property
    def _at(self) -> int | None:
        return None if self._state.over else self._places[self._state.at]

    def ready(self, now_s: float) -> None:
        """Switch and knob stand as they should."""
        self._state = rehearsal.hand_ready(self._state, now_s)

    def told(self, now_s: float) -> str:
        """Where it stands: the gap left, or the time played, and the move that comes."""
        state = self._state
        if state.over:
            return "REHEARSAL: the set is over, G ends it"
        left = rehearsal.countdown(state, now_s)
        if state.playing:
            told = f"REHEARSAL: playing {_clock(now_s - state.since_s)}, g ends it"
        elif left.gap_left_s is None:
            told = f"REHEARSAL: gap {_clock(now_s - state.since_s)}, g begins"
        elif left.gap_left_s >= 0:
            told = f"REHEARSAL: {_clock(left.gap_left_s)} left, g begins"
        else:
            told = f"REHEARSAL: {_clock(-left.gap_left_s)} LATE, g begins"
        if left.next_move is None:
            return told
        if left.next_move_s == 0.0:
            return f"{told}; now {state.items[left.next_move].move}, y when done"
        if left.next_move_s is not None:
            return f"{told}; next move in {_clock(left.next_move_s)}"
        return told

    def summary(self, now_s: float) -> str:
        """How the hand did, and the worst of it; what is still played is over."""
        self._state = rehearsal.song_ended(self._state, now_s)
        work = rehearsal.handwork(self._state)
        late = [one for one in work if one.enough is False]
        if not work:
            return "rehearsal over: no move was rehearsed"
        if not late:
            all_moves = "the one move" if len(work) == 1 else f"all {_moves(len(work))}"
            return f"rehearsal over: the hand had the time for {all_moves}"
        worst = max(late, key=lambda one: (one.used_s or 0.0) - (one.allowed_s or 0.0))
        title = self._state.items[worst.place].title
        return (
            f"rehearsal over: too slow for {len(late)} of {_moves(len(work))}, worst before "
            f"{title}: {worst.used_s:.0f} s of {worst.allowed_s:.0f}"
        )


def _moves(count: int) -> str:
    return "1 move" if count == 1 else f"{count} moves"


def _clock(seconds: float) -> str:
    """Minutes and seconds.

    >>> _clock(92.4)
    '1:32'
    """
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"
