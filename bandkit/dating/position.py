"""Where a depth lies among the annual marks, counted in years."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import InputError

FloatArray = NDArray[np.float64]

# Intervals that give the local spacing at either end of a series.
N_LOCAL = 5


def position_among_marks(mark_depth_mm: ArrayLike, depth_mm: float) -> float:
    """Where a depth lies among the marks, counted in years.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm.
    depth_mm : float
        A depth, in mm: of a stain, or 0 for the surface.

    Returns
    -------
    float
        0 at the newest mark, 1 at the next inside it, straight between them;
        beyond the ends by the local spacing, negative outside the newest mark. NaN
        beyond the ends of fewer than two marks.

    Notes
    -----
    The local spacing is the median of the five nearest intervals.
    """
    depth = check_marks(mark_depth_mm)
    if depth.size == 0:
        return float("nan")
    if depth_mm < depth[0]:
        return _divide(depth_mm - depth[0], _local_spacing(depth[: N_LOCAL + 1]))
    if depth_mm > depth[-1]:
        return depth.size - 1 + _divide(depth_mm - depth[-1], _local_spacing(depth[-N_LOCAL - 1 :]))
    return float(np.interp(depth_mm, depth, np.arange(depth.size)))


def _local_spacing(depth_mm: FloatArray) -> float:
    """Median distance between marks; NaN for fewer than two."""
    return float(np.median(np.diff(depth_mm))) if depth_mm.size > 1 else float("nan")


def _divide(a: float, b: float) -> float:
    """Quotient; NaN where the divisor is zero."""
    return float(a / b) if b else float("nan")


def check_marks(mark_depth_mm: ArrayLike) -> FloatArray:
    """Depths as an array, finite and in order.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm.

    Returns
    -------
    ndarray, shape (n_marks,)
        The same depths.

    Raises
    ------
    InputError
        Not one row of finite numbers that never fall.
    """
    depth = np.asarray(mark_depth_mm, dtype=np.float64)
    if depth.ndim != 1 or not np.isfinite(depth).all() or np.any(np.diff(depth) < 0):
        msg = f"mark_depth_mm: must be finite and in order from the surface inwards, got {depth.tolist()}"
        raise InputError(msg)
    return depth
