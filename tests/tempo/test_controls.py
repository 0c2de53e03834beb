"""Hands-free control, against MIDI 1.0 and mido's own encoding."""

from __future__ import annotations

import random
import tracemalloc

import mido
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tempotape.faults import InputFault
from tempotape.tempo.controls import (
    ACTIONS,
    Acted,
    CallProgram,
    CallSong,
    Continued,
    Control,
    ControlReader,
    Controls,
    Position,
    Started,
    Stopped,
    describe,
    learn,
    read_controls,
    write_control,
)

GOOD = """\
# The floor board.
format = 1
program_channel = 16   # the song caller

[[control]]
action = "next song"   # right pedal
message = "controller"
number = 64
channel = 1

[[control]]
action = "Tap"
message = "note"
number = 36

[[control]]
action = "half-tempo"
message = "program"
number = 7
channel = 2
"""


def wire(kind, **fields):
    """One message as mido encodes it."""
    return bytes(mido.Message(kind, **fields).bytes())


def controller(number, value, channel=1):
    return wire("control_change", control=number, value=value, channel=channel - 1)


def note(number, velocity=100, channel=1):
    return wire("note_on", note=number, velocity=velocity, channel=channel - 1)


def reader(*controls, program_channel=None):
    return ControlReader(Controls(1, program_channel, controls))


def fed(to, *timed):
    return [heard for t_s, message in timed for heard in to.feed(t_s, message)]


def written(tmp_path, text=GOOD):
    path = tmp_path / "controls.toml"
    path.write_text(text, encoding="utf-8")
    return path


PEDAL = Control("next song", "controller", 64, 1)


def test_a_file_is_read(tmp_path):
    assert read_controls(written(tmp_path)) == Controls(
        1,
        16,
        (
            PEDAL,
            Control("tap", "note", 36),
            Control("half tempo", "program", 7, 2),
        ),
    )


def test_no_file_means_no_controls(tmp_path):
    assert read_controls(tmp_path / "no" / "controls.toml") == Controls(format=1)


def test_every_action_has_a_plain_name_and_an_identifier(tmp_path):
    assert list(ACTIONS) == [
        "tap", "next song", "previous song", "next section", "next note value", "next taste",
        "next head", "other way", "follow clock", "trim taps", "lead", "start or stop", "go on",
        "undo", "half tempo", "double tempo",
    ]  # fmt: skip
    for name, action in ACTIONS.items():
        assert action.isidentifier()
        path = written(
            tmp_path,
            f'format = 1\n[[control]]\naction = "{name}"\nmessage = "note"\nnumber = 1\n',
        )
        to = ControlReader(read_controls(path))
        assert to.feed(0.5, note(1)) == [Acted(0.5, action)]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('"next song"', '"next sonk"',
         'control 1: unknown action "next sonk"; expected "next song"'),
        ('"Tap"', '"???"',
         'control 2: unknown action "???"; expected tap, next song, previous song, '
         "next section, next note value, next taste, next head, other way, follow clock, "
         "trim taps, lead, start or stop, go on, "
         "undo, half tempo or double tempo"),
        ('"Tap"', '""', "control 2: action is empty; expected text of up to 100 characters"),
        ("number = 36", "number = 128",
         "control 2: number is 128; expected a whole number from 0 to 127"),
        ("number = 36", "numbr = 36", 'control 2: unknown key "numbr"; expected "number"'),
        ("number = 36", "", "control 2: number is missing; expected a whole number from 0 to 127"),
        ("number = 64", "number = 120",
         "control 1: number is 120; expected 0 to 119 for a controller (above are channel mode "
         "messages)"),
        ("channel = 1\n", "channel = 0\n",
         "control 1: channel is 0; expected a whole number from 1 to 16"),
        ("channel = 2\n", "channel = 17\n",
         "control 3: channel is 17; expected a whole number from 1 to 16"),
        ("program_channel = 16", "program_channel = 17",
         "program_channel is 17; expected a whole number from 1 to 16"),
        ('"note"', '"pedal"',
         'control 2: message is "pedal"; expected "controller", "note" or "program"'),
        ("format = 1", "format = 2", "format is 2; expected 1"),
        ("format = 1", "", "format is missing; expected 1"),
        ('message = "note"\nnumber = 36', 'message = "controller"\nnumber = 64',
         'control 2: controller 64 on any channel already does "next song" as control 1; '
         "expected one action a message"),
    ],
)  # fmt: skip
def test_a_fault_names_file_and_entry(tmp_path, old, new, sentence):
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(InputFault) as met:
        read_controls(path)
    assert str(met.value) == f"{path}: {sentence}"


def test_the_same_pedal_on_another_channel_is_another_message(tmp_path):
    other = GOOD.replace("number = 7\nchannel = 2", "number = 7\nchannel = 3")
    more = '[[control]]\naction = "undo"\nmessage = "program"\nnumber = 7\nchannel = 2\n'
    assert len(read_controls(written(tmp_path, other + more)).control) == 4


def test_a_path_that_cannot_be_looked_at_is_told(tmp_path):
    with pytest.raises(InputFault, match=r"cannot be read \(File name too long\)"):
        read_controls(tmp_path / ("x" * 5000))


def test_what_a_control_is_called():
    assert describe(PEDAL) == "controller 64 on channel 1"
    assert describe(Control("tap", "note", 36)) == "note 36 on any channel"


# MIDI 1.0: switch controllers are off from 0 to 63 and on from 64 to 127.
@pytest.mark.parametrize("value", range(128))
def test_a_controller_is_on_from_64(value):
    heard = fed(reader(PEDAL), (1.0, controller(64, value)))
    assert heard == ([Acted(1.0, "next_song")] if value >= 64 else [])


def test_a_controller_acts_once_a_press():
    to = reader(PEDAL)
    values = [0, 30, 63, 64, 90, 127, 64, 63, 127, 0, 0, 100]
    heard = fed(to, *((at * 0.1, controller(64, value)) for at, value in enumerate(values)))
    assert [round(act.t_s, 1) for act in heard] == [0.3, 0.8, 1.1]


def test_a_note_acts_when_struck_with_velocity():
    # MIDI 1.0: a note on with velocity 0 is a note off.
    to = reader(Control("tap", "note", 36))
    off = wire("note_off", note=36, velocity=64)
    heard = fed(to, (0.0, note(36)), (0.1, note(36, 0)), (0.2, off), (0.3, note(36, 1)),
                (0.5, note(37)))  # fmt: skip
    assert heard == [Acted(0.0, "tap"), Acted(0.3, "tap")]


def test_a_program_change_acts_at_once_and_calls_no_song():
    to = reader(Control("undo", "program", 7))
    programs = [(0.1 * at, wire("program_change", program=p)) for at, p in enumerate([7, 7, 8])]
    assert fed(to, *programs) == [Acted(0.0, "undo"), Acted(0.1, "undo"), CallProgram(0.2, 8)]


@pytest.mark.parametrize("channel", range(1, 17))
def test_a_channel_is_counted_from_1(channel):
    heard = fed(
        reader(Control("tap", "note", 1), Control("undo", "controller", 5, channel)),
        *((float(at), note(1, channel=at)) for at in range(1, 17)),
        *((float(at), controller(5, 127, at)) for at in range(17 - 16, 17)),
    )
    assert heard == [*(Acted(float(at), "tap") for at in range(1, 17)),
                     Acted(float(channel), "undo")]  # fmt: skip


def test_contact_bounce_within_60_ms_is_one_press():
    to = reader(PEDAL, Control("tap", "note", 1), Control("tap", "note", 2))
    bounces = [(0.0, 127), (0.004, 0), (0.006, 127), (0.009, 0), (0.059, 127), (0.07, 0),
               (0.0701, 127)]  # fmt: skip
    heard = fed(to, *((t_s, controller(64, value)) for t_s, value in bounces))
    assert heard == [Acted(0.0, "next_song"), Acted(0.0701, "next_song")]
    # The same action by another message bounces too; another action does not.
    heard = fed(to, (1.0, note(1)), (1.01, note(2)), (1.02, controller(64, 0)),
                (1.03, controller(64, 127)))  # fmt: skip
    assert heard == [Acted(1.0, "tap"), Acted(1.03, "next_song")]


def test_a_clock_set_back_does_not_silence_a_pedal():
    to = reader(Control("tap", "note", 1))
    assert len(fed(to, (100.0, note(1)), (5.0, note(1)), (5.5, note(1)))) == 3


# MIDI 1.0: FA start, FB continue, FC stop; F3 a song, F2 MIDI beats with the lesser bits first.
def test_what_needs_no_file_by_its_bytes():
    to = reader()
    messages = [b"\xfa", b"\xfb", b"\xfc", b"\xf3\x05", b"\xf2\x10\x01", b"\xc2\x03"]
    assert fed(to, *((float(at), message) for at, message in enumerate(messages))) == [
        Started(0.0),
        Continued(1.0),
        Stopped(2.0),
        CallSong(3.0, 5),
        Position(4.0, 128 + 16),
        CallProgram(5.0, 3),
    ]


@pytest.mark.parametrize("midi_beat", [0, 1, 127, 128, 8191, 16383])
def test_song_position_as_mido_encodes_it(midi_beat):
    assert reader().feed(0.0, wire("songpos", pos=midi_beat)) == [Position(0.0, midi_beat)]


def test_songs_and_programs_as_mido_encodes_them():
    to = reader()
    for number in range(128):
        assert to.feed(0.0, wire("song_select", song=number)) == [CallSong(0.0, number)]
        for channel in (0, 15):
            message = wire("program_change", program=number, channel=channel)
            assert to.feed(0.0, message) == [CallProgram(0.0, number)]


def test_programs_of_other_channels_call_no_song():
    to = reader(program_channel=16)
    assert to.feed(0.0, wire("program_change", program=3, channel=0)) == []
    assert to.feed(0.0, wire("program_change", program=3, channel=15)) == [CallProgram(0.0, 3)]


@pytest.mark.parametrize(
    "message",
    [b"", b"\x40", b"\xc0", b"\xc0\x03\x04", b"\xc0\x83", b"\xb0\x40", b"\xb0\x40\xff",
     b"\xb0\x40\x7f\x7f", b"\x90\x24", b"\x90\x24\x80", b"\xf2\x01", b"\xf2\x01\x80",
     b"\xf2\x01\x01\x01", b"\xf3", b"\xf3\x01\x01", b"\xfa\x00", b"\xf8", b"\xfe", b"\xff",
     b"\xf0\x01\xf7", b"\xb0\x7b\x7f", b"\xd0\x40", b"\xe0\x00\x40", b"\xa0\x24\x7f"],
)  # fmt: skip
def test_malformed_and_other_messages_say_nothing(message):
    to = reader(PEDAL, Control("tap", "note", 36))
    assert to.feed(0.0, message) == []
    # Nor do they leave anything behind.
    assert to.feed(0.1, controller(64, 127)) == [Acted(0.1, "next_song")]


def test_a_million_random_messages_leave_nothing_behind():
    drawn = random.Random(3)
    to = reader(PEDAL, Control("tap", "note", 36), Control("undo", "program", 9))
    noise = drawn.randbytes(1_000_000)
    at, kinds = 0, set()
    # Memory is looked at over the last messages alone: watching it is slow.
    while at < len(noise):
        if at > 950_000 and not tracemalloc.is_tracing():
            tracemalloc.start()
        size = noise[at] % 4
        message = noise[at + 1 : at + 1 + size]
        if at % 2:
            # Half the messages begin with a status byte of ours, so that most are well formed.
            status = (0x90, 0xB0, 0xC0, 0xF2)[noise[at] >> 6] | (noise[at] >> 2) % 3
            message = bytes([status, *(data & 0x7F for data in message)])
        kinds.update(type(heard) for heard in to.feed(at / 1000, message))
        at += 1 + size
    grown = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert kinds == {Acted, CallProgram, Position, Started, Continued, Stopped, CallSong}
    assert grown < 20_000


def test_learning_takes_the_first_press():
    noise = [b"\xf8", b"\xfe", b"", b"\x90", note(50, 0), controller(64, 0), controller(1, 30),
             wire("pitchwheel", pitch=5), wire("aftertouch", value=99),
             controller(123, 127)]  # fmt: skip
    press = controller(66, 127, channel=3)
    learnt = learn([*noise, press, note(40)], "next song")
    assert learnt == Control("next song", "controller", 66, 3)
    assert learn([note(40, channel=10)], "Tap") == Control("tap", "note", 40, 10)
    program = wire("program_change", program=5, channel=1)
    assert learn([program], "undo") == Control("undo", "program", 5, 2)
    assert learn(noise, "tap") is None


def test_a_first_value_from_64_on_is_a_press():
    assert learn([controller(4, 80), controller(4, 90)], "tap") == Control(
        "tap", "controller", 4, 1
    )
    assert learn([controller(4, 20), controller(4, 63)], "tap") is None


def test_learning_an_action_there_is_not():
    with pytest.raises(InputFault) as met:
        learn([note(1)], "next sonk")
    assert str(met.value) == 'unknown action "next sonk"; expected "next song"'


def test_a_new_file_and_its_folder_are_made(tmp_path):
    path = tmp_path / "config" / "tempotape" / "controls.toml"
    assert write_control(path, PEDAL).control == (PEDAL,)
    assert path.read_text() == (
        "# MIDI messages and what they do on the stage.\n"
        "format = 1\n"
        "\n"
        "[[control]]\n"
        'action = "next song"\n'
        'message = "controller"\n'
        "number = 64\n"
        "channel = 1\n"
    )


def test_a_control_is_added_and_comments_kept(tmp_path):
    path = written(tmp_path)
    added = Control("lead", "note", 40, 3)
    assert write_control(path, added) == read_controls(path)
    assert read_controls(path).control[3] == added
    assert len(read_controls(path).control) == 4
    assert path.read_text().startswith(GOOD)


def test_an_action_learnt_again_takes_the_place_of_the_old_control(tmp_path):
    path = written(tmp_path)
    write_control(path, Control("next song", "note", 50))
    assert read_controls(path).control[0] == Control("next song", "note", 50)
    assert len(read_controls(path).control) == 3
    assert '"next song"   # right pedal' in path.read_text()
    assert "# The floor board." in path.read_text()


def test_a_pedal_learnt_for_another_action_leaves_the_old_one(tmp_path):
    path = written(tmp_path)
    # Controller 64 did "next song"; "tap" was a note: both entries become this one.
    write_control(path, Control("tap", "controller", 64, 1))
    assert read_controls(path).control == (
        Control("tap", "controller", 64, 1),
        Control("half tempo", "program", 7, 2),
    )


@pytest.mark.parametrize("start", ["[]", '[{action = "undo", message = "note", number = 1}]'])
def test_a_list_written_on_one_line_is_added_to(tmp_path, start):
    path = written(tmp_path, f"format = 1\ncontrol = {start}  # mine\n")
    count = len(read_controls(path).control)
    write_control(path, PEDAL)
    assert read_controls(path).control[count:] == (PEDAL,)
    write_control(path, Control("next song", "note", 9))
    assert read_controls(path).control[count:] == (Control("next song", "note", 9),)
    assert "# mine" in path.read_text()


def test_a_file_at_fault_is_left_alone(tmp_path):
    path = written(tmp_path, GOOD.replace("36", "360"))
    with pytest.raises(InputFault, match="control 2: number is 360; expected a whole number"):
        write_control(path, PEDAL)
    assert path.read_text() == GOOD.replace("36", "360")


@pytest.mark.parametrize(
    ("control", "sentence"),
    [
        (Control("tapp", "note", 1), 'unknown action "tapp"; expected "tap"'),
        (Control("tap", "note", 200),
         "note 200 on any channel: number is 200; expected a whole number from 0 to 127"),
        (Control("tap", "controller", 121),
         "number is 121; expected 0 to 119 for a controller (above are channel mode messages)"),
    ],
)  # fmt: skip
def test_a_control_at_fault_is_not_written(tmp_path, control, sentence):
    path = written(tmp_path)
    with pytest.raises(InputFault) as met:
        write_control(path, control)
    assert str(met.value) == sentence
    assert path.read_text() == GOOD


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputFault) as met:
        write_control(tmp_path / "file" / "in" / "controls.toml", PEDAL)
    assert str(met.value) == f"{tmp_path}/file/in: folder cannot be made (Not a directory)"


LINES = st.sampled_from(
    ["format = 1", "[[control]]", 'action = "tap"', 'message = "note"', "number = 5", "channel = 2",
     "control = []", "program_channel = 3", "# a comment", "", 'control = [{action = "undo"}]',
     "[control]", "number = nan", "a.b = 1", '"format" = 1', "[[control.x]]", "number = 0x40"]
)  # fmt: skip


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(lines=st.lists(LINES, max_size=12).map("\n".join) | st.text(max_size=60))
def test_any_file_is_added_to_or_told_and_left_alone(tmp_path, lines):
    path = tmp_path / "any.toml"
    path.write_text("format = 1\n" + lines, encoding="utf-8", newline="")
    before = path.read_bytes()
    try:
        now = write_control(path, PEDAL)
    except InputFault as fault:
        assert str(fault).isprintable()
        assert path.read_bytes() == before
    else:
        assert PEDAL in now.control
        assert read_controls(path) == now
        comments = [line for line in lines.splitlines() if line.startswith("#")]
        assert all(line in path.read_text(encoding="utf-8") for line in comments)
