"""Rows of the years, the marks and the events of one track, and the errors of its extension."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.checks import TrackPair, confirmed_of
from bandkit.flags import join_codes
from bandkit.growth import SOURCES
from bandkit.luminescence import annual_luminescence
from bandkit.record import Record
from bandkit.scale import Scale
from bandkit.tracks import BandEvent, MeasuredTrack
from bandkit.uncertainty import ExtensionErrors

FloatArray = NDArray[np.float64]

# What a mark is where the record does not say.
USUAL_MARK = {"radiograph": "density maximum", "ct": "density maximum", "luminescence": "luminescent line"}


def growth_rows(record: Record, track: MeasuredTrack) -> list[dict[str, Any]]:
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
    year_lo, year_hi = _piece_intervals(track)
    luminescence = _annual_luminescence(record, track)
    rows = []
    for i in range(len(growth.year)):
        row: dict[str, Any] = {name: float(getattr(growth, name)[i]) for name in columns}
        row |= {
            "year_lo": year_lo[i],
            "year_hi": year_hi[i],
            "annual_luminescence": luminescence[i],
            "specimen": record.specimen.id,
            "track": track.spec.name,
            "certainty": str(growth.certainty[i]),
            "complete": "yes" if growth.complete[i] else "partial",
            "flags": str(growth.flags[i]),
        }
        row |= {f"density_{source}_sd_g_cm3": float(growth.density_budget.of(source)[i]) for source in SOURCES}
        rows.append(row)
    return rows


def mark_rows(record: Record, track: MeasuredTrack, pairs: Sequence[TrackPair] = ()) -> list[dict[str, Any]]:
    """Rows of the mark table, outermost first."""
    marks, dated, name = track.marks, track.dated, track.spec.name
    kind = record.dating.mark or USUAL_MARK.get(record.image.kind, "")
    flags = [*track.flags, *(flag for pair in pairs for flag in pair.flags if flag.track == name)]
    compared, confirmed = confirmed_of(name, pairs, len(marks.depth_mm))
    x_px, y_px = track.strip.place(marks.depth_mm)
    rows = []
    for i in range(len(marks.depth_mm)):
        codes = [
            flag.code
            for flag in flags
            if flag.depth_mm is not None and abs(flag.depth_mm - marks.depth_mm[i]) < 1e-6
        ]
        rows.append(
            {
                "specimen": record.specimen.id,
                "track": name,
                "mark": i + 1,
                "year": dated.year[i],
                "depth_mm": marks.depth_mm[i],
                "depth_lo_mm": marks.lo_mm[i],
                "depth_hi_mm": marks.hi_mm[i],
                "probability": marks.probability[i],
                "x_px": x_px[i],
                "y_px": y_px[i],
                "certainty": str(marks.certainty[i]),
                "origin": str(marks.origin[i]),
                "year_lo": dated.year_lo[i],
                "year_hi": dated.year_hi[i],
                "flags": join_codes(codes),
                "kind": kind,
                "compared_with": float(compared[i]),
                "confirmed_by": float(confirmed[i]),
            }
        )
    return rows


def event_rows(specimen: str, track: MeasuredTrack) -> list[dict[str, Any]]:
    """Rows of the event table, outermost first."""
    rows = []
    for event in track.events:
        x_px, y_px = track.strip.place(_drawn_at_mm(event))
        year, year_lo, year_hi = _year_of(event, track)
        rows.append(
            {
                "specimen": specimen,
                "track": track.spec.name,
                "kind": event.kind,
                "year": year,
                "depth_mm": event.depth_mm,
                "second_depth_mm": event.second_mm,
                "certainty": event.certainty,
                "origin": event.origin,
                "year_lo": year_lo,
                "year_hi": year_hi,
                "years_least": event.years_least,
                "years_most": event.years_most,
                "x_px": float(x_px),
                "y_px": float(y_px),
                "note": event.note,
            }
        )
    return rows


def extension_errors(track: MeasuredTrack, scale: Scale) -> ExtensionErrors:
    """What the extension of one track may be off by, with its covariance."""
    growth = track.growth
    scale_sd = growth.extension_mm_yr * scale.sd_frac
    # The systematic error is the root of the sum of both squares.
    tilt_sd = np.sqrt(np.maximum(growth.extension_systematic_sd_mm_yr**2 - scale_sd**2, 0.0))
    return ExtensionErrors(
        year=growth.year,
        complete=growth.complete,
        picking_covariance_mm2_yr2=growth.picking_covariance_mm2_yr2,
        scale_sd_mm_yr=scale_sd,
        tilt_sd_mm_yr=tilt_sd,
    )


def _piece_intervals(track: MeasuredTrack) -> tuple[FloatArray, FloatArray]:
    """What the label of each piece may be: that of the mark at its outer end."""
    newer = -1.0 if track.dated.floating else 1.0
    lo, hi = track.dated.year_lo, track.dated.year_hi
    return np.concatenate([lo[:1] + newer, lo]), np.concatenate([hi[:1] + newer, hi])


def _annual_luminescence(record: Record, track: MeasuredTrack) -> FloatArray:
    """Luminescence of each piece that begins at a line: summer maximum less the minimum of the winter before."""
    values = np.full(len(track.marks.depth_mm) + 1, np.nan)
    lines_mm = track.marks.depth_mm
    # Two marks at one depth are an absent year: there is no winter between them.
    if record.image.kind == "luminescence" and np.all(np.diff(lines_mm) > 0):
        values[1:] = annual_luminescence(track.strip.depth_mm, track.value, lines_mm)
    return values


def _drawn_at_mm(event: BandEvent) -> float:
    """Depth at which an event is shown: the crest that is no year, or the middle of a gap."""
    if event.kind == "doublet":
        return event.second_mm
    return 0.5 * (event.depth_mm + event.second_mm) if event.kind == "gap" else event.depth_mm


def _year_of(event: BandEvent, track: MeasuredTrack) -> tuple[float, float, float]:
    """Year of an event and what it may be: of the mark that it belongs to, or of the piece that it lies in."""
    marks_mm = track.marks.depth_mm
    if not len(marks_mm):
        return float("nan"), float("nan"), float("nan")
    if event.kind in ("doublet", "absent year"):
        piece = int(np.argmin(np.abs(marks_mm - event.depth_mm))) + 1
    else:
        piece = int(np.searchsorted(marks_mm, _drawn_at_mm(event)))
    lo, hi = _piece_intervals(track)
    return float(track.dated.piece_year[piece]), float(lo[piece]), float(hi[piece])
