"""A picture taken obliquely, made square by four corners of a rectangle of known size.

The corners give the homography between the plane of the rectangle, in millimetres, and the picture.
Nothing is resampled: places on the picture are carried into the plane, lengths are
measured there, and the pixels are looked up where they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import ScaleError

FloatArray = NDArray[np.float64]
Point = tuple[float, float]

CORNER_SD_PX = 0.7
"""A person's click on a corner, seen enlarged: half a pixel along x and along y."""
STEEP = 2**0.5
"""Stretch of one direction against the other where the camera looks at the plane at 45 degrees."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """The plane of a rectangle as the picture shows it.

    Parameters
    ----------
    to_mm_matrix : ndarray, shape (3, 3)
        Homography from pixels to millimetres, in homogeneous coordinates ``(x, y, 1)``.
    corners_px : tuple of four points
        The rectangle in the picture.
    width_mm, height_mm : float
        Its sides.
    """

    to_mm_matrix: FloatArray
    corners_px: tuple[Point, ...]
    width_mm: float
    height_mm: float

    def to_mm(self, x_px: ArrayLike, y_px: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Places in the plane.

        Parameters
        ----------
        x_px, y_px : array_like
            Places in the picture, any one shape.

        Returns
        -------
        x_mm, y_mm : ndarray
            From the rectangle's first corner; NaN for what lies beyond the plane's horizon.
        """
        return _mapped(self.to_mm_matrix, x_px, y_px)

    def to_px(self, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Places in the picture.

        Parameters
        ----------
        x_mm, y_mm : array_like
            Places in the plane, any one shape.

        Returns
        -------
        x_px, y_px : ndarray
            Pixel positions; NaN for what the camera has behind it.
        """
        return _mapped(np.asarray(np.linalg.inv(self.to_mm_matrix), dtype=np.float64), x_mm, y_mm)

    def mm_per_px(self, x_px: float, y_px: float) -> tuple[float, float]:
        """What a pixel measures in the plane along x and along y at one place of the picture.

        Parameters
        ----------
        x_px, y_px : float
            The place.

        Returns
        -------
        tuple of float
            Millimetres per pixel.
        """
        along_x, along_y = self._steps(x_px, y_px).T
        return float(np.hypot(*along_x)), float(np.hypot(*along_y))

    def _steps(self, x_px: float, y_px: float) -> FloatArray:
        """What a step of a pixel along x and one along y is in the plane, as columns of x and y in mm."""
        x, y = self.to_mm(np.array([-0.5, 0.5, 0, 0]) + x_px, np.array([0, 0, -0.5, 0.5]) + y_px)
        return np.array([[x[1] - x[0], x[3] - x[2]], [y[1] - y[0], y[3] - y[2]]])

    @property
    def middle_px(self) -> Point:
        """Where the middle of the rectangle is in the picture."""
        x, y = self.to_px(self.width_mm / 2, self.height_mm / 2)
        return float(x), float(y)

    @property
    def stretch(self) -> float:
        """How much larger the plane is shown along one direction than along another, at the rectangle's middle."""
        large, small = np.linalg.svd(self._steps(*self.middle_px), compute_uv=False)
        return float(large / small)

    @property
    def sd_frac(self) -> float:
        """What lengths along a side may be off by, from clicks on the corners alone."""
        corners = np.array(self.corners_px)
        sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
        # two opposite sides give one length, each with the errors of its two ends
        return float(CORNER_SD_PX / min(sides[[0, 2]].mean(), sides[[1, 3]].mean()))

    def outside_frac(self, x_px: ArrayLike, y_px: ArrayLike) -> float:
        """How far the farthest of some places lies outside the rectangle, in parts of its sides.

        Parameters
        ----------
        x_px, y_px : array_like
            Places in the picture.

        Returns
        -------
        float
            0 where all lie inside; infinite where one lies beyond the horizon.
        """
        x, y = self.to_mm(x_px, y_px)
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            return float("inf")
        across, down = np.abs(x / self.width_mm - 0.5) - 0.5, np.abs(y / self.height_mm - 0.5) - 0.5
        return max(float(np.max(across)), float(np.max(down)), 0.0)


def _mapped(matrix: FloatArray, x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Apply a homography; NaN where its denominator is not positive."""
    x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    a, b, w = (row[0] * x + row[1] * y + row[2] for row in matrix)
    w = np.where(w > 0, w, np.nan)
    return a / w, b / w


def plane_of(corners_px: Sequence[Point], width_mm: float, height_mm: float) -> Plane:
    r"""Plane of a rectangle whose corners are known in the picture.

    Parameters
    ----------
    corners_px : sequence of four points
        Going round; the first two are the ends of a side of ``width_mm``.
    width_mm, height_mm : float
        The rectangle's sides.

    Returns
    -------
    Plane
        Millimetres from the first corner, x towards the second.

    Raises
    ------
    ScaleError
        Corners that are not those of a rectangle seen by a camera.

    Notes
    -----
    A camera without distortion maps a plane by :math:`(x, y, 1)^T \propto H (X, Y, 1)^T`.
    Four points give the eight ratios of H by linear equations [1]_.

    References
    ----------
    .. [1] R. Hartley and A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., Cambridge 2004,
       section 4.1; from memory.
    """
    corners_mm = [(0.0, 0.0), (width_mm, 0.0), (width_mm, height_mm), (0.0, height_mm)]
    rows, right = [], []
    for (x, y), (x_mm, y_mm) in zip(corners_px, corners_mm, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -x * x_mm, -y * x_mm], [0, 0, 0, x, y, 1, -x * y_mm, -y * y_mm]]
        right += [x_mm, y_mm]
    try:
        matrix = np.append(np.linalg.solve(np.array(rows, dtype=np.float64), right), 1.0).reshape(3, 3)
    except np.linalg.LinAlgError:
        matrix = np.full((3, 3), np.nan)
    # of the two signs of H the one that has the corners before the camera
    depth = np.array([matrix[2] @ (x, y, 1.0) for x, y in corners_px])
    if not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-30 or depth.min() * depth.max() <= 0:
        msg = ("scale.rectify.corners_px: no camera sees a rectangle so; give its four corners in order, going round, "
               "each one different")
        raise ScaleError(msg)
    return Plane(to_mm_matrix=matrix * np.sign(depth[0]), corners_px=tuple(corners_px), width_mm=width_mm,
                 height_mm=height_mm)
