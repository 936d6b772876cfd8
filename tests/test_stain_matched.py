"""The filter that tells an edge from texture."""

import numpy as np
import pytest

from bandkit.stain.matched import autocovariance, edge_filter, filter_edges, filter_rows, hold_and_fill, weights_for

ROW_MM = 0.1


def texture(n_rows=400, n_columns=60, seed=1):
    """Drift over two millimetres and a little noise of single rows."""
    rng = np.random.default_rng(seed)
    slow = np.stack([np.convolve(column, np.hanning(21) / 3.0, "same") for column in rng.standard_normal((n_columns, n_rows))])
    return slow.T + 0.2 * rng.standard_normal((n_rows, n_columns))


def response(values):
    covariance = autocovariance(texture(seed=9), filter_rows(ROW_MM))
    return filter_edges(values, edge_filter(covariance, ROW_MM, 1.0), ROW_MM)


def test_sharp_edge_stands_out_and_a_slow_border_does_not():
    depth = np.arange(400) * ROW_MM
    sharp = np.where(depth >= 20.0, np.exp(-(depth - 20.0)), 0.0)
    slow = 1.0 / (1.0 + np.exp(-(depth - 20.0) / 0.8))
    rows = slice(195, 206)
    of_sharp = response(texture() + 2.0 * sharp[:, None]).mean(axis=1)
    of_slow = response(texture() + 2.0 * slow[:, None]).mean(axis=1)
    assert abs(int(np.argmax(of_sharp)) - 200) <= 1
    assert of_sharp[rows].max() > 3.0 * abs(of_slow[rows]).max()


def test_level_and_slope_give_no_response():
    weights = edge_filter(autocovariance(texture(), filter_rows(ROW_MM)), ROW_MM, 1.0)
    u = np.arange(len(weights))
    scale = float(np.abs(weights).sum())
    assert abs(weights.sum()) < 0.02 * scale
    assert abs((weights * (u - u.mean())).sum()) < 0.02 * scale * len(u)


def test_extremes_are_held_and_gaps_filled():
    values = texture()
    values[50, 3], values[100:110, 4], values[:, 5] = 1e6, np.nan, np.nan
    out = hold_and_fill(values)
    assert np.isfinite(out).all()
    assert out[50, 3] < 10.0
    assert np.all(out[:, 5] == 0)


def test_weights_take_out_what_else_changes():
    rng = np.random.default_rng(3)
    green = np.convolve(rng.standard_normal(500), np.ones(10) / 10, "same")
    # Algae change both ratios, the second three times as much; a dye along the first is told best against that.
    averages = np.stack([green, 3.0 * green], axis=-1)[:, None, :] + 0.001 * rng.standard_normal((500, 1, 2))
    weights = weights_for(averages, 0.0, ROW_MM)
    assert weights[0] == pytest.approx(1.0)
    assert weights[1] < -0.15


def test_flat_profiles_have_a_covariance_that_can_be_inverted():
    weights = edge_filter(autocovariance(np.zeros((50, 2)), filter_rows(ROW_MM)), ROW_MM, 1.0)
    assert np.isfinite(weights).all()
