"""Chronologies to choose from: doubtful marks, gaps, anchors; answers by plain arithmetic."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.dating import (
    DatedStain,
    LostYears,
    StainAnchor,
    check_between_stains,
    choose_anchor,
    date_draws,
    date_marks,
    draw_readings,
    year_intervals,
)
from bandkit.uncertainty import Chronologies, chronology_table

COLLECTED, SEPTEMBER_12 = dt.date(2019, 6, 15), (9, 12)
# Ten mm a year: the mark of 2018-09-12 lies 7.56 mm deep at the collection.
MARKS_MM = 7.56 + 10.0 * np.arange(6)


def dated_of(n=6, **options):
    return date_marks(n, **{"collected": COLLECTED, "mark_date": SEPTEMBER_12, **options})


def doubtful(*indices, n=6):
    return np.isin(np.arange(n), indices)


def test_a_doubtful_mark_is_in_half_of_the_draws():
    draws = draw_readings(MARKS_MM, doubtful(2, 4))
    assert len(draws) == 512
    lengths = [len(draw) for draw in draws]
    # Two coins: one draw in four has both marks, half have one, one in four has none.
    assert [lengths.count(n) for n in (6, 5, 4)] == [128, 256, 128]
    assert sum(MARKS_MM[2] in draw for draw in draws) == 256
    assert all(MARKS_MM[3] in draw for draw in draws)


def test_years_inside_a_doubtful_mark_are_half_a_year_give_or_take_a_half():
    dated = dated_of()
    draws = date_draws(draw_readings(MARKS_MM, doubtful(2)), dated)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    # With the mark: 2018 ... 2013. Without it everything inside it is one year younger.
    assert dated.year.tolist() == [2018, 2017, 2016, 2015, 2014, 2013]
    assert lo.tolist() == [2018, 2017, 2016, 2015, 2014, 2013]
    assert hi.tolist() == [2018, 2017, 2017, 2016, 2015, 2014]
    assert draws.spans_yr().mean() == pytest.approx(4.5)
    assert draws.spans_yr().std() == pytest.approx(0.5)


def test_four_doubtful_marks_of_which_one_draw_in_sixteen_has_none():
    dated = dated_of()
    draws = date_draws(draw_readings(MARKS_MM, doubtful(1, 2, 3, 4)), dated)
    assert draws.spans_yr().mean() == pytest.approx(3.0)
    assert draws.spans_yr().std() == pytest.approx(1.0)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    # All four or none: one in 16 each, more than the one in 20 that a 90 % interval leaves out.
    assert (lo[-1], hi[-1]) == (2013, 2017)


def test_five_doubtful_marks_leave_the_extremes_out():
    dated = dated_of(7)
    marks_mm = 7.56 + 10.0 * np.arange(7)
    draws = date_draws(draw_readings(marks_mm, doubtful(1, 2, 3, 4, 5, n=7)), dated)
    lo, hi = year_intervals(draws, dated, marks_mm, 0.0)
    # One in 32 has none: outside 90 %. The year itself stays in its interval, for its count is that of all marks.
    assert (lo[-1], hi[-1]) == (2012, 2016)


def test_a_doubtful_newest_mark_moves_the_anchor():
    dated = dated_of()
    draws = date_draws(draw_readings(MARKS_MM, doubtful(0)), dated)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    # Without it the second mark is the one of 2018.
    assert lo.tolist() == [2018, 2017, 2016, 2015, 2014, 2013]
    assert hi.tolist() == [2018, 2018, 2017, 2016, 2015, 2014]


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 20), st.integers(0, 99))
def test_every_doubtful_mark_is_in_exactly_half(n, seed):
    marks_mm = np.arange(1.0, n + 1)
    draws = draw_readings(marks_mm, np.ones(n, dtype=bool), seed=seed)
    assert [sum(mark in draw for draw in draws) for mark in marks_mm] == [256] * n


def test_gap_loses_least_to_most_years_equally_often():
    gap = LostYears(marks_outside=2, least=1, most=4, depth_mm=22.0)
    dated = dated_of(gaps=[gap])
    draws = date_draws(draw_readings(MARKS_MM, doubtful()), dated, gaps=[gap])
    innermost = [year[-1] for year in draws.year]
    assert [innermost.count(float(y)) for y in (2012, 2011, 2010, 2009)] == [128] * 4
    assert all(year[1] == 2017 for year in draws.year)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    assert dated.year.tolist() == [2018, 2017, 2014, 2013, 2012, 2011]
    assert lo.tolist() == [2018, 2017, 2012, 2011, 2010, 2009]
    assert hi.tolist() == [2018, 2017, 2015, 2014, 2013, 2012]


def test_gap_and_doubtful_mark_are_independent():
    gap = LostYears(marks_outside=1, least=0, most=1, depth_mm=12.0)
    dated = dated_of(gaps=[gap])
    draws = date_draws(draw_readings(MARKS_MM, doubtful(3)), dated, gaps=[gap])
    spans = draws.spans_yr()
    assert np.unique(spans).tolist() == [4.0, 5.0, 6.0]
    assert spans.mean() == pytest.approx(5.0)
    assert spans.var() == pytest.approx(0.5, abs=0.1)


def test_floating_series_is_numbered():
    dated = date_marks(6, collected=None)
    draws = date_draws(draw_readings(MARKS_MM, doubtful(2)), dated)
    assert draws.floating
    assert draws.year[0].tolist() == [1, 2, 3, 4, 5, 6]
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    assert dated.year.tolist() == [1, 2, 3, 4, 5, 6]
    assert lo.tolist() == [1, 2, 2, 3, 4, 5]
    assert hi.tolist() == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(("top_growth_yr", "newest", "interval"), [(0.76, 2018, (2018, 2019)), (0.2, 2019, (2018, 2019))])
def test_unknown_day_of_the_mark_shifts_all_years(top_growth_yr, newest, interval):
    dated = date_marks(6, collected=COLLECTED, top_growth_yr=top_growth_yr)
    draws = date_draws(draw_readings(MARKS_MM, doubtful()), dated)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    assert dated.year[0] == newest
    assert (lo[0], hi[0]) == interval
    assert (lo[-1] + 5, hi[-1] + 5) == interval


def test_a_stain_holds_the_years_beside_it_and_lets_go_further_off():
    stains = [DatedStain(depth_mm=30.35, date=dt.date(2016, 6, 2))]
    anchor = choose_anchor(MARKS_MM, stains)
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12, stain=anchor)
    assert dated.year.tolist() == [2018, 2017, 2016, 2015, 2014, 2013]
    draws = date_draws(draw_readings(MARKS_MM, doubtful(1, 4)), dated, stain=anchor, mark_date=SEPTEMBER_12)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    # The doubtful mark outside the stain moves what lies outside it, the one inside what lies inside.
    assert (lo[3], hi[3]) == (2015, 2015)
    assert (lo[0], hi[0]) == (2017, 2018)
    assert (lo[5], hi[5]) == (2013, 2014)


def test_doubtful_newest_mark_of_a_series_that_a_stain_dates():
    anchor = choose_anchor(MARKS_MM, [DatedStain(depth_mm=30.35, date=dt.date(2016, 6, 2))])
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12, stain=anchor)
    draws = date_draws(draw_readings(MARKS_MM, doubtful(0)), dated, stain=anchor, mark_date=SEPTEMBER_12)
    lo, hi = year_intervals(draws, dated, MARKS_MM, 0.0)
    # Whether it is a year or not, the place itself is one year newer than the next mark.
    assert lo.tolist() == hi.tolist() == [2018, 2017, 2016, 2015, 2014, 2013]


def test_a_stain_beyond_the_marks_dates_them_by_their_spacing():
    # 20 mm outside the newest mark are two years.
    outside = DatedStain(depth_mm=10.0, date=dt.date(2016, 6, 2))
    marks_mm = MARKS_MM + 22.44
    anchor = choose_anchor(marks_mm, [outside])
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12, stain=anchor)
    assert anchor.position == pytest.approx(-2.0)
    # 2014-09-12 is nearest to two years before the staining.
    assert dated.year.tolist() == [2014, 2013, 2012, 2011, 2010, 2009]
    draws = date_draws(draw_readings(marks_mm, doubtful(3)), dated, stain=anchor, mark_date=SEPTEMBER_12)
    assert all(year[0] == 2014 for year in draws.year)


def test_the_newest_stain_among_the_marks_is_the_anchor():
    stains = [DatedStain(depth_mm=d, date=dt.date(y, 6, 2)) for d, y in ((52.0, 2014), (30.35, 2016), (2.0, 2018))]
    anchor = choose_anchor(MARKS_MM, stains)
    assert anchor == StainAnchor(position=pytest.approx(2.279), date=dt.date(2016, 6, 2), depth_mm=30.35)
    assert choose_anchor(MARKS_MM, stains[2:]).date == dt.date(2018, 6, 2)
    assert choose_anchor(MARKS_MM[:1], stains) is None
    assert choose_anchor(MARKS_MM, []) is None


def test_time_between_marks_is_straight_and_nothing_lies_beyond_them():
    draws = Chronologies(
        depth_mm=(np.array([10.0, 20.0]), np.array([10.0]), np.empty(0)),
        year=(np.array([2018.0, 2017.0]), np.array([2018.0]), np.empty(0)), floating=False)
    at = draws.year_at([5.0, 10.0, 12.5, 21.0])
    np.testing.assert_array_equal(at, [[np.nan, 2018.0, 2017.75, np.nan], [np.nan, 2018, np.nan, np.nan], [np.nan] * 4])
    assert len(draws) == 3
    assert draws.spans_yr().tolist() == [1.0, 0.0, 0.0]
    table = chronology_table("TB-07", {"A": draws})
    assert table.rows()[:2] == [
        {"specimen": "TB-07", "track": "A", "draw": 1.0, "mark": 1.0, "year": 2018.0, "depth_mm": 10.0},
        {"specimen": "TB-07", "track": "A", "draw": 1.0, "mark": 2.0, "year": 2017.0, "depth_mm": 20.0}]
    assert table.draw.tolist() == [1, 1, 2]


# One year between stains at 27.56 and 37.56 mm, the marks of 2016-09-12 and 2015-09-12.
def between(*stains, dated=None):
    given_stains = [DatedStain(depth_mm=depth, date=date) for depth, date in stains]
    return check_between_stains(MARKS_MM, dated or dated_of(), given_stains, track="A")


def test_count_between_stains_that_fits():
    (check,) = between((37.56, dt.date(2015, 9, 12)), (27.56, dt.date(2016, 9, 12)))
    assert (check.older, check.newer) == (dt.date(2015, 9, 12), dt.date(2016, 9, 12))
    assert check.counted_yr == pytest.approx(1.0)
    assert check.off_yr == pytest.approx(0.0, abs=0.01)
    assert check.flag is None


@pytest.mark.parametrize(("depth_mm", "off_yr"), [(47.56, 1.0), (27.66, -0.99)])
@pytest.mark.parametrize("collected", [COLLECTED, None])
def test_count_between_stains_that_does_not_fit(depth_mm, off_yr, collected):
    # A series that floats is checked as well: the time between two stains needs no calendar.
    (check,) = between((depth_mm, dt.date(2015, 9, 12)), (27.56, dt.date(2016, 9, 12)), dated=dated_of(collected=collected))
    assert check.off_yr == pytest.approx(off_yr, abs=0.01)
    assert check.flag.code == "count-against-stain"
    assert check.flag.depth_mm == depth_mm
    assert check.flag.detail == (f"{1 + off_yr:.1f} years counted between the stains of 2015-09-12 and 2016-09-12, "
                                 "1.0 by the dates")


def test_every_interval_of_three_stains_is_checked():
    checks = between((7.56, dt.date(2018, 9, 12)), (47.56, dt.date(2014, 9, 12)), (37.56, dt.date(2016, 9, 12)))
    assert [(c.newer.year, c.older.year) for c in checks] == [(2018, 2016), (2016, 2014)]
    assert [round(c.off_yr, 1) for c in checks] == [1.0, -1.0]
    assert all(c.flag for c in checks)


def test_lines_in_the_wrong_order_are_told_as_such():
    (check,) = between((27.56, dt.date(2015, 9, 12)), (37.56, dt.date(2016, 9, 12)))
    assert check.flag.detail == "the line taken for 2015-09-12 lies outside the one taken for 2016-09-12, which is later"


@pytest.mark.parametrize("collected", [COLLECTED, None])
def test_what_the_count_between_stains_may_be_off_by_is_allowed_for(collected):
    stains = ((47.56, dt.date(2015, 9, 12)), (27.56, dt.date(2016, 9, 12)))
    too_many = dated_of(collected=collected, count_lo=[1, 2, 3, 3, 4, 5])
    assert between(*stains, dated=too_many)[0].flag is None
    outside = dated_of(collected=collected, count_lo=[1, 1, 2, 3, 4, 5])
    assert between(*stains, dated=outside)[0].flag is not None  # that doubt lies outside both stains


@pytest.mark.parametrize("collected", [COLLECTED, None])
def test_years_lost_between_stains_count(collected):
    dated = dated_of(collected=collected, gaps=[LostYears(marks_outside=3, least=1, most=1)])
    (check,) = between((37.56, dt.date(2014, 9, 12)), (27.56, dt.date(2016, 9, 12)), dated=dated)
    assert check.counted_yr == pytest.approx(2.0)
    assert check.flag is None
