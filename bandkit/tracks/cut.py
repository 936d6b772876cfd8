"""Cut the strip of a track out of the slab: surface, skeleton, masks and gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.axis import Axis, make_axis
from bandkit.carrier import Carrier
from bandkit.density import Thickness
from bandkit.flags import Flag
from bandkit.record import GapSpec, MaskSpec, TrackSpec
from bandkit.scale import Scale
from bandkit.stats import mean_known
from bandkit.strip import ReadRegion, Strip, inside_polygon, straighten
from bandkit.surface import Surface, find_surface, outline_across

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A slab wider than this adds little to the bands and much to the reading.
MOST_FOLLOWED_MM = 50.0
# Density is averaged over this width where a track does not say: along the bands it blurs nothing, and it holds
# enough corallites for their texture to begin to average out.
DEFAULT_WIDTH_MM = 10.0
# Half the width of skeleton that counts as the track itself.
BESIDE_MM = 2.5
# Radiographs are sampled no finer than this: ten samples in the narrowest band.
FINEST_STEP_MM = 0.1
# Colour lines are fine, and are sampled at the pixel down to this.
FINEST_COLOUR_STEP_MM = 0.02
# Columns no further than this to either side lie under the track.
UNDER_TRACK_MM = 2.5
# Skeleton is told from background after smoothing over this, along and across: pores and texture are no background.
SMOOTH_MM = (2.0, 1.0)
# Skeleton holds more than the one and less than the other times its typical level; what holds more is a bar, a
# standard or a label.
SKELETON_FRAC = (0.35, 3.0)
# A track that leaves the slab over less than this ends at the slab's own edge.
LEAST_LOST_MM = 2.0
NARROW_MM = 15.0
# Depth below the surface over which smoothing mixes skeleton with background.
RIM_MM = 1.5
# Background holds less than this share of the skeleton's level.
OUTSIDE_FRAC = 0.25


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
    thickness : Thickness or None
        How thick the slab is; None where it is not known.
    """

    read: ReadRegion
    size_px: tuple[int, int]
    channels: int
    scale: Scale
    carrier: Carrier
    thickness: Thickness | None = None


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
    outline_mm : ndarray, shape (n_across,) or (0,)
        Depth of the outer surface across the strip, 0 on the track; NaN where it is not seen, empty where unknown.
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
    outline_mm: FloatArray = field(default_factory=lambda: np.empty(0))

    def place(self, depth_mm: FloatArray | float, across_mm: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Pixel positions at a depth from the surface and a distance across."""
        return self.axis.at(np.asarray(depth_mm, float) + self.surface.depth_mm, across_mm)


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
    finest = max(min(mm_per_px), FINEST_COLOUR_STEP_MM if slab.channels == 3 else FINEST_STEP_MM)
    axis = make_axis(spec.points_px, mm_per_px, step_mm=finest, plane=slab.scale.plane)
    half = 0.5 * min(spec.follow_mm or MOST_FOLLOWED_MM, MOST_FOLLOWED_MM)
    across_step = finest if slab.channels == 3 else 2 * finest
    n_side = max(int(half / across_step), 1)
    across = np.arange(-n_side, n_side + 1, dtype=np.float64) * across_step
    strip = straighten(slab.read, slab.size_px, axis, across, channels=slab.channels)
    signal = slab.carrier.signal(strip.values, strip.x_px, strip.y_px)
    presence = slab.carrier.presence(strip.values, signal)
    surface = find_surface(presence, strip.depth_mm, across)
    outline = outline_across(presence, strip.depth_mm, across, surface)
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
    return TrackStrip(
        axis=axis,
        surface=surface,
        values=_hide(values, hidden),
        signal=signal,
        depth_mm=depth[rows],
        across_mm=across[columns],
        x_px=x_px,
        y_px=y_px,
        flags=tuple(replace(flag, track=spec.name) for flag in flags),
        outline_mm=outline[columns] - surface.depth_mm,
    )


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
    size = (max(int(SMOOTH_MM[0] / strip.step_mm), 1), max(int(SMOOTH_MM[1] / across_step), 1))
    known = np.isfinite(presence)
    smooth = uniform_filter(np.where(known, presence, 0.0), size) / np.maximum(
        uniform_filter(known.astype(float), size), 1e-6
    )
    inside = strip.depth_mm > surface.depth_mm
    near = np.abs(strip.across_mm) <= UNDER_TRACK_MM
    level = _skeleton_level(presence[inside][:, near], surface)
    background = surface.outside if surface.found else (0.0 if level > 0 else level)
    share = (smooth - background) / (level - background) if level != background else np.ones_like(smooth)
    present = known & (share > SKELETON_FRAC[0]) & (share < SKELETON_FRAC[1]) if surface.found else known
    # The rim is half background once smoothed, and skeleton all the same.
    rim = inside & (strip.depth_mm < surface.depth_mm + RIM_MM)
    present |= known & rim[:, None] & near
    columns = _around_track(present[inside].mean(axis=0) > 0.5, strip.centre)
    middle = np.flatnonzero(present[:, near].mean(axis=1) > 0.5)
    last = int(middle[-1]) + 1 if len(middle) else len(presence)
    lost = (len(presence) - last) * strip.step_mm
    if lost > LEAST_LOST_MM:
        flags.append(Flag(code="track-leaves-slab", detail=f"the last {lost:.0f} mm"))
    if not surface.found and _ends_outside(presence[:, near], strip.step_mm):
        flags.append(Flag(code="track-backwards"))
    if strip.across_mm[columns][-1] - strip.across_mm[columns][0] < NARROW_MM:
        flags.append(Flag(code="narrow-strip"))
    return _Skeleton(present=present, columns=columns, last_row=max(last, 2)), flags


def _ends_outside(under: FloatArray, step_mm: float) -> bool:
    """Whether a track that does not begin outside the slab ends there instead."""
    middle = mean_known(under, 1)
    known = middle[np.isfinite(middle)]
    n_end = max(int(1.0 / step_mm), 3)
    if len(known) < 10 * n_end:
        return False
    inside = float(np.median(known[: len(known) // 2]))
    return bool(inside > 0 and abs(float(np.median(known[-n_end:]))) < OUTSIDE_FRAC * inside)


def _skeleton_level(under: FloatArray, surface: Surface) -> float:
    """Typical level of skeleton under the track, leaving out background beyond the slab's end."""
    if surface.found:
        under = under[(under - surface.outside) / (surface.inside - surface.outside) > 0.5]
    under = under[np.isfinite(under)]
    return float(np.median(under)) if under.size else float("nan")


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
    near = np.abs(across_mm) <= BESIDE_MM
    share = float(hidden[:, near].mean()) if hidden.size and near.any() else 0.0
    return [Flag(code="masked-part", detail=f"{100 * share:.0f} % of the track")] if share > 0.01 else []
