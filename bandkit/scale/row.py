"""A row of ticks as a curve on the picture, and greys of the picture at any places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.images.blocks import block_means
from bandkit.scale.piece import to_grey

FloatArray = NDArray[np.float64]
Read = Callable[[int, int, int, int], NDArray[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of ticks: where tick number n lies.

    Parameters
    ----------
    x_px, y_px : float
        Middle of tick 0.
    ux, uy : float
        Unit vector along the row.
    tx, ty : float
        Unit vector along the ticks.
    spacing_px : tuple of float
        Distance along the row of tick n from tick 0 is ``n (s0 + n (s1 + n s2))``, in pixels.
    bow : float
        Sideways, in pixels, is ``bow`` times the square of that distance.
    """

    x_px: float
    y_px: float
    ux: float
    uy: float
    tx: float
    ty: float
    spacing_px: tuple[float, float, float]
    bow: float = 0.0

    def along(self, n: FloatArray) -> FloatArray:
        """Distance along the row of ticks from tick 0, in pixels."""
        a, b, c = self.spacing_px
        return np.asarray(n * (a + n * (b + n * c)))

    def at(self, n: FloatArray, aside_px: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Pixel positions of places on ticks, ``aside_px`` along the tick from the middle of the row."""
        u = self.along(n)
        sideways = self.bow * u * u
        x = self.x_px + u * self.ux - sideways * self.uy + aside_px * self.tx
        y = self.y_px + u * self.uy + sideways * self.ux + aside_px * self.ty
        return x, y

    def renumbered(self, n: int) -> Row:
        """Return the row counted from another tick."""
        a, b, c = self.spacing_px
        x, y = self.at(np.array([float(n)]))
        turn = 2 * self.bow * float(self.along(np.array([float(n)]))[0])
        dx, dy = self.ux - turn * self.uy, self.uy + turn * self.ux
        length = float(np.hypot(dx, dy))
        spacing = (a + 2 * b * n + 3 * c * n * n, b + 3 * c * n, c)
        return replace(self, x_px=float(x[0]), y_px=float(y[0]), ux=dx / length, uy=dy / length, spacing_px=spacing)

    def coarser(self, every: float) -> Row:
        """Return the row with a tick at every so manieth place, or with more of them where that is below 1."""
        a, b, c = self.spacing_px
        return replace(self, spacing_px=(a * every, b * every**2, c * every**3))

    def scaled(self, step: float) -> Row:
        """Return the row in pixels ``step`` times smaller."""
        a, b, c = self.spacing_px
        return replace(self, x_px=(self.x_px + 0.5) * step - 0.5, y_px=(self.y_px + 0.5) * step - 0.5,
                       spacing_px=(a * step, b * step, c * step), bow=self.bow / step)


class Pixels:
    """Greys of a picture at any positions, read as they are needed.

    Parameters
    ----------
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    size_px : tuple of int
        Width and height of the picture.
    """

    def __init__(self, read: Read, size_px: tuple[int, int]) -> None:
        self.read = read
        self.size_px = size_px

    def at(self, x_px: FloatArray, y_px: FloatArray, shrink: int) -> FloatArray:
        """Greys at positions, averaged over ``shrink`` pixels a side; NaN outside the picture."""
        from scipy.ndimage import map_coordinates  # only where a ruler is read

        width, height = self.size_px
        inside = (x_px >= -0.5) & (x_px <= width - 0.5) & (y_px >= -0.5) & (y_px <= height - 0.5)
        values = np.full(x_px.shape, np.nan)
        if not inside.any():
            return values
        x0, x1 = _bounds(x_px[inside], shrink, width)
        y0, y1 = _bounds(y_px[inside], shrink, height)
        grey = block_means(to_grey(self.read(x0, y0, x1, y1)), shrink)
        rows, columns = (y_px - y0 + 0.5) / shrink - 0.5, (x_px - x0 + 0.5) / shrink - 0.5
        values[inside] = map_coordinates(grey, [rows[inside], columns[inside]], order=1, mode="nearest",
                                         output=np.float64)
        return values


def _bounds(positions_px: FloatArray, shrink: int, size: int) -> tuple[int, int]:
    """First and last pixel (exclusive) needed along one direction."""
    return max(int(positions_px.min()) - shrink - 1, 0), min(int(positions_px.max()) + shrink + 2, size)
