"""A tempo as a player types it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tempotape.faults import InputFault
from tempotape.tempo.typed import tempo_bpm


@pytest.mark.parametrize(
    ("text", "bpm"),
    [
        ("96", 96),
        ("96.5", 96.5),
        ("96,5", 96.5),
        (" 120 ", 120),
        ("20", 20),
        ("400", 400),
        ("96.", 96),
    ],
)
def test_a_tempo_is_read(text, bpm):
    assert tempo_bpm(text) == bpm


@pytest.mark.parametrize(
    "text", ["", "fast", "-96", "1e2", "nan", "inf", "9 6", "٩٦", "96bpm", "1_0_0"]
)
def test_anything_else_is_quoted(text):
    with pytest.raises(InputFault) as met:
        tempo_bpm(text, entry="--tempo")
    assert str(met.value) == (
        f'--tempo: tempo is "{text}"; expected beats a minute from 20 to 400, as 96 or 96.5'
    )


@pytest.mark.parametrize("text", ["19.9", "400.1", "1200", "0"])
def test_a_tempo_out_of_range(text):
    with pytest.raises(InputFault) as met:
        tempo_bpm(text)
    assert str(met.value) == (
        f"tempo is {text}; expected beats a minute from 20 to 400, as 96 or 96.5"
    )


@given(st.text(max_size=20))
def test_any_text_is_a_tempo_or_one_printable_sentence(text):
    try:
        assert 20 <= tempo_bpm(text) <= 400
    except InputFault as fault:
        assert str(fault).isprintable()
