"""Why a recording tells no delay: the reason, and the sentence that is made of it."""

from __future__ import annotations

from enum import Enum

import msgspec

from tempotape.bench.offered import LEAST_COPIES


class Reason(Enum):
    """What keeps the delay from being told, with the words for it and for the figures it needs."""

    SILENT = "the recording is silent"
    WET_SILENT = "the wet side is silent"
    FEW_ATTACKS = "{attacks} out, {fewest} are needed"
    NO_REPEATS = "no repeats found"
    ONLY_PLAYED = "what is played comes again, and no echo can be told from it"
    TOO_REGULAR = "what is played is too regular to tell an echo from it"
    ALL_WET = (
        "this seems to be the unit's sound alone, with repeats {apart_ms:.1f} ms apart; record it "
        "with the played sound or, if that is there, with more or less of it"
    )


class NoDelay(msgspec.Struct, frozen=True):
    """A reason with its figures: how many `attacks` stand out, how far `apart_ms` repeats are."""

    reason: Reason
    attacks: int = 0
    apart_ms: float = 0.0

    @property
    def sentence(self) -> str:
        """What the player is told."""
        stand = "1 attack stands" if self.attacks == 1 else f"{self.attacks} attacks stand"
        words = self.reason.value.format(attacks=stand, fewest=LEAST_COPIES, apart_ms=self.apart_ms)
        return f"no delay: {words}"
