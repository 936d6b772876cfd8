"""A line across a strip: straight or domed forms first, then the connected path that gathers most evidence."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Steepest line against the rows: a growth surface further from square to its own axis is not one.
MAX_SLOPE = float(np.tan(np.radians(35.0)))
# Forms are tried in steps of this much at the strip's sides, none tighter than a colony of 40 mm radius.
FORM_STEP_MM = 0.5
MAX_CURVATURE_MM = 1.0 / 40.0
# Slope of a growth surface against the nearest straight or domed form, one standard deviation: lobes and calices.
LOBE_SLOPE = 0.12
# A step of more rows between neighbouring columns is no growth surface.
MOST_ROWS = 4
# Evidence is worth this share of itself: that of a line is stronger than its average where the path follows noise.
WORTH_FRAC = 0.7
LEAST_WORTH = 0.3


def surface_forms(across_mm: FloatArray, row_mm: float, *, step_mm: float = FORM_STEP_MM) -> IntArray:
    """Straight and domed lines as rows below the centre.

    Parameters
    ----------
    across_mm : ndarray, shape (n_columns,)
        Positions of the columns.
    row_mm : float
        Distance between rows.
    step_mm : float
        How far apart neighbouring forms are at the strip's sides.

    Returns
    -------
    ndarray of int, shape (n_forms, n_columns)
        Rows below where the form crosses 0; for each form there is its mirror image.
    """
    half = max(float(np.abs(across_mm).max()), 1e-6)
    most = np.floor(MAX_SLOPE * half / step_mm)
    slopes = np.arange(-most, most + 1)
    bows = np.arange(-1, np.ceil(0.5 * MAX_CURVATURE_MM * half**2 / step_mm) + 1)
    slope, bow = (a.ravel()[:, None] for a in np.meshgrid(slopes, bows, indexing="ij"))
    x = across_mm[None, :] / half
    return np.rint(step_mm * (slope * x + bow * x**2) / row_mm).astype(np.int64)


def best_forms(gain: FloatArray, forms: IntArray) -> tuple[FloatArray, IntArray]:
    """Best mean gain over all forms through each row.

    Parameters
    ----------
    gain : ndarray, shape (n_rows, n_columns, n_versions)
        Evidence, for several filters.
    forms : ndarray of int, shape (n_forms, n_columns)
        As `surface_forms` gives them.

    Returns
    -------
    score : ndarray, shape (n_rows, n_versions)
        Mean gain along the best form.
    which : ndarray of int, shape (n_rows, n_versions)
        That form.
    """
    n_rows, n_columns, n_versions = gain.shape
    reach = int(np.abs(forms).max()) if forms.size else 0
    padded = np.zeros((n_columns, n_rows + 2 * reach, n_versions), dtype=np.float32)
    padded[:, reach:reach + n_rows] = gain.transpose(1, 0, 2)
    best = np.full((n_rows, n_versions), -np.inf, dtype=np.float32)
    which = np.zeros((n_rows, n_versions), dtype=np.int64)
    total = np.empty((n_rows, n_versions), dtype=np.float32)
    for k, form in enumerate(forms):
        total[:] = 0.0
        for j, offset in enumerate(form):
            total += padded[j, reach + offset:reach + offset + n_rows]
        better = total > best
        which[better] = k
        np.maximum(best, total, out=best)
    return best.astype(np.float64) / n_columns, which


def follow(gain: FloatArray, rows: IntArray, *, near_mm: float, row_mm: float, column_mm: float, steep: bool = False
           ) -> IntArray:
    """Connected paths of greatest gain near some forms.

    Parameters
    ----------
    gain : ndarray, shape (n_rows, n_columns)
        Evidence for the line at each place, in standard deviations of the texture.
    rows : ndarray of int, shape (n_paths, n_columns)
        Forms to start from.
    near_mm : float
        How far a path may leave its form.
    row_mm, column_mm : float
        Distance between rows and between columns.
    steep : bool
        Whether a lobe's steep flank is no wonder: for lines that single columns show.

    Returns
    -------
    ndarray of int, shape (n_paths, n_columns)
        Rows of the paths.

    Notes
    -----
    The most probable path by dynamic programming (Viterbi): the slope against the form is taken as normal about 0
    with a standard deviation of 0.12, so that a faint line that goes on beats a crooked way from speck to speck; where
    steep flanks are no wonder, as Student's t of three degrees of freedom.
    """
    reach = max(round(near_mm / row_mm), 1)
    offsets = np.arange(-reach, reach + 1)
    at = np.clip(rows[:, None, :] + offsets[None, :, None], 0, len(gain) - 1)
    band = gain[at, np.arange(gain.shape[1])[None, None, :]]
    on_form = gain[np.clip(rows, 0, len(gain) - 1), np.arange(gain.shape[1])].mean(axis=1)
    worth = WORTH_FRAC * np.maximum(on_form, LEAST_WORTH)
    path = _most_probable(band * worth[:, None, None], row_mm=row_mm, column_mm=column_mm, steep=steep)
    return np.asarray(np.clip(rows + path - reach, 0, len(gain) - 1))


def _most_probable(gain: FloatArray, *, row_mm: float, column_mm: float, steep: bool) -> IntArray:
    """Viterbi over the middle axis, shape (n_paths, n_columns)."""
    n_paths, n_rows, n_columns = gain.shape
    steps = np.arange(-MOST_ROWS, MOST_ROWS + 1)
    square = (steps * row_mm / (LOBE_SLOPE * column_mm)) ** 2
    cost = 2.0 * np.log1p(square / 3.0) if steep else 0.5 * square
    total = gain[:, :, 0]
    came: list[IntArray] = []
    for j in range(1, n_columns):
        padded = np.pad(total, ((0, 0), (MOST_ROWS, MOST_ROWS)), constant_values=-1e12)
        reached = np.stack([padded[:, MOST_ROWS - k:MOST_ROWS - k + n_rows] for k in steps]) - cost[:, None, None]
        choice = np.argmax(reached, axis=0)
        came.append(steps[choice])
        total = np.take_along_axis(reached, choice[None], axis=0)[0] + gain[:, :, j]
    path = np.empty((n_paths, n_columns), dtype=np.int64)
    every = np.arange(n_paths)
    path[:, -1] = np.argmax(total, axis=1)
    for j in range(n_columns - 1, 0, -1):
        path[:, j - 1] = path[:, j] - came[j - 1][every, path[:, j]]
    return path
