"""The plan of a set as plain data: what to set for each part, why, and what will not work."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
from msgspec import UNSET, UnsetType

from tempotape.advice.advise import advise, known_head
from tempotape.advice.reasons import reasons as setting_reasons
from tempotape.advice.settings import Setting
from tempotape.advice.timing import noticeable_ms
from tempotape.advice.wording import zone_words
from tempotape.faults import InputFault
from tempotape.songs.choices import Choice, Finder, Found, setting_of
from tempotape.songs.hand_moves import LEAVE, move_text
from tempotape.songs.moving_tempo import outrun
from tempotape.songs.offers import Offering
from tempotape.songs.parts import Part, parts_of
from tempotape.songs.planner import Cost, Weights, cheapest_path, cost_of, haste
from tempotape.songs.setlist import Setlist, shared_programs, with_known_heads
from tempotape.songs.used_log import PartKey, Used
from tempotape.text import quoted
from tempotape.unit.calibration import Calibration
from tempotape.unit.knob import knob_text
from tempotape.unit.steadiness import Zone

# A setting is touchy where one hand step is worth this share of what a listener notices.
TOUCHY_SHARE = 0.75
# Less time than this is told as a warning where the hand has to move.
HURRIED_S = 5.0
# What note and head used last are worth: half a place in the order of wishes, so that a habit
# decides where there is next to nothing in it (our own judgement).
HABIT = 0.25
# A gap shorter than the first, or before a part that was played for less than the second, is none:
# the set was tapped through (our own judgement).
_SHORTEST_GAP_S = 2.0
_SHORTEST_PLAYED_S = 20.0
LIVE_OUTSIDE = "no tempo outside its sections: type or tap it on stage"
_NO_TEMPO = "no tempo in the set: type or tap it on stage; the hand stays where it was"
_TIMING_WORDS = ("in time: ", "loose: ")


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
    `haste` how dear handwork is here; `gap_from_last` says that `gap_s` is what it was when the
    set was played last. `touchy` means that one step is most of what is noticed.
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
    gap_from_last: bool = False
    choices: tuple[ToldChoice, ...] | UnsetType = UNSET


class Plan(msgspec.Struct, frozen=True):
    """One setting a part for a whole set. Field names are the JSON contract.

    `from_last` says that gaps or habits of when the set was played last count in it.
    """

    set_name: str = msgspec.field(name="set")
    unit: str
    songs: tuple[PlannedSong, ...]
    total_knob_travel: float
    head_switches: int
    total_cost: float
    weights: Weights
    warnings: tuple[str, ...]
    from_last: bool = False


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

    setlist = with_known_heads(setlist, calibration.unit.head_names, source=str(path))
    try:
        parts = parts_of(setlist, midi_sections(setlist, path))
        plan = plan_parts(setlist.name, parts, calibration, used=used, with_choices=with_choices)
    except InputFault as fault:
        raise fault if fault.source else fault.located(source=str(path)) from None
    return msgspec.structs.replace(plan, warnings=(*plan.warnings, *shared_programs(setlist)))


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
    written = [_with_known_head(calibration, part) for part in parts]
    parts = [_with_used_gap(part, then) for part, then in zip(written, last, strict=True)]
    from_last = [now is not then for now, then in zip(parts, written, strict=True)]
    finder, offering = Finder(calibration), Offering(calibration)
    found = finder.found(part.wish for part in parts)
    offered = finder.choices(found)
    choices = [_with_habit(some, then) for some, then in zip(offered, last, strict=True)]
    hurries = [haste(part.gap_s) for part in parts]
    path = cheapest_path(choices, hurries, weights)
    songs: list[PlannedSong] = []
    before: Choice | None = None
    for index, (part, at) in enumerate(zip(parts, path, strict=True)):
        wanted, choice = found[index], None if at is None else choices[index][at]
        considered: tuple[ToldChoice, ...] | UnsetType = UNSET
        if with_choices:
            considered = msgspec.convert(
                choices[index], tuple[ToldChoice, ...], from_attributes=True
            )
        common = _Common(part, hurries[index], from_last[index], considered)
        if choice is None or wanted is None:
            songs.append(_passed_over(offering, common))
            continue
        setting = setting_of(calibration, wanted.wish, choice)
        moving = outrun(setting, part.moves)
        told = _Told(
            calibration=calibration,
            common=common,
            found=wanted,
            choices=choices[index],
            choice=choice,
            setting=msgspec.structs.replace(setting, in_time=setting.in_time and not moving),
            moving=moving,
            before=before,
            lender=None if choice.lender is None else parts[choice.lender],
            offered=offering.offers(wanted.wish) if choice.zone == "unstable" else (),
        )
        songs.append(told.planned(cost_of(choice, before, weights, hurries[index])))
        before = choice
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
        from_last=any(from_last) or choices != offered,
    )


def _with_used_gap(part: Part, used: Used | None) -> Part:
    """The part with no more time before it than there was when it was played last."""
    if used is None or used.gap_used_s is None or part.inside:
        return part
    played_s = _SHORTEST_PLAYED_S if used.length_s is None else used.length_s
    if used.gap_used_s < _SHORTEST_GAP_S or played_s < _SHORTEST_PLAYED_S:
        return part
    if part.gap_s is not None and part.gap_s <= used.gap_used_s:
        return part
    return msgspec.structs.replace(part, gap_s=used.gap_used_s)


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
    head = known_head(wish.head, calibration.unit.head_names, entry=part.entry)
    return msgspec.structs.replace(part, wish=msgspec.structs.replace(wish, head=head))


class _Common(msgspec.Struct, frozen=True):
    """What is told of a part whether there is a setting for it or not."""

    part: Part
    haste: float
    gap_from_last: bool
    considered: tuple[ToldChoice, ...] | UnsetType


class _Told(msgspec.Struct, frozen=True):
    """One choice on its path, put into words; `moving` says why it is not in time all along."""

    calibration: Calibration
    common: _Common
    found: Found
    choices: Sequence[Choice]
    choice: Choice
    setting: Setting
    moving: str
    before: Choice | None
    lender: Part | None
    offered: tuple[str, ...]

    def planned(self, cost: Cost) -> PlannedSong:
        choice, setting, before = self.choice, self.setting, self.before
        part, hand = self.common.part, self._hand
        instead = self._instead()
        reasons = self._reasons()
        return PlannedSong(
            number=part.number,
            title=part.title,
            section=part.named,
            tempo_bpm=part.tempo_bpm,
            beat=part.beat,
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
            hand=hand,
            mark=choice.mark,
            gap_s=part.gap_s,
            haste=self.common.haste,
            notes=part.notes,
            instead=instead,
            offers=self.offered,
            cost=cost,
            warnings=tuple(self._warnings(reasons, hand)),
            reasons=(
                *((instead,) if instead else ()),
                *reasons,
                *self.offered,
                *_live_outside(part),
            ),
            gap_from_last=self.common.gap_from_last,
            choices=self.common.considered,
        )

    def _warnings(self, reasons: Sequence[str], hand: str) -> Iterator[str]:
        setting, part = self.setting, self.common.part
        if part.remark:
            yield part.remark
        if setting.zone == "unstable":
            yield "; ".join(reasons[:2])
        if not setting.in_time:
            yield f"{setting.note} on head {setting.head} is {self._timing}"
        moved = self.before is not None and (
            self.choice.mark != self.before.mark or self.choice.head != self.before.head
        )
        if moved and part.inside:
            yield f"inside the song: {hand}"
        elif moved and part.gap_s is not None and part.gap_s < HURRIED_S:
            yield f"only {part.gap_s:.2g} s to: {hand}"

    @property
    def _hand(self) -> str:
        knob, choice, before = self.calibration.unit.knob, self.choice, self.before
        if before is None:
            return move_text(knob, None, None, choice.head, choice.knob)
        return move_text(knob, before.head, before.knob, choice.head, choice.knob)

    @property
    def _timing(self) -> str:
        return self.moving or _timing_sentence(self.setting)

    def _reasons(self) -> tuple[str, ...]:
        at_mean = self._reasons_at_mean()
        if not self.moving:
            return at_mean
        return tuple(
            self.moving if reason.startswith(_TIMING_WORDS) else reason for reason in at_mean
        )

    def _reasons_at_mean(self) -> tuple[str, ...]:
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
        return setting_reasons(self.calibration, setting, beat_name=self.common.part.beat)

    def _instead(self) -> str:
        """Why it is not to the song's taste, or not the note value wanted first; or nothing."""
        choice = self.choice
        to_taste = [other for other in self.choices if other.steadiness < choice.steadiness]
        if to_taste:
            place = self._place(min(to_taste, key=lambda other: other.own_cost))
            return f"{choice.zone}, against the song's taste: {place} would take more handwork"
        first = self.found.wish.repeats[0].name
        if choice.note == first:
            return ""
        rivals = [other for other in self.choices if other.note == first]
        if not rivals:
            unstable = any(other.note == first for other in self.found.own)
            return f"{first} is {'unstable here' if unstable else 'out of reach'}"
        best = min(rivals, key=lambda other: other.own_cost)
        if best.steadiness > choice.steadiness:
            return f"{self._place(best)} would be {best.zone}, against the song's taste"
        if best.own_cost < choice.own_cost:
            return f"{self._place(best)} would take more handwork"
        return f"{self._place(best)} would land less surely"

    def _place(self, choice: Choice) -> str:
        own = next(
            own for own in self.found.own if (own.note, own.head) == (choice.note, choice.head)
        )
        at = knob_text(self.calibration.unit.knob, own.knob)
        return f"{own.note} on head {own.head} at {at}"


def _timing_sentence(setting: Setting) -> str:
    word = "in time" if setting.in_time else "loose"
    off_ms = abs((setting.delay_ms or 0.0) - setting.target_ms)
    off = f"{off_ms:.1f} ms off and " if off_ms >= 0.1 else ""
    return (
        f"{word}: {off}expected within {setting.error_ms:.1f} ms, "
        f"a listener notices {noticeable_ms(setting.target_ms):.1f} ms"
    )


def _live_outside(part: Part) -> tuple[str, ...]:
    return (LIVE_OUTSIDE,) if part.live_outside else ()


def _passed_over(offering: Offering, common: _Common) -> PlannedSong:
    """A part without a setting: found live, or out of reach with what would work instead."""
    part = common.part
    knob_words, why = "no tempo yet", _NO_TEMPO
    offered: tuple[str, ...] = ()
    if part.wish is not None:
        knob_words, why = "out of reach", offering.why_out_of_reach(part.wish)
        offered = offering.offers(part.wish)
    return PlannedSong(
        number=part.number,
        title=part.title,
        section=part.named,
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
        hand=LEAVE,
        mark=None,
        gap_s=part.gap_s,
        haste=common.haste,
        notes=part.notes,
        instead="",
        offers=offered,
        cost=None,
        warnings=(
            *((part.remark,) if part.remark else ()),
            *(() if part.wish is None else (f"out of reach: {why}",)),
        ),
        reasons=(why, *offered, *_live_outside(part)),
        gap_from_last=common.gap_from_last,
        choices=common.considered,
    )
