"""Means over the whole years of a track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.growth.budget import (
    MM_PER_CM,
    RANDOM_SOURCES,
    SOURCES,
    SYSTEMATIC_SOURCES,
    DensityBudget,
    root_sum_of_squares,
)
from bandkit.growth.pieces import YearGrowth

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackMeans:
    """Means over the whole years of a track; NaN where there are none.

    Parameters
    ----------
    n_years : int
        Whole years.
    extension_mm_yr, density_g_cm3, calcification_g_cm2_yr : float
        Means of the yearly values.
    extension_sd_mm_yr, density_sd_g_cm3, calcification_sd_g_cm2_yr : float
        Standard deviations of those means by measurement.
    density_budget : DensityBudget
        Of the mean density by source, arrays of shape (1,).
    extension_between_years_sd_mm_yr, density_between_years_sd_g_cm3, \
calcification_between_years_sd_g_cm2_yr : float
        Standard deviations of the yearly values about their mean (sample, n - 1).
    """

    n_years: int
    extension_mm_yr: float
    density_g_cm3: float
    calcification_g_cm2_yr: float
    extension_sd_mm_yr: float
    density_sd_g_cm3: float
    calcification_sd_g_cm2_yr: float
    density_budget: DensityBudget
    extension_between_years_sd_mm_yr: float
    density_between_years_sd_g_cm3: float
    calcification_between_years_sd_g_cm2_yr: float


def track_means(growth: YearGrowth) -> TrackMeans:
    """Means over the whole years of a track, with what they may be off by.

    Parameters
    ----------
    growth : YearGrowth
        Growth of each piece; only complete ones count.

    Returns
    -------
    TrackMeans
        Means of the yearly values; absent years count as 0 in extension and
        calcification and do not count in density.

    Notes
    -----
    The picking error of a mean follows from the covariance of the years, so that
    errors of inner marks cancel; noise and the track's place fall with the square root of n;
    systematic errors are kept whole. Calcification is averaged from the years' products.
    """
    whole = np.flatnonzero(growth.complete)
    dense = whole[np.isfinite(growth.density_g_cm3[whole])]
    calcified = whole[np.isfinite(growth.calcification_g_cm2_yr[whole])]
    budget = _mean_budget(growth, dense)
    return TrackMeans(
        n_years=whole.size,
        extension_mm_yr=_mean(growth.extension_mm_yr[whole]),
        density_g_cm3=_mean(growth.density_g_cm3[dense]),
        calcification_g_cm2_yr=_mean(growth.calcification_g_cm2_yr[calcified]),
        extension_sd_mm_yr=_extension_mean_sd(growth, whole),
        density_sd_g_cm3=float(budget.sd_g_cm3[0]),
        calcification_sd_g_cm2_yr=_calcification_mean_sd(growth, calcified),
        density_budget=budget,
        extension_between_years_sd_mm_yr=_spread(growth.extension_mm_yr[whole]),
        density_between_years_sd_g_cm3=_spread(growth.density_g_cm3[dense]),
        calcification_between_years_sd_g_cm2_yr=_spread(growth.calcification_g_cm2_yr[calcified]),
    )


def _extension_mean_sd(growth: YearGrowth, rows: IntArray) -> float:
    """Tell what the mean extension of some pieces may be off by."""
    if not rows.size:
        return float("nan")
    picking = _picking_of_mean(growth.picking_covariance_mm2_yr2, rows)
    return float(np.hypot(picking, growth.extension_systematic_sd_mm_yr[rows].mean()))


def _mean_budget(growth: YearGrowth, rows: IntArray) -> DensityBudget:
    """Tell what the mean density of some pieces may be off by, source by source."""
    if not rows.size:
        return DensityBudget(**{f"{source}_sd_g_cm3": np.array([np.nan]) for source in SOURCES})
    budget = growth.density_budget
    sd = {source: float(budget.of(source)[rows].mean()) for source in SYSTEMATIC_SOURCES}
    sd |= {source: float(np.linalg.norm(budget.of(source)[rows])) / rows.size for source in RANDOM_SOURCES}
    sd["picking"] = _picking_of_mean(growth.density_picking_covariance_g2_cm6, rows)
    return DensityBudget(**{f"{source}_sd_g_cm3": np.array([value]) for source, value in sd.items()})


def _picking_of_mean(covariance: FloatArray, rows: IntArray) -> float:
    """Standard deviation of the mean of some pieces, from their covariance."""
    return float(np.sqrt(max(float(covariance[np.ix_(rows, rows)].sum()), 0.0))) / rows.size


def _calcification_mean_sd(growth: YearGrowth, rows: IntArray) -> float:
    """Tell what the mean calcification of some pieces may be off by."""
    if not rows.size:
        return float("nan")
    # An absent year has no density, and no skeleton for its errors to act on.
    laid = np.isfinite(growth.density_g_cm3[rows])
    extension, density = growth.extension_mm_yr[rows], np.where(laid, growth.density_g_cm3[rows], 0.0)
    budget = {source: np.where(laid, growth.density_budget.of(source)[rows], 0.0) for source in SOURCES}
    by_chance = root_sum_of_squares(budget["noise"], budget["track"])
    parts = [
        MM_PER_CM * _picking_of_mean(growth.calcification_picking_covariance_g2_cm4_yr2, rows),
        float(np.linalg.norm(extension * by_chance)) / rows.size,
        float(np.mean(growth.extension_systematic_sd_mm_yr[rows] * density)),
        *(float(np.mean(extension * budget[source])) for source in SYSTEMATIC_SOURCES),
    ]
    return float(np.linalg.norm(parts)) / MM_PER_CM


def _mean(values: FloatArray) -> float:
    """Mean; NaN of nothing."""
    return float(values.mean()) if values.size else float("nan")


def _spread(values: FloatArray) -> float:
    """Sample standard deviation; NaN of fewer than two."""
    return float(values.std(ddof=1)) if values.size > 1 else float("nan")
