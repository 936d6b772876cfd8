import time
from dataclasses import replace

import numpy as np
import pytest
from generators.site_series import site

from bandkit.analysis.crossdate import SeriesGroup, crossdate

NEWEST = 2018


def group_of(series, rate=0.01):
    values = np.array(series).T
    chance = np.full(values.shape, rate)
    return SeriesGroup(names=tuple(f"C{j}" for j in range(values.shape[1])), year=NEWEST - np.arange(float(len(values))),
                       values=values, missing_frac=chance, doubled_frac=chance)


def score(seeds, **settings):
    """Of the wrong series those found at the place, of the right ones those suspected, and sites without a signal."""
    placed, wrong, suspected, right, silent = 0, 0, 0, 0, 0
    for seed in seeds:
        series, errors = site(seed, **settings)
        result = crossdate(group_of(series), seed=seed)
        silent += not result.signal.found
        by_colony = {error.colony: error for error in errors}
        for j in range(len(series)):
            own = [one for one in result.suggestions if one.series == f"C{j}"]
            if j in by_colony:
                error = by_colony[j]
                wrong += 1
                placed += any(one.kind == error.kind and abs(one.year - error.year) <= 2 for one in own)
            else:
                right += 1
                suspected += bool(own)
    return placed / max(wrong, 1), suspected / max(right, 1), silent / len(seeds)


def test_errors_are_found_where_they_are_and_right_series_are_left_alone():
    # At sites of 8 colonies over 40 years; more sites in benchmarks/cross_dating.py.
    placed, suspected, silent = score(range(100, 125))
    assert placed >= 0.8
    assert suspected <= 0.05
    assert silent == 0.0


def test_nothing_in_common_is_an_answer():
    placed, suspected, silent = score(range(40), r=0.0)
    assert silent >= 0.95
    assert placed <= 0.03
    assert suspected <= 0.02


def test_a_site_without_errors_is_left_alone():
    _, suspected, silent = score(range(200, 215), n_errors=0)
    assert suspected <= 0.05
    assert silent == 0.0


def test_the_verdict_says_what_was_found():
    series, errors = site(3)
    result = crossdate(group_of(series))
    assert len(result.suggestions) == len(errors)
    assert result.verdict.startswith("a common signal (mean correlation 0.")
    assert result.verdict.endswith("3 places to look at")
    one = next(s for s in result.suggestions if s.series == f"C{errors[-1].colony}")
    assert one.sentence == f"a year may be missing near 1990 in C7 (probability {one.probability:.2f})"
    assert one.year_lo <= one.year <= one.year_hi
    assert one.prior < one.probability
    assert result.mean_r_after > result.signal.mean_r
    nothing = crossdate(group_of(site(4, r=0.0)[0]))
    assert nothing.verdict.startswith("no common signal: ")
    assert nothing.suggestions == ()
    assert np.isnan(nothing.mean_r_after)
    clean = crossdate(group_of(site(5, n_errors=0)[0]))
    assert clean.verdict.endswith("no year seems to be missing or counted twice")
    alone = crossdate(group_of(series[:1]))
    assert alone.verdict == "fewer than two series overlap by ten years: nothing to compare"


def test_the_marks_own_doubt_decides_between_neighbouring_places():
    series, errors = site(100, n_errors=1)
    error = errors[0]
    group = group_of(series, rate=0.002)
    chance = {"missing": group.missing_frac.copy(), "doubled": group.doubled_frac.copy()}
    chance[error.kind][NEWEST - error.year, error.colony] = 0.5
    told = replace(group, missing_frac=chance["missing"], doubled_frac=chance["doubled"])
    (one,) = crossdate(told).suggestions
    assert (one.series, one.kind, one.year) == (f"C{error.colony}", error.kind, error.year)
    assert one.probability > 0.95


def test_a_doubtful_mark_alone_is_no_suggestion():
    # It was half a year before, and the others have nothing to add at the inner end of a clean site.
    group = group_of(site(5, n_errors=0)[0])
    doubled = group.doubled_frac.copy()
    doubled[-2, 0] = 0.55
    assert crossdate(replace(group, doubled_frac=doubled)).suggestions == ()


def test_of_two_series_either_may_be_wrong():
    piece = np.exp(0.2 * np.random.default_rng(1).standard_normal(61))
    whole, less = piece[:60], np.delete(piece, 30)
    result = crossdate(group_of([whole, less]))
    assert {(one.series, one.kind) for one in result.suggestions} == {("C0", "doubled"), ("C1", "missing")}
    assert all(abs(one.year - (NEWEST - 30)) <= 2 for one in result.suggestions)


def test_an_early_error_does_not_hide_that_two_series_are_alike():
    piece = np.exp(0.2 * np.random.default_rng(2).standard_normal(61))
    result = crossdate(group_of([piece[:60], np.delete(piece, 8)]))
    assert result.signal.when_laid
    assert result.verdict.startswith("a common signal, but hardly as dated (mean correlation ")
    assert any(one.series == "C1" and abs(one.year - (NEWEST - 8)) <= 2 for one in result.suggestions)


def test_two_unrelated_series_stay_unrelated():
    found = 0
    for seed in range(20):
        values = np.exp(0.2 * np.random.default_rng(seed).standard_normal((2, 50)))
        found += crossdate(group_of(values), seed=seed).signal.found
    assert found <= 1


@pytest.mark.parametrize("gap", [slice(10, 14), slice(0, 6), slice(34, 40)])
def test_gaps_and_different_lengths_are_borne(gap):
    series, _ = site(6, n_errors=0)
    values = np.array(series)
    values[2, gap] = np.nan
    result = crossdate(group_of(values))
    assert result.signal.found
    assert np.isfinite(result.reference_r).all()
    assert all(one.series != "C2" for one in result.suggestions)


@pytest.mark.slow
def test_a_thousand_series_of_a_hundred_years_take_less_than_half_a_minute():
    series, errors = site(7, n_colonies=1000, n_years=100, n_errors=200)
    start = time.perf_counter()
    result = crossdate(group_of(series))
    assert time.perf_counter() - start < 30.0
    wrong = {f"C{error.colony}" for error in errors}
    suspected = {one.series for one in result.suggestions}
    assert len(wrong & suspected) >= 0.9 * len(wrong)
    assert len(suspected - wrong) <= 0.05 * (1000 - len(wrong))
