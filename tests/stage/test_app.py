"""The stage by its keys: press, then read what is shown."""

import time

import pytest
from textual.widgets import OptionList

from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.remembered import last_opened, state_folder
from tempotape.songs.setlist import Setlist, Song
from tempotape.stage.desk_tempo import TYPING_CLOSES_AFTER_S
from tempotape.stage.widgets.large import Large
from tempotape.stage.widgets.lines import Lines
from tempotape.unit.calibration import load_calibration
from tempotape.unit.model import Knob
from tests.plain_units import plain_calibration, plain_unit
from tests.stage.conftest import SONGS

SIZE = (80, 24)


def line(app, name):
    return app.screen_stack[0].query_one(f"#{name}", Lines).told


def large(app):
    return tuple(
        app.screen_stack[0].query_one(f"#{name}", Large).word for name in ("head", "figure")
    )


def screen(app):
    """The whole screen as text, one line a row."""
    strips = app.screen._compositor.render_strips()
    return ["".join(segment.text for segment in strip) for strip in strips]


async def ready(pilot):
    """Wait until the unit is fitted and the clock was looked at."""
    for _ in range(100):
        await pilot.pause(0.02)
        if pilot.app.fitted:
            break
    assert pilot.app.fitted
    await looked(pilot)


async def looked(pilot):
    """Wait until the clock is looked at once more, and what came of it is on the screen."""
    before = pilot.app.looks
    for _ in range(500):
        await pilot.pause(0.01)
        if pilot.app.looks > before:
            break
    assert pilot.app.looks > before
    await pilot.pause()


async def test_it_opens_on_the_answer(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        assert large(app) == ("long", "5.60")
        assert line(app, "tempo") == "120 BPM"
        assert line(app, "source") == "from the song"
        assert line(app, "answer") == "quarter 500 ms: head long, knob 5.60"
        assert line(app, "timing").startswith("IN TIME within 3 ms   = steady (flutter 0.7 %)")
        assert line(app, "song") == "1/3 One - quietly"
        # 30 to the quarter is 2000 ms, the eighth 1000 ms: long at 2.8.
        assert line(app, "next").startswith("next Two [/] \N{MUSIC SHARP SIGN}, 30: turn down to ")


async def test_a_typed_tempo_gives_its_answer_at_once(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("1", "0", "0")
        # 600 ms: 70 mm at 25 mm/s a reading.
        assert large(app) == ("long", "4.66")
        assert line(app, "tempo") == "100_ BPM"
        await pilot.press("enter")
        assert line(app, "tempo") == "100 BPM"
        assert line(app, "source") == "typed"


async def test_a_pause_closes_the_typing(stage):
    now = [0.0]
    app = stage(clock=lambda: now[0])
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("9", "0")
        await looked(pilot)
        assert line(app, "tempo") == "90_ BPM"
        now[0] += TYPING_CLOSES_AFTER_S + 0.01
        await looked(pilot)
        assert line(app, "tempo") == "90 BPM"
        await pilot.press("1", "5", "0")
        assert line(app, "tempo") == "150_ BPM"


async def test_a_number_that_is_no_tempo_is_told_and_the_answer_stays(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("7", "enter")
        assert line(app, "keys") == (
            "tempo is 7; expected beats a minute from 20 to 400, as 96 or 96.5"
        )
        assert large(app) == ("long", "5.60")
        await pilot.press("n")
        assert line(app, "keys").startswith("0-9 tempo")


async def test_backspace_erases(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("1", "0", "0", "0", "backspace")
        assert line(app, "tempo") == "100_ BPM"
        assert large(app) == ("long", "4.66")


async def test_one_key_each_for_note_taste_and_head(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("n", "n")
        # The eighth at 120 is 250 ms: too short for the long head (280 ms at 10), short at 4.48.
        assert line(app, "choices") == "note eighth   taste steady   head any"
        assert large(app) == ("short", "4.48")
        await pilot.press("N")
        assert line(app, "choices") == "note quarter   taste steady   head any"
        await pilot.press("t")
        assert large(app) == ("short", "2.24")
        assert "~ wobbly" in line(app, "timing")
        await pilot.press("t", "h")
        assert line(app, "choices") == "note quarter   taste either   head short"
        assert large(app) == ("short", "2.24")


async def test_undo_takes_back_one_step_at_a_time(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("t", "1", "0", "0", "enter", "u")
        assert line(app, "tempo") == "120 BPM"
        assert "taste wobbly" in line(app, "choices")
        await pilot.press("u")
        assert "taste steady" in line(app, "choices")
        await pilot.press("u", "u")
        assert large(app) == ("long", "5.60")


async def test_the_other_ways_are_stepped_through(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        others = line(app, "others").splitlines()
        assert [row.split()[:3] for row in others] == [
            ["2", "eighth", "short"], ["3", "quarter", "short"], ["-", "eighth", "long"],
        ]  # fmt: skip
        assert others[2].endswith("out of reach by 30 ms, too short")
        await pilot.press("down")
        assert large(app) == ("short", "4.48")
        assert line(app, "answer").endswith("way 2 of 3")
        await pilot.press("down", "down", "down")
        assert large(app) == ("short", "2.24")
        await pilot.press("up", "up", "up")
        assert large(app) == ("long", "5.60")


async def test_songs_follow_one_another(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("right")
        assert line(app, "tempo") == "30 BPM"
        assert line(app, "song") == "2/3 Two [/] \N{MUSIC SHARP SIGN}"
        assert line(app, "next") == "next Three: tempo not known yet"
        await pilot.press("right")
        assert line(app, "tempo") == "-- BPM"
        assert large(app) == ("type a", "tempo")
        assert line(app, "next") == "last song of the set"
        await pilot.press("right", "left", "left")
        assert line(app, "song") == "1/3 One - quietly"


async def test_unstable_carries_a_warning_and_the_way_out(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        # 1000 ms on the short head: reading 1.12, 3.6 % flutter.
        await pilot.press("6", "0", "enter", "n", "h")
        assert large(app) == ("short", "1.12")
        assert line(app, "warning").splitlines() == [
            "unstable: flutter 3.6 %, over your limit of 3 %",
            "way out: quarter on head long at 2.80 (wobbly)",
        ]
        assert app.screen.has_class("unstable")
        assert "! unstable" in line(app, "timing")
        await pilot.press("h")
        assert not app.screen.has_class("unstable")


async def test_out_of_reach_says_what_would_work(stage):
    app = stage(None)
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        assert line(app, "song") == "no set open"
        await pilot.press("2", "0", "enter", "n", "n", "n", "n")
        assert line(app, "choices").startswith("note half ")
        assert large(app) == ("out of", "reach")
        assert line(app, "answer").startswith("half: 6000 ms is 3200 ms longer than head long")
        # At 1.36, a hand's step off the unstable stretch, the long head gives 2059 ms.
        assert line(app, "warning").startswith("nearest trustworthy tempo: 58.3 to the quarter")


async def test_the_clock_is_followed_and_left_by_one_key(stage, link):
    app = stage(port="Beatbox")
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        assert line(app, "source") == "from the song"
        await pilot.press("m")
        assert line(app, "source") == "MIDI clock: waiting for port Beatbox"
        link.clock("locking", None)
        await looked(pilot)
        assert line(app, "source") == "MIDI clock locking, Beatbox"
        assert line(app, "tempo") == "120 BPM"
        link.clock("locked", 100.0)
        await looked(pilot)
        assert line(app, "source") == "MIDI clock LOCKED, Beatbox"
        assert line(app, "tempo") == "100 BPM"
        assert large(app) == ("long", "4.66")
        link.clock("locked", 100.0, running=True)
        await looked(pilot)
        assert line(app, "source") == "MIDI clock LOCKED, playing, Beatbox"
        link.clock("lost", 100.0, running=True)
        await looked(pilot)
        assert line(app, "source") == "MIDI clock LOST, tempo held, Beatbox"
        assert large(app) == ("long", "4.66")
        await pilot.press("m")
        assert line(app, "source") == "kept from the MIDI clock"
        link.clock("locked", 140.0)
        await looked(pilot)
        assert line(app, "tempo") == "100 BPM"


async def test_the_port_is_chosen_once_and_remembered(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("m")
        await pilot.pause()
        ports = app.screen.query_one(OptionList)
        assert [str(ports.get_option_at_index(at).prompt) for at in range(2)] == [
            "Beatbox", "Laptop",
        ]  # fmt: skip
        await pilot.press("down", "enter")
        assert link.shown.chosen == "Laptop"
        assert line(app, "source") == "MIDI clock: waiting for port Laptop"
        assert last_opened(state_folder())[0].midi_in == "Laptop"
        await pilot.press("p", "escape")
        assert link.shown.chosen == "Laptop"


async def test_a_single_port_needs_no_choosing(stage, link):
    link.shown = type(link.shown)(
        available=True, problem="", ports=("Beatbox",), chosen=None, listening=None,
        reading=link.shown.reading,
    )  # fmt: skip
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("m")
        assert link.shown.chosen == "Beatbox"


async def test_without_midi_it_says_so_and_works(stage, link):
    problem = "MIDI is not available here: python-rtmidi is not installed"
    link.shown = type(link.shown)(
        available=False, problem=problem, ports=(), chosen=None, listening=None,
        reading=link.shown.reading,
    )  # fmt: skip
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("m")
        assert line(app, "source") == problem
        await pilot.press("1", "0", "0")
        assert large(app) == ("long", "4.66")
        await pilot.press("p")
        assert any(problem[:40] in row for row in screen(app))


async def test_port_names_are_not_markup(stage, link):
    link.shown = type(link.shown)(
        available=True, problem="", ports=("[/] [@click=app.quit]x", "b"), chosen=None,
        listening=None, reading=link.shown.reading,
    )  # fmt: skip
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("p")
        assert any("[/] [@click=app.quit]x" in row for row in screen(app))


async def test_help_lists_every_key(stage):
    app = stage()
    async with app.run_test(size=(80, 50)) as pilot:
        await ready(pilot)
        await pilot.press("question_mark")
        told = "\n".join(screen(app))
        for keys, does in app.keys_told():
            assert keys in told
            assert does in told
        assert "turn the level down" in told
        await pilot.press("escape")
        assert len(app.screen_stack) == 1


async def test_digits_typed_over_help_do_not_change_the_tempo(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("question_mark", "9", "6", "escape")
        assert line(app, "tempo") == "120 BPM"


@pytest.mark.parametrize("key", ["question_mark", "p"])
async def test_the_clock_goes_on_behind_help_and_ports(stage, link, key):
    app = stage(port="Beatbox")
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("m", key)
        link.clock("locked", 100.0)
        await looked(pilot)
        assert line(app, "tempo") == "100 BPM"
        await pilot.press("escape")
        assert large(app) == ("long", "4.66")


async def test_titles_with_escapes_and_markup_are_inert(stage):
    songs = Setlist(
        format=1, name="Set", song=(Song(title="[bold]x[/bold] [/nope]", tempo_bpm=90.0),)
    )
    app = stage(songs)
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        assert any("1/1 [bold]x[/bold] [/nope]" in row for row in screen(app))


async def test_while_the_unit_is_fitted_the_screen_says_so(stage):
    hold = [True]
    known = stage()._fit_unit()

    def slow():
        while hold[0]:
            time.sleep(0.01)
        return known

    app = stage(fit=slow)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause(0.1)
        assert large(app) == ("fitting", "curve")
        await pilot.press("1", "0", "0")
        hold[0] = False
        await ready(pilot)
        assert large(app) == ("long", "4.66")


async def test_a_unit_that_cannot_be_fitted_ends_with_its_sentence(stage):
    def fails():
        raise InputFault("nothing measured yet", source="wren.toml")

    app = stage(fit=fails)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause(0.3)
    assert app.return_code == 1
    assert app.fault == "wren.toml: nothing measured yet"


async def test_the_link_is_closed_with_the_stage(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
    assert link.closed


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (79, 23), (200, 60)])
async def test_it_runs_at_any_size(stage, size):
    app = stage()
    async with app.run_test(size=size) as pilot:
        await ready(pilot)
        await pilot.press("t", "n", "right")
        assert len(screen(app)) == size[1]


@pytest.mark.parametrize("name", ["a-very-long-head-name-indeed", "tête", "長い", "a+b"])
async def test_a_head_name_without_block_letters_is_shown_in_capitals(stage, name):
    unit = plain_unit(heads={name: 70.0}, knob=Knob(low=0, high=10, step=0.02))
    known = plain_calibration(unit, lambda k: 25 * max(k, 0.01), measured=(1, 10))
    app = stage(fit=lambda: known)
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        assert any(name.upper() in row for row in screen(app))


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_how_it_looks(stage, snap_compare, size):
    assert snap_compare(stage(), terminal_size=size, run_before=ready)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_how_a_warning_looks(stage, snap_compare, size):
    async def slow_short_head(pilot):
        await ready(pilot)
        await pilot.press("6", "0", "enter", "n", "h")

    assert snap_compare(stage(), terminal_size=size, run_before=slow_short_head)


def test_how_help_looks(stage, snap_compare):
    async def helped(pilot):
        await ready(pilot)
        await pilot.press("question_mark")

    assert snap_compare(stage(), terminal_size=(80, 40), run_before=helped)


def test_how_a_clock_face_looks(stage, snap_compare):
    unit = plain_unit(
        heads={"near": 24.0, "far": 66.0}, knob=Knob(low=7, high=17, step=0.05, marks="clock")
    )
    known = plain_calibration(unit, lambda k: 30 * (17.5 - k), measured=(7.5, 16))
    app = stage(fit=lambda: known)
    assert snap_compare(app, terminal_size=(80, 24), run_before=ready)


def timing_of(way):
    return "in time" if "in time" in way else "loose"


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 50)])
@pytest.mark.parametrize("songs", [None, SONGS])
async def test_steadiness_and_timing_of_other_ways_are_read_whole(stage, size, songs):
    heron = load_calibration(DEMO_UNIT.parent / "heron.toml")
    app = stage(songs, fit=lambda: heron)
    async with app.run_test(size=size) as pilot:
        await ready(pilot)
        await pilot.press("9", "6", "enter")
        await pilot.pause()
        told = line(app, "others").splitlines()
        ways = [row for row in told if not row.startswith("-")]
        assert ways
        rows = screen(app)
        for way in ways:
            # Beside songs on a narrow terminal the delay, which is last, has to go.
            shown = way if songs is None or size != SIZE else way[: way.index(timing_of(way)) + 7]
            assert any(row.startswith(shown.rstrip()) for row in rows), shown


@pytest.mark.parametrize("songs", [None, SONGS])
async def test_the_list_of_songs_takes_room_only_where_there_is_a_set(stage, songs):
    app = stage(songs)
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        width = app.screen.query_one("#others").size.width
        assert (width == SIZE[0]) == (songs is None)


async def test_a_sentence_longer_than_the_row_is_read_whole(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        sentence = " ".join(["a tap can be every single or every second repeat"] * 3)
        app.desk.message = sentence
        app._show()
        await pilot.pause()
        rows = screen(app)
        assert " ".join(row.strip() for row in rows[-2:]) == sentence
        assert rows[-3].startswith("note ")
        await pilot.press("n")
        await pilot.pause()
        assert screen(app)[-1].startswith("0-9 tempo")
