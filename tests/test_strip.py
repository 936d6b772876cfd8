"""The straightened slab: what lies where, and what is left out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.axis import make_axis
from bandkit.strip import BLOCK_ROWS, inside_polygon, straighten

MM = (0.1, 0.1)


def rows_and_columns(height, width):
    """Images whose value is the row, and the column."""
    y, x = np.mgrid[:height, :width].astype(np.float64)
    return y, x


class Reader:
    """Reads regions of an array and keeps note of them."""

    def __init__(self, image):
        self.image = np.asarray(image)
        self.regions = []

    @property
    def size_px(self):
        return self.image.shape[1], self.image.shape[0]

    def __call__(self, x0, y0, x1, y1):
        height, width = self.image.shape[:2]
        assert 0 <= x0 < x1 <= width
        assert 0 <= y0 < y1 <= height
        self.regions.append((x0, y0, x1, y1))
        return self.image[y0:y1, x0:x1]


def cut(image, points_px, across_mm=(0.0,), *, mm_per_px=MM, step_mm=0.1, channels=1):
    read = Reader(image)
    axis = make_axis(points_px, mm_per_px, step_mm=step_mm)
    return straighten(read, read.size_px, axis, np.asarray(across_mm, float), channels=channels), read


def test_vertical_track_on_an_image_of_rows_is_depth():
    row, _ = rows_and_columns(120, 60)
    strip, _ = cut(row, [(30, 10), (30, 110)], np.arange(-5, 6) * 0.2)
    np.testing.assert_allclose(strip.values, 10 + strip.depth_mm[:, None] / 0.1 + np.zeros((1, 11)), atol=1e-4)
    assert strip.values.shape == (101, 11)
    assert strip.step_mm == pytest.approx(0.1)
    assert strip.centre == 5


def test_sides_of_a_vertical_track_on_an_image_of_columns():
    _, column = rows_and_columns(120, 60)
    strip, _ = cut(column, [(30, 10), (30, 110)], np.arange(-5, 6) * 0.2)
    # Down the page, positive is to the left.
    np.testing.assert_allclose(strip.values, 30 - strip.across_mm[None, :] / 0.1 + np.zeros((101, 1)), atol=1e-4)


@pytest.mark.parametrize(("start", "end"), [((20, 20), (80, 100)), ((100, 15), (30, 110)), ((10, 60), (110, 60))])
def test_oblique_track_on_rows_and_columns_is_its_own_place(start, end):
    row, column = rows_and_columns(130, 130)
    across = np.arange(-4, 5) * 0.2
    down, _ = cut(row, [start, end], across)
    right, _ = cut(column, [start, end], across)
    np.testing.assert_allclose(down.values, down.y_px, atol=1e-4)
    np.testing.assert_allclose(right.values, right.x_px, atol=1e-4)
    tx, ty = (np.subtract(end, start) / np.hypot(*np.subtract(end, start))).tolist()
    np.testing.assert_allclose(down.values[:, 4], start[1] + ty * down.depth_mm / 0.1, atol=1e-3)
    np.testing.assert_allclose(right.values[0], start[0] - ty * across / 0.1, atol=1e-3)
    np.testing.assert_allclose(down.values[0], start[1] + tx * across / 0.1, atol=1e-3)


def test_curved_track_on_rings_is_level():
    # Value = distance from a centre; a track along one ring sees one value per column.
    row, column = rows_and_columns(320, 320)
    rings = np.hypot(row, column)
    angle = np.linspace(0.2, 1.3, 9)
    strip, _ = cut(rings, np.stack([250 * np.cos(angle), 250 * np.sin(angle)], axis=1), np.arange(-3, 4) * 1.0)
    inner = strip.values[30:-30]
    np.testing.assert_allclose(inner, 250 - strip.across_mm[None, :] / 0.1 + np.zeros_like(inner), atol=0.2)


def test_pixels_need_not_be_square():
    row, column = rows_and_columns(120, 60)
    across = np.arange(-2, 3) * 0.4
    down, _ = cut(row, [(30, 10), (30, 110)], across, mm_per_px=(0.2, 0.1), step_mm=0.2)
    right, _ = cut(column, [(30, 10), (30, 110)], across, mm_per_px=(0.2, 0.1), step_mm=0.2)
    np.testing.assert_allclose(down.values[:, 2], 10 + down.depth_mm / 0.1, atol=1e-4)
    np.testing.assert_allclose(right.values[0], 30 - across / 0.2, atol=1e-4)


@pytest.mark.parametrize("shrink", [2, 3, 5])
def test_coarse_sampling_of_a_ramp_keeps_places(shrink):
    row, column = rows_and_columns(203, 97)
    step = shrink * 0.1
    across = np.arange(-3, 4) * step
    down, _ = cut(row, [(48, 20), (48, 180)], across, step_mm=step)
    right, _ = cut(column, [(48, 20), (48, 180)], across, step_mm=step)
    np.testing.assert_allclose(down.values, down.y_px, atol=1e-3)
    np.testing.assert_allclose(right.values, right.x_px, atol=1e-3)


def test_coarse_sampling_averages_what_it_steps_over():
    # Single rows of 0 and 100: every other row sampled alone would show one of them, the average shows 50.
    stripes = np.zeros((200, 40))
    stripes[::2] = 100.0
    strip, _ = cut(stripes, [(20, 20), (20, 180)], np.arange(-2, 3) * 0.4, step_mm=0.4)
    np.testing.assert_allclose(strip.values, 50.0, atol=1e-6)


def test_step_finer_than_a_pixel_is_interpolated():
    row, _ = rows_and_columns(60, 20)
    strip, _ = cut(row, [(10, 10), (10, 50)], np.arange(-2, 3) * 0.02, step_mm=0.02)
    np.testing.assert_allclose(strip.values[:, 2], 10 + strip.depth_mm / 0.1, atol=1e-4)


def test_outside_the_image_nothing_is_known():
    row, _ = rows_and_columns(60, 40)
    strip, _ = cut(row, [(5, -20), (5, 90)], np.arange(-10, 11) * 0.1)
    outside = (strip.x_px < -0.5) | (strip.x_px > 39.5) | (strip.y_px < -0.5) | (strip.y_px > 59.5)
    assert outside.any()
    np.testing.assert_array_equal(np.isnan(strip.values), outside)


def test_track_wholly_outside_reads_nothing():
    row, _ = rows_and_columns(60, 40)
    strip, read = cut(row, [(200, 10), (200, 50)])
    assert np.isnan(strip.values).all()
    assert read.regions == []


def test_outer_half_of_an_edge_pixel_belongs_to_it():
    row, _ = rows_and_columns(60, 40)
    strip, _ = cut(row, [(10, 50), (10, 59.4)], step_mm=0.02)
    assert np.isfinite(strip.values).all()
    assert strip.values[-1, 0] == pytest.approx(59.0)


def test_colour_keeps_its_channels_apart():
    row, column = rows_and_columns(120, 60)
    strip, _ = cut(np.stack([row, column, np.full_like(row, 7.0)], axis=-1), [(30, 10), (35, 110)], [-0.5, 0.0, 0.5],
                   channels=3)
    assert strip.values.shape == (len(strip.depth_mm), 3, 3)
    np.testing.assert_allclose(strip.values[..., 0], strip.y_px, atol=1e-4)
    np.testing.assert_allclose(strip.values[..., 1], strip.x_px, atol=1e-4)
    np.testing.assert_allclose(strip.values[..., 2], 7.0)


def test_colour_outside_is_unknown_in_all_channels():
    strip, _ = cut(np.ones((30, 30, 3)), [(10, 10), (10, 60)], channels=3)
    outside = strip.y_px > 29.5
    np.testing.assert_array_equal(np.isnan(strip.values), np.repeat(outside[..., None], 3, axis=-1))


def test_missing_pixels_stay_missing_and_do_not_spread():
    image = np.ones((60, 40))
    image[30, 20] = np.nan
    strip, _ = cut(image, [(20, 10), (20, 50)], np.arange(-5, 6) * 0.1)
    missing = np.isnan(strip.values)
    assert missing[20, 5]
    rows, columns = np.nonzero(missing)
    assert np.abs(rows - 20).max() <= 1
    assert np.abs(columns - 5).max() <= 1


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_native_numbers_are_kept(dtype):
    image = np.full((60, 40), 200, dtype=dtype)
    strip, _ = cut(image, [(20, 10), (20, 50)])
    assert strip.values.dtype == np.float64
    np.testing.assert_array_equal(strip.values, 200.0)


def test_sixteen_bits_are_not_cut():
    image = np.full((60, 40), 65535, dtype=np.uint16)
    for step in (0.1, 0.4):
        strip, _ = cut(image, [(20, 10), (20, 50)], np.arange(-2, 3) * step, step_mm=step)
        np.testing.assert_array_equal(strip.values, 65535.0)


def test_only_the_ribbon_is_read():
    image = np.zeros((2000, 2000), dtype=np.uint8)
    _, read = cut(image, [(100, 100), (1900, 1900)], np.arange(-10, 11) * 0.1)
    assert len(read.regions) > 5
    area = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in read.regions)
    assert area < 0.15 * image.size


def test_blocks_meet_without_a_seam():
    row, _ = rows_and_columns(3 * BLOCK_ROWS + 50, 20)
    strip, read = cut(row, [(10, 5), (12, 3 * BLOCK_ROWS)])
    assert len(read.regions) == 3
    np.testing.assert_allclose(strip.values, strip.y_px, atol=1e-3)


def test_inside_a_square_and_its_ring():
    x, y = np.meshgrid(np.arange(10), np.arange(10))
    square = [(1.5, 2.5), (6.5, 2.5), (6.5, 7.5), (1.5, 7.5)]
    np.testing.assert_array_equal(inside_polygon(x, y, square), (x >= 2) & (x <= 6) & (y >= 3) & (y <= 7))
    np.testing.assert_array_equal(inside_polygon(x, y, square[::-1]), inside_polygon(x, y, square))


def test_inside_a_notched_polygon():
    # An arrow head: the notch from below is outside.
    arrow = [(0, 0), (10, 20), (0, 14), (-10, 20)]
    x, y = np.array([0.0, 0.0, 5.0, 0.0]), np.array([5.0, 18.0, 15.0, -1.0])
    np.testing.assert_array_equal(inside_polygon(x, y, arrow), [True, False, True, False])


@given(st.floats(0, 2 * np.pi), st.floats(0, 30), st.integers(3, 12))
def test_inside_a_regular_polygon_is_within_its_circles(angle, radius, n_corners):
    corners = [(10 * np.cos(a), 10 * np.sin(a)) for a in 2 * np.pi * np.arange(n_corners) / n_corners]
    inside = bool(inside_polygon(np.array([radius * np.cos(angle)]), np.array([radius * np.sin(angle)]), corners)[0])
    if radius > 10.001:
        assert not inside
    if radius < 9.999 * np.cos(np.pi / n_corners):
        assert inside
