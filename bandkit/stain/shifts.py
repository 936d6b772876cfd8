"""Shift of single columns against the average edge of a stain line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.edge import EdgeFit, edge_shape
from bandkit.stats import mean_known

FloatArray = NDArray[np.float64]

# How far a column may still be off after the path.
LAG_MM, LAG_STEP_MM = 0.6, 0.05
# Half widths over which neighbours may share a shift; the one that foretells a left-out column best is taken.
SHARE_MM = (1.5, 3.0, 6.0)
# Every other stretch of this width makes up one of two halves, whose difference is the path's error.
HALF_MM = 1.0
# Part of the profile that a column is shifted by.
MATCH_MM = (-1.5, 2.5)


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
    A column is shifted to where the fitted shape explains most of its variance, taken
    together with its neighbours; over how wide a stretch is chosen by leaving each column out
    in turn. The error comes from two halves of the columns.
    """
    near = (u >= MATCH_MM[0]) & (u <= MATCH_MM[1])
    n_lags = round(LAG_MM / LAG_STEP_MM)
    lags: FloatArray = np.arange(-n_lags, n_lags + 1, dtype=np.float64) * LAG_STEP_MM
    shapes = edge_shape(u[near][None, :] - fit.edge_mm - lags[:, None], max(fit.blur_mm, 0.08), fit.tail_mm)
    shapes -= shapes.mean(axis=1, keepdims=True)
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    y = columns[near]
    y = np.where(np.isfinite(y), y - mean_known(y, 0), 0.0)
    power = (y**2).sum(axis=0)
    explained = np.clip(shapes @ y, 0.0, None) ** 2 / np.maximum(power, 1e-30)
    shift, scatter = _share(explained, lags, across_mm)
    return shift - float(np.median(shift)), scatter


def _share(explained: FloatArray, lags: FloatArray, across_mm: FloatArray) -> tuple[FloatArray, float]:
    """Best lag of each column with its neighbours, and the standard error of that at the centre."""
    distance = np.abs(across_mm[:, None] - across_mm[None, :])
    columns = np.arange(len(across_mm))
    best_score, best = -np.inf, np.eye(len(across_mm))
    for half_width in SHARE_MM:
        share = np.clip(1.0 - distance / half_width, 0.0, None)
        left_out = _peak_lag(explained @ (share - np.diag(np.diag(share))).T, lags)
        nearest = np.clip(np.rint((left_out - lags[0]) / (lags[1] - lags[0])).astype(np.int64), 0, len(lags) - 1)
        score = float(explained[nearest, columns].sum())
        if score > best_score:
            best_score, best = score, share
    halves = np.floor(across_mm / HALF_MM).astype(np.int64) % 2
    first, second = (_peak_lag(explained @ (best * (halves == k)).T, lags) for k in (0, 1))
    # Two halves differ by twice the error of their mean; the greater of the centre's and the usual is taken.
    centre = int(np.argmin(np.abs(across_mm)))
    apart = first - second - np.median(first - second)
    usual = float(np.sqrt(np.mean(np.clip(apart, -0.3, 0.3) ** 2)))
    scatter = 0.5 * max(usual, abs(float(apart[centre])) / 2.0)
    return _peak_lag(explained @ best.T, lags), scatter


def _peak_lag(explained: FloatArray, lags: FloatArray) -> FloatArray:
    """Lag of the greatest value in each column, between lags by a parabola."""
    best = np.clip(np.argmax(explained, axis=0), 1, len(lags) - 2)
    columns = np.arange(explained.shape[1])
    before, at, after = (explained[best + k, columns] for k in (-1, 0, 1))
    curve = before - 2.0 * at + after
    offset = np.where(curve < 0, 0.5 * (before - after) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.asarray(lags[best] + np.clip(offset, -0.5, 0.5) * (lags[1] - lags[0]))
