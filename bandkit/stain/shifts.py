"""Shift of single columns against the average edge of a stain line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.blocks import even_starts
from bandkit.stain.edge import EdgeFit, edge_shape
from bandkit.stats import mean_known

FloatArray = NDArray[np.float64]

# How far a column may still be off after the path.
LAG_MM, LAG_STEP_MM = 0.6, 0.05
# Columns within this width are shifted as one: a single corallite tells little.
TOGETHER_MM = 1.5
# Columns of which less than this is known tell nothing.
LEAST_TOLD = 0.5
# Columns that vary more than this many times as much as usual show something else as well: an encruster, a hole.
STRANGE = 1.5
# Part of the profile that a column is shifted by.
MATCH_MM = (-1.5, 2.5)
# Lobes of a growth surface: their height and length, and how well one shift can be told; the likeliest is taken.
LOBE_SD_MM = (0.01, 0.04, 0.1, 0.2)
LOBE_LENGTH_MM = (2.5, 5.0)
NOISE_SD_MM = (0.02, 0.04, 0.08, 0.15, 0.3)
# A tilt of the whole path may be anything within this at the strip's sides.
TILT_SD_MM = 0.3
# Shifts further off than this many standard deviations are outliers (a speck, a hole).
OUTLIER_SD = 2.5


def column_shifts(columns: FloatArray, u: FloatArray, fit: EdgeFit, across_mm: FloatArray) -> tuple[FloatArray, float]:
    """Shift of each column against a fitted edge, shared with its neighbours.

    Parameters
    ----------
    columns : ndarray, shape (n, n_columns)
        Profiles aligned so far; NaN where unknown.
    u : ndarray, shape (n,)
        Distance inwards from the path.
    fit : EdgeFit
        Edge of their average.
    across_mm : ndarray, shape (n_columns,)
        Positions of the columns.

    Returns
    -------
    shift_mm : ndarray, shape (n_columns,)
        How much deeper each column's edge lies; the median is 0.
    path_sd_mm : float
        Standard error of the shift at the track centre.

    Notes
    -----
    Columns of 1.5 mm are shifted to where the fitted shape explains most of their variance. These shifts
    are smoothed as a Gaussian process: a tilt, lobes of unknown height and length, and noise, whose sizes are those of
    greatest marginal likelihood. The standard error is that of the process at the centre.

    References
    ----------
    Rasmussen, C. E. and Williams, C. K. I. (2006) Gaussian Processes for Machine Learning, MIT Press, chapter 2.
    """
    near = (u >= MATCH_MM[0]) & (u <= MATCH_MM[1])
    lags = _lags()
    shapes = edge_shape(u[near][None, :] - fit.edge_mm - lags[:, None], max(fit.blur_mm, 0.08), fit.tail_mm)
    shapes -= shapes.mean(axis=1, keepdims=True)
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    starts = _together(across_mm)
    count = np.diff(np.append(starts, len(across_mm)))
    y = columns[near]
    told = np.add.reduceat(np.isfinite(y).mean(axis=0), starts) / count >= LEAST_TOLD
    y = np.where(np.isfinite(y), y - mean_known(y, 0), 0.0)
    y = np.add.reduceat(y, starts, axis=1) / count
    measured = _peak_lag(shapes @ y, lags)
    strange = y.std(axis=0)[told] / max(STRANGE * float(np.median(y.std(axis=0)[told])) if told.any() else 1.0, 1e-12)
    at = np.add.reduceat(across_mm, starts) / count
    shift, sd = _smoothed(measured[told], at[told], across_mm, np.maximum(1.0, strange) ** 4)
    return shift - float(np.median(shift)), sd


def _lags() -> FloatArray:
    """Shifts that are tried."""
    n_lags = round(LAG_MM / LAG_STEP_MM)
    return np.arange(-n_lags, n_lags + 1, dtype=np.float64) * LAG_STEP_MM


def _together(across_mm: FloatArray) -> NDArray[np.int64]:
    """First column of each group."""
    return even_starts(len(across_mm), round(float(np.ptp(across_mm)) / TOGETHER_MM))


def _smoothed(measured: FloatArray, at_mm: FloatArray, across_mm: FloatArray, unsure: FloatArray
              ) -> tuple[FloatArray, float]:
    """Gaussian process through the measured shifts: its mean at the columns, its standard deviation at the centre."""
    if len(measured) < 3:
        return np.full(len(across_mm), float(np.median(measured)) if len(measured) else 0.0), LAG_MM
    half = max(float(np.abs(across_mm).max()), 1e-9)
    noise = unsure
    for _ in range(2):
        lobe_sd, length, noise_sd = _likeliest(measured, at_mm, noise, half)
        inverse = np.linalg.inv(_prior(at_mm, at_mm, lobe_sd, length, half) + noise_sd**2 * np.diag(noise))
        solved = inverse @ measured
        away = measured - _prior(at_mm, at_mm, lobe_sd, length, half) @ solved
        noise = unsure * np.maximum(1.0, (away / (OUTLIER_SD * noise_sd)) ** 2)
    mean = _prior(across_mm, at_mm, lobe_sd, length, half) @ solved
    to_centre = _prior(np.zeros(1), at_mm, lobe_sd, length, half)
    variance = _prior(np.zeros(1), np.zeros(1), lobe_sd, length, half) - to_centre @ inverse @ to_centre.T
    return mean, float(np.sqrt(max(float(variance[0, 0]), 0.0)))


def _likeliest(measured: FloatArray, at_mm: FloatArray, noise: FloatArray, half_mm: float
               ) -> tuple[float, float, float]:
    """Height and length of the lobes and noise of greatest marginal likelihood."""
    best, chosen = -np.inf, (LOBE_SD_MM[0], LOBE_LENGTH_MM[0], NOISE_SD_MM[-1])
    for lobe_sd in LOBE_SD_MM:
        for length in LOBE_LENGTH_MM:
            prior = _prior(at_mm, at_mm, lobe_sd, length, half_mm)
            for noise_sd in NOISE_SD_MM:
                covariance = prior + noise_sd**2 * np.diag(noise)
                _, ln_det = np.linalg.slogdet(covariance)
                likelihood = -0.5 * float(measured @ np.linalg.solve(covariance, measured)) - 0.5 * ln_det
                if likelihood > best:
                    best, chosen = likelihood, (lobe_sd, length, noise_sd)
    return chosen


def _prior(a_mm: FloatArray, b_mm: FloatArray, lobe_sd: float, length_mm: float, half_mm: float) -> FloatArray:
    """Covariance of shifts: a level and a tilt of any size, and lobes."""
    apart = (a_mm[:, None] - b_mm[None, :]) / length_mm
    tilt = TILT_SD_MM**2 * (1.0 + np.outer(a_mm, b_mm) / half_mm**2)
    return np.asarray(tilt + lobe_sd**2 * np.exp(-0.5 * apart**2))


def _peak_lag(explained: FloatArray, lags: FloatArray) -> FloatArray:
    """Lag of the greatest value in each column, between lags by a parabola."""
    best = np.clip(np.argmax(explained, axis=0), 1, len(lags) - 2)
    columns = np.arange(explained.shape[1])
    before, at, after = (explained[best + k, columns] for k in (-1, 0, 1))
    curve = before - 2.0 * at + after
    offset = np.where(curve < 0, 0.5 * (before - after) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.asarray(lags[best] + np.clip(offset, -0.5, 0.5) * (lags[1] - lags[0]))
