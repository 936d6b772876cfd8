"""What a record says of rulers, of a picture taken obliquely, and of a photograph of the same slab."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Fit = Literal["similarity", "affine"]

FITS: tuple[Fit, ...] = ("similarity", "affine")


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerSpec:
    """A ruler in the picture.

    Parameters
    ----------
    from_px, to_px : tuple of float or None
        Two places [x, y] far apart on the row of its shortest ticks; None where the program shall find it.
    within_px : tuple of float or None
        Box x0, y0, x1, y1 in which to look for it; None for anywhere.
    tick_mm : float or None
        Distance between neighbouring ticks; None where it shall be told from which ticks are longer.
    """

    from_px: Point | None = None
    to_px: Point | None = None
    within_px: Box | None = None
    tick_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RectifySpec:
    """A rectangle of known size in the plane of the slab, by which an oblique picture is made square.

    Parameters
    ----------
    corners_px : tuple of four points
        Its corners [x, y], going round; the first two are the ends of a side of ``width_mm``.
    width_mm, height_mm : float
        Its sides.
    """

    corners_px: tuple[Point, Point, Point, Point]
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkSpec:
    """One place of the slab in two pictures.

    Parameters
    ----------
    here_px : tuple of float
        Where it is [x, y] in the picture of this record.
    there_px : tuple of float
        Where it is in the photograph.
    """

    here_px: Point
    there_px: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographSpec:
    """A photograph of the same slab, whose stain lines date the bands of this picture.

    Parameters
    ----------
    record : str
        The photograph's own record, as written, relative to this record's folder.
    path : Path
        The same, resolved.
    landmarks : tuple of LandmarkSpec
        At least three places to be seen in both.
    fit : {"similarity", "affine"}
        Turned, moved and scaled only; or stretched and slanted too.
    """

    record: str
    path: Path
    landmarks: tuple[LandmarkSpec, ...]
    fit: Fit = "similarity"
