"""The boxes over the stage, by their keys: ports, tempos to lead at, jumping to a song."""

import pytest

from tempotape.remembered import last_opened, state_folder
from tempotape.unit.model import Knob
from tests.plain_units import plain_calibration, plain_unit
from tests.stage.test_app import large, line, looked, ready, screen

SIZE = (80, 24)


def rows_with(app, text):
    return [row for row in screen(app) if text in row]


async def test_leading_asks_for_a_port_and_remembers_it(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("l")
        await pilot.pause(0.3)
        assert rows_with(app, "Send MIDI clock to: up, down, Enter")
        await pilot.press("down", "enter")
        await looked(pilot)
        assert line(app, "source") == "TAPE LEADS 120.00, s starts, to Laptop"
        assert link.sent == [pytest.approx(120)]
        await pilot.press("s")
        await looked(pilot)
        assert line(app, "source") == "TAPE LEADS 120.00, playing, beat 1, to Laptop"
        await pilot.press("l")
        assert line(app, "source") == "the tape's own tempo"
        assert last_opened(state_folder())[0].midi_out == "Laptop"


async def test_another_port_to_send_to_is_chosen_at_any_time(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("o")
        await pilot.pause(0.3)
        await pilot.press("enter")
        assert link.shown.output_chosen == "Beatbox"


async def test_a_tempo_at_an_easy_mark_is_picked_and_sent(stage, link):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("L")
        await pilot.pause(0.3)
        offered = rows_with(app, "head long")
        assert offered
        # 70 mm at 25 mm/s a reading: at a whole or half reading k a quarter is 150 k / 7 BPM ...
        assert all(float(row.split()[1]) for row in offered)
        await pilot.press("enter")
        await pilot.pause(0.3)
        await pilot.press("enter")
        await looked(pilot)
        assert float(large(app)[1]) % 0.5 == 0
        assert line(app, "source").startswith(f"TAPE LEADS {link.sent[-1]:.2f}, ")


async def test_a_unit_that_gives_no_tempo_at_any_mark_says_why(stage):
    unit = plain_unit(heads={"only": 30.0}, knob=Knob(low=0, high=10, step=0.02))
    known = plain_calibration(unit, lambda k: 25.0 * max(k, 0.01), measured=(1.1, 1.4))
    app = stage(fit=lambda: known)
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("L")
        assert len(app.screen_stack) == 1
        assert line(app, "keys") == (
            "no easy mark lies where the tape can be trusted, from 1.10 to 1.40"
        )


async def test_typing_part_of_a_title_jumps_to_the_song(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("j")
        await pilot.pause(0.3)
        assert rows_with(app, "\N{BOX DRAWINGS LIGHT VERTICAL} Two [/] \N{MUSIC SHARP SIGN}")
        await pilot.press("x", "backspace", "t", "h", "r")
        await pilot.pause(0.2)
        assert rows_with(app, "Jump to: thr_")
        assert not rows_with(app, "\N{BOX DRAWINGS LIGHT VERTICAL} Two [/]")
        await pilot.press("enter")
        assert line(app, "song") == "3/3 Three"
        await pilot.press("j", "escape")
        assert line(app, "song") == "3/3 Three"


async def test_nothing_found_closes_without_a_jump(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("j")
        await pilot.pause(0.2)
        await pilot.press("q", "q", "q", "enter")
        assert rows_with(app, "Jump to: qqq_")
        await pilot.press("escape")
        assert line(app, "song").startswith("1/3 One")


async def test_half_and_double_are_one_key_away(stage):
    app = stage()
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        await pilot.press("minus")
        assert line(app, "tempo") == "60 BPM"
        await pilot.press("plus", "plus")
        assert line(app, "tempo") == "240 BPM"
        await pilot.press("plus")  # 480 is no tempo
        assert line(app, "tempo") == "240 BPM"


async def test_a_tapped_tempo_is_shown_with_how_sure_it_is(stage):
    now = [100.0]
    app = stage(clock=lambda: now[0])
    async with app.run_test(size=SIZE) as pilot:
        await ready(pilot)
        for _ in range(5):
            await pilot.press("space")
            now[0] += 0.75
        # 0.75 s to the beat are 80 beats a minute.
        assert line(app, "tempo") == "80 BPM"
        assert line(app, "source").startswith("5 taps, within ")
