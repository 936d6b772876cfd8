"""Calcification, and how errors of marks, scale, tilt and density carry through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dates import DAYS_PER_YEAR
from bandkit.stats import Z_90

FloatArray = NDArray[np.float64]

MM_PER_CM = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorSources:
    """Standard deviations of everything but the marks.

    Parameters
    ----------
    scale_sd_frac : float
        Scale, as a fraction of it; common to the slab.
    tilt_sd_deg : float
        Tilt of the track to the growth direction, in degrees; common to the slab.
    thickness_sd_frac : float
        Slab thickness, as a fraction of it; common to the slab.
    density_systematic_sd_g_cm3 : float or ndarray, shape (n_depth,)
        Density calibration, in g/cm3; common to the slab.
    density_noise_sd_g_cm3 : float or ndarray, shape (n_depth,)
        Noise of one sample of the density profile, in g/cm3.
    density_noise_length_mm : float
        Depth over which that noise hangs together, in mm; at least one sample.
    surface_sd_mm : float
        Outer surface, in mm.
    """

    scale_sd_frac: float = 0.0
    tilt_sd_deg: float = 0.0
    thickness_sd_frac: float = 0.0
    density_systematic_sd_g_cm3: FloatArray | float = 0.0
    density_noise_sd_g_cm3: FloatArray | float = 0.0
    density_noise_length_mm: float = 0.0
    surface_sd_mm: float = 0.0


def calcification(extension_mm_yr: ArrayLike, density_g_cm3: ArrayLike) -> FloatArray:
    """Mass of skeleton laid down per area and year.

    Parameters
    ----------
    extension_mm_yr : array_like
        Linear extension, in mm/yr.
    density_g_cm3 : array_like
        Bulk density of the same year, in g/cm3.

    Returns
    -------
    ndarray
        Calcification in g/cm2/yr.

    Notes
    -----
    ``C = E * D`` with E in cm/yr. The mean of yearly products is not the product of
    means: they differ by the covariance of E and D.

    References
    ----------
    Lough & Barnes 1997.
    """
    return np.asarray(extension_mm_yr, np.float64) / MM_PER_CM * np.asarray(density_g_cm3, np.float64)


def calcification_sd(
    extension_mm_yr: ArrayLike, extension_sd_mm_yr: ArrayLike, density_g_cm3: ArrayLike, density_sd_g_cm3: ArrayLike,
) -> FloatArray:
    """Combine the standard deviation of calcification from those of extension and density.

    Parameters
    ----------
    extension_mm_yr, extension_sd_mm_yr : array_like
        Linear extension and its standard deviation, in mm/yr.
    density_g_cm3, density_sd_g_cm3 : array_like
        Bulk density and its standard deviation, in g/cm3.

    Returns
    -------
    ndarray
        Standard deviation in g/cm2/yr.

    Notes
    -----
    ``(uC / C)^2 = (uE / E)^2 + (uD / D)^2``, written so that it holds at E = 0:
    errors of extension and density are independent.
    """
    return np.hypot(calcification(extension_sd_mm_yr, density_g_cm3), calcification(extension_mm_yr, density_sd_g_cm3))


def calcification_from_daily(rate_mg_cm2_d: ArrayLike) -> FloatArray:
    """Turn a daily calcification rate, as measured in tanks, into one per year.

    Parameters
    ----------
    rate_mg_cm2_d : array_like
        Calcification in mg/cm2 per day.

    Returns
    -------
    ndarray
        Calcification in g/cm2/yr, with 365.25 days a year.
    """
    return np.asarray(rate_mg_cm2_d, np.float64) * DAYS_PER_YEAR / 1000.0


def picking_covariance(
    bound_sd_mm: ArrayLike, cos_tilt: ArrayLike = 1.0, *, bound_mm: ArrayLike | None = None,
) -> FloatArray:
    """Covariance of the lengths between bounds that were each picked with an error of their own.

    Parameters
    ----------
    bound_sd_mm : array_like, shape (n_bounds,)
        Standard deviation of each bound along the track, in mm.
    cos_tilt : array_like, shape (n_bounds,) or scalar
        Cosine of the track's tilt at each bound.
    bound_mm : array_like, shape (n_bounds,), optional
        Depths of the bounds, in mm: bounds at the same depth are one pick (a year
        that is absent) and err together.

    Returns
    -------
    ndarray, shape (n_bounds - 1, n_bounds - 1)
        In mm2: ``s_i^2 + s_(i+1)^2`` on the diagonal, ``-s_(i+1)^2`` beside it, 0 elsewhere,
        with s square to the bands.
    """
    sd = np.asarray(bound_sd_mm, np.float64) * np.asarray(cos_tilt, np.float64)
    depth = np.arange(sd.size, dtype=np.float64) if bound_mm is None else np.asarray(bound_mm, np.float64)
    covariance = np.outer(sd, sd) * (depth[:, None] == depth[None, :])
    return np.diff(np.diff(covariance, axis=0), axis=1)


def tilt_sd_frac(tilt_deg: ArrayLike, tilt_sd_deg: float) -> FloatArray:
    """Error of the cosine of an uncertain tilt, as a fraction of it.

    Parameters
    ----------
    tilt_deg : array_like
        Tilt, in degrees.
    tilt_sd_deg : float
        Its standard deviation, in degrees.

    Returns
    -------
    ndarray
        Standard deviation of the cosine over the cosine.

    Notes
    -----
    Exact for a normal tilt t with standard deviation s:
    ``var(cos t) = 1/2 + 1/2 cos(2t) exp(-2 s^2) - cos(t)^2 exp(-s^2)``. Unlike
    ``tan(t) s`` it does not vanish where the bands lie square to the track.
    """
    tilt, sd = np.radians(np.asarray(tilt_deg, np.float64)), np.radians(tilt_sd_deg)
    variance = 0.5 + 0.5 * np.cos(2 * tilt) * np.exp(-2 * sd**2) - (np.cos(tilt) * np.exp(-(sd**2) / 2)) ** 2
    frac: FloatArray = np.sqrt(np.maximum(variance, 0.0)) / np.cos(tilt)
    return frac


def sd_of_interval(lo: ArrayLike, hi: ArrayLike) -> FloatArray:
    """Find the standard deviation of a normal distribution from its 90 % interval.

    Parameters
    ----------
    lo, hi : array_like
        Ends of the interval.

    Returns
    -------
    ndarray
        Standard deviation, in the unit of the ends.
    """
    return (np.asarray(hi, np.float64) - np.asarray(lo, np.float64)) / (2 * Z_90)
