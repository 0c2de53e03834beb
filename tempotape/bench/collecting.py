"""Points measured but not yet written to the unit file, kept so that nothing interrupts their work.

    collection = Collection(folder, unit_file, unit)
    collection.waiting             # from a run that was interrupted
    collection.take_waiting()
    collection.add(point, "taps")  # on the disk before this returns
    collection.before_writing()    # then the unit file is written
    collection.forget()            # written, or not wanted

One small file a unit lies in the user's state folder; the unit file is not touched.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable
from pathlib import Path

import msgspec

from tempotape.faults import InputFault
from tempotape.keptfile import KeptFile
from tempotape.text import printable
from tempotape.unit.model import Point, Unit
from tempotape.unit.unitfile import check_points


class Collected(msgspec.Struct, frozen=True):
    """A point, where it comes from in a few words, and when it was measured (local ISO time)."""

    point: Point
    origin: str
    measured_at: str = ""

    def same_measurement(self, other: Collected) -> bool:
        """Whether both are one measurement, as when a command is given a second time."""
        return (self.point, self.origin) == (other.point, other.origin)


class _Writing(msgspec.Struct, frozen=True):
    """The unit file is about to gain the first `count` points, after the `after` it holds."""

    after: int
    count: int


class _Kept(msgspec.Struct, frozen=True):
    unit_file: str
    collected: tuple[Collected, ...] = ()
    writing: _Writing | None = None


def _now() -> datetime.datetime:
    return datetime.datetime.now().astimezone()


class Collection:
    """Points for the unit at `unit_file`, kept in `folder`.

    `waiting` are those that an interrupted run left, `in_hand` those of this run. `problem` is a
    sentence where a kept file was damaged or a kept point no longer fits the unit, else empty.
    `safe` says whether those in hand are on the disk.
    """

    def __init__(
        self,
        folder: Path,
        unit_file: Path,
        unit: Unit,
        *,
        now: Callable[[], datetime.datetime] = _now,
    ) -> None:
        self._unit = unit
        path = str(unit_file.resolve())
        self._unit_file = printable(
            path
        )  # for a person; the name of the kept file tells units apart
        self._file = KeptFile(folder, _name(path), _Kept)
        self._now = now
        self.safe = True
        self.in_hand: tuple[Collected, ...] = ()
        self._taken: tuple[Collected, ...] = ()
        kept, self.problem = self._file.load()
        self.waiting = () if kept is None else _not_written(kept, unit)
        if not self.waiting:
            self._remove()

    def take_waiting(self) -> str:
        """Take the waiting points in hand.

        Those that no longer fit the unit go on waiting; a sentence for them, else empty.
        """
        fitting, left, told = [], [], []
        for collected in self.waiting:
            try:
                check_points(self._unit, [collected.point])
            except InputFault as fault:
                left.append(collected)
                told.append(
                    f"not taken, {collected.origin}, {fault.problem}; expected {fault.expected}"
                )
            else:
                fitting.append(collected)
        self._taken = tuple(fitting)
        self.in_hand = (*self.in_hand, *fitting)
        self.waiting = tuple(left)
        return "; ".join(told)

    def drop_waiting(self) -> None:
        """Give the waiting points up."""
        self.waiting = ()
        self._save()

    def add(self, point: Point, origin: str) -> bool:
        """Take `point` in hand; False where it could not be kept on the disk.

        The same measurement made over again, by a command given once more, counts once.
        """
        new = Collected(point, printable(origin), self._now().isoformat(timespec="seconds"))
        again = [old for old in self._taken if old.same_measurement(new)]
        if again:
            self._taken = tuple(old for old in self._taken if old is not again[0])
            return True
        self.waiting = tuple(old for old in self.waiting if not old.same_measurement(new))
        self.in_hand = (*self.in_hand, new)
        return self._save()

    @property
    def points(self) -> tuple[Point, ...]:
        """The points in hand."""
        return tuple(collected.point for collected in self.in_hand)

    def before_writing(self) -> bool:
        """Note that the points in hand now go to the end of the unit file; False as `add`.

        Should the program be killed between the writing and `forget`, the next run sees from this
        that they have arrived.
        """
        return self._save(_Writing(len(self._unit.measured), len(self.in_hand)))

    def forget(self) -> None:
        """The points in hand are written or not wanted; those waiting go on waiting."""
        self.in_hand = ()
        self._save()

    def _save(self, writing: _Writing | None = None) -> bool:
        kept = (*self.in_hand, *self.waiting)
        if not kept:
            self._remove()
            self.safe = True
        else:
            self.safe = self._file.save(_Kept(self._unit_file, kept, writing))
        return self.safe

    def _remove(self) -> None:
        # The older one first: were it left alone, it would be taken for the newest.
        try:
            self._file.before.unlink(missing_ok=True)
            self._file.newest.unlink(missing_ok=True)
        except OSError:
            self._file.save(_Kept(self._unit_file))


def _name(unit_file: str) -> str:
    path = unit_file.encode(errors="surrogateescape")
    return f"pending-{hashlib.sha256(path).hexdigest()[:32]}"


def _not_written(kept: _Kept, unit: Unit) -> tuple[Collected, ...]:
    """The kept points less those that have reached the unit file."""
    writing = kept.writing
    if writing is None:
        return kept.collected
    going = tuple(collected.point for collected in kept.collected[: writing.count])
    arrived = unit.measured[writing.after : writing.after + len(going)] == going
    return kept.collected[writing.count :] if arrived else kept.collected
