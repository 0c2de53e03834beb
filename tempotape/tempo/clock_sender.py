"""The thread that sends our clock, and what keeps it on time."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from tempotape.tempo.link_protocol import Lead, LeadCommand, Led
from tempotape.tempo.tick_plan import STOP, TIMING_CLOCK, TickPlan

# A sleep ends 0.08 ms late in the middle and 0.16 ms late in 1 of 100 (measured, idle), so it is
# ended this much early and the rest waited out awake: 1 % of a core at 120 to the quarter.
_AWAKE_S = 0.0002
# Send times that nobody has taken yet.
_KEPT_TIMES = 1024
_FIFO_PRIORITY = 20
_NICENESS = -10


def hurry(*, fifo: bool) -> None:
    """Let the calling thread go before others, where the system allows it."""
    if fifo and hasattr(os, "sched_setscheduler"):
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(_FIFO_PRIORITY))
            return
    if hasattr(os, "setpriority"):
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICENESS)


class ClockSender:
    """Sends what a plan says through `send`, each message when it is due and none ahead of it.

    The thread is there from the first command on. All methods may be called from any thread.
    """

    def __init__(self, send: Callable[[bytes], None]) -> None:
        self._send = send
        self._plan = TickPlan()
        self._told = threading.Condition()
        self._thread: threading.Thread | None = None
        self._sent_s: deque[float] = deque(maxlen=_KEPT_TIMES)

    @property
    def at_work(self) -> bool:
        """Whether anything was ever led."""
        return self._thread is not None

    def tell(self, command: LeadCommand) -> None:
        """Carry out a command now."""
        with self._told:
            self._plan.tell(command, time.monotonic())
            if isinstance(command, Lead) and self._thread is None:
                self._thread = threading.Thread(target=self._run, name="clock", daemon=True)
                self._thread.start()
            self._told.notify()

    def announce(self) -> None:
        """Tell a follower that was just found where the song is."""
        with self._told:
            self._plan.announce(time.monotonic())
            self._told.notify()

    def stop_followers(self) -> None:
        """Tell what plays along to stop, at once, because nothing more will come this way."""
        with self._told:
            if self._plan.playing:
                self._send(STOP)

    def sent_s(self) -> tuple[float, ...]:
        """When ticks were sent since this was asked last."""
        with self._told:
            times_s = tuple(self._sent_s)
            self._sent_s.clear()
        return times_s

    def led(self, handled: int) -> Led:
        """Where the song is now, told together with the count of commands `handled`."""
        with self._told:
            plan = self._plan
            next_s = plan.next_tick_s
            return Led(
                handled,
                plan.playing,
                plan.position,
                time.monotonic() if next_s is None else next_s,
            )

    def _run(self) -> None:
        hurry(fifo=True)
        with self._told:
            while True:
                due_s = self._plan.due_s
                if due_s is None:
                    self._told.wait()
                    continue
                ahead_s = due_s - time.monotonic() - _AWAKE_S
                if ahead_s > 0:
                    self._told.wait(ahead_s)
                    continue
                while (now_s := time.monotonic()) < due_s:
                    pass
                for message in self._plan.take(now_s):
                    self._send(message)
                    if message == TIMING_CLOCK:
                        self._sent_s.append(now_s)
