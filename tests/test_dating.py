"""Marks get years; the count says what it may be off by."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.dates import decimal_year, mark_day, newest_mark_year, years_between
from bandkit.dating import LostYears, StainAnchor, check_against_stain, date_marks, position_among_marks
from bandkit.errors import InputError

COLLECTED = dt.date(2019, 6, 15)
SEPTEMBER_12 = (9, 12)


def lost(marks_outside, least, most):
    return LostYears(marks_outside=marks_outside, least=least, most=most)


def codes(dated):
    return [flag.code for flag in dated.flags]


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (dt.date(2019, 1, 1), 2019.0),
        (dt.date(2019, 12, 31), 2019 + 364 / 365),
        (dt.date(2020, 12, 31), 2020 + 365 / 366),
        (dt.date(2020, 3, 1), 2020 + 60 / 366),
        (dt.date(2019, 3, 1), 2019 + 59 / 365),
    ],
)
def test_decimal_year_is_exact_to_the_day(day, expected):
    assert decimal_year(day) == pytest.approx(expected, abs=1e-12)


def test_interval_counts_days():
    assert years_between(dt.date(2019, 6, 15), dt.date(2020, 9, 1)) == 444 / 365.25
    assert years_between(COLLECTED, COLLECTED) == 0.0


def test_interval_backwards_is_an_error():
    with pytest.raises(InputError, match="end: 2016-06-02 lies before the start 2019-06-15; check both dates"):
        years_between(COLLECTED, dt.date(2016, 6, 2))


def test_mark_day_on_29_february():
    assert mark_day(2020, (2, 29)) == dt.date(2020, 2, 29)
    assert mark_day(2019, (2, 29)) == dt.date(2019, 2, 28)
    assert mark_day(1900, (2, 29)) == dt.date(1900, 2, 28)


@pytest.mark.parametrize("bad", [(13, 1), (2, 30), (0, 5)])
def test_mark_date_that_is_no_day(bad):
    with pytest.raises(InputError, match=f"mark_date: month {bad[0]}, day {bad[1]} is not a day; write month-day"):
        mark_day(2019, bad)


@pytest.mark.parametrize(
    ("collected", "year"),
    [(dt.date(2019, 9, 11), 2018), (dt.date(2019, 9, 12), 2019), (dt.date(2019, 9, 13), 2019)],
)
def test_newest_mark_is_on_or_before_the_collection(collected, year):
    assert newest_mark_year(collected, SEPTEMBER_12) == year


def test_marks_are_labelled_by_their_calendar_year():
    dated = date_marks(3, collected=COLLECTED, top_alive=True, mark_date=SEPTEMBER_12)
    assert dated.year.tolist() == [2018, 2017, 2016]
    assert dated.year_lo.tolist() == dated.year_hi.tolist() == [2018, 2017, 2016]
    assert dated.date_decimal[0] == decimal_year(dt.date(2018, 9, 12))
    assert dated.top_interval_yr == (COLLECTED - dt.date(2018, 9, 12)).days / 365.25
    assert not dated.floating
    assert dated.flags == ()
    assert "2018-09-12" in dated.rule


def test_a_piece_bears_the_year_of_its_outer_mark():
    dated = date_marks(2, collected=COLLECTED, mark_date=SEPTEMBER_12)
    assert dated.piece_year.tolist() == [2019, 2018, 2017]
    assert dated.piece_end_decimal.tolist() == [decimal_year(COLLECTED), *dated.date_decimal]
    assert dated.piece_start_decimal[:2].tolist() == dated.date_decimal.tolist()
    assert np.isnan(dated.piece_start_decimal[2])
    assert dated.piece_duration_yr[:2].tolist() == [dated.top_interval_yr, 1.0]
    assert np.isnan(dated.piece_duration_yr[2])


@pytest.mark.parametrize(
    ("collected", "top_alive", "code"),
    [(None, True, "no-collection-date"), (None, None, "no-collection-date"), (COLLECTED, False, "floating")],
)
def test_nothing_to_hold_on_to_floats(collected, top_alive, code):
    dated = date_marks(3, collected=collected, top_alive=top_alive, mark_date=SEPTEMBER_12)
    assert dated.floating
    assert codes(dated) == [code]
    assert dated.year.tolist() == [1, 2, 3]
    assert dated.piece_year.tolist() == [0, 1, 2, 3]
    assert np.isnan(dated.date_decimal).all()
    assert np.isnan(dated.top_interval_yr)
    assert np.isnan(dated.collected_decimal)
    assert np.isnan(dated.piece_duration_yr[0])


def test_top_not_said_to_be_alive_is_dated_and_flagged():
    dated = date_marks(2, collected=COLLECTED, top_alive=None, mark_date=SEPTEMBER_12)
    assert dated.year.tolist() == [2018, 2017]
    assert codes(dated) == ["top-alive-assumed"]


@pytest.mark.parametrize(
    ("collected", "top_growth_yr", "year"),
    [
        (dt.date(2019, 6, 15), float("nan"), 2018),  # half a year before mid-June
        (dt.date(2019, 9, 15), float("nan"), 2019),
        (dt.date(2019, 6, 15), 0.2, 2019),           # a mark laid down in early April
        (dt.date(2019, 9, 15), 0.9, 2018),
        (dt.date(2019, 6, 15), 2.4, 2018),           # never more than a year before
    ],
)
def test_without_mark_date_years_may_be_shifted_by_one(collected, top_growth_yr, year):
    dated = date_marks(2, collected=collected, top_growth_yr=top_growth_yr)
    assert not dated.floating
    assert codes(dated) == ["no-mark-date"]
    assert dated.year.tolist() == [year, year - 1]
    assert (dated.year_lo[0], dated.year_hi[0]) == (2018, 2019)
    assert np.isnan(dated.date_decimal).all()
    assert np.isnan(dated.top_interval_yr)


def test_count_interval_widens_the_years():
    dated = date_marks(4, collected=COLLECTED, mark_date=SEPTEMBER_12, count_lo=[1, 2, 2, 3], count_hi=[1, 2, 3, 6])
    assert dated.year.tolist() == [2018, 2017, 2016, 2015]
    assert dated.year_hi.tolist() == [2018, 2017, 2017, 2016]
    assert dated.year_lo.tolist() == [2018, 2017, 2016, 2013]


def test_no_mark_is_newer_than_the_newest_mark_date():
    dated = date_marks(2, collected=COLLECTED, mark_date=SEPTEMBER_12, count_lo=[0, 1], count_hi=[1, 2])
    assert dated.year_hi.tolist() == [2018, 2018]


def test_plain_count_is_always_possible():
    dated = date_marks(2, collected=None, count_lo=[2, 3], count_hi=[1, 1])
    assert dated.year_lo.tolist() == dated.year_hi.tolist() == [1, 2]


def test_counts_of_wrong_length():
    with pytest.raises(InputError, match="count_lo, count_hi: need one value for each of 3 marks, got 2 and 3"):
        date_marks(3, collected=None, count_lo=[1, 2])


def test_gap_shifts_and_widens_what_lies_inside_it():
    dated = date_marks(4, collected=COLLECTED, mark_date=SEPTEMBER_12, gaps=[lost(2, 1, 4)])
    assert dated.year.tolist() == [2018, 2017, 2014, 2013]  # the middle of 1 to 4, rounded down: 2 lost
    assert dated.year_hi.tolist() == [2018, 2017, 2015, 2014]
    assert dated.year_lo.tolist() == [2018, 2017, 2012, 2011]
    assert dated.crosses_gap.tolist() == [False, False, True, False, False]
    assert np.isnan(dated.piece_duration_yr[2])
    assert codes(dated) == ["gap"]
    assert dated.flags[0].detail == "1 to 4 years lost inside mark 2"


def test_gap_in_a_floating_series():
    dated = date_marks(3, collected=None, gaps=[lost(1, 0, 1)])
    assert dated.year.tolist() == [1, 2, 3]
    assert dated.year_hi.tolist() == [1, 3, 4]


def test_crack_without_lost_years_keeps_its_duration():
    dated = date_marks(3, collected=COLLECTED, mark_date=SEPTEMBER_12, gaps=[lost(1, 0, 0)])
    assert dated.piece_duration_yr[1] == 1.0
    assert dated.crosses_gap[1]


def test_gap_outside_the_newest_mark_makes_it_older():
    dated = date_marks(2, collected=COLLECTED, mark_date=SEPTEMBER_12, gaps=[lost(0, 3, 3)])
    assert dated.year.tolist() == [2015, 2014]
    assert np.isnan(dated.piece_duration_yr[0])


@pytest.mark.parametrize("gap", [(0, 2, 1), (0, -1, 1), (4, 0, 1)])
def test_impossible_gap(gap):
    with pytest.raises(InputError, match=r"gaps: LostYears.* is not possible with 3 marks; give least and most years"):
        date_marks(3, collected=None, gaps=[lost(*gap)])


@pytest.mark.parametrize(("top_growth_yr", "doubted"), [(0.3, False), (1.2, False), (1.3, True), (0.2, True)])
def test_top_growth_against_the_dates(top_growth_yr, doubted):
    dated = date_marks(2, collected=COLLECTED, mark_date=SEPTEMBER_12, top_growth_yr=top_growth_yr)  # 0.756 years
    assert codes(dated) == (["top-mismatch"] if doubted else [])


def test_no_marks():
    dated = date_marks(0, collected=COLLECTED, mark_date=SEPTEMBER_12)
    assert dated.year.size == 0
    assert np.isnan(dated.piece_year).tolist() == [True]
    assert np.isnan(dated.piece_duration_yr).tolist() == [True]
    assert np.isnan(dated.top_interval_yr)


def test_position_among_marks():
    marks = [4.0, 14.0, 24.0, 44.0]
    assert position_among_marks(marks, 14.0) == 1.0
    assert position_among_marks(marks, 19.0) == 1.5
    assert position_among_marks(marks, 0.0) == pytest.approx(-0.4)  # the median spacing is 10 mm
    assert position_among_marks(marks, 49.0) == pytest.approx(3.5)
    assert np.isnan(position_among_marks([], 3.0))
    assert np.isnan(position_among_marks([5.0], 3.0))
    assert position_among_marks([5.0], 5.0) == 0.0
    assert np.isnan(position_among_marks([5.0, 5.0], 3.0))


def test_local_spacing_is_that_of_the_nearest_five():
    marks = np.cumsum([5.0, 10, 10, 10, 10, 10, 4, 4, 2, 2, 2, 4, 4])
    assert position_among_marks(marks, 0.0) == pytest.approx(-0.5)
    assert position_among_marks(marks, marks[-1] + 3.0) == pytest.approx(12 + 1.5)


@pytest.mark.parametrize("bad", [[3.0, 2.0], [1.0, np.nan]])
def test_marks_out_of_order(bad):
    with pytest.raises(InputError, match="mark_depth_mm: must be finite and in order from the surface inwards"):
        position_among_marks(bad, 1.0)


# Ten mm a year: the mark of 2018-09-12 lies 7.6 mm deep at the collection, that of 2016 27.6 mm.
MARKS_MM = 7.56 + 10.0 * np.arange(6)
STAINED = dt.date(2016, 6, 2)  # 3.035 years before collection, 0.280 years before the mark of 2016


def stain_check(dated, depth_mm, *, collected=COLLECTED, marks_mm=MARKS_MM):
    return check_against_stain(
        marks_mm, dated, stain_depth_mm=depth_mm, stain_date=STAINED, collected=collected, track="A")


def test_count_agrees_with_stain():
    dated = date_marks(6, collected=COLLECTED, mark_date=SEPTEMBER_12)
    check = stain_check(dated, 30.35)
    assert check.flag is None
    assert check.interval_yr == pytest.approx(1108 / 365.25)
    assert check.counted_yr == pytest.approx(3.035, abs=0.005)
    assert check.off_yr == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize(("depth_mm", "off_yr"), [(40.35, 1.0), (20.35, -1.0)])
def test_count_against_stain_is_flagged(depth_mm, off_yr):
    dated = date_marks(6, collected=COLLECTED, mark_date=SEPTEMBER_12)
    check = stain_check(dated, depth_mm)
    assert check.off_yr == pytest.approx(off_yr, abs=0.01)
    assert check.flag.code == "count-against-stain"
    assert check.flag.track == "A"
    assert check.flag.depth_mm == depth_mm
    assert check.flag.detail == f"{3.035 + off_yr:.1f} years counted outside the stain of 2016-06-02, 3.0 by the dates"


def test_stain_inside_the_oldest_mark():
    dated = date_marks(2, collected=COLLECTED, mark_date=SEPTEMBER_12)
    assert stain_check(dated, 30.35, marks_mm=MARKS_MM[:2]).off_yr == pytest.approx(0.0, abs=0.005)
    assert stain_check(dated, 40.35, marks_mm=MARKS_MM[:2]).flag.code == "count-against-stain"


def test_what_the_count_may_be_off_by_is_allowed_for():
    too_many = date_marks(6, collected=COLLECTED, mark_date=SEPTEMBER_12, count_lo=[1, 1, 2, 3, 4, 5])
    assert stain_check(too_many, 40.35).flag is None
    assert stain_check(too_many, 20.35).flag is not None  # it may be too many, not too few
    too_few = date_marks(6, collected=COLLECTED, mark_date=SEPTEMBER_12, count_hi=[2, 3, 4, 5, 6, 7])
    assert stain_check(too_few, 20.35).flag is None
    assert stain_check(too_few, 40.35).flag is not None


def test_stain_without_mark_date_is_checked_from_the_surface():
    dated = date_marks(6, collected=COLLECTED)
    assert stain_check(dated, 30.35).flag is None
    assert stain_check(dated, 30.35).counted_yr == pytest.approx(3.035)
    # The newest mark's year may be out by one, but that is no excuse for a wrong count.
    assert stain_check(dated, 40.35).flag.code == "count-against-stain"
    gap = date_marks(6, collected=COLLECTED, gaps=[lost(1, 1, 1)])
    assert stain_check(gap, 20.35).flag is None


def test_floating_series_cannot_be_checked():
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12)
    check = stain_check(dated, 90.0, collected=None)
    assert check.flag is None
    assert np.isnan([check.counted_yr, check.interval_yr, check.off_yr]).all()


@pytest.mark.parametrize(("depth_mm", "newest"), [(25.0, 2017), (30.35, 2018), (33.0, 2018), (36.0, 2019)])
def test_stain_dates_a_dead_top(depth_mm, newest):
    # Around 30 mm the mark of 2015-09-12 is the one at 37.56 mm, the fourth.
    anchor = StainAnchor(position=position_among_marks(MARKS_MM, depth_mm), date=STAINED)
    dated = date_marks(6, collected=COLLECTED, top_alive=False, mark_date=SEPTEMBER_12, stain=anchor)
    assert not dated.floating
    assert codes(dated) == ["dated-by-stain"]
    assert dated.year.tolist() == [newest - i for i in range(6)]
    assert np.isnan(dated.piece_duration_yr[0])
    assert abs(stain_check(dated, depth_mm).off_yr) <= 0.51


def test_second_stain_checks_a_series_dated_by_the_first():
    anchor = StainAnchor(position=position_among_marks(MARKS_MM, 30.35), date=STAINED)
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12, stain=anchor)
    check = check_against_stain(
        MARKS_MM, dated, stain_depth_mm=50.35, stain_date=dt.date(2015, 6, 2), collected=None)
    assert check.off_yr == pytest.approx(1.0, abs=0.01)
    assert check.flag.detail == "the count puts the stain of 2015-06-02 1.0 years earlier"


def test_gaps_and_counts_are_exact_at_the_stain_that_dates():
    anchor = StainAnchor(position=position_among_marks(MARKS_MM, 30.35), date=STAINED)
    dated = date_marks(6, collected=None, mark_date=SEPTEMBER_12, stain=anchor, count_hi=[1, 2, 3, 4, 6, 7],
                       gaps=[lost(2, 0, 2)])
    assert dated.year.tolist() == [2019, 2018, 2016, 2015, 2014, 2013]
    assert (dated.year_lo[3], dated.year_hi[3]) == (2015, 2015)
    assert (dated.year_lo[4], dated.year_hi[4]) == (2013, 2014)
    assert (dated.year_lo[0], dated.year_hi[0]) == (2018, 2020)


def test_stain_in_one_year_of_no_mark_dates_nothing():
    dated = date_marks(0, collected=None, mark_date=SEPTEMBER_12, stain=StainAnchor(position=0.0, date=STAINED))
    assert dated.floating


days = st.dates(dt.date(1900, 1, 1), dt.date(2100, 12, 31))
month_days = st.dates(dt.date(2000, 1, 1), dt.date(2000, 12, 31)).map(lambda d: (d.month, d.day))


@settings(deadline=None)
@given(collected=days, mark_date=month_days, n_marks=st.integers(1, 30))
def test_newest_mark_lies_within_the_last_year(collected, mark_date, n_marks):
    dated = date_marks(n_marks, collected=collected, mark_date=mark_date)
    assert 0 <= dated.top_interval_yr <= 366 / 365.25
    assert dated.year[0] == np.floor(dated.date_decimal[0])
    assert np.all(np.diff(dated.year) == -1)
    assert np.all(np.diff(dated.date_decimal) < 0)


@settings(deadline=None)
@given(
    n_marks=st.integers(1, 12),
    gaps=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 3), st.integers(0, 3)), max_size=3),
    collected=st.none() | days,
    mark_date=st.none() | month_days,
)
def test_interval_of_the_year_holds_the_year(n_marks, gaps, collected, mark_date):
    lost_years = [lost(min(outside, n_marks), least, least + more) for outside, least, more in gaps]
    dated = date_marks(n_marks, collected=collected, mark_date=mark_date, gaps=lost_years)
    assert np.all(dated.year_lo <= dated.year)
    assert np.all(dated.year <= dated.year_hi)
    width = dated.year_hi - dated.year_lo
    assert np.all(np.diff(width) >= 0)  # the count is never surer deeper down
    assert dated.crosses_gap.sum() == len({gap.marks_outside for gap in lost_years})
