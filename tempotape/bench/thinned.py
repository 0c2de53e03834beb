"""A recording at the working rate: enough to time attacks, small enough to hold for an hour.

What is held is without its lowest and, but of recordings at low rates, its highest frequencies, at
8 to 22 thousand samples a second; of a long recording in a nameless file, which goes when closed.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from typing import IO

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tempotape.bench.recording import Samples
from tempotape.faults import InputFault
from tempotape.text import printable

LEAST_RATE_HZ = 11_000
HIGH_PASS_HZ = 100.0
SETTLED_S = 0.1
TAPS_A_STEP = 20
SCALE = 1024.0  # keeps quiet recordings out of the coarse end of half precision
MOST = 32.0  # of full scale: half precision holds up to 64
MOST_IN_MEMORY = 8_000_000  # bytes a channel, five minutes

Held = NDArray[np.float16]


class Thinner:
    """Takes one channel block by block and keeps it at the working rate `rate_hz`.

    `feed` and `thinned` raise InputFault where a long recording finds no room on the disk.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.step = max(1, sample_rate_hz // LEAST_RATE_HZ)
        self.rate_hz = sample_rate_hz / self.step
        half = TAPS_A_STEP * self.step // 2
        self._taps = (
            signal.firwin(2 * half + 1, 0.88 / self.step, window=("kaiser", 6.0))
            if self.step > 1
            else np.ones(1)
        )
        self._offset, self._settled = 0.0, False
        self._enough = round(SETTLED_S * sample_rate_hz)
        self._waiting: Samples = np.zeros(len(self._taps) // 2)
        self._high_pass = signal.butter(2, HIGH_PASS_HZ, "high", fs=self.rate_hz, output="sos")
        self._state = np.zeros((len(self._high_pass), 2))
        self._kept = _kept()
        self._count = 0

    def feed(self, block: Samples) -> None:
        self._waiting = np.concatenate((self._waiting, block - self._offset))
        if not self._settled and len(self._waiting) >= len(self._taps) // 2 + self._enough:
            self._settle()
        if self._settled:
            self._thin()

    def _settle(self) -> None:
        """Take off what the recording is off zero by: from its start that sounds as an attack."""
        begun = self._waiting[len(self._taps) // 2 :]
        self._offset = float(np.median(begun[: self._enough])) if len(begun) else 0.0
        begun -= self._offset
        self._settled = True

    def _thin(self) -> None:
        ready = (len(self._waiting) - len(self._taps) + 1) // self.step
        if ready > 0:
            self._keep(ready)

    def _keep(self, ready: int) -> None:
        length = (ready - 1) * self.step + len(self._taps)
        thinned = _strided(self._taps, self._waiting[:length], self.step, ready)
        passed, self._state = signal.sosfilt(self._high_pass, thinned, zi=self._state)
        _hold(self._kept, passed)
        self._count += len(passed)
        self._waiting = self._waiting[ready * self.step :]

    def thinned(self) -> Thinned:
        """All that was fed, to its end."""
        if not self._settled:
            self._settle()
        self.feed(np.full(len(self._taps) // 2 + self.step, self._offset))
        return Thinned((self._kept,), self._count, self.rate_hz)


def _kept() -> IO[bytes]:
    return tempfile.SpooledTemporaryFile(MOST_IN_MEMORY)


def _hold(kept: IO[bytes], samples: Samples) -> None:
    held: Held = (np.clip(samples, -MOST, MOST) * SCALE).astype(np.float16)
    try:
        kept.write(held.tobytes())
    except OSError as fault:
        why = printable(fault.strerror or str(fault))
        raise InputFault(
            f"a long recording cannot be held ({why})",
            expected=f"room for 200 MB an hour in {tempfile.gettempdir()}",
        ) from None


def _strided(taps: Samples, samples: Samples, step: int, count: int) -> Samples:
    first = (len(taps) - 1) // step
    out: Samples = signal.upfirdn(taps, samples, down=step)
    return out[first : first + count]


class Thinned:
    """One channel, or the mean of some, at the working rate.

    `part` gives a stretch of it, zeros outside.
    """

    def __init__(self, held: tuple[IO[bytes], ...], count: int, rate_hz: float) -> None:
        self._held = held
        self._count = count
        self.rate_hz = rate_hz

    def __len__(self) -> int:
        return self._count

    @property
    def duration_s(self) -> float:
        return len(self) / self.rate_hz

    def part(self, begin: int, end: int) -> Samples:
        low, high = max(begin, 0), min(end, len(self))
        out = np.zeros(end - begin)
        if high > low:
            for held in self._held:
                held.seek(2 * low)
                read = held.read(2 * (high - low))
                out[low - begin : high - begin] += np.frombuffer(read, np.float16)
        return out / (SCALE * len(self._held))

    def close(self) -> None:
        """Give back what holds it."""
        for held in self._held:
            held.close()

    def changed(self, parts: Iterable[Samples]) -> Thinned:
        """Another as long, of these parts one after the other. Raises InputFault as a Thinner."""
        kept = _kept()
        for samples in parts:
            _hold(kept, samples)
        return Thinned((kept,), len(self), self.rate_hz)

    @classmethod
    def mean(cls, left: Thinned, right: Thinned) -> Thinned:
        """Both channels of a recording as one, without holding it a third time."""
        return cls(left._held + right._held, len(left), left.rate_hz)
