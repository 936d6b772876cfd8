"""The virtual slab: planes through a field that is known at every place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.cut import VoxelGrid, cut_slab, frame_cut, sections
from bandkit.errors import InputError

SIZE = (24, 20, 16)
SIDES = (0.4, 0.5, 0.9)


def grid_of(size=SIZE, sides=SIDES, *, slice_mm=None, shift_mm=None) -> VoxelGrid:
    places = np.arange(size[2]) * sides[2] if slice_mm is None else np.asarray(slice_mm, float)
    shift = np.zeros((size[2], 2)) if shift_mm is None else np.asarray(shift_mm, float)
    return VoxelGrid(size_px=size, x_mm_px=sides[0], y_mm_px=sides[1], slice_mm=places, shift_mm=shift)


def sloping(x, y, z):
    """A field that linear interpolation gives exactly, between voxels and in a mean over a thickness."""
    return 3 * x - 2 * y + 5 * z + 1


def reader(grid, field=sloping):
    """Slices of a field, and the numbers of those that were read."""
    read = []

    def read_slice(number):
        read.append(number)
        y, x = np.mgrid[: grid.size_px[1], : grid.size_px[0]].astype(float)
        return field(x * grid.x_mm_px + grid.shift_mm[number, 0], y * grid.y_mm_px + grid.shift_mm[number, 1],
                     np.full(x.shape, grid.slice_mm[number]))

    return read_slice, read


def places_of(frame):
    y, x = np.mgrid[: frame.height_px, : frame.width_px] * frame.px_mm
    return [frame.first_mm[k] + x * frame.right[k] + y * frame.down[k] for k in range(3)]


def test_slice_itself_is_given_back():
    grid = grid_of(sides=(0.5, 0.5, 0.9))
    frame = frame_cut(grid, [[3, 2, 7], [3, 15, 7], [20, 2, 7]])
    assert (frame.width_px, frame.height_px, frame.px_mm) == (24, 20, 0.5)
    read_slice, read = reader(grid)
    np.testing.assert_allclose(cut_slab(grid, frame, 0.0, read_slice), read_slice(7), rtol=1e-6)
    assert set(read) <= {6, 7, 8}


def test_first_point_is_above_the_second_and_the_third_to_the_right():
    grid = grid_of()
    points = [[4, 3, 1], [5, 4, 14], [20, 3, 1]]
    above, below, right = frame_cut(grid, points).to_px(grid.at_mm(points))
    assert above[0] == pytest.approx(below[0])
    assert above[1] < below[1]
    assert right[0] > above[0]


def test_picture_covers_the_plane_and_no_more():
    grid = grid_of()
    frame = frame_cut(grid, [[0, 10, 0], [0, 10, 15], [23, 10, 0]])
    # 23 steps of 0.4 mm across, 15 of 0.9 mm down, in pixels of 0.4 mm.
    assert (frame.width_px, frame.height_px) == (24, 34)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*(st.floats(0, n - 1) for n in SIZE)), min_size=3, max_size=3), st.floats(0, 4))
def test_sloping_field_is_exact_in_any_slab(points, thickness_mm):
    grid = grid_of()
    try:
        frame = frame_cut(grid, points)
    except InputError:
        return
    read_slice, read = reader(grid)
    cut = cut_slab(grid, frame, thickness_mm, read_slice)
    assert cut.shape == (frame.height_px, frame.width_px)
    assert read == sorted(set(read)), "each slice once, in order"
    plane = cut_slab(grid, frame, 0.0, read_slice)
    np.testing.assert_allclose(plane[np.isfinite(plane)], sloping(*places_of(frame))[np.isfinite(plane)], atol=1e-4)
    # Where the whole thickness lies in the volume the mean over it is the value in its middle.
    ends = [[p + side * thickness_mm / 2 * t for p, t in zip(places_of(frame), frame.through, strict=True)] for side in (-1, 1)]
    limits = [(n - 1) * s for n, s in zip(SIZE, SIDES, strict=True)]
    whole = np.logical_and.reduce([(p >= 1e-6) & (p <= most - 1e-6) for end in ends for p, most in zip(end, limits, strict=True)])
    np.testing.assert_allclose(cut[whole], sloping(*places_of(frame))[whole], atol=1e-4)


def test_mean_over_thickness_takes_what_lies_across():
    grid = grid_of(sides=(0.5, 0.5, 0.5))
    frame = frame_cut(grid, [[12, 10, 0], [12, 10, 15], [23, 10, 0]])
    read_slice, _ = reader(grid, lambda _x, y, _z: y**2)
    # The plane lies at y = 5 mm; over y = 4 to 6 mm the mean of y2 is 25 + 1/3, and pieces of 0.5 mm give it but for 1/24 + ...
    cut = cut_slab(grid, frame, 2.0, read_slice)
    assert np.ptp(cut) < 1e-4
    assert cut[0, 0] == pytest.approx(25 + 1 / 3, abs=0.1)
    assert cut_slab(grid, frame, 0.0, read_slice)[0, 0] == pytest.approx(25.0)


def test_slices_unevenly_apart_lie_where_they_lie():
    slice_mm = np.cumsum([0.0, *([0.9, 1.0] * 8)])[: SIZE[2]]
    grid = grid_of(slice_mm=slice_mm)
    frame = frame_cut(grid, [[2, 10, 0], [2, 10, 15], [20, 10, 0]])
    np.testing.assert_allclose(cut_slab(grid, frame, 0.0, reader(grid)[0]), sloping(*places_of(frame)), atol=1e-4)


def test_tilted_scanner_shifts_each_slice():
    shift = np.column_stack([np.zeros(SIZE[2]), 0.25 * np.arange(SIZE[2])])
    grid = grid_of(shift_mm=shift)
    frame = frame_cut(grid, [[5, 8, 2], [6, 8, 13], [18, 9, 2]])
    cut = cut_slab(grid, frame, 0.0, reader(grid)[0])
    inside = np.isfinite(cut)
    assert inside.mean() > 0.5
    np.testing.assert_allclose(cut[inside], sloping(*places_of(frame))[inside], atol=1e-4)
    assert grid.at_mm([[0, 0, 4]])[0].tolist() == pytest.approx([0.0, 1.0, 3.6])


def test_missing_slices_are_unknown_not_bridged():
    slice_mm = np.delete(np.arange(20) * 0.9, [8, 9, 10, 11])
    grid = grid_of(slice_mm=slice_mm)
    assert grid.gaps.tolist() == [7]
    frame = frame_cut(grid, [[2, 10, 0], [2, 10, 15], [20, 10, 0]], 0.9)
    cut = cut_slab(grid, frame, 0.0, reader(grid)[0])
    assert np.flatnonzero(np.isnan(cut[:, 3])).tolist() == [8, 9, 10, 11]


def test_voxels_that_are_no_number_do_not_count():
    grid = grid_of(sides=(0.5, 0.5, 0.5))
    frame = frame_cut(grid, [[12, 10, 0], [12, 10, 15], [23, 10, 0]])

    def holey(x, y, _z):
        return np.where((x > 5) & (y < 5), np.nan, y)

    cut = cut_slab(grid, frame, 2.0, reader(grid, holey)[0])
    assert np.isfinite(cut).all()
    assert cut[3, 2] == pytest.approx(5.0, abs=1e-5)
    assert cut[3, 20] > 5.2  # only the farther half counts
    mostly = cut_slab(grid, frame, 4.0, reader(grid, lambda x, y, _z: np.where((x > 5) & (y < 5.6), np.nan, y))[0])
    assert np.isfinite(mostly[3, 2])
    assert np.isnan(mostly[3, 20]), "less than half of the thickness is known"


def test_memory_holds_one_slice_at_a_time():
    grid = grid_of()
    alive = []

    class Watched(np.ndarray):
        pass

    import weakref

    def read_slice(number):
        assert sum(ref() is not None for ref in alive) <= 1, "an earlier slice is still held"
        values = np.full(SIZE[1::-1], float(number)).view(Watched)
        alive.append(weakref.ref(values))
        return values

    cut_slab(grid, frame_cut(grid, [[2, 10, 0], [2, 10, 15], [20, 10, 0]]), 3.0, read_slice)
    assert len(alive) == SIZE[2]


@pytest.mark.parametrize(("points", "message"), [
    ([[1, 1, 1], [2, 2, 2], [3, 3, 3]], r"volume\.points_px: \[1, 1, 1\]; \[2, 2, 2\]; \[3, 3, 3\] lie on one line"),
    ([[1, 1, 1], [1, 1, 1], [3, 3, 5]], r"lie on one line or on one place; give three that span a plane"),
])
def test_points_that_span_no_plane(points, message):
    with pytest.raises(InputError, match=message):
        frame_cut(grid_of(), points)


def test_pixels_too_fine_for_the_volume():
    with pytest.raises(InputError, match=r"volume\.px_mm: pixels of 0\.001 mm make a picture of 9201 x 13501, more than 40 million; write a larger"):
        frame_cut(grid_of(), [[0, 10, 0], [0, 10, 15], [23, 10, 0]], 0.001)


def test_three_sides_through_a_place():
    grid = grid_of()
    read_slice, _ = reader(grid)
    across, down, aside = sections(grid, [5, 7, 3], read_slice)
    assert (across.shape, down.shape, aside.shape) == ((20, 24), (16, 24), (16, 20))
    assert across[7, 5] == down[3, 5] == aside[3, 7] == pytest.approx(sloping(5 * 0.4, 7 * 0.5, 3 * 0.9))
