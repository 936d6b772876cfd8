"""Means, medians and scatter that bear gaps and outliers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Half the width of a 90 % interval of a normal distribution, in standard deviations.
Z_90 = 1.645
# Standard deviation of a normal distribution over its median absolute deviation.
MAD_TO_SD = 1.4826


def mean_known(values: FloatArray, axis: int, *, least_frac: float = 0.0) -> FloatArray:
    """Mean along an axis without the NaN.

    Parameters
    ----------
    values : ndarray
        Values, NaN where unknown.
    axis : int
        Axis to go along.
    least_frac : float
        Share of the values that must be known.

    Returns
    -------
    ndarray
        Means, one axis less; NaN where too little or nothing is known.
    """
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    mean = np.where(known, values, 0.0).sum(axis=axis) / np.maximum(count, 1)
    return np.asarray(np.where((count > 0) & (count >= least_frac * values.shape[axis]), mean, np.nan))


def nan_median(values: FloatArray, axis: int) -> FloatArray:
    """Median along an axis without the NaN; NaN where all is NaN.

    Parameters
    ----------
    values : ndarray
        Values, NaN where unknown.
    axis : int
        Axis to go along.

    Returns
    -------
    ndarray
        Medians, one axis less.
    """
    if not np.isnan(values).any():
        return np.asarray(np.median(values, axis=axis))
    # NaN sorts last: the middle of the known ones is found by counting. No warning where there are none.
    ordered = np.sort(values, axis=axis)
    count = np.isfinite(values).sum(axis=axis)
    low = np.expand_dims(np.clip((count - 1) // 2, 0, None), axis)
    high = np.expand_dims(np.clip(count // 2, 0, values.shape[axis] - 1), axis)
    middle = 0.5 * (np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis))
    return np.asarray(np.where(count > 0, np.squeeze(middle, axis), np.nan))


def running_median(values: FloatArray, position_mm: FloatArray, window_mm: float) -> FloatArray:
    """Median over a window that slides along; whole windows only, so that the ends stay robust.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values, NaN where unknown.
    position_mm : ndarray, shape (n,)
        Positions, increasing.
    window_mm : float
        Width of the window; all there is where that is less.

    Returns
    -------
    ndarray, shape (n,)
        Running median; 0 where nothing at all is known.
    """
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(len(values))
    filled = np.interp(position_mm, position_mm[known], values[known])
    # Medians of blocks of half a millimetre first: the drift is slow.
    every = max(round(0.5 * (len(values) - 1) / max(position_mm[-1] - position_mm[0], 1e-9)), 1)
    n_blocks = max(len(values) // every, 1)
    blocks = np.median(filled[:n_blocks * every].reshape(n_blocks, -1), axis=1)
    centres = position_mm[:n_blocks * every].reshape(n_blocks, -1).mean(axis=1)
    span = min(max(round(window_mm / 0.5), 1), n_blocks)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(blocks, span), axis=-1)
    at = np.lib.stride_tricks.sliding_window_view(centres, span).mean(axis=-1)
    return np.asarray(np.interp(position_mm, at, middle))


def robust_sd(values: FloatArray, *, about: float | None = None) -> float:
    """Standard deviation from the median absolute deviation, without the NaN.

    Parameters
    ----------
    values : ndarray
        Values, NaN where unknown.
    about : float, optional
        What they scatter about, such as 0 for residuals; their median where absent.

    Returns
    -------
    float
        Robust standard deviation; NaN where nothing is known.

    Notes
    -----
    1.4826 times the median absolute deviation, which is the standard deviation of a normal distribution.
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan")
    middle = np.median(known) if about is None else about
    return float(MAD_TO_SD * np.median(np.abs(known - middle)))


def robust_mean(columns: FloatArray) -> FloatArray:
    """Mean over columns, each held to 2.5 standard deviations from the median of its row.

    Parameters
    ----------
    columns : ndarray, shape (n_rows, n_columns)
        Values, NaN where unknown.

    Returns
    -------
    ndarray, shape (n_rows,)
        Means; NaN where a whole row is unknown.
    """
    middle = nan_median(columns, axis=1)
    away = columns - middle[:, None]
    limit = 2.5 * robust_sd(away)
    count = np.isfinite(away).sum(axis=1)
    total = np.where(np.isfinite(away), np.clip(away, -limit, limit), 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, middle + total / np.maximum(count, 1), np.nan))
