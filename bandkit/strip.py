"""The slab straightened along a growth axis.

A strip is what the slab would look like if the axis were a straight vertical line:
one row per depth, one column per distance to the side. Only the pixels that the
strip touches are read, block by block along the axis.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.axis import Axis
from bandkit.images.blocks import block_means

FloatArray = NDArray[np.float64]
ReadRegion = Callable[[int, int, int, int], NDArray[np.generic]]

# Rows of the strip sampled from one region read: long enough to decode each tile
# about once, short enough that an oblique track does not read its whole bounding box.
BLOCK_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """A straightened part of an image.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across) or (n_depth, n_across, 3)
        Grey or colour in the image's own units; NaN outside the image.
    depth_mm : ndarray, shape (n_depth,)
        Depth along the axis from its first point, in mm.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm; 0 on the axis.
    x_px, y_px : ndarray, shape (n_depth, n_across)
        Where each sample lies on the image.
    """

    values: FloatArray
    depth_mm: FloatArray
    across_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray

    @property
    def step_mm(self) -> float:
        """Distance between rows, in mm."""
        return float(self.depth_mm[1] - self.depth_mm[0])

    @property
    def centre(self) -> int:
        """Column that lies on the axis."""
        return int(np.argmin(np.abs(self.across_mm)))


def straighten(
    read: ReadRegion, size_px: tuple[int, int], axis: Axis, across_mm: FloatArray, *, channels: int = 1
) -> Strip:
    """Sample an image along an axis and to both sides of it.

    Parameters
    ----------
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends exclusive.
    size_px : tuple of int
        Width and height of the image.
    axis : Axis
        The growth axis.
    across_mm : ndarray, shape (n_across,)
        Distances to the side, in mm, equally spaced.
    channels : int
        1 for grey, 3 for colour.

    Returns
    -------
    Strip
        The straightened strip; NaN outside the image.

    Notes
    -----
    Linear interpolation. Where several pixels fall on one sample they are averaged
    first, so that no light is thrown away and fine noise is not aliased into bands.
    """
    x_px, y_px = axis.at(axis.depth_mm[:, None], across_mm[None, :])
    shape = x_px.shape if channels == 1 else (*x_px.shape, channels)
    values = np.full(shape, np.nan)
    shrink = _shrink_factor(axis, across_mm)
    for first in range(0, len(axis.depth_mm), BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        values[rows] = _sample_block(read, size_px, x_px[rows], y_px[rows], shrink=shrink, channels=channels)
    return Strip(values=values, depth_mm=axis.depth_mm, across_mm=across_mm, x_px=x_px, y_px=y_px)


def _shrink_factor(axis: Axis, across_mm: FloatArray) -> int:
    """How many pixels per side may be averaged before sampling."""
    step = axis.step_mm if len(across_mm) < 2 else min(axis.step_mm, float(across_mm[1] - across_mm[0]))
    return max(int(step / max(axis.mm_per_px) + 1e-6), 1)


def _sample_block(
    read: ReadRegion, size_px: tuple[int, int], x_px: FloatArray, y_px: FloatArray, *, shrink: int, channels: int
) -> FloatArray:
    """Read the bounding box of some samples and interpolate in it."""
    # Imported here: measuring needs it, asking for help does not.
    from scipy.ndimage import map_coordinates

    width, height = size_px
    shape = x_px.shape if channels == 1 else (*x_px.shape, channels)
    x0, x1 = _bounds(x_px, shrink, width)
    y0, y1 = _bounds(y_px, shrink, height)
    if x1 <= x0 or y1 <= y0:
        return np.full(shape, np.nan)
    region = block_means(read(x0, y0, x1, y1), shrink)
    rows = (y_px - y0 + 0.5) / shrink - 0.5
    cols = (x_px - x0 + 0.5) / shrink - 0.5
    planes = region[..., None] if channels == 1 else region
    sampled = [
        map_coordinates(planes[..., c], [rows, cols], order=1, mode="nearest", output=np.float64)
        for c in range(channels)
    ]
    out = np.stack(sampled, axis=-1)
    outside = (x_px < -0.5) | (x_px > width - 0.5) | (y_px < -0.5) | (y_px > height - 0.5)
    out[outside] = np.nan
    return out[..., 0] if channels == 1 else out


def _bounds(positions_px: FloatArray, shrink: int, size: int) -> tuple[int, int]:
    """First and last pixel (exclusive) needed along one direction, a whole number of blocks apart where it fits."""
    first = max(int(np.floor(positions_px.min())) - shrink, 0)
    last = min(int(np.ceil(positions_px.max())) + shrink + 1, size)
    first -= first % shrink
    return first, last


def inside_polygon(x_px: FloatArray, y_px: FloatArray, polygon_px: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    """Tell which positions lie inside a polygon or on its edge (even-odd rule).

    Parameters
    ----------
    x_px, y_px : ndarray
        Positions, any one shape.
    polygon_px : sequence of (x, y)
        Corners in order; closed by itself.

    Returns
    -------
    ndarray of bool
        Same shape as ``x_px``.
    """
    # Imported here: only slabs with masks need it.
    from skimage.measure import points_in_poly

    points = np.stack([x_px, y_px], axis=-1).reshape(-1, 2)
    return np.asarray(points_in_poly(points, polygon_px), dtype=np.bool_).reshape(np.shape(x_px))
