"""A straight piece of a picture, as first seen and as measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
Grey = NDArray[np.float32]

_DISPLAY_GAMMA = 2.2


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBar:
    """A scale bar that the program found.

    Parameters
    ----------
    from_px, to_px : tuple of float
        Ends on the bar's middle line, ``(x, y)``; left or upper end first. Of a bar
        with end strokes, the outer faces of the strokes.
    width_px : float
        Distance between its long sides.
    sd_px : float
        Standard deviation of the length.
    confidence : float
        0 to 1, how much it looks like a scale bar.
    bright : bool
        Brighter than its surround.
    """

    from_px: Point
    to_px: Point
    width_px: float
    sd_px: float
    confidence: float
    bright: bool

    @property
    def length_px(self) -> float:
        """Distance between the ends."""
        return float(np.hypot(self.to_px[0] - self.from_px[0], self.to_px[1] - self.from_px[1]))

    def moved(self, x: float, y: float) -> FoundBar:
        """Return the bar seen from another origin."""
        return replace(self, from_px=(self.from_px[0] + x, self.from_px[1] + y),
                       to_px=(self.to_px[0] + x, self.to_px[1] + y))


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A piece that may be a bar.

    Parameters
    ----------
    x, y : float
        Its middle.
    dx, dy : float
        Unit vector along it.
    length, width : float
        Its size.
    sign : {1, -1}
        1 when it is brighter than its surround, -1 when darker.
    rank : float
        How much it looks like a bar beside others.
    """

    x: float
    y: float
    dx: float
    dy: float
    length: float
    width: float
    sign: int
    rank: float = 0.0

    def scaled(self, step: float) -> Piece:
        """Return the piece in pixels ``step`` times smaller."""
        return replace(self, x=(self.x + 0.5) * step - 0.5, y=(self.y + 0.5) * step - 0.5,
                       length=self.length * step, width=self.width * step)

    def shifted(self, along: float, *, length: float) -> Piece:
        """Return the piece moved along itself, with another length."""
        return replace(self, x=self.x + along * self.dx, y=self.y + along * self.dy, length=length)

    def moved(self, x: float, y: float) -> Piece:
        """Return the piece seen from another origin."""
        return replace(self, x=self.x + x, y=self.y + y)


def piece_of(bar: FoundBar) -> Piece:
    """Middle, direction and size of a found bar.

    Parameters
    ----------
    bar : FoundBar
        A bar.

    Returns
    -------
    Piece
        The same in other words, without a rank.
    """
    (ax, ay), (bx, by) = bar.from_px, bar.to_px
    length = bar.length_px
    return Piece(x=(ax + bx) / 2, y=(ay + by) / 2, dx=(bx - ax) / length, dy=(by - ay) / length,
                 length=length, width=bar.width_px, sign=1 if bar.bright else -1)


def bar_of(piece: Piece, sd_px: float) -> FoundBar:
    """Turn a piece into a bar of no confidence yet.

    Parameters
    ----------
    piece : Piece
        A piece.
    sd_px : float
        Standard deviation of its length.

    Returns
    -------
    FoundBar
        With ends instead of a middle.
    """
    hx, hy = piece.dx * piece.length / 2, piece.dy * piece.length / 2
    ends = (float(piece.x - hx), float(piece.y - hy)), (float(piece.x + hx), float(piece.y + hy))
    return FoundBar(from_px=ends[0], to_px=ends[1], width_px=float(piece.width), sd_px=sd_px, confidence=0.0,
                    bright=piece.sign > 0)


def linear_light(values: NDArray[Any]) -> NDArray[Any]:
    """Decode colours that a camera or scanner stored as whole numbers; greys and floats are returned as they are.

    Parameters
    ----------
    values : ndarray of shape (height, width) or (height, width, 3)
        Pixels.

    Returns
    -------
    ndarray of the same shape
        Light from 0 to 1 for colours stored as whole numbers.

    Notes
    -----
    :math:`v^{2.2}`, near enough to the curves of all colour spaces in use to place an edge.
    """
    if values.ndim == 2 or values.dtype.kind not in "ui":
        return values
    full_scale = np.float32(np.iinfo(values.dtype).max)
    light: NDArray[Any] = np.maximum(values / full_scale, 0) ** np.float32(_DISPLAY_GAMMA)
    return light


def to_grey(values: NDArray[Any]) -> NDArray[np.float32]:
    """Average the colours, if any; the result is float.

    Parameters
    ----------
    values : ndarray of shape (height, width) or (height, width, 3)
        Pixels.

    Returns
    -------
    ndarray of shape (height, width)
        Greys in the same units; places without a value get the median.
    """
    grey = values.mean(axis=2, dtype=np.float32) if values.ndim == 3 else values.astype(np.float32, copy=False)
    missing = ~np.isfinite(grey)
    if missing.any():
        grey = np.where(missing, np.median(grey[~missing]) if not missing.all() else 0.0, grey).astype(np.float32)
    return grey
