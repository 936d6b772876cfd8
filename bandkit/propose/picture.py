"""Tell the things in a picture from what they lie on.

The surround of a slab (open beam, cloth, paper) is even: a smooth surface through the
picture's border, widened to everything that agrees with it. What differs from it is
a thing; the largest thing is the slab.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Box = tuple[float, float, float, float]

_BORDER_FRAC = 0.03  # of the shorter side: taken for surround, less what stands out there
_NOISE_SD = 6.0  # a thing differs from the surround by this many times its scatter
_CONTRAST_FRAC = 0.08  # ... and by this share of the picture's greatest contrast
_LEAST_SLAB_FRAC = 0.02  # of the picture: what is smaller is no slab


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Thing:
    """One connected thing in a picture.

    Parameters
    ----------
    mask : ndarray of shape (rows, columns)
        Where it is, within its box; holes are filled.
    top, left : int
        First row and column of its box.
    """

    mask: BoolArray
    top: int
    left: int

    @property
    def area(self) -> int:
        """Number of cells."""
        return int(self.mask.sum())

    @property
    def filled_frac(self) -> float:
        """Share of its box that it fills."""
        return float(self.mask.mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted:
    """A picture parted into surround and things.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        The picture.
    surround : ndarray of shape (rows, columns)
        Smooth surface through what the things lie on.
    noise : float
        Scatter of the surround about that surface.
    things : tuple of Thing
        Largest first.
    """

    grey: FloatArray
    surround: FloatArray
    noise: float
    things: tuple[Thing, ...]

    @property
    def free(self) -> BoolArray:
        """Where nothing lies."""
        free = np.ones(self.grey.shape, dtype=bool)
        for thing in self.things:
            h, w = thing.mask.shape
            free[thing.top : thing.top + h, thing.left : thing.left + w] &= ~thing.mask
        return free

    def contrast_of(self, thing: Thing) -> float:
        """How much brighter a thing is than what it lies on."""
        h, w = thing.mask.shape
        box = np.s_[thing.top : thing.top + h, thing.left : thing.left + w]
        return float(np.median((self.grey[box] - self.surround[box])[thing.mask]))


def part(grey: NDArray[Any]) -> Parted:
    """Part a picture into surround and things.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        A reduced picture, some hundred cells to a side.

    Returns
    -------
    Parted
        Without things where nothing stands out.

    Notes
    -----
    The surround is a polynomial of second degree in x and y, fitted again and again to
    the cells that agree with it, at first only along the border.
    """
    cells = np.asarray(grey, dtype=np.float64)
    cells = np.where(np.isfinite(cells), cells, np.nanmedian(cells) if np.isfinite(cells).any() else 0.0)
    margin = max(2, int(_BORDER_FRAC * min(cells.shape)))
    candidates = np.ones(cells.shape, dtype=bool)
    candidates[margin:-margin, margin:-margin] = False
    surface, noise = _fit_surface(cells, candidates)
    for _ in range(2):
        surface, noise = _fit_surface(cells, np.abs(cells - surface) <= _threshold(cells, surface, noise))
    different = np.abs(cells - surface) > _threshold(cells, surface, noise)
    return Parted(grey=cells, surround=surface, noise=noise, things=_things(different))


def slab_of(parted: Parted) -> Thing | None:
    """Largest thing, where it is large enough for a slab.

    Parameters
    ----------
    parted : Parted
        The picture.

    Returns
    -------
    Thing or None
        The slab.
    """
    if parted.things and parted.things[0].area >= _LEAST_SLAB_FRAC * parted.grey.size:
        return parted.things[0]
    return None


def _threshold(cells: FloatArray, surface: FloatArray, noise: float) -> float:
    """How much a thing differs from the surround at least."""
    return max(_NOISE_SD * noise, _CONTRAST_FRAC * float(np.percentile(np.abs(cells - surface), 98)))


def _fit_surface(cells: FloatArray, candidates: BoolArray) -> tuple[FloatArray, float]:
    """Smooth surface through most of the candidates, and their scatter about it."""
    h, w = cells.shape
    y, x = np.meshgrid(np.linspace(-1, 1, h), np.linspace(-1, 1, w), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=-1)
    rows, columns = np.nonzero(candidates)
    every = max(1, rows.size // 8000)
    rows, columns = rows[::every], columns[::every]
    values, known = cells[rows, columns], terms[rows, columns]
    # begin at the commonest level: things at the border are the lesser part of it
    centre = float(np.median(values))
    scatter = robust_sd(values, about=centre)
    keep = np.abs(values - centre) <= 3 * scatter + 1e-9 * max(abs(centre), 1.0)
    coefficients = np.array([centre, 0, 0, 0, 0, 0], dtype=np.float64)
    for _ in range(6):
        if keep.sum() < 20:
            break
        coefficients = np.asarray(np.linalg.lstsq(known[keep], values[keep], rcond=None)[0], dtype=np.float64)
        residual = values - known @ coefficients
        scatter = robust_sd(residual[keep], about=0.0)
        keep = np.abs(residual) <= 4 * scatter + 1e-9 * max(abs(centre), 1.0)
    return terms @ coefficients, scatter


def _things(different: BoolArray) -> tuple[Thing, ...]:
    """Connected things, largest first, with their holes filled; specks are left out."""
    from scipy import ndimage  # only where an image is looked through

    opened = ndimage.binary_opening(different, structure=np.ones((2, 2)))
    labels, _ = ndimage.label(ndimage.binary_fill_holes(opened))
    things = [Thing(mask=labels[box] == number, top=box[0].start, left=box[1].start)
              for number, box in enumerate(ndimage.find_objects(labels), start=1)]
    return tuple(sorted((thing for thing in things if thing.area >= 9), key=lambda thing: -thing.area))
