import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.analysis.standardise import TRENDS, smooth_trend, standardise


@pytest.mark.parametrize("period", [10.0, 30.0])
def test_half_of_the_stated_period_stays_in_the_trend(period):
    years = np.arange(600)
    wave = np.cos(2 * np.pi * years / period)
    kept = smooth_trend(wave, period)[200:400]
    assert np.abs(kept).max() == pytest.approx(0.5, abs=0.01)


def test_a_straight_line_is_its_own_smooth_trend_and_gaps_are_bridged():
    line = 5.0 + 0.1 * np.arange(40)
    holed = line.copy()
    holed[10:14] = np.nan
    np.testing.assert_allclose(smooth_trend(holed, 30.0), line, atol=1e-4)


@pytest.mark.parametrize("trend", TRENDS)
def test_a_double_year_stands_out_and_does_not_bend_the_trend(trend):
    rng = np.random.default_rng(5)
    values = 10.0 + rng.normal(0, 1.0, (40, 1))
    double = values.copy()
    double[20] = 20.0
    plain, made = standardise(values, trend=trend), standardise(double, trend=trend)
    assert made.deviation[20, 0] > 6.0
    np.testing.assert_allclose(made.trend, plain.trend, atol=0.9)


def test_series_that_are_too_short_or_do_not_vary_are_unknown():
    values = np.full((20, 3), np.nan)
    values[:9, 0] = 10.0 + np.arange(9)
    values[:, 1] = 7.0
    values[:, 2] = 7.0 + np.sin(np.arange(20) * 2.0)
    made = standardise(values)
    assert np.isnan(made.deviation[:, :2]).all()
    assert np.isfinite(made.deviation[:, 2]).all()


def test_values_that_are_not_positive_are_unknown():
    values = 10.0 + np.sin(np.arange(30.0) * 2)[:, None]
    values[4] = 0.0
    assert np.isnan(standardise(values).index[4, 0])


@given(factor=st.floats(0.01, 100.0))
def test_the_unit_does_not_matter(factor):
    values = 10.0 + np.sin(np.arange(30.0) ** 1.5)[:, None]
    np.testing.assert_allclose(standardise(factor * values).deviation, standardise(values).deviation, rtol=1e-6, atol=1e-6)
