"""List the thin, straight, isolated pieces of a picture, of every width, bright and dark, lying or standing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.scale.piece import Grey, Piece

MIN_ASPECT = 3.0

_ROUGH_ASPECT = 2.0  # on so few pixels a stout bar may look stouter
_THIN_PX = 5  # a piece is at most this thick on the halving where it is found
_MIN_LENGTH_PX = 10
_MAX_TILT = 0.22  # tangent of about 12 degrees
_MIN_CONTRAST = 0.1  # of the range of greys


def straight_pieces(grey: Grey, span: float, shortest_px: float = 0.0) -> Iterator[Piece]:
    """Thin straight pieces of all widths: each halving of the picture looks for twice the width.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        The picture.
    span : float
        Range of greys where pieces are sought; a piece stands out by a share of it.
    shortest_px : float, optional
        Shorter pieces are of no use.

    Yields
    ------
    Piece
        In pixels of the picture, to about one pixel of the halving it was found on; the
        same piece may come from two of them.
    """
    least = _MIN_CONTRAST * span
    if not least > 0:
        return
    step, level = 1, grey
    while max(level.shape) >= 4 * _MIN_LENGTH_PX and min(level.shape) > 2 * _THIN_PX + 1:
        for turned in (False, True):
            lying = np.ascontiguousarray(level.T) if turned else level
            for piece in _lying_pieces(lying, least, max(shortest_px / step, _MIN_LENGTH_PX)):
                upright = replace(piece, x=piece.y, y=piece.x, dx=piece.dy, dy=piece.dx) if turned else piece
                yield upright.scaled(step)
        level = _halved(level)
        step *= 2


def _halved(level: Grey) -> Grey:
    """Means of blocks of two by two; an odd last row or column is left out."""
    h, w = (n // 2 * 2 for n in level.shape)
    halved: Grey = level[0:h:2, 0:w:2] + level[1:h:2, 0:w:2]
    halved += level[0:h:2, 1:w:2] + level[1:h:2, 1:w:2]
    halved *= np.float32(0.25)
    return halved


def _lying_pieces(level: Grey, least: float, shortest: float) -> Iterator[Piece]:
    """Pieces along x that stand out against what lies `_THIN_PX` above and also below."""
    middle = level[_THIN_PX:-_THIN_PX]
    above, below = middle - level[: -2 * _THIN_PX], middle - level[2 * _THIN_PX :]
    for sign, contrast in ((1, np.minimum(above, below)), (-1, -np.maximum(above, below))):
        for part in _straight_parts(contrast, least, shortest):
            yield replace(part, sign=sign)


def _straight_parts(contrast: Grey, least: float, shortest: float) -> Iterator[Piece]:
    """List connected parts above ``least`` that are long, straight and filled."""
    for y, x in _parts(contrast > least, shortest):
        first, last = int(x.min()), int(x.max())
        columns, rows = last - first + 1, int(y[-1] - y[0]) + 1
        if columns < shortest or rows > _THIN_PX + 2 + _MAX_TILT * columns:
            continue
        if first == 0 or last == contrast.shape[1] - 1:
            continue  # runs out of the picture: a frame or a table's edge
        part = _part_shape(x, y, contrast[y, x])
        if part is not None:
            yield part.moved(0, _THIN_PX)


def _parts(mask: NDArray[np.bool_], least_size: float) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Rows and columns of each connected part that is large enough; of noise and texture there are thousands."""
    from scipy import ndimage  # only where a bar must be found

    cells = np.flatnonzero(mask)
    numbers = ndimage.label(mask)[0].ravel()[cells]
    large = (np.bincount(numbers) >= least_size)[numbers]
    cells, numbers = cells[large], numbers[large]
    order = np.argsort(numbers, kind="stable")
    cells, numbers = cells[order], numbers[order]
    if cells.size:
        for part in np.split(cells, np.flatnonzero(np.diff(numbers)) + 1):
            yield np.divmod(part, mask.shape[1])


def _part_shape(x: NDArray[Any], y: NDArray[Any], contrast: NDArray[Any]) -> Piece | None:
    """Rectangle with the same moments as the pixels; None where they are not an elongated rectangle."""
    variance_x, variance_y = float(x.var()) + 1 / 12, float(y.var()) + 1 / 12
    covariance = float(np.mean((x - x.mean()) * (y - y.mean())))
    mean, spread = (variance_x + variance_y) / 2, np.hypot((variance_x - variance_y) / 2, covariance)
    length, width = np.sqrt(12 * (mean + spread)), np.sqrt(12 * max(mean - spread, 1 / 12))
    angle = 0.5 * np.arctan2(2 * covariance, variance_x - variance_y)
    filled = x.size / (length * width)
    if length < _ROUGH_ASPECT * width or filled < 0.6 or abs(np.tan(angle)) > _MAX_TILT:
        return None
    even = float(contrast.mean() / (contrast.mean() + contrast.std()))
    rank = even * min(filled, 1.0) * float(contrast.mean()) * float(np.log(length / width))
    return Piece(x=float(x.mean()), y=float(y.mean()), dx=float(np.cos(angle)), dy=float(np.sin(angle)),
                  length=float(length), width=float(width), sign=1, rank=rank)


def grey_span(grey: Grey) -> float:
    """Range of greys of a picture, less the odd pixel at either end.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        The picture.

    Returns
    -------
    float
        Difference between the 0.5 and the 99.5 percentile.
    """
    sparse = grey[:: max(1, grey.shape[0] // 400), :: max(1, grey.shape[1] // 400)]
    low, high = np.percentile(sparse, [0.5, 99.5])
    return float(high - low)
