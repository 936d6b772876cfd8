"""What was measured along a track, and integrals of it between depths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthProfile:
    """What was measured along a track, from the surface (depth 0) inwards.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_depth,)
        Depth along the track, in mm, rising.
    tilt_deg : ndarray, shape (n_depth,)
        Angle of the track to the growth direction (square to the bands), in degrees.
    density_g_cm3 : ndarray, shape (n_depth,), optional
        Bulk density, in g/cm3; NaN where masked. None without standards.
    beside_g_cm3 : ndarray, shape (n_beside, n_depth), optional
        The same on tracks beside this one, along the same bands: what another place of the track would give.
    beside_variance_frac : float
        Variance by texture of this track over that of one beside it; below 1 where those are narrower.
    """

    depth_mm: FloatArray
    tilt_deg: FloatArray
    density_g_cm3: FloatArray | None = None
    beside_g_cm3: FloatArray | None = None
    beside_variance_frac: float = 1.0


def integrate(per_mm: FloatArray, depth_mm: FloatArray, bound_mm: FloatArray) -> FloatArray:
    """Integral of a sampled quantity between bounds; a sample holds half-way to its neighbours.

    Parameters
    ----------
    per_mm : ndarray, shape (n_depth,)
        The quantity per mm of depth.
    depth_mm : ndarray, shape (n_depth,)
        Where it was sampled.
    bound_mm : ndarray, shape (n + 1,)
        Depths between the pieces, rising.

    Returns
    -------
    ndarray, shape (n,)
        One integral per piece.
    """
    middle = (depth_mm[1:] + depth_mm[:-1]) / 2
    first = min(2 * depth_mm[0] - middle[0], bound_mm[0])
    last = max(2 * depth_mm[-1] - middle[-1], bound_mm[-1])
    edges = np.concatenate([[first], middle, [last]])
    running = np.concatenate([[0.0], np.cumsum(per_mm * np.diff(edges))])
    return np.diff(np.interp(bound_mm, edges, running))
