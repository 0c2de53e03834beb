"""What would work for a part of a set that the unit cannot play, or not be trusted with."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from tempotape.advice.advise import Wish
from tempotape.advice.lead import lead_tempos
from tempotape.advice.settings import Setting, nearest_tempo_bpm, setting_for, trusted_delays_ms
from tempotape.tempo.notes import NOTE_VALUES, NoteValue
from tempotape.text import listed
from tempotape.unit.calibration import Calibration

# A band that counts a song this much faster or slower still plays the same song; judgement.
_NEAR_SHARE = 0.2
_USUAL_NOTES = tuple(
    note for name, note in NOTE_VALUES.items() if not name.startswith("double dotted")
)


def offers(calibration: Calibration, wish: Wish) -> tuple[str, ...]:
    """Other note values, half or twice the tempo, and tempi nearby, each in a few words.

    Everything offered is measured and not unstable.
    """
    heads = calibration.unit.head_names if wish.head is None else (wish.head,)
    return (
        *_other_notes(calibration, wish, heads),
        *_other_count(calibration, wish, heads),
        *_nearest_tempo(calibration, wish, heads),
        *_led_tempo(calibration, wish),
    )


def _other_notes(calibration: Calibration, wish: Wish, heads: Sequence[str]) -> Iterator[str]:
    """On each head the note value nearest in length to the one wanted first."""
    wanted = wish.repeats[0]

    def far(note: NoteValue) -> float:
        return float(max(note.quarters / wanted.quarters, wanted.quarters / note.quarters))

    told = []
    for head in heads:
        span_ms = trusted_delays_ms(calibration, head)
        if span_ms is None:
            continue
        fitting = [
            note
            for note in _USUAL_NOTES
            if span_ms[0] <= note.delay_ms(wish.quarter_bpm) <= span_ms[1]
        ]
        if fitting:
            told.append(f"{min(fitting, key=far).name} on head {head}")
    if told:
        yield f"another note value: {listed(told)}"


def _other_count(calibration: Calibration, wish: Wish, heads: Sequence[str]) -> Iterator[str]:
    """A wanted note value at half or at twice the tempo."""
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        for note, head in itertools.product(wish.repeats, heads):
            setting = _setting(calibration, wish, note, head, wish.tempo_bpm * factor)
            if setting.in_time and setting.zone != "unstable":
                yield (
                    f"counted at {word} the tempo, {wish.tempo_bpm * factor:g}: {note.name} "
                    f"on head {head} at {setting.knob_text}"
                )
                break


def _setting(
    calibration: Calibration, wish: Wish, note: NoteValue, head: str, tempo_bpm: float
) -> Setting:
    quarter_bpm = wish.beat.quarter_bpm(tempo_bpm)
    return setting_for(
        calibration, note=note, head=head, quarter_bpm=quarter_bpm, beat_bpm=tempo_bpm
    )


def _nearest_tempo(calibration: Calibration, wish: Wish, heads: Sequence[str]) -> Iterator[str]:
    near = [
        (bpm, note, head)
        for note, head in itertools.product(wish.repeats, heads)
        if (bpm := nearest_tempo_bpm(calibration, note, head, wish.quarter_bpm, wish.tempo_bpm))
        is not None
    ]
    if not near:
        return
    bpm, note, head = min(near, key=lambda offer: _ratio(offer[0], wish.tempo_bpm))
    yield (
        f"nearest trustworthy tempo: {bpm:.1f} to the {wish.beat.name} ({note.name} on head {head})"
    )


def _led_tempo(calibration: Calibration, wish: Wish) -> Iterator[str]:
    """A tempo nearby at a knob mark that is easily found, for the tape to lead."""
    report = lead_tempos(
        calibration, wish.tempo_bpm, wish.beat, wish.repeats, wish.taste, head=wish.head
    )
    for led in report.tempos[:1]:
        if _ratio(led.tempo_bpm, wish.tempo_bpm) <= 1 + _NEAR_SHARE:
            yield (
                f"the tape can lead at {led.tempo_bpm:.1f} to the {wish.beat.name}: {led.note} "
                f"on head {led.head} at {led.knob_text}"
            )


def _ratio(one: float, other: float) -> float:
    return max(one / other, other / one)
