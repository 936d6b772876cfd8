"""A virtual slab: what a saw would have cut out of a scanned volume.

The plane is given by three points: the first above the second in the picture, the third to their right, as a
slab lies before a person: growth surface up, growth axis down. The slab is the mean over its thickness, of
planes one voxel or less apart, each sampled linearly between the voxels. Slices are asked for one by one, in
order and each once, so that no more than one of them is in memory. Pure functions on arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import InputError

FloatArray = NDArray[np.float64]
Slice = NDArray[Any]

GAP_STEPS = 1.5
"""Slices further apart than this many usual steps have something missing between them."""
_MOST_PX = 40e6
# Samples worked on at once: some arrays of this length are in memory.
_CHUNK = 1_000_000
# Least share of a slab's thickness that must lie in the volume for its mean to count.
_LEAST_SHARE = 0.5
_EDGES = tuple((a, b) for a, b in product(range(8), range(8)) if a < b and (a ^ b) in (1, 2, 4))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VoxelGrid:
    """Where the voxels of a volume lie.

    Parameters
    ----------
    size_px : tuple of int
        Columns, rows and slices.
    x_mm_px, y_mm_px : float
        Millimetres per voxel along a row and down a column of a slice.
    slice_mm : ndarray, shape (n_slices,)
        Place of each slice square to the slices, rising.
    shift_mm : ndarray, shape (n_slices, 2)
        Where the first voxel of each slice lies against that of the first slice, along x and y: not zero
        where the scanner was tilted.
    """

    size_px: tuple[int, int, int]
    x_mm_px: float
    y_mm_px: float
    slice_mm: FloatArray
    shift_mm: FloatArray

    @property
    def step_mm(self) -> float:
        """Usual distance of neighbouring slices."""
        return float(np.median(np.diff(self.slice_mm)))

    @property
    def finest_mm(self) -> float:
        """Shortest side of a voxel."""
        return min(self.x_mm_px, self.y_mm_px, self.step_mm)

    @property
    def gaps(self) -> NDArray[np.intp]:
        """Slices after which something is missing."""
        return np.flatnonzero(np.diff(self.slice_mm) > GAP_STEPS * self.step_mm)

    def at_mm(self, points_px: ArrayLike) -> FloatArray:
        """Places of positions in the volume.

        Parameters
        ----------
        points_px : array_like, shape (n, 3)
            ``[x, y, slice]``, counted from the centre of the first voxel; fractions allowed.

        Returns
        -------
        ndarray, shape (n, 3)
            In mm along x, along y, and square to the slices.
        """
        x, y, number = np.asarray(points_px, np.float64).T
        known = np.arange(self.size_px[2], dtype=np.float64)
        shift_x, shift_y = (np.interp(number, known, self.shift_mm[:, k]) for k in (0, 1))
        z = np.interp(number, known, self.slice_mm)
        return np.column_stack([x * self.x_mm_px + shift_x, y * self.y_mm_px + shift_y, z])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutFrame:
    """The picture of a cut in the volume.

    Parameters
    ----------
    first_mm : ndarray, shape (3,)
        Place of the picture's first pixel.
    right, down, through : ndarray, shape (3,)
        Unit vectors along the picture's x and y, and square to it.
    px_mm : float
        Side of a pixel.
    width_px, height_px : int
        Size of the picture.
    """

    first_mm: FloatArray
    right: FloatArray
    down: FloatArray
    through: FloatArray
    px_mm: float
    width_px: int
    height_px: int

    def to_px(self, points_mm: ArrayLike) -> FloatArray:
        """Pixel positions of places, seen square to the cut.

        Parameters
        ----------
        points_mm : array_like, shape (n, 3)
            Places in the volume.

        Returns
        -------
        ndarray, shape (n, 2)
            ``[x, y]``.
        """
        offset = np.asarray(points_mm, np.float64) - self.first_mm
        return np.column_stack([offset @ self.right, offset @ self.down]) / self.px_mm


def frame_cut(grid: VoxelGrid, points_px: ArrayLike, px_mm: float | None = None) -> CutFrame:
    """Lay a picture on the plane through three points, as large as the plane's way through the volume.

    Parameters
    ----------
    grid : VoxelGrid
        The volume.
    points_px : array_like, shape (3, 3)
        ``[x, y, slice]`` each: above, below and to the right in the picture.
    px_mm : float, optional
        Side of the picture's pixels; the shortest side of a voxel where absent.

    Returns
    -------
    CutFrame
        The picture; `cut_slab` fills it.

    Raises
    ------
    InputError
        The points lie on one line, or the picture would be too large.
    """
    points_mm = grid.at_mm(points_px)
    down, aside = points_mm[1] - points_mm[0], points_mm[2] - points_mm[0]
    length = float(np.linalg.norm(down))
    down = down / max(length, 1e-12)
    right = aside - float(aside @ down) * down
    away = float(np.linalg.norm(right))
    if min(length, away) < grid.finest_mm:
        shown = "; ".join(f"[{x:g}, {y:g}, {number:g}]" for x, y, number in np.asarray(points_px, np.float64))
        msg = f"volume.points_px: {shown} lie on one line or on one place; give three that span a plane"
        raise InputError(msg)
    right = right / away
    side = px_mm or grid.finest_mm
    met = _outline_mm(grid, points_mm[0], np.cross(right, down)) - points_mm[0]
    # A hair's breadth is taken off, so that an edge that lies on the volume's own is not one pixel too far.
    u, v = (np.round(met @ way / side, 6) for way in (right, down))
    left, top = np.ceil(u.min()), np.ceil(v.min())
    width, height = int(np.floor(u.max()) - left) + 1, int(np.floor(v.max()) - top) + 1
    if width * height > _MOST_PX:
        msg = (f"volume.px_mm: pixels of {side:g} mm make a picture of {width} x {height}, more than "
               f"{_MOST_PX / 1e6:.0f} million; write a larger px_mm")
        raise InputError(msg)
    return CutFrame(first_mm=points_mm[0] + side * (left * right + top * down), right=right, down=down,
                    through=np.cross(right, down), px_mm=side, width_px=max(width, 1), height_px=max(height, 1))


def _outline_mm(grid: VoxelGrid, on_mm: FloatArray, square_to: FloatArray) -> FloatArray:
    """Where a plane meets the edges of the volume, in mm."""
    ends = [(0.0, n - 1.0) for n in grid.size_px]
    corners = grid.at_mm([[ends[axis][corner >> axis & 1] for axis in range(3)] for corner in range(8)])
    above = (corners - on_mm) @ square_to
    met = [corners[np.abs(above) < 1e-9]]
    for a, b in _EDGES:
        if above[a] * above[b] < 0:
            share = above[a] / (above[a] - above[b])
            met.append(corners[a:a + 1] + share * (corners[b] - corners[a]))
    return np.concatenate(met)


def cut_slab(grid: VoxelGrid, frame: CutFrame, thickness_mm: float,
             read_slice: Callable[[int], Slice]) -> NDArray[np.float32]:
    """Mean over the thickness of a slab at each pixel of its picture.

    Parameters
    ----------
    grid : VoxelGrid
        The volume.
    frame : CutFrame
        The picture.
    thickness_mm : float
        Thickness of the slab; 0 for the plane alone.
    read_slice : callable
        ``read_slice(k)`` gives slice ``k``, shape (rows, columns); called in order, once for each that is met.

    Returns
    -------
    float32 ndarray, shape (height, width)
        In the volume's own units; NaN outside it, and where slices are missing.

    Notes
    -----
    Each slice adds to the samples above and below it, up to the neighbouring slices, with a weight that falls
    linearly: together that is linear between all eight voxels round a sample. Voxels that are NaN do not count.
    """
    layers = max(int(np.ceil(thickness_mm / grid.finest_mm)), 1)
    depths_mm = ((np.arange(layers) + 0.5) / layers - 0.5) * thickness_mm
    pixels = frame.width_px * frame.height_px
    total, weight = np.zeros(pixels), np.zeros(pixels)
    for number in range(grid.size_px[2]):
        values: Slice | None = None
        for samples in _samples_at(grid, frame, depths_mm, number):
            values = read_slice(number) if values is None else values
            _add(total, weight, values, samples)
    known = weight >= _LEAST_SHARE * layers
    mean = np.divide(total, weight, out=np.full(pixels, np.nan), where=known)
    return np.asarray(mean.reshape(frame.height_px, frame.width_px), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Samples:
    """Samples of a slab that one slice adds to: pixel of the picture, place in the slice, weight of the slice."""

    pixel: NDArray[np.int64]
    x_px: FloatArray
    y_px: FloatArray
    share: FloatArray


def _samples_at(grid: VoxelGrid, frame: CutFrame, depths_mm: FloatArray, number: int) -> Iterator[_Samples]:
    """All samples between a slice's neighbours, in pieces of bounded size."""
    low, high = _reach_mm(grid, number)
    across, along = frame.right[2] * frame.px_mm, frame.down[2] * frame.px_mm
    # Runs of pixels lie along that side of the picture along which the slices change faster.
    by_rows = abs(across) >= abs(along)
    slope, n_run = (across, frame.width_px) if by_rows else (along, frame.height_px)
    other, n_other = (along, frame.height_px) if by_rows else (across, frame.width_px)
    lines = np.arange(n_other, dtype=np.float64)
    start_mm = (frame.first_mm[2] + depths_mm[:, None] * frame.through[2] + lines * other).ravel()
    first, last = _runs(start_mm, slope, n_run, low, high)
    counts = np.maximum(last - first + 1, 0)
    held = np.flatnonzero(counts)
    for part in _pieces(counts[held]):
        which = np.repeat(held[part], counts[held[part]])
        begin = np.cumsum(counts[held[part]]) - counts[held[part]]
        run = np.arange(len(which)) - np.repeat(begin, counts[held[part]]) + first[which]
        layer, line = np.divmod(which, n_other)
        column, row = (run, line) if by_rows else (line, run)
        place = [frame.first_mm[k] + depths_mm[layer] * frame.through[k]
                 + frame.px_mm * (column * frame.right[k] + row * frame.down[k]) for k in range(3)]
        yield _Samples(pixel=row * frame.width_px + column,
                       x_px=(place[0] - grid.shift_mm[number, 0]) / grid.x_mm_px,
                       y_px=(place[1] - grid.shift_mm[number, 1]) / grid.y_mm_px,
                       share=_hat(place[2], low, float(grid.slice_mm[number]), high))


def _reach_mm(grid: VoxelGrid, number: int) -> tuple[float, float]:
    """Where the slices below and above a slice lie; the slice's own place where there is none, or a gap."""
    places, most = grid.slice_mm, GAP_STEPS * grid.step_mm
    here = float(places[number])
    below = float(places[number - 1]) if number > 0 else here
    above = float(places[number + 1]) if number + 1 < len(places) else here
    return (below if here - below <= most else here), (above if above - here <= most else here)


def _runs(start_mm: FloatArray, slope: float, n_run: int, low: float,
          high: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last pixel of each line whose place lies between two slices; rounding must lose none."""
    slack = 1e-7
    if abs(slope) < 1e-12:
        inside = (start_mm >= low - slack) & (start_mm <= high + slack)
        return np.zeros(len(start_mm), np.int64), np.where(inside, n_run - 1, -1)
    ends = np.sort([(low - start_mm) / slope, (high - start_mm) / slope], axis=0)
    first = np.clip(np.ceil(ends[0] - slack), 0, n_run).astype(np.int64)
    last = np.clip(np.floor(ends[1] + slack), -1, n_run - 1).astype(np.int64)
    return first, last


def _pieces(counts: NDArray[np.int64]) -> Iterator[slice]:
    """Parts of a list of runs that hold a bounded number of samples together."""
    if not len(counts):
        return
    group = np.cumsum(counts) // _CHUNK
    bounds = [0, *(np.flatnonzero(np.diff(group)) + 1).tolist(), len(counts)]
    for begin, end in pairwise(bounds):
        yield slice(begin, end)


def _hat(place_mm: FloatArray, low: float, here: float, high: float) -> FloatArray:
    """Weight of a slice: 1 at its own place, falling to 0 at its neighbours'."""
    rising = (place_mm - low) / (here - low) if here > low else np.where(place_mm < here - 1e-6, 0.0, 1.0)
    falling = (high - place_mm) / (high - here) if high > here else np.where(place_mm > here + 1e-6, 0.0, 1.0)
    return np.clip(np.minimum(rising, falling), 0.0, 1.0)


def _add(total: FloatArray, weight: FloatArray, values: Slice, samples: _Samples) -> None:
    """Add what a slice says of some samples."""
    from scipy import ndimage  # only where a volume is cut

    # Rounding must not push a sample on the edge over it.
    x = np.where(np.abs(samples.x_px - np.rint(samples.x_px)) < 1e-6, np.rint(samples.x_px), samples.x_px)
    y = np.where(np.abs(samples.y_px - np.rint(samples.y_px)) < 1e-6, np.rint(samples.y_px), samples.y_px)
    found = ndimage.map_coordinates(values, [y, x], output=np.float64, order=1, mode="constant", cval=np.nan)
    share = np.where(np.isfinite(found), samples.share, 0.0)
    first = int(samples.pixel.min())
    for sums, part in ((total, share * np.nan_to_num(found)), (weight, share)):
        added = np.bincount(samples.pixel - first, weights=part)
        sums[first:first + len(added)] += added


def sections(grid: VoxelGrid, at_px: ArrayLike, read_slice: Callable[[int], Slice]) -> tuple[Slice, Slice, Slice]:
    """The volume seen from three sides through one place.

    Parameters
    ----------
    grid : VoxelGrid
        The volume.
    at_px : array_like, shape (3,)
        ``[x, y, slice]``; the nearest voxel is taken.
    read_slice : callable
        ``read_slice(k)`` gives slice ``k``.

    Returns
    -------
    tuple of ndarray
        The slice (rows, columns), then along x and along y (slices, columns) and (slices, rows).
    """
    nearest = np.clip(np.rint(np.asarray(at_px, np.float64)), 0, np.array(grid.size_px) - 1)
    x, y, number = (int(at) for at in nearest)
    lines = []
    across = read_slice(number)
    for k in range(grid.size_px[2]):
        values = read_slice(k)
        lines.append((values[y].copy(), values[:, x].copy()))
    return across, *(np.array(side) for side in zip(*lines, strict=True))  # type: ignore[return-value]  # two of them
