"""Rows of the tables of stain lines: tracks, directions, branches, colonies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bandkit.branches import tip_of
from bandkit.flags import join_codes
from bandkit.record import Record
from bandkit.staining import MeasuredStains, StainRow

Rows = list[dict[str, Any]]


def stain_rows(specimen: str, stains: MeasuredStains) -> Rows:
    """Rows of the stain table, in the order of the record."""
    rows = []
    for row in stains.rows:
        x_px, y_px = stains.strip.place(row.depth_mm) if row.found else (np.nan, np.nan)
        rows.append(
            {
                "specimen": specimen,
                "track": stains.track,
                "stain_date": row.date.isoformat(),
                "dye": row.dye,
                "found": "yes" if row.found else "no",
                "depth_mm": row.depth_mm,
                "depth_sd_mm": row.depth_sd_mm,
                "x_px": float(x_px),
                "y_px": float(y_px),
                "interval_yr": row.interval_yr,
                "extension_mm_yr": row.extension_mm_yr,
                "extension_sd_mm_yr": row.extension_sd_mm_yr,
                "confidence": row.confidence,
                "flags": join_codes(row.codes),
                "counted_yr": row.counted_yr,
                "increment_counted_yr": row.increment_counted_yr,
                "days_excluded": row.excluded_days,
                **_increment(row),
                **_around(row),
            }
        )
    return rows


def _increment(row: StainRow) -> dict[str, float]:
    """Growth between a stain line and the next newer one, where it is known."""
    if row.increment is None:
        return {}
    increment = row.increment
    return {
        "increment_mm": increment.inner_mm - increment.outer_mm,
        "increment_yr": increment.interval_yr,
        "increment_mm_yr": increment.extension_mm_yr,
        "increment_sd_mm_yr": increment.extension_sd_mm_yr,
    }


def _around(row: StainRow) -> dict[str, float]:
    """Extension in all directions along a line, where it is known."""
    if row.around is None or not row.interval_yr > 0:
        return {}
    return {
        "around_mean_mm_yr": row.around.mean_mm / row.interval_yr,
        "around_sd_mm_yr": row.around.sd_mm / row.interval_yr,
        "around_largest_mm_yr": row.around.largest_mm / row.interval_yr,
    }


def profile_rows(specimen: str, stains: MeasuredStains) -> Rows:
    """Rows of the profile around the colony: one per place along each line."""
    rows = []
    for row in stains.rows:
        if row.around is None:
            continue
        around, axis = row.around, stains.strip.axis
        (x, y), (surface_x, surface_y) = (axis.to_px(*place.T) for place in (around.line_mm, around.surface_mm))
        for i, extension_mm in enumerate(around.extension_mm):
            rows.append(
                {
                    "specimen": specimen,
                    "track": stains.track,
                    "stain_date": row.date.isoformat(),
                    "along_mm": around.along_mm[i],
                    "direction_deg": around.direction_deg[i],
                    "extension_mm": extension_mm,
                    "extension_mm_yr": extension_mm / row.interval_yr if row.interval_yr > 0 else np.nan,
                    "x_px": x[i],
                    "y_px": y[i],
                    "surface_x_px": surface_x[i],
                    "surface_y_px": surface_y[i],
                }
            )
    return rows


def branch_rows(record: Record, stains: Sequence[MeasuredStains]) -> Rows:
    """Rows of the branch table: one per branch and staining."""
    by_track = {item.track: item for item in stains}
    rows: Rows = []
    for branch in record.branches:
        item = by_track[branch.name]
        tip_x, tip_y = item.strip.place(0.0)
        for row in item.rows:
            x_px, y_px = item.strip.place(row.depth_mm) if row.found else (np.nan, np.nan)
            rows.append(
                {
                    "specimen": record.specimen.id,
                    "colony": branch.colony or record.specimen.id,
                    "branch": branch.name,
                    "stain_date": row.date.isoformat(),
                    "found": "yes" if row.found else "no",
                    "tip": tip_of(branch, item.strip),
                    "length_mm": row.depth_mm,
                    "length_sd_mm": float(np.hypot(row.depth_sd_mm, item.strip.surface.sd_mm)),
                    "extension_mm_yr": row.extension_mm_yr,
                    "extension_sd_mm_yr": row.extension_sd_mm_yr,
                    "tip_x_px": float(tip_x),
                    "tip_y_px": float(tip_y),
                    "stain_x_px": float(x_px),
                    "stain_y_px": float(y_px),
                    "flags": join_codes(row.codes),
                }
            )
    return rows


def colony_rows(branches: Rows) -> Rows:
    """Rows of the colony table: the branches of each colony together, whole tips only."""
    groups: dict[tuple[str, str, str], Rows] = {}
    for row in branches:
        groups.setdefault((row["specimen"], row["colony"], row["stain_date"]), []).append(row)
    rows = []
    for (specimen, colony, day), own in groups.items():
        whole = [row for row in own if row["found"] == "yes" and row["tip"] == "whole"]
        lengths = np.array([row["length_mm"] for row in whole])
        rates = np.array([row["extension_mm_yr"] for row in whole])
        rates = rates[np.isfinite(rates)]
        out: dict[str, Any] = {"specimen": specimen, "colony": colony, "stain_date": day, "branches": len(own),
                               "measured": len(whole)}
        if len(lengths):
            out |= {"median_mm": np.median(lengths), "least_mm": lengths.min(), "largest_mm": lengths.max()}
        if len(rates):
            out |= {"median_mm_yr": np.median(rates), "largest_mm_yr": rates.max()}
        rows.append(out)
    return rows


def tip_flags(record: Record, stains: Sequence[MeasuredStains]) -> list[str]:
    """Names of the branches whose tips look broken off."""
    by_track = {item.track: item for item in stains}
    return [branch.name for branch in record.branches if tip_of(branch, by_track[branch.name].strip) == "flat"]
