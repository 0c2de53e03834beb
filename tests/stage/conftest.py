"""A stage with a known unit and a scripted MIDI link."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from tempotape.remembered import LastOpened
from tempotape.songs.setlist import Setlist, Song
from tempotape.stage.app import StageApp, make_stage
from tempotape.stage.opening import Opening
from tempotape.stage.state import opened
from tempotape.tempo.clock import ClockReading
from tempotape.tempo.midi_link import LinkView
from tempotape.unit.model import Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

SONGS = Setlist(
    format=1,
    name="Set",
    song=(
        Song(title="One", tempo_bpm=120.0, repeats=("quarter", "eighth"), notes="quietly"),
        Song(title="Two [/] \N{MUSIC SHARP SIGN}", tempo_bpm=30.0),
        Song(title="Three"),
    ),
)


def wren():
    """Speed 25 mm/s a reading, measured from 1 to 10, 4 % flutter at 1 and 0.4 % at 10.

    A quarter at 120 is 500 ms: long head at 70/25/0.5 = 5.6, short head at 2.24.
    """
    unit = plain_unit(
        heads={"short": 28.0, "long": 70.0},
        knob=Knob(low=0, high=10, step=0.02),
        limits=Steadiness(steady_percent=1.0, unstable_percent=3.0),
    )
    return plain_calibration(
        unit, lambda k: 25.0 * max(k, 0.01), measured=(1.0, 10.0), flutter={1.0: 4.0, 10.0: 0.4}
    )


class ScriptedLink:
    """A MIDI link that shows what the test tells it to."""

    def __init__(self) -> None:
        self.shown = LinkView(
            available=True,
            problem="",
            ports=("Beatbox", "Laptop"),
            chosen=None,
            listening=None,
            reading=ClockReading(0.0, "waiting", None, None, running=False),
            outputs=("Beatbox", "Laptop"),
        )
        self.closed = False
        self.sent: list[object] = []

    def start(self) -> None:
        pass

    def choose(self, name: str | None) -> None:
        self.shown = msgspec.structs.replace(self.shown, chosen=name)

    def choose_output(self, name: str | None) -> None:
        self.shown = msgspec.structs.replace(self.shown, output_chosen=name, sending_to=name)

    def lead(self, tempo_bpm: float | None) -> None:
        self.sent.append(tempo_bpm)
        self.shown = msgspec.structs.replace(self.shown, leading_bpm=tempo_bpm)

    def play(self) -> None:
        self.sent.append("play")
        self.shown = msgspec.structs.replace(self.shown, playing=True)

    def halt(self) -> None:
        self.sent.append("halt")
        self.shown = msgspec.structs.replace(self.shown, playing=False)

    def go_on(self) -> None:
        self.sent.append("go on")
        self.shown = msgspec.structs.replace(self.shown, playing=True)

    def view(self) -> LinkView:
        return self.shown

    def close(self) -> None:
        self.closed = True

    def own_clock(self, *, on: bool) -> None:
        self.shown = msgspec.structs.replace(self.shown, own_clock=on)

    def clock(self, state: str, tempo_bpm: float | None, *, running: bool = False) -> None:
        error_bpm = 0.02 if tempo_bpm else None
        reading = ClockReading(1.0, state, tempo_bpm, error_bpm, running)
        self.shown = msgspec.structs.replace(
            self.shown, listening=self.shown.chosen, reading=reading
        )


class Held:
    """Shows whatever tempo is read."""

    def hold(self, reading):
        return reading.tempo_bpm


class Times:
    """A clock that a test sets."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


def opening_on(songs: Setlist | None, **last: str | None) -> Opening:
    """What a stage on the known unit opens with."""
    return Opening(Path("wren.toml"), None, opened(songs), LastOpened(**last))


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    """Nothing is written outside the test's own folder."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("TEXTUAL_ANIMATIONS", "none")


@pytest.fixture(autouse=True)
def quick_looks(monkeypatch):
    """The clock is looked at more often than on a stage, so that no test waits for it long."""
    monkeypatch.setattr("tempotape.stage.app.LOOK_EVERY_S", 0.04)


@pytest.fixture
def times():
    return Times()


@pytest.fixture
def link():
    return ScriptedLink()


@pytest.fixture
def stage(link):
    """Build a stage on the known unit; `songs` may be None, `port` the remembered one."""

    def build(
        songs: Setlist | None = SONGS,
        *,
        port: str | None = None,
        clock=None,
        wall_clock=None,
        fit=None,
    ) -> StageApp:
        opening = opening_on(songs, midi_in=port)
        known = wren()
        more = {"clock": clock, "wall_clock": wall_clock}
        more = {name: given for name, given in more.items() if given}
        return counting_looks(make_stage(opening, link=link, fit=fit or (lambda: known), **more))

    return build


def counting_looks(app: StageApp) -> StageApp:
    """The same, which tells in `looks` how many times it has looked at the clock."""
    look, app.looks = app._look, 0

    def counted() -> None:
        look()
        app.looks += 1

    app._look = counted
    return app
