"""Scans: from their tables to checked specs."""

from __future__ import annotations

from bandkit.record._table import Table
from bandkit.record.model import ImageSpec, ScaleSpec
from bandkit.record.model_volume import BodySpec, Triple, VolumeSpec

_THICKEST_MM = 100.0
_LARGEST_VOXEL_MM = 10.0
_POINTS = 3
# Keys of a standard that have a meaning in a scan only.
_BODY_KEYS = ("centre_px", "radius_px", "slices")


def volume(table: Table | None, image: ImageSpec) -> VolumeSpec | None:
    """The [volume] table; None where absent.

    Parameters
    ----------
    table : Table or None
        The table.
    image : ImageSpec
        What the [image] table says.

    Returns
    -------
    VolumeSpec or None
        The cut.

    Raises
    ------
    RecordError
        A key is wrong, or does not fit the image.
    """
    if table is None:
        return None
    if image.kind != "ct":
        table.fail("points_px", f'only kind = "ct" is cut out of a volume, not "{image.kind}"; delete [volume]')
    if image.values != "hounsfield":
        problem = f'values = "{image.values}" does not fit a scan, whose greys are linear in attenuation'
        table.fail("points_px", f'{problem}; write values = "hounsfield" in [image], or delete it')
    points = table.need(table.rows, "points_px", length=3)
    if len(points) != _POINTS:
        table.reject("points_px", f"{len(points)} points, and a plane takes three")
    sides = table.row("voxel_mm", 3)
    if sides is not None and not all(0 < side <= _LARGEST_VOXEL_MM for side in sides):
        table.reject("voxel_mm", f"each side must be above 0 and at most {_LARGEST_VOXEL_MM:g}")
    number = table.number("series", least=0.0, most=1e9)
    if number is not None and not number.is_integer():
        table.reject("series", "not a whole number")
    above, below, right = (_triple(point) for point in points)
    return VolumeSpec(
        points_px=(above, below, right),
        thickness_mm=table.need(table.number, "thickness_mm", least=0.0, most=_THICKEST_MM),
        voxel_mm=None if sides is None else _triple(sides),
        px_mm=table.number("px_mm", above=0.0, most=_LARGEST_VOXEL_MM),
        series=None if number is None else int(number),
    )


def volume_scale(table: Table | None) -> ScaleSpec:
    """The [scale] table beside a [volume]: the voxels are the scale.

    Parameters
    ----------
    table : Table or None
        The table; it may be left out.

    Returns
    -------
    ScaleSpec
        From the file.

    Raises
    ------
    RecordError
        Another scale is given.
    """
    if table is None:
        return ScaleSpec(from_file=True)
    for key in table.values:
        if key not in ("source", "sd_frac"):
            remedy = 'delete it, or write source = "file"; volume.voxel_mm says how large voxels are'
            table.reject(key, "a slab cut out of a volume takes its scale from the voxels", remedy)
    table.choice("source", ("file",))
    return ScaleSpec(from_file=True, sd_frac=table.number("sd_frac", least=0.0, most=0.5))


def body(table: Table, *, in_volume: bool) -> BodySpec:
    """One standard of a scan.

    Parameters
    ----------
    table : Table
        Its table.
    in_volume : bool
        Whether the scan is a volume, in which it also has a first and a last slice.

    Returns
    -------
    BodySpec
        A box or a cylinder.

    Raises
    ------
    RecordError
        A key is wrong or missing.
    """
    material = table.need(table.text, "material")
    if not material.strip():
        table.reject("material", "empty")
    box, centre, radius = table.box("box_px"), table.point("centre_px"), table.number("radius_px", above=0.0)
    if (centre is None) != (radius is None):
        table.fail("radius_px" if radius is None else "centre_px", "missing; a cylinder takes both")
    if box is not None and centre is not None:
        table.reject("box_px", "given beside centre_px", "keep one of them")
    if box is None and centre is None:
        table.fail("box_px", "missing; write box_px = [840, 200, 940, 250], or centre_px and radius_px")
    if not in_volume and "slices" in table:
        table.reject("slices", "a single slice has no others", "delete it")
    # No solid is heavier than osmium, 22.6 g/cm3.
    return BodySpec(material=material, density_g_cm3=table.number("density_g_cm3", above=0.0, most=23.0), box_px=box,
                    centre_px=centre, radius_px=radius,
                    slices=table.need(table.span, "slices") if in_volume else None)


def refuse_body_keys(table: Table) -> None:
    """Refuse keys of a standard that have a meaning in a scan only.

    Parameters
    ----------
    table : Table
        The table of a standard of a radiograph.

    Raises
    ------
    RecordError
        Where it holds one.
    """
    for key in _BODY_KEYS:
        if key in table:
            table.reject(key, 'has a meaning in a scan of values = "hounsfield" only', "give box_px and thickness_mm")


def _triple(numbers: tuple[float, ...]) -> Triple:
    """Three numbers."""
    x, y, z = numbers
    return x, y, z
