"""How a slab lies in its image: frame, outline, scale bar, drawn tracks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.simulate.colony import Colony, SlabDesign
from bandkit.simulate.texture import smooth_noise

FloatArray = NDArray[np.floating]
Float32Array = NDArray[np.float32]
Box = tuple[float, float, float, float]
Points = tuple[tuple[float, float], ...]

# Where the drawn track begins outside the surface and stops before the core's broken end.
TRACK_OUTSIDE_MM, TRACK_END_MM = 7.0, 4.0
# The surface is rounded through the slab's thickness: its edge is not a step.
EDGE_MM = 0.3
# Computed around the core: above its top (a dome may rise over it) and below its broken end.
ABOVE_MM, BELOW_MM, BESIDE_MM = 12.0, 8.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where things lie in the image.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    core_mm : tuple of float
        x0, y0, x1, y1 of the core; y0 is where its middle meets the surface.
    bar_px : tuple of float
        x0, y0, x1, y1 of the scale bar's ends.
    bar_width_mm : float
        Width of the bar.
    tracks_px : tuple
        Points of each drawn track.
    """

    shape: tuple[int, int]
    core_mm: Box
    bar_px: Box
    bar_width_mm: float
    tracks_px: tuple[Points, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlabField:
    """The part of the image that holds the slab, pixel by pixel.

    Parameters
    ----------
    rows, cols : slice
        Where it lies in the image.
    x_mm, y_mm : ndarray, shape (1, w) and (h, 1)
        Positions.
    radial_mm, across_mm, depth_mm : ndarray, shape (h, w)
        Coordinates along and across growth; depth below the surface along the growth axis.
    cover : ndarray, shape (h, w)
        Share of each pixel that is skeleton.
    """

    rows: slice
    cols: slice
    x_mm: Float32Array
    y_mm: Float32Array
    radial_mm: FloatArray
    across_mm: FloatArray
    depth_mm: FloatArray
    cover: Float32Array


def slab_field(slab: SlabDesign, layout: Layout, colony: Colony, rng: np.random.Generator, *,
               relief_mm: float = 0.0) -> SlabField:
    """Work out coordinates and outline of the slab.

    Parameters
    ----------
    slab : SlabDesign
        Pixel size.
    layout : Layout
        Where the core lies.
    colony : Colony
        Geometry of growth.
    rng : numpy.random.Generator
        Source of the rough edges.
    relief_mm : float, optional
        Standard deviation of the relief of the calices at the surface.

    Returns
    -------
    SlabField
        Only as large as the slab.
    """
    p = slab.mm_per_px
    x0, y0, x1, y1 = layout.core_mm
    rows = slice(max(0, int((y0 - ABOVE_MM) / p)), min(layout.shape[0], int((y1 + BELOW_MM) / p)))
    cols = slice(max(0, int((x0 - BESIDE_MM) / p)), min(layout.shape[1], int((x1 + BESIDE_MM) / p) + 1))
    x = (np.arange(cols.start, cols.stop, dtype=np.float32) * np.float32(p))[None, :]
    y = (np.arange(rows.start, rows.stop, dtype=np.float32) * np.float32(p))[:, None]
    radial, across = colony.polar(x, y)
    depth = colony.depth_at(radial, across)
    edge_mm = depth
    if relief_mm > 0:
        edge_mm = depth - relief_mm * smooth_noise((1, x.size), 0, 0.2 * slab.corallite_mm / p, rng)
    return SlabField(rows=rows, cols=cols, x_mm=x, y_mm=y, radial_mm=radial, across_mm=across, depth_mm=depth,
                     cover=_cover(edge_mm, x, y, layout.core_mm, rng))


def place_bar(middle_mm: tuple[float, float], length_mm: float, mm_per_px: float, rng: np.random.Generator) -> Box:
    """Lay down a nearly upright scale bar by hand.

    Parameters
    ----------
    middle_mm : tuple of float
        Where its middle should be.
    length_mm, mm_per_px : float
        Its length; pixel size.
    rng : numpy.random.Generator
        Source of its lean (up to two degrees) and place.

    Returns
    -------
    tuple of float
        x0, y0, x1, y1 in pixels.
    """
    lean = rng.uniform(-0.04, 0.04)
    half = 0.5 * length_mm * np.array([np.sin(lean), np.cos(lean)])
    middle = np.array(middle_mm) + rng.uniform(-1.5, 1.5, 2)
    x0, y0, x1, y1 = (np.concatenate([middle - half, middle + half]) / mm_per_px).tolist()
    return x0, y0, x1, y1


def bar_cover(layout: Layout, mm_per_px: float, *, border_mm: float = 0.0) -> Float32Array:
    """Tell the share of each pixel that the scale bar covers.

    Parameters
    ----------
    layout : Layout
        Ends and width of the bar.
    mm_per_px : float
        Pixel size.
    border_mm : float, optional
        How far a card reaches beyond the bar on every side.

    Returns
    -------
    ndarray, shape (h, w)
        0 to 1.
    """
    x0, y0, x1, y1 = layout.bar_px
    length = float(np.hypot(x1 - x0, y1 - y0))
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    y, x = np.ogrid[: layout.shape[0], : layout.shape[1]]
    dx, dy = (x - 0.5 * (x0 + x1)).astype(np.float32), (y - 0.5 * (y0 + y1)).astype(np.float32)
    border = 0.5 + border_mm / mm_per_px
    along = border + 0.5 * length - np.abs(dx * ux + dy * uy)
    across = border + 0.5 * layout.bar_width_mm / mm_per_px - np.abs(dy * ux - dx * uy)
    return np.asarray(np.clip(along, 0, 1) * np.clip(across, 0, 1), dtype=np.float32)


def track_points(slab: SlabDesign, core_mm: Box, offset_mm: float) -> Points:
    """Draw a straight track that stays inside the core.

    Parameters
    ----------
    slab : SlabDesign
        Width, lean of the track, pixel size.
    core_mm : tuple of float
        The core.
    offset_mm : float
        Where the track's middle lies across the core.

    Returns
    -------
    tuple of points
        Three points in pixels, from outside the surface inwards.
    """
    x_middle, y_top, y_end = 0.5 * (core_mm[0] + core_mm[2]) + offset_mm, core_mm[1], core_mm[3]
    y0, y1 = y_top - TRACK_OUTSIDE_MM, y_end - TRACK_END_MM
    room = 0.5 * slab.width_mm - abs(offset_mm) - 8.0
    steepest = 2 * room / (y1 - y0)
    lean = float(np.clip(np.tan(np.deg2rad(slab.track_tilt_deg)), -steepest, steepest))
    y = np.array([y0, 0.5 * (y0 + y1), y1])
    px = np.round(np.stack([x_middle + lean * (y - y[1]), y], axis=1) / slab.mm_per_px)
    # The ends are whole pixels as a person clicks them; the middle stays on the line between them.
    px[1] = 0.5 * (px[0] + px[2])
    return tuple((float(a), float(b)) for a, b in px)


def look_up(depth_mm: FloatArray, profile_depth_mm: FloatArray, profile: FloatArray) -> Float32Array:
    """Look up a fine profile at every pixel, by its nearest sample.

    Parameters
    ----------
    depth_mm : ndarray, shape (h, w)
        Depth along the growth axis.
    profile_depth_mm, profile : ndarray, shape (n,)
        Equally spaced profile from depth 0; much finer than a pixel.

    Returns
    -------
    ndarray, shape (h, w)
        Values; the ends are continued.
    """
    step = float(profile_depth_mm[1] - profile_depth_mm[0])
    index = np.clip(depth_mm / step + 0.5, 0, profile.size - 1).astype(np.int32)
    return np.asarray(profile.astype(np.float32)[index])


def _cover(depth_mm: FloatArray, x_mm: Float32Array, y_mm: Float32Array, core_mm: Box,
           rng: np.random.Generator) -> Float32Array:
    """Share of each pixel that is skeleton: rounded surface, drilled sides, broken end."""

    def rough(count: int, sigma: float, height_mm: float) -> Float32Array:
        return smooth_noise((count, 1), sigma, 0, rng)[:, 0] * np.float32(height_mm)

    left = x_mm - (core_mm[0] + rough(y_mm.size, 15, 0.08)[:, None])
    right = core_mm[2] + rough(y_mm.size, 15, 0.08)[:, None] - x_mm
    end = core_mm[3] + (rough(x_mm.size, 60, 0.8) + rough(x_mm.size, 6, 0.2))[None, :] - y_mm
    inside = np.minimum(np.minimum(left, right), end)
    cover = np.clip(depth_mm / EDGE_MM + 0.5, 0, 1) * np.clip(inside / EDGE_MM + 0.5, 0, 1)
    return np.asarray(cover, dtype=np.float32)
