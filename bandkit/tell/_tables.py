"""Rows of the tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.checks import TrackPair, confirmed_of
from bandkit.flags import Flag, join_codes
from bandkit.growth import track_means
from bandkit.record import Record
from bandkit.results import ProfileTable
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains
from bandkit.tracks import DEFAULT_WIDTH_MM, MeasuredTrack, TrackStrip

FloatArray = NDArray[np.float64]


def track_rows(
    record: Record,
    scale: Scale,
    tracks: Sequence[MeasuredTrack],
    stains: Sequence[MeasuredStains],
    *,
    pairs: Sequence[TrackPair] = (),
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
            "site": record.specimen.site,
            "colony": record.specimen.colony or record.specimen.id,
            "core": record.specimen.core or record.specimen.id,
        }
        if spec.name in measured:
            row |= _means(measured[spec.name]) | _agreement(measured[spec.name], pairs)
        rows.append(row)
    return rows


def _means(track: MeasuredTrack) -> dict[str, float]:
    """Counts and means of one track."""
    means = track_means(track.growth)
    marks = track.marks
    if len(marks.depth_mm) == 0:
        # No marks is not a count of nothing: nothing was counted.
        return {}
    spans = track.chronologies.spans_yr()
    years = abs(float(track.dated.year[-1] - track.dated.year[0]))
    lost = years - (len(marks.depth_mm) - 1)
    lo, hi = (marks.total_lo - 1 + lost, marks.total_hi - 1 + lost)
    if len(spans) and any(event.kind == "gap" for event in track.events):
        lo, hi = np.quantile(spans, (0.05, 0.95), method="inverted_cdf")
    return {
        "years": years,
        "years_lo": max(min(float(lo), years), 0.0),
        "years_hi": max(float(hi), years),
        "years_expected": float(spans.mean()) if len(spans) else years,
        "years_sd": float(spans.std()) if len(spans) else 0.0,
        "mean_extension_mm_yr": means.extension_mm_yr,
        "mean_density_g_cm3": means.density_g_cm3,
        "mean_calcification_g_cm2_yr": means.calcification_g_cm2_yr,
        "mean_extension_sd_mm_yr": means.extension_sd_mm_yr,
        "mean_density_sd_g_cm3": means.density_sd_g_cm3,
        "mean_calcification_sd_g_cm2_yr": means.calcification_sd_g_cm2_yr,
    }


def _agreement(track: MeasuredTrack, pairs: Sequence[TrackPair]) -> dict[str, float]:
    """How many marks could be looked for on other tracks, and how many all of those have."""
    if not any(track.spec.name in (pair.first, pair.second) for pair in pairs):
        return {}
    compared, confirmed = confirmed_of(track.spec.name, pairs, len(track.marks.depth_mm))
    return {
        "marks_compared": float((compared > 0).sum()),
        "marks_confirmed": float(((compared > 0) & (confirmed == compared)).sum()),
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
