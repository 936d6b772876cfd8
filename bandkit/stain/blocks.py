"""Blocks of neighbouring samples: the working grid of a strip."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def block_edges(positions_mm: FloatArray, size_mm: float) -> tuple[NDArray[np.int64], FloatArray]:
    """First sample of each block of about a given size, and the blocks' centres.

    Parameters
    ----------
    positions_mm : ndarray, shape (n,)
        Positions, equally spaced.
    size_mm : float
        Size wanted; blocks are never smaller than one sample.

    Returns
    -------
    starts : ndarray of int, shape (n_blocks,)
        First sample of each block.
    centres_mm : ndarray, shape (n_blocks,)
        Mean position of each block.
    """
    step = float(positions_mm[1] - positions_mm[0])
    starts = even_starts(len(positions_mm), round(len(positions_mm) * step / size_mm))
    counts = np.diff(np.append(starts, len(positions_mm)))
    return starts, np.add.reduceat(positions_mm, starts) / counts


def equal_blocks(positions_mm: FloatArray, size_mm: float) -> tuple[NDArray[np.int64], FloatArray]:
    """First sample of each block of equally many samples, and the blocks' centres, which are equally spaced.

    Parameters
    ----------
    positions_mm : ndarray, shape (n,)
        Positions, equally spaced.
    size_mm : float
        Size wanted; a block is the nearest whole number of samples.

    Returns
    -------
    starts : ndarray of int, shape (n_blocks,)
        First sample of each block; samples too few for a block of their own belong to the last one.
    centres_mm : ndarray, shape (n_blocks,)
        Mean position of each block, but for what the last one has more.
    """
    step = float(positions_mm[1] - positions_mm[0])
    together = min(max(round(size_mm / step), 1), len(positions_mm))
    starts = np.arange(0, len(positions_mm) - together + 1, together, dtype=np.int64)
    return starts, positions_mm[starts] + 0.5 * (together - 1) * step


def even_starts(n: int, n_blocks: int) -> NDArray[np.int64]:
    """First item of each of about so many blocks that are the same from either end.

    Parameters
    ----------
    n : int
        Number of items.
    n_blocks : int
        Blocks wanted; an odd number of them is made, and no more than there are items.

    Returns
    -------
    ndarray of int, shape (n_blocks,)
        First item of each block.
    """
    # With an odd number no border falls on a half, which would have to be rounded to one side.
    odd = max(min(n_blocks, n) - (min(n_blocks, n) + 1) % 2, 1)
    return np.asarray(np.rint(np.arange(odd) * (n / odd)), dtype=np.int64)


def block_sums(values: FloatArray, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> FloatArray:
    """Sums over blocks along the first two axes.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across, ...)
        Values without NaN.
    rows, columns : ndarray of int
        First sample of each block.

    Returns
    -------
    ndarray, shape (n_rows, n_columns, ...)
        Block sums.
    """
    return np.asarray(np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1))
