"""Blocks of neighbouring samples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.stain.blocks import block_edges, equal_blocks, even_starts


def test_blocks_cover_all_samples_once():
    starts, centres = block_edges(np.arange(10) * 0.2, 0.5)
    assert starts[0] == 0
    # An odd number, so that they are the same from either end.
    assert len(starts) == len(centres) == 3
    assert np.sum(np.diff(np.append(starts, 10)) * centres) == pytest.approx(np.sum(np.arange(10) * 0.2))


@given(n=st.integers(1, 500), wanted=st.integers(0, 60))
def test_blocks_are_the_same_from_either_end(n, wanted):
    sizes = np.diff(np.append(even_starts(n, wanted), n))
    np.testing.assert_array_equal(sizes, sizes[::-1])
    assert sizes.min() >= 1
    assert np.ptp(sizes) <= 1


def test_rows_hold_equally_many_samples():
    starts, centres = equal_blocks(np.arange(11) * 0.05, 0.08)
    np.testing.assert_array_equal(starts, [0, 2, 4, 6, 8])
    np.testing.assert_allclose(centres, [0.025, 0.125, 0.225, 0.325, 0.425])
