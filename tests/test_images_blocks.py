"""Means of blocks of pixels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.images.blocks import block_means


def test_by_hand():
    region = np.array([[0, 2, 10], [4, 6, 20], [1, 3, 50]], dtype=np.uint16)
    np.testing.assert_allclose(block_means(region, 2), [[3, 15], [2, 50]])
    np.testing.assert_array_equal(block_means(region, 1), region)
    np.testing.assert_allclose(block_means(region, 5), [[96 / 9]], rtol=1e-6)


def test_colour():
    region = np.arange(4 * 4 * 3).reshape(4, 4, 3)
    means = block_means(region, 2)
    assert means.shape == (2, 2, 3)
    np.testing.assert_allclose(means[0, 0], region[:2, :2].reshape(-1, 3).mean(axis=0))


@given(st.integers(1, 20), st.integers(1, 20), st.integers(1, 6), st.floats(-1e3, 1e3))
def test_mean_of_a_constant_is_that_constant(height, width, shrink, value):
    means = block_means(np.full((height, width), value), shrink)
    assert means.shape == (-(-height // shrink), -(-width // shrink))
    np.testing.assert_allclose(means, value, rtol=1e-5, atol=1e-4)


@given(st.integers(1, 6), st.integers(1, 5), st.integers(1, 5))
def test_mean_of_whole_blocks_keeps_the_mean(shrink, n_y, n_x):
    region = np.random.default_rng(shrink).uniform(0, 100, (shrink * n_y, shrink * n_x))
    assert block_means(region, shrink).mean() == pytest.approx(region.mean(), rel=1e-5)
