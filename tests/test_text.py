"""Untrusted text, made safe to show."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.faults import InputFault
from tempotape.text import fitted, listed, nearest, printable, quoted


@given(st.text())
def test_nothing_a_terminal_acts_on_is_left(text):
    left = printable(text)
    # Unicode: categories Cc (control), Cf (format), Zl and Zp (separators), Cs (surrogates).
    assert {unicodedata.category(mark) for mark in left} & {"Cc", "Cf", "Zl", "Zp", "Cs"} == set()
    assert printable(left) == left


# ECMA-48: ESC opens an escape sequence, 0x9B is its eight-bit form.
@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("\x1b[31mred\x1b[0m", "[31mred[0m"),
        ("\x9b31mred", "31mred"),
        ("a\r\nb\tc", "a  b c"),
        ("abc\u202edef", "abcdef"),
        ("one\u2028two\xa0three", "one two three"),
        ("Ünïcode ±5 %", "Ünïcode ±5 %"),
        ("  kept  ", "  kept  "),
        ("bell\x07 \x0b\x1c\x85", "bell "),
    ],
)
def test_examples(text, left):
    assert printable(text) == left


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("fast", '"fast"'),
        ("x" * 41, '"' + "x" * 40 + '…"'),
        (1200, "1200"),
        (0.1, "0.1"),
        (float("nan"), "nan"),
        (True, "true"),
        ([1], "a list"),
        ({}, "a table"),
        (10**100, "a number too large to use"),
        (None, "None"),
    ],
)
def test_quoted(value, shown):
    assert quoted(value) == shown


def test_nearest_and_listed():
    assert nearest("SHORT ", ["short", "long"]) == "short"
    assert nearest("qqq", ["short", "long"]) is None
    assert listed(["one"]) == "one"
    assert listed(["a", "b"], last="and") == "a and b"


def test_a_fault_is_one_sentence_of_its_parts():
    fault = InputFault("x is\n2", expected="1", source="f.toml", entry="song 3")
    assert str(fault) == "f.toml: song 3: x is 2; expected 1"
    assert str(InputFault("no such file").located(source="g")) == "g: no such file"


@given(st.text(), st.integers(20, 120))
def test_text_fitted_to_a_terminal_is_cut_between_words_only(text, width):
    shown = list(fitted(text, width))
    assert "".join(shown).split() or not printable(text).split()
    words = [word for line in text.splitlines() for word in printable(line).split()]
    assert [word for line in shown for word in line.split()] == words
    for line in shown:
        assert len(line) <= width or len(line.split()) == 1


def test_text_that_goes_nowhere_to_be_fitted_keeps_its_lines():
    long = "  note: " + "word " * 30
    assert list(fitted(f"{long}\nnext", None)) == [long, "next"]
