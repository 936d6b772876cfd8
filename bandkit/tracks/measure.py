"""Profile, marks, dates and growth of one track."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands import AnnualMarks
from bandkit.carrier import Radiography
from bandkit.dating import (
    Chronologies,
    DatedMarks,
    DatedStain,
    LostYears,
    choose_anchor,
    date_draws,
    date_marks,
    position_among_marks,
    year_intervals,
)
from bandkit.flags import Flag
from bandkit.follow import BandField, align_bands, without_holes
from bandkit.growth import GrowthProfile, YearGrowth, growth_per_year, sd_of_interval
from bandkit.record import Record, TrackSpec
from bandkit.tomography import Tomography
from bandkit.tracks.cut import DEFAULT_WIDTH_MM, MOST_FOLLOWED_MM, SlabImage, TrackStrip
from bandkit.tracks.density import track_density
from bandkit.tracks.events import absent_years, gap_events
from bandkit.tracks.marks import choose_marks
from bandkit.tracks.sequence import BandEvent, TrackMarks

FloatArray = NDArray[np.float64]

STEEP_DEG = 25.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredTrack:
    """Everything measured on one track.

    Parameters
    ----------
    spec : TrackSpec
        The track as drawn.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.
    value : ndarray, shape (n_depth,)
        Signal averaged along the bands.
    density_g_cm3 : ndarray or None, shape (n_depth,)
        Density averaged along the bands over the track's width.
    marks : TrackMarks
        Annual marks.
    events : tuple of BandEvent
        Doublets, stress bands, gaps and absent years, from the surface inwards.
    dated : DatedMarks
        Their years.
    chronologies : Chronologies
        Equally defensible ones.
    growth : YearGrowth
        Growth of each piece.
    found : AnnualMarks or None
        What the mark finder learnt; None where it was not asked.
    flags : tuple of Flag
        Doubts.
    """

    spec: TrackSpec
    strip: TrackStrip
    field: BandField
    value: FloatArray
    density_g_cm3: FloatArray | None
    marks: TrackMarks
    events: tuple[BandEvent, ...]
    dated: DatedMarks
    chronologies: Chronologies
    growth: YearGrowth
    found: AnnualMarks | None
    flags: tuple[Flag, ...]


def measure_track(
    slab: SlabImage, record: Record, spec: TrackSpec, strip: TrackStrip, field: BandField,
    stains: Sequence[DatedStain] = (),
) -> MeasuredTrack:
    """Profile, marks, dates and growth of one track.

    Parameters
    ----------
    slab : SlabImage
        The image.
    record : Record
        What a person knows of the slab.
    spec : TrackSpec
        The track.
    strip : TrackStrip
        The straightened slab; see `cut_strip`.
    field : BandField
        How its bands run; see `bandkit.follow.follow_bands`.
    stains : sequence of DatedStain
        Stain lines that were found on it: the newest dates the series where the collection cannot.

    Returns
    -------
    MeasuredTrack
        With no marks where none can be told from chance.
    """
    width = spec.width_mm or DEFAULT_WIDTH_MM
    aligned = align_bands(strip.signal, strip.depth_mm, strip.across_mm, field)
    hole_flags: list[Flag] = []
    if isinstance(slab.carrier, (Radiography, Tomography)):
        aligned, holes_frac = without_holes(aligned, strip.depth_mm)
        hole_flags = _hole_flags(holes_frac)
    marks, found, mark_flags = choose_marks(record, spec, strip, field, aligned)
    density = track_density(slab, record, strip, field, aligned, width_mm=width)
    gaps, extents_mm = _lost_years(record, spec, strip, marks.depth_mm)
    dated, chronologies = _date(record, marks, gaps, stains)
    events = sorted(
        [*marks.events, *gap_events(gaps, extents_mm), *absent_years(marks)], key=lambda event: event.depth_mm
    )
    profile = GrowthProfile(
        depth_mm=strip.depth_mm,
        tilt_deg=np.interp(strip.depth_mm, field.depth_mm, field.tilt_deg),
        density_g_cm3=density.density_g_cm3,
        beside_g_cm3=density.beside_g_cm3,
        beside_variance_frac=density.beside_variance_frac,
    )
    growth = growth_per_year(
        marks.depth_mm,
        dated,
        profile,
        mark_sd_mm=sd_of_interval(marks.lo_mm, marks.hi_mm),
        certainty=marks.certainty,
        errors=density.errors,
        taxon=record.specimen.taxon,
        track=spec.name,
    )
    flags = [*strip.flags, *mark_flags, *density.flags, *_tilt_flags(field), *hole_flags]
    own = tuple(replace(flag, track=spec.name) for flag in (*flags, *dated.flags, *growth.doubts))
    return MeasuredTrack(
        spec=spec,
        strip=strip,
        field=field,
        value=aligned.mean(MOST_FOLLOWED_MM)[0],
        density_g_cm3=density.density_g_cm3,
        marks=marks,
        events=tuple(events),
        dated=dated,
        chronologies=chronologies,
        growth=growth,
        found=found,
        flags=own,
    )


def _hole_flags(holes_frac: float) -> list[Flag]:
    """Say how much of the strip was left out as borings or infill."""
    return [Flag(code="holes-left-out", detail=f"{100 * holes_frac:.1f} % of the strip")] if holes_frac > 0.001 else []


def _tilt_flags(field: BandField) -> list[Flag]:
    """Doubt where the bands run steeply across the track."""
    tilt = float(np.median(field.tilt_deg))
    return [Flag(code="steep-bands", detail=f"{abs(tilt):.0f} degrees")] if abs(tilt) > STEEP_DEG else []


def _lost_years(
    record: Record, spec: TrackSpec, strip: TrackStrip, marks_mm: FloatArray
) -> tuple[list[LostYears], list[tuple[float, float]]]:
    """Gaps of this track in terms of its marks, and the depths of their outer and inner ends in mm."""
    lost, extents = [], []
    for gap in record.gaps:
        if gap.track == spec.name:
            ends = [strip.axis.project(*point)[0] - strip.surface.depth_mm for point in (gap.from_px, gap.to_px)]
            middle = float(np.mean(ends))
            outside = int(np.searchsorted(marks_mm, middle))
            lost.append(LostYears(marks_outside=outside, least=gap.years[0], most=gap.years[1], depth_mm=middle))
            extents.append((min(ends), max(ends)))
    return lost, extents


def _date(
    record: Record, marks: TrackMarks, gaps: list[LostYears], stains: Sequence[DatedStain]
) -> tuple[DatedMarks, Chronologies]:
    """Give every mark its year, and every drawn sequence of marks its years in the same way."""
    mark_date = record.dating.mark_date
    stain = choose_anchor(marks.depth_mm, stains)
    dated = date_marks(
        len(marks.depth_mm),
        collected=record.specimen.collected,
        top_alive=record.specimen.top_alive,
        mark_date=mark_date,
        top_growth_yr=-position_among_marks(marks.depth_mm, 0.0),
        gaps=gaps,
        count_lo=marks.count_lo,
        count_hi=marks.count_hi,
        stain=stain,
    )
    chronologies = date_draws(marks.draws_mm, dated, gaps=gaps, stain=stain, mark_date=mark_date)
    year_lo, year_hi = year_intervals(chronologies, dated, marks.depth_mm, marks.reach_mm)
    return replace(dated, year_lo=year_lo, year_hi=year_hi), chronologies
