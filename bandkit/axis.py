"""A growth axis: the smooth curve through the points that a person drew.

Depth runs along the axis in millimetres from its first point inwards. Pixels need
not be square: all geometry is done in millimetres, with one scale for x and one
for y, and turned back into pixels only to look values up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import InputError
from bandkit.scale import Plane

FloatArray = NDArray[np.float64]

# Points closer than this are one point: a double click, not a curve.
MIN_POINT_DISTANCE_MM = 1e-6
# Cosine of the sharpest turn from one step to the next: 154 degrees, which is no growth but a way back.
SHARPEST_TURN_COS = -0.9
_NOWHERE_PX = -1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Axis:
    """A curve sampled at equal steps of arc length.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_depth,)
        Arc length from the first drawn point, in mm, equally spaced.
    x_px, y_px : ndarray, shape (n_depth,)
        Pixel positions of the samples.
    tangent_x, tangent_y : ndarray, shape (n_depth,)
        Unit tangent in millimetre space, pointing inwards.
    mm_per_px : tuple of float
        Millimetres per pixel along x and y.
    plane : Plane or None
        The plane in which lengths are measured where the picture is oblique; None where millimetres per pixel are the
        same everywhere.
    """

    depth_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    tangent_x: FloatArray
    tangent_y: FloatArray
    mm_per_px: tuple[float, float]
    plane: Plane | None = None

    @property
    def step_mm(self) -> float:
        """Distance between samples, in mm."""
        return float(self.depth_mm[1] - self.depth_mm[0])

    @property
    def length_mm(self) -> float:
        """Length of the curve, in mm."""
        return float(self.depth_mm[-1])

    def at(self, depth_mm: FloatArray | float, across_mm: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Pixel positions at a depth along the axis and a distance across it.

        Parameters
        ----------
        depth_mm : ndarray or float
            Depth from the first drawn point, in mm; beyond the ends the axis goes on straight.
        across_mm : ndarray or float, broadcastable with ``depth_mm``
            Distance to the side, in mm; positive to the right of the direction
            of increasing depth as seen on the image (y down).

        Returns
        -------
        x_px, y_px : ndarray
            Pixel positions, broadcast shape of the inputs.
        """
        depth, across = np.broadcast_arrays(np.asarray(depth_mm, float), np.asarray(across_mm, float))
        inside = np.clip(depth, 0.0, self.length_mm)
        beyond = depth - inside
        tx = np.interp(inside, self.depth_mm, self.tangent_x)
        ty = np.interp(inside, self.depth_mm, self.tangent_y)
        norm = np.hypot(tx, ty)
        tx, ty = tx / norm, ty / norm
        x, y = np.interp(inside, self.depth_mm, self.x_px), np.interp(inside, self.depth_mm, self.y_px)
        x_mm, y_mm = _to_mm(x, y, self.mm_per_px, self.plane)
        x_mm, y_mm = x_mm + tx * beyond - ty * across, y_mm + ty * beyond + tx * across
        return _to_px(x_mm, y_mm, self.mm_per_px, self.plane)

    def to_mm(self, x_px: FloatArray, y_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places on the picture as places in the plane of the slab, in mm."""
        return _to_mm(x_px, y_px, self.mm_per_px, self.plane)

    def to_px(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places in the plane of the slab as places on the picture."""
        return _to_px(x_mm, y_mm, self.mm_per_px, self.plane)

    def project(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Depth and distance across of the place on the axis nearest to a pixel position.

        Parameters
        ----------
        x_px, y_px : float
            Pixel position.

        Returns
        -------
        depth_mm, across_mm : float
            Depth from the first drawn point and distance to the side, in mm.
        """
        x_mm, y_mm = _to_mm(np.append(self.x_px, x_px), np.append(self.y_px, y_px), self.mm_per_px, self.plane)
        dx, dy = x_mm[-1] - x_mm[:-1], y_mm[-1] - y_mm[:-1]
        i = int(np.argmin(dx * dx + dy * dy))
        along = dx[i] * self.tangent_x[i] + dy[i] * self.tangent_y[i]
        across = dy[i] * self.tangent_x[i] - dx[i] * self.tangent_y[i]
        return float(np.clip(self.depth_mm[i] + along, 0.0, self.length_mm)), float(across)


def make_axis(points_px: Sequence[tuple[float, float]], mm_per_px: tuple[float, float], *, step_mm: float,
              plane: Plane | None = None) -> Axis:
    """Lay a smooth curve through drawn points and sample it at equal steps.

    Parameters
    ----------
    points_px : sequence of (x, y)
        At least two different points, from outside the surface inwards.
    mm_per_px : tuple of float
        Millimetres per pixel along x and y.
    step_mm : float
        Wanted distance between samples, in mm; made a little smaller so that a
        whole number of steps fits.
    plane : Plane, optional
        The plane in which lengths are measured where the picture is oblique; ``mm_per_px`` then holds only roughly.

    Returns
    -------
    Axis
        The sampled curve.

    Raises
    ------
    InputError
        Fewer than two different points, a track that turns back on itself, or a step or scale that is not positive.

    Notes
    -----
    A cubic spline over the chord length, natural at its ends, in millimetre space:
    two points give the straight line between them, and equal points drawn twice
    count once. Arc length is summed over a fine polyline.
    """
    sx, sy = mm_per_px
    if not (sx > 0 and sy > 0 and step_mm > 0):
        msg = f"mm_per_px and step_mm: must be positive, got {mm_per_px} and {step_mm}"
        raise InputError(msg)
    points = np.asarray(points_px, float).reshape(-1, 2)
    points_mm = np.stack(_to_mm(points[:, 0], points[:, 1], mm_per_px, plane), axis=1)
    if not np.isfinite(points_mm).all():
        msg = "points_px: the track runs beyond the horizon of the plane of scale.rectify; check the four corners"
        raise InputError(msg)
    points_mm = _distinct(points_mm)
    if len(points_mm) < 2:
        msg = (
            f"points_px: a track needs two different points, got {len(points_mm)}; draw it from outside the surface "
            "inwards"
        )
        raise InputError(msg)
    fine = _fine_curve(points_mm, step_mm)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    n_steps = max(int(np.ceil(length[-1] / step_mm - 1e-9)), 1)
    depth = np.linspace(0.0, length[-1], n_steps + 1)
    x_mm, y_mm = np.interp(depth, length, fine[:, 0]), np.interp(depth, length, fine[:, 1])
    x_px, y_px = _to_px(x_mm, y_mm, mm_per_px, plane)
    _raise_for_way_back(x_mm, y_mm, x_px, y_px)
    tx, ty = np.gradient(x_mm, depth), np.gradient(y_mm, depth)
    norm = np.hypot(tx, ty)
    return Axis(
        depth_mm=depth, x_px=x_px, y_px=y_px, tangent_x=tx / norm, tangent_y=ty / norm, mm_per_px=(sx, sy), plane=plane
    )


def _to_mm(x_px: FloatArray, y_px: FloatArray, mm_per_px: tuple[float, float],
           plane: Plane | None) -> tuple[FloatArray, FloatArray]:
    """Places of the picture in the plane in which lengths are measured."""
    return plane.to_mm(x_px, y_px) if plane is not None else (x_px * mm_per_px[0], y_px * mm_per_px[1])


def _to_px(x_mm: FloatArray, y_mm: FloatArray, mm_per_px: tuple[float, float],
           plane: Plane | None) -> tuple[FloatArray, FloatArray]:
    """Places in that plane on the picture."""
    if plane is None:
        return x_mm / mm_per_px[0], y_mm / mm_per_px[1]
    x_px, y_px = plane.to_px(x_mm, y_mm)
    # what the camera has behind it is in no picture
    return np.nan_to_num(x_px, nan=_NOWHERE_PX), np.nan_to_num(y_px, nan=_NOWHERE_PX)


def _distinct(points_mm: FloatArray) -> FloatArray:
    """Drop points that repeat the one before."""
    steps = np.hypot(*np.diff(points_mm, axis=0).T)
    return np.concatenate([points_mm[:1], points_mm[1:][steps > MIN_POINT_DISTANCE_MM]])


def _raise_for_way_back(x_mm: FloatArray, y_mm: FloatArray, x_px: FloatArray, y_px: FloatArray) -> None:
    """Refuse a track that turns back on itself: depth would grow outwards there."""
    dx, dy = np.diff(x_mm), np.diff(y_mm)
    length = np.hypot(dx, dy)
    turned = dx[1:] * dx[:-1] + dy[1:] * dy[:-1] <= SHARPEST_TURN_COS * length[1:] * length[:-1]
    if turned.any():
        i = int(np.flatnonzero(turned)[0]) + 1
        msg = (
            f"points_px: the track turns back on itself near [{x_px[i]:.0f}, {y_px[i]:.0f}]; draw it in one "
            "direction, from outside the surface inwards"
        )
        raise InputError(msg)


def _fine_curve(points_mm: FloatArray, step_mm: float) -> FloatArray:
    """The spline through the points, sampled four times finer than the step."""
    if len(points_mm) == 2:
        return points_mm
    # Imported here: scipy.interpolate is slow to load and a straight track needs none of it.
    from scipy.interpolate import CubicSpline

    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    n_fine = int(np.ceil(4 * chord[-1] / step_mm)) + 1
    spline = CubicSpline(chord, points_mm, bc_type="natural")
    return np.asarray(spline(np.linspace(0.0, chord[-1], n_fine)), dtype=np.float64)
