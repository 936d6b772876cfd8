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
    thickness_sd_frac : float or ndarray, shape (n_depth,)
        Slab thickness, as a fraction of it; common to the slab.
    density_calibration_sd_g_cm3 : float or ndarray, shape (n_depth,)
        Curve from grey to mass per area, in g/cm3; common to the slab.
    density_beam_sd_g_cm3 : float or ndarray, shape (n_depth,)
        Open beam, in g/cm3; common to the slab.
    density_noise_sd_g_cm3 : float or ndarray, shape (n_depth,)
        Noise of one sample of the density profile, in g/cm3.
    density_noise_length_mm : float
        Depth over which that noise hangs together, in mm; at least one sample.
    surface_sd_mm : float
        Outer surface, in mm.
    """

    scale_sd_frac: float = 0.0
    tilt_sd_deg: float = 0.0
    thickness_sd_frac: FloatArray | float = 0.0
    density_calibration_sd_g_cm3: FloatArray | float = 0.0
    density_beam_sd_g_cm3: FloatArray | float = 0.0
    density_noise_sd_g_cm3: FloatArray | float = 0.0
    density_noise_length_mm: float = 0.0
    surface_sd_mm: float = 0.0


# The sources of density's error, in the order in which they are told; the first three are common to the slab.
SYSTEMATIC_SOURCES = ("calibration", "beam", "thickness")
RANDOM_SOURCES = ("noise", "track", "picking")
SOURCES = (*SYSTEMATIC_SOURCES, *RANDOM_SOURCES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DensityBudget:
    """What the density of each piece is off by, source by source; standard deviations in g/cm3.

    Parameters
    ----------
    calibration_sd_g_cm3, beam_sd_g_cm3, thickness_sd_g_cm3 : ndarray, shape (n,)
        Curve, open beam, thickness of the slab: systematic, common to all years of the slab.
    noise_sd_g_cm3 : ndarray, shape (n,)
        Grain of the image: random.
    track_sd_g_cm3 : ndarray, shape (n,)
        Place and width of the track: the skeleton's own texture makes each track of that width a sample of its bands.
        Random. Leave it out where the very skeleton under the track is meant, not its band.
    picking_sd_g_cm3 : ndarray, shape (n,)
        Marks: what a misplaced mark takes from one year it gives to the next. Random.
    """

    calibration_sd_g_cm3: FloatArray
    beam_sd_g_cm3: FloatArray
    thickness_sd_g_cm3: FloatArray
    noise_sd_g_cm3: FloatArray
    track_sd_g_cm3: FloatArray
    picking_sd_g_cm3: FloatArray

    def of(self, source: str) -> FloatArray:
        """Standard deviation by one of `SOURCES`, in g/cm3, shape (n,)."""
        sd: FloatArray = getattr(self, f"{source}_sd_g_cm3")
        return sd

    @property
    def systematic_sd_g_cm3(self) -> FloatArray:
        """Everything that is common to the slab, in g/cm3."""
        return root_sum_of_squares(*(self.of(source) for source in SYSTEMATIC_SOURCES))

    @property
    def random_sd_g_cm3(self) -> FloatArray:
        """Everything that differs from year to year, in g/cm3."""
        return root_sum_of_squares(*(self.of(source) for source in RANDOM_SOURCES))

    @property
    def sd_g_cm3(self) -> FloatArray:
        """All together, in g/cm3."""
        return root_sum_of_squares(self.systematic_sd_g_cm3, self.random_sd_g_cm3)

    def share_frac(self, source: str) -> FloatArray:
        """Share of the variance that one of `SOURCES` has, shape (n,); NaN where there is none at all."""
        total = self.sd_g_cm3**2
        share: FloatArray = np.divide(self.of(source) ** 2, total, out=np.full(total.shape, np.nan), where=total > 0)
        return share


def root_sum_of_squares(*sd: FloatArray) -> FloatArray:
    """Put independent standard deviations together.

    Parameters
    ----------
    *sd : ndarray
        Of one shape and unit.

    Returns
    -------
    ndarray
        ``sqrt(sum(sd^2))``.
    """
    return np.asarray(np.sqrt(sum(np.square(one) for one in sd)), np.float64)


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
    *, covariance: ArrayLike = 0.0,
) -> FloatArray:
    """Combine the standard deviation of calcification from those of extension and density.

    Parameters
    ----------
    extension_mm_yr, extension_sd_mm_yr : array_like
        Linear extension and its standard deviation, in mm/yr.
    density_g_cm3, density_sd_g_cm3 : array_like
        Bulk density and its standard deviation, in g/cm3.
    covariance : array_like
        Of the errors of extension and density, in mm/yr g/cm3: both lean on the same marks. A mark that stands in
        denser skeleton than the year's mean and is set too far out adds to both.

    Returns
    -------
    ndarray
        Standard deviation in g/cm2/yr.

    Notes
    -----
    ``uC^2 = (D uE)^2 + (E uD)^2 + 2 E D cov(E, D)``; without covariance it is ``(uC / C)^2 = (uE / E)^2 + (uD / D)^2``.
    Written so that it holds at E = 0.
    """
    both = 2.0 / MM_PER_CM * calcification(extension_mm_yr, density_g_cm3) * np.asarray(covariance, np.float64)
    by_extension = calcification(extension_sd_mm_yr, density_g_cm3)
    by_density = calcification(extension_mm_yr, density_sd_g_cm3)
    return np.asarray(np.sqrt(np.maximum(by_extension**2 + by_density**2 + both, 0.0)))


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
    cosine = np.broadcast_to(np.asarray(cos_tilt, np.float64), np.shape(bound_sd_mm))
    return carried(per_bound(cosine), bound_covariance(bound_sd_mm, bound_mm))


def bound_covariance(bound_sd_mm: ArrayLike, bound_mm: ArrayLike | None = None) -> FloatArray:
    """Covariance of bounds that were each picked with an error of their own, in mm2.

    Parameters
    ----------
    bound_sd_mm : array_like, shape (n_bounds,)
        Standard deviation of each bound, in mm.
    bound_mm : array_like, shape (n_bounds,), optional
        Depths of the bounds, in mm: bounds at the same depth are one pick and err together.

    Returns
    -------
    ndarray, shape (n_bounds, n_bounds)
        Diagonal but for bounds that are one pick.
    """
    sd = np.asarray(bound_sd_mm, np.float64)
    depth = np.arange(sd.size, dtype=np.float64) if bound_mm is None else np.asarray(bound_mm, np.float64)
    return np.asarray(np.outer(sd, sd) * (depth[:, None] == depth[None, :]), np.float64)


def per_bound(outer_and_inner: FloatArray, inner: FloatArray | None = None) -> FloatArray:
    """Change of each piece with each bound: what its step adds to the piece outside it and takes from the inner one.

    Parameters
    ----------
    outer_and_inner : ndarray, shape (n_bounds,)
        What a piece gains per mm that its inner bound moves inwards; loses where its outer bound does.
    inner : ndarray, shape (n_pieces,), optional
        What each piece has on average already, where it is a mean: only the difference counts.

    Returns
    -------
    ndarray, shape (n_pieces, n_bounds)
        Two numbers in each row.
    """
    n = outer_and_inner.size - 1
    rows, mean = np.arange(n), np.zeros(n) if inner is None else inner
    change = np.zeros((n, n + 1))
    change[rows, rows] = -(outer_and_inner[:-1] - mean)
    change[rows, rows + 1] = outer_and_inner[1:] - mean
    return change


def carried(change: FloatArray, covariance: FloatArray, other: FloatArray | None = None) -> FloatArray:
    """Carry a covariance through a linear change: ``J S J'``, or ``J S K'`` between two.

    Parameters
    ----------
    change : ndarray, shape (n, n_bounds)
        J.
    covariance : ndarray, shape (n_bounds, n_bounds)
        S.
    other : ndarray, shape (n, n_bounds), optional
        K; J where absent.

    Returns
    -------
    ndarray, shape (n, n)
        Covariance of what changes.
    """
    return np.asarray(change @ covariance @ (change if other is None else other).T, np.float64)


def sd_of(covariance: FloatArray) -> FloatArray:
    """Standard deviations from a covariance, whose diagonal rounding may leave a trace below 0.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        The covariance; NaN stays NaN.

    Returns
    -------
    ndarray, shape (n,)
        Root of its diagonal.
    """
    return np.asarray(np.sqrt(np.maximum(np.diag(covariance), 0.0)))


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
