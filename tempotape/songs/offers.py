"""Why the unit cannot play a part of a set, or not be trusted with it, and what would work."""

from __future__ import annotations

import itertools
import operator
from collections.abc import Iterator, Sequence

from tempotape.advice.advise import Wish
from tempotape.advice.lead import LeadTempo, lead_tempos
from tempotape.advice.reasons import reasons
from tempotape.advice.settings import Setting, setting_for, trusted_delays_ms
from tempotape.advice.timing import NOTICEABLE_SHARE, noticeable_ms
from tempotape.songs.choices import PLACE, UNSTEADY, timing_cost
from tempotape.tempo.notes import NOTE_VALUES, NoteValue
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM
from tempotape.text import listed
from tempotape.unit.calibration import Calibration

# A band that counts a song this much faster or slower still plays the same song; judgement.
_NEAR_SHARE = 0.2
_USUAL_NOTES = tuple(
    (name, float(note.quarters))
    for name, note in NOTE_VALUES.items()
    if not name.startswith("double dotted")
)


class Offering:
    """What one unit can offer; what does not hang on the tempo is computed once."""

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        names = calibration.unit.head_names
        self._measured_ms = {h: calibration.curve.measured_delays_ms(h) for h in names}
        self._trusted_ms = {h: trusted_delays_ms(calibration, h) for h in names}
        self._led: dict[tuple[str, str, str], tuple[LeadTempo, ...]] = {}
        self._told: dict[object, tuple[str, ...]] = {}

    def why_out_of_reach(self, wish: Wish) -> str:
        """In a sentence, what the wanted note value that is missed least would need."""

        def miss_share(wanted: tuple[NoteValue, str]) -> float:
            span_ms = self._measured_ms[wanted[1]]
            if span_ms is None:
                return float("inf")
            target_ms = wanted[0].delay_ms(wish.quarter_bpm)
            return max(span_ms[0] - target_ms, target_ms - span_ms[1]) / target_ms

        nearest = min(itertools.product(wish.repeats, self._heads(wish)), key=miss_share)
        setting = self._setting(wish, *nearest, wish.tempo_bpm)
        return reasons(self._calibration, setting, beat_name=wish.beat.name)[0]

    def offers(self, wish: Wish) -> tuple[str, ...]:
        """Other note values, half or twice the tempo, and tempi nearby, each in a few words.

        Everything offered is measured and not unstable.
        """
        names = tuple(note.name for note in wish.repeats)
        key = (wish.tempo_bpm, wish.beat.name, names, wish.taste, wish.head)
        if key not in self._told:
            self._told[key] = (
                *self._other_notes(wish),
                *self._other_count(wish),
                *self._nearest_tempo(wish),
                *self._led_tempo(wish),
            )
        return self._told[key]

    def _heads(self, wish: Wish) -> Sequence[str]:
        return self._calibration.unit.head_names if wish.head is None else (wish.head,)

    def _other_notes(self, wish: Wish) -> Iterator[str]:
        """On each head the note value nearest in length to the one wanted first."""
        quarter_ms = 60_000 / wish.quarter_bpm
        wanted = float(wish.repeats[0].quarters)
        told = []
        for head in self._heads(wish):
            span_ms = self._trusted_ms[head]
            if span_ms is None:
                continue
            fitting = [
                (_ratio(quarters, wanted), name)
                for name, quarters in _USUAL_NOTES
                if span_ms[0] <= quarter_ms * quarters <= span_ms[1]
            ]
            if fitting:
                name = min(fitting, key=operator.itemgetter(0))[1]
                setting = self._setting(wish, NOTE_VALUES[name], head, wish.tempo_bpm)
                told.append(f"{name} on head {head} at {setting.knob_text}")
        if told:
            yield f"another note value: {listed(told)}"

    def _other_count(self, wish: Wish) -> Iterator[str]:
        """A wanted note value at half or at twice the tempo."""
        for factor, word in ((0.5, "half"), (2.0, "twice")):
            tempo_bpm = wish.tempo_bpm * factor
            if not SLOWEST_BPM <= tempo_bpm <= FASTEST_BPM:
                continue
            for note, head in itertools.product(wish.repeats, self._heads(wish)):
                span_ms = self._trusted_ms[head]
                target_ms = note.delay_ms(wish.quarter_bpm * factor)
                if span_ms is None or not span_ms[0] <= target_ms <= span_ms[1]:
                    continue
                setting = self._setting(wish, note, head, tempo_bpm)
                if setting.in_time and setting.zone != "unstable":
                    yield (
                        f"counted at {word} the tempo, {tempo_bpm:g}: {note.name} "
                        f"on head {head} at {setting.knob_text}"
                    )
                    break

    def _setting(self, wish: Wish, note: NoteValue, head: str, tempo_bpm: float) -> Setting:
        quarter_bpm = wish.beat.quarter_bpm(tempo_bpm)
        return setting_for(
            self._calibration, note=note, head=head, quarter_bpm=quarter_bpm, beat_bpm=tempo_bpm
        )

    def _nearest_tempo(self, wish: Wish) -> Iterator[str]:
        near = []
        for note, head in itertools.product(wish.repeats, self._heads(wish)):
            span_ms = self._trusted_ms[head]
            if span_ms is None:
                continue
            target_ms = note.delay_ms(wish.quarter_bpm)
            bpm = wish.tempo_bpm * target_ms / min(max(target_ms, span_ms[0]), span_ms[1])
            if SLOWEST_BPM <= bpm <= FASTEST_BPM:
                near.append((bpm, note.name, head))
        if near:
            bpm, name, head = min(near, key=lambda offer: _ratio(offer[0], wish.tempo_bpm))
            yield (
                f"nearest trustworthy tempo: {bpm:.1f} to the {wish.beat.name} "
                f"({name} on head {head})"
            )

    def _led_tempo(self, wish: Wish) -> Iterator[str]:
        """A tempo nearby at a knob mark that is easily found, for the tape to lead.

        By how far it, and what is heard of its error, are from the song's own tempo; tempi that
        are equally near by what the planner would make them cost.
        """
        best: tuple[float, float, float] | None = None
        taken: LeadTempo | None = None
        for place, note in enumerate(wish.repeats):
            for head in self._heads(wish):
                for led in self._led_tempos(wish.beat, note, head):
                    far = _ratio(led.tempo_bpm, wish.tempo_bpm) - 1
                    if far > _NEAR_SHARE:
                        continue
                    leeway_ms = noticeable_ms(led.delay_ms)
                    heard = max(0.0, led.error_ms - leeway_ms) / led.delay_ms
                    cost = timing_cost(led.error_ms / leeway_ms)
                    cost += UNSTEADY[wish.taste][led.zone] + PLACE * place
                    rank = ((far + heard) // NOTICEABLE_SHARE, cost, far)
                    if best is None or rank < best:
                        best, taken = rank, led
        if taken is not None:
            yield (
                f"the tape can lead at {taken.tempo_bpm:.1f} to the {wish.beat.name}: "
                f"{taken.note} on head {taken.head} at {taken.knob_text}"
            )

    def _led_tempos(self, beat: NoteValue, note: NoteValue, head: str) -> tuple[LeadTempo, ...]:
        key = (beat.name, note.name, head)
        if key not in self._led:
            report = lead_tempos(self._calibration, None, beat, (note,), "either", head=head)
            self._led[key] = report.tempos
        return self._led[key]


def _ratio(one: float, other: float) -> float:
    return max(one / other, other / one)
