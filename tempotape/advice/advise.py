"""The advice for one tempo: every wanted note value on every head, best first."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from tempotape.advice.ranking import Taste, hand_travel, ranked
from tempotape.advice.reasons import reasons
from tempotape.advice.settings import (
    Setting,
    WayOut,
    nearest_tempo_bpm,
    safe_to_aim_at,
    setting_for,
    slowest_to_aim_at,
)
from tempotape.faults import InputFault
from tempotape.tempo.notes import NOTE_VALUES, QUARTER, USUAL_REPEATS, NoteValue
from tempotape.text import listed, nearest, quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text


class Wish(msgspec.Struct, frozen=True):
    """What a player asks for: `tempo_bpm` counts the note `beat`; `repeats` are best first.

    `head` insists on one head; `hand` is where the switch and the knob stand now.
    """

    tempo_bpm: float
    beat: NoteValue = QUARTER
    repeats: tuple[NoteValue, ...] = USUAL_REPEATS
    taste: Taste = "steady"
    head: str | None = None
    hand: tuple[str, float] | None = None

    @property
    def quarter_bpm(self) -> float:
        return self.beat.quarter_bpm(self.tempo_bpm)


class Advice(msgspec.Struct, frozen=True):
    """Settings best first, unreachable ones last. Field names are the JSON contract."""

    unit: str
    tempo_bpm: float
    beat: str
    quarter_bpm: float
    taste: Taste
    settings: tuple[Setting, ...]


def head_named(calibration: Calibration, name: str, *, entry: str = "") -> str:
    """The unit's head of that name; case does not count. Raises InputFault."""
    return known_head(name, calibration.unit.head_names, entry=entry)


def known_head(name: str, heads: Sequence[str], *, source: str = "", entry: str = "") -> str:
    """The one of the unit's `heads` that is meant; case does not count. Raises InputFault."""
    for known in heads:
        if known.casefold() == name.strip().casefold():
            return known
    close = nearest(name, heads)
    raise InputFault(
        f"unknown head {quoted(name)}",
        expected=quoted(close) if close else listed(map(quoted, heads)),
        source=source,
        entry=entry,
    )


def advise(calibration: Calibration, wish: Wish) -> Advice:
    """Ranked settings with reasons for `wish`.

    Raises InputFault where the wish insists on a head that the unit does not have.
    """
    insisted = None if wish.head is None else head_named(calibration, wish.head)
    notes = tuple(dict.fromkeys(wish.repeats))
    found = [
        setting_for(
            calibration,
            note=note,
            head=head,
            quarter_bpm=wish.quarter_bpm,
            beat_bpm=wish.tempo_bpm,
        )
        for note in notes
        for head in calibration.unit.head_names
    ]
    best_first = ranked(
        calibration,
        [setting for setting in found if insisted in (None, setting.head)],
        wanted=[note.name for note in notes],
        taste=wish.taste,
        hand=wish.hand,
    )
    return Advice(
        unit=calibration.unit.name,
        tempo_bpm=wish.tempo_bpm,
        beat=wish.beat.name,
        quarter_bpm=wish.quarter_bpm,
        taste=wish.taste,
        settings=tuple(
            _told(calibration, wish, setting, found, rank)
            for rank, setting in enumerate(best_first, 1)
        ),
    )


def _told(
    calibration: Calibration,
    wish: Wish,
    setting: Setting,
    others: Sequence[Setting],
    rank: int,
) -> Setting:
    way_out = _way_out(calibration, wish, setting, others) if setting.zone == "unstable" else None
    setting = msgspec.structs.replace(setting, rank=rank, way_out=way_out)
    return msgspec.structs.replace(
        setting, reasons=reasons(calibration, setting, beat_name=wish.beat.name)
    )


def _way_out(
    calibration: Calibration, wish: Wish, setting: Setting, others: Sequence[Setting]
) -> WayOut | None:
    """The nearest trustworthy setting: the same note, another wanted one, or another tempo."""
    hand = (setting.head, setting.knob or 0.0)
    stable = [
        other
        for other in others
        if other.knob is not None
        and other.zone != "unstable"
        and safe_to_aim_at(calibration, other.knob)
    ]
    if stable:
        best = min(
            stable,
            key=lambda other: (
                other.note != setting.note,
                not other.in_time,
                hand_travel(calibration, hand, other),
            ),
        )
        assert best.knob is not None  # noqa: S101 - it is reachable
        return WayOut(best.note, best.head, best.knob, best.knob_text, wish.tempo_bpm, best.zone)
    note = NOTE_VALUES[setting.note]
    tempo_bpm = nearest_tempo_bpm(calibration, note, setting.head, wish.quarter_bpm, wish.tempo_bpm)
    slowest = slowest_to_aim_at(calibration)
    if tempo_bpm is None or slowest is None:
        return None
    return WayOut(
        setting.note,
        setting.head,
        slowest,
        knob_text(calibration.unit.knob, slowest),
        tempo_bpm,
        calibration.zone_at(slowest),
    )
