"""What a careful person would ask about thickness and weights; each doubt as code, key and message."""

from __future__ import annotations

from collections.abc import Iterator

from bandkit.record.model import Record
from bandkit.record.model_density import DensitySpec

# What slabs usually are; outside a slip of the pen is likelier than the value.
THICKNESS_MM = (1.0, 30.0)
# A level and two slopes; fewer points leave a wedge unknown.
_POINTS_OF_A_PLANE = 3


def usual_thickness_mm(density: DensitySpec) -> float | None:
    """Thickness of the slab, roughly.

    Parameters
    ----------
    density : DensitySpec
        The [density] table.

    Returns
    -------
    float or None
        The one value, or the mean of the points; None where there is neither.
    """
    points = [point.thickness_mm for point in density.thickness_points]
    return sum(points) / len(points) if points else density.slab_thickness_mm


def about_thickness(density: DensitySpec) -> Iterator[tuple[str, str, str]]:
    """Whether the slab's thickness can be used.

    Parameters
    ----------
    density : DensitySpec
        The [density] table.

    Yields
    ------
    code, key, message : str
        An empty message stands for the flag's sentence.
    """
    low, high = THICKNESS_MM
    if not density.has_thickness:
        yield "no-thickness", "density.slab_thickness_mm", ""
        return
    measured = [("slab_thickness_mm", density.slab_thickness_mm)] if density.slab_thickness_mm is not None else []
    for i, point in enumerate(density.thickness_points, 1):
        measured.append((f"thickness_points[{i}].thickness_mm", point.thickness_mm))
    for key, thickness in measured:
        if not low <= thickness <= high:
            yield "thickness-unusual", f"density.{key}", f"{thickness:g} mm is unusual for a slab; check the unit"
    if density.slab_thickness_sd_mm is None and not density.thickness_points:
        message = "not given: the error of the density leaves out the thickness; measure it at several places"
        yield "no-thickness-sd", "density.slab_thickness_sd_mm", message
    if 0 < len(density.thickness_points) < _POINTS_OF_A_PLANE:
        message = "fewer than three points cannot show a wedge; measure the thickness at more places"
        yield "few-thickness-points", "density.thickness_points", message


def about_bulk(record: Record) -> Iterator[tuple[str, str, str]]:
    """Whether the weighing can be held against the image.

    Parameters
    ----------
    record : Record
        The record.

    Yields
    ------
    code, key, message : str
        As for `about_thickness`.
    """
    bulk = record.bulk
    if bulk is None:
        return
    if record.density is None or not record.density.standards:
        yield "bulk-not-compared", "bulk", "the image gives no density to hold this against: it has no standards"
    if bulk.micro_density_g_cm3 is None and (bulk.buoyant_g is None or bulk.dry_g is None):
        message = "not given, and not to be had from the weights: no porosity is derived"
        yield "no-micro-density", "bulk.micro_density_g_cm3", message
    if bulk.volume_cm3 is not None and bulk.volume_sd_cm3 is None:
        yield "no-volume-sd", "bulk.volume_sd_cm3", "not given: the volume is taken as known to 1 percent"
    in_water = bulk.buoyant_g is not None or bulk.coated_buoyant_g is not None
    if in_water and bulk.water_density_g_cm3 is None and bulk.salinity_psu is None:
        yield "no-salinity", "bulk.salinity_psu", "not given: the water is taken as fresh"
