"""How thick the slab is: one value, some points, or a map.

Mass per area over thickness is density, so an error of thickness goes into density one to one. A slab
that was sawn as a wedge looks in the radiograph like one whose density drifts: only a thickness that was
measured at several places tells the two apart.

Points carry a smooth surface: a level, a wedge and a gentle bow, each with a prior as wide as sawn slabs
are known to differ. Few points decide little and the standard deviation grows away from them; three that
do not lie in line fix the plane, six and more the bow, and what is left over says how well they were measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.slab import raise_for_thickness
from bandkit.errors import CalibrationError
from bandkit.flags import Flag
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]
ReadGreys = Callable[[int, int, int, int], NDArray[np.generic]]

# What slabs depart from an even thickness by: a saw that runs out by 1 mm in 100 mm, and a bow of 0.1 mm over
# 50 mm to either side. Judged from the trade, not from a source.
WEDGE_SD_MM_PER_MM = 0.01
BOW_SD_PER_MM = 4e-5
_LEVEL_SD_MM = 100.0
# A caliper on a sawn face, where the record does not say better.
POINT_SD_MM = 0.05
# That guess counts as much as this many points.
_GUESS_WEIGHT = 2.0
# Places further than this outside the points lean on the surface, not on a measurement.
OUTSIDE_MM = 5.0
# Less of a track than this outside is a matter of its ends.
_OUTSIDE_FRAC = 0.05
_DIRECTIONS = 180
# Thickness changes over centimetres; a map is kept no finer than this many values along its longer side.
_MAP_SIDE = 1600
# Mass per area that changes steadily by more than this from one end of the track to the other, at more than so many
# standard errors, may be a wedge.
DRIFT_FRAC = 0.12
_DRIFT_SIGMAS = 4.0
_DRIFT_BLOCKS = 12


class Thickness(Protocol):
    """How thick the slab is at every place of its image."""

    @property
    def method(self) -> str:
        """One sentence for the methods paragraph."""

    def at_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """Thickness at places, in mm; NaN where it is not known."""

    def sd_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """Its standard deviation, in mm; an error that neighbouring years share."""

    def flags(self, x_px: ArrayLike, y_px: ArrayLike, /) -> tuple[Flag, ...]:
        """Doubts about the thickness at places of the slab."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenThickness:
    """One thickness for the whole slab.

    Parameters
    ----------
    thickness_mm : float
        Thickness, in mm.
    thickness_sd_mm : float
        Its standard deviation, in mm; 0 where it is not known.
    """

    thickness_mm: float
    thickness_sd_mm: float = 0.0

    def __post_init__(self) -> None:
        raise_for_thickness(self.thickness_mm)

    @property
    def method(self) -> str:
        """One sentence for the methods paragraph."""
        error = f" (standard deviation {self.thickness_sd_mm:.2g} mm)" if self.thickness_sd_mm else ""
        return (f"The slab was taken to be {self.thickness_mm:.4g} mm thick everywhere{error}; a wedge would show as a "
                "drift of density and cannot be told from one.")

    def at_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """The same thickness everywhere, in mm."""
        return np.full(np.broadcast(np.asarray(x_px), np.asarray(y_px)).shape, self.thickness_mm)

    def sd_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """The same standard deviation everywhere, in mm."""
        return np.full(np.broadcast(np.asarray(x_px), np.asarray(y_px)).shape, self.thickness_sd_mm)

    def flags(self, _x_px: ArrayLike, _y_px: ArrayLike, /) -> tuple[Flag, ...]:
        """None: a single value has nothing to disagree with."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThicknessSurface:
    """A smooth surface through thicknesses measured at points.

    Parameters
    ----------
    points_px : ndarray, shape (n_points, 2)
        Where they were measured, ``x, y``.
    mm_per_px : tuple of float
        Of the image, in x and y.
    coefficients : ndarray, shape (6,)
        Of the terms 1, x, y, x2, xy, y2 with x and y in mm from the middle of the points.
    covariance : ndarray, shape (6, 6)
        Of the coefficients.
    point_sd_mm : float
        What one measurement is off by, from the misfit and from what was stated, in mm.
    """

    points_px: FloatArray
    mm_per_px: tuple[float, float]
    coefficients: FloatArray
    covariance: FloatArray
    point_sd_mm: float

    @property
    def method(self) -> str:
        """One sentence for the methods paragraph."""
        at = self.at_mm(*self.points_px.T)
        return (f"Thickness was measured at {len(self.points_px)} points and taken as a smooth surface through them "
                f"({at.min():.4g} to {at.max():.4g} mm; one point off by {self.point_sd_mm:.2g} mm).")

    def at_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """Thickness at places, in mm, never below a tenth of the thinnest point."""
        surface = np.asarray(self._terms(x_px, y_px) @ self.coefficients)
        return np.maximum(surface, 0.1 * float(np.min(self._terms(*self.points_px.T) @ self.coefficients)))

    def sd_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """Its standard deviation, in mm; grows away from the points."""
        terms = self._terms(x_px, y_px)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", terms, self.covariance, terms)))

    def outside_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """How far places lie outside the hull of the points.

        Parameters
        ----------
        x_px, y_px : array_like
            Places in the image.

        Returns
        -------
        ndarray
            Distance in mm; 0 inside.

        Notes
        -----
        The distance from a convex set is the greatest of ``p . d - max(q . d)`` over all directions d; it holds
        for points in one line too, and for a single one.
        """
        angle = np.linspace(0.0, 2 * np.pi, _DIRECTIONS, endpoint=False)
        directions = np.stack([np.cos(angle), np.sin(angle)])
        scale = np.array(self.mm_per_px)
        places = np.stack([np.asarray(x_px, np.float64), np.asarray(y_px, np.float64)], axis=-1) * scale
        reach = ((self.points_px * scale) @ directions).max(axis=0)
        return np.asarray(np.maximum((places @ directions - reach).max(axis=-1), 0.0))

    def flags(self, x_px: ArrayLike, y_px: ArrayLike, /) -> tuple[Flag, ...]:
        """Say where the track leaves the points: "thickness-extrapolated"."""
        away = np.ravel(self.outside_mm(x_px, y_px))
        outside = away > OUTSIDE_MM
        if outside.mean() <= _OUTSIDE_FRAC:
            return ()
        frac = self.sd_mm(x_px, y_px) / self.at_mm(x_px, y_px)
        detail = (f"{100 * outside.mean():.0f} % of the track lies up to {away.max():.0f} mm outside the points; "
                  f"thickness is known to {100 * float(np.max(frac)):.1f} % there")
        return (Flag(code="thickness-extrapolated", detail=detail),)

    def _terms(self, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
        """The surface's terms along a last axis."""
        middle = self.points_px.mean(axis=0)
        x = (np.asarray(x_px, np.float64) - middle[0]) * self.mm_per_px[0]
        y = (np.asarray(y_px, np.float64) - middle[1]) * self.mm_per_px[1]
        return _surface_terms(x, y)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThicknessMap:
    """Thickness measured all over the slab.

    Parameters
    ----------
    map_mm : ndarray, shape (h, w)
        Thickness over the whole image, at its resolution or coarser; NaN where it was not measured.
    cell_px : tuple of float
        Pixels of the image, in x and y, for each value of the map.
    map_sd_mm : float
        Standard deviation, in mm, common to the map; 0 where it is not known.
    """

    map_mm: FloatArray
    cell_px: tuple[float, float]
    map_sd_mm: float = 0.0

    @property
    def method(self) -> str:
        """One sentence for the methods paragraph."""
        low, high = np.nanmin(self.map_mm), np.nanmax(self.map_mm)
        return f"Thickness was taken from a map of the slab ({low:.4g} to {high:.4g} mm)."

    def at_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """Thickness at places, in mm, linear between the map's values; NaN where one of them is missing."""
        # Imported here: scipy's image functions are slow to load and only a map needs them.
        from scipy.ndimage import map_coordinates

        height, width = self.map_mm.shape
        # Pixel centres are whole numbers, so the picture begins half a pixel before 0.
        column = (np.asarray(x_px, np.float64) + 0.5) / self.cell_px[0] - 0.5
        row = (np.asarray(y_px, np.float64) + 0.5) / self.cell_px[1] - 0.5
        row, column = np.broadcast_arrays(np.clip(row, 0, height - 1), np.clip(column, 0, width - 1))
        at_mm = map_coordinates(self.map_mm, [row.ravel(), column.ravel()], order=1)
        return np.asarray(at_mm, np.float64).reshape(row.shape)

    def sd_mm(self, x_px: ArrayLike, y_px: ArrayLike, /) -> FloatArray:
        """The same standard deviation everywhere, in mm."""
        return np.full(np.broadcast(np.asarray(x_px), np.asarray(y_px)).shape, self.map_sd_mm)

    def flags(self, x_px: ArrayLike, y_px: ArrayLike, /) -> tuple[Flag, ...]:
        """Say where the map is empty under the track: "thickness-missing"."""
        missing = float(np.mean(~np.isfinite(self.at_mm(x_px, y_px))))
        return (Flag(code="thickness-missing", detail=f"{100 * missing:.0f} % of the track"),) if missing > 0 else ()


def fit_thickness(points_px: ArrayLike, thickness_mm: ArrayLike, *, mm_per_px: tuple[float, float],
                  point_sd_mm: float | None = None) -> ThicknessSurface:
    """Lay a smooth surface through thicknesses measured at points.

    Parameters
    ----------
    points_px : array_like, shape (n_points, 2)
        Where they were measured, ``x, y`` in pixels of the image.
    thickness_mm : array_like, shape (n_points,)
        What was measured there, in mm.
    mm_per_px : tuple of float
        Of the image, in x and y.
    point_sd_mm : float, optional
        What one measurement may be off by; a caliper's 0.05 mm where absent.

    Returns
    -------
    ThicknessSurface
        With the covariance of its coefficients.

    Raises
    ------
    CalibrationError
        For a thickness that is not positive.

    Notes
    -----
    ``C = (A' A / s^2 + P)^-1, a = C A' t / s^2``, with a prior P on wedge and bow (`WEDGE_SD_MM_PER_MM`,
    `BOW_SD_PER_MM`). The stated error counts as much as two points; the misfit of the others adds to it, and the fit is
    repeated: ``s^2 = (2 s0^2 + misfit) / (2 + n - trace(H))``. The standard deviation is that of the surface: what
    is rougher than the points averages out over the width of a year.
    """
    points = np.asarray(points_px, np.float64).reshape(-1, 2)
    measured = np.asarray(thickness_mm, np.float64)
    raise_for_thickness(measured)
    terms = _surface_terms(*((points - points.mean(axis=0)) * np.array(mm_per_px)).T)
    prior_sd = np.array([_LEVEL_SD_MM, *[WEDGE_SD_MM_PER_MM] * 2, *[BOW_SD_PER_MM] * 3])
    stated = POINT_SD_MM if point_sd_mm is None else max(point_sd_mm, 1e-3)
    sd, level = stated, float(measured.mean())
    for _ in range(4):
        information = terms.T @ terms / sd**2
        covariance: FloatArray = np.asarray(np.linalg.inv(information + np.diag(prior_sd**-2.0)), np.float64)
        coefficients = covariance @ (terms.T @ (measured - level)) / sd**2
        misfit = float(np.sum((measured - level - terms @ coefficients) ** 2))
        free = len(measured) - float(np.trace(covariance @ information))
        sd = float(np.sqrt((_GUESS_WEIGHT * stated**2 + misfit) / (_GUESS_WEIGHT + free)))
    coefficients[0] += level
    return ThicknessSurface(points_px=points, mm_per_px=mm_per_px, coefficients=coefficients, covariance=covariance,
                            point_sd_mm=sd)


def map_thickness(read: ReadGreys, map_size_px: tuple[int, int], mm_per_grey: float, *, image_size_px: tuple[int, int],
                  map_sd_mm: float | None = None) -> ThicknessMap:
    """Turn the greys of a thickness map into mm; a fine map is reduced as it is read.

    Parameters
    ----------
    read : callable
        ``read(x0, y0, x1, y1)`` gives the greys of a region of the map; 0 and NaN are places that were not measured.
    map_size_px : tuple of int
        Width and height of the map, which covers the whole image.
    mm_per_grey : float
        Thickness of one step of grey, in mm.
    image_size_px : tuple of int
        Width and height of the image that it belongs to.
    map_sd_mm : float, optional
        Standard deviation of the map, in mm.

    Returns
    -------
    ThicknessMap
        In mm.

    Raises
    ------
    CalibrationError
        For a map of another shape than the image, a finer one, or one with nothing in it.
    """
    (width, height), (image_width, image_height) = map_size_px, image_size_px
    # A coarser map may round its last row or column away.
    same_shape = abs(width / image_width - height / image_height) <= max(1 / image_width, 1 / image_height)
    if width > image_width or not same_shape:
        msg = (f"density.thickness_map: {width} x {height} px does not cover an image of {image_width} x "
               f"{image_height} px; make it of the whole image, of the same shape and no finer")
        raise CalibrationError(msg)
    step = -(-max(width, height) // _MAP_SIDE)
    rows = [_block_means(read(0, y, width, min(y + step, height)), step) for y in range(0, height, step)]
    greys = np.stack(rows)
    if not np.isfinite(greys).any():
        msg = "density.thickness_map: nothing but zeros; greys times mm_per_grey must be the thickness"
        raise CalibrationError(msg)
    return ThicknessMap(map_mm=greys * mm_per_grey, cell_px=(step * image_width / width, step * image_height / height),
                        map_sd_mm=map_sd_mm or 0.0)


def _block_means(greys: NDArray[np.generic], step: int) -> FloatArray:
    """Means over blocks of columns of one band of rows, of what was measured there; NaN where nothing was."""
    values = np.asarray(greys, np.float64)
    known = np.isfinite(values) & (values > 0)
    edges = np.arange(0, values.shape[1], step)
    total = np.add.reduceat(np.where(known, values, 0.0).sum(axis=0), edges)
    count = np.add.reduceat(known.sum(axis=0), edges)
    means: FloatArray = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    return means


def drift_flags(areal_g_cm2: ArrayLike, thickness_mm: float) -> tuple[Flag, ...]:
    """Doubt a single thickness where mass per area drifts along the track.

    Parameters
    ----------
    areal_g_cm2 : array_like, shape (n_depth,)
        Mass per area from the surface inwards, equally spaced; NaN is left out.
    thickness_mm : float
        The one thickness that is given.

    Returns
    -------
    tuple of Flag
        "thickness-or-drift" where a straight line from one end to the other explains more than 12 % of mass per area,
        at more than four of its standard errors. Density may well drift: the image alone cannot say.
    """
    areal = np.asarray(areal_g_cm2, np.float64)
    place = np.linspace(-0.5, 0.5, len(areal))
    known = np.isfinite(areal)
    if known.sum() < 2 * _DRIFT_BLOCKS:
        return ()
    # Means over parts of the track, so that neither bands nor their texture pass for a trend's certainty.
    parts = np.array_split(np.flatnonzero(known), _DRIFT_BLOCKS)
    x, y = (np.array([v[part].mean() for part in parts]) for v in (place, areal))
    slope, level = np.polyfit(x, y, 1)
    error = robust_sd(y - level - slope * x, about=0.0) / float(np.sqrt(np.sum((x - x.mean()) ** 2)))
    if abs(slope) <= max(DRIFT_FRAC * level, _DRIFT_SIGMAS * error):
        return ()
    drift = float(slope / level)
    detail = (f"{100 * drift:+.0f} % from the surface to the inner end, as a wedge of "
              f"{abs(drift) * thickness_mm:.1f} mm would make")
    return (Flag(code="thickness-or-drift", detail=detail),)


def _surface_terms(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Level, wedge and bow along a last axis."""
    x, y = np.broadcast_arrays(x_mm, y_mm)
    return np.stack([np.ones_like(x), x, y, x**2, x * y, y**2], axis=-1)
