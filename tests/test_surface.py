"""The outer surface on a strip: half way up the edge, across a dome, in noise, bright or dark, or not at all."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from bandkit.surface import find_surface, outline_across

STEP = 0.1
DEPTH = np.arange(400) * STEP
ACROSS = np.arange(-20, 21) * 2 * STEP


def edge(at_mm, *, blur_mm=0.2, outside=0.0, inside=1.0, depth=DEPTH, across=ACROSS):
    """A step at a depth that may change across, blurred along depth; exact at the half-way level."""
    at = np.broadcast_to(at_mm, across.shape)
    return outside + (inside - outside) * ndtr((depth[:, None] - at[None, :]) / blur_mm)


def noisy(values, sd, seed=0):
    return values + np.random.default_rng(seed).normal(0, sd, values.shape)


@pytest.mark.parametrize("at_mm", [5.0, 5.03, 7.77, 12.345])
@pytest.mark.parametrize("blur_mm", [0.07, 0.1, 0.2])
def test_half_way_up_a_blurred_edge(at_mm, blur_mm):
    surface = find_surface(edge(at_mm, blur_mm=blur_mm), DEPTH, ACROSS)
    assert surface.found
    # A tenth of a pixel.
    assert surface.depth_mm == pytest.approx(at_mm, abs=0.1 * STEP)
    assert surface.outside == pytest.approx(0.0, abs=0.01)
    assert surface.inside == pytest.approx(1.0, abs=0.01)


def test_edge_of_several_pixels_is_found_to_half_a_pixel():
    # The level just behind is still rising: the price of not waiting for the level deep inside.
    surface = find_surface(edge(9.0, blur_mm=0.4), DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(9.0, abs=0.5 * STEP)


@pytest.mark.parametrize(("outside", "inside"), [(0.02, 0.9), (60000.0, 21000.0), (3000.0, 40000.0), (-1000.0, 400.0)])
def test_bright_or_dark_in_any_unit(outside, inside):
    surface = find_surface(edge(6.6, outside=outside, inside=inside), DEPTH, ACROSS)
    assert surface.found
    assert surface.depth_mm == pytest.approx(6.6, abs=0.01)
    assert (surface.outside, surface.inside) == pytest.approx((outside, inside), rel=0.02)


@given(st.floats(4.0, 20.0), st.floats(-100, 100), st.floats(0.1, 1000), st.sampled_from([-1, 1]))
def test_place_does_not_depend_on_level_contrast_or_sign(at_mm, level, contrast, sign):
    plain = find_surface(edge(at_mm), DEPTH, ACROSS)
    other = find_surface(level + sign * contrast * edge(at_mm), DEPTH, ACROSS)
    assert other.found
    assert other.depth_mm == pytest.approx(plain.depth_mm, abs=1e-3)


@given(st.integers(-30, 100))
def test_place_follows_where_the_track_begins(samples):
    # Drawn further out or in by whole samples, the surface moves by as much.
    plain = find_surface(noisy(edge(8.0), 0.01)[30:], DEPTH[:-30], ACROSS)
    padded = noisy(edge(8.0), 0.01)[max(30 - samples, 0):]
    surface = find_surface(padded, np.arange(len(padded)) * STEP, ACROSS)
    moved = min(samples, 30) * STEP
    assert surface.depth_mm - moved == pytest.approx(plain.depth_mm, abs=0.005)


def test_domed_surface_is_measured_on_the_track():
    # A dome of 60 mm radius falls off by 0.15 mm at 3 mm to either side; a mean over the width would be 0.05 mm deep.
    dome = 8.0 + ACROSS**2 / (2 * 60.0)
    surface = find_surface(edge(dome), DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(8.0, abs=0.02)
    np.testing.assert_allclose(surface.line_mm, 8.0 + surface.across_mm**2 / 120.0, atol=0.03)


@pytest.mark.parametrize("slope", [-0.5, 0.2, 0.45])
def test_slanting_surface_is_measured_on_the_track(slope):
    surface = find_surface(edge(8.0 + slope * ACROSS), DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(8.0, abs=0.02)
    assert np.polyfit(surface.across_mm, surface.line_mm, 1)[0] == pytest.approx(slope, abs=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_noise_moves_it_by_less_than_its_error(seed):
    surface = find_surface(noisy(edge(9.0), 0.1, seed), DEPTH, ACROSS)
    assert surface.found
    assert surface.depth_mm == pytest.approx(9.0, abs=0.1)
    assert abs(surface.depth_mm - 9.0) < 4 * surface.sd_mm
    assert 0.0 < surface.sd_mm < 0.1


def test_rough_surface_has_a_larger_error():
    rough = 9.0 + np.random.default_rng(3).normal(0, 0.6, len(ACROSS))
    smooth, coarse = (find_surface(edge(at), DEPTH, ACROSS) for at in (9.0, rough))
    assert coarse.sd_mm > 2 * smooth.sd_mm
    assert abs(coarse.depth_mm - 9.0) < 4 * coarse.sd_mm


def test_error_covers_rough_surfaces():
    rng = np.random.default_rng(8)
    z = []
    for _ in range(100):
        surface = find_surface(noisy(edge(9.0 + rng.normal(0, 0.3, len(ACROSS))), 0.05, 1), DEPTH, ACROSS)
        z.append((surface.depth_mm - 9.0) / surface.sd_mm)
    # Nine out of ten, as far as a hundred can tell.
    assert 0.82 < np.mean(np.abs(z) < 1.645) < 0.98
    assert abs(np.mean(z)) < 0.4


def test_young_skeleton_not_yet_thickened_is_skeleton():
    # Density rises from 45 % of its final value over 5 mm of tissue layer.
    profile = np.where(DEPTH < 8.0, 0.0, 1.0 - 0.55 * np.exp(-(DEPTH - 8.0) / 2.0))
    values = gaussian_filter(np.repeat(profile[:, None], len(ACROSS), axis=1), (2.0, 0))
    surface = find_surface(values, DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(8.0, abs=0.1)


def test_bands_behind_the_surface_are_not_taken_for_it():
    bands = 1.0 + 0.3 * np.cos(2 * np.pi * (DEPTH - 8.0) / 6.0)
    surface = find_surface(noisy(edge(8.0) * bands[:, None], 0.05), DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(8.0, abs=0.1)


def test_speck_outside_is_not_the_surface():
    values = noisy(edge(10.0), 0.02)
    values[30:36] += 1.0
    surface = find_surface(values, DEPTH, ACROSS)
    assert surface.depth_mm == pytest.approx(10.0, abs=0.1)


def test_missing_column_and_broken_bins_do_not_matter():
    values = noisy(edge(10.0), 0.02)
    values[:, ::4] = np.nan
    values[:90, 21:23] = 1.0
    surface = find_surface(values, DEPTH, ACROSS)
    assert surface.found
    assert surface.depth_mm == pytest.approx(10.0, abs=0.1)


def test_one_column_is_enough():
    surface = find_surface(edge(10.0, across=np.zeros(1)), DEPTH, np.zeros(1))
    assert surface.found
    assert surface.depth_mm == pytest.approx(10.0, abs=0.02)


def test_width_for_the_line_may_be_chosen():
    surface = find_surface(edge(10.0), DEPTH, ACROSS, width_mm=2.0)
    np.testing.assert_allclose(surface.across_mm, [-1, -0.5, 0, 0.5, 1])


@pytest.mark.parametrize("values", [
    np.ones((400, 41)), noisy(np.ones((400, 41)), 0.3), np.full((400, 41), np.nan), noisy(edge(-5.0), 0.05)])
def test_without_background_there_is_no_surface(values):
    surface = find_surface(values, DEPTH, ACROSS)
    assert not surface.found
    assert surface.depth_mm == 0.0
    assert surface.sd_mm == 0.0
    np.testing.assert_array_equal(surface.line_mm, 0.0)
    assert np.isnan(surface.outside)


def test_without_skeleton_there_is_no_surface():
    assert not find_surface(noisy(np.zeros((400, 41)), 0.02), DEPTH, ACROSS).found


def test_track_too_short_to_tell():
    assert not find_surface(edge(0.8)[:15], DEPTH[:15], ACROSS).found


def test_level_is_told_where_no_surface_is_found():
    assert find_surface(np.full((400, 41), 7.0), DEPTH, ACROSS).inside == 7.0


def test_outline_follows_the_surface_across_the_strip():
    depth, across = np.arange(400) * 0.05, (np.arange(161) - 80) * 0.1
    line = 4.0 + 0.15 * across + 0.02 * across**2
    values = np.where(depth[:, None] >= line[None, :], 1.0, 0.05)
    # A patch of cloth with a speck on it, and one column without any skeleton.
    values[:30, 20:24], values[:, 120] = 1.0, 0.05
    surface = find_surface(values, depth, across)
    outline = outline_across(values, depth, across, surface)
    assert np.nanmax(np.abs(outline - line)) < 0.15
    assert np.nanmedian(np.abs(outline - line)) < 0.06


def test_no_surface_no_outline():
    depth, across = np.arange(400) * 0.05, (np.arange(161) - 80) * 0.1
    values = np.ones((400, 161))
    assert np.isnan(outline_across(values, depth, across, find_surface(values, depth, across))).all()
