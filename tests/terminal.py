"""A real terminal, held by tmux, to type into and to read."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path

WITHIN_S = 20.0
TEMPOTAPE = (sys.executable, "-m", "tempotape")


def children_of(process_id: int) -> list[int]:
    """The processes that one has started, from proc(5)."""
    lists = Path(f"/proc/{process_id}/task").glob("*/children")
    return [int(child) for one in lists for child in one.read_text().split()]


class Terminal:
    """One tmux server with one window of `size` columns and rows; a context manager."""

    def __init__(
        self,
        words: Sequence[str],
        *,
        size: tuple[int, int],
        home: Path,
        environment: dict[str, str] | None = None,
    ) -> None:
        self._socket = f"tempotape-{uuid.uuid4().hex[:8]}"
        names = {
            "XDG_STATE_HOME": str(home / "state"),
            "XDG_CACHE_HOME": str(home / "cache"),
            "XDG_CONFIG_HOME": str(home / "config"),
            "TEXTUAL_ANIMATIONS": "none",
            "LC_ALL": "C.UTF-8",
            **(environment or {}),
        }
        self._environment = {**os.environ, **names}
        exported = " ".join(f"{name}={shlex.quote(value)}" for name, value in names.items())
        self._start = (
            "new-session", "-d", "-x", str(size[0]), "-y", str(size[1]),
            # The exit code is left on the screen for a test to read.
            f"env {exported} {shlex.join(words)}; echo exit code $?; sleep 60",
        )  # fmt: skip

    def __enter__(self) -> Terminal:
        self._tmux(*self._start)
        return self

    def __exit__(self, *_: object) -> None:
        subprocess.run(["tmux", "-L", self._socket, "kill-server"], check=False)

    def _tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-L", self._socket, "-f", "/dev/null", *words],
            capture_output=True, text=True, check=True, env=self._environment,
        )  # fmt: skip
        return done.stdout

    def keys(self, *names: str) -> None:
        """Press keys by tmux's names: `9`, `Enter`, `Right`, `C-q`."""
        self._tmux("send-keys", *names)

    def kill(self) -> None:
        """End what runs in the terminal as a power cut would: it is told nothing."""
        shell = int(self._tmux("list-panes", "-F", "#{pane_pid}"))
        for child in children_of(shell):
            os.kill(child, signal.SIGKILL)

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def coloured_screen(self) -> str:
        """The screen with its colour sequences."""
        return self._tmux("capture-pane", "-p", "-e")

    def until(self, wanted: Callable[[str], bool] | str, *, within_s: float = WITHIN_S) -> str:
        """The screen once it holds `wanted`; fails with the last screen where it never does."""
        end = time.monotonic() + within_s
        while True:
            shown = self.screen()
            if wanted in shown if isinstance(wanted, str) else wanted(shown):
                return shown
            assert time.monotonic() < end, f"never saw {wanted!r} on\n{shown}"
            time.sleep(0.05)
