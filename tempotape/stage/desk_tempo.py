"""Tempo, trim and lead at the desk: typed, tapped, followed or sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from tempotape.advice.settings import Setting
from tempotape.advice.timing import noticeable_ms
from tempotape.faults import InputFault
from tempotape.remembered import LastOpened, remember, state_folder
from tempotape.stage import state as stage_state
from tempotape.stage.desk_base import MOST_UNDO, DeskBase
from tempotape.stage.state import StageState, Way
from tempotape.tempo.notes import NOTE_VALUES
from tempotape.tempo.typed import FASTEST_BPM, SLOWEST_BPM, delay_ms
from tempotape.unit.trim import apply_trim, can_be_drift, trim_text, trimmed_by, typed_error_ms

if TYPE_CHECKING:
    from tempotape.advice.lead import LeadTempo
    from tempotape.stage.tapping import RepeatsTapped
    from tempotape.unit.trim import Trim

TYPING_CLOSES_AFTER_S = 2.0
_TEMPO_LIMITS = f"a tempo is from {SLOWEST_BPM:g} to {FASTEST_BPM:g}"


class TempoDesk(DeskBase):
    """What changes the tempo, and what the tempo of the tape does."""

    # Tempo

    def digit(self, key: str) -> None:
        self._typed_at = self._clock()
        if self._before_typing is None:
            self._before_typing = self.state
            self._before = [*self._before[-MOST_UNDO:], self.state]
        self.change(stage_state.type_tempo(self.state, key), undo=False)

    def erase(self) -> None:
        self._typed_at = self._clock()
        self.change(stage_state.erase(self.state), undo=False)

    def close(self) -> None:
        """What is typed stands, if it is a tempo; taps with the repeats are taken for a trim."""
        fault = stage_state.typing_fault(self.state)
        before, self._before_typing = self._before_typing, None
        if fault and before is not None:
            self._before = self._before[:-1]
            self.change(before, undo=False, message=fault)
        else:
            self.change(stage_state.close_typing(self.state), undo=False)
        if self._repeats is not None:
            self._close_repeats()
            self._answer()

    def tap(self, t_s: float | None = None) -> None:
        """One tap of the beat, now or when a pedal said."""
        from tempotape.tempo.taps import TapSeries  # noqa: PLC0415 - not before a tap

        self._taps = self._taps or TapSeries()
        self._taps.tap(self._clock() if t_s is None else t_s)
        reading = self._taps.reading
        if reading is None:
            self._tap_undo = None
            self.message = "tap on"
            return
        # One series is one step to undo.
        first = self._tap_undo is None
        self._tap_undo = self._tap_undo or self.state
        self.change(stage_state.with_taps(self.state, reading), undo=first)
        if not SLOWEST_BPM <= reading.tempo_bpm <= FASTEST_BPM:
            self.message = f"{reading.tempo_bpm:.0f} BPM tapped: {_TEMPO_LIMITS}"

    def times(self, factor: float) -> None:
        changed = stage_state.times(self.state, factor)
        refused = changed is self.state and self.state.tempo_bpm is not None
        told = f"{(self.state.tempo_bpm or 0) * factor:g} BPM: {_TEMPO_LIMITS}" if refused else ""
        self.change(changed, message=told)

    def follow(self) -> bool:
        """Follow MIDI clock or leave it; whether a port has yet to be chosen."""
        on = not self.state.following
        self.change(stage_state.follow(self.state, on=on))
        view = self.link_view
        if not on or view is None or view.chosen is not None:
            return False
        if len(view.ports) == 1:
            self.choose_input(view.ports[0])
            return False
        return view.available

    def choose_input(self, name: str) -> None:
        if self._link is None:
            return
        self._link.choose(name)
        self.link_view = self._link.view()
        self.change(stage_state.follow(self.state, on=True))
        self._answer()
        self._remember(msgspec.structs.replace(self._last, midi_in=name))

    def choose_output(self, name: str) -> None:
        if self._link is None:
            return
        self._link.choose_output(name)
        self.link_view = self._link.view()
        self._answer()
        self._remember(msgspec.structs.replace(self._last, midi_out=name))

    def _remember(self, last: LastOpened) -> None:
        self._last = last
        remember(state_folder(), last)

    # Trim

    def repeats(self, t_s: float | None = None) -> None:
        """One tap along with the repeats; or the milliseconds typed are what they take.

        Digits that the repeats cannot take, and a tempo can be, are the tempo.
        """
        stands = ""
        if self.state.typing and self._before_typing is not None:
            if self._take_typed_repeats(self.state.typing, self._before_typing):
                return
            self._repeats = None
            self.close()
            stands = f"{self.state.tempo_bpm:g} BPM stands; "
        if self._repeats is None:
            setting = self._standing_at()
            if setting is None:
                self.message = stands + self.message
                return
            from tempotape.stage.tapping import RepeatsTapped  # noqa: PLC0415 - not before a tap

            self._repeats = RepeatsTapped(setting)
        self._repeats.tap(self._clock() if t_s is None else t_s)
        try:
            self.message = stands + self._repeats.told
        except InputFault as fault:
            self.message = fault.sentence

    def _take_typed_repeats(self, typed: str, before: StageState) -> bool:
        """Take digits for milliseconds, unless they are a tempo and no delay to expect."""
        now = self.state
        # Taken for a delay they are no tempo, and the unit stands where it stood before them.
        self.state = before
        self._answer()
        setting = self.answered.setting
        expected_ms = setting.delay_ms if setting is not None else None
        is_tempo = not stage_state.typing_fault(now)
        if is_tempo and not (expected_ms and can_be_drift(delay_ms(typed), expected_ms)):
            self.state = now
            self._answer()
            return False
        self._before_typing = None
        self._before = self._before[:-1]
        setting = self._standing_at()
        if setting is not None:
            self._trim_by_typed(setting, typed)
        return True

    def trim_away(self) -> None:
        self._repeats = None
        self.change(stage_state.with_trim(self.state, None))

    def _standing_at(self) -> Setting | None:
        """The setting shown, which the unit is taken to stand at."""
        setting = self.answered.setting
        if setting is None or setting.knob is None:
            self.message = "there is no setting to trim: set a tempo that is in reach"
            return None
        return setting

    def _trim_by_typed(self, setting: Setting, typed: str) -> None:
        try:
            measured_ms = delay_ms(typed)
        except InputFault as fault:
            self.message = fault.sentence
            return
        if self._trim(setting, measured_ms, typed_error_ms(measured_ms)):
            self.message = f"{measured_ms:g} ms: {self.message}"

    def _close_repeats(self) -> None:
        repeats, self._repeats = self._repeats, None
        if repeats is None:
            return
        try:
            tapped = repeats.delay_ms
        except InputFault as fault:
            self.message = fault.sentence
            return
        if tapped is None:
            self.message = f"too few taps for a trim: {repeats.LEAST} are the least"
        else:
            self._trim(repeats.setting, *tapped)

    def _trim(self, setting: Setting, measured_ms: float, error_ms: float) -> bool:
        """Scale the curve by what the evidence supports; whether it does, the unit at `setting`."""
        try:
            trim = self._trimmed(setting, measured_ms, error_ms)
        except InputFault as fault:
            self.message = fault.sentence
            return False
        self.change(stage_state.with_trim(self.state, trim), message=self._told_trim(trim))
        return trim is not None

    def _trimmed(self, setting: Setting, measured_ms: float, error_ms: float) -> Trim | None:
        """The trim with this evidence. Raises InputFault where it shows no drift."""
        if self._fitted is None or setting.knob is None:
            return self.state.trim
        return trimmed_by(
            self.state.trim,
            self._fitted,
            head=setting.head,
            knob=setting.knob,
            measured_ms=measured_ms,
            measured_error_ms=error_ms,
            now_unix_s=self._wall_clock(),
        )

    def _told_trim(self, trim: Trim | None) -> str:
        return "" if trim is None else f"{trim_text(trim, self._wall_clock())}: u undoes it"

    # The tape leads

    def lead(self) -> bool:
        """Send the tape's tempo as clock, or stop; whether a port has yet to be chosen."""
        if self.state.leading_bpm is not None:
            self.change(stage_state.lead_no_more(self.state))
            return False
        repeats, self._repeats = self._repeats, None
        if repeats is not None:
            return self._lead_by_taps(repeats)
        setting = self.answered.setting
        if setting is None or self._tempo_of(setting) is None:
            self.message = "no tempo of the tape is known: set a tempo first"
            return False
        return self._lead(setting, self._tempo_of(setting), self.state.trim)

    def _lead_by_taps(self, repeats: RepeatsTapped) -> bool:
        """Lead by the repeats just tapped: where the knob stands, the tape makes these."""
        setting = repeats.setting
        try:
            tapped = repeats.delay_ms
            trim = self._trimmed(setting, *tapped) if tapped else None
        except InputFault as fault:
            self.message = fault.sentence
            return False
        if tapped is None:
            self._repeats = repeats
            self.message = f"too few taps to lead by: {repeats.LEAST} are the least"
            return False
        if not self._gives(setting, tapped[0], trim):
            self._repeats = repeats
            self.message = "the taps are too loose to lead by: tap more of the repeats, then l"
            return False
        return self._lead(setting, self._tempo_of(setting, tapped[0]), trim)

    def _gives(self, setting: Setting, delay_ms: float, trim: Trim | None) -> bool:
        """Whether the unit, trimmed so, is known to give this delay where it stands."""
        if self._fitted is None or setting.knob is None:
            return False
        curve = apply_trim(self._fitted, trim, self._wall_clock()).curve
        given_ms = curve.delay_ms(setting.head, setting.knob)
        return given_ms is not None and abs(given_ms - delay_ms) <= noticeable_ms(delay_ms)

    def _lead(self, setting: Setting, tempo_bpm: float | None, trim: Trim | None) -> bool:
        """Send the tempo, with switch and knob where they are; whether a port has to be chosen."""
        if tempo_bpm is None or not self._can_lead(tempo_bpm):
            return False
        way = Way(setting.note, setting.head, setting.knob)
        told = self._told_trim(trim) if trim != self.state.trim else ""
        view = self.link_view
        if view is not None and not view.available:
            told = view.problem
        self.change(stage_state.lead(self.state, tempo_bpm, way, trim), message=told)
        return self._output_wanted()

    def _can_lead(self, tempo_bpm: float) -> bool:
        """Whether a tempo of the song's beat can be sent as clock; says so where not."""
        quarter_bpm = tempo_bpm * float(self.state.beat.quarters)
        if _is_clock(quarter_bpm):
            return True
        self.message = f"{quarter_bpm:.4g} quarter notes a minute are beyond what a clock can be"
        return False

    def lead_at(self, tempo: LeadTempo) -> bool:
        """Send the tempo of a listed knob mark; whether a port has yet to be chosen."""
        if not self._can_lead(tempo.tempo_bpm):
            return False
        note = NOTE_VALUES[tempo.note]
        self.change(stage_state.lead_at(self.state, tempo.tempo_bpm, note, tempo.head))
        return self._output_wanted()

    def lead_tempos(self) -> tuple[LeadTempo, ...]:
        """Tempos at easy knob marks near the song's; says why where there are none."""
        from tempotape.advice.lead import lead_tempos  # noqa: PLC0415

        calibration = self.calibration
        if calibration is None:
            return ()
        report = lead_tempos(
            calibration,
            self.state.tempo_bpm,
            self.state.beat,
            self.state.wanted if self.state.note is None else (self.state.note,),
            self.state.taste,
            head=self.state.head,
        )
        self.message = "; ".join(report.remarks)
        beat = float(self.state.beat.quarters)
        return tuple(tempo for tempo in report.tempos if _is_clock(tempo.tempo_bpm * beat))

    def _tempo_of(self, setting: Setting, delay_ms: float | None = None) -> float | None:
        """The tempo, in the song's beat, of the setting's repeats or of these.

        Out of reach, the nearest that can be; None where there is none.
        """
        from tempotape.advice.lead import tempo_of_setting  # noqa: PLC0415

        delay_ms = delay_ms or setting.delay_ms
        if delay_ms is None:
            return setting.nearest_tempo_bpm
        return tempo_of_setting(delay_ms, NOTE_VALUES[setting.note], self.state.beat)

    def _output_wanted(self) -> bool:
        view = self.link_view
        if view is None or view.output_chosen is not None:
            return False
        if len(view.outputs) == 1:
            self.choose_output(view.outputs[0])
            return False
        return view.available

    def play(self) -> None:
        """Start what follows our clock, or stop it."""
        if self._link is None or self.state.leading_bpm is None or self.link_view is None:
            self.message = "no clock is sent: l lets the tape lead"
        elif self.link_view.playing:
            self._link.halt()
        else:
            self._link.play()

    def go_on(self) -> None:
        """Let it go on from where it stopped."""
        if self._link is None or self.state.leading_bpm is None:
            self.message = "no clock is sent: l lets the tape lead"
        else:
            self._link.go_on()


def _is_clock(quarter_bpm: float) -> bool:
    """Whether clock can be sent at so many quarter notes a minute."""
    from tempotape.tempo.midi_link import FASTEST_BPM, SLOWEST_BPM  # noqa: PLC0415

    return SLOWEST_BPM <= quarter_bpm <= FASTEST_BPM
