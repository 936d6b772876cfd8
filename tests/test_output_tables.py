"""CSV tables: the contract's columns, exact products, harmless text, joined batches."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest
from factories import growth_rows, make_result, make_stained
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.output import Rejection, slab_folder, write_batch_tables, write_slab
from bandkit.output.folders import folder_name
from bandkit.output.tables import read_slab_rows, table_csv
from bandkit.results import GrowthTable, MarkTable, ProfileTable

CONTRACT = {
    "growth": "specimen, track, year, year_start, year_end, start_mm, end_mm, extension_mm_yr, extension_sd_mm_yr, "
    "density_g_cm3, density_sd_g_cm3, calcification_g_cm2_yr, calcification_sd_g_cm2_yr, complete, certainty, flags",
    "marks": "specimen, track, mark, year, depth_mm, depth_lo_mm, depth_hi_mm, probability, x_px, y_px, certainty, "
    "origin",
    "stains": "specimen, track, stain_date, dye, found, depth_mm, depth_sd_mm, x_px, y_px, interval_yr, "
    "extension_mm_yr, extension_sd_mm_yr, confidence, flags",
    "tracks": "specimen, track, length_mm, mm_per_px, surface_x_px, surface_y_px, years, years_lo, years_hi, "
    "mean_extension_mm_yr, mean_density_g_cm3, mean_calcification_g_cm2_yr, flags",
    "profile": "track, depth_mm, x_px, y_px, value, density_g_cm3",
}
SLAB_FILES = ["figure.png", "growth.csv", "marks.csv", "profile.csv", "report.html", "result.json", "stain.csv"]


def cells(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("name", CONTRACT)
def test_columns_begin_in_the_order_of_the_contract(name: str) -> None:
    header = table_csv(make_result().table(name)).splitlines()[0].split(",")
    fixed = CONTRACT[name].split(", ")
    assert header[: len(fixed)] == fixed


def test_empty_is_not_measured_and_zero_is_a_measured_zero() -> None:
    row = cells(table_csv(make_result().growth))[0]
    assert row["start_mm"] == "0"
    assert row["density_g_cm3"] == ""
    assert row["year"] == "2019"
    assert row["year_start"] == ""


def test_negative_zero_and_infinity() -> None:
    table = ProfileTable.from_rows([{"track": "A", "depth_mm": -0.0, "value": -1e-9, "x_px": np.inf, "y_px": -2.5}])
    assert table_csv(table).splitlines()[1] == "A,0,,-2.5,0,"


def test_calcification_is_the_product_in_the_file_too() -> None:
    rows = [row for row in cells(table_csv(make_result(years=30).growth)) if row["complete"] == "yes"]
    assert len(rows) == 30
    for row in rows:
        product = float(row["extension_mm_yr"]) / 10 * float(row["density_g_cm3"])
        assert math.isclose(product, float(row["calcification_g_cm2_yr"]), rel_tol=0, abs_tol=1e-9)


@given(st.floats(0.01, 40), st.floats(0.3, 3))
@settings(deadline=None, max_examples=60)
def test_products_hold_for_any_rate(extension: float, density: float) -> None:
    table = GrowthTable.from_rows(
        [
            {
                "extension_mm_yr": extension,
                "density_g_cm3": density,
                "calcification_g_cm2_yr": extension / 10 * density,
            }
        ]
    )
    row = cells(table_csv(table))[0]
    product = float(row["extension_mm_yr"]) / 10 * float(row["density_g_cm3"])
    assert abs(product - float(row["calcification_g_cm2_yr"])) < 1e-9


def test_other_numbers_have_at_most_six_decimals() -> None:
    table = MarkTable.from_rows([{"depth_mm": 1 / 3, "probability": 2 / 3, "mark": 1.0, "x_px": 123456.7890123}])
    row = cells(table_csv(table))[0]
    assert (row["depth_mm"], row["probability"], row["mark"]) == ("0.333333", "0.666667", "1")
    assert row["x_px"] == "123456.789012"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+A1", "'+A1"),
        ("-cmd", "'-cmd"),
        ("@sum", "'@sum"),
        ("\tx", "'\tx"),
        ("-12", "-12"),
        ("TB-07", "TB-07"),
        ('a "b", c', 'a "b", c'),
    ],
)
def test_text_that_a_spreadsheet_would_run_is_made_harmless(text: str, written: str) -> None:
    table = MarkTable.from_rows([{"specimen": text, "track": "A", "depth_mm": -1.5}])
    row = cells(table_csv(table))[0]
    assert row["specimen"] == written
    assert row["depth_mm"] == "-1.5"


def test_slab_folder_is_complete_and_the_same_twice(tmp_path: Path) -> None:
    first = write_slab(make_result(), tmp_path)
    before = {p.name: p.read_bytes() for p in first.iterdir()}
    assert sorted(before) == sorted([*SLAB_FILES, "tracks.csv", "events.csv", "chronologies.csv"])
    assert first == tmp_path / "TB-07"
    write_slab(make_result(), tmp_path)
    assert {p.name: p.read_bytes() for p in first.iterdir()} == before
    assert b"\r" not in before["growth.csv"]


def test_batch_tables_are_the_same_from_memory_and_from_folders(tmp_path: Path) -> None:
    results = [make_result(specimen_id="TB-12"), make_result(specimen_id="=TB"), make_stained()]
    folders = [write_slab(result, tmp_path) for result in results]
    rejected = [Rejection("TB-09.toml", "bad-record", "TB-09.toml: track: is missing")]
    names = [path.name for path in write_batch_tables(tmp_path, results, rejected)]
    assert names == ["growth.csv", "marks.csv", "events.csv", "stain.csv", "tracks.csv", "rejected.csv"]
    from_memory = {name: (tmp_path / name).read_bytes() for name in names}
    write_batch_tables(tmp_path, [folders[2], results[1], folders[0]], rejected)
    assert {name: (tmp_path / name).read_bytes() for name in names} == from_memory
    growth = cells(from_memory["growth.csv"].decode())
    assert [row["specimen"] for row in growth] == ["'=TB"] * 4 + ["TB-12"] * 4
    assert [row["specimen"] for row in cells(from_memory["stain.csv"].decode())] == ["TB-11"] * 2
    assert from_memory["rejected.csv"].decode().splitlines()[0] == "record,reason,detail"


def test_an_empty_batch_has_headers_only(tmp_path: Path) -> None:
    for path in write_batch_tables(tmp_path, []):
        assert len(path.read_text(encoding="utf-8").splitlines()) == 1


def test_incomplete_or_foreign_folders_are_named(tmp_path: Path) -> None:
    folder = write_slab(make_result(), tmp_path)
    (folder / "marks.csv").unlink()
    with pytest.raises(InputError, match=r"marks\.csv: cannot be read .*remove the folder TB-07 and measure"):
        write_batch_tables(tmp_path, [folder])
    (folder / "growth.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"growth\.csv: columns are not those of this version"):
        read_slab_rows(folder, "growth")


def test_commas_quotes_and_line_ends_in_text_survive(tmp_path: Path) -> None:
    odd = 'a, "b"\nc'
    result = make_result(growth=GrowthTable.from_rows(growth_rows(odd, "A", 2)))
    write_batch_tables(tmp_path, [result])
    assert {row["specimen"] for row in cells((tmp_path / "growth.csv").read_bytes().decode())} == {odd}


@pytest.mark.parametrize("odd", ["a/b", "..", ".hidden", "CON", "growth.csv", "x" * 300, "a:b", " lead", "trail.", ""])
def test_ids_that_are_no_folder_names_get_one_inside_the_output(odd: str, tmp_path: Path) -> None:
    folder = slab_folder(tmp_path, odd)
    assert folder.parent == tmp_path
    assert folder.name not in {odd, "", ".", ".."}
    assert folder.resolve().parent == tmp_path.resolve()


def test_two_ids_never_share_a_folder() -> None:
    ids = ["a/b", "a:b", "a b ", "a_b", "a?b"]
    assert len({folder_name(specimen) for specimen in ids}) == len(ids)
    assert folder_name("Tarefa 7 (b)") == "Tarefa 7 (b)"
