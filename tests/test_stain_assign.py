"""Lines to dates, and extension between dated surfaces."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.stain import (
    StainLine,
    assign_stains,
    extension_since,
    interval_flags,
    no_line,
    stain_increments,
)

COLLECTED = date(2020, 6, 1)
DATES = [date(2017, 6, 1), date(2018, 6, 1), date(2019, 6, 1)]


def line(depth_mm: float) -> StainLine:
    return StainLine(found=True, depth_mm=depth_mm, depth_sd_mm=0.1, confidence=1.0, contrast_to_noise=3.0,
                     across_mm=np.zeros(1), line_depth_mm=np.full(1, depth_mm), tail_mm=1.0)


def depths_of(assignment):
    return [None if x is None else x.depth_mm for x in assignment.lines]


def test_all_found_are_matched_newest_to_outermost():
    assignment = assign_stains([line(10), line(20), line(30)], DATES, COLLECTED)
    assert depths_of(assignment) == [30, 20, 10]
    assert assignment.probability == 1.0
    assert assignment.flags == ()


def test_absent_staining_is_the_one_that_makes_rates_even():
    # 10 mm a year: the middle line is missing.
    assignment = assign_stains([line(10), line(30)], DATES, COLLECTED)
    assert depths_of(assignment) == [30, None, 10]


def test_one_line_of_two_dates_is_doubtful_without_a_known_rate():
    assignment = assign_stains([line(11.0)], DATES[1:], COLLECTED)
    assert assignment.flags == ("stain-date-doubtful",)
    assert assignment.probability < 0.9


def test_a_known_rate_settles_one_line_of_two_dates():
    assignment = assign_stains([line(20.0)], [date(2010, 6, 1), date(2019, 6, 1)], COLLECTED, expected_mm_yr=2.0)
    assert depths_of(assignment) == [20.0, None]
    assert assignment.flags == ()


def test_nothing_found_matches_nothing():
    assignment = assign_stains([no_line(np.zeros(1), 0.2)], DATES, COLLECTED)
    assert depths_of(assignment) == [None, None, None]


def test_more_lines_than_dates_and_late_stainings_are_refused():
    with pytest.raises(InputError, match="lines: 2 found, but only 1 dates"):
        assign_stains([line(1), line(2)], DATES[:1], COLLECTED)
    with pytest.raises(InputError, match="staining on 2020-06-01 is not before the collection"):
        assign_stains([line(1)], [COLLECTED], COLLECTED)


@settings(deadline=None)
@given(st.lists(st.floats(0.5, 20.0), min_size=1, max_size=5))
def test_increments_add_up_to_the_innermost_depth(steps):
    depths = list(np.cumsum(steps))
    dates = [date(2020 - k, 6, 1) for k in range(1, len(steps) + 1)]
    increments = stain_increments(depths, [0.1] * len(steps), dates, COLLECTED, surface_sd_mm=0.1)
    total = sum(i.extension_mm_yr * i.interval_yr for i in increments)
    assert total == pytest.approx(depths[-1], abs=1e-9)
    assert [i.outer_mm for i in increments[1:]] == [i.inner_mm for i in increments[:-1]]


def test_interval_must_be_positive():
    with pytest.raises(InputError, match=r"interval_yr: must be positive, got 0\.0"):
        extension_since(1.0, 0.1, 0.0, 0.1)


@pytest.mark.parametrize(("days", "flags"), [(365, ()), (731, ()), (444, ("interval-not-whole",)),
                                             (59, ("interval-not-whole", "interval-short")),
                                             (61, ("interval-not-whole",))])
def test_interval_flags(days, flags):
    assert interval_flags(days / 365.25) == flags
