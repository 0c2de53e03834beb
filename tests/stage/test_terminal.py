"""The stage in a real terminal: type a tempo, read the head and the knob off the screen."""

from __future__ import annotations

import json
import re
import subprocess
import time

import pytest

from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.stage.session import SessionKeeper
from tests.programs import require
from tests.terminal import TEMPOTAPE, Terminal


@pytest.fixture(autouse=True)
def needs_tmux():
    require("tmux")


@pytest.fixture(scope="module")
def fits(tmp_path_factory):
    """Where the fit of the demo unit is kept from one test to the next."""
    return {"XDG_CACHE_HOME": str(tmp_path_factory.mktemp("cache"))}


def advised(tempo):
    """Head and knob by the command line, to hold the screen against."""
    done = subprocess.run(
        [*TEMPOTAPE, "advise", "--unit", str(DEMO_UNIT), "--tempo", tempo, "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)["settings"]


def answer(shown):
    found = re.search(r"^(.+?) (\d+) ms: head (\w+), knob ([\d.]+)", shown, re.MULTILINE)
    return found and found.groups()


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_a_typed_tempo_is_answered_on_the_screen(tmp_path, size):
    best = advised("104")[0]
    unit = ("--unit", str(DEMO_UNIT))
    with Terminal([*TEMPOTAPE, "stage", *unit], size=size, home=tmp_path) as terminal:
        terminal.until("-- BPM")
        terminal.keys("1", "0", "4")
        shown = terminal.until(lambda text: answer(text) is not None and "104_ BPM" in text)
        note, delay_ms, head, knob = answer(shown)
        assert (note, head, knob) == (best["note"], best["head"], best["knob_text"])
        assert int(delay_ms) == round(best["delay_ms"])
        terminal.keys("Enter")
        terminal.until("104 BPM  typed")
        terminal.keys("C-q")
        terminal.until("exit code 0")


@pytest.mark.parametrize(
    "environment",
    [
        {"NO_COLOR": "1"},
        {"TERM": "linux"},
        {"TERM": "vt100", "COLORTERM": ""},
        {"TEXTUAL_COLOR_SYSTEM": "standard"},
    ],
    ids=" ".join,
)
def test_it_runs_on_poor_terminals(tmp_path, fits, environment):
    environment = fits | environment
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path, environment=environment) as terminal:
        terminal.until(lambda text: answer(text) is not None)
        terminal.keys("1", "8", "0", "Enter", "t", "t")
        shown = terminal.until(lambda text: "180 BPM  typed" in text and "taste either" in text)
        # Nothing is told by colour alone: the words stand on the screen.
        assert re.search(r"(IN TIME|LOOSE) within \d+ ms +[=~!?] \w+", shown)
        if "NO_COLOR" in environment:
            sent = re.findall(r"\x1b\[[\d;]*38;2;(\d+);(\d+);(\d+)", terminal.coloured_screen())
            assert all(len(set(parts)) == 1 for parts in sent)


def test_a_fault_of_the_unit_leaves_a_clean_terminal_and_one_sentence(tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_text(DEMO_UNIT.read_text().partition("[[measured]]")[0])
    words = [*TEMPOTAPE, "stage", "--unit", str(empty)]
    with Terminal(words, size=(80, 24), home=tmp_path) as terminal:
        shown = terminal.until("exit code 1")
        assert "nothing measured yet" in shown
        assert "Traceback" not in shown
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path) as terminal:
        terminal.until(lambda text: answer(text) is not None and "Kestrel" in text)
        terminal.keys("C-q")
        terminal.until("exit code 0")


def test_a_unit_of_last_time_that_can_no_longer_be_fitted_gives_way_to_the_demo(tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(DEMO_UNIT.read_text().replace("Kestrel", "Mine"))
    with Terminal(
        [*TEMPOTAPE, "stage", "--unit", str(mine)], size=(120, 40), home=tmp_path
    ) as terminal:
        terminal.until("-- BPM")
        terminal.until(lambda text: "Mine" in text and "fitting" not in text)
        terminal.keys("C-q")
        terminal.until("exit code 0")
    mine.write_text(mine.read_text().partition("[[measured]]")[0])
    with Terminal([*TEMPOTAPE], size=(120, 40), home=tmp_path) as terminal:
        terminal.until(lambda text: answer(text) is not None and "opened the demo" in text)
        terminal.keys("C-q")
        terminal.until("exit code 0")


def test_the_demo_opens_without_any_words_and_its_set_is_played_by_keys(tmp_path, fits):
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path, environment=fits) as terminal:
        shown = terminal.until(lambda text: answer(text) is not None)
        assert "96 BPM  from the song" in shown
        assert "1/6 Low Tide" in shown
        assert "next Lantern Street, 126.5: leave it as it is (quarter)" in shown
        assert all(len(row) <= 80 for row in shown.splitlines())
        terminal.keys("Right")
        shown = terminal.until("2/6 Lantern Street")
        assert "next last chorus, 128: leave it as it is (quarter)" in shown
        terminal.keys("Right")
        shown = terminal.until("2/6 Lantern Street, last chorus")
        assert re.search(r"next Salt and Rope, 168: switch to short, turn down to [\d.]+", shown)
        terminal.keys("PageDown")
        shown = terminal.until("3/6 Salt and Rope")
        assert "head short" in shown
        assert "~ wobbly" in shown
        terminal.keys("PageDown", "PageDown")
        terminal.until("5/6 Slow Bell")
        terminal.keys("j")
        terminal.until("Jump to:")
        terminal.keys("w", "a", "l")
        terminal.until("Jump to: wal_")
        terminal.keys("Enter")
        terminal.until("4/6 Ferryman's Waltz")
        terminal.keys(">")
        terminal.until("5/6 Ferryman's Waltz")
        terminal.keys("x")
        terminal.until("5/6 Ferryman's Waltz, skipped")
        terminal.keys("Right")
        terminal.until("6/6 Harbour Lights Out")
        for _ in range(4):
            terminal.keys("Space")
            time.sleep(0.5)
        shown = terminal.until("4 taps, within")
        assert re.search(r"^1[12]\d(\.\d)? BPM", shown)
        terminal.keys("C-q")
        terminal.until("exit code 0")


def test_after_a_power_cut_it_opens_where_it_was(tmp_path):
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path) as terminal:
        terminal.until(lambda text: answer(text) is not None)
        terminal.keys("Right", "Right")
        terminal.until("Lantern Street, last chorus")
        terminal.keys("PageDown", "1", "6", "0", "Enter", "h")
        terminal.until(lambda text: "160 BPM  typed" in text and "head short" in text)
        terminal.keys("5", "0", "0", "r")  # no such delay there: refused, and told
        terminal.until("check")
        terminal.keys("3", "7", "8", "r")
        trimmed = re.search(r"trim [+-][\d.]+ %", terminal.until("trim +"))
        time.sleep(0.5)
        terminal.kill()
        terminal.until("exit code 137")
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path) as terminal:
        shown = terminal.until(lambda text: answer(text) is not None)
        assert "160 BPM  changed on the stage" in shown
        assert "3/6 Salt and Rope" in shown
        assert "head short" in shown
        assert trimmed.group() in shown


def test_it_opens_on_damaged_state_and_says_so(tmp_path, fits):
    folder = tmp_path / "state" / "tempotape"
    folder.mkdir(parents=True)
    damaged = b"\x00\xff{" * 40
    show = SessionKeeper(folder, DEMO_SET)._file
    for path in (folder / "last.json", folder / "last.before.json", show.newest, show.before):
        path.write_bytes(damaged)
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path, environment=fits) as terminal:
        shown = terminal.until(lambda text: answer(text) is not None)
        assert "what was open last was damaged: set aside, not known; where you stood" in shown
        assert "1/6 Low Tide" in shown
    assert (folder / f"{show.name}.damaged-1.json").read_bytes() == damaged
