"""A line across a strip: the connected path that gathers most evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Steepest line against the rows: a growth surface further from square to its own axis is not one.
MAX_SLOPE = float(np.tan(np.radians(35.0)))
# Cost of the steepest step, in the units of the gain: keeps a path from wandering through noise.
STEP_COST = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paths:
    """The best path through every row of the centre column.

    Parameters
    ----------
    rows : ndarray of int, shape (n_rows, n_columns)
        Row of the path in each column, for each row of the centre column.
    gain : ndarray, shape (n_rows, n_columns)
        Gain along each of these paths.
    """

    rows: IntArray
    gain: FloatArray


def best_paths(gain: FloatArray, *, row_mm: float, column_mm: float, centre: int) -> Paths:
    """Connected paths of greatest summed gain through each row of the centre column.

    Parameters
    ----------
    gain : ndarray, shape (n_rows, n_columns)
        Evidence for the line at each place; no NaN.
    row_mm, column_mm : float
        Distance between rows and between columns.
    centre : int
        Column that the paths start from.

    Returns
    -------
    Paths
        One path for every row.

    Notes
    -----
    Dynamic programming from both edges to the centre. Neighbouring columns may
    differ by no more than 35 degrees; the square of the step costs a little, so that
    a straight faint line beats a crooked way from speck to speck.
    """
    reach = max(int(MAX_SLOPE * column_mm / row_mm), 1)
    steps = np.arange(-reach, reach + 1)
    cost = STEP_COST * (steps / reach) ** 2
    rows = np.empty(gain.shape, dtype=np.int64)
    rows[:, centre] = np.arange(len(gain))
    for side in (range(gain.shape[1] - 1, centre, -1), range(centre)):
        columns = list(side)
        following = _follow(gain[:, columns], steps, cost)
        toward = 1 if columns and columns[0] < centre else -1
        for k in range(len(columns) - 1, -1, -1):
            rows[:, columns[k]] = following[k][rows[:, columns[k] + toward]]
    return Paths(rows=rows, gain=np.take_along_axis(gain, rows, axis=0))


def _follow(gain: FloatArray, steps: IntArray, cost: FloatArray) -> list[IntArray]:
    """For each column from the edge inwards, the row that is best reached from each row of the next column."""
    n_rows = len(gain)
    reach = int(steps[-1])
    total = np.zeros(n_rows)
    following = []
    for j in range(gain.shape[1]):
        total = total + gain[:, j]
        padded = np.pad(total, reach, constant_values=-np.inf)
        reached = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1) - cost
        choice = np.argmax(reached, axis=1)
        following.append(np.arange(n_rows) + steps[choice])
        total = reached[np.arange(n_rows), choice]
    return following
