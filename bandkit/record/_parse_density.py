"""The [density] table: from its keys to checked specs."""

from __future__ import annotations

from pathlib import Path

from bandkit.record._parse_mass import check_one_thickness, thickness_map, thickness_points
from bandkit.record._parse_volume import body, refuse_body_keys
from bandkit.record._table import Table
from bandkit.record.model_density import DensitySpec, StandardSpec
from bandkit.record.model_volume import CURVES


def density(table: Table | None, record_path: Path, *, hounsfield: bool, in_volume: bool) -> DensitySpec | None:
    """The [density] table; None where absent.

    Parameters
    ----------
    table : Table or None
        The table.
    record_path : Path
        The record, whose folder the files are relative to.
    hounsfield : bool
        Whether greys are Hounsfield units: standards are then bodies of known density.
    in_volume : bool
        Whether the picture is cut out of a volume.

    Returns
    -------
    DensitySpec or None
        What turns greys into density.

    Raises
    ------
    RecordError
        A key is wrong or missing.
    """
    if table is None:
        return None
    check_one_thickness(table)
    entries = table.tables("standards")
    curve = table.choice("curve", CURVES)
    if curve is not None and not hounsfield:
        table.reject("curve", 'has a meaning with values = "hounsfield" only', "delete it")
    return DensitySpec(
        slab_thickness_mm=table.number("slab_thickness_mm", above=0.0),
        slab_thickness_sd_mm=table.number("slab_thickness_sd_mm", least=0.0),
        thickness_points=thickness_points(table),
        thickness_map=thickness_map(table, record_path),
        standards=() if hounsfield else tuple(_standard(entry) for entry in entries),
        bodies=tuple(body(entry, in_volume=in_volume) for entry in entries) if hounsfield else (),
        curve=curve or "linear",
        effective_kev=table.number("effective_kev", least=1.0, most=1000.0),
        open_beam_px=table.boxes("open_beam_px"),
        bars_px=table.boxes("bars_px"),
        strontium_wt_pct=table.number("strontium_wt_pct", least=0.0, most=5.0),
    )


def _standard(table: Table) -> StandardSpec:
    """One standard."""
    refuse_body_keys(table)
    material = table.need(table.text, "material")
    if not material.strip():
        table.reject("material", "empty")
    return StandardSpec(
        box_px=table.need(table.box, "box_px"),
        material=material,
        thickness_mm=table.need(table.number, "thickness_mm", above=0.0),
        # No solid is heavier than osmium, 22.6 g/cm3.
        density_g_cm3=table.number("density_g_cm3", above=0.0, most=23.0),
        strontium_wt_pct=table.number("strontium_wt_pct", least=0.0, most=5.0),
    )
