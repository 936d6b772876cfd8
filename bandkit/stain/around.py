"""Growth since staining in every direction: from the line to the outer surface, square to the line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Places along the line are this far apart.
SPACING_MM = 0.5
# The direction of growth is square to the line over this length: calices and noise of the trace are shorter.
SMOOTH_MM = 4.0
# Fewer places than this are no profile.
LEAST_PLACES = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthAround:
    """Growth from a stain line to the outer surface at places along the line.

    Parameters
    ----------
    along_mm : ndarray, shape (n,)
        Distance along the line, from its first place.
    line_mm, surface_mm : ndarray, shape (n, 2)
        Places on the line, and where growth from there came to, in mm on the picture [x, y].
    extension_mm : ndarray, shape (n,)
        Distance between the two.
    direction_deg : ndarray, shape (n,)
        Direction of growth on the picture: 0 to the right, 90 up.
    """

    along_mm: FloatArray
    line_mm: FloatArray
    surface_mm: FloatArray
    extension_mm: FloatArray
    direction_deg: FloatArray

    @property
    def mean_mm(self) -> float:
        """Mean growth, every place counting alike."""
        return float(self.extension_mm.mean())

    @property
    def sd_mm(self) -> float:
        """Spread of growth between directions: standard deviation."""
        return float(self.extension_mm.std(ddof=1))

    @property
    def largest_mm(self) -> float:
        """Growth where it was greatest."""
        return float(self.extension_mm.max())


def growth_around(line_mm: FloatArray, surface_mm: FloatArray, *, step_mm: float = 0.1) -> GrowthAround | None:
    """Growth from a line to the outer surface, square to the line.

    Parameters
    ----------
    line_mm : ndarray, shape (n, 2)
        The stain line [x, y] in order along it; NaN where unknown. y runs down.
    surface_mm : ndarray, shape (m, 2)
        The outer surface, likewise.
    step_mm : float
        Step by which the surface is drawn finely between its points.

    Returns
    -------
    GrowthAround or None
        None where fewer than three places see the surface.

    Notes
    -----
    The ray from each place, square to the line smoothed over 4 mm, meets the surface where the surface crosses
    it; places whose ray passes the surface's ends are left out, so that nothing is extrapolated.
    """
    line, surface = (_evenly(points, spacing) for points, spacing in ((line_mm, SPACING_MM), (surface_mm, step_mm)))
    if len(line) < LEAST_PLACES or len(surface) < 2:
        return None
    tangent = _tangents(line)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    # Outwards is where the surface lies.
    nearest = surface[np.argmin(((line[:, None] - surface[None]) ** 2).sum(axis=2), axis=1)]
    normal *= np.where(((nearest - line) * normal).sum(axis=1) < 0, -1.0, 1.0)[:, None]
    aside, ahead = (((surface[None] - line[:, None]) * way[:, None]).sum(axis=2) for way in (tangent, normal))
    growth = _crossing(aside, ahead)
    seen = np.isfinite(growth)
    if seen.sum() < LEAST_PLACES:
        return None
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    met = line + growth[:, None] * normal
    return GrowthAround(along_mm=along[seen], line_mm=line[seen], surface_mm=met[seen], extension_mm=growth[seen],
                        direction_deg=np.degrees(np.arctan2(-normal[seen, 1], normal[seen, 0])))


def _evenly(points: FloatArray, spacing_mm: float) -> FloatArray:
    """Points at equal distances along a line."""
    known = points[np.isfinite(points).all(axis=1)]
    if len(known) < 2:
        return np.empty((0, 2))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(known, axis=0).T))])
    at = np.arange(0.0, along[-1] + 1e-9, spacing_mm)
    return np.stack([np.interp(at, along, known[:, k]) for k in range(2)], axis=1)


def _tangents(line: FloatArray) -> FloatArray:
    """Unit tangents over a few millimetres of an evenly drawn line."""
    half = max(min(round(0.5 * SMOOTH_MM / SPACING_MM), (len(line) - 1) // 2), 1)
    rows = np.arange(len(line))
    chord = line[np.minimum(rows + half, len(line) - 1)] - line[np.maximum(rows - half, 0)]
    return np.asarray(chord / np.maximum(np.hypot(*chord.T), 1e-12)[:, None])


def _crossing(aside: FloatArray, ahead: FloatArray) -> FloatArray:
    """Distance ahead at which each ray first meets the surface; NaN where it does not."""
    crosses = (aside[:, :-1] <= 0) != (aside[:, 1:] <= 0)
    share = aside[:, :-1] / np.where(crosses, aside[:, :-1] - aside[:, 1:], 1.0)
    met = ahead[:, :-1] + share * (ahead[:, 1:] - ahead[:, :-1])
    first = np.where(crosses & (met > 0), met, np.inf).min(axis=1)
    return np.where(np.isfinite(first), first, np.nan)
