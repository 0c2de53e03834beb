"""The straight line through clock ticks: arrival time against the tick's number.

Its slope is the time between two ticks.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

# Arrivals further than this many standard deviations from the line pull no harder than this.
CLIP_SD = 3.0
# The window holds between one and two times this: 10 s of ticks at 300 BPM are 1,200.
WINDOW_TICKS = 1200
# Times this near to whole milliseconds apart have been rounded to them.
_WHOLE_MS = 0.001


class Slope(msgspec.Struct, frozen=True):
    """Least-squares line through some ticks.

    `mean_s` is its value at `mean_number`. `spread` is the sum of squared distances of the numbers
    from their mean: the variance of `period_s` is that of one arrival over `spread`. `misfit_s2`
    is the sum of squared residuals.
    """

    period_s: float
    mean_number: float
    mean_s: float
    spread: float
    misfit_s2: float

    def time_s(self, number: float) -> float:
        """When the line expects the tick of this number."""
        return self.mean_s + (number - self.mean_number) * self.period_s


class TickLine:
    """A growing line through numbered ticks, whose last ticks can be fitted on their own.

    Sums run along the ticks, so the line through any stretch of them costs the same however long
    it is. Memory is bounded: the oldest ticks are let go. An arrival far off the line pulls only
    as hard as one `CLIP_SD` standard deviations off; the raw time is kept beside it.
    `whole_ms` says whether all times are whole milliseconds apart; `revision` changes when more
    than one tick does.
    """

    fitted: Slope
    whole_ms: bool

    def __init__(
        self, numbers: Sequence[int], times_s: Sequence[float], guide: Slope, jitter_s: float
    ) -> None:
        self.numbers = list(numbers)
        self.times_s = list(times_s)
        self.revision = 0
        self._rebuild(guide, jitter_s)

    def __len__(self) -> int:
        return len(self.numbers)

    def append(self, number: int, time_s: float, jitter_s: float) -> float:
        """Add a tick; returns how far off the line it came, in seconds, after clipping."""
        expected_s = self.fitted.time_s(number)
        limit_s = CLIP_SD * jitter_s
        off_s = min(limit_s, max(-limit_s, time_s - expected_s))
        self.numbers.append(number)
        self.times_s.append(time_s)
        self.whole_ms = self.whole_ms and self._is_whole_ms(time_s)
        if len(self.numbers) < 2 * WINDOW_TICKS:
            self._add(number, expected_s + off_s - self._guide.time_s(number))
            self.fitted = self.stretch(0, len(self.numbers))
        else:
            del self.numbers[:-WINDOW_TICKS], self.times_s[:-WINDOW_TICKS]
            self._rebuild(self.fitted, jitter_s)
        return off_s

    def renumber(self, last_numbers: Sequence[int], jitter_s: float) -> None:
        """Give the last ticks these numbers."""
        place = len(self.numbers) - len(last_numbers)
        guide = self.stretch(0, place)
        limit_s = CLIP_SD * jitter_s
        self.revision += 1
        self.numbers[place:] = last_numbers
        del self._sums[place + 1 :]
        for number, time_s in zip(last_numbers, self.times_s[place:], strict=True):
            expected_s = guide.time_s(number)
            off_s = min(limit_s, max(-limit_s, time_s - expected_s))
            self._add(number, expected_s + off_s - self._guide.time_s(number))
        self.fitted = self.stretch(0, len(self.numbers))

    def stretch(self, first: int, end: int) -> Slope:
        """The line through the ticks from place `first` up to, not including, place `end`."""
        guide = self._guide
        from_x, from_y, from_xx, from_xy, from_yy = self._sums[first]
        to_x, to_y, to_xx, to_xy, to_yy = self._sums[end]
        count = end - first
        mean_x = (to_x - from_x) / count
        sum_y = to_y - from_y
        mean_y = sum_y / count
        spread = to_xx - from_xx - (to_x - from_x) * mean_x
        product = to_xy - from_xy - mean_x * sum_y
        tilt = product / spread if spread else 0.0
        return Slope(
            guide.period_s + tilt,
            guide.mean_number + mean_x,
            guide.mean_s + mean_x * guide.period_s + mean_y,
            spread,
            max(0.0, to_yy - from_yy - sum_y * mean_y - tilt * product),
        )

    def strayed_s2(self, end: int) -> float:
        """Sum of squared distances from the guide line, of the ticks up to place `end`."""
        return self._sums[end][4]

    def _rebuild(self, guide: Slope, jitter_s: float) -> None:
        """Sum anew, times counted from the guide line so that no digits are lost."""
        self.revision += 1
        self.whole_ms = all(map(self._is_whole_ms, self.times_s))
        self._guide = guide
        self._sums: list[tuple[float, float, float, float, float]] = [(0.0, 0.0, 0.0, 0.0, 0.0)]
        limit_s = CLIP_SD * jitter_s
        for number, time_s in zip(self.numbers, self.times_s, strict=True):
            off_s = time_s - guide.time_s(number)
            self._add(number, min(limit_s, max(-limit_s, off_s)))
        self.fitted = self.stretch(0, len(self.numbers))

    def _is_whole_ms(self, time_s: float) -> bool:
        since_ms = (time_s - self.times_s[0]) * 1000.0
        return abs(since_ms - round(since_ms)) < _WHOLE_MS

    def _add(self, number: int, off_s: float) -> None:
        x = number - self._guide.mean_number
        sum_x, sum_y, sum_xx, sum_xy, sum_yy = self._sums[-1]
        self._sums.append(
            (sum_x + x, sum_y + off_s, sum_xx + x * x, sum_xy + x * off_s, sum_yy + off_s * off_s)
        )
