"""Why no splice is reported: the reason, and the sentence that is made of it."""

from __future__ import annotations

from enum import Enum

import msgspec

_CLICKS = "clicks come every {period_s:.4f} s, "
_PLAYED = "; they seem to be played"


class Reason(Enum):
    """What speaks against a splice, with the words for it."""

    NEVER_QUIET = "nothing is quiet for long enough to hear a tick"
    NO_TICK = "no tick that comes once a turn"
    HUM = "what comes every {period_s:.4f} s is part of the hum"
    OTHERS_BETWEEN = f"{_CLICKS}with others between them{_PLAYED}"
    STEPS_BETWEEN = f"{_CLICKS}others between them in equal steps{_PLAYED}"
    ECHOED = f"{_CLICKS}and have echoes or are some{_PLAYED}"
    TOO_EVEN = f"{_CLICKS}more evenly than tape runs{_PLAYED}"
    TOO_FAINT = f"{_CLICKS}too faint to tell a turning loop from a metronome"
    ONE_BEAT = f"{_CLICKS}and keep to one beat, loud as they are{_PLAYED}"
    TOO_LOUD = f"{_CLICKS}too loud for a splice{_PLAYED}"
    TOO_LOUD_SO_OFTEN = f"{_CLICKS}too loud for a splice that comes so often{_PLAYED}"


class NoSplice(msgspec.Struct, frozen=True):
    """A reason and, where something comes again and again, its period."""

    reason: Reason
    period_s: float = 0.0

    @property
    def telling(self) -> int:
        """How much it tells, 0 to 2: most, where something comes again and again."""
        return {Reason.NEVER_QUIET: 0, Reason.NO_TICK: 1}.get(self.reason, 2)

    @property
    def sentence(self) -> str:
        """What the player is told."""
        return f"splice: {self.reason.value.format(period_s=self.period_s)}"
