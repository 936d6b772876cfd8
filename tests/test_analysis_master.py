import numpy as np
import pytest
from generators.site_series import site

from bandkit.analysis.counting import count_error
from bandkit.analysis.master import master_series, redate
from bandkit.analysis.series import Grouping, series_from_rows
from bandkit.uncertainty import Chronologies

YEARS = np.arange(2018, 2003, -1)


def table(specimen, values, track="A", years=YEARS, density=None):
    edge = np.concatenate([[0.0], np.cumsum(values)])
    return [{"specimen": specimen, "track": track, "year": str(year), "extension_mm_yr": repr(float(value)),
             "start_mm": repr(float(edge[i])), "end_mm": repr(float(edge[i + 1])),
             **({} if density is None else {"density_g_cm3": repr(float(density[i])),
                                            "calcification_g_cm2_yr": repr(float(density[i] * value / 10))})}
            for i, (year, value) in enumerate(zip(years, values, strict=True))]


def wavy(level):
    return level * (1.0 + 0.1 * np.sin(np.arange(15) * 2.0))


def test_tracks_are_averaged_before_cores_and_cores_before_colonies():
    grouping = Grouping(colony={"a1": "a", "a2": "a"}, core={"a1": "1", "a2": "2"}, site=dict.fromkeys(["a1", "a2", "b"], "north"))
    # Core 1 of colony a has three tracks of 10, core 2 one of 20: the colony is 15, not 12.5; with b of 9 the site is 12.
    rows = [row for track in "ABC" for row in table("a1", wavy(10.0), track)]
    rows += table("a2", wavy(20.0)) + table("b", wavy(9.0))
    (made,) = master_series(series_from_rows(rows, "x", grouping=grouping), n_bootstrap=10)
    np.testing.assert_allclose(made.table.mean, wavy(12.0), rtol=1e-9)
    assert made.common_mean == pytest.approx(wavy(12.0).mean())
    assert made.colonies == ("a", "b")
    assert set(made.table.colonies) == {2.0}
    assert set(made.table.cores) == {3.0}
    assert set(made.table.tracks) == {5.0}
    assert np.isnan(made.table.mean_lo).all(), "two colonies have no interval"


def test_years_that_not_all_have_are_not_common():
    rows = table("a", wavy(10.0)) + table("b", wavy(10.0)[:12], years=YEARS[:12]) + table("c", wavy(12.0)[3:], years=YEARS[3:])
    (made,) = master_series(series_from_rows(rows, "x"), n_bootstrap=50)
    assert made.common_years == (2007, 2015)
    np.testing.assert_array_equal(made.table.common == "yes", (made.table.year >= 2007) & (made.table.year <= 2015))
    np.testing.assert_array_equal(made.table.colonies, [2] * 3 + [3] * 9 + [2] * 3)
    assert made.common_lo < made.common_mean < made.common_hi
    three = made.table.colonies == 3
    assert np.isfinite(made.table.mean_lo[three]).all()
    assert np.isnan(made.table.mean_lo[~three]).all()


def test_one_odd_colony_moves_the_mean_little():
    rows = [row for j in range(7) for row in table(f"c{j}", wavy(10.0 + 0.1 * j))]
    odd = rows + table("odd", wavy(60.0))
    plain, moved = (master_series(series_from_rows(r, "x"), n_bootstrap=10)[0].table.mean for r in (rows, odd))
    assert np.abs(moved - plain).max() < 0.5


def test_intervals_cover_the_mean_of_very_many_colonies():
    # The true index of each year is the mean over 400 colonies of the same common signal; 8 of them are the site.
    inside = []
    for seed in range(12):
        many, _ = site(seed, n_colonies=400, n_errors=0, r=0.5)
        truth = np.mean([column / column.mean() for column in many], axis=0)
        rows = [row for j in range(12) for row in table(f"c{j}", many[j], years=np.arange(2018, 1978, -1))]
        made = master_series(series_from_rows(rows, "x"), n_bootstrap=200, trend="mean")[0].table
        inside.append(np.mean((made.index_lo <= truth) & (truth <= made.index_hi)))
    # Percentiles of a bootstrap over twelve are somewhat too narrow for 90 %.
    assert 0.75 <= np.mean(inside) <= 0.97


def test_counted_series_are_left_out_and_named():
    rows = table("a", wavy(10.0)) + table("f", wavy(10.0), years=np.arange(1, 16))
    (made,) = master_series(series_from_rows(rows, "x"), n_bootstrap=10)
    assert made.left_out == ("f A",)
    assert made.colonies == ("a",)
    assert master_series(series_from_rows(table("f", wavy(10.0), years=np.arange(1, 16)), "x")) == ()


def drawn_series(draws, values, density=None):
    chronologies = Chronologies(depth_mm=tuple(draws), year=tuple(2018.0 - np.arange(d.size) for d in draws), floating=False)
    (one,) = series_from_rows(table("a", values, density=density), "x", chronologies={("a", "A"): chronologies})
    return one


def test_a_draw_without_a_mark_joins_two_years_and_makes_all_older_ones_younger():
    values, density = wavy(10.0), 1.2 + 0.1 * np.cos(np.arange(15.0))
    edge = np.concatenate([[0.0], np.cumsum(values)])
    one = drawn_series([edge, np.delete(edge, 5)], values, density)
    axis = YEARS.astype(float)
    np.testing.assert_allclose(redate(one, "extension", 0, axis), values, rtol=1e-9)
    less = redate(one, "extension", 1, axis)
    joined = np.concatenate([values[:4], [values[4] + values[5]], values[6:], [np.nan]])
    np.testing.assert_allclose(less, joined, rtol=1e-9)
    mass = redate(one, "calcification", 1, axis)
    np.testing.assert_allclose(mass[4], (values[4] * density[4] + values[5] * density[5]) / 10, rtol=1e-9)
    # Density of the joined year is the mean over its length, so that the product is the mass.
    np.testing.assert_allclose(redate(one, "density", 1, axis) * less / 10, mass, rtol=1e-9)


def test_the_age_error_widens_the_interval_where_the_count_is_unsure():
    rng = np.random.default_rng(3)
    common = rng.standard_normal(15)
    series = []
    for j in range(6):
        values = 10.0 * np.exp(0.2 * common + 0.05 * rng.standard_normal(15))
        edge = np.concatenate([[0.0], np.cumsum(values)])
        draws = [edge, np.delete(edge, 5)] if j < 5 else [edge, edge]
        chronologies = Chronologies(depth_mm=tuple(draws), year=tuple(2018.0 - np.arange(d.size) for d in draws), floating=False)
        series += series_from_rows(table(f"c{j}", values), "x", chronologies={(f"c{j}", "A"): chronologies})
    (made,) = master_series(series, n_bootstrap=100, trend="mean")
    assert made.age_error
    wide, narrow = made.table.mean_dated_hi - made.table.mean_dated_lo, made.table.mean_hi - made.table.mean_lo
    assert np.mean(wide[5:14] / narrow[5:14]) > 1.5
    np.testing.assert_allclose(np.mean(wide[:4] / narrow[:4]), 1.0, atol=0.3)


def test_the_same_seed_gives_the_same_intervals():
    rows = [row for j in range(4) for row in table(f"c{j}", wavy(9.0 + j))]
    one, same, other = (master_series(series_from_rows(rows, "x"), n_bootstrap=50, seed=s)[0].table for s in (1, 1, 2))
    np.testing.assert_array_equal(one.mean_lo, same.mean_lo)
    assert (one.mean_lo != other.mean_lo).any()


def test_errors_of_a_count_that_err_on_both_sides_cancel_in_the_mean():
    assert count_error(100, 0.02, 0.02)[0] == 0.0
    assert count_error(100, 0.03, 0.01)[0] == pytest.approx(-2.0)
