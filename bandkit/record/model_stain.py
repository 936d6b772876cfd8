"""What a record says of stainings, of colour, and of branches."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Encoding = Literal["srgb", "linear"]

ENCODINGS: tuple[Encoding, ...] = ("srgb", "linear")


@dataclass(frozen=True, slots=True, kw_only=True)
class StainSpec:
    """One staining of the living colony.

    Parameters
    ----------
    date : datetime.date
        Day of the staining.
    dye : str
        Empty where not given.
    at_px : tuple of float or None
        A person's own pick [x, y]; None where the program shall look for it.
    days_excluded : float or None
        Days after the staining that are left out of the time because the colony was recovering.
    """

    date: datetime.date
    dye: str = ""
    at_px: Point | None = None
    days_excluded: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourSpec:
    """How a photograph codes light, and places on it whose colour is known.

    Parameters
    ----------
    encoding : {"srgb", "linear"}
        How the numbers of the image code light.
    dye_px, clean_px : tuple of float or None
        Boxes x0, y0, x1, y1 of dyed and of clean skeleton side by side: the tint of the dye is taken from them.
    """

    encoding: Encoding = "srgb"
    dye_px: Box | None = None
    clean_px: Box | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BranchSpec:
    """The axis of one branch or nubbin, drawn from just beyond its tip inwards past the stain.

    Parameters
    ----------
    name : str
        Unique in the record.
    points_px : tuple of points
        At least two points [x, y].
    colony : str
        Colony that it belongs to; empty for the specimen itself.
    broken : bool
        Whether the tip is known to be broken: it is then left out of the medians.
    """

    name: str
    points_px: tuple[Point, ...]
    colony: str = ""
    broken: bool = False
