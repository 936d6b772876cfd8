"""Measure one track: from the strip beside the axis to its profile, marks and years.

The order of the work: straighten the slab along the axis, find the outer surface,
tell skeleton from background, follow the bands sideways, average along them,
find the annual marks (or take a person's), date them, and work out growth per year.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.axis import Axis, make_axis
from bandkit.bands import AnnualMarks, find_marks
from bandkit.carrier import Carrier, Radiography
from bandkit.dating import DatedMarks, LostYears, date_marks, interval_yr, mark_day, newest_mark_year, position_among_marks
from bandkit.density import slab_density_g_cm3, thickness_sd_frac
from bandkit.flags import Flag
from bandkit.follow import AlignedStrip, BandField, align_bands, follow_bands, two_looks
from bandkit.growth import ErrorSources, GrowthProfile, YearGrowth, growth_per_year, mark_certainty, sd_of_interval
from bandkit.plausible import tissue_layer
from bandkit.record import GapSpec, MaskSpec, ReadingSpec, Record, TrackSpec
from bandkit.scale import Scale
from bandkit.strip import ReadRegion, Strip, inside_polygon, straighten
from bandkit.surface import Surface, find_surface

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A slab wider than this adds little to the bands and much to the reading.
MOST_FOLLOWED_MM = 50.0
DEFAULT_WIDTH_MM = 5.0
# Radiographs are sampled no finer than this: ten samples in the narrowest band.
FINEST_STEP_MM = 0.1
# A person's pick on a radiograph, when nothing better is known (common practice: 0.2 to 0.5 mm).
PICKING_SD_MM = 0.3
# Tilt out of the plane of the slab that a careful saw cut still leaves.
OUT_OF_PLANE_SD_DEG = 3.0
# Two looks at the same bands through different corallites must agree this well (as a correlation): texture
# alone, followed in the same way, stayed below 0.6 on simulated slabs without bands, faint bands above 0.85.
LEAST_AGREEMENT = 0.7
WEAK_CYCLE_SNR = 1.5
STEEP_DEG = 25.0
NARROW_MM = 15.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlabImage:
    """The image of one slab with what holds for all of its tracks.

    Parameters
    ----------
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region.
    size_px : tuple of int
        Width and height.
    channels : int
        1 for grey, 3 for colour.
    scale : Scale
        Millimetres per pixel.
    carrier : Carrier
        What carries the bands.
    """

    read: ReadRegion
    size_px: tuple[int, int]
    channels: int
    scale: Scale
    carrier: Carrier


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackStrip:
    """The straightened slab along a track, from its outer surface inwards.

    Parameters
    ----------
    axis : Axis
        The drawn growth axis; its depth starts at the first drawn point.
    surface : Surface
        The outer surface on the strip.
    values : ndarray, shape (n_depth, n_across) or (n_depth, n_across, 3)
        Native pixel values; NaN outside the image or masked.
    signal : ndarray, shape (n_depth, n_across)
        What carries the bands; NaN outside the skeleton or masked.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the outer surface, in mm.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    x_px, y_px : ndarray, shape (n_depth, n_across)
        Pixel positions.
    flags : tuple of Flag
        Doubts.
    """

    axis: Axis
    surface: Surface
    values: FloatArray
    signal: FloatArray
    depth_mm: FloatArray
    across_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    flags: tuple[Flag, ...]

    def place(self, depth_mm: FloatArray | float, across_mm: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Pixel positions at a depth from the surface and a distance across."""
        return self.axis.at(np.asarray(depth_mm, float) + self.surface.depth_mm, across_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackMarks:
    """The annual marks that are used on a track: computed, or a person's.

    Parameters
    ----------
    depth_mm, lo_mm, hi_mm, probability : ndarray, shape (n_marks,)
        Depth from the surface, its 90 % interval, and the probability that it is annual.
    certainty : ndarray of str, shape (n_marks,)
        "certain", "doubtful" or "inserted".
    origin : str
        "computed" or the reader's name.
    count_lo, count_hi : ndarray, shape (n_marks,)
        90 % interval of the number of marks down to each.
    total_lo, total_hi : int
        90 % interval of the number of all marks.
    draws_mm : list of ndarray
        Equally defensible sequences.
    """

    depth_mm: FloatArray
    lo_mm: FloatArray
    hi_mm: FloatArray
    probability: FloatArray
    certainty: NDArray[np.str_]
    origin: str
    count_lo: FloatArray
    count_hi: FloatArray
    total_lo: int
    total_hi: int
    draws_mm: list[FloatArray]


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


def cut_strip(slab: SlabImage, spec: TrackSpec, masks: Sequence[MaskSpec], gaps: Sequence[GapSpec] = ()) -> TrackStrip:
    """Straighten the slab along a track and find its surface.

    Parameters
    ----------
    slab : SlabImage
        The image.
    spec : TrackSpec
        The track as drawn.
    masks : sequence of MaskSpec
        Places whose brightness does not count.
    gaps : sequence of GapSpec
        Cracks and lost pieces across this track.

    Returns
    -------
    TrackStrip
        From the surface inwards.
    """
    mm_per_px = (slab.scale.x_mm_px, slab.scale.y_mm_px)
    # Colour lines are fine: they are sampled at the pixel. Bands are not, and skeleton is smooth.
    finest = max(min(mm_per_px), 0.02 if slab.channels == 3 else FINEST_STEP_MM)
    axis = make_axis(spec.points_px, mm_per_px, step_mm=finest)
    half = 0.5 * min(spec.follow_mm or MOST_FOLLOWED_MM, MOST_FOLLOWED_MM)
    across_step = finest if slab.channels == 3 else 2 * finest
    n_side = max(int(half / across_step), 1)
    across = np.arange(-n_side, n_side + 1) * across_step
    strip = straighten(slab.read, slab.size_px, axis, across, channels=slab.channels)
    signal = slab.carrier.signal(strip.values, strip.x_px, strip.y_px)
    presence = slab.carrier.presence(strip.values, signal)
    surface = find_surface(presence, strip.depth_mm, across)
    keep, flags = _skeleton(presence, strip, surface)
    depth = strip.depth_mm - surface.depth_mm
    rows = slice(int(np.searchsorted(depth, -1e-9)), keep.last_row)
    columns = keep.columns
    values = strip.values[rows, columns]
    x_px, y_px = strip.x_px[rows, columns], strip.y_px[rows, columns]
    hidden = _hidden(x_px, y_px, masks)
    hidden |= _gap_rows(axis, surface, depth[rows], gaps)[:, None]
    signal = np.where(keep.present[rows, columns] & ~hidden, signal[rows, columns], np.nan)
    flags += _mask_flags(hidden, across[columns])
    return TrackStrip(axis=axis, surface=surface, values=_hide(values, hidden), signal=signal, depth_mm=depth[rows],
                      across_mm=across[columns], x_px=x_px, y_px=y_px,
                      flags=tuple(replace(flag, track=spec.name) for flag in flags))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Skeleton:
    """Which part of a strip shows skeleton."""

    present: BoolArray
    columns: slice
    last_row: int


def _skeleton(presence: FloatArray, strip: Strip, surface: Surface) -> tuple[_Skeleton, list[Flag]]:
    """Tell skeleton from background, and cut the strip where it leaves the slab."""
    from scipy.ndimage import uniform_filter

    flags = _surface_flags(surface, strip.step_mm)
    across_step = float(strip.across_mm[1] - strip.across_mm[0])
    size = (max(int(2.0 / strip.step_mm), 1), max(int(1.0 / across_step), 1))
    known = np.isfinite(presence)
    smooth = uniform_filter(np.where(known, presence, 0.0), size) / np.maximum(uniform_filter(known.astype(float), size), 1e-6)
    inside = strip.depth_mm > surface.depth_mm
    near = np.abs(strip.across_mm) <= 2.5
    level = float(np.nanmedian(presence[inside][:, near])) if inside.any() else float("nan")
    background = surface.outside if surface.found else (0.0 if level > 0 else level)
    share = (smooth - background) / (level - background) if level != background else np.ones_like(smooth)
    # Anything far denser than skeleton is a bar, a standard or a label.
    present = known & (share > 0.35) & (share < 3.0) if surface.found else known
    columns = _around_track(present[inside].mean(axis=0) > 0.5, strip.centre)
    middle = np.flatnonzero(present[:, near].mean(axis=1) > 0.5)
    last = int(middle[-1]) + 1 if len(middle) else len(presence)
    lost = (len(presence) - last) * strip.step_mm
    if lost > 2.0:
        flags.append(Flag(code="track-leaves-slab", detail=f"the last {lost:.0f} mm"))
    if strip.across_mm[columns][-1] - strip.across_mm[columns][0] < NARROW_MM:
        flags.append(Flag(code="narrow-strip"))
    return _Skeleton(present=present, columns=columns, last_row=max(last, 2)), flags


def _surface_flags(surface: Surface, step_mm: float) -> list[Flag]:
    """Doubts about the outer surface."""
    if not surface.found:
        return [Flag(code="surface-not-found")]
    if surface.sd_mm > max(0.3, 3 * step_mm):
        return [Flag(code="surface-doubtful", detail=f"+-{surface.sd_mm:.1f} mm", depth_mm=0.0)]
    return []


def _around_track(good: BoolArray, centre: int) -> slice:
    """The run of good columns that holds the track; the track alone where there is none."""
    first = last = centre
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(good) - 1 and good[last + 1]:
        last += 1
    return slice(first, last + 1)


def _hidden(x_px: FloatArray, y_px: FloatArray, masks: Sequence[MaskSpec]) -> BoolArray:
    """Samples inside a mask."""
    hidden = np.zeros(x_px.shape, dtype=bool)
    for mask in masks:
        hidden |= inside_polygon(x_px, y_px, mask.polygon_px)
    return hidden


def _hide(values: FloatArray, hidden: BoolArray) -> FloatArray:
    """Values with the hidden samples unknown."""
    return np.where(hidden if values.ndim == 2 else hidden[..., None], np.nan, values)


def _gap_rows(axis: Axis, surface: Surface, depth_mm: FloatArray, gaps: Sequence[GapSpec]) -> BoolArray:
    """Rows inside a gap across the track."""
    rows = np.zeros(len(depth_mm), dtype=bool)
    for gap in gaps:
        ends = sorted(axis.project(*point)[0] - surface.depth_mm for point in (gap.from_px, gap.to_px))
        rows |= (depth_mm >= ends[0]) & (depth_mm <= ends[1])
    return rows


def _mask_flags(hidden: BoolArray, across_mm: FloatArray) -> list[Flag]:
    """Say how much of the track itself is masked."""
    near = np.abs(across_mm) <= DEFAULT_WIDTH_MM / 2
    share = float(hidden[:, near].mean()) if hidden.size and near.any() else 0.0
    return [Flag(code="masked-part", detail=f"{100 * share:.0f} % of the track")] if share > 0.01 else []


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
    marks, found, mark_flags = _marks(record, spec, strip, field, aligned)
    density, errors, density_flags = _density(slab, record, strip, aligned, width)
    gaps = _lost_years(record, spec, strip, marks.depth_mm)
    dated = _date(record, marks, gaps)
    profile = GrowthProfile(depth_mm=strip.depth_mm, tilt_deg=np.interp(strip.depth_mm, field.depth_mm, field.tilt_deg),
                            density_g_cm3=density)
    growth = growth_per_year(marks.depth_mm, dated, profile, mark_sd_mm=sd_of_interval(marks.lo_mm, marks.hi_mm),
                             certainty=marks.certainty, errors=errors, taxon=record.specimen.taxon, track=spec.name)
    flags = [*strip.flags, *mark_flags, *density_flags, *_tilt_flags(field)]
    own = tuple(replace(flag, track=spec.name) for flag in (*flags, *dated.flags, *growth.doubts))
    return MeasuredTrack(spec=spec, strip=strip, field=field, value=aligned.mean(MOST_FOLLOWED_MM)[0], density_g_cm3=density, marks=marks,
                         dated=dated, growth=growth, found=found, flags=own)


def _tilt_flags(field: BandField) -> list[Flag]:
    """Doubt where the bands run steeply across the track."""
    tilt = float(np.median(field.tilt_deg))
    return [Flag(code="steep-bands", detail=f"{abs(tilt):.0f} degrees")] if abs(tilt) > STEEP_DEG else []


def _marks(record: Record, spec: TrackSpec, strip: TrackStrip, field: BandField, aligned: AlignedStrip
           ) -> tuple[TrackMarks, AnnualMarks | None, list[Flag]]:
    """A person's marks where there are any, else those that the program finds."""
    readings = [reading for reading in record.readings if reading.track == spec.name]
    if readings:
        # The last reading in the record is the one that a person settled on.
        marks = _read_marks(readings[-1], strip, field)
        return marks, None, [Flag(code="reading-used", detail=readings[-1].reader)]
    value, known_frac = aligned.mean(MOST_FOLLOWED_MM)
    looks = two_looks(strip.signal, strip.depth_mm, strip.across_mm, field, width_mm=MOST_FOLLOWED_MM)
    found = find_marks(value, strip.depth_mm, dense_side=-1 if record.dating.mark == "density minimum" else 1,
                       known_frac=known_frac, halves=looks, spacing_mm=record.dating.spacing_mm,
                       outer_part_yr=_outer_part_yr(record))
    flags = _finder_flags(record, found)
    if any(flag.code == "no-marks" for flag in flags):
        return _no_marks(), found, flags
    marks = TrackMarks(
        depth_mm=found.depth_mm, lo_mm=found.lo_mm, hi_mm=found.hi_mm, probability=found.probability,
        certainty=mark_certainty(found.probability), origin="computed", count_lo=found.count_lo_at,
        count_hi=found.count_hi_at, total_lo=found.count_lo, total_hi=found.count_hi, draws_mm=found.draws_mm)
    return marks, found, flags


def _no_marks() -> TrackMarks:
    """No marks at all."""
    none = np.empty(0)
    return TrackMarks(depth_mm=none, lo_mm=none, hi_mm=none, probability=none, certainty=np.empty(0, dtype=np.str_),
                      origin="computed", count_lo=none, count_hi=none, total_lo=0, total_hi=0, draws_mm=[])


def _finder_flags(record: Record, found: AnnualMarks) -> list[Flag]:
    """Doubts about the computed marks."""
    flags = []
    if record.dating.spacing_mm is not None:
        flags.append(Flag(code="spacing-from-record", detail=f"{record.dating.spacing_mm:g} mm"))
    if len(found.depth_mm) == 0 or found.agreement < LEAST_AGREEMENT:
        detail = f"two looks at the bands agree with r = {found.agreement:.2f}" if len(found.depth_mm) else ""
        return [*flags, Flag(code="no-marks", detail=detail)]
    if found.cycle_snr < WEAK_CYCLE_SNR:
        flags.append(Flag(code="weak-bands", detail=f"cycle {found.cycle_snr:.1f} times the noise"))
    if found.rival_probability > 0.05:
        flags.append(Flag(code="spacing-ambiguous", detail=f"{found.rival_spacing_mm:.1f} mm with probability "
                                                           f"{found.rival_probability:.2f}"))
    flags += [Flag(code="doubtful-mark", detail=f"probability {p:.2f}", depth_mm=float(d))
              for d, p in zip(found.depth_mm, found.probability, strict=True) if mark_certainty(p) == "doubtful"]
    tissue = tissue_layer(record.specimen.taxon)
    if tissue is not None and record.specimen.top_alive is not False and found.depth_mm[0] < tissue.mean_mm:
        flags.append(Flag(code="mark-in-tissue", detail=f"{found.depth_mm[0]:.1f} mm", depth_mm=float(found.depth_mm[0])))
    return flags


def _outer_part_yr(record: Record) -> float | None:
    """Part of a year that grew outside the newest mark, from the dates alone."""
    specimen, dating = record.specimen, record.dating
    if specimen.collected is None or dating.mark_date is None or specimen.top_alive is False:
        return None
    newest = mark_day(newest_mark_year(specimen.collected, dating.mark_date), dating.mark_date)
    return interval_yr(newest, specimen.collected)


def _read_marks(reading: ReadingSpec, strip: TrackStrip, field: BandField) -> TrackMarks:
    """A person's marks, carried along the band onto the track."""
    places = []
    for mark in reading.marks:
        depth, across = strip.axis.project(*mark.at_px)
        depth -= strip.surface.depth_mm
        shift = field.shift_at(np.array([depth]), np.array([across]))[0, 0]
        places.append((depth - float(shift), mark.certainty))
    places.sort(key=lambda place: place[0])
    end = float(strip.depth_mm[-1])
    depth_mm = np.clip(np.array([place[0] for place in places]), 0.0, end)
    certainty = np.array([place[1] for place in places], dtype=np.str_)
    probability = np.where(certainty == "doubtful", 0.5, 1.0)
    half = 1.645 * PICKING_SD_MM
    # A doubtful mark is half a year, plus or minus a half.
    doubtful = np.cumsum(certainty == "doubtful")
    count = np.arange(1, len(places) + 1)
    return TrackMarks(depth_mm=depth_mm, lo_mm=depth_mm - half, hi_mm=depth_mm + half, probability=probability,
                      certainty=certainty, origin=reading.reader, count_lo=(count - doubtful).astype(float),
                      count_hi=count.astype(float), total_lo=int(len(places) - (doubtful[-1] if len(places) else 0)),
                      total_hi=len(places), draws_mm=[])


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
    return date_marks(len(marks.depth_mm), collected=record.specimen.collected, top_alive=record.specimen.top_alive,
                      mark_date=record.dating.mark_date, top_growth_yr=top_growth, gaps=gaps,
                      count_lo=marks.count_lo, count_hi=marks.count_hi)


def _density(slab: SlabImage, record: Record, strip: TrackStrip, aligned: AlignedStrip, width_mm: float
             ) -> tuple[FloatArray | None, ErrorSources, list[Flag]]:
    """Density along the track, what it may be off by, and doubts."""
    scale_only = ErrorSources(scale_sd_frac=slab.scale.sd_frac, tilt_sd_deg=OUT_OF_PLANE_SD_DEG,
                              surface_sd_mm=strip.surface.sd_mm)
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
        areal, log_beam=carrier.beam.log_intensity(x_px, y_px),
        beam_log_sd=carrier.beam.log_sd(x_px, y_px, relative_to_px=standards_px))
    errors = replace(
        scale_only, thickness_sd_frac=thickness_sd_frac(thickness, record.density.slab_thickness_sd_mm),
        density_systematic_sd_g_cm3=slab_density_g_cm3(areal_sd, thickness),
        density_noise_sd_g_cm3=slab_density_g_cm3(_noise(aligned, width_mm), thickness),
        density_noise_length_mm=1.0)
    every = slice(None, None, max(len(x_px) // 100, 1))
    flags = [*carrier.calibration.flags(areal),
             *carrier.beam.flags(x_px[every], y_px[every], relative_to_px=standards_px,
                                 attenuation_cm2_g=carrier.calibration.attenuation_cm2_g, thickness_mm=thickness)]
    return density, errors, flags


def _middle_of_standards(record: Record) -> tuple[float, float]:
    """Mean position of the standards' boxes."""
    boxes = np.array([s.box_px for s in record.density.standards]) if record.density else np.zeros((1, 4))
    return float(boxes[:, [0, 2]].mean()), float(boxes[:, [1, 3]].mean())


def _noise(aligned: AlignedStrip, width_mm: float) -> float:
    """Standard deviation of one sample of the averaged profile, from the two halves of the track's width."""
    left, right = (aligned.mean(width_mm, weighted=False, side=side)[0] for side in (-1, 1))
    difference = left - right
    difference = difference[np.isfinite(difference)]
    return float(np.std(difference)) / 2.0 if len(difference) else 0.0
