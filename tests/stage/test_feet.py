"""Pedals on the stage: mapped, learnt, and the messages that need no map.

Status bytes are those of the MIDI 1.0 Detailed Specification: Bn controller, 9n note on, Cn program
change, F3 Song Select.
"""

import pytest

from tempotape.remembered import controls_file
from tempotape.songs.setlist import Setlist, Song
from tempotape.stage.desk import Desk
from tempotape.tempo.controls import Control, read_controls
from tests.stage.conftest import SONGS, Held, opening_on, wren
from tests.stage.test_app import line, looked, ready, screen

PRESS = (b"\xb0\x40\x7f", b"\xb0\x40\x00")
SIZE = (80, 24)


@pytest.fixture
def desk(link):
    def build(text="", songs=SONGS):
        if text:
            controls_file().parent.mkdir(parents=True, exist_ok=True)
            controls_file().write_text("format = 1\n" + text)
        desk = Desk(opening_on(songs), clock=lambda: 0.0)
        desk.take_calibration(wren())
        desk.take_link(link, Held())
        return desk

    return build


def mapped(action, message="controller", number=64):
    return f'[[control]]\naction = "{action}"\nmessage = "{message}"\nnumber = {number}\n'


def test_a_pedal_goes_on_to_the_next_song_once_a_press(desk):
    desk = desk(mapped("next song"))
    desk.hear([(1.0, PRESS[0]), (1.3, PRESS[1])])
    assert desk.state.song_at == 1
    desk.hear([(2.0, PRESS[0])])
    assert desk.state.song_at == 2


def test_taps_by_pedal_are_timed_by_their_arrival_and_not_by_when_they_are_read(desk):
    desk = desk(mapped("tap", "note", 36))
    # All read at once, as after a stall: 0.6 s apart are 100 beats a minute.
    desk.hear([(10 + 0.6 * beat, b"\x99\x24\x40") for beat in range(8)])
    assert desk.state.tempo_bpm == pytest.approx(100)


@pytest.mark.parametrize(
    ("action", "seen"),
    [
        ("next note value", lambda desk: desk.state.note.name == "quarter"),
        ("next taste", lambda desk: desk.state.taste == "wobbly"),
        ("next head", lambda desk: desk.state.head == "short"),
        ("other way", lambda desk: desk.answered.setting.rank == 2),
        ("follow clock", lambda desk: desk.state.following),
        ("lead", lambda desk: desk.state.leading_bpm == pytest.approx(120)),
        ("half tempo", lambda desk: desk.state.tempo_bpm == 60),
        ("double tempo", lambda desk: desk.state.tempo_bpm == 240),
        ("trim taps", lambda desk: "tap on with the repeats" in desk.message),
        ("start or stop", lambda desk: "no clock is sent" in desk.message),
        ("go on", lambda desk: "no clock is sent" in desk.message),
    ],
)
def test_a_pedal_does_what_a_key_does(desk, action, seen):
    desk = desk(mapped(action))
    desk.hear([(1.0, PRESS[0])])
    assert seen(desk)


def test_previous_song_and_undo_by_pedal(desk):
    desk = desk(mapped("previous song") + mapped("undo", number=65))
    desk.to_song(2)
    desk.hear([(1.0, PRESS[0])])
    assert desk.state.song_at == 1
    desk.hear([(2.0, b"\xb0\x41\x7f")])
    assert desk.state.song_at == 2


def test_program_change_and_song_select_call_songs(desk):
    songs = Setlist(format=1, name="S", song=(Song("A", 100), Song("B", 90, program=7)))
    desk = desk(songs=songs)
    desk.hear([(1.0, b"\xc0\x07")])
    assert desk.state.song.title == "B"
    desk.hear([(2.0, b"\xf3\x00")])
    assert desk.state.song.title == "A"
    desk.hear([(3.0, b"\xc0\x08")])
    assert desk.message == "no song has program = 8, as Program Change asks"
    desk.hear([(4.0, b"\xf3\x05")])
    assert desk.message == "there is no song 5, counted from 0, as Song Select asks"
    assert desk.state.song.title == "A"


def test_a_control_file_that_cannot_be_used_is_told_and_left_alone(desk):
    desk = desk(mapped("next sonk"))
    assert 'unknown action "next sonk"; expected "next song"' in desk.message
    assert "next sonk" in controls_file().read_text()
    # What needs no file goes on.
    desk.hear([(1.0, b"\xf3\x01")])
    assert desk.state.song_at == 1
    assert desk.controls_fault.startswith(str(controls_file()))


def test_song_position_is_told(desk):
    desk = desk()
    # F2, the lesser seven bits first: MIDI beat 16 is the fifth quarter note.
    desk.hear([(1.0, b"\xf2\x10\x00")])
    assert desk.message == "the song stands at quarter note 5"


async def test_a_pedal_is_learnt_by_pressing_it(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("m", "enter")  # the first port
        link.clock("waiting", None)
        await pilot.press("f", "down", "enter")
        await pilot.pause(0.3)
        assert any("next song: press the pedal now, on Beatbox" in row for row in screen(app))
        app._hear([(1.0, b"\xf8"), (1.1, b"\xb3\x40\x7f")])
        await pilot.pause(0.3)
        assert any("controller 64 on channel 4" in row for row in screen(app))
        assert read_controls(controls_file()).control == (
            Control("next song", "controller", 64, 4),
        )
        app._hear([(2.0, b"\xb3\x40\x00"), (3.0, b"\xb3\x40\x7f")])
        await pilot.press("escape")
        await pilot.pause(0.3)
        assert line(app, "song").startswith("2/3 ")


async def test_escape_leaves_a_pedal_unlearnt(stage):
    app = stage(port="Beatbox")
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("f", "enter")
        await pilot.pause(0.3)
        assert any("no MIDI port is open" in row for row in screen(app))
        await pilot.press("escape")
        app._hear([(1.1, b"\xb3\x40\x7f")])
        await pilot.press("escape")
        await looked(pilot)
        assert len(app.screen_stack) == 1
        assert not controls_file().exists()
        # However long the path is, it is told whole.
        told = "".join(line(app, "keys").split())
        assert told == f"pedalsarekeptin{controls_file()}"


async def test_clock_alone_goes_no_further_than_the_link(stage, monkeypatch):
    app = stage()
    heard = []
    monkeypatch.setattr(app, "post_message", heard.append)
    app._hear([(1.0, b"\xf8"), (1.02, b"\xfe")])
    assert heard == []
    app._hear([(1.0, b"\xf8"), (1.02, b"\xc0\x01")])
    assert heard[0].messages == ((1.02, b"\xc0\x01"),)
