"""Means, medians and scatter that bear gaps and outliers."""

import numpy as np
import pytest

from bandkit.stats import Z_90, mean_known, nan_median, robust_mean, robust_sd, running_median


def test_mean_of_what_is_known():
    values = np.array([[1.0, np.nan, 3.0, np.nan], [np.nan, np.nan, np.nan, 5.0], [np.nan] * 4])
    np.testing.assert_array_equal(mean_known(values, 1), [2.0, 5.0, np.nan])
    np.testing.assert_array_equal(mean_known(values, 1, least_frac=0.5), [2.0, np.nan, np.nan])
    np.testing.assert_array_equal(mean_known(values, 0), [1.0, np.nan, 3.0, 5.0])
    assert np.isnan(mean_known(np.empty((2, 0)), 1)).all()


def test_medians_bear_gaps():
    np.testing.assert_array_equal(nan_median(np.array([[1.0, np.nan, 3.0], [np.nan] * 3]), axis=1), [2.0, np.nan])


def test_running_median_ignores_a_narrow_line():
    depth = np.arange(600) * 0.1
    values = 0.01 * depth
    values[300:330] += 5.0
    drift = running_median(values, depth, 25.0)
    assert drift[315] == pytest.approx(0.01 * depth[315], abs=0.05)


def test_robust_mean_holds_an_outlying_column():
    columns = np.zeros((50, 10)) + 0.1 * np.random.default_rng(1).standard_normal((50, 10))
    columns[:, 3] = 100.0
    assert np.abs(robust_mean(columns)).max() < 0.3


def test_robust_sd_of_normal_numbers():
    assert robust_sd(np.random.default_rng(3).standard_normal(20000)) == pytest.approx(1.0, abs=0.03)


def test_robust_sd_about_a_given_value():
    values = np.array([1.0, 2.0, np.nan, 3.0])
    assert robust_sd(values) == pytest.approx(1.4826)
    assert robust_sd(values, about=0.0) == pytest.approx(2 * 1.4826)
    assert np.isnan(robust_sd(np.array([np.nan])))


def test_ninety_percent_of_a_normal_distribution():
    assert np.mean(np.abs(np.random.default_rng(4).standard_normal(200_000)) < Z_90) == pytest.approx(0.9, abs=0.002)
