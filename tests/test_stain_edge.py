"""The edge model and its fit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.stain.edge import edge_shape, fit_edge

U = np.arange(-80, 161) * 0.05


def test_shape_without_blur_is_a_step_with_an_exponential_tail():
    shape = edge_shape(np.array([-1.0, 0.5, 2.0]), 1e-4, 1.0)
    np.testing.assert_allclose(shape, [0.0, np.exp(-0.5), np.exp(-2.0)], atol=1e-6)


def test_blur_keeps_the_amount_of_dye():
    u = np.arange(-400, 4000) * 0.01
    # The exponential holds as much dye as its tail is long, blurred or not.
    assert edge_shape(u, 0.3, 1.5).sum() * 0.01 == pytest.approx(1.5, rel=1e-3)


def test_shape_is_finite_far_away():
    assert np.isfinite(edge_shape(np.array([-1e4, 1e4]), 0.02, 0.2)).all()


@settings(deadline=None, max_examples=25)
@given(st.floats(-0.7, 0.7), st.floats(0.05, 0.3), st.floats(0.5, 4.0), st.floats(-0.05, 0.05))
def test_fit_returns_what_was_put_in(edge, blur, tail, slope):
    profile = 0.3 * edge_shape(U - edge, blur, tail) + 0.1 + slope * U
    fit = fit_edge(profile, U, np.ones_like(U), near_mm=0.0, reach_mm=1.0)
    assert fit is not None
    assert fit.edge_mm == pytest.approx(edge, abs=0.005)
    assert fit.amplitude == pytest.approx(0.3, rel=0.05)


def test_standard_error_matches_scatter_of_fits():
    rng = np.random.default_rng(4)
    clean = edge_shape(U - 0.1, 0.12, 1.5)
    fits = [fit_edge(clean + 0.1 * rng.standard_normal(len(U)), U, np.ones_like(U), near_mm=0.0, reach_mm=1.0)
            for _ in range(60)]
    edges = np.array([f.edge_mm for f in fits if f is not None])
    stated = np.median([f.edge_sd_mm for f in fits if f is not None])
    assert abs(edges.mean() - 0.1) < 0.01
    assert 0.6 < stated / edges.std() < 1.6


def test_no_rise_no_edge():
    assert fit_edge(-edge_shape(U, 0.1, 1.0), U, np.ones_like(U), near_mm=0.0, reach_mm=0.5) is None or \
        fit_edge(-edge_shape(U, 0.1, 1.0), U, np.ones_like(U), near_mm=0.0, reach_mm=0.5).amplitude < 0.5


def test_too_little_known_gives_none():
    profile = np.full(len(U), np.nan)
    profile[:8] = 1.0
    assert fit_edge(profile, U, np.ones_like(U), near_mm=0.0, reach_mm=1.0) is None
