"""What a record holds of a scan: the cut through its volume, and bodies of known density in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Box = tuple[float, float, float, float]
Point = tuple[float, float]
Triple = tuple[float, float, float]
Curve = Literal["linear", "quadratic"]

CURVES: tuple[Curve, ...] = ("linear", "quadratic")


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeSpec:
    """A virtual slab in a scan.

    Parameters
    ----------
    points_px : tuple of three triples
        ``[x, y, slice]`` of three places in the slab's middle plane, in voxels from 0: above, below and to the
        right in its picture.
    thickness_mm : float
        Thickness over which it is averaged; 0 for the plane alone.
    voxel_mm : tuple of float or None
        Sides of a voxel along x, y and from slice to slice, where the files do not say.
    px_mm : float or None
        Side of a pixel of the cut; the shortest side of a voxel where None.
    series : int or None
        Number of the series, where the folder holds several.
    """

    points_px: tuple[Triple, Triple, Triple]
    thickness_mm: float
    voxel_mm: Triple | None = None
    px_mm: float | None = None
    series: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BodySpec:
    """A body of known density in a scan: a box, or a cylinder that stands on the slices.

    Parameters
    ----------
    material : str
        Such as "aragonite" or "water".
    density_g_cm3 : float or None
        None where the density of that material is to be used.
    box_px : tuple of float or None
        Box x0, y0, x1, y1 in the slices; None for a cylinder.
    centre_px : tuple of float or None
        Centre [x, y] of a cylinder.
    radius_px : float or None
        Radius of a cylinder.
    slices : tuple of int or None
        First and last slice within it, counted from 0; None in a single slice.
    """

    material: str
    density_g_cm3: float | None = None
    box_px: Box | None = None
    centre_px: Point | None = None
    radius_px: float | None = None
    slices: tuple[int, int] | None = None
