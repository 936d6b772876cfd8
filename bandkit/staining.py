"""Stain lines of one slab: from lines in the colour strip to dated extension.

A radiograph does not show dye; there a person's pick is used. In a photograph the
lines are looked for, matched in order to the staining dates, and each gives the
extension since: distance from its distal edge to the surface over the time.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.dates import DAYS_PER_YEAR, years_between
from bandkit.dating import DatedStain
from bandkit.flags import Flag
from bandkit.follow import BandField
from bandkit.plausible import genus_range
from bandkit.record import Record, StainSpec, TrackSpec
from bandkit.stain import (
    Dye,
    GrowthAround,
    Increment,
    StainLine,
    extension_since,
    growth_around,
    interval_flags,
    stain_increments,
)
from bandkit.stain_lines import dye_profile, lines_on, shows_dye
from bandkit.tracks import TrackStrip

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainRow:
    """One staining on one track.

    Parameters
    ----------
    date : datetime.date
        When the colony was stained.
    dye : str
        What with.
    found : bool
        Whether its line is there.
    depth_mm, depth_sd_mm : float
        Distal edge on the track from the surface; NaN where not found.
    interval_yr : float
        Time from staining to collection; NaN where not known.
    extension_mm_yr, extension_sd_mm_yr : float
        Extension since staining, along the track.
    increment : Increment or None
        Growth between this line and the next newer one, or the surface.
    confidence : float
        Probability that the line is there.
    codes : tuple of str
        Flag codes.
    across_mm, line_mm : ndarray, shape (n_across,)
        The line across the slab, for drawing.
    counted_yr : float
        Years outside the line by the annual marks, to be held against ``interval_yr``; NaN where not known.
    increment_counted_yr : float
        Years by the marks between this line and the next newer one that was found, or the surface.
    excluded_days : float
        Days after the staining that are left out of ``interval_yr``.
    around : GrowthAround or None
        Growth since the staining in every direction along the line; None where line or outer surface is not seen.
    """

    date: dt.date
    dye: str
    found: bool
    depth_mm: float
    depth_sd_mm: float
    interval_yr: float
    extension_mm_yr: float
    extension_sd_mm_yr: float
    confidence: float
    codes: tuple[str, ...]
    across_mm: FloatArray
    line_mm: FloatArray
    increment: Increment | None = None
    counted_yr: float = float("nan")
    increment_counted_yr: float = float("nan")
    excluded_days: float = 0.0
    around: GrowthAround | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredStains:
    """The stainings on one track, in the order of the record.

    Parameters
    ----------
    track : str
        Name of the track.
    strip : TrackStrip
        The straightened slab.
    rows : tuple of StainRow
        One per staining.
    flags : tuple of Flag
        Doubts.
    dye_index : ndarray or None, shape (n_depth,)
        Colour index of the dye along the track, 0 on clean skeleton; None where the picture cannot show dye.
    """

    track: str
    strip: TrackStrip
    rows: tuple[StainRow, ...]
    flags: tuple[Flag, ...]
    dye_index: FloatArray | None = None


def measure_stains(
    record: Record,
    spec: TrackSpec,
    strip: TrackStrip,
    *,
    full_scale: float,
    scale_sd_frac: float = 0.0,
    field: BandField | None = None,
    elsewhere: Sequence[StainLine | None] = (),
    dyes: dict[str, Dye] | None = None,
) -> MeasuredStains:
    """Find the stainings of a slab on one track.

    Parameters
    ----------
    record : Record
        The slab record.
    spec : TrackSpec
        The track.
    strip : TrackStrip
        The straightened slab.
    full_scale : float
        Native value of white.
    scale_sd_frac : float
        What the scale may be off by, as a fraction.
    field : BandField, optional
        How the bands run: a person's pick beside the track is carried to it along the band, which was the surface on
        the day of the staining; square to the track where absent.
    elsewhere : sequence of StainLine or None, optional
        What another picture of the slab shows of each staining; used where nothing is picked here.
    dyes : dict of str to Dye, optional
        What each dye looks like, as `bandkit.stain_lines.dyes_of` tells; as its name says where absent.

    Returns
    -------
    MeasuredStains
        One row per staining, found or not.
    """
    lines = lines_on(record, strip, full_scale, field, dyes or {})
    if elsewhere:
        lines = [line or other for line, other in zip(lines, elsewhere, strict=True)]
    rows = _with_increments(
        [_row(record, stain, line, strip, scale_sd_frac) for stain, line in zip(record.stains, lines, strict=True)],
        record,
        strip.surface.sd_mm,
    )
    flags = [
        Flag(code=code, detail=row.date.isoformat(), track=spec.name, depth_mm=row.depth_mm if row.found else None)
        for row in rows
        for code in row.codes
    ]
    return MeasuredStains(
        track=spec.name,
        strip=strip,
        rows=rows,
        flags=tuple(flags),
        dye_index=dye_profile(record, strip, full_scale, spec, dyes or {}) if shows_dye(record, strip) else None,
    )


def _with_increments(rows: list[StainRow], record: Record, surface_sd_mm: float) -> tuple[StainRow, ...]:
    """Add to each line that was found the growth between it and the next newer one, or the surface."""
    dated = [k for k, row in enumerate(rows) if row.found and row.interval_yr > 0]
    if record.specimen.collected is None or not dated:
        return tuple(rows)
    dated.sort(key=lambda k: rows[k].date, reverse=True)
    depths = [rows[k].depth_mm for k in dated]
    if np.any(np.diff(depths) <= 0):
        return tuple(rows)
    increments = stain_increments(
        depths,
        [rows[k].depth_sd_mm for k in dated],
        [rows[k].date for k in dated],
        record.specimen.collected,
        surface_sd_mm=surface_sd_mm,
        excluded_days=[rows[k].excluded_days for k in dated],
    )
    for k, increment in zip(dated, increments, strict=True):
        rows[k] = replace(rows[k], increment=increment)
    return tuple(rows)


def _row(record: Record, stain: StainSpec, line: StainLine | None, strip: TrackStrip, scale_sd_frac: float) -> StainRow:
    """Turn one line into one row."""
    collected = record.specimen.collected
    alive = record.specimen.top_alive is not False
    interval = years_between(stain.date, collected) if collected is not None and alive else float("nan")
    interval -= (stain.days_excluded or 0.0) / DAYS_PER_YEAR
    codes: list[str] = []
    extension = extension_sd = float("nan")
    if line is None or not line.found:
        looked_for = line is not None or shows_dye(record, strip)
        codes.append("stain-not-found" if looked_for else "stain-not-visible")
    else:
        codes += line.flags
        if line.depth_mm < 0:
            codes.append("stain-outside-image")
        elif interval > 0:
            codes += interval_flags(interval)
            extension, extension_sd = extension_since(
                line.depth_mm, line.depth_sd_mm, interval, surface_sd_mm=strip.surface.sd_mm
            )
            extension_sd = float(np.hypot(extension_sd, scale_sd_frac * extension))
            codes += _rate_codes(record, extension)
    found = line is not None and line.found
    nothing = np.empty(0)
    return StainRow(
        date=stain.date,
        dye=stain.dye,
        found=found,
        depth_mm=line.depth_mm if line and found else float("nan"),
        depth_sd_mm=line.depth_sd_mm if line and found else float("nan"),
        interval_yr=interval,
        extension_mm_yr=extension,
        extension_sd_mm_yr=extension_sd,
        confidence=line.confidence if line else float("nan"),
        codes=tuple(codes),
        across_mm=line.across_mm if line and found else nothing,
        line_mm=line.line_depth_mm if line and found else nothing,
        excluded_days=stain.days_excluded or 0.0,
        around=_around(line, strip) if line and found else None,
    )


def _around(line: StainLine, strip: TrackStrip) -> GrowthAround | None:
    """Growth from a line to the outer surface, in every direction that both are seen in."""
    if not len(strip.outline_mm):
        return None
    step = float(strip.depth_mm[1] - strip.depth_mm[0])
    both = [strip.axis.at(depth + strip.surface.depth_mm, across) for depth, across in (
        (line.line_depth_mm, line.across_mm), (strip.outline_mm, strip.across_mm))]
    line_mm, surface_mm = (np.stack(strip.axis.to_mm(*place), axis=1) for place in both)
    return growth_around(line_mm, surface_mm, step_mm=max(step, 0.1))


def _rate_codes(record: Record, extension_mm_yr: float) -> list[str]:
    """Doubt a rate that the genus is not known to reach: the line may be another, or its date."""
    known = genus_range(record.specimen.taxon)
    if known is None or known.extension_mm_yr[0] <= extension_mm_yr <= known.extension_mm_yr[1]:
        return []
    return ["extension-implausible"]


def dated_stains(stains: MeasuredStains) -> list[DatedStain]:
    """Lines that were found on a track, with their dates: what can date its marks, or check them.

    Parameters
    ----------
    stains : MeasuredStains
        The stainings on one track.

    Returns
    -------
    list of DatedStain
        In the order of the record, those outside the surface left out.
    """
    return [DatedStain(depth_mm=row.depth_mm, date=row.date) for row in stains.rows if row.found and row.depth_mm >= 0]


def offer_stains(stains: list[MeasuredStains]) -> list[MeasuredStains]:
    """Say once, not per track, that a radiograph does not show dye.

    Parameters
    ----------
    stains : list of MeasuredStains
        One per track.

    Returns
    -------
    list of MeasuredStains
        The same, with that flag on the first track only.
    """
    told: set[tuple[str, str]] = set()
    out = []
    for item in stains:
        kept = []
        for flag in item.flags:
            key = (flag.code, flag.detail)
            if flag.code == "stain-not-visible" and key in told:
                continue
            told.add(key)
            kept.append(flag)
        out.append(replace(item, flags=tuple(kept)))
    return out
