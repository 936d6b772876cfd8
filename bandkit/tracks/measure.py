"""Profile, marks, dates and growth of one track."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands import AnnualMarks
from bandkit.carrier import Radiography
from bandkit.dating import DatedMarks, LostYears, date_marks, position_among_marks
from bandkit.density import slab_density_g_cm3, thickness_sd_frac
from bandkit.flags import Flag
from bandkit.follow import AlignedStrip, BandField, align_bands, follow_bands, without_holes
from bandkit.growth import ErrorSources, GrowthProfile, YearGrowth, growth_per_year, sd_of_interval
from bandkit.record import Record, TrackSpec
from bandkit.tracks.cut import DEFAULT_WIDTH_MM, MOST_FOLLOWED_MM, SlabImage, TrackStrip
from bandkit.tracks.marks import TrackMarks, choose_marks

FloatArray = NDArray[np.float64]

# Tilt out of the plane of the slab, which a careful saw cut still leaves, and of the followed bands in it.
TILT_SD_DEG = 4.0
STEEP_DEG = 25.0
# Fewer samples tell nothing of the noise; texture hangs together over less than this.
LEAST_NOISE_SAMPLES = 50
MOST_NOISE_MM = 15.0


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
    dated : DatedMarks
        Their years.
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
    dated: DatedMarks
    growth: YearGrowth
    found: AnnualMarks | None
    flags: tuple[Flag, ...]


def measure_track(slab: SlabImage, record: Record, spec: TrackSpec, strip: TrackStrip) -> MeasuredTrack:
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

    Returns
    -------
    MeasuredTrack
        With no marks where none can be told from chance.
    """
    width = spec.width_mm or DEFAULT_WIDTH_MM
    field = follow_bands(strip.signal, strip.depth_mm, strip.across_mm)
    aligned = align_bands(strip.signal, strip.depth_mm, strip.across_mm, field)
    hole_flags: list[Flag] = []
    if isinstance(slab.carrier, Radiography):
        aligned, holes_frac = without_holes(aligned, strip.depth_mm)
        hole_flags = _hole_flags(holes_frac)
    marks, found, mark_flags = choose_marks(record, spec, strip, field, aligned)
    density, errors, density_flags = _density(slab, record, strip, aligned, width)
    gaps = _lost_years(record, spec, strip, marks.depth_mm)
    dated = _date(record, marks, gaps)
    profile = GrowthProfile(
        depth_mm=strip.depth_mm,
        tilt_deg=np.interp(strip.depth_mm, field.depth_mm, field.tilt_deg),
        density_g_cm3=density,
    )
    growth = growth_per_year(
        marks.depth_mm,
        dated,
        profile,
        mark_sd_mm=sd_of_interval(marks.lo_mm, marks.hi_mm),
        certainty=marks.certainty,
        errors=errors,
        taxon=record.specimen.taxon,
        track=spec.name,
    )
    flags = [*strip.flags, *mark_flags, *density_flags, *_tilt_flags(field), *hole_flags]
    own = tuple(replace(flag, track=spec.name) for flag in (*flags, *dated.flags, *growth.doubts))
    return MeasuredTrack(
        spec=spec,
        strip=strip,
        field=field,
        value=aligned.mean(MOST_FOLLOWED_MM)[0],
        density_g_cm3=density,
        marks=marks,
        dated=dated,
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


def _lost_years(record: Record, spec: TrackSpec, strip: TrackStrip, marks_mm: FloatArray) -> list[LostYears]:
    """Gaps of this track in terms of its marks."""
    lost = []
    for gap in record.gaps:
        if gap.track == spec.name:
            middle = np.mean([strip.axis.project(*point)[0] for point in (gap.from_px, gap.to_px)])
            outside = int(np.searchsorted(marks_mm, float(middle) - strip.surface.depth_mm))
            lost.append(LostYears(marks_outside=outside, least=gap.years[0], most=gap.years[1]))
    return lost


def _date(record: Record, marks: TrackMarks, gaps: list[LostYears]) -> DatedMarks:
    """Give every mark its year."""
    top_growth = -position_among_marks(marks.depth_mm, 0.0)
    return date_marks(
        len(marks.depth_mm),
        collected=record.specimen.collected,
        top_alive=record.specimen.top_alive,
        mark_date=record.dating.mark_date,
        top_growth_yr=top_growth,
        gaps=gaps,
        count_lo=marks.count_lo,
        count_hi=marks.count_hi,
    )


def _density(
    slab: SlabImage, record: Record, strip: TrackStrip, aligned: AlignedStrip, width_mm: float
) -> tuple[FloatArray | None, ErrorSources, list[Flag]]:
    """Density along the track, what it may be off by, and doubts."""
    scale_only = ErrorSources(
        scale_sd_frac=slab.scale.sd_frac, tilt_sd_deg=TILT_SD_DEG, surface_sd_mm=strip.surface.sd_mm
    )
    carrier = slab.carrier
    if not isinstance(carrier, Radiography) or carrier.calibration is None or record.density is None:
        return None, scale_only, []
    if record.density.slab_thickness_mm is None:
        return None, scale_only, [Flag(code="no-thickness")]
    areal, _ = aligned.mean(width_mm, weighted=False)
    thickness = record.density.slab_thickness_mm
    density = slab_density_g_cm3(areal, thickness)
    centre = int(np.argmin(np.abs(strip.across_mm)))
    x_px, y_px = strip.x_px[:, centre], strip.y_px[:, centre]
    standards_px = _middle_of_standards(record)
    areal_sd = carrier.calibration.areal_density_sd_g_cm2(
        areal,
        log_beam=carrier.beam.log_intensity(x_px, y_px),
        beam_log_sd=carrier.beam.log_sd(x_px, y_px, relative_to_px=standards_px),
    )
    noise_sd, noise_length_mm = _noise(aligned, strip.depth_mm, width_mm)
    errors = replace(
        scale_only,
        thickness_sd_frac=thickness_sd_frac(thickness, record.density.slab_thickness_sd_mm),
        density_systematic_sd_g_cm3=slab_density_g_cm3(areal_sd, thickness),
        density_noise_sd_g_cm3=slab_density_g_cm3(noise_sd, thickness),
        density_noise_length_mm=noise_length_mm,
    )
    every = slice(None, None, max(len(x_px) // 100, 1))
    flags = [
        *carrier.calibration.flags(areal),
        *carrier.beam.flags(
            x_px[every],
            y_px[every],
            relative_to_px=standards_px,
            attenuation_cm2_g=carrier.calibration.attenuation_cm2_g,
            thickness_mm=thickness,
        ),
    ]
    return density, errors, flags


def _middle_of_standards(record: Record) -> tuple[float, float]:
    """Mean position of the standards' boxes."""
    boxes = np.array([s.box_px for s in record.density.standards]) if record.density else np.zeros((1, 4))
    return float(boxes[:, [0, 2]].mean()), float(boxes[:, [1, 3]].mean())


def _noise(aligned: AlignedStrip, depth_mm: FloatArray, width_mm: float) -> tuple[float, float]:
    """Standard deviation of one sample of the averaged profile, and the depth in mm over which it hangs together.

    From the two halves of the track's width: their corallites differ, their band is the same.
    """
    left, right = (aligned.mean(width_mm, weighted=False, side=side)[0] for side in (-1, 1))
    difference = left - right
    known = np.isfinite(difference)
    step = float(depth_mm[1] - depth_mm[0])
    if known.sum() < LEAST_NOISE_SAMPLES:
        return 0.0, step
    difference = np.where(known, difference - float(np.mean(difference[known])), 0.0)
    power = float((difference**2).sum())
    reach = max(min(round(MOST_NOISE_MM / step), len(difference) // 4), 1)
    correlation = np.array([float((difference[k:] * difference[:-k]).sum()) for k in range(1, reach)])
    correlation /= max(power, 1e-30)
    end = int(np.argmax(correlation < 0.05)) if (correlation < 0.05).any() else len(correlation)
    length = step * (1.0 + 2.0 * float(correlation[:end].sum()))
    return float(np.sqrt(power / max(int(known.sum()), 1))) / 2.0, length
