"""What a record says of the slab's thickness and of what it weighs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThicknessPointSpec:
    """One place at which the slab was measured.

    Parameters
    ----------
    at_px : tuple of float
        Where [x, y].
    thickness_mm : float
        How thick it is there.
    """

    at_px: Point
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ThicknessMapSpec:
    """An image of the slab's thickness, covering the whole picture of the slab.

    Parameters
    ----------
    file : str
        As written in the record, relative to the record's folder.
    path : Path
        The same, resolved.
    mm_per_grey : float
        Thickness of one step of grey; grey 0 is a place that was not measured.
    """

    file: str
    path: Path
    mm_per_grey: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BulkSpec:
    """Bulk density measured otherwise: the piece on a balance.

    Either ``volume_cm3`` or the two weights of the coated piece give the volume; ``buoyant_g`` gives that of the solid.

    Parameters
    ----------
    dry_g : float or None
        Weight of the dry piece in air; None where only ``buoyant_g`` is known.
    volume_cm3 : float or None
        Enclosed volume, by displacement or from its sides.
    coated_g, coated_buoyant_g : float or None
        Weight of the piece sealed with wax or film, in air and in water.
    coat_density_g_cm3 : float or None
        Density of the coat.
    buoyant_g : float or None
        Weight in water with open pores full of it.
    water_deg_c, salinity_psu : float or None
        Of the water; its density follows from them.
    water_density_g_cm3 : float or None
        The same, measured.
    micro_density_g_cm3 : float or None
        Density of the solid skeleton, stated.
    weight_sd_g, volume_sd_cm3 : float or None
        One standard deviation of a weight and of ``volume_cm3``.
    track : str
        Track along which the piece was cut; empty where not given.
    polygon_px : tuple of points
        Outline of the piece on the picture; empty for the track, or else the whole slab.
    """

    dry_g: float | None = None
    volume_cm3: float | None = None
    coated_g: float | None = None
    coated_buoyant_g: float | None = None
    coat_density_g_cm3: float | None = None
    buoyant_g: float | None = None
    water_deg_c: float | None = None
    salinity_psu: float | None = None
    water_density_g_cm3: float | None = None
    micro_density_g_cm3: float | None = None
    weight_sd_g: float | None = None
    volume_sd_cm3: float | None = None
    track: str = ""
    polygon_px: tuple[Point, ...] = ()
