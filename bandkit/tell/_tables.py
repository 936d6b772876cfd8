"""Rows of the tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.flags import Flag, join_codes
from bandkit.growth import track_means
from bandkit.record import Record
from bandkit.results import ProfileTable
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains, StainRow
from bandkit.tracks import DEFAULT_WIDTH_MM, MeasuredTrack, TrackStrip

FloatArray = NDArray[np.float64]


def growth_rows(specimen: str, track: MeasuredTrack) -> list[dict[str, Any]]:
    """Rows of the growth table, newest first."""
    growth = track.growth
    if len(track.marks.depth_mm) == 0:
        return []
    columns = (
        "year",
        "year_start",
        "year_end",
        "start_mm",
        "end_mm",
        "extension_mm_yr",
        "extension_sd_mm_yr",
        "density_g_cm3",
        "density_sd_g_cm3",
        "calcification_g_cm2_yr",
        "calcification_sd_g_cm2_yr",
        "tilt_deg",
        "extension_picking_sd_mm_yr",
        "extension_systematic_sd_mm_yr",
        "density_systematic_sd_g_cm3",
    )
    rows = []
    for i in range(len(growth.year)):
        row: dict[str, Any] = {name: float(getattr(growth, name)[i]) for name in columns}
        row |= {
            "specimen": specimen,
            "track": track.spec.name,
            "certainty": str(growth.certainty[i]),
            "complete": "yes" if growth.complete[i] else "partial",
            "flags": str(growth.flags[i]),
        }
        rows.append(row)
    return rows


def mark_rows(specimen: str, track: MeasuredTrack) -> list[dict[str, Any]]:
    """Rows of the mark table, outermost first."""
    marks, dated = track.marks, track.dated
    x_px, y_px = track.strip.place(marks.depth_mm)
    rows = []
    for i in range(len(marks.depth_mm)):
        codes = [
            flag.code
            for flag in track.flags
            if flag.depth_mm is not None and abs(flag.depth_mm - marks.depth_mm[i]) < 1e-6
        ]
        rows.append(
            {
                "specimen": specimen,
                "track": track.spec.name,
                "mark": i + 1,
                "year": dated.year[i],
                "depth_mm": marks.depth_mm[i],
                "depth_lo_mm": marks.lo_mm[i],
                "depth_hi_mm": marks.hi_mm[i],
                "probability": marks.probability[i],
                "x_px": x_px[i],
                "y_px": y_px[i],
                "certainty": str(marks.certainty[i]),
                "origin": marks.origin,
                "year_lo": dated.year_lo[i],
                "year_hi": dated.year_hi[i],
                "flags": join_codes(codes),
            }
        )
    return rows


def stain_rows(specimen: str, stains: MeasuredStains) -> list[dict[str, Any]]:
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
                **_increment(row),
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


def track_rows(
    record: Record,
    scale: Scale,
    tracks: Sequence[MeasuredTrack],
    stains: Sequence[MeasuredStains],
    flags: Sequence[Flag],
) -> list[dict[str, Any]]:
    """One row per track: its means, its count and the interval of the count."""
    measured = {track.spec.name: track for track in tracks}
    rows = []
    for spec, stain in zip(record.tracks, stains, strict=True):
        strip = stain.strip
        x_px, y_px = strip.place(0.0)
        row: dict[str, Any] = {
            "specimen": record.specimen.id,
            "track": spec.name,
            "length_mm": float(strip.depth_mm[-1]),
            "mm_per_px": scale.mean_mm_px,
            "surface_x_px": float(x_px),
            "surface_y_px": float(y_px),
            "scale_sd_frac": scale.sd_frac,
            "surface_sd_mm": strip.surface.sd_mm,
            "width_mm": spec.width_mm or DEFAULT_WIDTH_MM,
            "follow_mm": float(np.ptp(strip.across_mm)),
            "flags": join_codes(flag.code for flag in flags if flag.track == spec.name),
        }
        if spec.name in measured:
            row |= _means(measured[spec.name])
        rows.append(row)
    return rows


def _means(track: MeasuredTrack) -> dict[str, float]:
    """Counts and means of one track."""
    means = track_means(track.growth)
    marks = track.marks
    if len(marks.depth_mm) == 0:
        # No marks is not a count of nothing: nothing was counted.
        return {}
    whole = len(marks.depth_mm) - 1
    return {
        "years": whole,
        "years_lo": max(marks.total_lo - 1, 0),
        "years_hi": max(marks.total_hi - 1, 0),
        "mean_extension_mm_yr": means.extension_mm_yr,
        "mean_density_g_cm3": means.density_g_cm3,
        "mean_calcification_g_cm2_yr": means.calcification_g_cm2_yr,
        "mean_extension_sd_mm_yr": means.extension_sd_mm_yr,
        "mean_density_sd_g_cm3": means.density_sd_g_cm3,
        "mean_calcification_sd_g_cm2_yr": means.calcification_sd_g_cm2_yr,
    }


def profiles(tracks: Sequence[MeasuredTrack], stains: Sequence[MeasuredStains]) -> list[ProfileTable]:
    """Samples along each track: what its marks were looked for in, or the dye where there are only stains."""
    measured = {track.spec.name: track for track in tracks}
    profiles = []
    for stain in stains:
        track = measured.get(stain.track)
        if track is not None:
            profiles.append(_profile(stain.strip, stain.track, track.value, track.density_g_cm3))
        elif stain.dye_index is not None:
            profiles.append(_profile(stain.strip, stain.track, stain.dye_index, None))
    return profiles


def _profile(strip: TrackStrip, track: str, value: FloatArray, density_g_cm3: FloatArray | None) -> ProfileTable:
    """Samples along one track."""
    x_px, y_px = strip.place(strip.depth_mm)
    density = np.full(len(strip.depth_mm), np.nan) if density_g_cm3 is None else density_g_cm3
    return ProfileTable(
        track=np.full(len(strip.depth_mm), track),
        depth_mm=strip.depth_mm,
        x_px=x_px,
        y_px=y_px,
        value=value,
        density_g_cm3=density,
    )
