"""The length of a year, told nothing: from slow massive corals to fast branches, from five years to three centuries."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_profiles import profile

from bandkit.bands import compare_spacings, even_out, find_marks, prepare
from bandkit.bands.spacing import LEAST_SPACING_MM, SAME_LOG_SPACING, _candidates


@pytest.mark.parametrize("n_years", [5, 20, 100, 300])
@pytest.mark.parametrize("year_mm", [3.5, 6.0, 10.0, 16.0, 25.0])
def test_years_are_counted_told_nothing(year_mm, n_years):
    made = profile(n_years + round(year_mm), year_mm=year_mm, n_years=n_years, cv=0.2, texture=0.15)
    marks = find_marks(made.value, made.depth_mm, looks=made.looks, n_draws=50)
    # A part-year at the end of five years may pass for a sixth.
    tolerance = max(1.0, 0.02 * len(made.marks_mm)) if n_years == 5 else 0.02 * len(made.marks_mm)
    assert abs(len(marks.depth_mm) - len(made.marks_mm)) <= tolerance
    assert made.right(marks.depth_mm).sum() >= 0.97 * len(made.marks_mm) - (n_years == 5)
    assert marks.count_lo <= len(made.marks_mm) <= marks.count_hi


def compared(made, spacing_mm=None):
    even = even_out(prepare(made.value, made.depth_mm, None, step_mm=0.25), None)
    return compare_spacings(even, spacing_mm, None)


@pytest.mark.parametrize("doublet", [0.0, 0.5])
def test_fits_come_best_first_and_each_spacing_once(doublet):
    fits = compared(profile(3, texture=0.4, doublet=doublet))
    scores = [score for _, score in fits]
    assert scores == sorted(scores, reverse=True)
    logs = np.log(np.sort([model.spacing_mm for model, _ in fits]))
    assert np.all(np.diff(logs) > SAME_LOG_SPACING)


@settings(max_examples=5)
@given(st.floats(5.0, 15.0), st.integers(0, 99))
def test_spacing_of_a_person_is_the_only_one(spacing_mm, seed):
    fits = compared(profile(seed, n_years=8), spacing_mm)
    assert len(fits) == 1
    assert fits[0][0].spacing_mm == pytest.approx(spacing_mm, rel=0.16)


def test_compared_over_the_outer_part_only():
    # What lies further in than 300 mm changes nothing: the cost of choosing a spacing is bounded.
    long = profile(8, year_mm=9.0, n_years=60, texture=0.2)
    even = even_out(prepare(long.value, long.depth_mm, None, step_mm=0.25), None)
    whole, outer = compare_spacings(even, None, None), compare_spacings(even.head(300.0), None, None)
    assert [(m.spacing_mm, s) for m, s in whole] == [(m.spacing_mm, s) for m, s in outer]


def test_track_too_short_for_long_years():
    made = profile(5, year_mm=4.0, n_years=6, texture=0.1)
    assert max(model.spacing_mm for model, _ in compared(made)) < made.depth_mm[-1]
    even = prepare(made.value, made.depth_mm, None, step_mm=0.25)
    assert _candidates(even).max() <= (made.depth_mm[-1] + 0.1) / 1.5
    assert _candidates(even).min() >= LEAST_SPACING_MM
