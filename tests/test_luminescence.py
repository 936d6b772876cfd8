"""Luminescence index and annual values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.luminescence import annual_luminescence, luminescence_index

RNG = np.random.default_rng(11)
IMAGE = RNG.uniform(0.2, 0.8, (40, 30, 3))


def test_index_is_green_over_blue_of_linear_light():
    image = np.array([[[10.0, 60.0, 30.0]]])
    assert luminescence_index(image, full_scale=100, encoding="linear")[0, 0] == pytest.approx(2.0)
    assert luminescence_index(image, full_scale=100, encoding="linear", dark=(0, 20, 10))[0, 0] == pytest.approx(2.0)
    assert luminescence_index(image, full_scale=100, encoding="linear", dark=(0, 0, 10))[0, 0] == pytest.approx(3.0)


def test_srgb_code_is_made_linear_first():
    image = np.array([[[0.0, 255.0, 127.5]]])
    assert luminescence_index(image, full_scale=255)[0, 0] == pytest.approx(1 / 0.21404114, rel=1e-6)


@settings(deadline=None, max_examples=20)
@given(st.floats(0.1, 2.0), st.floats(-0.02, 0.02), st.floats(-0.02, 0.02))
def test_illumination_cancels_and_raw_green_does_not(level, down, aside):
    # Grove et al. 2010: the ratio is free of illumination.
    lamp = level * np.exp(down * np.arange(40)[:, None] + aside * np.arange(30)[None, :])
    plain = luminescence_index(IMAGE, full_scale=1.0, encoding="linear")
    lit = luminescence_index(IMAGE * lamp[..., None], full_scale=1.0, encoding="linear")
    np.testing.assert_allclose(lit, plain, rtol=1e-6)
    if abs(level - 1.0) > 0.05:
        assert not np.allclose(IMAGE[..., 1] * lamp, IMAGE[..., 1], rtol=1e-3)


@pytest.mark.parametrize("colour", [False, True])
def test_grey_picture_is_flattened_locally(colour):
    lines = 1.0 + 0.1 * np.sin(np.arange(400) / 5.0)[:, None] * np.ones((1, 20))
    lamp = 0.5 * np.exp(0.002 * np.arange(400))[:, None]
    grey = lines * lamp
    index = luminescence_index(np.repeat(grey[..., None], 3, axis=2) if colour else grey, full_scale=2.0,
                               encoding="linear", flatten_px=101)
    inner = slice(60, 340)
    assert np.corrcoef(index[inner, 10], lines[inner, 10])[0, 1] > 0.99
    assert abs(np.polyfit(np.arange(280), index[inner, 10], 1)[0]) < 1e-4


def test_unknown_and_unlit_stay_unknown():
    image = np.array([[[np.nan] * 3, [0.1, 0.5, 0.0], [0.1, 0.5, 0.5]]])
    np.testing.assert_array_equal(np.isnan(luminescence_index(image, full_scale=1.0)[0]), [True, True, False])


def test_background_is_not_lit():
    # A colour of nothing but noise has a ratio of any size; skeleton in the shade of the lamp has its own.
    image = np.full((50, 50, 3), 0.5)
    image[:10] = [0.0, 0.004, 1e-9]
    image[40:] *= 0.1
    index = luminescence_index(image, full_scale=1.0, encoding="linear")
    assert np.isnan(index[:10]).all()
    np.testing.assert_allclose(index[10:], 1.0)


def test_annual_value_of_a_sine_is_its_range():
    # Lough 2011: summer maximum less preceding winter minimum.
    depth = np.arange(0, 60, 0.01)
    index = 2.0 + 0.3 * np.cos(2 * np.pi * (depth - 5.0) / 10.0)
    value = annual_luminescence(depth, index, np.array([5.0, 15.0, 25.0, 35.0]))
    np.testing.assert_allclose(value[:-1], 0.6, atol=1e-4)
    assert np.isnan(value[-1])


def test_the_preceding_winter_is_the_deeper_one():
    depth = np.arange(0, 31.0)
    index = np.ones(31)
    index[[10, 20]] = 3.0
    index[5], index[15], index[25] = 0.9, 0.5, 0.2
    np.testing.assert_allclose(annual_luminescence(depth, index, np.array([10.0, 20.0])), [2.5, np.nan])


def test_lines_out_of_order_and_bad_scale_are_refused():
    with pytest.raises(InputError, match="line_depth_mm: must increase"):
        annual_luminescence(np.arange(3.0), np.arange(3.0), np.array([2.0, 1.0]))
    with pytest.raises(InputError, match="full_scale: must be positive, got -1"):
        luminescence_index(np.ones((2, 2)), full_scale=-1)
