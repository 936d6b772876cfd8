"""A filter that finds the sharp outer edge of a stain in the slab's own texture.

What else colours a slab (algae, tissue, rust, shadows, drifting light) comes and goes over a
millimetre and more; dye is laid down in a day and begins at once. Which lengths are texture and which are free for
an edge is read from the slab: the covariance of its own colour, averaged across the strip.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.edge import edge_shape
from bandkit.stats import mean_known, robust_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Part of the edge that the filter looks at, outwards and inwards.
OUTER_MM, INNER_MM = 1.6, 2.4
# Blur of an edge once its columns are aligned roughly.
EDGE_BLUR_MM = 0.1
# Level and slope may be anything: their variance against that of the texture.
FREE_LEVEL = 100.0
# Colours further off than this many standard deviations (specks, encrusters) are held there.
HELD_SD = 3.0
# Specks that fill a column are held less far.
STEP_MM = 0.4
# Neither ratio may outweigh the other by more than this; the second may count against the dye a little, where that
# takes out what else colours the slab.
RATIO_LIMITS = (-0.4, 1.5)
RIDGE = 0.05


def edge_filter(covariance: FloatArray, row_mm: float, tail_mm: float) -> FloatArray:
    """Weights whose sum over a column's neighbourhood tells an edge best from texture.

    Parameters
    ----------
    covariance : ndarray, shape (n_lags,)
        Covariance of the texture against distance along the depth, in rows.
    row_mm : float
        Distance between rows.
    tail_mm : float
        Length of the seepage tail looked for.

    Returns
    -------
    ndarray, shape (n_lags,)
        Weights from the outermost row inwards, see `filter_edges`; the texture's response has unit variance.

    Notes
    -----
    ``h ~ C^-1 s`` with the covariance C of the texture and the edge's shape s. A level and a
    slope of any size are added to C, so that neither gives a response.

    References
    ----------
    Turin, G. L. (1960) An introduction to matched filters. IRE Transactions on Information Theory 6, 311-329.
    """
    n = len(covariance)
    u: FloatArray = (np.arange(n, dtype=np.float64) - _n_outer(row_mm) + 0.5) * row_mm
    shape = edge_shape(u, EDGE_BLUR_MM, tail_mm)
    texture = covariance[np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])]
    free = np.stack([np.ones(n), u / u.std()], axis=1)
    total = texture + covariance[0] * (1e-3 * np.eye(n) + FREE_LEVEL * free @ free.T)
    weights = np.linalg.solve(total, shape)
    return np.asarray(weights / np.sqrt(max(float(weights @ total @ weights), 1e-300)))


def filter_rows(row_mm: float) -> int:
    """Rows that the filter spans.

    Parameters
    ----------
    row_mm : float
        Distance between rows.

    Returns
    -------
    int
        Number of rows.
    """
    return _n_outer(row_mm) + max(round(INNER_MM / row_mm), 2)


def _n_outer(row_mm: float) -> int:
    """Rows of the filter outside the edge."""
    return max(round(OUTER_MM / row_mm), 2)


def filter_edges(values: FloatArray, weights: FloatArray, row_mm: float) -> FloatArray:
    """Response of the edge filter at each place of a grid.

    Parameters
    ----------
    values : ndarray, shape (n_rows, n_columns)
        Dye index without NaN.
    weights : ndarray, shape (n_lags,)
        As `edge_filter` gives them.
    row_mm : float
        Distance between rows.

    Returns
    -------
    ndarray, shape (n_rows, n_columns)
        Evidence that dye begins at the upper border of each row, in robust standard deviations.
    """
    # Imported here: measuring needs it, asking for help does not.
    from scipy.ndimage import correlate1d

    response = correlate1d(values, weights, axis=0, origin=_n_outer(row_mm) - len(weights) // 2, mode="nearest")
    return np.asarray(response / max(robust_sd(response, about=0.0), 1e-12))


def hold_and_fill(values: FloatArray) -> FloatArray:
    """Extreme values held, unknown ones filled along their column.

    Parameters
    ----------
    values : ndarray, shape (n_rows, n_columns)
        Values about 0; NaN where unknown.

    Returns
    -------
    ndarray, shape (n_rows, n_columns)
        Without NaN; a column of which nothing is known is 0.
    """
    limit = HELD_SD * robust_sd(values, about=0.0)
    held = np.clip(values, -limit, limit)
    known = np.isfinite(held)
    rows = np.arange(len(held))
    for j in np.flatnonzero(~known.all(axis=0)):
        at = rows[known[:, j]]
        held[:, j] = np.interp(rows, at, held[at, j]) if len(at) else 0.0
    return held


def averages_across(values: FloatArray, shapes: IntArray) -> FloatArray:
    """Averages across the strip along several forms of a growth surface.

    Parameters
    ----------
    values : ndarray, shape (n_rows, n_columns)
        Values without NaN.
    shapes : ndarray of int, shape (n_shapes, n_columns)
        Rows below the centre of each form.

    Returns
    -------
    ndarray, shape (n_rows, n_shapes)
        NaN where a form leaves the strip.
    """
    return np.stack([mean_known(sheared(values, shape), 1, least_frac=0.8) for shape in shapes], axis=1)


def sheared(values: FloatArray, shape: IntArray) -> FloatArray:
    """A grid whose columns are shifted so that a form lies level.

    Parameters
    ----------
    values : ndarray, shape (n_rows, n_columns, ...)
        Any values.
    shape : ndarray of int, shape (n_columns,)
        Rows below the centre.

    Returns
    -------
    ndarray
        Same shape; NaN where the strip ends.
    """
    rows = np.arange(len(values))[:, None] + shape[None, :]
    inside = (rows >= 0) & (rows < len(values))
    moved = values[np.clip(rows, 0, len(values) - 1), np.arange(values.shape[1])[None, :]]
    return np.where(inside.reshape(*inside.shape, *(1,) * (values.ndim - 2)), moved, np.nan)


def autocovariance(profiles: FloatArray, n_lags: int) -> FloatArray:
    """Covariance of profiles with themselves against distance, extremes held.

    Parameters
    ----------
    profiles : ndarray, shape (n_rows, n_profiles)
        Profiles; NaN where unknown.
    n_lags : int
        Number of distances, from 0.

    Returns
    -------
    ndarray, shape (n_lags,)
        Mean over the profiles; a small number at 0 and else 0 where they are flat or too short.
    """
    about = profiles - np.nanmedian(profiles) if np.isfinite(profiles).any() else profiles
    limit = HELD_SD * robust_sd(about, about=0.0)
    held = np.nan_to_num(np.clip(about, -limit, limit))
    out = np.zeros(n_lags)
    for lag in range(min(n_lags, len(held))):
        out[lag] = float(np.mean(held[lag:] * held[:len(held) - lag]))
    out[0] = max(out[0], 1e-18)
    return out


def weights_for(averages: FloatArray, hue_deg: float, row_mm: float) -> FloatArray:
    """Weights of the two log ratios that tell a hue best from what else changes along the depth.

    Parameters
    ----------
    averages : ndarray, shape (n_rows, n_shapes, 2)
        ln(R/G) and ln(B/G) averaged across the strip.
    hue_deg : float
        Direction of the dye in the two ratios.
    row_mm : float
        Distance between rows.

    Returns
    -------
    ndarray, shape (2,)
        Weights of unit gain along the hue.

    Notes
    -----
    Fisher's linear discriminant, ``w ~ S^-1 t``, with the covariance S of steps over 0.4 mm.

    References
    ----------
    Fisher, R. A. (1936) Annals of Eugenics 7, 179-188.
    """
    along = np.array([np.cos(np.radians(hue_deg)), np.sin(np.radians(hue_deg))])
    apart = max(round(STEP_MM / row_mm), 1)
    steps = (averages[apart:] - averages[:-apart]).reshape(-1, 2)
    steps = steps[np.isfinite(steps).all(axis=1)]
    if len(steps) < 10:
        return along
    limit = 2.5 * (np.array([robust_sd(ratio, about=0.0) for ratio in steps.T]) + 1e-9)
    held = np.clip(steps, -limit, limit)
    covariance = held.T @ held / len(held)
    covariance += (RIDGE * np.trace(covariance) / 2 + 1e-12) * np.eye(2)
    return _limited(np.linalg.solve(covariance, along), along)


def _limited(weights: FloatArray, along: FloatArray) -> FloatArray:
    """Weights whose lesser part stays within limits, of unit gain along the hue."""
    first = int(np.argmax(np.abs(along)))
    sign = np.sign(along)
    main, other = weights[first] * sign[first], weights[1 - first] * (sign[1 - first] or 1.0)
    share = float(np.clip(other / main, *RATIO_LIMITS)) if main > 0 else RATIO_LIMITS[1]
    out = np.empty(2)
    out[first], out[1 - first] = sign[first], share * (sign[1 - first] or 1.0)
    return np.asarray(out / (out @ along))
