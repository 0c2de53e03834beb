"""Taps on the stage: along with the band for a tempo, along with the repeats for a trim."""

from __future__ import annotations

from tempotape.advice.settings import Setting
from tempotape.tempo.taps import TapReading, TapSeries, repeats_per_tap

# The taps along with the repeats are over when none came for this long, or for this many of
# them if that is longer.
_CLOSES_AFTER_S = 1.5
_CLOSES_AFTER_TAPS = 2.2


class RepeatsTapped:
    """Taps along with the repeats that `setting` gives, from the first of them to a pause."""

    # Fewer say too little about a delay.
    LEAST = 3

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        self._series = TapSeries()
        self._last_s = 0.0

    def tap(self, t_s: float) -> None:
        self._series.tap(t_s)
        self._last_s = t_s

    def over(self, now_s: float) -> bool:
        """Whether the pause since the last tap says that no more will come."""
        reading = self._series.reading
        taps_s = _CLOSES_AFTER_TAPS * reading.period_s if reading else 0.0
        return now_s - self._last_s > max(_CLOSES_AFTER_S, taps_s)

    @property
    def reading(self) -> TapReading | None:
        """What the taps tell, or None while they are too few."""
        reading = self._series.reading
        return reading if reading is not None and reading.used >= self.LEAST else None

    @property
    def delay_ms(self) -> tuple[float, float] | None:
        """The delay tapped and its standard deviation; a player may tap every second repeat.

        None while the taps are too few. Raises InputFault where it cannot be told which repeats
        were tapped.
        """
        reading = self.reading
        if reading is None:
            return None
        expected_ms = self.setting.delay_ms or self.setting.target_ms
        repeats = repeats_per_tap(reading.delay_ms, expected_ms)
        return reading.delay_ms / repeats, reading.error_ms / repeats

    @property
    def told(self) -> str:
        """What to say meanwhile."""
        tapped = self.delay_ms
        if tapped is None:
            return "tap on with the repeats: r"
        return f"repeats {tapped[0]:.0f} ms, within {tapped[1]:.0f}: pause to trim, l to lead"
