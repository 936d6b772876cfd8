from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest
from factories import make_result
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from bandkit.cli import app
from bandkit.errors import InputError
from bandkit.output import write_slab
from bandkit.output.export_columns import COLUMN_MEANINGS, TidyGrowthTable, udunits_of, unit_of
from bandkit.output.export_netcdf import netcdf_bytes
from bandkit.output.export_palaeo import MARK, open_marks, palaeo_files, palaeo_text
from bandkit.output.export_tidy import tidy_files
from bandkit.output.growth_input import read_growth, read_growth_table
from bandkit.output.tables import table_csv
from bandkit.results import GrowthTable, SlabResult

PLACE = {"latitude_deg": -9.4, "longitude_deg": 46.2, "depth_m": 4.0}
FORMULA = "=HYPERLINK(\"x\",1)"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def placed(**changes) -> SlabResult:
    slab = make_result(**changes)
    return make_result(**changes, specimen={**slab.specimen, **PLACE})


def renamed(name: str) -> SlabResult:
    """A slab whose id, track, site and flags begin like a formula."""
    rows = [{**row, "specimen": name, "track": name, "flags": name} for row in make_result().growth.rows()]
    return make_result(specimen={"id": name, "site": name, "taxon": name}, growth=GrowthTable.from_rows(rows))


def assert_same_growth(found: GrowthTable, expected: GrowthTable, *, digits: float = 1e-9) -> None:
    for name in GrowthTable.column_names():
        if name in GrowthTable.text_columns:
            assert getattr(found, name).tolist() == getattr(expected, name).tolist(), name
        else:
            np.testing.assert_allclose(getattr(found, name), getattr(expected, name), rtol=digits, err_msg=name)


# ---- columns


def test_every_column_has_a_meaning_and_none_is_left_over():
    assert set(COLUMN_MEANINGS) == set(TidyGrowthTable.column_names())


@pytest.mark.parametrize(("column", "printed", "udunits"), [
    ("extension_mm_yr", "mm/yr", "mm year-1"), ("calcification_sd_g_cm2_yr", "g/cm2/yr", "g cm-2 year-1"),
    ("density_track_sd_g_cm3", "g/cm3", "g cm-3"), ("start_mm", "mm", "mm"), ("tilt_deg", "degrees", "degree"),
    ("year", "year", "1"), ("annual_luminescence", "", "1"), ("specimen", "", "1"), ("depth_m", "m", "m")])
def test_units(column, printed, udunits):
    assert unit_of(column) == printed
    assert udunits_of(column) == udunits


# ---- tidy CSV


def tidy_rows(*slabs: SlabResult) -> list[dict[str, str]]:
    return list(csv.DictReader(tidy_files(list(slabs))["growth_tidy.csv"].decode().splitlines()))


def test_tidy_has_every_column_and_provenance_in_every_row():
    rows = tidy_rows(placed(track_names=("A", "B")), make_result(specimen_id="TB-08"))
    assert list(rows[0])[: len(GrowthTable.column_names())] == list(GrowthTable.column_names())
    assert len(rows) == 4 * 3
    first, last = rows[1], rows[-1]
    assert (first["specimen"], first["track"], first["year"], first["extension_mm_yr"]) == ("TB-07", "A", "2018", "10")
    assert (first["latitude_deg"], first["longitude_deg"], first["depth_m"]) == ("-9.4", "46.2", "4")
    assert first["image_sha256"] == "ab" * 32
    assert first["record_sha256"] == "cd" * 32
    assert first["bandkit_version"] == "0.1.0"
    # Not measured is empty: the density of the outermost piece, the place of the second slab.
    assert rows[0]["density_g_cm3"] == last["latitude_deg"] == ""


def test_tidy_columns_are_explained():
    files = tidy_files([placed()])
    explained = list(csv.DictReader(files["growth_columns.csv"].decode().splitlines()))
    header = files["growth_tidy.csv"].decode().splitlines()[0].split(",")
    assert [row["column"] for row in explained] == header
    assert {row["missing"] for row in explained} == {"empty"}
    kinds = {row["column"]: row["holds"] for row in explained}
    assert (kinds["specimen"], kinds["year"], kinds["end_mm"]) == ("text", "whole number", "number")


def test_tidy_is_read_back_by_our_own_reader(tmp_path):
    slab = placed()
    (tmp_path / "a.csv").write_bytes(tidy_files([slab])["growth_tidy.csv"])
    assert_same_growth(read_growth_table(tmp_path / "a.csv"), slab.growth)


def test_tidy_is_read_back_by_pandas(tmp_path):
    pandas = pytest.importorskip("pandas")
    slab = placed()
    (tmp_path / "a.csv").write_bytes(tidy_files([slab])["growth_tidy.csv"])
    frame = pandas.read_csv(tmp_path / "a.csv")
    np.testing.assert_allclose(frame["calcification_g_cm2_yr"], slab.growth.calcification_g_cm2_yr)
    assert frame["density_g_cm3"].isna().sum() == 1


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_no_text_of_the_tables_is_a_formula(start):
    name = f"{start}1+1"
    for row in tidy_rows(renamed(name)):
        assert {row[column] for column in ("specimen", "track", "site", "taxon", "flags")} == {f"'{name}"}


# ---- NetCDF


@pytest.fixture
def dataset(tmp_path):
    xarray = pytest.importorskip("xarray")
    opened = []

    def opener(*slabs: SlabResult):
        path = tmp_path / "a.nc"
        path.write_bytes(netcdf_bytes(list(slabs)))
        opened.append(xarray.open_dataset(path, engine="scipy", decode_timedelta=False))
        return opened[-1]

    yield opener
    for one in opened:
        one.close()


def test_netcdf_is_version_3_and_the_same_every_time():
    content = netcdf_bytes([placed(), make_result(specimen_id="TB-08", floating=True)])
    assert content[:4] == b"CDF\x02"
    assert content == netcdf_bytes([placed(), make_result(specimen_id="TB-08", floating=True)])


def test_netcdf_is_read_back_by_xarray(dataset):
    slab, other = placed(track_names=("A", "B")), make_result(specimen_id="TB-\u00fc8", years=5)
    found = dataset(slab, other)
    assert found.sizes["series"] == 3
    assert found.specimen.values.tolist() == ["TB-07", "TB-07", "TB-\u00fc8"]
    assert found.track.values.tolist() == ["A", "B", "A"]
    series = found.series_index.values
    columns = {name: found[name].values for name in GrowthTable.column_names() if name not in ("specimen", "track")}
    growth = GrowthTable(specimen=found.specimen.values[series], track=found.track.values[series], **columns)
    assert_same_growth(growth, GrowthTable.concatenate([slab.growth, other.growth]), digits=0)


def test_netcdf_follows_cf(dataset):
    found = dataset(placed())
    assert found.attrs["Conventions"] == "CF-1.8"
    assert found.attrs["featureType"] == "timeSeries"
    assert found.series_name.attrs["cf_role"] == "timeseries_id"
    assert found.series_index.attrs["instance_dimension"] == "series"
    assert found.time.attrs["standard_name"] == "time"
    assert found.time.attrs["bounds"] == "time_bounds"
    assert (found.latitude_deg.attrs["standard_name"], found.latitude_deg.attrs["units"]) == ("latitude", "degrees_north")
    assert (found.longitude_deg.attrs["units"], found.depth_m.attrs["positive"]) == ("degrees_east", "down")
    assert float(found.latitude_deg[0]) == -9.4
    for name in found.data_vars:
        assert found[name].attrs.get("long_name"), name
    assert found.extension_mm_yr.attrs["units"] == "mm year-1"
    assert found.image_sha256.values.tolist() == ["ab" * 32]
    assert "doubtful-mark: this mark may not be annual" in found.attrs["comment"]


def test_netcdf_time_is_the_middle_of_the_year(dataset):
    found = dataset(placed())
    # 2017.7 to 2018.7; the outermost piece has no dates.
    assert np.isnat(found.time.values[0])
    assert str(found.time.values[1].astype("datetime64[D]")) == "2018-03-15"
    begin, end = found.time_bounds.values[1].astype("datetime64[D]")
    assert (str(begin), str(end)) == ("2017-09-13", "2018-09-13")


def test_netcdf_of_a_floating_series_has_no_time(dataset):
    found = dataset(make_result(floating=True))
    assert np.isnat(found.time.values).all()
    assert np.isfinite(found.year.values).all()


def test_netcdf_keeps_missing_apart_from_zero(dataset):
    rows = make_result().growth.rows()
    rows[1]["extension_mm_yr"] = 0.0
    found = dataset(make_result(growth=GrowthTable.from_rows(rows)))
    assert found.extension_mm_yr.values[1] == 0
    assert math.isnan(found.density_g_cm3.values[0])
    assert found.certainty.values[0] == ""


# ---- the archive's template: a parser that shares nothing with the writer

SECTIONS = (
    "Resource_Links", "Contribution_Date", "File_Last_Modified_Date", "Title", "Investigators",
    "Description_Notes_and_Keywords", "Publication", "Funding_Agency", "Site_Information", "Data_Collection", "Species",
    "Chronology_Information", "Variables", "Data:",
)
FIELDS = {
    "Publication": "Authors Published_Date_or_Year Published_Title Journal_Name Volume Edition Issue Pages Report_Number DOI "
                   "Publication_Place Publisher ISBN Online_Resource Other_Reference_Details Full_Citation Abstract",
    "Funding_Agency": "Funding_Agency_Name Grant",
    "Site_Information": "Site_Name Location Northernmost_Latitude Southernmost_Latitude Easternmost_Longitude "
                        "Westernmost_Longitude Elevation_m",
    "Data_Collection": "Collection_Name Earliest_Year Most_Recent_Year Time_Unit Core_Length_m Parameter_Keywords Notes",
    "Species": "Species_Name Common_Name Tree_Species_Code",
    "Chronology_Information": "Chronology",
}


def parse_template(text: str) -> tuple[dict[str, dict[str, str]], dict[str, list[str]], list[dict[str, str]]]:
    """Sections with their fields, variables with their ten parts, and the rows of the data."""
    lines = text.split("\n")
    assert lines.pop() == ""
    comments = [line for line in lines if line.startswith("#")]
    data = [line.split("\t") for line in lines if not line.startswith("#")]
    assert lines == comments + ["\t".join(row) for row in data], "a data line stands among the comments"
    sections: dict[str, dict[str, str]] = {"head": {}}
    variables = {}
    name = "head"
    previous = ""
    for line in comments:
        if previous == "#--------------------":
            name = line[2:]
            sections[name] = {}
        elif line.startswith("## "):
            short, parts = line[3:].split("\t")
            variables[short] = parts.split(",")
        elif line != "#--------------------" and ":" in line:
            key, value = line[1:].split(":", 1)
            sections[name][key.strip()] = value.strip()
        previous = line
    header, *rows = data
    return sections, variables, [dict(zip(header, row, strict=True)) for row in rows]


def test_template_has_sections_and_fields_in_order():
    sections, _, _ = parse_template(palaeo_text(placed()))
    assert tuple(sections)[1:] == SECTIONS
    for name, fields in FIELDS.items():
        assert list(sections[name]) == fields.split()
    head = sections["head"]
    assert [key for key in head if key[0].isupper() and "_" in key] == [
        "NOAA_Landing_Page", "Landing_Page_Description", "Study_Level_JSON_Metadata", "Study_Level_JSON_Description",
        "Data_Type", "Dataset_DOI", "Science_Keywords"]
    assert head["Data_Type"] == "CORALS AND SCLEROSPONGES"
    assert "# Template Version 4.0\n# Encoding: UTF-8\n# NOTE: " in palaeo_text(placed())
    assert list(sections["Resource_Links"]) == [
        "Data_Download_Resource", "Data_Download_Description", "Supplemental_Download_Resource",
        "Supplemental_Description", "Related_Online_Resource", "Related_Online_Description", "Original_Source_URL",
        "Original_Source_Description"]


def test_template_says_what_is_known():
    sections, _, _ = parse_template(palaeo_text(placed()))
    site, collection = sections["Site_Information"], sections["Data_Collection"]
    assert site["Site_Name"] == "Tarefa Bank north"
    assert site["Northernmost_Latitude"] == site["Southernmost_Latitude"] == "-9.4"
    assert site["Easternmost_Longitude"] == site["Westernmost_Longitude"] == "46.2"
    assert site["Elevation_m"] == "-4.0"
    assert (collection["Earliest_Year"], collection["Most_Recent_Year"], collection["Time_Unit"]) == ("2016", "2019", "CE")
    assert collection["Core_Length_m"] == "0.038"
    assert sections["Species"]["Species_Name"] == "Porites lutea"
    description = sections["Description_Notes_and_Keywords"]["Description"]
    assert "ab" * 32 in description
    assert "Measured with bandkit 0.1.0." in description
    assert "Marks are density maxima." in description


def test_template_marks_what_only_the_author_knows():
    sections, variables, _ = parse_template(palaeo_text(make_result()))
    assert sections["Title"]["Study_Name"].startswith(MARK)
    assert sections["Publication"]["DOI"].startswith(MARK)
    assert sections["Site_Information"]["Northernmost_Latitude"].startswith(MARK)
    assert variables["extension_mm_yr"][0] == f"{MARK} check term extension rate"
    assert f"NOTE: {MARK}" in palaeo_text(make_result())
    assert open_marks([f"a {MARK} b {MARK}", MARK]) == 3


def test_template_has_ten_components_for_every_column():
    _, variables, rows = parse_template(palaeo_text(placed()))
    assert list(variables) == list(rows[0]) == list(GrowthTable.column_names())
    assert {len(parts) for parts in variables.values()} == {10}
    assert variables["extension_mm_yr"][3] == "mm/yr"
    assert variables["density_sd_g_cm3"][2:4] == ["one standard deviation", "g/cm3"]
    for name, parts in variables.items():
        assert parts[8] == ("C" if name in GrowthTable.text_columns else "N")


@pytest.mark.parametrize("slab", [placed(track_names=("A", "B")), make_result(years=6, floating=True)])
def test_template_is_read_back(slab):
    _, variables, rows = parse_template(palaeo_text(slab))
    read = []
    for row in rows:
        values = {name: cell for name, cell in row.items() if cell != "NA"}
        read.append({name: cell if variables[name][8] == "C" else float(cell) for name, cell in values.items()})
    assert_same_growth(GrowthTable.from_rows(read), slab.growth)
    assert rows[0]["density_g_cm3"] == rows[0]["certainty"] == "NA"


def test_template_of_a_floating_series_claims_no_years():
    sections, _, _ = parse_template(palaeo_text(make_result(floating=True)))
    assert sections["Data_Collection"]["Earliest_Year"].startswith(MARK)
    assert sections["Data_Collection"]["Time_Unit"].startswith(MARK)
    assert "not tied to a calendar" in sections["Chronology_Information"]["Chronology"]


@pytest.mark.parametrize("name", [FORMULA, "+1", "-x", "@SUM(1)", "#comment", "a\tb", "a\nb\r\nc"])
def test_template_bears_any_name(name):
    sections, _, rows = parse_template(palaeo_text(renamed(name)))
    plain = " ".join(name.split())
    quoted = f"'{plain}" if plain[0] in "=+-@#" else plain
    assert {row["track"] for row in rows} == {quoted}
    assert sections["Data_Collection"]["Collection_Name"] == plain


@settings(max_examples=30)
@given(text=st.text(min_size=1, max_size=30))
def test_template_and_tidy_hold_one_line_per_row_for_any_text(text):
    slab = renamed(text if text.strip() else "x")
    _, _, rows = parse_template(palaeo_text(slab).replace("\x0b", " "))
    assert len(rows) == len(slab.growth)
    for row in rows:
        assert row["track"][:1] not in tuple("=+-@#")
    for row in csv.DictReader(io.StringIO(tidy_files([slab])["growth_tidy.csv"].decode(), newline="")):
        assert row["track"][:1] not in tuple("=@")


def test_template_needs_growth():
    slabs = [placed(), make_result(specimen_id="TB-12", growth=GrowthTable.from_rows([]))]
    assert list(palaeo_files(slabs)) == ["TB-07-palaeo.txt"]


# ---- what growth is read from


def write_csv(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_text(text, encoding=encoding)
    return path


def test_a_result_is_read_from_wherever_it_is(tmp_path):
    folder = write_slab(placed(), tmp_path)
    write_slab(make_result(specimen_id="TB-08"), tmp_path)
    assert [slab.specimen["id"] for slab in read_growth([tmp_path])] == ["TB-07", "TB-08"]
    for path in (folder, folder / "result.json"):
        (slab,) = read_growth([path])
        assert_same_growth(slab.growth, placed().growth)


def test_a_table_from_elsewhere_is_read(tmp_path):
    path = write_csv(tmp_path / "mine.csv", "track,specimen,year,extension_mm_yr,comment\nA,X-1,2001,9.5,fine\n"
                     "A,X-1,2000,,\nB,X-2,3,8\n", "utf-8-sig")
    first, second = read_growth([path])
    assert (first.specimen["id"], second.specimen["id"]) == ("X-1", "X-2")
    assert first.growth.extension_mm_yr.tolist()[0] == 9.5
    assert math.isnan(first.growth.extension_mm_yr[1])
    assert first.growth.complete.tolist() == ["yes", "yes"]
    assert first.provenance["table"] == "mine.csv"
    # Three is no year of the calendar.
    assert [len(slab.flags) for slab in (first, second)] == [0, 1]


def test_a_quoted_name_is_read_back_unquoted(tmp_path):
    (tmp_path / "a.csv").write_text(table_csv(renamed("=1").growth))
    (slab,) = read_growth([tmp_path / "a.csv"])
    assert slab.specimen["id"] == slab.growth.track[0] == "=1"


@pytest.mark.parametrize(("content", "message"), [
    (None, "a.csv: cannot be read as a table"),
    ("", "a.csv: no column specimen .* name the columns as in growth.csv"),
    ("specimen;track;year\n", "a.csv: no column specimen"),
    ("specimen,track,year,extension_mm\n", 'a.csv: no column extension_mm_yr, where there is "extension_mm"'),
    ("specimen,track,year,extension_mm_yr\n", "a.csv: no rows below the header"),
    ("specimen,track,year,extension_mm_yr\nX,A,2000,9.5\nX,A,1999,\"9,5\"\n",
     "a.csv: row 2: extension_mm_yr: '9,5' is no number; write 12.5, with a point"),
])
def test_tables_that_cannot_be_read(tmp_path, content, message):
    if content is not None:
        write_csv(tmp_path / "a.csv", content)
    with pytest.raises(InputError, match=message):
        read_growth([tmp_path / "a.csv"])


def test_an_empty_folder_and_a_slab_twice(tmp_path):
    with pytest.raises(InputError, match="no measured slab in this folder; give a slab's folder"):
        read_growth([tmp_path])
    folder = write_slab(placed(), tmp_path)
    with pytest.raises(InputError, match="specimen TB-07: given twice; give each slab once"):
        read_growth([folder, folder / "growth.csv"])


# ---- the command


def test_command_writes_all_formats(tmp_path):
    write_slab(placed(), tmp_path / "in")
    result = run("export", tmp_path / "in", "--to", "csv", "--to", "netcdf", "--to", "palaeo", "--to", "csv", "--out", tmp_path / "out")
    assert result.exit_code == 0
    names = ["growth_tidy.csv", "growth_columns.csv", "growth.nc", "TB-07-palaeo.txt"]
    assert result.stdout.splitlines() == [str(tmp_path / "out" / name) for name in names]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(names)
    text = (tmp_path / "out" / "TB-07-palaeo.txt").read_text(encoding="utf-8")
    assert result.stderr == f"bandkit: {text.count(MARK)} places are left to the author; search for {MARK}\n"


@pytest.mark.parametrize(("arguments", "status", "message"), [
    (("nowhere", "--to", "csv"), 3, "nowhere: cannot be read"), (("nowhere",), 2, "Usage"),
    (("nowhere", "--to", "xls"), 2, "Usage")])
def test_command_refuses(tmp_path, arguments, status, message):
    result = run("export", *arguments, "--out", tmp_path / "out")
    assert result.exit_code == status
    assert message in result.stderr
    assert not (tmp_path / "out").exists()


def test_command_without_growth_is_status_4(tmp_path):
    folder = write_slab(make_result(growth=GrowthTable.from_rows([])), tmp_path)
    result = run("export", folder, "--to", "csv", "--out", tmp_path / "out")
    assert result.exit_code == 4
    assert result.stderr == "bandkit: no year of growth in what was given; nothing was written\n"
    assert not (tmp_path / "out").exists()
