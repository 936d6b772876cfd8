"""Crests that are no annual marks: the second one of a year, and stress bands."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Smoothing before crests are looked for, as a fraction of a year.
SMOOTHING_YR = 0.04
# A crest nearer to a mark than this is the mark's own.
OWN_YR = 0.2
# A second crest rises at least this far above the troughs on both sides, as a fraction of the year's own rise.
LEAST_RISE = 0.4
# A stress band rises this many times as far as the median mark, and is no wider at half its height than this.
STRESS_RISE, STRESS_YR = 2.0, 0.25


def find_doublets(
    value: FloatArray, depth_mm: FloatArray, marks_mm: FloatArray, year_mm: float, stress_mm: FloatArray
) -> FloatArray:
    """Second crest of each year, grouped with the year's own.

    Parameters
    ----------
    value : ndarray, shape (n_depth,)
        Profile, highest at the marks; NaN where unknown.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the surface, in mm, equally spaced.
    marks_mm : ndarray, shape (n_marks,)
        Annual marks, increasing.
    year_mm : float
        Typical length of a year.
    stress_mm : ndarray, shape (n_stress,)
        Stress bands, which are no doublets.

    Returns
    -------
    ndarray, shape (n_marks,)
        Depth of the second crest between a mark and the next one inwards; NaN where
        there is none, and for the innermost mark.
    """
    out = np.full(len(marks_mm), np.nan)
    if len(marks_mm) < 2:
        return out
    smooth = _smoothed(value, depth_mm, SMOOTHING_YR * year_mm)
    for i, (outer, inner) in enumerate(pairwise(marks_mm)):
        ends = np.searchsorted(depth_mm, [outer, inner])
        within = smooth[ends[0] : ends[1] + 1]
        margin = max(int(OWN_YR * len(within)), 1)
        # Tops only: the flank of a broad mark may be higher than a second crest.
        tops = [k for k in _tops(within) if margin <= k < len(within) - margin]
        if not tops:
            continue
        k = max(tops, key=lambda top: float(within[top]))
        low_out, low_in = within[: k + 1].min(), within[k:].min()
        rise = within[k] - max(low_out, low_in)
        year_rise = 0.5 * (within[0] + within[-1]) - min(low_out, low_in)
        at = float(depth_mm[ends[0] + k])
        if rise > LEAST_RISE * year_rise > 0 and not np.any(np.abs(stress_mm - at) < OWN_YR * year_mm):
            out[i] = at
    return out


def find_stress_bands(
    value: FloatArray, depth_mm: FloatArray, marks_mm: FloatArray, year_mm: float
) -> FloatArray:
    """Narrow crests that stand far above those of the years.

    Parameters
    ----------
    value, depth_mm, marks_mm, year_mm
        As for `find_doublets`.

    Returns
    -------
    ndarray, shape (n_stress,)
        Their depths, increasing.
    """
    if len(marks_mm) < 3:
        return np.empty(0)
    smooth = _smoothed(value, depth_mm, SMOOTHING_YR * year_mm)
    reach = max(int(0.5 * year_mm / (depth_mm[1] - depth_mm[0])), 2)
    top = _tops(smooth)
    rise = np.array([smooth[k] - _trough(smooth, k, reach) for k in top])
    at_marks = np.clip(np.searchsorted(depth_mm, marks_mm), 0, len(smooth) - 1)
    usual = float(np.median([smooth[k] - _trough(smooth, int(k), reach) for k in at_marks]))
    found = []
    for k, height in zip(top, rise, strict=True):
        if height > STRESS_RISE * usual > 0 and _width_mm(smooth, depth_mm, int(k), height) < STRESS_YR * year_mm:
            found.append(float(depth_mm[k]))
    return np.array(found)


def _smoothed(value: FloatArray, depth_mm: FloatArray, sd_mm: float) -> FloatArray:
    """The profile without its finest texture, unknown stretches bridged."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(value)
    filled = np.interp(depth_mm, depth_mm[known], value[known])
    return np.asarray(gaussian_filter1d(filled, sd_mm / float(depth_mm[1] - depth_mm[0])))


def _tops(values: FloatArray) -> NDArray[np.int64]:
    """Where values are higher than on both sides."""
    return np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])) + 1


def _trough(smooth: FloatArray, k: int, reach: int) -> float:
    """Mean of the lowest values within reach on both sides."""
    return 0.5 * float(smooth[max(k - reach, 0) : k + 1].min() + smooth[k : k + reach + 1].min())


def _width_mm(smooth: FloatArray, depth_mm: FloatArray, k: int, rise: float) -> float:
    """Width of a crest at half its rise."""
    below = smooth < smooth[k] - 0.5 * rise
    left = np.flatnonzero(below[:k])
    right = np.flatnonzero(below[k:])
    first = left[-1] if len(left) else 0
    last = k + right[0] if len(right) else len(smooth) - 1
    return float(depth_mm[last] - depth_mm[first])
