"""Note values against standard music notation."""

from fractions import Fraction

import pytest

from tempotape.faults import InputFault
from tempotape.tempo.notes import NOTE_VALUES, QUARTER, note_value


def test_the_table_holds_six_values_in_four_forms():
    assert len(NOTE_VALUES) == 24
    assert len({note.quarters for note in NOTE_VALUES.values()}) == 24


# At 120 to the quarter a quarter note lasts 500 ms: 60000/BPM, by definition of the metronome mark.
@pytest.mark.parametrize(
    ("name", "delay_ms"),
    [
        ("whole", 2000),
        ("half", 1000),
        ("quarter", 500),
        ("dotted quarter", 750),
        ("double dotted quarter", 875),
        ("dotted eighth", 375),
        ("eighth", 250),
        ("quarter triplet", 1000 / 3),
        ("eighth triplet", 500 / 3),
        ("sixteenth", 125),
        ("thirty-second", 62.5),
    ],
)
def test_lengths_at_120_to_the_quarter(name, delay_ms):
    assert NOTE_VALUES[name].delay_ms(120) == pytest.approx(delay_ms, rel=1e-12)


# Standard music notation: dotted = 3/2, double dotted = 7/4, triplet = 2/3 of the plain value.
@pytest.mark.parametrize(
    "plain", ["whole", "half", "quarter", "eighth", "sixteenth", "thirty-second"]
)
def test_every_row_follows_the_rules_of_notation(plain):
    length = NOTE_VALUES[plain].quarters
    assert NOTE_VALUES[f"dotted {plain}"].quarters == length * Fraction(3, 2)
    assert NOTE_VALUES[f"double dotted {plain}"].quarters == length * Fraction(7, 4)
    assert NOTE_VALUES[f"{plain} triplet"].quarters == length * Fraction(2, 3)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("dotted-eighth", "dotted eighth"),
        ("Dotted Eighth", "dotted eighth"),
        ("  DOTTED_EIGHTH ", "dotted eighth"),
        ("eighth notes", "eighth"),
        ("quarter note", "quarter"),
        ("eighths", "eighth"),
        ("Thirty Second", "thirty-second"),
        ("thirty-second", "thirty-second"),
        ("triplet eighth", "eighth triplet"),
        ("eighth-triplets", "eighth triplet"),
        ("double-dotted half", "double dotted half"),
        ("dotted crotchet", "dotted quarter"),
        ("quaver", "eighth"),
        ("minim triplet", "half triplet"),
        ("triplet quaver", "eighth triplet"),
        ("Triplet-Crotchets", "quarter triplet"),
        ("quarter-note triplet", "quarter triplet"),
        ("Half note triplets", "half triplet"),
        ("quarter\u2011triplet", "quarter triplet"),  # a hyphen that does not break
        ("thirtysecond", "thirty-second"),
    ],
)
def test_names_as_musicians_write_them(written, name):
    assert note_value(written).name == name


def test_every_name_of_the_table_finds_its_row():
    assert {name: note_value(name.upper().replace(" ", "-")).name for name in NOTE_VALUES} == {
        name: name for name in NOTE_VALUES
    }


def test_an_unknown_name_suggests_the_nearest():
    with pytest.raises(InputFault) as met:
        note_value("doted eigth", entry="--repeats")
    assert str(met.value) == (
        '--repeats: unknown note value "doted eigth"; expected "dotted eighth"'
    )


def test_a_name_like_none_lists_them():
    with pytest.raises(InputFault) as met:
        note_value("\x1b[2J7")
    assert str(met.value) == (
        'unknown note value "[2J7"; expected whole, half, quarter, eighth, sixteenth or '
        "thirty-second, plain, dotted, double dotted or triplet"
    )


def test_a_dotted_quarter_beat_of_60_is_a_quarter_of_90():
    # A bar of 6/8 has two dotted-quarter beats, each of one and a half quarters.
    assert note_value("dotted quarter").quarter_bpm(60) == 90
    assert QUARTER.quarter_bpm(96) == 96
