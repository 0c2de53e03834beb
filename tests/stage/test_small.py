"""Small terminals and poor encodings: whatever is seen of the answer is whole."""

import io
import re
import sys

import pytest

from tempotape.stage.app import KEYS_LINE, PLAIN_KEYS_LINE
from tempotape.stage.marks import can_print, key_words, plain_marks
from tempotape.stage.shown import answered
from tempotape.stage.state import StageState
from tempotape.stage.widgets.large import block_letters, small_letters
from tempotape.stage.widgets.small import filled, small_stage
from tests.programs import require
from tests.stage.conftest import wren
from tests.stage.test_app import ready, screen
from tests.terminal import TEMPOTAPE, Terminal


def seen(rows, letters):
    """Whether letters stand on the screen with every one of their rows, and nothing else there."""
    across = max(map(len, letters))
    for top in range(len(rows) - len(letters) + 1):
        for left in range(len(rows[top])):
            there = [row[left : left + across].rstrip() for row in rows[top : top + len(letters)]]
            if there == [row.rstrip() for row in letters]:
                return True
    return False


def read(rows, word):
    """In which letters a word is on the screen."""
    if seen(rows, block_letters(word, 1)):
        return "block"
    if seen(rows, small_letters(word)):
        return "small"
    found = re.search(rf"(?<!\S){re.escape(word.upper())}(?!\S)", "\n".join(rows))
    return "plain" if found else None


SIZES = [
    ((80, 8), "block", "block"),
    ((40, 12), "small", "block"),
    ((36, 11), "small", "block"),
    ((30, 10), "small", "block"),
    ((24, 8), "small", "small"),
    ((20, 6), "plain", "small"),
    ((45, 60), "block", "block"),
    ((300, 20), "block", "block"),
]


@pytest.mark.parametrize(("size", "head", "figure"), SIZES)
async def test_head_reading_note_and_timing_are_seen_whole(stage, size, head, figure):
    app = stage()
    async with app.run_test(size=size) as pilot:
        await ready(pilot)
        rows = screen(app)
        assert (read(rows, "long"), read(rows, "5.60")) == (head, figure)
        assert any(row.startswith("quarter 500 ms ") for row in rows)
        assert any(row.startswith("IN TIME   = steady ") for row in rows)
        assert "…" not in "".join(rows)


async def test_the_smallest_terminal_holds_head_and_reading(stage):
    app = stage()
    async with app.run_test(size=(10, 3)) as pilot:
        await ready(pilot)
        assert [row.rstrip() for row in screen(app)] == ["LONG 5.60", "quarter", "500 ms"]


async def test_resized_while_it_runs_the_letters_change_and_come_back(stage):
    app = stage()
    async with app.run_test(size=(80, 24)) as pilot:
        await ready(pilot)
        before = screen(app)
        await pilot.resize_terminal(20, 6)
        await pilot.press("1", "0", "0")
        await pilot.pause()
        assert read(screen(app), "4.66") == "small"
        await pilot.press("u")
        await pilot.resize_terminal(36, 11)
        await pilot.pause()
        assert read(screen(app), "5.60") == "block"
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        assert screen(app) == before


async def test_unstable_and_out_of_reach_on_a_small_terminal(stage):
    app = stage()
    async with app.run_test(size=(40, 12)) as pilot:
        await ready(pilot)
        await pilot.press("6", "0", "enter", "n", "h")
        rows = screen(app)
        assert read(rows, "1.12") == "block"
        assert any("   ! unstable " in row for row in rows)
        await pilot.press("2", "0", "enter")
        rows = screen(app)
        # As one statement: "reach" does not stand out alone.
        assert (read(rows, "out of"), read(rows, "reach")) == ("small", "small")
        await pilot.press("7", "enter")
        told = " ".join(row.strip() for row in screen(app))
        assert "tempo is 7; expected beats a minute from 20 to 400, as 96 or 96.5" in told


async def test_out_of_reach_is_read_from_afar_on_a_usual_terminal(stage):
    app = stage(None)
    async with app.run_test(size=(80, 24)) as pilot:
        await ready(pilot)
        await pilot.press("2", "0", "enter", "n", "n", "n", "n")
        assert seen(screen(app), small_letters("out of"))
        assert seen(screen(app), block_letters("reach", 1))


SHOWN = answered(StageState(tempo_bpm=120.0), wren(), None).shown


@pytest.mark.parametrize("halves", [True, False])
def test_at_no_size_is_anything_cut(halves):
    known = " ".join([*SHOWN.brief[0], *SHOWN.brief[1], *SHOWN.others, KEYS_LINE])
    known += f" {SHOWN.tempo} {SHOWN.source} {SHOWN.unit} {SHOWN.song} {SHOWN.choices}"
    for width in range(1, 81):
        for height in range(1, 21):
            letters, rows = small_stage(SHOWN, width, height, keys=KEYS_LINE, halves=halves)
            assert len(letters) + len(rows) <= height
            assert max(map(len, [*letters, *rows]), default=0) <= width
            assert {word for row in rows for word in row.split()} <= {
                *known.split(),
                "LONG",
                "5.60",
            }
            if letters:
                assert read(letters, "long")
                assert read(letters, "5.60")
            else:
                assert not letters
                assert width < 4 or (width < 9 and height < 2)


def test_a_phrase_without_room_is_left_out_and_the_next_takes_its_place():
    phrases = [("quarter 500 ms",), ("IN TIME", "= steady", "= so")]
    assert filled(phrases, 10, 4) == ["quarter", "500 ms", "IN TIME", "= steady"]
    assert filled(phrases, 18, 3) == ["quarter 500 ms", "IN TIME   = steady", "= so"]
    assert filled(phrases, 7, 9) == ["quarter", "500 ms", "IN TIME", "=", "steady", "= so"]
    assert filled(phrases, 6, 2) == ["IN", "TIME"]


def test_letters_of_half_the_size_keep_the_decimal_point_apart():
    assert small_letters("5.1") == (
        "▄▄▄▖   ▗▖",
        "█▄▄▖   ▜▌",
        "▄▄▟▌ █ ▐▌",
    )  # fmt: skip
    assert len({small_letters(figure) for figure in "0123456789"}) == 10
    assert small_letters("") == small_letters("長") == ()


@pytest.fixture
def ascii_terminal(monkeypatch):
    for name in ("__stdout__", "__stderr__"):
        monkeypatch.setattr(sys, name, io.TextIOWrapper(io.BytesIO(), encoding="ascii"))


def test_each_mark_has_an_ascii_mark_as_wide():
    lacking = "█⣿⠁⡇│┌…é"
    fault = UnicodeEncodeError("ascii", f"5{lacking}", 1, 1 + len(lacking), "not in range")
    assert plain_marks(fault) == ("##.:|+>?", 1 + len(lacking))


@pytest.mark.usefixtures("ascii_terminal")
def test_keys_are_named_where_they_have_no_mark():
    assert [can_print(text) for text in ("5.60", "█", "←")] == [True, False, False]
    assert [key_words(key) for key in "n←⌫"] == ["n", "left", "backspace"]
    assert PLAIN_KEYS_LINE.isascii()
    assert "left right song" in PLAIN_KEYS_LINE
    assert len(PLAIN_KEYS_LINE) <= len(KEYS_LINE) <= 80


@pytest.mark.usefixtures("ascii_terminal")
async def test_without_block_characters_no_half_letters_are_used(stage):
    app = stage(None)
    async with app.run_test(size=(24, 8)) as pilot:
        await ready(pilot)
        await pilot.press("1", "2", "0")
        rows = screen(app)
        assert rows[0].rstrip() == "LONG 5.60"
        assert "".join(rows).isascii()


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    ],
    ids=" ".join,
)
def test_a_terminal_without_block_characters_shows_letters_of_ascii(tmp_path, environment):
    require("tmux")
    with Terminal([*TEMPOTAPE], size=(80, 24), home=tmp_path, environment=environment) as terminal:
        shown = terminal.until(lambda text: "knob 5.55" in text)
        rows = shown.splitlines()
        assert seen(rows, [row.replace("█", "#") for row in block_letters("5.55", 1)])
        assert "?" not in "".join(rows[:-1])
        assert rows[-1].endswith("left right song  ? keys")
        terminal.keys("C-q")
        terminal.until("exit code 0")
