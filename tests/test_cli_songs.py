"""The commands about sets, as a player types them."""

import json

import mido
import pytest
from click.testing import CliRunner

from tempotape.cli.songs import plan, set_group, sheet
from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.faults import InputFault
from tempotape.remembered import state_folder
from tempotape.songs.setlist import read_setlist
from tempotape.songs.used_log import Used, log_used, used_file

HERON = DEMO_UNIT.parent / "heron.toml"


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def run(command, *words):
    """Standard output and standard error of a command that ends well."""
    result = CliRunner().invoke(command, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout, result.stderr


def fault(command, *words):
    with pytest.raises(InputFault) as met:
        run(command, *words)
    return str(met.value)


def test_plan_reads_and_json_stands_alone():
    out, err = run(plan, DEMO_SET)
    assert err == ""
    assert out.startswith("Saturday at the boathouse on Kestrel\n")
    assert "switch to short, turn down to 3.35" in out
    report = json.loads(run(plan, DEMO_SET, "--json")[0])
    assert report["unit"] == "Kestrel"
    assert report["total_knob_travel"] == sum(song["knob_travel"] for song in report["songs"])
    assert "choices" not in report["songs"][0]


def test_plan_shows_the_choices_it_weighed():
    report = json.loads(run(plan, DEMO_SET, "--json", "--choices")[0])
    assert set(report["songs"][0]["choices"][0]) == {
        "note", "head", "knob", "mark", "timing", "steadiness", "preference"
    }  # fmt: skip
    result = CliRunner().invoke(plan, [str(DEMO_SET), "--choices"])
    assert result.exit_code == 2
    assert "--choices goes with --json" in result.stderr


def test_the_total_can_be_summed_up_from_the_plain_report():
    report = json.loads(run(plan, DEMO_SET, "--json")[0])
    weights, total, before = report["weights"], 0.0, None
    for song in report["songs"]:
        if song["cost"] is None:
            continue
        travel = switch = 0.0
        if before is not None:
            travel = weights["full_turn"] * abs(song["knob"] - before["knob"]) / weights["scale"]
            travel += weights["touch"] * (song["mark"] != before["mark"])
            switch = weights["head_switch"] * (song["head"] != before["head"])
        cost = song["cost"]
        assert cost["travel"] == pytest.approx(song["haste"] * travel)
        assert cost["head_switch"] == pytest.approx(song["haste"] * switch)
        own = cost["timing"] + cost["steadiness"] + cost["preference"]
        total += own + song["haste"] * (travel + switch)
        before = song
    assert report["total_cost"] == pytest.approx(total)


def test_what_the_set_was_last_played_with_counts_and_is_told():
    fresh = json.loads(run(plan, DEMO_SET, "--json")[0])
    assert not fresh["from_last"]
    assert not any(song["gap_from_last"] for song in fresh["songs"])
    used = Used(1.0, "Saturday at the boathouse", "Slow Bell", gap_used_s=7.0, length_s=200.0)
    assert log_used(used_file(state_folder()), used)
    report = json.loads(run(plan, DEMO_SET, "--json")[0])
    assert report["from_last"]
    told = [(song["title"], song["gap_s"]) for song in report["songs"] if song["gap_from_last"]]
    assert told == [("Slow Bell", 7.0)]
    line = "Gaps and habits of the last run count; --fresh leaves them out."
    assert run(plan, DEMO_SET)[0].splitlines()[1] == line
    assert line not in run(plan, DEMO_SET, "--fresh")[0]
    assert json.loads(run(plan, DEMO_SET, "--fresh", "--json")[0]) == fresh


def test_heads_are_known_by_name_whatever_the_case_and_checked_without_a_tempo(tmp_path):
    path = tmp_path / "s.toml"
    text = 'format = 1\nname = "S"\n[[song]]\ntitle = "Live"\nhead = "{}"\n'
    path.write_text(text.format("LONG"), encoding="utf-8")
    assert "no tempo yet" in run(plan, path, "--unit", DEMO_UNIT)[0]
    path.write_text(text.format("longg"), encoding="utf-8")
    assert fault(plan, path, "--unit", DEMO_UNIT) == (
        f'{path}: song 1 "Live": unknown head "longg"; expected "long"'
    )


def test_another_unit_may_be_given():
    report = json.loads(run(plan, DEMO_SET, "--unit", HERON, "--json")[0])
    assert report["unit"] == "Heron"
    assert "o'clock" in run(plan, DEMO_SET, "--unit", HERON)[0]


def test_a_midi_file_counts_before_the_tempo_and_a_moving_start_is_told_everywhere(tmp_path):
    track = mido.MidiTrack()
    for bpm in range(100, 140):  # a quarter each
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
        track.append(mido.Message("note_on", time=480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(tmp_path / "a.mid")
    path = tmp_path / "s.toml"
    path.write_text(
        'format = 1\nname = "S"\n[[song]]\ntitle = "A"\ntempo_bpm = 96\nmidi_file = "a.mid"\n',
        encoding="utf-8",
    )
    section = "bars 1-10, 4/4, between 100 and 139"
    report = json.loads(run(plan, path, "--unit", DEMO_UNIT, "--json")[0])
    (song,) = report["songs"]
    assert (song["section"], song["in_time"]) == (section, False)
    assert report["warnings"][0] == (
        f'song 1 "A", section "{section}": tempo_bpm is 96, but "a.mid" begins between 100 and '
        "139: the file's tempo is taken"
    )
    assert "is loose: the tempo moves between 100 and 139" in report["warnings"][1]
    text = run(plan, path, "--unit", DEMO_UNIT)[0]
    assert "\n1  A\n" in text
    assert ", LOOSE" in text
    for form in ("text", "html", "csv"):
        told = run(sheet, path, "--unit", DEMO_UNIT, "-o", "-", "--as", form)[0]
        assert section in told


def test_a_csv_is_planned_with_a_unit_from_the_command_line(tmp_path):
    songs = tmp_path / "friday.csv"
    songs.write_text("title,tempo_bpm\nLow Tide,96\nLive,\n", encoding="utf-8")
    report = json.loads(run(plan, songs, "--unit", DEMO_UNIT, "--json")[0])
    assert (report["set"], len(report["songs"])) == ("friday", 2)
    assert fault(plan, songs) == f'{songs}: names no unit; expected a line unit = "FILE" or --unit'


def test_a_unit_from_outside_the_tree_must_be_given_on_the_command_line(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(
        f"format = 1\nname = 'N'\nunit = '{DEMO_UNIT}'\n[[song]]\ntitle = 'A'\n", encoding="utf-8"
    )
    assert "a path from the root; expected a path from the set's own folder, or name it with " in (
        fault(plan, path)
    )
    assert "no tempo" in run(plan, path, "--unit", DEMO_UNIT)[0]


@pytest.mark.parametrize(
    ("name", "begins"),
    [("s.html", "<!DOCTYPE html>"), ("s.HTM", "<!DOCTYPE html>"), ("s.txt", "Saturday at the"),
     ("s.csv", "number,title,section")],
)  # fmt: skip
def test_a_sheet_takes_its_form_from_the_ending_and_writes_over_the_last_one(
    tmp_path, name, begins
):
    out = tmp_path / name
    for _ in range(2):
        told, err = run(sheet, DEMO_SET, "-o", out)
        assert (told, err) == (f"sheet of 7 settings written to {out}\n", "")
        assert out.read_text(encoding="utf-8").startswith(begins)


def test_a_sheet_goes_to_standard_output_or_takes_the_form_that_is_asked_for(tmp_path):
    assert run(sheet, DEMO_SET, "-o", "-")[0].startswith("Saturday at the boathouse\n")
    assert run(sheet, DEMO_SET, "-o", "-", "--as", "csv")[0].startswith("number,title,")
    out = tmp_path / "sheet"
    run(sheet, DEMO_SET, "-o", out, "--as", "HTML")
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert fault(sheet, DEMO_SET, "-o", out) == (
        f"{out}: ends in none of .html, .txt and .csv; expected one of them, or --as"
    )
    assert fault(sheet, DEMO_SET, "-o", out, "--as", "pdf") == (
        '--as: form is "pdf"; expected html, text or csv'
    )


def test_a_sheet_never_replaces_the_set_or_the_unit(tmp_path):
    songs, unit = tmp_path / "friday.csv", tmp_path / "unit.toml"
    songs.write_text("title,tempo_bpm\nLow Tide,96\n", encoding="utf-8")
    unit.write_text(DEMO_UNIT.read_text(encoding="utf-8"), encoding="utf-8")
    before = songs.read_bytes(), unit.read_bytes()
    link = tmp_path / "link.csv"
    link.symlink_to(songs)
    for out in (songs, link):
        assert fault(sheet, songs, "--unit", unit, "-o", out) == (
            f"{out}: is the set itself; expected another file for the sheet"
        )
    assert fault(sheet, songs, "--unit", unit, "-o", unit, "--as", "text") == (
        f"{unit}: is the unit file itself; expected another file for the sheet"
    )
    assert (songs.read_bytes(), unit.read_bytes()) == before


def test_a_sheet_never_replaces_a_midi_file_of_the_set(tmp_path):
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(100))])
    track.append(mido.Message("note_on", time=480))
    song, path = tmp_path / "song.mid", tmp_path / "s.toml"
    mido.MidiFile(tracks=[track]).save(song)
    text = 'format = 1\nname = "S"\n[[song]]\ntitle = "A"\ntempo_bpm = 90\n[[song]]\ntitle = "B"\n'
    path.write_text(f'{text}midi_file = "song.mid"\n', encoding="utf-8")
    before = song.read_bytes()
    assert fault(sheet, path, "--unit", DEMO_UNIT, "-o", song, "--as", "csv") == (
        f"{song}: is the MIDI file of song 2 itself; expected another file for the sheet"
    )
    assert song.read_bytes() == before


def test_warnings_of_a_sheet_go_to_standard_error(tmp_path):
    songs, out = tmp_path / "friday.csv", tmp_path / "s.html"
    songs.write_text("title,tempo_bpm\nLow,20\n", encoding="utf-8")
    told, err = run(sheet, songs, "--unit", DEMO_UNIT, "-o", out)
    assert told == f"sheet of 1 setting written to {out}\n"
    # An eighth at 20 lasts 1500 ms; the unit was measured to give about 1420.
    assert err.startswith('WARNING song 1 "Low": out of reach: 1500 ms is ')


def test_a_csv_becomes_a_set_file(tmp_path):
    songs, out = tmp_path / "friday.csv", tmp_path / "friday.toml"
    songs.write_text("title,tempo_bpm\nLow Tide,96\nLive,\n", encoding="utf-8")
    unit = tmp_path / "unit.toml"
    unit.write_text(DEMO_UNIT.read_text(encoding="utf-8"), encoding="utf-8")
    words = ("new", out, "--csv", songs, "--unit", unit, "--name", "Friday night")
    assert run(set_group, *words)[0] == f"2 songs written to {out}\n"
    setlist = read_setlist(out)
    assert (setlist.name, setlist.unit) == ("Friday night", "unit.toml")
    assert "Low Tide" in run(plan, out)[0]
    assert fault(set_group, *words) == (f"{out}: exists already; expected the name of a new file")
    songs.write_text("title,tempo_bpm\nLow Tide,96\n", encoding="utf-8")
    told, _ = run(set_group, "new", tmp_path / "bare.toml", "--csv", songs)
    assert told == f"1 song written to {tmp_path / 'bare.toml'}\n"
    assert read_setlist(tmp_path / "bare.toml").unit is None
