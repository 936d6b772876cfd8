"""Tables of stain lines: per track, in every direction, per branch and per colony."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainTable(Table):
    """One row per track and staining; a stain that is not there is a row too.

    ``extension_mm_yr`` is since the staining; ``increment_mm_yr`` is between this line and the
    next newer one that was found (the surface for the newest). The increments add up to the depth.
    ``counted_yr`` and ``increment_counted_yr`` are the same times by the annual marks: they check the count.
    ``around_`` columns are extension in all directions along the line, square to it; ``days_excluded`` are left
    out of ``interval_yr``.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "stain_date", "dye", "found", "flags"})

    specimen: StrArray
    track: StrArray
    stain_date: StrArray
    dye: StrArray
    found: StrArray
    depth_mm: FloatArray
    depth_sd_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    interval_yr: FloatArray
    extension_mm_yr: FloatArray
    extension_sd_mm_yr: FloatArray
    confidence: FloatArray
    flags: StrArray
    increment_mm: FloatArray
    increment_yr: FloatArray
    increment_mm_yr: FloatArray
    increment_sd_mm_yr: FloatArray
    counted_yr: FloatArray
    increment_counted_yr: FloatArray
    days_excluded: FloatArray
    around_mean_mm_yr: FloatArray
    around_sd_mm_yr: FloatArray
    around_largest_mm_yr: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainProfileTable(Table):
    """One row per place along a stain line: growth from there to the outer surface, square to the line.

    ``along_mm`` runs along the line; ``direction_deg`` is that of growth on the picture, 0 to the right and 90 up.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "stain_date"})

    specimen: StrArray
    track: StrArray
    stain_date: StrArray
    along_mm: FloatArray
    direction_deg: FloatArray
    extension_mm: FloatArray
    extension_mm_yr: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    surface_x_px: FloatArray
    surface_y_px: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BranchTable(Table):
    """One row per branch and staining: from the stain to the tip, along the axis of the branch.

    ``tip`` is "whole", "broken" (as the record says) or "flat" (as a broken one looks).
    """

    text_columns: ClassVar[frozenset[str]] = frozenset(
        {"specimen", "colony", "branch", "stain_date", "found", "tip", "flags"}
    )

    specimen: StrArray
    colony: StrArray
    branch: StrArray
    stain_date: StrArray
    found: StrArray
    tip: StrArray
    length_mm: FloatArray
    length_sd_mm: FloatArray
    extension_mm_yr: FloatArray
    extension_sd_mm_yr: FloatArray
    tip_x_px: FloatArray
    tip_y_px: FloatArray
    stain_x_px: FloatArray
    stain_y_px: FloatArray
    flags: StrArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColonyTable(Table):
    """One row per colony and staining: its branches together; broken and flat tips are left out."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "colony", "stain_date"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"branches", "measured"})

    specimen: StrArray
    colony: StrArray
    stain_date: StrArray
    branches: FloatArray
    measured: FloatArray
    median_mm: FloatArray
    least_mm: FloatArray
    largest_mm: FloatArray
    median_mm_yr: FloatArray
    largest_mm_yr: FloatArray
