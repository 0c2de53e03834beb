"""Port names: stable, told apart, and found by what a player types."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.tempo.port_names import chosen_port, matching, named_ports, why_not


def names(*driver_names):
    return [port.name for port in named_ports(driver_names)]


def test_alsa_numbers_which_change_between_boots_are_left_out():
    # The form in which RtMidi's ALSA part names ports: `client name:port name client:port`.
    assert names("Midi Through:Midi Through Port-0 14:0") == ["Midi Through:Midi Through Port-0"]
    assert names("Keys 61:Keys 61 MIDI 1 28:0") == ["Keys 61:Keys 61 MIDI 1"]


def test_a_name_without_such_numbers_stays_whole():
    assert names("drums:clock", "Beatbox 2") == ["drums:clock", "Beatbox 2"]


def test_equal_names_are_told_apart_by_order():
    assert names("Box:out 20:0", "Box:out 24:0", "Box:out 28:0") == [
        "Box:out",
        "Box:out (2)",
        "Box:out (3)",
    ]


def test_ports_of_our_own_are_never_listened_to_and_the_places_stay_the_drivers():
    ports = named_ports(["tempotape:out 128:0", "Box:out 20:0"])
    assert [(port.place, port.driver_name, port.name) for port in ports] == [
        (1, "Box:out 20:0", "Box:out")
    ]


@pytest.mark.parametrize(
    ("driver_name", "ours"),
    [
        ("tempotape:in 4711", True),
        ("tempotape-01:in 4711", True),  # what JACK makes of the second client of a name
        ("tempotape clock:out 4711 129:0", True),
        ("tempotape clock-02:out 4711", True),
        ("tempotape pedal:out", False),
        ("my tempotape:out", False),
    ],
)
def test_ports_of_our_own_are_known_by_their_client(driver_name, ours):
    assert (names(driver_name) == []) == ours


def test_a_device_cannot_send_control_characters_or_an_endless_name():
    assert names("Bo\x1b[31mx\n", "\x1b\x07", "x" * 5000) == [
        "Bo[31mx",
        "unnamed port",
        "x" * 100,
    ]


@given(st.lists(st.text(max_size=30), max_size=8))
def test_every_name_shown_is_printable_and_met_once(driver_names):
    shown = names(*driver_names)
    assert all(name.isprintable() and name for name in shown)
    plain = [name for name in shown if not name.endswith(")")]
    assert len(set(plain)) == len(plain)


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("Beat", "Beat"),  # the same, although "Beatbox" holds it too
        ("beatbox", "Beatbox"),  # the same but for case
        ("thru", "Thru port"),  # in one name only
        ("b", None),  # in several
        ("drums", None),  # in none
        ("", None),
        (None, None),
    ],
)
def test_exact_beats_case_beats_part_of_a_name(asked, found):
    assert chosen_port(asked, ["Beat", "Beatbox", "Thru port"]) == found


def test_all_that_a_name_may_mean_are_given():
    assert matching("BEAT", ["Beatbox", "Backbeat", "Thru"]) == ("Beatbox", "Backbeat")


def test_why_no_port_is_open_is_one_sentence():
    there = ["Beatbox", "Backbeat"]
    assert why_not("Drums", there) == (
        'MIDI port "Drums" is not there; it will be used when it appears'
    )
    assert why_not("beat", there) == 'MIDI port "beat" could be "Beatbox" or "Backbeat"'
    assert why_not("Beatbox", there) == ""
