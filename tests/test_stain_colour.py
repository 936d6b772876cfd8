"""Colour of stained skeleton: transfer function, log ratios, dye index."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.stain import dye_index, linear_light, srgb_to_linear
from bandkit.stain.blocks import block_edges
from bandkit.stain.colour import log_ratios, usable

DEPTH = np.arange(400) * 0.1
ACROSS = (np.arange(41) - 20) * 0.25


def strip(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.array([0.6, 0.55, 0.45]) * np.exp(0.02 * rng.standard_normal((400, 41, 3)))


@pytest.mark.parametrize(("code", "light"), [(0.0, 0.0), (0.04045, 0.04045 / 12.92), (0.5, 0.21404114), (1.0, 1.0)])
def test_srgb_transfer_function(code, light):
    # IEC 61966-2-1; the value at 0.5 from its formula by hand.
    assert srgb_to_linear(np.array([code]))[0] == pytest.approx(light, abs=1e-7)


def test_many_values_follow_the_curve_of_the_standard():
    code = np.linspace(0.0, 1.0, 10_001)
    one_by_one = np.concatenate([srgb_to_linear(part) for part in np.array_split(code, 10)])
    np.testing.assert_allclose(srgb_to_linear(code), one_by_one, atol=1e-7)
    assert np.isnan(srgb_to_linear(np.r_[code, np.nan])[-1])
    assert srgb_to_linear(code)[-1] == 1.0


def test_linear_light_scales_by_full_scale_and_keeps_nan():
    light = linear_light(np.array([[0.0, 65535.0, np.nan]]), full_scale=65535, encoding="linear")
    np.testing.assert_array_equal(light, [[0.0, 1.0, np.nan]])


def test_linear_light_refuses_grey_and_zero_full_scale():
    with pytest.raises(InputError, match="rgb: the last axis must hold red, green and blue"):
        linear_light(np.zeros((4, 4)), full_scale=255)
    with pytest.raises(InputError, match="full_scale: must be positive, got 0"):
        linear_light(np.zeros((4, 3)), full_scale=0)


def test_log_ratios_by_arithmetic():
    ratios = log_ratios(np.array([[np.e, 1.0, np.e**2], [0.0, 0.0, 0.0]]))
    np.testing.assert_allclose(ratios[0], [1.0, 2.0])
    assert np.isnan(ratios[1]).all()


@settings(deadline=None, max_examples=15)
@given(st.floats(0.2, 2.0), st.floats(-0.05, 0.05), st.floats(-0.1, 0.1))
def test_index_does_not_see_the_lamp(level, down, aside):
    light = strip()
    # Within a block the lamp must be even for exact equality: it changes from block to block here.
    rows = np.repeat(np.arange(400), 1)[:, None]
    columns = np.searchsorted(block_edges(ACROSS, 0.5)[0], np.arange(41), side="right")[None, :]
    lamp = level * np.exp(0.1 * down * rows + aside * columns)
    lamp /= lamp.max() * 1.3
    plain = dye_index(light, DEPTH, ACROSS).index
    # Darker than 8 % of the median counts as a hole: only where both are usable the index must agree.
    lit = dye_index(light * lamp[..., None], DEPTH, ACROSS)
    same = usable(light * lamp[..., None]).all(axis=1)
    if same.all():
        np.testing.assert_allclose(lit.index, plain, atol=1e-9)


def test_dye_raises_the_index_and_brown_and_green_do_not():
    light = strip()
    pink, brown, green = slice(100, 110), slice(200, 210), slice(300, 310)
    light[pink] *= [1.0, 0.7, 0.8]
    light[brown] *= [1.0, 0.85, 0.6]
    light[green] *= [0.7, 0.9, 0.7]
    index = dye_index(light, DEPTH, ACROSS).index
    assert index[102:108].mean() > 0.25
    assert index[202:208].mean() < 0.4 * index[102:108].mean()
    assert index[302:308].mean() < 0.0


def test_cloth_and_burnt_spots_are_not_skeleton():
    light = np.full((2, 3, 3), 0.5)
    light[0, 0] = 0.01
    light[0, 1] = 1.0
    light[0, 2] = np.nan
    np.testing.assert_array_equal(usable(light), [[False, False, False], [True, True, True]])
