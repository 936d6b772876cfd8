"""Thickness and weights: from their tables to checked specs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bandkit.record._table import Table, show
from bandkit.record.model_mass import BulkSpec, ThicknessMapSpec, ThicknessPointSpec

_THICKNESS_KEYS = ("slab_thickness_mm", "thickness_points", "thickness_map")
_VOLUME_KEYS = ("volume_cm3", "coated_buoyant_g")
_FEWEST_CORNERS = 3
# Liquid water, brine and the heaviest mineral that a skeleton is made of, in g/cm3.
_WATER_G_CM3 = (0.95, 1.30)
_MOST_MICRO_G_CM3 = 3.0
# The formula for the density of sea water holds so far.
_WARMEST_DEG_C, _SALTIEST_PSU = 40.0, 42.0


def check_one_thickness(table: Table) -> None:
    """Refuse more than one way to say how thick the slab is.

    Parameters
    ----------
    table : Table
        The [density] table.

    Raises
    ------
    RecordError
        Where two of them are given.
    """
    given = [key for key in _THICKNESS_KEYS if key in table]
    if len(given) > 1:
        table.fail(given[1], f"given beside {given[0]}; keep the one that was measured best")


def thickness_points(table: Table) -> tuple[ThicknessPointSpec, ...]:
    """Thicknesses measured at points of the slab.

    Parameters
    ----------
    table : Table
        The [density] table.

    Returns
    -------
    tuple of ThicknessPointSpec
        In the order of the record; empty where none are given.
    """
    return tuple(
        ThicknessPointSpec(
            at_px=entry.need(entry.point, "at_px"), thickness_mm=entry.need(entry.number, "thickness_mm", above=0.0)
        )
        for entry in table.tables("thickness_points")
    )


def thickness_map(table: Table, record_path: Path) -> ThicknessMapSpec | None:
    """The map of the slab's thickness; None where absent.

    Parameters
    ----------
    table : Table
        The [density] table.
    record_path : Path
        The record, whose folder the map's file is relative to.

    Returns
    -------
    ThicknessMapSpec or None
        With the resolved path of its file.
    """
    inner = table.table("thickness_map")
    if inner is None:
        return None
    file = inner.need(inner.text, "file")
    if not file.strip():
        inner.reject("file", "empty")
    try:
        path = (record_path.parent / file).resolve()
    except (OSError, RuntimeError) as error:
        inner.reject("file", f"cannot be followed ({error})")
    return ThicknessMapSpec(file=file, path=path, mm_per_grey=inner.need(inner.number, "mm_per_grey", above=0.0))


def bulk(table: Table | None, track_names: Sequence[str]) -> BulkSpec | None:
    """The [bulk] table; None where absent.

    Parameters
    ----------
    table : Table or None
        The table.
    track_names : sequence of str
        Names of the record's tracks.

    Returns
    -------
    BulkSpec or None
        With one way to a volume, and no weight that its medium contradicts.
    """
    if table is None:
        return None
    track, corners = table.text("track") or "", table.points("polygon_px") or ()
    if track and track not in track_names:
        table.reject("track", "no track of that name", f"write one of {', '.join(map(show, track_names))}")
    if track and corners:
        table.fail("polygon_px", "given beside track; keep the one that shows the piece that was weighed")
    if corners and len(corners) < _FEWEST_CORNERS:
        table.reject("polygon_px", "an outline needs at least three corners")
    low, high = _WATER_G_CM3
    spec = BulkSpec(
        **{key: table.number(key, above=0.0) for key in ("dry_g", "volume_cm3", "coated_g", "buoyant_g")},
        # Much wax floats: a coated piece may weigh less than nothing in water.
        coated_buoyant_g=table.number("coated_buoyant_g"),
        coat_density_g_cm3=table.number("coat_density_g_cm3", least=0.5, most=2.0),
        water_deg_c=table.number("water_deg_c", least=-2.0, most=_WARMEST_DEG_C),
        salinity_psu=table.number("salinity_psu", least=0.0, most=_SALTIEST_PSU),
        water_density_g_cm3=table.number("water_density_g_cm3", least=low, most=high),
        micro_density_g_cm3=table.number("micro_density_g_cm3", least=2.0, most=_MOST_MICRO_G_CM3),
        weight_sd_g=table.number("weight_sd_g", least=0.0),
        volume_sd_cm3=table.number("volume_sd_cm3", least=0.0),
        track=track,
        polygon_px=corners,
    )
    _check_volume(table, spec)
    _check_water(table, spec)
    _check_weights(table, spec)
    return spec


def _check_volume(table: Table, spec: BulkSpec) -> None:
    """One way to a volume, with all that it needs."""
    if all(key in table for key in _VOLUME_KEYS):
        table.fail("coated_buoyant_g", "given beside volume_cm3; keep the one that was measured best")
    if spec.volume_cm3 is None and spec.coated_buoyant_g is None:
        table.need(table.number, "volume_cm3")
    if spec.coated_buoyant_g is not None:
        table.need(table.number, "coated_g")
        table.need(table.number, "coat_density_g_cm3")
    if spec.dry_g is None:
        if spec.buoyant_g is None:
            table.need(table.number, "dry_g")
        if spec.micro_density_g_cm3 is None:
            problem = "missing; without dry_g, buoyant_g needs the density of the solid skeleton"
            table.fail("micro_density_g_cm3", problem)


def _check_water(table: Table, spec: BulkSpec) -> None:
    """What was weighed in water needs the water's density."""
    in_water = [key for key in ("buoyant_g", "coated_buoyant_g") if key in table]
    if not in_water:
        return
    if spec.water_density_g_cm3 is None and spec.water_deg_c is None:
        table.fail("water_deg_c", f"missing; {in_water[0]} needs the water's temperature, or water_density_g_cm3")
    if spec.water_density_g_cm3 is not None and spec.water_deg_c is not None:
        table.fail("water_density_g_cm3", "given beside water_deg_c; keep the one that was measured best")


def _check_weights(table: Table, spec: BulkSpec) -> None:
    """Water carries, and a coat weighs something."""
    if spec.dry_g is not None and spec.buoyant_g is not None and spec.buoyant_g >= spec.dry_g:
        table.reject("buoyant_g", f"must be below dry_g = {show(spec.dry_g)}", "correct one of them")
    if spec.coated_g is not None and spec.coated_buoyant_g is not None and spec.coated_buoyant_g >= spec.coated_g:
        table.reject("coated_buoyant_g", f"must be below coated_g = {show(spec.coated_g)}", "correct one of them")
    if spec.dry_g is not None and spec.coated_g is not None and spec.coated_g < spec.dry_g:
        table.reject("coated_g", f"must be at least dry_g = {show(spec.dry_g)}", "correct one of them")
