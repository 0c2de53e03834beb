"""The cue sheet: what it holds, and that nothing a person typed can act or break it."""

import base64
import csv
import hashlib
import io
import math
import re
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import msgspec
import pytest

from tempotape.demos import DEMO_SET, DEMO_UNIT
from tempotape.songs.dial_svg import dial_svg
from tempotape.songs.parts import parts_of
from tempotape.songs.plan_report import plan_of, plan_parts
from tempotape.songs.plan_text import plan_text
from tempotape.songs.setlist import Section, Setlist, Song, read_setlist
from tempotape.songs.sheet import sheet_csv, sheet_text
from tempotape.songs.sheet_html import sheet_html
from tempotape.unit.calibration import load_calibration
from tempotape.unit.model import Head, Knob, Steadiness
from tests.plain_units import plain_calibration, plain_unit

HERON = DEMO_UNIT.parent / "heron.toml"
HOSTILE = {
    "markup": "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "closing": "</bdi></td></table></style></html><!-- & &amp; \"'",
    "escape codes": "\x1b[31mred\x1b[0m\x07\x9b2J",
    "turned": "\u202egnp.exe\u202c \u2066isolated\u2069",
    "right to left": "שלום עולם",
    "emoji": "🎸👩‍👩‍👧🇬🇧",
    "long": "L" * 10_000,
    "long words": "word " * 2_000,
    "combining": "z" + "\u0300" * 9_000,
    "formula": '=HYPERLINK("http://x","y")',
}


@pytest.fixture(scope="module")
def kestrel():
    return load_calibration(DEMO_UNIT)


@pytest.fixture(scope="module")
def demo(kestrel):
    return plan_of(read_setlist(DEMO_SET), DEMO_SET, kestrel)


class Seen(HTMLParser):
    """Tags, attributes and text as a browser's tokenizer would see them."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.texts, self.open = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in {"meta", "path"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag != "path":
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)

    def handle_comment(self, data):
        pytest.fail(f"a comment: {data[:40]}")


def hostile_plan(known):
    songs = tuple(
        Song(
            title=text, notes=text, tempo_bpm=90 + place if place % 2 else None,
            section=(Section(text, 100.0),),
        )
        for place, text in enumerate(HOSTILE.values())
    )  # fmt: skip
    return plan_parts(HOSTILE["markup"], parts_of(Setlist(1, "x", None, songs)), known)


def hostile_unit():
    """A unit whose own names and conditions are hostile too."""
    unit = plain_unit(
        heads={"short": 28.0, HOSTILE["closing"]: 72.0}, limits=Steadiness(unstable_knob=2.0)
    )
    unit = msgspec.structs.replace(
        unit, name=HOSTILE["markup"], conditions={HOSTILE["turned"]: HOSTILE["closing"]}
    )
    return plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))


def test_the_sheet_names_set_unit_conditions_and_every_song(demo, kestrel):
    seen = Seen(sheet_html(demo, kestrel))
    text = " ".join(seen.texts)
    assert seen.open == []
    for told in (
        "Saturday at the boathouse", "Kestrel", "warm up: 20 minutes", "Low Tide", "LONG", "5.55",
        "dotted eighth, 469 ms", "96 BPM", "swell into the bridge", "last chorus", "SHORT", "3.35",
        "wobbly", "touchy", "58 BPM to the dotted quarter", "no tempo yet", "Harbour Lights Out",
        "leave it as it is", "switch to short, turn down to 3.35",
    ):  # fmt: skip
        assert told in text
    assert seen.tags.count("svg") >= 7
    assert seen.tags.count("thead") == 1


def test_a_date_among_the_conditions_comes_first(demo, kestrel):
    unit = msgspec.structs.replace(kestrel.unit, conditions={"tape": "A", "date": "2026-11-02"})
    dated = msgspec.structs.replace(kestrel, unit=unit)
    assert "Measured with date: 2026-11-02; tape: A" in sheet_html(demo, dated)
    bare = msgspec.structs.replace(kestrel, unit=msgspec.structs.replace(unit, conditions={}))
    assert "Measured with" not in sheet_html(demo, bare)
    assert "Measured with" not in sheet_text(demo, bare)


def test_nothing_in_the_sheet_runs_or_is_fetched():
    known = hostile_unit()
    page = sheet_html(hostile_plan(known), known)
    seen = Seen(page)
    assert seen.open == []
    assert set(seen.tags) <= {
        "html", "head", "meta", "title", "style", "body", "header", "h1", "p", "bdi", "table",
        "thead", "tbody", "tr", "th", "td", "span", "svg", "path", "text", "footer",
    }  # fmt: skip
    assert {key for key, _ in seen.attributes} <= {
        "lang", "charset", "http-equiv", "content", "class", "colspan", "viewbox", "role",
        "aria-label", "d", "fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap",
        "x", "y", "font-size", "text-anchor", "dominant-baseline",
    }  # fmt: skip
    # The page without its style holds no address and no way to name one.
    assert not re.search(r"url\(|@import|https?:", page.split("</style>")[0])
    assert all(mark.isprintable() or mark == "\n" for mark in page)
    assert HOSTILE["markup"] in " ".join(seen.texts)


def test_the_policy_allows_the_style_sheet_alone_by_its_hash(demo, kestrel):
    page = sheet_html(demo, kestrel)
    policy = dict(Seen(page).attributes)["content"]
    style = re.search("<style>(.*)</style>", page, re.DOTALL)[1]
    # Content Security Policy Level 3: base64 of the SHA-256 of the element's text.
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    assert 'style="' not in page


def test_long_text_is_cut():
    known = hostile_unit()
    texts = Seen(sheet_html(hostile_plan(known), known)).texts
    assert max(len(text) for text in texts if "@page" not in text) <= 230
    assert "L" * 89 + "…" in texts


def test_no_text_is_clipped_without_a_mark(kestrel):
    title, notes = "Title " * 40, "note " * 100
    song = Song(title, 96, notes=notes)
    page = sheet_html(plan_parts("s", parts_of(Setlist(1, "s", None, (song,))), kestrel), kestrel)
    style = page.split("<style>")[1].split("</style>")[0]
    # CSS 2.1, 17.5.3: the height of a cell is the least one, so that rows grow with their text;
    # 11.1.1: only what is kept lower than its text is clipped.
    assert "max-height" not in style
    assert "line-clamp" not in style
    assert {rule.split("{")[0].strip() for rule in style.split("}") if " height:" in rule} <= {
        "svg.dial", ".mark svg", ".inside td", ".inside svg.dial", "td"
    }  # fmt: skip
    texts = Seen(page).texts
    assert title[:89] + "…" in texts
    assert notes[:219] + "…" in texts


def test_marks_are_shapes_with_words():
    songs = (
        Song(title="a", tempo_bpm=100, repeats=("quarter",)),  # at 6: steady
        Song(
            title="b", tempo_bpm=50, repeats=("quarter",)
        ),  # at 3: wobbly, and a step of 0.05 is worth 20 of 25 ms
        Song(title="c", tempo_bpm=20, repeats=("quarter",)),  # at 1.2: unstable and loose
    )
    limits = Steadiness(steady_percent=1.0, unstable_percent=3.0)
    unit = plain_unit(heads={"long": 60.0}, limits=limits)

    def marks(**options):
        known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10), **options)
        plan = plan_parts("m", parts_of(Setlist(1, "m", None, songs)), known)
        page = sheet_html(plan, known)
        return [
            re.sub("<[^>]*>", " ", cell).split()
            for cell in re.findall('<td class="mark">(.*?)</td>', page)
        ]

    flutter = {1.0: 4.0, 2.0: 2.9, 4.0: 1.01, 6.0: 0.9}
    assert marks(flutter=flutter) == [[], ["wobbly", "touchy"], ["do", "not", "trust", "loose"]]
    assert marks()[0] == ["steady?"]


def test_a_song_that_cannot_be_trusted_or_reached_has_the_first_way_out_beside_it(kestrel):
    songs = (
        Song("Deep", 44, repeats=("quarter",), head="long"),  # 1364 ms: at 2.5, not to be trusted
        Song("High", 340, repeats=("quarter",), head="long"),  # 176 ms, where 229 is the least
        Song("Fine", 96),
        Song("Live", None),
    )
    plan = plan_parts("s", parts_of(Setlist(1, "s", None, songs)), kestrel)
    ways = [song.offers[0] if song.offers else None for song in plan.songs]
    # 60000/44 * 3/4 = 1023 ms; 60000/340 * 4/3 = 235 ms.
    assert ways[0] == "another note value: dotted eighth on head long at 3.05"
    assert ways[1] == "another note value: half triplet on head long at 9.80"
    assert ways[2:] == [None, None]
    assert all(way in plan_text(plan) for way in ways[:2])

    page = sheet_html(plan, kestrel)
    rows = re.findall("<tr[^>]*><td.*?</tr>", page)
    told = [re.findall('<span class="way-out"><bdi>(.*?)</bdi></span>', row) for row in rows]
    assert told == [[ways[0]], [ways[1]], [], []]
    assert "In bold: what would work instead." in page
    text = sheet_text(plan, kestrel)
    assert [text.count(way) for way in ways[:2]] == [1, 1]


def test_where_no_way_out_is_to_be_trusted_the_sheet_says_so():
    unit = plain_unit(heads={"long": 60.0}, limits=Steadiness(unstable_knob=10.0))
    known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
    song = Song("Shaky", 60, repeats=("quarter",))
    page = sheet_html(plan_parts("s", parts_of(Setlist(1, "s", None, (song,))), known), known)
    assert "no trustworthy way out: no reading of this unit is measured and stable" in page


def test_the_text_has_head_and_knob_first(demo, kestrel):
    lines = sheet_text(demo, kestrel).splitlines()
    assert lines[0] == "Saturday at the boathouse"
    assert " 1  LONG 5.55       Low Tide" in lines
    assert "    LONG 5.55       ... last chorus" in lines
    assert " 6  NO TEMPO YET    Harbour Lights Out" in lines
    assert "touchy: a hair too far is heard; a step is most of what a listener notices" in lines
    assert max(map(len, lines)) <= 78


def sectioned(known):
    song = Song("First", section=(Section("verse", 90.0), Section("chorus", 110.0)), notes="n")
    return plan_parts("s", parts_of(Setlist(1, "s", None, (song, Song("Next", 90)))), known)


def test_a_song_that_begins_with_a_section_has_its_number_and_title_first(kestrel):
    lines = sheet_text(sectioned(kestrel), kestrel).splitlines()
    first, other, following = (
        next(at for at, line in enumerate(lines) if line.endswith(name))
        for name in ("  First", "  ... chorus", "  Next")
    )
    assert lines[first] == " 1  LONG 5.30       First"
    assert lines[first + 1] == "                    ... verse"
    assert "    no tempo outside its sections: type or tap it on stage" in lines[first:other]
    assert lines[other].startswith("    LONG ")
    assert lines[following].startswith(" 2  LONG ")


def test_the_page_has_number_and_title_where_a_song_begins_with_a_section(kestrel):
    page = sheet_html(sectioned(kestrel), kestrel)
    assert re.findall('<td class="number">(.*?)</td>', page) == ["1", "", "2"]
    assert re.findall("<tr(.*?)><td", page) == ["", ' class="inside"', ""]
    songs = [Seen(cell).texts[:2] for cell in re.findall('<td class="song">(.*?)</td>', page)]
    assert songs[0] == ["First", "verse"]
    assert [texts[0] for texts in songs[1:]] == ["chorus", "Next"]
    assert page.count("no tempo outside its sections: type or tap it on stage") == 1


def test_hostile_text_stays_on_lines_of_78_printable_characters():
    known = hostile_unit()
    lines = sheet_text(hostile_plan(known), known).split("\n")
    assert all(line.isprintable() for line in lines)
    assert max(map(len, lines)) <= 78


def test_the_csv_reads_back(demo):
    rows = list(csv.DictReader(io.StringIO(sheet_csv(demo), newline="")))
    assert [row["title"] for row in rows] == [song.title for song in demo.songs]
    assert rows[3]["head"] == "short"
    assert rows[3]["knob"] == "3.35"
    assert rows[3]["delay_ms"] == "357.1"  # a quarter at 168: 60000/168
    assert (rows[3]["in_time"], rows[3]["touchy"], rows[3]["steadiness"]) == (
        "yes", "yes", "wobbly"
    )  # fmt: skip
    assert (rows[6]["head"], rows[6]["in_time"], rows[6]["tempo_bpm"]) == ("", "", "")


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "  =1", "\t=1", "\r=1", "＝1", '"=1', "\u200b=1"]
)
def test_text_that_a_spreadsheet_would_run_is_made_text(text, kestrel):
    songs = (Song(title=text, notes=text, tempo_bpm=96),)
    plan = plan_parts("x", parts_of(Setlist(1, "x", None, songs)), kestrel)
    (row,) = csv.DictReader(io.StringIO(sheet_csv(plan), newline=""))
    for cell in (row["title"], row["notes"]):
        # OWASP, CSV injection: a quote before = + - @, also behind white space.
        assert cell.startswith("'")


def svg_of(known, reading):
    text = dial_svg(known, reading)
    assert "<script" not in text
    return ET.fromstring(text)  # noqa: S314 - our own text


def pointer_tip(svg):
    (pointer,) = [path for path in svg.iter("path") if path.get("stroke-linecap")]
    return tuple(float(part) for part in pointer.get("d").split("L")[1].split())


@pytest.mark.parametrize(("reading", "deg"), [(0, -150), (2.5, -75), (5, 0), (10, 150)])
def test_the_pointer_stands_where_the_knob_does(kestrel, reading, deg):
    # 300 degrees of sweep, evenly about straight up: 30 degrees a reading from -150.
    x, y = pointer_tip(svg_of(kestrel, reading))
    assert math.degrees(math.atan2(x - 50, 50 - y)) == pytest.approx(deg, abs=0.1)


def test_the_dial_has_the_units_own_marks(kestrel):
    labels = [text.text for text in svg_of(kestrel, 5).iter("text")]
    assert labels == [str(number) for number in range(11)]
    heron = load_calibration(HERON)
    hours = [text.text for text in svg_of(heron, 10).iter("text")]
    assert hours == ["7", "8", "9", "10", "11", "12", "1", "2", "3", "4", "5"]


@pytest.mark.parametrize(
    ("knob", "labels"),
    [
        (Knob(low=0, high=100, step=1), ["0", "10", "20", "30", "40", "50", "60", "70", "80",
                                         "90", "100"]),
        (Knob(low=-5, high=5, step=0.1), ["-5", "-4", "-3", "-2", "-1", "0", "1", "2", "3", "4",
                                          "5"]),
        (Knob(low=0, high=1, step=0.01), ["0", "0.1", "0.2", "0.3", "0.4", "0.5", "0.6", "0.7",
                                          "0.8", "0.9", "1"]),
        (Knob(low=0.5, high=3600, step=1, sweep_deg=3600), ["500", "1000", "1500", "2000", "2500",
                                                            "3000", "3500"]),
        (Knob(low=0, high=12, step=0.1, sweep_deg=360, marks="clock"),
         ["7", "8", "9", "10", "11", "12", "1", "2", "3", "4", "5", "6"]),
    ],
)  # fmt: skip
def test_marks_are_round_and_at_most_twelve(knob, labels):
    unit = plain_unit(heads={"one": 28.0}, knob=knob)
    known = plain_calibration(unit, lambda k: 30 + k - knob.low, measured=(knob.low, knob.high))
    svg = svg_of(known, knob.high)
    assert [text.text for text in svg.iter("text")] == labels
    places = {(text.get("x"), text.get("y")) for text in svg.iter("text")}
    assert len(places) == len(labels)
    assert all(0 <= float(part) <= 100 for place in places for part in place)


def test_without_a_reading_the_dial_has_no_pointer(kestrel):
    svg = svg_of(kestrel, None)
    assert not any(path.get("stroke-linecap") for path in svg.iter("path"))
    assert svg.get("aria-label") == "the knob"


def test_a_head_with_a_long_name_gets_smaller_letters():
    names = ("Ox", "short", "middle", "farthest", "beyond it all", "the one beside the capstan")
    sizes = []
    for name in names:
        unit = msgspec.structs.replace(plain_unit(heads={"x": 60.0}), head=(Head(name, 60.0),))
        known = plain_calibration(unit, lambda k: 20 * max(k, 0.01), measured=(1, 10))
        plan = plan_parts("s", parts_of(Setlist(1, "s", None, (Song("a", 96),))), known)
        sizes.append(re.search('class="head (size[0-9])"', sheet_html(plan, known))[1])
    assert sizes == ["size1", "size2", "size3", "size4", "size6", "size6"]


# Advance widths of the bold faces in 1/2048 em: figures, colon, full stop, hyphen.
BOLD_FACES = {
    "DejaVu Sans": (1425, 819, 778, 850),
    "Verdana": (1456, 824, 740, 983),
    "Arial": (1139, 682, 569, 682),
}


@pytest.mark.parametrize("face", BOLD_FACES)
@pytest.mark.parametrize("file", [DEMO_UNIT, HERON])
def test_no_knob_reading_is_wider_than_its_column(file, face):
    known = load_calibration(file)
    songs = tuple(
        Song(f"{bpm}", bpm, repeats=(note,), head=head)
        for bpm in range(20, 400, 5)
        for note in ("quarter", "half")
        for head in known.unit.head_names
    )
    page = sheet_html(plan_parts("s", parts_of(Setlist(1, "s", None, songs)), known), known)
    pt = {name: int(size) for name, size in re.findall(r"\.(size\d) \{ font-size: (\d+)pt", page)}
    column_mm = float(re.search(r"\.knob \{ width: (\d+)mm", page)[1])
    shown = set(re.findall('<td class="knob"><span class="(size.)">([^<]+)<', page))
    figure, *marks = BOLD_FACES[face]
    widths = {**dict.fromkeys("0123456789", figure), **dict(zip(":.-", marks, strict=True))}
    assert {len(text) for _, text in shown} == {4, 5}
    for size, text in shown:
        width_mm = sum(widths[letter] for letter in text) / 2048 * pt[size] * 25.4 / 72
        # Padding of 1.5 mm at either side.
        assert width_mm <= column_mm - 3, (size, text)
    assert {size for size, text in shown if len(text) == 4} == {"size1"}
