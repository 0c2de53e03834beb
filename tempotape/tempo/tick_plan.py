"""When each message of a clock we lead is due: absolute times, none taken from the one before it.

MIDI 1.0 Detailed Specification: 24 timing clocks (F8) to a quarter note; after Start (FA) or
Continue (FB) the next clock is the first of the song; Song Position (F2) counts MIDI beats of six
clocks in 14 bits, low seven first, and is sent while stopped.
"""

from __future__ import annotations

from tempotape.tempo.link_protocol import GoOn, Halt, Lead, LeadCommand, Locate, Play

TICKS_A_QUARTER = 24
TICKS_A_MIDI_BEAT = 6
LAST_MIDI_BEAT = (1 << 14) - 1
TIMING_CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
_SONG_POSITION = 0xF2

# Later than this many ticks, as after the machine slept, they are left out and not sent in a heap.
_HELD_UP_TICKS = 6
# From Song Position to Continue: followers need time to find the place; common practice.
_LOCATE_S = 0.05
# What is said again is said so many ticks later.
_AGAIN_TICKS = 0.25


def period_s(tempo_bpm: float) -> float:
    """Seconds from one timing clock to the next at a tempo in quarter notes a minute.

    >>> period_s(125.0)
    0.02
    """
    return 60.0 / (TICKS_A_QUARTER * tempo_bpm)


def song_position(midi_beat: int) -> bytes:
    """The Song Position message for a MIDI beat from 0 to 16383.

    >>> song_position(130).hex(" ")
    'f2 02 01'
    """
    return bytes((_SONG_POSITION, midi_beat & 0x7F, midi_beat >> 7))


class TickPlan:
    r"""The clock we send: told what to do and what the time is, tells what to send and when.

    Ticks carry numbers that only grow; number `n` is due at `base_s + (n - base) * period`, and
    the base is moved only by a change of tempo or after having been held up.

    >>> plan = TickPlan()
    >>> plan.tell(Lead(125.0), 10.0)
    >>> [(plan.due_s, *plan.take(plan.due_s)) for _ in range(2)]
    [(10.0, b'\xf8'), (10.02, b'\xf8')]
    """

    def __init__(self) -> None:
        self._period_s: float | None = None
        self._base_s = 0.0
        self._base = 0
        self._next = 0
        # Messages and when: half a period ahead of the tick of this number, or of a part between
        # two; None is at once.
        self._between: list[tuple[float | None, bytes]] = []
        self._playing = False
        self._rolling = False
        self._position = 0

    @property
    def leading(self) -> bool:
        """Whether clock is being sent."""
        return self._period_s is not None

    @property
    def playing(self) -> bool:
        """Whether the song runs, or will with the next tick."""
        return self._playing

    @property
    def position(self) -> int:
        """The number of the next tick of the song, counted from its beginning."""
        return self._position

    @property
    def next_tick_s(self) -> float | None:
        """When the next tick is due, or None where no clock is sent."""
        return None if self._period_s is None else self._tick_s(self._next)

    @property
    def due_s(self) -> float | None:
        """When there is something to send, or None while there is nothing."""
        next_s = self.next_tick_s
        if not self._between:
            return next_s
        between_s = self._between_s(self._between[0][0])
        return between_s if next_s is None else min(between_s, next_s)

    def tell(self, command: LeadCommand, now_s: float) -> None:
        """Carry out a command; what makes no sense now, like going on without a clock, is left."""
        if isinstance(command, Lead):
            self._lead(command.tempo_bpm, now_s)
        elif isinstance(command, Locate):
            if not self._playing:
                self._position = TICKS_A_MIDI_BEAT * min(max(command.midi_beat, 0), LAST_MIDI_BEAT)
        elif isinstance(command, Halt):
            self._halt()
        elif isinstance(command, Play) and self.leading:
            self._playing, self._rolling, self._position = True, False, 0
            self._between = [(self._first_after(now_s), START)]
        elif isinstance(command, GoOn) and self.leading and not self._playing:
            beat = min(-(-self._position // TICKS_A_MIDI_BEAT), LAST_MIDI_BEAT)
            self._playing, self._position = True, TICKS_A_MIDI_BEAT * beat
            self._between = [
                (None, song_position(beat)),
                (self._first_after(now_s + _LOCATE_S), CONTINUE),
            ]

    def announce(self, now_s: float) -> None:
        """Tell a newly found follower where the song is, without a break in our count.

        Should it still be running, it is stopped first, because it may not take a place otherwise.
        """
        if not self._playing or any(message == START for _, message in self._between):
            return
        number = self._first_after(now_s + _LOCATE_S)
        position = self._position
        if self._rolling:
            # The place goes on meanwhile, and Continue can only be at a whole MIDI beat.
            number += -(position + number - self._next) % TICKS_A_MIDI_BEAT
            position += number - self._next
        beat = position // TICKS_A_MIDI_BEAT
        if beat <= LAST_MIDI_BEAT:
            # Continue twice before one tick, which is the first of the song all the same: JACK may
            # lose what is sent while a program is late, and a follower would stand still for good.
            again = number + _AGAIN_TICKS
            self._between = [
                (None, STOP),
                (None, song_position(beat)),
                (number, CONTINUE),
                (again, CONTINUE),
            ]

    def take(self, now_s: float) -> list[bytes]:
        """What is due by `now_s`, in order; it counts as sent."""
        next_s = self.next_tick_s
        if (
            self._period_s is not None
            and next_s is not None
            and now_s - next_s > _HELD_UP_TICKS * self._period_s
        ):
            self._base_s, self._base = now_s, self._next
        due = []
        while (due_s := self.due_s) is not None and due_s <= now_s:
            if self._between and due_s == self._between_s(self._between[0][0]):
                message = self._between.pop(0)[1]
                self._rolling = self._rolling or message in (START, CONTINUE)
            else:
                message = TIMING_CLOCK
                self._next += 1
                self._position += self._rolling
            due.append(message)
        return due

    def _lead(self, tempo_bpm: float | None, now_s: float) -> None:
        if tempo_bpm is None:
            self._halt()
            self._period_s = None
            return
        new_s = period_s(tempo_bpm)
        next_s = self.next_tick_s
        if self._period_s is None or next_s is None:
            next_s = now_s
        elif next_s > now_s:
            # The part of the period that is still to come keeps its share of it.
            next_s = now_s + (next_s - now_s) * new_s / self._period_s
        self._base_s, self._base, self._period_s = next_s, self._next, new_s

    def _halt(self) -> None:
        if self._playing:
            self._playing = self._rolling = False
            self._between = [(None, STOP)]

    def _tick_s(self, number: float) -> float:
        return self._base_s + (number - self._base) * (self._period_s or 0.0)

    def _between_s(self, number: float | None) -> float:
        """When a message that goes before the tick of this number, or between two, is due."""
        if number is None or self._period_s is None:
            return -float("inf")
        return self._tick_s(number) - self._period_s / 2

    def _first_after(self, earliest_s: float) -> int:
        """The first tick still to come that has its half period before it after `earliest_s`."""
        number = self._next
        while self._between_s(number) < earliest_s:
            number += 1
        return number
