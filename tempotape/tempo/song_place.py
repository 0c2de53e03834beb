"""Where the song we lead is, as its leader reckons it without asking."""

from __future__ import annotations

import math

from tempotape.tempo.link_protocol import GoOn, Halt, Lead, LeadCommand, Led, Locate, Play
from tempotape.tempo.tick_plan import LAST_MIDI_BEAT, TICKS_A_MIDI_BEAT, period_s


class SongPlace:
    """The tempo led, whether the song runs, and its place, reckoned on from a known one.

    The place is right to a tick as long as the process that sends them is corrected by, and
    goes on through the end of that process.
    """

    def __init__(self) -> None:
        self.tempo_bpm: float | None = None
        self.playing = False
        self._ticks = 0.0
        self._at_s = 0.0

    def tell(self, command: LeadCommand, now_s: float) -> None:
        """Reckon with a command that is being carried out."""
        self._ticks, self._at_s = self._ticks_at(now_s), now_s
        if isinstance(command, Lead):
            self.tempo_bpm = command.tempo_bpm
            self.playing = self.playing and command.tempo_bpm is not None
        elif isinstance(command, Halt):
            self.playing = False
        elif isinstance(command, Locate):
            if not self.playing:
                beat = min(max(command.midi_beat, 0), LAST_MIDI_BEAT)
                self._ticks = float(TICKS_A_MIDI_BEAT * beat)
        elif isinstance(command, Play) and self.tempo_bpm is not None:
            self.playing, self._ticks = True, 0.0
        elif isinstance(command, GoOn) and self.tempo_bpm is not None and not self.playing:
            beat = min(math.ceil(self._ticks / TICKS_A_MIDI_BEAT), LAST_MIDI_BEAT)
            self.playing, self._ticks = True, float(TICKS_A_MIDI_BEAT * beat)

    def correct(self, led: Led) -> None:
        """Take over what the process says of it."""
        self.playing = led.playing
        self._ticks, self._at_s = float(led.position), led.t_s

    def midi_beat(self, now_s: float) -> int:
        """The MIDI beat reached by now."""
        return int(max(0.0, self._ticks_at(now_s)) // TICKS_A_MIDI_BEAT)

    def resume(self, now_s: float) -> list[LeadCommand]:
        """What a sender that knows nothing is told, to go on from here."""
        if self.tempo_bpm is None and not self._ticks:
            return []
        beat = math.ceil(max(0.0, self._ticks_at(now_s)) / TICKS_A_MIDI_BEAT)
        told: list[LeadCommand] = [Lead(self.tempo_bpm), Locate(min(beat, LAST_MIDI_BEAT))]
        return [*told, GoOn()] if self.playing else told

    def _ticks_at(self, now_s: float) -> float:
        if not self.playing or self.tempo_bpm is None:
            return self._ticks
        return self._ticks + (now_s - self._at_s) / period_s(self.tempo_bpm)
