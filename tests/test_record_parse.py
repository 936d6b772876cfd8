"""What a right record says, and what every wrong one is told."""

from __future__ import annotations

import datetime
import json
import subprocess
import sys
from pathlib import Path

import pytest
from record_texts import FULL, SMALL, changed

from bandkit.errors import RecordError
from bandkit.record import parse_record, raise_for_image, read_record, to_plain

TODAY = datetime.date(2025, 1, 1)


def parse(text: str):
    return parse_record(text, Path("/slabs/TB-07.toml"), today=TODAY)


def message(text: str) -> str:
    with pytest.raises(RecordError) as caught:
        parse(text)
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith("/slabs/TB-07.toml: ")
    return said.removeprefix("/slabs/TB-07.toml: ")


def test_everything_in_a_full_record_is_read():
    record = parse(FULL)
    assert record.path == Path("/slabs/TB-07.toml")
    assert record.version == 1
    assert record.text == FULL
    assert to_plain(record.specimen) == {
        "id": "TB-07",
        "taxon": "Porites lutea",
        "site": "Tarefa Bank north",
        "colony": "",
        "core": "",
        "latitude_deg": -9.4,
        "longitude_deg": 46.2,
        "depth_m": 4.0,
        "collected": "2019-06-15",
        "top_alive": True,
    }
    assert record.specimen.collected == datetime.date(2019, 6, 15)
    nested = parse(FULL.replace('taxon = "Porites lutea"', 'colony = "TB-07"\ncore = "TB-07 2"')).specimen
    assert (nested.colony, nested.core) == ("TB-07", "TB-07 2")
    assert to_plain(record.image) == {
        "file": "TB-07_xray.tif",
        "path": str(Path("/slabs/TB-07_xray.tif").resolve()),
        "kind": "radiograph",
        "dense": "bright",
        "values": "intensity",
    }
    assert record.scale.bar is not None
    assert record.scale.bar.from_px == (980.0, 230.0)
    assert record.scale.bar.length_mm == 50.0
    assert not record.scale.from_file
    assert record.density is not None
    assert [s.thickness_mm for s in record.density.standards] == [1.0, 2.0, 5.0]
    assert [s.density_g_cm3 for s in record.density.standards] == [2.93, None, None]
    assert record.density.open_beam_px == ((700.0, 50.0, 760.0, 150.0),)
    assert record.dating.mark_date == (9, 12)
    assert [track.name for track in record.tracks] == ["A", "B"]
    assert record.tracks[0].points_px == ((360.0, 160.0), (362.0, 1900.0), (371.0, 3550.0))
    assert record.stains[0].at_px == (371.0, 840.0)
    assert [mark.certainty for mark in record.readings[0].marks] == ["doubtful", "certain"]
    assert record.masks[0].why == "boring"
    assert record.gaps[0].years == (0, 1)
    json.dumps(to_plain(record), allow_nan=False)


def test_what_is_not_said_stays_unsaid():
    record = parse(SMALL)
    assert record.scale.mm_per_px == (0.1, 0.1)
    assert record.specimen.collected is None
    assert record.specimen.top_alive is None
    assert record.specimen.taxon == ""
    assert record.image.dense is None
    assert record.image.values == "intensity"
    assert record.density is None
    assert record.dating.mark is None
    assert record.tracks == ()


@pytest.mark.parametrize(
    ("line", "attribute", "value"),
    [
        ("mm_per_px = [0.1, 0.2]", "mm_per_px", (0.1, 0.2)),
        ('source = "file"', "from_file", True),
    ],
)
def test_other_ways_to_give_the_scale(line, attribute, value):
    assert getattr(parse(changed("mm_per_px = 0.1", line, SMALL)).scale, attribute) == value


def test_bar_to_be_found_in_a_box_or_anywhere():
    boxed = parse(changed("mm_per_px = 0.1", "bar = {within_px = [1, 2, 30, 40], length_mm = 5}", SMALL)).scale.bar
    assert boxed is not None
    assert boxed.within_px == (1.0, 2.0, 30.0, 40.0)
    assert boxed.from_px is None
    anywhere = parse(changed("mm_per_px = 0.1", "bar.length_mm = 5", SMALL)).scale.bar
    assert anywhere is not None
    assert anywhere.within_px is None


def test_image_is_found_from_the_records_folder():
    assert parse(changed("a.tif", "../x/a.tif", SMALL)).image.path == Path("/x/a.tif").resolve()
    assert parse(changed("a.tif", "/scans/a.tif", SMALL)).image.path == Path("/scans/a.tif").resolve()


@pytest.mark.parametrize("name", ["7", "TB-07", "Tarefa 3.b", "x" * 64, "Récif_2", "console", "com"])
def test_ids_that_are_right(name):
    assert parse(changed("TB-07", name, SMALL)).specimen.id == name


@pytest.mark.parametrize(
    "name",
    ["", " ", ".", "..", "-a", ".a", "_a", "a.", "a ", "a/b", r"a\\b", "../a", "x" * 65, r"a\nb", r"a\u0000", "a:b", "CON",
     "nul.txt", "com1", "Lpt9.x"],
)  # fmt: skip
def test_ids_that_no_folder_could_have(name):
    assert message(changed("TB-07", name, SMALL)).startswith("specimen.id = ")


# -- one wrong thing at a time: where, what was found, what to write ------------------

WRONG_VALUES = [
    # unknown keys
    ("length_mm = 50.0 }", "lenght_mm = 50.0 }", "scale.bar.lenght_mm = 50.0: unknown key; the nearest known key is length_mm (in millimetres)"),
    ("slab_thickness_mm = 6.5", "slab_thickness_cm = 0.65", "density.slab_thickness_cm = 0.65: unknown key; the nearest known key is slab_thickness_mm (in millimetres); write slab_thickness_mm = 6.5"),
    ("depth_m = 4.0", "depth = 4.0", "specimen.depth = 4.0: unknown key; the nearest known key is depth_m (in metres)"),
    ("latitude_deg = -9.4", "Latitude = -9.4", "specimen.Latitude = -9.4: unknown key; the nearest known key is latitude_deg (in degrees)"),
    ("dense = \"bright\"", "collected = 2019-06-15", "image.collected = 2019-06-15: unknown key; the nearest known key is collected in [specimen]; move it there"),
    ("[dating]", "[datng]", "datng = a table: unknown key; the nearest known key is dating"),
    ("dye = ", "zzz = ", "stain[1].zzz = \"alizarin red S\": unknown key; the nearest known key is "),
    ("certainty = ", "certanty = ", "reading[1].marks[1].certanty = \"doubtful\": unknown key; the nearest known key is certainty"),
    ("thickness_mm = 2.0", "thicknes_mm = 2.0", "density.standards[2].thicknes_mm = 2.0: unknown key; the nearest known key is thickness_mm"),
    ("depth_m = 4.0", '"a b\\n" = 4.0', "specimen.'a b\\n' = 4.0: unknown key"),
    # the top
    ("record = 1  ", "record = 2  ", "record = 2: a layout that this version of bandkit does not know; write record = 1"),
    ("record = 1  ", "record = true  ", "record = true: a layout"),
    ("record = 1  ", "", "record: missing; write record = 1 as the first line"),
    # missing
    ('id = "TB-07"', "", 'specimen.id: missing; write id = "TB-07"'),
    ('kind = "radiograph"', "", 'image.kind: missing; write kind = "radiograph"'),
    ("box_px = [840, 260, 940, 310], ", "", "density.standards[2].box_px: missing; write box_px = ["),
    ("date = 2016-06-02", "", "stain[1].date: missing; write date = 2016-06-02"),
    (", length_mm = 50.0 }", "}", "scale.bar.length_mm: missing; write length_mm = 50.0"),
    # types
    ("depth_m = 4.0", 'depth_m = "4"', 'specimen.depth_m = "4": a number in quotes; remove the quotes: write depth_m = 4.0'),
    ("depth_m = 4.0", "depth_m = true", "specimen.depth_m = true: not a number; write depth_m = 4.0"),
    ("depth_m = 4.0", "depth_m = 1" + "0" * 400, "specimen.depth_m = a number of very many digits: not a finite number"),
    ('taxon = "Porites lutea"', "taxon = 3", "specimen.taxon = 3: not text; put it in quotes"),
    ('taxon = "Porites lutea"', r'taxon = "a\nb"', r'specimen.taxon = "a\nb": must be one line'),
    ('taxon = "Porites lutea"', f'taxon = "{"x" * 501}"', "specimen.taxon = "),
    ('taxon = "Porites lutea"', 'colony = " "', 'specimen.colony = " ": empty; write colony = "TB-07"'),
    ('taxon = "Porites lutea"', "core = 2", 'specimen.core = 2: not text; put it in quotes: write core = "TB-07 2"'),
    ("top_alive = true", 'top_alive = "yes"', 'specimen.top_alive = "yes": neither true nor false; write top_alive = true'),
    ('kind = "radiograph"', 'kind = "Xray"', 'image.kind = "Xray": not one of the choices; write one of "photograph" | "radiograph"'),
    ("[specimen]", "[[specimen]]", "specimen = a list of 1: not a table; write it as [specimen]"),
    ("[[mask]]", "[mask]", "mask = a table: must be a list; write it as [[mask]], with double brackets"),
    ("marks = [ {", "marks = [ 3, {", "reading[1].marks = a list of 3: not a list of tables"),
    ("marks = [ {", "marks = [ 3, {", "write it as [{ at_px"),
    # numbers
    ("latitude_deg = -9.4", "latitude_deg = -99.4", "specimen.latitude_deg = -99.4: must be between -90 and 90"),
    ("longitude_deg = 46.2", "longitude_deg = nan", "specimen.longitude_deg = nan: not a finite number"),
    ("depth_m = 4.0", "depth_m = -4", "specimen.depth_m = -4: must be between 0 and 11000"),
    ("length_mm = 50.0 }", "length_mm = 0 }", "scale.bar.length_mm = 0: must be above 0"),
    ("slab_thickness_mm = 6.5", "slab_thickness_mm = -6.5", "density.slab_thickness_mm = -6.5: must be above 0"),
    ("slab_thickness_mm = 6.5", "slab_thickness_mm = inf", "density.slab_thickness_mm = inf: not a finite number"),
    ("spacing_mm = 11.0", "spacing_mm = 0", "dating.spacing_mm = 0: must be above 0"),
    ("width_mm = 5.0", "width_mm = -1", "track[1].width_mm = -1: must be above 0"),
    ("effective_kev = 45.0", "effective_kev = 45000", "density.effective_kev = 45000: must be between 1 and 1000"),
    ("effective_kev = 45.0", "strontium_wt_pct = 8", "density.strontium_wt_pct = 8: must be between 0 and 5"),
    ("effective_kev = 45.0", "strontium_wt = 0.8", "the nearest known key is strontium_wt_pct"),
    ("density_g_cm3 = 2.93", "density_g_cm3 = 2930", "density.standards[1].density_g_cm3 = 2930: must be above 0 and at most 23"),
    ("thickness_mm = 5.0", "thickness_mm = 0.0", "density.standards[3].thickness_mm = 0.0: must be above 0"),
    # dates
    ("collected = 2019-06-15", 'collected = "2019-06-15"', 'specimen.collected = "2019-06-15": a date in quotes; remove the quotes: collected = 2019-06-15'),
    ("collected = 2019-06-15", "collected = 2019-06-15T10:00:00", "specimen.collected = 2019-06-15T10:00:00: a date with a time of day; write collected = 2019-06-15"),
    ("collected = 2019-06-15", "collected = 10:00:00", "specimen.collected = 10:00:00: not a date"),
    ("collected = 2019-06-15", "collected = 2019", "specimen.collected = 2019: not a date; write collected = 2019-06-15 (year-month-day, without quotes)"),
    ("collected = 2019-06-15", "collected = 2025-01-02", "specimen.collected = 2025-01-02: in the future (today is 2025-01-01); correct the date"),
    ("collected = 2019-06-15", "collected = 0219-06-15", "specimen.collected = 0219-06-15: before 1700; correct the date"),
    ("date = 2016-06-02", "date = 2019-06-15", "stain[1].date = 2019-06-15: not before the collection, specimen.collected = 2019-06-15; correct one of the two dates"),
    ("date = 2016-06-02", "date = 1816-06-02", "stain[1].date = 1816-06-02: before 1900; correct the date"),
    ("read_on = 2020-03-04", "read_on = 2031-01-01", "reading[1].read_on = 2031-01-01: in the future"),
    ('mark_date = "09-12"', 'mark_date = "02-30"', 'dating.mark_date = "02-30": not a day of every year, written month-day; write mark_date = "09-12"'),
    ('mark_date = "09-12"', 'mark_date = "02-29"', 'dating.mark_date = "02-29": not a day of every year'),
    ('mark_date = "09-12"', 'mark_date = "31-12"', 'dating.mark_date = "31-12": not a day of every year, written month-day'),
    ('mark_date = "09-12"', 'mark_date = "9-12"', 'dating.mark_date = "9-12": not a month and day, two digits each; write mark_date = "09-12"'),
    ('mark_date = "09-12"', "mark_date = 2019-09-12", "dating.mark_date = 2019-09-12: not text; put it in quotes: write mark_date = \"09-12\""),
    # places
    ("from_px = [980, 230]", "from_px = [980]", "scale.bar.from_px = [980]: not a position [x, y]; write from_px = [980, 230]"),
    ("from_px = [980, 230]", "from_px = 980", "scale.bar.from_px = 980: not a position"),
    ("from_px = [980, 230], ", "", "scale.bar.from_px: missing; give both ends of the bar, or neither"),
    ("from_px = [980, 230]", "from_px = [982, 730]", "scale.bar.to_px = [982, 730]: the same place as from_px; give the two ends"),
    ("length_mm = 50.0 }", "length_mm = 50.0, within_px = [0, 0, 9, 9] }", "scale.bar.within_px = [0, 0, 9, 9]: given beside the bar's ends; delete it"),
    ("box_px = [840, 260, 940, 310]", "box_px = [840, 310, 940, 260]", "density.standards[2].box_px = [840, 310, 940, 260]: a box of no area or with its corners swapped; write the smaller x and y first: [840.0, 260.0, 940.0, 310.0]"),
    ("box_px = [840, 260, 940, 310]", "box_px = [840, 260, 840, 310]", "density.standards[2].box_px = [840, 260, 840, 310]: a box of no area or with its corners swapped; give it a width and a height"),
    ("[[700, 50, 760, 150]]", "[[700, 50, 760]]", "density.open_beam_px = a list of 1: entry 1: [700, 50, 760] is not a box [x0, y0, x1, y1]"),
    ("open_beam_px = [[700, 50, 760, 150]]", "bars_px = [[700, 50, 760]]", "density.bars_px = a list of 1: entry 1: [700, 50, 760] is not a box [x0, y0, x1, y1]"),
    ("[[700, 50, 760, 150]]", "[700, 50, 760, 150]", "density.open_beam_px = [700, 50, 760, 150]: entry 1: 700 is not a box"),
    ("[[460, 160], [471, 3550]]", "[[460, 160]]", "track[2].points_px = a list of 1: a track needs at least two points"),
    ("[[460, 160], [471, 3550]]", "[[460, 160], [460.0, 160], [1, 1]]", "track[2].points_px = a list of 3: points 1 and 2 are the same, [460.0, 160.0]; delete one of them"),
    ("[[460, 160], [471, 3550]]", "[[460, 160], [470, 900], [462, 500], [471, 3550]]", "track[2].points_px = a list of 4: the track turns back at point 2, [470.0, 900.0]; order the points from outside the surface inwards"),
    ("[[460, 160], [471, 3550]]", "[[460, 160], [471, nan]]", "track[2].points_px = a list of 2: entry 2: nan, not a finite number"),
    ("[[460, 160], [471, 3550]]", '[[460, 160], ["471", 1]]', 'track[2].points_px = a list of 2: entry 2: "471", a number in quotes'),
    ("[[460, 160], [471, 3550]]", "[[460, 160], [471, 1e300]]", "track[2].points_px = a list of 2: entry 2: 1e+300, "),
    ("[[460, 160], [471, 3550]]", "3", "track[2].points_px = 3: must be a list"),
    (", [330, 940], [300, 940]]", "]", "mask[1].polygon_px = a list of 2: a mask needs at least three corners"),
    (", [330, 940], [300, 940]]", ", [390, 900]]", "mask[1].polygon_px = a list of 3: the corners enclose no area"),
    ("to_px = [362, 2110]", "to_px = [362, 2100]", "gap[1].to_px = [362, 2100]: the same place as from_px"),
    ("years = [0, 1]", "years = [2, 1]", "gap[1].years = [2, 1]: must be the least and the most years lost, two whole numbers; write years = [0, 1]"),
    ("years = [0, 1]", "years = [0, 1.5]", "gap[1].years = [0, 1.5]: must be the least"),
    ("years = [0, 1]", "years = [false, 1]", "gap[1].years = [false, 1]: must be the least"),
    # names
    ('name = "B"', 'name = "A"', 'track[2].name = "A": the name of an earlier track; give every track its own name'),
    ('name = "B"', 'name = " "', 'track[2].name = " ": empty, or with blanks at its ends'),
    ('track = "A"\nreader', 'track = "C"\nreader', 'reading[1].track = "C": no track of that name; write one of "A", "B"'),
    ('track = "A"\nfrom', 'track = "a"\nfrom', 'gap[1].track = "a": no track of that name; write one of "A", "B"'),
    # what does not go together
    ('values = "intensity"', 'values = "hounsfield"', 'image.values = "hounsfield": only kind = "ct" has them, not "radiograph"; write "intensity"'),
    ("bar = {", "mm_per_px = 0.1\nbar = {", "scale: more than one scale, bar = a table and mm_per_px = 0.1; keep exactly one of them"),
    ('file = "TB-07_xray.tif"', 'file = " "', 'image.file = " ": empty; write file = "TB-07_xray.tif"'),
    ('material = "aragonite", thickness_mm = 2.0', 'material = "", thickness_mm = 2.0', 'density.standards[2].material = "": empty'),
    ("[[reading]]", '[[stain]]\ndate = 2016-06-02\ndye = "alizarin red S"\n[[reading]]', "stain[2].date = 2016-06-02: this staining is given twice; delete one [[stain]]"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_VALUES)
def test_a_wrong_value_is_told_where_what_and_what_instead(old, new, expected):
    assert expected in message(changed(old, new))


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("", "scale: no scale; write one of bar, ruler, rectify, mm_per_px, source: bar = { from_px"),
        ("mm_per_px = 0", "scale.mm_per_px = 0: must be above 0; write mm_per_px = 0.1"),
        ("mm_per_px = -0.1", "scale.mm_per_px = -0.1: must be above 0"),
        ("mm_per_px = nan", "scale.mm_per_px = nan: not a finite number"),
        ("mm_per_px = [0.1, 0]", "scale.mm_per_px = [0.1, 0]: must be above 0"),
        ("mm_per_px = [0.1]", "scale.mm_per_px = [0.1]: not a position"),
        ('source = "tags"', 'scale.source = "tags": not one of the choices; write one of "file"'),
        ('mm_per_px = 0.1\nsource = "file"', 'scale: more than one scale, mm_per_px = 0.1 and source = "file"'),
        ("bar = 50", "scale.bar = 50: not a table; write it as { from_px"),
        ("mm_per_px = 0.1\nsd_frac = 2", "scale.sd_frac = 2: must be between 0 and 0.5"),
        (
            "mm_per_px = 0.1\nsource_to_detector_mm = 1000\nslab_to_detector_mm = 1000",
            "scale.slab_to_detector_mm = 1000: must be below source_to_detector_mm = 1000.0; correct one of them",
        ),
    ],
)
def test_scales_that_are_none(line, expected):
    assert expected in message(changed("mm_per_px = 0.1", line, SMALL))


def test_reasons_tell_a_batch_what_was_wrong():
    for text, reason in [
        (changed("mm_per_px = 0.1", "", SMALL), "no-scale"),
        (SMALL.partition("[scale]")[0], "no-scale"),
        (changed("mm_per_px = 0.1", 'mm_per_px = 0.1\nsource="file"', SMALL), "two-scales"),
        (changed("TB-07", "/", SMALL), "bad-record"),
    ]:
        with pytest.raises(RecordError) as caught:
            parse(text)
        assert caught.value.reason == reason


def test_dark_is_refused_for_hounsfield_values():
    text = changed('kind = "radiograph"', 'kind = "ct"\nvalues = "hounsfield"\ndense = "dark"', SMALL)
    assert 'image.dense = "dark": Hounsfield values rise with density; write dense = "bright"' in message(text)


def test_whole_tables_missing():
    assert message("record = 1") == "specimen: missing; write [specimen]"
    assert "scale: missing; write [scale] with bar = " in message(SMALL.partition("[scale]")[0])
    assert "record: missing, the file is empty; write record = 1" in message("")
    assert "record: missing, the file is empty" in message("# only a comment\n")


# -- text that is not TOML -------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("collected = 2019-02-30", "line 3: not valid TOML: Invalid date or datetime, in 'collected = 2019-02-30'; there is no such date"),
        ("collected = 2019-13-01", "there is no such date; write dates as 2019-06-15"),
        ("collected = 15.6.2019", "write dates as 2019-06-15, year-month-day"),
        ("latitude_deg = 9,4", "line 3: not valid TOML: Expected newline or end of document after a statement, in 'latitude_deg = 9,4'; write a decimal point, not a comma"),
        (r'site = "C:\data"', "write folders with / or put the text in single quotes"),
        ("site = “north”", 'write straight quotes (") instead of curly ones'),
        ("top_alive = True", "write true or false in small letters"),
        ("site = north", 'put text in quotes: key = "text"'),
        ("site =", "write a value after the ="),
        ("site: north", "write key = value, with an equals sign"),
        ("id = 1\nid = 2", "the same key or table is given twice; delete one"),
        ("[a]\n[a]", "the same key or table is given twice; delete one (lists such as [[track]] take double brackets)"),
        ("marks = [", "close the bracket or quote that was opened"),
        ("site = '", "close the bracket or quote"),
        ('site = "north\n', "close the bracket or quote"),
        ("?", "write key = value, text in quotes, every bracket closed"),
    ],
)  # fmt: skip
def test_a_line_that_is_not_toml(line, expected):
    assert expected in message(f"record = 1\n[specimen]\n{line}")


def test_bombs_are_refused_at_once():
    assert message("a = " + "[" * 100_000) == "brackets nested too deeply; this is not a slab record"
    assert message("a = " + "{b = " * 100_000) == "brackets nested too deeply; this is not a slab record"
    assert message(".".join("a" * 100_000) + " = 1") == "a name of more than 32 parts; this is not a slab record"
    assert message("[" + ' . "a"' * 100_000 + "]") == "a name of more than 32 parts; this is not a slab record"
    assert message("a = " + "1" * 100_000) == "a number of too many digits; write it with a few digits"
    assert message("record = 0x" + "f" * 100_000).startswith("record = a number of very many digits: ")
    assert message("a." * 30 + "a = 1").startswith("a = a table: unknown key")


# -- files ------------------------------------------------------------------------------


@pytest.fixture
def slab(tmp_path):
    (tmp_path / "a.tif").touch()
    path = tmp_path / "TB-07.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


def test_a_file_is_read_with_its_text_as_it_stands(slab):
    content = b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()
    slab.write_bytes(content)
    record = read_record(str(slab))
    assert record.specimen.id == "TB-07"
    assert record.text.encode() == content
    assert record.image.path == slab.parent.resolve() / "a.tif"


def test_text_that_is_not_utf8(slab):
    slab.write_bytes('record = 1\nsite = "Récif"'.encode("latin-1"))
    with pytest.raises(RecordError, match=r"TB-07.toml: not UTF-8 text: byte 0xe9 at position 20 \(line 2\); save .* UTF-8"):
        read_record(slab)


def test_files_that_are_no_records(tmp_path):
    with pytest.raises(RecordError, match=r"x.toml: no such file; check the name, or make a record with bandkit new") as caught:
        read_record(tmp_path / "x.toml")
    assert caught.value.reason == "no-record"
    with pytest.raises(RecordError, match="is a folder; name the record in it"):
        read_record(tmp_path)
    with pytest.raises(RecordError, match="cannot be read"):
        read_record("a\0b.toml")
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 5_000_001)
    with pytest.raises(RecordError, match="larger than 5 MB; this is not a slab record"):
        read_record(big)
    big.write_bytes(b"#" * 5_000_000)
    with pytest.raises(RecordError, match="the file is empty"):
        read_record(big)


def test_a_missing_image_is_told_with_the_nearest_name(slab):
    (slab.parent / "a.tif").rename(slab.parent / "A.tiff")
    with pytest.raises(RecordError, match=r'TB-07.toml: image.file = "a.tif": no such file in .*nearest name there is "A.tiff"') as caught:
        read_record(slab)
    assert caught.value.reason == "missing-image"


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("sub/a.tif", "no such file in .*sub; write its place relative to the record"),
        (r"sub\\a.tif", "no such file.*; write folders with /"),
        (".", "is a folder"),
        ("x" * 400, "image.file = .x+.*: (cannot be looked up|no such file)"),
    ],
)
def test_images_that_are_not_there(slab, file, expected):
    slab.write_text(changed("a.tif", file, SMALL), encoding="utf-8")
    with pytest.raises(RecordError, match=expected):
        read_record(slab)


# -- against the size of the image -------------------------------------------------------


def test_a_record_that_lies_inside_its_image_passes():
    raise_for_image(parse(FULL), 1000, 3551)
    edge = changed("[[460, 160], [471, 3550]]", "[[-0.5, -0.5], [999.5, 3550.5]]")
    raise_for_image(parse(changed("[700, 50, 760, 150]", "[0, 0, 1000, 3551]", edge)), 1000, 3551)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("to_px = [982, 730]", "to_px = [5982, 730]", r"scale.bar.to_px: \[5982.0, 730.0\] lies outside the image of 1000 x 3551 px; correct it"),
        ("[460, 160]", "[-1, 160]", r"track\[2\].points_px\[1\]: \[-1.0, 160.0\] lies outside"),
        ("[471, 3550]", "[3550, 471]", r"track\[2\].points_px\[2\]: .*; x and y may be swapped: write \[x, y\]"),
        ("[840, 260, 940, 310]", "[840, 260, 1001, 310]", r"density.standards\[2\].box_px: \[840.0, 260.0, 1001.0, 310.0\] lies outside"),
        ("[700, 50, 760, 150]", "[700, -2, 760, 150]", r"density.open_beam_px\[1\]: "),
        ("at_px = [371, 840]", "at_px = [371, 8400]", r"stain\[1\].at_px: "),
        ("[361.5, 400.25]", "[361.5, -400.25]", r"reading\[1\].marks\[2\].at_px: "),
        ("from_px = [362, 2100]", "from_px = [362, 3552]", r"gap\[1\].from_px: "),
        ("[[300, 900], [330, 900], [330, 940], [300, 940]]", "[[1300, 900], [1330, 900], [1330, 940]]", r"mask\[1\].polygon_px: all of it lies outside"),
        ("bar = { from_px = [980, 230], to_px = [982, 730],", "bar = { within_px = [0, 0, 2000, 10],", r"scale.bar.within_px: "),
    ],
)  # fmt: skip
def test_places_outside_the_image(old, new, expected):
    with pytest.raises(RecordError, match=f"^/slabs/TB-07.toml: {expected}") as caught:
        raise_for_image(parse(changed(old, new)), 1000, 3551)
    assert caught.value.reason == "outside-image"


def test_a_mask_may_overhang_the_edge():
    raise_for_image(parse(changed("[[300, 900], [330, 900]", "[[-300, 900], [330, 900]")), 1000, 3551)


def test_reading_a_record_loads_no_heavy_library():
    code = "import sys, bandkit.record; print(sorted({'numpy', 'scipy', 'tomlkit', 'difflib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1])
    assert done.stdout.strip() == "[]"
