import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.analysis.agreement import (
    common_signal,
    correlation_matrix,
    critical_r,
    expressed_signal,
    lag_one,
    mean_of_others,
    running_correlation,
    series_needed,
    subsample_strength,
    surrogates,
)

RNG = np.random.default_rng(11)


def test_correlation_over_the_years_that_both_have():
    x = RNG.standard_normal((30, 3))
    x[:8, 1] = np.nan
    x[:25, 2] = np.nan
    r = correlation_matrix(x)
    assert r[0, 1] == pytest.approx(np.corrcoef(x[8:, 0], x[8:, 1])[0, 1], abs=1e-12)
    assert np.isnan(r[0, 2]), "five shared years are too few"
    np.testing.assert_allclose(np.diag(r)[:2], 1.0)


def test_a_series_that_does_not_vary_correlates_with_nothing():
    assert np.isnan(correlation_matrix(np.column_stack([np.ones(20), np.arange(20.0)]))[0, 1])


@given(r=st.floats(0.01, 0.99), n=st.integers(1, 50), more=st.integers(0, 50))
def test_subsample_is_never_better_than_the_whole(r, n, more):
    assert subsample_strength(r, n, n) == pytest.approx(1.0)
    assert subsample_strength(r, n, n + more) <= 1.0 + 1e-12
    assert expressed_signal(r, n) <= expressed_signal(r, n + more) + 1e-12


@given(r=st.floats(0.01, 0.99))
def test_series_needed_are_enough_and_not_one_too_many(r):
    n = series_needed(r)
    assert expressed_signal(r, n) >= 0.85 - 1e-9
    assert n == 1 or expressed_signal(r, n - 1) < 0.85


@pytest.mark.parametrize("r", [0.0, -0.2, np.nan])
def test_no_number_of_unrelated_series_will_do(r):
    assert series_needed(r) == 0
    assert np.isnan(expressed_signal(r, 5))


def test_lag_one_of_an_alternating_and_of_a_slow_series():
    slow = np.sin(np.arange(100) / 10)
    alternating = np.tile([1.0, -1.0], 50)
    assert lag_one(np.column_stack([slow, alternating])) == pytest.approx([0.9, -0.9])
    assert lag_one(np.full((5, 1), np.nan)) == pytest.approx([0.0])


def test_mean_of_others_leaves_the_series_itself_out():
    x = np.array([[1.0, 2.0, np.nan], [1.0, 9.0, 0.5]])
    mean, count = mean_of_others(x)
    np.testing.assert_array_equal(count, [[1, 1, 2], [2, 2, 2]])
    np.testing.assert_allclose(mean, [[2.0, 1.0, 1.5], [1.5, 0.75, 1.75]])


def test_surrogates_keep_gaps_scatter_and_memory():
    x = np.full((200, 1), np.nan)
    x[20:, 0] = [0.0] * 180
    for row in range(21, 200):
        x[row, 0] = 0.6 * x[row - 1, 0] + 0.8 * RNG.standard_normal()
    made = surrogates(x, 200, seed=1)
    assert np.isnan(made[:, :20]).all()
    assert np.nanstd(made) == pytest.approx(1.0, abs=0.05)
    memory = [lag_one(one)[0] for one in made]
    assert np.mean(memory) == pytest.approx(lag_one(x)[0], abs=0.03)
    np.testing.assert_array_equal(made[0], surrogates(x, 200, seed=1)[0])


def test_running_correlation_finds_the_lag_of_each_half():
    reference = RNG.standard_normal(60)
    series = np.concatenate([reference[:30], reference[31:], [np.nan]])
    running = running_correlation(series, reference, window_yr=20, most_lag_yr=2)
    best = running.lags[np.argmax(running.r, axis=1)]
    np.testing.assert_array_equal(running.first_row, [0, 10, 20, 30, 39])
    assert best[0] == best[1] == 0.0
    assert best[-1] == best[-2] == 1.0
    assert running.r[0].max() == pytest.approx(1.0)


def test_running_correlation_of_a_short_series_is_one_segment_or_none():
    reference = RNG.standard_normal(40)
    short = np.full(40, np.nan)
    short[5:18] = reference[5:18]
    running = running_correlation(short, reference)
    np.testing.assert_array_equal([running.first_row, running.last_row], [[5], [17]])
    short[:10] = np.nan
    assert running_correlation(short, reference).r.shape == (0, 7)


def test_autocorrelation_raises_the_critical_r():
    assert critical_r(50, ar1_product=0.36) > critical_r(50) > critical_r(100)
    assert critical_r(4, ar1_product=0.5) == 1.0


def test_common_signal_of_related_and_unrelated_series():
    common = RNG.standard_normal((40, 1))
    own = RNG.standard_normal((40, 6))
    alike = np.sqrt(0.5) * common + np.sqrt(0.5) * own
    related = common_signal(alike)
    assert related.found
    assert related.p_value == pytest.approx(1 / 500)
    assert related.mean_r == pytest.approx(np.corrcoef(alike.T)[np.triu_indices(6, 1)].mean())
    unrelated = common_signal(own)
    assert not unrelated.found
    assert unrelated.weighted_r < unrelated.limit_r


def test_two_series_without_shared_years_have_no_common_signal():
    x = np.full((40, 2), np.nan)
    x[:20, 0], x[20:, 1] = RNG.standard_normal((2, 20))
    assert not common_signal(x).found
    assert np.isnan(common_signal(x).mean_r)
