"""A simulated echo unit: a tape loop with a record head and one playback head.

    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, feedback=0.5)
    played = play(unit, sound, rate_hz=48_000, seed=1)   # `sound`: mono, full scale 1.0
    played.wet                 # what the playback head gives, as long as `sound`
    played.delay_ms            # the true delay d / v at each sample (the last value where none)
    played.speed_error         # relative speed error at each sample
    played.ticks_s             # when the splice passed the playback head
    mixed(sound, played, dry=1.0, wet=0.5)               # mono
    beside(sound, played)                                # stereo, dry left and wet right

The tape stands at `x(t)`, the integral of the speed. The playback head, `gap_mm` behind the record
head, reads at `t` what was written at the `u` where `x(u) = x(t) - gap`; the true delay is `t - u`.
What was written is read between samples by a windowed sinc of 32 samples. On every pass the sound
is limited to the unit's band, and hiss, ticks and dropouts are added; `feedback` times the result
is written again. Speed error: `drift_per_s * t`, plus `wow` components `(hz, depth, phase_rad)`,
plus noise of `jitter` rms, low-passed at `jitter_hz`.
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np
from scipy import signal

TAPS = 32
PHASES = 4096


class SimulatedUnit(msgspec.Struct, frozen=True):
    gap_mm: float = 60.0
    speed_mm_s: float = 120.0
    drift_per_s: float = 0.0
    wow: tuple[tuple[float, float, float], ...] = ()
    jitter: float = 0.0
    jitter_hz: float = 20.0
    feedback: float = 0.0  # times the wet signal, written again
    low_hz: float | None = 80.0  # None: no high pass
    high_hz: float | None = 6000.0  # None: no low pass
    order: int = 1  # of the high pass; the low pass has twice that
    saturation: float = 0.0  # 0: linear; s: written is tanh(s x) / s
    hiss: float = 0.0  # rms at the playback head, each pass
    hum: float = 0.0  # rms in the output, 50 Hz with harmonics
    loop_mm: float | None = None
    tick: float = 0.0  # peak of the splice tick at the playback head
    tick_s: float = 0.002
    dropouts_per_s: float = 0.0
    inverted: bool = False


class Played(msgspec.Struct, frozen=True):
    wet: np.ndarray
    delay_ms: np.ndarray
    speed_error: np.ndarray
    ticks_s: tuple[float, ...]
    rate_hz: int


class Motion(msgspec.Struct, frozen=True):
    speed_error: np.ndarray
    written_at: np.ndarray  # sample number at which the record head wrote what is read now
    ticks_s: tuple[float, ...]


def motion(unit: SimulatedUnit, frames: int, rate_hz: int, rng: np.random.Generator) -> Motion:
    """How the tape moves, with a lead so that something was written before the first sample."""
    lead = int(2.0 * unit.gap_mm / unit.speed_mm_s * rate_hz) + rate_hz
    t_s = (np.arange(frames + lead) - lead) / rate_hz
    error = unit.drift_per_s * np.maximum(t_s, 0.0)
    for hz, depth, phase in unit.wow:
        error = error + depth * np.sin(2 * np.pi * hz * t_s + phase)
    if unit.jitter:
        sos = signal.butter(2, unit.jitter_hz, fs=rate_hz, output="sos")
        noise = signal.sosfilt(sos, rng.normal(size=frames + lead))
        error = error + noise * (unit.jitter / noise[lead:].std())
    speed = unit.speed_mm_s * (1.0 + error)
    x_mm = np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) / 2))) / rate_hz
    written_at = np.interp(x_mm[lead:] - unit.gap_mm, x_mm, np.arange(-lead, frames))
    ticks: tuple[float, ...] = ()
    if unit.loop_mm is not None:
        here = x_mm[lead:]
        marks = unit.loop_mm * np.arange(np.ceil(here[0] / unit.loop_mm), here[-1] / unit.loop_mm)
        ticks = tuple(np.interp(marks, here, np.arange(frames)) / rate_hz)
    return Motion(error[lead:], written_at, ticks)


def _sinc_table() -> np.ndarray:
    offset = np.arange(TAPS) - (TAPS // 2 - 1)
    at = offset[None, :] - (np.arange(PHASES + 1) / PHASES)[:, None]
    window = np.i0(9.0 * np.sqrt(np.clip(1 - (at / (TAPS / 2)) ** 2, 0, 1))) / np.i0(9.0)
    return np.sinc(at) * window


_TABLE = _sinc_table()


def read_between(samples: np.ndarray, at: np.ndarray) -> np.ndarray:
    """`samples` at fractional positions; 0 outside."""
    whole = np.floor(at).astype(np.int64)
    phase = np.rint((at - whole) * PHASES).astype(np.int64)
    first = int(whole.min()) - TAPS
    last = int(whole.max()) + TAPS
    held = np.zeros(last - first + 1)
    low, high = max(first, 0), min(last + 1, len(samples))
    if high > low:
        held[low - first : high - first] = samples[low:high]
    begins = whole - first - (TAPS // 2 - 1)
    if np.all(phase == phase[0]) and np.all(np.diff(whole) == 1):  # a steady tape
        return np.correlate(held[begins[0] : begins[-1] + TAPS], _TABLE[phase[0]], "valid")
    rows = np.lib.stride_tricks.sliding_window_view(held, TAPS)
    return np.einsum("ij,ij->i", rows[begins], _TABLE[phase])


class LiveUnit:
    """The unit at work: `feed` takes blocks of what is written and gives what is played back.

    All motion is laid out beforehand for `frames` samples; the blocks may have any length.
    """

    def __init__(self, unit: SimulatedUnit, frames: int, rate_hz: int, seed: int = 0) -> None:
        rng = np.random.default_rng(seed)
        self.unit = unit
        self.rate_hz = rate_hz
        self.moved = motion(unit, frames, rate_hz, rng)
        self.written = np.zeros(frames)
        self.done = 0
        self.filters = [[sos, signal.sosfilt_zi(sos) * 0.0] for sos in _band(unit, rate_hz)]
        self.added = _added(unit, self.moved, frames, rate_hz, rng)
        self.loss = _dropouts(unit, frames, rate_hz, rng)
        shortest = float(np.min(np.arange(frames) - self.moved.written_at))
        self.step = max(1, int(shortest) - TAPS)

    def feed(self, block: np.ndarray) -> np.ndarray:
        wet = np.empty(len(block))
        for begin, end in self._steps(len(block)):
            wet[begin:end] = self._pass(block[begin:end])
        return wet

    def _steps(self, frames: int) -> Iterator[tuple[int, int]]:
        for begin in range(0, frames, self.step):
            yield begin, min(begin + self.step, frames)

    def _pass(self, sound: np.ndarray) -> np.ndarray:
        span = slice(self.done, self.done + len(sound))
        read = read_between(self.written, self.moved.written_at[span]) * self.loss[span]
        read = read + self.added[span]
        for held in self.filters:
            read, held[1] = signal.sosfilt(held[0], read, zi=held[1])
        if self.unit.inverted:
            read = -read
        onto = sound + self.unit.feedback * read
        s = self.unit.saturation
        self.written[span] = np.tanh(s * onto) / s if s else onto
        self.done += len(sound)
        return read


def play(unit: SimulatedUnit, sound: np.ndarray, rate_hz: int = 48_000, seed: int = 0) -> Played:
    """Play `sound` through the unit."""
    live = LiveUnit(unit, len(sound), rate_hz, seed)
    wet = live.feed(sound)
    if unit.hum:
        wet = wet + hum(len(sound), rate_hz, unit.hum)
    return Played(
        wet=wet,
        delay_ms=(np.arange(len(sound)) - live.moved.written_at) * 1000.0 / rate_hz,
        speed_error=live.moved.speed_error,
        ticks_s=live.moved.ticks_s,
        rate_hz=rate_hz,
    )


def hum(frames: int, rate_hz: int, rms: float, mains_hz: float = 50.0) -> np.ndarray:
    t_s = np.arange(frames) / rate_hz
    parts = ((1, 1.0), (2, 0.5), (3, 0.7), (5, 0.3), (7, 0.2), (9, 0.1), (12, 0.05))
    sound = sum(level * np.sin(2 * np.pi * mains_hz * n * t_s + n) for n, level in parts)
    return sound * (rms / np.sqrt(np.mean(sound**2)))


def mixed(sound: np.ndarray, played: Played, dry: float = 1.0, wet: float = 1.0) -> np.ndarray:
    return dry * sound + wet * played.wet


def beside(sound: np.ndarray, played: Played) -> np.ndarray:
    return np.stack((sound, played.wet), axis=1)


def clicks(
    times_s: np.ndarray | list[float],
    frames: int,
    rate_hz: int,
    kind: str = "pulse",
    peak: float = 0.25,
) -> np.ndarray:
    """Clicks at `times_s` (to the nearest sample): "sample", "pulse" (a 3 kHz half wave and its
    mirror image), "burst" (4 ms of noise, the same each time) or "tone" (4 ms at 2 kHz)."""
    t_s = np.arange(int(0.004 * rate_hz)) / rate_hz
    shape = {
        "sample": np.array([1.0]),
        "pulse": np.sin(2 * np.pi * 3000 * t_s[t_s < 1 / 3000]),
        "burst": np.random.default_rng(99).normal(size=len(t_s)) * np.exp(-t_s / 0.001),
        "tone": np.sin(2 * np.pi * 2000 * t_s) * np.hanning(len(t_s)),
    }[kind]
    sound = np.zeros(frames + len(shape))
    for at in times_s:
        begin = round(at * rate_hz)
        if begin < frames:
            sound[begin : begin + len(shape)] += shape
    return sound[:frames] * (peak / np.abs(shape).max())


def plucked(
    times_s: np.ndarray | list[float],
    hz: np.ndarray | list[float],
    frames: int,
    rate_hz: int,
    *,
    seed: int = 0,
    peak: float = 0.25,
) -> np.ndarray:
    """A phrase of plucked strings: each a burst of noise going round a lossy delay line."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(frames)
    for at, pitch in zip(times_s, hz, strict=True):
        begin = round(at * rate_hz)
        length = min(frames - begin, int(1.5 * rate_hz))
        if length <= 0:
            continue
        period = round(rate_hz / pitch)
        string = np.zeros(length + period + 1)  # what went round before the first sample: nothing
        string[period + 1 :][:period] = rng.uniform(-1, 1, min(period, length))
        for start in range(2 * period + 1, len(string), period):
            here = slice(start, start + period)
            before = string[start - period - 1 :][: len(string[here]) + 1]
            string[here] = 0.498 * before[:-1] + 0.498 * before[1:]
        sound[begin : begin + length] += string[period + 1 :] * rng.uniform(0.6, 1)
    return sound * (peak / np.abs(sound).max())


def _band(unit: SimulatedUnit, rate_hz: int) -> list[np.ndarray]:
    parts = []
    if unit.low_hz is not None:
        parts.append(signal.butter(unit.order, unit.low_hz, "high", fs=rate_hz, output="sos"))
    if unit.high_hz is not None and unit.high_hz < 0.49 * rate_hz:
        parts.append(signal.butter(2 * unit.order, unit.high_hz, fs=rate_hz, output="sos"))
    return parts


def _added(
    unit: SimulatedUnit, moved: Motion, frames: int, rate_hz: int, rng: np.random.Generator
) -> np.ndarray:
    added = rng.normal(size=frames) * unit.hiss if unit.hiss else np.zeros(frames)
    t_s = np.arange(int(5 * unit.tick_s * rate_hz)) / rate_hz
    shape = unit.tick * np.exp(-t_s / unit.tick_s) * np.cos(2 * np.pi * 700 * t_s)
    for at in moved.ticks_s if unit.tick else ():
        begin = round(at * rate_hz)
        part = shape[: frames - begin]
        added[begin : begin + len(part)] += part
    return added


def _dropouts(
    unit: SimulatedUnit, frames: int, rate_hz: int, rng: np.random.Generator
) -> np.ndarray:
    loss = np.ones(frames)
    for begin in rng.integers(0, frames, rng.poisson(unit.dropouts_per_s * frames / rate_hz)):
        length = int(rng.uniform(0.005, 0.05) * rate_hz)
        loss[begin : begin + length] *= (
            1 - rng.uniform(0.5, 1) * np.hanning(length)[: frames - begin]
        )
    return loss
