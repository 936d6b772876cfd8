"""What each column of an exported growth table is: words, units, and how a missing value is written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.results import GrowthTable, SlabResult

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

# Longest endings first: "g_cm2_yr" is no "yr". The second is written as UDUNITS reads it.
_UNITS = (
    ("_g_cm2_yr", "g/cm2/yr", "g cm-2 year-1"),
    ("_g_cm3", "g/cm3", "g cm-3"),
    ("_mm_yr", "mm/yr", "mm year-1"),
    ("_mm", "mm", "mm"),
    ("_deg", "degrees", "degree"),
    ("_m", "m", "m"),
)
_YEARS = ("year", "year_start", "year_end", "year_lo", "year_hi")

COLUMN_MEANINGS = {
    "specimen": "id of the slab",
    "track": "name of the growth axis along which it was measured",
    "year": "year, named after its outer annual mark; a count from outside where not tied to a calendar",
    "year_start": "decimal year in which this piece of skeleton began to grow",
    "year_end": "decimal year in which it was complete",
    "start_mm": "outer end of the year, depth along the track below the growth surface",
    "end_mm": "inner end of the year, depth along the track below the growth surface",
    "extension_mm_yr": "linear extension, square to the bands",
    "extension_sd_mm_yr": "standard deviation of extension by measurement",
    "density_g_cm3": "bulk density of the skeleton",
    "density_sd_g_cm3": "standard deviation of density by measurement",
    "calcification_g_cm2_yr": "calcification, extension times density",
    "calcification_sd_g_cm2_yr": "standard deviation of calcification by measurement",
    "complete": "yes for a whole year, partial for the outermost and innermost pieces, which never enter a mean",
    "certainty": "certain, doubtful or inserted: the less sure of the two marks",
    "flags": "codes of doubts about this row, parted by spaces",
    "tilt_deg": "angle between the track and the line square to the bands",
    "extension_picking_sd_mm_yr": "part of the standard deviation of extension that comes from placing the marks",
    "extension_systematic_sd_mm_yr": "part of it that all years share: scale and tilt",
    "density_systematic_sd_g_cm3": "part of the standard deviation of density that all years share",
    "year_lo": "earliest year that this one may be, 90 percent interval of the count",
    "year_hi": "latest year that this one may be, 90 percent interval of the count",
    "annual_luminescence": "summer maximum of the luminescence index less the minimum of the winter before",
    "density_calibration_sd_g_cm3": "standard deviation of density by the calibration curve",
    "density_beam_sd_g_cm3": "standard deviation of density by the open beam",
    "density_thickness_sd_g_cm3": "standard deviation of density by the slab's thickness",
    "density_noise_sd_g_cm3": "standard deviation of density by the grain of the image",
    "density_track_sd_g_cm3": "standard deviation of density by place and width of the track",
    "density_picking_sd_g_cm3": "standard deviation of density by placing the marks",
    "taxon": "name of the coral as in the record",
    "site": "where the colony stood",
    "latitude_deg": "latitude, south negative",
    "longitude_deg": "longitude, west negative",
    "depth_m": "depth of water over the colony",
    "collected": "day on which the colony stopped growing",
    "image": "file name of the picture that was measured",
    "image_sha256": "SHA-256 of that picture",
    "record_sha256": "SHA-256 of the slab record, or of the table that growth was taken from",
    "bandkit_version": "version of bandkit that measured the slab",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TidyGrowthTable(GrowthTable):
    """Growth with place, picture and provenance of its slab in every row."""

    text_columns = GrowthTable.text_columns | {
        "taxon", "site", "collected", "image", "image_sha256", "record_sha256", "bandkit_version"}  # fmt: skip

    taxon: StrArray
    site: StrArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    depth_m: FloatArray
    collected: StrArray
    image: StrArray
    image_sha256: StrArray
    record_sha256: StrArray
    bandkit_version: StrArray


def tidy_table(slabs: list[SlabResult]) -> TidyGrowthTable:
    """Put the growth of slabs below one another, each row with what is known of its slab.

    Parameters
    ----------
    slabs : list of SlabResult
        Measured slabs.

    Returns
    -------
    TidyGrowthTable
        All columns of growth, then those of the slab. Line breaks and tabs in text become blanks, so that every
        reader finds one line per row.
    """
    rows = [row | slab_facts(slab) for slab in slabs for row in slab.growth.rows()]
    return TidyGrowthTable.from_rows([
        {name: " ".join(value.split()) if isinstance(value, str) else value for name, value in row.items()}
        for row in rows
    ])  # fmt: skip


def slab_facts(slab: SlabResult) -> dict[str, str | float]:
    """What is known of a slab beside its growth.

    Parameters
    ----------
    slab : SlabResult
        A measured slab.

    Returns
    -------
    dict
        By column of the tidy table; only what is known.
    """
    specimen, provenance = slab.specimen, slab.provenance
    facts = {
        **{name: specimen.get(name)
           for name in ("taxon", "site", "latitude_deg", "longitude_deg", "depth_m", "collected")},
        "image": slab.image.get("file"),
        "image_sha256": provenance.get("image_sha256"),
        "record_sha256": provenance.get("record_sha256") or provenance.get("table_sha256"),
        "bandkit_version": provenance.get("version"),
    }
    return {name: value if isinstance(value, float | int) else str(value)
            for name, value in facts.items() if value is not None}


def unit_of(column: str) -> str:
    """Unit of a column, as it is printed.

    Parameters
    ----------
    column : str
        Name of a column of growth.

    Returns
    -------
    str
        Such as "mm/yr"; empty for text and plain numbers.
    """
    if column in _YEARS:
        return "year"
    return next((printed for ending, printed, _ in _UNITS if column.endswith(ending)), "")


def udunits_of(column: str) -> str:
    """Unit of a column in the notation of UDUNITS, which the CF conventions ask for.

    Parameters
    ----------
    column : str
        Name of a column of growth.

    Returns
    -------
    str
        Such as "mm year-1"; "1" for plain numbers, which years of the calendar are here.
    """
    return next((unit for ending, _, unit in _UNITS if column.endswith(ending)), "1")
