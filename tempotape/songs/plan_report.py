"""The plan of a set as plain data: what to set for each part, why, and what will not work."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
from msgspec import UNSET, UnsetType

from tempotape.advice.advise import Wish, advise, head_named
from tempotape.advice.reasons import reasons as setting_reasons
from tempotape.advice.settings import Setting
from tempotape.advice.timing import noticeable_ms
from tempotape.advice.wording import zone_words
from tempotape.faults import InputFault
from tempotape.songs.choices import Choice, Found, all_choices, all_found, setting_of
from tempotape.songs.offers import offers
from tempotape.songs.parts import Part, parts_of
from tempotape.songs.planner import Cost, Weights, cheapest_path, cost_of, haste
from tempotape.songs.setlist import Setlist
from tempotape.songs.used_log import PartKey, Used
from tempotape.text import quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text
from tempotape.unit.model import Knob
from tempotape.unit.steadiness import Zone

# A setting is touchy where one hand step is worth this share of what a listener notices.
TOUCHY_SHARE = 0.75
# Less time than this is told as a warning where the hand has to move.
HURRIED_S = 5.0
# What note and head used last are worth: half a place in the order of wishes, so that a habit
# decides where there is next to nothing in it (our own judgement).
HABIT = 0.25
_NO_TEMPO = "no tempo in the set: type or tap it on stage; the hand stays where it was"


class ToldChoice(msgspec.Struct, frozen=True):
    """A choice that was considered, with its cost apart from handwork. JSON contract."""

    note: str
    head: str
    knob: float
    mark: int
    timing: float
    steadiness: float
    preference: float


class PlannedSong(msgspec.Struct, frozen=True):
    """What to set for one part of the set. Field names are the JSON contract.

    Delays and errors are in ms, `error_ms` one standard deviation; `knob_travel` is in readings.
    `knob` is None where the tempo is found live or nothing is in reach, and `reasons` say why.
    `hand` says what the hand does, `instead` why it is not the note value wanted first, `offers`
    what would work where this does not; `mark` is the reading in hand steps from the low end,
    `haste` how dear handwork is here. `touchy` means that one step is most of what is noticed.
    """

    number: int
    title: str
    section: str | None
    tempo_bpm: float | None
    beat: str
    note: str | None
    head: str | None
    knob: float | None
    knob_text: str
    delay_ms: float | None
    error_ms: float | None
    flutter_percent: float | None
    zone: Zone
    in_time: bool
    touchy: bool
    head_switch: bool
    knob_travel: float
    hand: str
    mark: int | None
    gap_s: float | None
    haste: float
    notes: str
    instead: str
    offers: tuple[str, ...]
    cost: Cost | None
    warnings: tuple[str, ...]
    reasons: tuple[str, ...]
    choices: tuple[ToldChoice, ...] | UnsetType = UNSET


class Plan(msgspec.Struct, frozen=True):
    """One setting a part for a whole set. Field names are the JSON contract."""

    set_name: str = msgspec.field(name="set")
    unit: str
    songs: tuple[PlannedSong, ...]
    total_knob_travel: float
    head_switches: int
    total_cost: float
    weights: Weights
    warnings: tuple[str, ...]


def plan_of(
    setlist: Setlist,
    path: Path,
    calibration: Calibration,
    *,
    used: Mapping[PartKey, Used] | None = None,
    with_choices: bool = False,
) -> Plan:
    """The plan of the set read from `path`; its MIDI files are read too. Raises InputFault."""
    from tempotape.songs.midi_sections import midi_sections  # noqa: PLC0415 - not for the stage

    try:
        parts = parts_of(setlist, midi_sections(setlist, path))
        return plan_parts(setlist.name, parts, calibration, used=used, with_choices=with_choices)
    except InputFault as fault:
        raise fault if fault.source else fault.located(source=str(path)) from None


def plan_parts(
    name: str,
    parts: Sequence[Part],
    calibration: Calibration,
    *,
    used: Mapping[PartKey, Used] | None = None,
    with_choices: bool = False,
) -> Plan:
    """The plan of `parts` on a unit, starting from what was `used` last where that is known.

    Raises InputFault for a head that the unit does not have.
    """
    knob = calibration.unit.knob
    weights = Weights(scale=knob.high - knob.low)
    last = [(used or {}).get((part.title, part.section)) for part in parts]
    parts = [
        _with_used_gap(_with_known_head(calibration, part), before)
        for part, before in zip(parts, last, strict=True)
    ]
    found = all_found(calibration, [part.wish for part in parts])
    choices = [
        _with_habit(offered, before)
        for offered, before in zip(all_choices(calibration, found), last, strict=True)
    ]
    hurries = [haste(part.gap_s) for part in parts]
    path = cheapest_path(choices, hurries, weights)
    songs: list[PlannedSong] = []
    before: Choice | None = None
    told_offers: dict[Wish, tuple[str, ...]] = {}
    for index, (part, at) in enumerate(zip(parts, path, strict=True)):
        wanted, choice = found[index], None if at is None else choices[index][at]
        offered: tuple[str, ...] = ()
        if wanted is not None and (choice is None or choice.zone == "unstable"):
            if wanted.wish not in told_offers:
                told_offers[wanted.wish] = offers(calibration, wanted.wish)
            offered = told_offers[wanted.wish]
        if choice is None or wanted is None:
            song = _passed_over(calibration, part, offered)
        else:
            song = _Told(
                calibration=calibration,
                part=part,
                found=wanted,
                choices=choices[index],
                choice=choice,
                setting=setting_of(calibration, choice),
                before=before,
                lender=None if choice.lender is None else parts[choice.lender],
                offered=offered,
            ).planned(cost_of(choice, before, weights, hurries[index]))
            before = choice
        song = msgspec.structs.replace(song, haste=hurries[index])
        if with_choices:
            considered = msgspec.convert(
                choices[index], tuple[ToldChoice, ...], from_attributes=True
            )
            song = msgspec.structs.replace(song, choices=considered)
        songs.append(song)
    return Plan(
        set_name=name,
        unit=calibration.unit.name,
        songs=tuple(songs),
        total_knob_travel=sum(song.knob_travel for song in songs),
        head_switches=sum(song.head_switch for song in songs),
        total_cost=sum(song.cost.total for song in songs if song.cost),
        weights=weights,
        warnings=tuple(
            f"{part.entry}: {warning}"
            for part, song in zip(parts, songs, strict=True)
            for warning in song.warnings
        ),
    )


def _with_used_gap(part: Part, used: Used | None) -> Part:
    """The part with no more time before it than there was when it was played last."""
    if used is None or used.gap_used_s is None or part.inside:
        return part
    gap_s = used.gap_used_s if part.gap_s is None else min(part.gap_s, used.gap_used_s)
    return msgspec.structs.replace(part, gap_s=gap_s)


def _with_habit(choices: Sequence[Choice], used: Used | None) -> tuple[Choice, ...]:
    """The choices, those with note and head as used last a little cheaper."""
    if used is None:
        return tuple(choices)
    return tuple(
        msgspec.structs.replace(choice, preference=choice.preference - HABIT)
        if (choice.note, choice.head) == (used.note, used.head)
        else choice
        for choice in choices
    )


def _with_known_head(calibration: Calibration, part: Part) -> Part:
    """The part with its head named as the unit names it."""
    wish = part.wish
    if wish is None or wish.head is None:
        return part
    head = head_named(calibration, wish.head, entry=part.entry)
    return msgspec.structs.replace(part, wish=msgspec.structs.replace(wish, head=head))


def hand_text(knob: Knob, before: Choice | None, choice: Choice) -> str:
    """What the hand does to get from one choice to the next: `switch to short, turn up to 3.4`."""
    to = knob_text(knob, choice.knob)
    if before is None:
        return f"head {choice.head}, knob to {to}"
    moves = []
    if choice.head != before.head:
        moves.append(f"switch to {choice.head}")
    if choice.mark != before.mark:
        ways = ("down", "up") if knob.marks == "numbers" else ("back", "clockwise")
        moves.append(f"turn {ways[choice.knob > before.knob]} to {to}")
    elif moves:
        moves.append("leave the knob")
    return ", ".join(moves) or "leave everything as it is"


class _Told(msgspec.Struct, frozen=True):
    """One choice on its path, put into words."""

    calibration: Calibration
    part: Part
    found: Found
    choices: Sequence[Choice]
    choice: Choice
    setting: Setting
    before: Choice | None
    lender: Part | None
    offered: tuple[str, ...]

    def planned(self, cost: Cost) -> PlannedSong:
        choice, setting, before = self.choice, self.setting, self.before
        instead = self._instead()
        reasons = self._reasons()
        return PlannedSong(
            number=self.part.number,
            title=self.part.title,
            section=self.part.section,
            tempo_bpm=self.part.tempo_bpm,
            beat=self.part.beat,
            note=choice.note,
            head=choice.head,
            knob=choice.knob,
            knob_text=setting.knob_text,
            delay_ms=setting.delay_ms,
            error_ms=setting.error_ms,
            flutter_percent=setting.flutter_percent,
            zone=setting.zone,
            in_time=setting.in_time,
            touchy=(setting.ms_per_step or 0.0) >= TOUCHY_SHARE * noticeable_ms(setting.target_ms),
            head_switch=before is not None and choice.head != before.head,
            knob_travel=0.0 if before is None else abs(choice.knob - before.knob),
            hand=self._hand,
            mark=choice.mark,
            gap_s=self.part.gap_s,
            haste=0.0,
            notes=self.part.notes,
            instead=instead,
            offers=self.offered,
            cost=cost,
            warnings=tuple(self._warnings(reasons)),
            reasons=(*((instead,) if instead else ()), *reasons, *self.offered),
        )

    def _warnings(self, reasons: Sequence[str]) -> Iterator[str]:
        setting = self.setting
        if setting.zone == "unstable":
            yield "; ".join(reasons[:2])
        if not setting.in_time:
            yield f"{setting.note} on head {setting.head} is {_timing_sentence(setting)}"
        moved = self.before is not None and (
            self.choice.mark != self.before.mark or self.choice.head != self.before.head
        )
        if moved and self.part.inside:
            yield f"inside the song: {self._hand}"
        elif moved and self.part.gap_s is not None and self.part.gap_s < HURRIED_S:
            yield f"only {self.part.gap_s:g} s to: {self._hand}"

    @property
    def _hand(self) -> str:
        return hand_text(self.calibration.unit.knob, self.before, self.choice)

    def _reasons(self) -> tuple[str, ...]:
        setting, found = self.setting, self.found
        if self.lender is not None:
            off_ms = (setting.delay_ms or 0.0) - setting.target_ms
            return (
                f"{abs(off_ms):.1f} ms {'long' if off_ms > 0 else 'short'}, to save turning the "
                f"knob: the reading of {quoted(self.lender.section or self.lender.title)}",
                _timing_sentence(setting),
                zone_words(setting),
            )
        if setting.zone == "unstable":  # advice knows the way out
            setting = next(
                other
                for other in advise(self.calibration, found.wish).settings
                if (other.note, other.head) == (setting.note, setting.head)
            )
            return setting.reasons
        return setting_reasons(self.calibration, setting, beat_name=self.part.beat)

    def _instead(self) -> str:
        """Why it is not to the song's taste, or not the note value wanted first; or nothing."""
        choice = self.choice
        to_taste = [other for other in self.choices if other.steadiness < choice.steadiness]
        if to_taste:
            place = _place(min(to_taste, key=lambda other: other.own_cost))
            return f"{choice.zone}, against the song's taste: {place} would take more handwork"
        first = self.found.wish.repeats[0].name
        if choice.note == first:
            return ""
        rivals = [other for other in self.choices if other.note == first]
        if not rivals:
            unstable = any(setting.note == first for setting in self.found.reachable)
            return f"{first} is {'unstable here' if unstable else 'out of reach'}"
        best = min(rivals, key=lambda other: other.own_cost)
        if best.steadiness > choice.steadiness:
            return f"{_place(best)} would be {best.zone}, against the song's taste"
        if best.own_cost < choice.own_cost:
            return f"{_place(best)} would take more handwork"
        return f"{_place(best)} would land less surely"


def _place(choice: Choice) -> str:
    return f"{choice.note} on head {choice.head} at {choice.wanted.knob_text}"


def _timing_sentence(setting: Setting) -> str:
    word = "in time" if setting.in_time else "loose"
    off_ms = abs((setting.delay_ms or 0.0) - setting.target_ms)
    off = f"{off_ms:.1f} ms off and " if off_ms >= 0.1 else ""
    return (
        f"{word}: {off}expected within {setting.error_ms:.1f} ms, "
        f"a listener notices {noticeable_ms(setting.target_ms):.1f} ms"
    )


def _passed_over(calibration: Calibration, part: Part, offered: tuple[str, ...]) -> PlannedSong:
    """A part without a setting: found live, or out of reach with what would work instead."""
    if part.wish is None:
        knob_words, why = "no tempo yet", _NO_TEMPO
    else:
        knob_words = "out of reach"
        why = advise(calibration, part.wish).settings[0].reasons[0]
    return PlannedSong(
        number=part.number,
        title=part.title,
        section=part.section,
        tempo_bpm=part.tempo_bpm,
        beat=part.beat,
        note=None,
        head=None,
        knob=None,
        knob_text=knob_words,
        delay_ms=None,
        error_ms=None,
        flutter_percent=None,
        zone="unknown",
        in_time=False,
        touchy=False,
        head_switch=False,
        knob_travel=0.0,
        hand="leave everything as it is",
        mark=None,
        gap_s=part.gap_s,
        haste=0.0,
        notes=part.notes,
        instead="",
        offers=offered,
        cost=None,
        warnings=() if part.wish is None else (f"out of reach: {why}",),
        reasons=(why, *offered),
    )
