import numpy as np
import pytest

from bandkit.analysis.series import (
    Grouping,
    Place,
    doubts_from_certainty,
    doubts_from_draws,
    grouping_from_rows,
    groups_of,
    series_from_rows,
)
from bandkit.errors import InputError
from bandkit.uncertainty import Chronologies


def rows(specimen="TB-07", track="A", years=range(2018, 2003, -1), **more):
    return [{"specimen": specimen, "track": track, "year": str(year), "extension_mm_yr": f"{10 + year % 3}",
             "start_mm": str(10 * i), "end_mm": str(10 * i + 10), **more} for i, year in enumerate(years)]


def test_rows_become_series_and_partial_years_are_left_out():
    table = rows()
    table[0]["complete"] = "partial"
    table[3]["complete"] = "partial"
    (one,) = series_from_rows(table, "growth.csv")
    assert one.year[0] == 2017
    assert one.year[-1] == 2004
    assert np.isnan(one.values["extension"][2]), "the partial year 2015"
    assert one.values["extension"][0] == 10 + 2017 % 3
    assert np.isnan(one.values["density"]).all()
    assert not one.floating


def test_counts_that_rise_with_depth_are_no_calendar_years():
    (one,) = series_from_rows(rows(years=range(1, 15)), "growth.csv")
    assert one.floating
    np.testing.assert_array_equal(one.year, np.arange(1, 15))


def test_a_plain_table_needs_specimen_year_and_a_quantity_only():
    table = [{"specimen": "TB-1", "year": str(year), "calcification_g_cm2_yr": "1.2"} for year in range(2000, 2012)]
    (one,) = series_from_rows(table, "mine.csv")
    assert one.place == Place(specimen="TB-1", track="", core="TB-1", colony="TB-1", site="")
    assert np.isfinite(one.values["calcification"]).all()


@pytest.mark.parametrize(("change", "message"), [
    ({"year": "2018.5"}, r"growth.csv: year: 2018.5 of TB-07 A is not a whole year"),
    ({"year": "2017"}, r"growth.csv: year: 2017 of TB-07 A is there twice; give each track a name"),
    ({"extension_mm_yr": "9,5"}, r"growth.csv: extension_mm_yr: '9,5' of TB-07 A is no number; write it with a decimal point"),
])
def test_bad_cells_are_named(change, message):
    table = rows()
    table[0] |= change
    with pytest.raises(InputError, match=message):
        series_from_rows(table, "growth.csv")


@pytest.mark.parametrize(("table", "message"), [
    ([], "mine.csv: no rows; measure slabs"),
    ([{"specimen": "a", "extension_mm_yr": "1"}], "mine.csv: year: no such column among specimen, extension_mm_yr"),
    ([{"specimen": "a", "year": "1"}], "mine.csv: extension_mm_yr or density_g_cm3 or .*: no such column"),
    ([{"name": "a", "year": "1", "density_g_cm3": "1"}], "mine.csv: specimen: no such column among name"),
])
def test_tables_that_cannot_be_used_say_what_they_lack(table, message):
    with pytest.raises(InputError, match=message):
        series_from_rows(table, "mine.csv")


def test_grouping_needs_specimens():
    with pytest.raises(InputError, match=r"groups.csv: specimen: no such column among colony"):
        grouping_from_rows([{"colony": "x"}], "groups.csv")
    grouping = grouping_from_rows([{"specimen": "s1", "colony": "c1", "core": "", "site": "north"}], "groups.csv")
    assert grouping.place("s1", "A") == Place(specimen="s1", track="A", core="s1", colony="c1", site="north")


def test_draws_say_where_a_mark_may_be_none_and_where_one_may_be_missed():
    start = np.array([0.0, 10.0, 20.0, 30.0])
    end = start + 10.0
    whole = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    draws = [whole, whole + 0.5, np.delete(whole, 2), np.insert(whole, 4, 35.0)]
    chronologies = Chronologies(depth_mm=tuple(draws), year=tuple(2018.0 - np.arange(d.size) for d in draws), floating=False)
    missing, doubled = doubts_from_draws(chronologies, start, end)
    np.testing.assert_allclose(doubled, [0, 0.25, 0, 0])
    np.testing.assert_allclose(missing, [0, 0, 0, 0.25])


def test_without_draws_a_doubtful_mark_is_between_two_doubtful_bands():
    missing, doubled = doubts_from_certainty(np.array([False, True, True, False, False]))
    np.testing.assert_allclose(doubled, [0.01, 0.25, 0.01, 0.01, 0.01])
    np.testing.assert_allclose(missing, 0.01)


def test_levels_gather_tracks_cores_and_colonies():
    grouping = Grouping(colony={"s1": "c1", "s2": "c1", "s3": "c2"}, core={"s1": "1", "s2": "2"},
                        site={"s1": "north", "s2": "north", "s3": "north"})
    table = [*rows("s1", "A"), *rows("s1", "B"), *rows("s2", "A", range(2016, 1999, -1)), *rows("s3", "A")]
    series = series_from_rows(table, "growth.csv", grouping=grouping)
    names = {level: [(name, group.names) for name, group in groups_of(series, level)] for level in ("track", "core", "colony")}
    assert names == {"track": [("s1", ("s1 A", "s1 B"))], "core": [("c1", ("c1 1", "c1 2"))],
                     "colony": [("north", ("c1", "c2"))]}
    group = groups_of(series, "colony")[0][1]
    assert group.year[0] == 2018
    assert group.year[-1] == 2000
    assert group.widths_add


def test_counted_series_are_compared_within_a_slab_only():
    table = [*rows("s1", "A", range(1, 15)), *rows("s1", "B", range(1, 13)), *rows("s2", "A", range(1, 15))]
    series = series_from_rows(table, "growth.csv")
    assert [name for name, _ in groups_of(series, "track")] == ["s1"]
    assert groups_of(series, "colony") == ()
    assert groups_of(series, "track")[0][1].year[0] == 1


def test_a_band_of_two_years_adds_up_in_extension_only():
    table = [*rows("s1", density_g_cm3="1.2"), *rows("s2", density_g_cm3="1.3")]
    series = series_from_rows(table, "growth.csv")
    assert groups_of(series, "colony", "extension")[0][1].widths_add
    assert not groups_of(series, "colony", "density")[0][1].widths_add
