"""Songs from CSV, as a set and as a new set file."""

import os

import pytest

from tempotape.demos import DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.songs.set_csv import new_set, read_set, songs_from_csv
from tempotape.songs.setlist import Song, read_setlist


def written(tmp_path, text, name="songs.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def test_titles_and_tempi_are_read(tmp_path):
    text = 'title,tempo_bpm\r\nLow Tide,96.5\r\n"Rope, and ""Salt""","96,5"\r\n\r\nCounted in,\r\n'
    songs = songs_from_csv(written(tmp_path, text))
    assert songs == (
        Song(title="Low Tide", tempo_bpm=96.5),
        Song(title='Rope, and "Salt"', tempo_bpm=96.5),
        Song(title="Counted in"),
    )


def test_a_byte_order_mark_and_columns_the_other_way_round_do_not_matter(tmp_path):
    text = "Tempo_BPM,Title\n120,A\n"
    assert songs_from_csv(written(tmp_path, text, encoding="utf-8-sig")) == (
        Song(title="A", tempo_bpm=120),
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("title;tempo_bpm\nA;96\n",
         "row 1: cells are parted by semicolons; "
         "expected commas: save it again as comma-separated"),
        ("title\ttempo_bpm\nA\t96\n",
         "row 1: cells are parted by tabs; expected commas: save it again as comma-separated"),
        ("A,96\n", 'row 1: columns are "A,96"; expected a first line title,tempo_bpm'),
        ("", 'row 1: columns are ""; expected a first line title,tempo_bpm'),
        ("title,tempo_bpm\n", "no songs; expected at least one row of a title"),
        ("title,tempo_bpm\n\nA,fast\n",
         'row 3: tempo is "fast"; expected beats a minute from 20 to 400, as 96 or 96.5'),
        ("title,tempo_bpm\nA,4000\n",
         "row 2: tempo is 4000; expected beats a minute from 20 to 400, as 96 or 96.5"),
        ("title,tempo_bpm\nA,96,5\n",
         "row 2: 3 cells; expected 2; a title or tempo with a comma in it stands in quotes"),
        ("title,tempo_bpm\n,96\n",
         "row 2: title is empty; expected text of up to 10000 characters"),
        ('title,tempo_bpm\n"A,96\n',
         "is not CSV (unexpected end of data); expected a first line title,tempo_bpm"),
    ],
)  # fmt: skip
def test_a_fault_names_file_and_row(tmp_path, text, sentence):
    path = written(tmp_path, text)
    with pytest.raises(InputFault) as met:
        songs_from_csv(path)
    assert str(met.value) == f"{path}: {sentence}"


def test_a_csv_is_a_set_named_after_its_file(tmp_path):
    setlist = read_set(written(tmp_path, "title,tempo_bpm\nA,96\n", "Friday.CSV"))
    assert (setlist.name, setlist.unit, setlist.song) == ("Friday", None, (Song("A", 96),))


def test_other_files_are_read_as_toml(tmp_path):
    path = written(tmp_path, 'format = 1\nname = "N"\n[[song]]\ntitle = "A"\n', "n.toml")
    assert read_set(path) == read_setlist(path)


def test_a_new_set_file_holds_the_songs_and_names_the_unit(tmp_path):
    (tmp_path / "units").mkdir()
    (tmp_path / "sets").mkdir()
    unit = tmp_path / "units" / "k.toml"
    unit.write_text(DEMO_UNIT.read_text(encoding="utf-8"), encoding="utf-8")
    out = tmp_path / "sets" / "new.toml"
    songs = (Song(title='A "quoted" \\ title', tempo_bpm=96.5), Song(title="B"))
    setlist = new_set(out, songs, name="Friday", unit=unit)
    assert setlist == read_setlist(out)
    assert (setlist.name, setlist.unit, setlist.song) == ("Friday", "../units/k.toml", songs)


def test_a_file_that_exists_is_not_written_over(tmp_path):
    out = written(tmp_path, "precious", "new.toml")
    with pytest.raises(InputFault) as met:
        new_set(out, (Song(title="A"),), name="N", unit=None)
    assert str(met.value) == f"{out}: exists already; expected the name of a new file"
    assert out.read_text(encoding="utf-8") == "precious"


def test_a_unit_that_the_new_set_could_not_name_is_refused(tmp_path):
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    unit = written(tmp_path, "", "k.toml")
    with pytest.raises(InputFault, match=r"leads out of the set's tree.*leave --unit out here"):
        new_set(deep / "new.toml", (Song(title="A"),), name="N", unit=unit)
    assert not (deep / "new.toml").exists()


def test_nothing_is_left_of_a_set_that_could_not_be_read(tmp_path):
    out = tmp_path / "new.toml"
    with pytest.raises(InputFault) as met:
        new_set(out, (Song(title="A"),), name="\x1b", unit=None)
    assert str(met.value) == f"{out}: name is empty; expected text of up to 10000 characters"
    many = (Song(title="x" * 10_000),) * 101
    with pytest.raises(InputFault) as met:
        new_set(out, many, name="N", unit=None)
    assert str(met.value) == (
        f"{out}: 101 songs are more than a set can hold; expected a set file of at most 1 MB"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_unit_file_whose_name_is_not_utf_8_cannot_be_named_in_a_set(tmp_path):
    unit = tmp_path / os.fsdecode(b"\xff\xfeunit.toml")
    unit.write_text(DEMO_UNIT.read_text())
    path = tmp_path / "set.toml"
    with pytest.raises(InputFault) as fault:
        new_set(path, [Song(title="A")], name="S", unit=unit)
    assert fault.value.sentence == (
        f"{tmp_path}/unit.toml: its name is not UTF-8, and a set file is; expected a unit file of "
        "another name, or leave --unit out here"
    )
    assert not path.exists()
