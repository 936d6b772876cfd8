"""Series made comparable: the slow trend taken out, each on its own scale.

A colony grows faster or slower than its neighbour and changes with age and position; what
colonies of one reef share is how a year differs from the years around it. So each series is
divided by its own slow trend, and what is left is put in units of its own scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]

Trend = Literal["smooth", "line", "mean"]
TRENDS: tuple[Trend, ...] = ("smooth", "line", "mean")

# Of variation with this period half stays in the trend and half in the index.
DEFAULT_PERIOD_YR = 30.0
# Fewer years than this have no trend that could be told from their scatter.
LEAST_YEARS = 10
# Values further from the trend than this many standard deviations are held to it when the trend is drawn.
HELD_SD = 2.5
_ROUNDS = 3
# Below this an index does not vary but for rounding.
_LEAST_SCATTER = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standardised:
    """Series as deviations from their own trends; rows are years from the outside inwards.

    Parameters
    ----------
    index : ndarray, shape (n_years, n_series)
        Value divided by trend, about 1; NaN where there is no whole year.
    trend : ndarray, shape (n_years, n_series)
        The trend, in the unit of the values.
    deviation : ndarray, shape (n_years, n_series)
        Index less 1 in units of ``index_sd``, about 0 with a scatter of 1.
    index_sd : ndarray, shape (n_series,)
        Scatter of the index, from its median absolute deviation; NaN where the series is too short.
    """

    index: FloatArray
    trend: FloatArray
    deviation: FloatArray
    index_sd: FloatArray


def standardise(values: ArrayLike, *, trend: Trend = "smooth", period_yr: float = DEFAULT_PERIOD_YR) -> Standardised:
    """Divide series by their trends.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Growth of whole years on one axis of years; NaN where a series has none. Positive quantities only.
    trend : {"smooth", "line", "mean"}
        "smooth": a smooth curve, see `smooth_trend`; "line": a straight line; "mean": no trend at all, for
        series whose slow change is of interest.
    period_yr : float
        For "smooth": period of which half stays in the trend.

    Returns
    -------
    Standardised
        Series of fewer than `LEAST_YEARS` years or without scatter are NaN throughout.

    Notes
    -----
    The trend is drawn three times; each time what lies further than 2.5 robust standard deviations from
    the last trend is held to that distance, so that a band that is in truth two years does not bend it.
    """
    given = np.asarray(values, dtype=np.float64)
    given = np.where(given > 0, given, np.nan)
    lines = np.full(given.shape, np.nan)
    scatter = np.full(given.shape[1], np.nan)
    for j, column in enumerate(given.T):
        if np.isfinite(column).sum() >= LEAST_YEARS:
            lines[:, j] = _robust_trend(column, trend, period_yr)
            scatter[j] = robust_sd(column / lines[:, j], about=1.0)
    scatter[~(scatter > _LEAST_SCATTER)] = np.nan
    index = given / np.where(lines > 0, lines, np.nan)
    index[:, ~np.isfinite(scatter)] = np.nan
    return Standardised(index=index, trend=lines, deviation=(index - 1.0) / scatter, index_sd=scatter)


def smooth_trend(values: ArrayLike, period_yr: float) -> FloatArray:
    """Smooth a series so that half of the variation of one period stays.

    Parameters
    ----------
    values : array_like, shape (n_years,)
        Values of consecutive years; NaN where unknown, which the curve bridges.
    period_yr : float
        The period, in years, more than 2.

    Returns
    -------
    ndarray, shape (n_years,)
        The curve; straight beyond the known values.

    Notes
    -----
    The curve that minimises the squared distance from the values plus ``stiffness`` times its squared second
    differences (Whittaker 1923). The share that it keeps of a cosine of angular frequency ``w`` is
    ``1 / (1 + stiffness (2 - 2 cos w)^2)``, which is one half for
    ``stiffness = (2 - 2 cos(2 pi / period))^-2``.

    References
    ----------
    Whittaker, E. T. (1923): On a new method of graduation. Proceedings of the Edinburgh Mathematical Society 41.
    """
    # Imported here: scipy takes a while to load.
    from scipy.linalg import solveh_banded

    y = np.asarray(values, dtype=np.float64)
    known = np.isfinite(y)
    n = y.size
    if n < 3 or not known.any():
        return np.full(n, float(np.mean(y[known])) if known.any() else np.nan)
    stiffness = (2.0 - 2.0 * math.cos(2.0 * math.pi / period_yr)) ** -2
    # Second differences multiplied with themselves: five diagonals, of which the upper three are kept.
    second = np.zeros((n - 2, n))
    rows = np.arange(n - 2)
    second[rows, rows], second[rows, rows + 1], second[rows, rows + 2] = 1.0, -2.0, 1.0
    square = second.T @ second
    bands = np.zeros((3, n))
    for up in range(3):
        bands[2 - up, up:] = stiffness * np.diagonal(square, up)
    # A hair of weight on unknown years keeps the system solvable where only one year is known.
    weight = np.where(known, 1.0, 1e-9)
    bands[2] += weight
    filled = np.where(known, y, float(np.mean(y[known])))
    return np.asarray(solveh_banded(bands, weight * filled))


def _robust_trend(column: FloatArray, trend: Trend, period_yr: float) -> FloatArray:
    """Trend of one series, little moved by single years."""
    known = np.flatnonzero(np.isfinite(column))
    inside = slice(int(known[0]), int(known[-1]) + 1)
    values = column[inside]
    # The first trend is drawn through values held to the median: a doubled year would bend it most.
    middle = float(np.nanmedian(values))
    limit = HELD_SD * robust_sd(values, about=middle)
    held, line = middle + np.clip(values - middle, -limit, limit), values
    for _ in range(_ROUNDS):
        line = _trend(held, trend, period_yr)
        limit = HELD_SD * robust_sd(values - line)
        held = line + np.clip(values - line, -limit, limit)
    out = np.full(column.shape, np.nan)
    out[inside] = line
    return out


def _trend(values: FloatArray, trend: Trend, period_yr: float) -> FloatArray:
    """One curve through values that may have gaps."""
    if trend == "smooth":
        return smooth_trend(values, period_yr)
    known = np.isfinite(values)
    if trend == "mean":
        return np.full(values.shape, float(np.mean(values[known])))
    at = np.arange(values.size, dtype=np.float64)
    slope, level = np.polyfit(at[known], values[known], 1)
    return np.asarray(level + slope * at)
