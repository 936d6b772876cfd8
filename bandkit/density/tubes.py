"""What the open beams of usual X-ray tubes look like, as a prior for the surface."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Powers of x and y in the surface, with x and y running over about -1..1.
POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
# Tubes and set-ups that are usual: fall of intensity by the heel over the image, angle of the anode in degrees, its
# axis against the image's sides in degrees, distance of the source in mm and its foot in half sides of the image.
_MOST_HEEL_FRAC, _ANODE_DEG, _AXIS_SD_DEG = 0.30, (9.0, 20.0), 8.0
_DISTANCE_MM, _DISTANCE_SD_LOG, _FOOT_SD, _HALF_MM = 1000.0, 0.3, 0.4, 120.0
_TUBES = 1500
# What real beams have beyond that, in each term of the surface.
_BEYOND_MODEL_SD = 0.005


@cache
def usual_tubes(half_mm: float | None = None,
                source_to_detector_mm: float | None = None) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the surface's coefficients among usual tubes, but for the level.

    Parameters
    ----------
    half_mm : float, optional
        Half of the image's longer side.
    source_to_detector_mm : float, optional
        Distance of the source from the detector.

    Returns
    -------
    mean : ndarray, shape (10,)
        Of the terms of the surface.
    covariance : ndarray, shape (10, 10)
        Of the terms; the level is left at 0 with no covariance.

    Notes
    -----
    Surfaces of many tubes, drawn at random but always the same: heel of 0 to 30 % over the image along either axis of
    it, ``exp(-c / sin(angle of the ray to the anode))``, and ``cos^3`` about a foot near the middle.
    """
    rng = np.random.default_rng(0)
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)))
    half = half_mm if half_mm is not None else _HALF_MM * np.exp(0.3 * rng.standard_normal(_TUBES))[:, None]
    spread_log = 0.02 if source_to_detector_mm is not None else _DISTANCE_SD_LOG
    distance = (source_to_detector_mm or _DISTANCE_MM) * np.exp(spread_log * rng.standard_normal(_TUBES))[:, None]
    foot_x, foot_y = _FOOT_SD * rng.standard_normal((2, _TUBES, 1))
    x, y = half * (u - foot_x), half * (v - foot_y)
    turn = np.radians(90.0 * rng.integers(0, 4, (_TUBES, 1)) + _AXIS_SD_DEG * rng.standard_normal((_TUBES, 1)))
    along = np.arctan((x * np.cos(turn) + y * np.sin(turn)) / distance)
    anode = np.radians(rng.uniform(*_ANODE_DEG, (_TUBES, 1)))
    flatter = 1.0 / np.sin(np.maximum(anode - along, np.radians(3.0)))
    flatter -= flatter.min(axis=1, keepdims=True)
    flatter /= np.maximum(flatter.max(axis=1, keepdims=True), 1e-12)
    log = np.log(1 - rng.uniform(0.0, _MOST_HEEL_FRAC, (_TUBES, 1))) * flatter
    log += np.log(flat_detector_falloff(np.hypot(x, y), distance))
    surfaces = np.linalg.lstsq(terms(u, v), log.T, rcond=None)[0].T
    mean, covariance = surfaces.mean(axis=0), np.cov(surfaces.T) + _BEYOND_MODEL_SD**2 * np.eye(len(POWERS))
    mean[0], covariance[0], covariance[:, 0] = 0.0, 0.0, 0.0
    return mean, covariance


def flat_detector_falloff(distance_mm: ArrayLike, source_to_detector_mm: ArrayLike) -> FloatArray:
    """Intensity of a point source on a flat detector, relative to the foot of the beam.

    Parameters
    ----------
    distance_mm : array_like
        Distance on the detector from the point straight below the source, in mm.
    source_to_detector_mm : array_like
        Distance of the source from the detector, in mm.

    Returns
    -------
    ndarray
        ``cos^3(theta)`` with ``tan(theta) = distance / source_to_detector``.
    """
    tangent = np.asarray(distance_mm, np.float64) / np.asarray(source_to_detector_mm, np.float64)
    return np.asarray((1 + tangent**2) ** -1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class ObliquePath:
    """How much longer oblique rays run through a flat slab than square ones.

    Parameters
    ----------
    foot_px : tuple of float
        Point straight below the source; the image's centre is a fair guess.
    source_to_detector_px : float
        Distance of the source from the detector, in pixels; infinite where it is not known.
    """

    foot_px: tuple[float, float] = (0.0, 0.0)
    source_to_detector_px: float = float("inf")

    def longer(self, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
        """Length of the path over the thickness.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.

        Returns
        -------
        ndarray
            ``1 / cos(theta)``; 1 everywhere where the distance is not known.
        """
        away = np.hypot(np.asarray(x_px, np.float64) - self.foot_px[0], np.asarray(y_px, np.float64) - self.foot_px[1])
        return np.asarray(np.sqrt(1.0 + (away / self.source_to_detector_px) ** 2))


def terms(u: FloatArray, v: FloatArray) -> FloatArray:
    """Terms of the surface's polynomial.

    Parameters
    ----------
    u, v : ndarray
        Scaled positions, any one shape.

    Returns
    -------
    ndarray, shape (..., 10)
        In the order of `POWERS`.
    """
    return np.stack([u**i * v**j for i, j in POWERS], axis=-1)
