"""Propose a cut through a scan: down the length of the largest thing in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.cut import VoxelGrid, frame_cut
from bandkit.images.blocks import block_means
from bandkit.images.volume import Volume
from bandkit.record.model_volume import Triple

FloatArray = NDArray[np.float64]
Point = tuple[float, float]

# The scan is looked at in cells: so many to a side of a slice, and so many slices.
_CELLS, _SLICES = 96, 64
# The track begins so far outside the surface, and ends so far inside the other end.
_OUTSIDE_MM, _INSIDE_MM = 4.0, 1.0
_LEAST_CELLS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedCut:
    """Where a slab could be cut, and a track on it.

    Parameters
    ----------
    points_px : tuple of triples
        Three places in the volume: above, below and to the right.
    track_px : tuple of points
        Track in pixels of the cut, from above to below.
    why : str
        A sentence for the person who checks it.
    """

    points_px: tuple[Triple, Triple, Triple]
    track_px: tuple[Point, ...]
    why: str


def propose_cut(volume: Volume) -> ProposedCut:
    """Look through a scan for the largest dense thing, and lay a plane along it.

    Parameters
    ----------
    volume : Volume
        The open scan.

    Returns
    -------
    ProposedCut
        Through the middle of the scan where nothing stands out.

    Notes
    -----
    The directions are the principal axes of the thing: its length is taken for the growth axis, and the plane holds
    the wider of the two others.
    """
    cells, places_mm = _cells(volume)
    thing = places_mm[_largest(cells)]
    if len(thing) < _LEAST_CELLS:
        return _middle(volume.grid)
    middle = thing.mean(axis=0)
    _, _, axes = np.linalg.svd(thing - middle, full_matrices=False)
    down, right = (_towards(axis) for axis in axes[:2])
    depth, aside = (thing - middle) @ down, (thing - middle) @ right
    top, bottom, width = np.quantile(depth, 0.002), np.quantile(depth, 0.998), np.quantile(np.abs(aside), 0.98)
    ends = np.array([middle + top * down, middle + bottom * down, middle + top * down + width * right])
    return _proposal(volume.grid, ends, "down the length of the largest thing; that its first end is the outer surface "
                                        "is a guess: exchange the first two points where it is the other")


def _cells(volume: Volume) -> tuple[NDArray[np.float32], FloatArray]:
    """Reduced volume (slices, rows, columns) and the place of each cell in mm."""
    width, height, count = volume.grid.size_px
    numbers = np.unique(np.linspace(0, count - 1, min(count, _SLICES)).round().astype(int))
    step = -(-max(width, height) // _CELLS)
    cells = np.stack([block_means(volume.read_slice(int(number)), step) for number in numbers])
    rows, columns = ((np.arange(n) + 0.5) * step - 0.5 for n in cells.shape[1:])
    number, row, column = np.meshgrid(numbers, rows, columns, indexing="ij")
    flat = np.column_stack([column.ravel(), row.ravel(), number.ravel()])
    return cells, volume.grid.at_mm(flat).reshape(*cells.shape, 3)


def _largest(cells: NDArray[np.float32]) -> NDArray[np.bool_]:
    """The largest connected thing that is nearer to the dense end of the values than to their light end."""
    from scipy import ndimage  # only where a scan is looked through

    known = cells[np.isfinite(cells)]
    if not known.size:
        return np.zeros(cells.shape, dtype=bool)
    light, dense = np.quantile(known, [0.02, 0.995])
    inside = np.nan_to_num(cells, nan=float(light)) > light + 0.4 * (dense - light)
    labels, count = ndimage.label(ndimage.binary_opening(inside, iterations=1))
    if not count:
        return np.zeros(cells.shape, dtype=bool)
    sizes: NDArray[Any] = np.bincount(labels.ravel())
    sizes[0] = 0
    return np.asarray(labels == int(sizes.argmax()))


def _towards(axis: FloatArray) -> FloatArray:
    """An axis in the direction in which its largest part rises."""
    return axis * float(np.sign(axis[int(np.argmax(np.abs(axis)))]))


def _middle(grid: VoxelGrid) -> ProposedCut:
    """Through the middle of the scan, along the slices."""
    x, y, number = ((n - 1.0) / 2 for n in grid.size_px)
    ends = grid.at_mm([[x, y, 0.0], [x, y, 2 * number], [2 * x, y, 0.0]])
    return _proposal(grid, ends, "through the middle of the scan, because no thing stands out in it")


def _proposal(grid: VoxelGrid, ends_mm: FloatArray, why: str) -> ProposedCut:
    """The cut through three places, and a track from the first to the second."""
    points = _voxels(grid, ends_mm)
    frame = frame_cut(grid, points)
    way = (ends_mm[1] - ends_mm[0]) / np.linalg.norm(ends_mm[1] - ends_mm[0])
    track = frame.to_px([ends_mm[0] - _OUTSIDE_MM * way, ends_mm[1] - _INSIDE_MM * way])
    track = np.clip(track, 0.0, [frame.width_px - 1.0, frame.height_px - 1.0]).round(1)
    above, below, right = ((float(x), float(y), float(number)) for x, y, number in points)
    return ProposedCut(points_px=(above, below, right), track_px=tuple((float(x), float(y)) for x, y in track), why=why)


def _voxels(grid: VoxelGrid, places_mm: FloatArray) -> FloatArray:
    """Voxel positions of places, to a tenth of a voxel."""
    known = np.arange(grid.size_px[2], dtype=np.float64)
    number = np.interp(places_mm[:, 2], grid.slice_mm, known)
    shift = np.column_stack([np.interp(number, known, grid.shift_mm[:, k]) for k in (0, 1)])
    return np.column_stack([(places_mm[:, :2] - shift) / [grid.x_mm_px, grid.y_mm_px], number]).round(1)
