"""Means over square blocks of an image, for overviews."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[Any]

# Runs up to this long are added line by line.
_FEW = 16


def block_means(values: Pixels, step: int) -> npt.NDArray[np.float32]:
    """Average square blocks of an image; blocks at the far edges may be cut.

    Parameters
    ----------
    values : ndarray, shape (h, w) or (h, w, c)
        Pixels. NaN is left out of the mean.
    step : int
        Side of a block, in px.

    Returns
    -------
    float32 ndarray, shape (ceil(h / step), ceil(w / step)) or with c
        Block means, NaN where a block holds no number.
    """
    if step == 1:
        return values.astype(np.float32)
    if values.dtype.kind == "f":
        known = np.isfinite(values)
        count = _block_sums(known, step)
        total = _block_sums(np.where(known, values, 0), step)
        means = np.full(total.shape, np.nan, dtype=np.float32)
        return np.divide(total, count, out=means, where=count > 0, casting="same_kind")
    rows, columns = (_block_sides(length, step) for length in values.shape[:2])
    pixels = np.outer(rows, columns).reshape(len(rows), len(columns), *(1,) * (values.ndim - 2))
    return (_block_sums(values, step) / pixels).astype(np.float32)


def _block_sides(length: int, step: int) -> npt.NDArray[np.int64]:
    """Pixels in each block along one side."""
    return np.minimum(step, length - np.arange(0, length, step))


def _block_sums(values: Pixels, step: int) -> npt.NDArray[np.float64]:
    """Sums of square blocks: rows first, in whole numbers where those cannot overflow, for speed."""
    small = values.dtype.kind in "ub" and values.dtype.itemsize <= 2 and step <= 2**16
    rows = _run_sums(values, step, np.dtype(np.uint32 if small else np.float64))
    return _run_sums(rows.swapaxes(0, 1), step, np.dtype(np.float64)).swapaxes(0, 1)


def _run_sums(values: Pixels, step: int, dtype: np.dtype[Any]) -> Pixels:
    """Sums of runs of ``step`` along the first axis; the last run may be short."""
    whole = len(values) // step * step
    if step <= _FEW:
        # Adding every step-th line is several times faster than summing short runs.
        sums: Pixels = values[:whole:step].astype(dtype)
        for first in range(1, step):
            sums += values[first:whole:step]
    else:
        sums = values[:whole].reshape(-1, step, *values.shape[1:]).sum(axis=1, dtype=dtype)
    if whole == len(values):
        return sums
    return np.concatenate([sums, values[whole:].sum(axis=0, dtype=dtype, keepdims=True)])
