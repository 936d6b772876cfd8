"""The shift field: how the bands run beside the track."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.stats import mean_known

FloatArray = NDArray[np.float64]

# Working grid of the search: fine enough for bands 3 mm apart, coarse enough to be quick.
DEPTH_STEP_MM = 0.2
BIN_WIDTH_MM = 1.5
# Bands steeper than this against the track cannot be told from the texture's own grain.
MAX_SLOPE = 0.6
# Tightest dome followed: bands of a colony of 40 mm radius.
MAX_CURVATURE_MM = 1.0 / 40.0
# The search looks at so much of the track at once (standard deviation): more than a year of fast growers.
SEARCH_SD_MM = 14.0
SHAPE_EVERY_MM = 4.0
# A change of the bands' edge by 3 mm over `SHAPE_EVERY_MM` costs as much as losing half of the semblance: a
# colony's shape does not jump, but a few strong corallites make it seem so.
CHANGE_COST, CHANGE_MM = 0.5, 3.0
COHERENCE_SD_MM = 8.0
# Rounds of the refinement: windows along the track and across it (standard deviations), and the size of the bumps
# that are expected to be left at that scale (None where all that is seen is taken). Bumps of the growth
# surface go on inwards for centimetres but turn within millimetres to the side.
REFINEMENTS_MM = (
    (60.0, 12.0, None),
    (60.0, 12.0, None),
    (45.0, 9.0, 0.4),
    (36.0, 7.0, 0.2),
    (24.0, 4.0, 0.12),
    (18.0, 3.5, 0.12),
    (18.0, 3.5, 0.12),
)
# Area over which texture repeats itself: that of a corallite and its share of a year.
TEXTURE_CELL_MM2 = 5.0
# Half the width over which the slope of a band at the track is taken.
TILT_REACH_MM = 3.0
# Two looks at the bands take turns in blocks of so many bins; there must be two blocks for each.
BINS_PER_LOOK = 4
LEAST_BINS_TO_SPLIT = 4 * BINS_PER_LOOK
# Samples summed before long windows are smoothed.
BLOCK = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandField:
    """How the bands run beside the track.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_depth,)
        Depth on the track, in mm.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    shift_mm : ndarray, shape (n_depth, n_across)
        The band that crosses the track at ``depth_mm`` lies at depth + shift at
        that distance; 0 on the track.
    weight : ndarray, shape (n_depth, n_across)
        0 to 1: how well that place follows the bands of the track.
    tilt_deg : ndarray, shape (n_depth,)
        Angle between the band's normal and the track, close by it, in degrees, signed.
    halves : tuple of BandField
        The same, found anew in each half of the columns, which take turns in blocks (`look_of`);
        empty where the strip is too narrow to split.
    """

    depth_mm: FloatArray
    across_mm: FloatArray
    shift_mm: FloatArray
    weight: FloatArray
    tilt_deg: FloatArray
    halves: tuple[BandField, ...] = ()

    def shift_at(self, depth_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
        """Shift in mm on a grid of depths and distances, shape (len(depth_mm), len(across_mm))."""
        return _regrid(self.shift_mm, (self.depth_mm, self.across_mm), (depth_mm, across_mm))

    def weight_at(self, depth_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
        """Weight on a grid of depths and distances, shape (len(depth_mm), len(across_mm))."""
        return _regrid(self.weight, (self.depth_mm, self.across_mm), (depth_mm, across_mm))


def follow_bands(values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray) -> BandField:
    """Find how the bands run beside the track.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across)
        Straightened strip of whatever carries the bands; NaN where there is none.
    depth_mm : ndarray, shape (n_depth,)
        Depth along the track, in mm, equally spaced.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm, equally spaced, with 0 among them.

    Returns
    -------
    BandField
        The shift field on a coarse grid; straight bands where too little is left to follow.
    """
    depth, bins, traces, known = _traces(values, depth_mm, across_mm)
    if len(bins) < 3 or known.sum() < 20:
        return _straight(depth, bins)
    flat = _equalise(traces, known, DEPTH_STEP_MM)
    # The first search needs no more than two samples in the finest texture that is left.
    coarse = slice(None, None, 2)
    shape = _scan_shapes(flat[coarse], known[coarse], depth[coarse], bins)
    shape = _regrid(shape, (depth[coarse], bins), (depth, bins))
    whole = _follow(flat, known, depth, bins, shape)
    if len(bins) < LEAST_BINS_TO_SPLIT:
        return whole
    look = look_of(bins, bins)
    halves = [_follow(flat[:, own], known[:, own], depth, bins[own], shape[:, own]) for own in (look == 0, look == 1)]
    return replace(whole, halves=tuple(halves))


def look_of(across_mm: FloatArray, bins_mm: FloatArray) -> NDArray[np.int64]:
    """Which of two looks at the bands each distance across belongs to: they take turns in blocks.

    Parameters
    ----------
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    bins_mm : ndarray, shape (n_bins,)
        Bins of the shift field, in mm, equally spaced.

    Returns
    -------
    ndarray of int, shape (n_across,)
        0 or 1. Blocks are wider than corallites and their clusters: texture is not shared.
    """
    bin_of = np.rint((across_mm - bins_mm[0]) / BIN_WIDTH_MM).astype(np.int64)
    return np.asarray(bin_of // BINS_PER_LOOK % 2)


def _follow(
    flat: FloatArray, known: NDArray[np.bool_], depth: FloatArray, bins: FloatArray, shape: FloatArray
) -> BandField:
    """Refine the shift field of traces that are made even, from the slab's overall shape."""
    shift = _anchor(shape, depth, bins)
    for window_mm, width_mm, expected_mm in REFINEMENTS_MM:
        update = _update(flat, known, depth, bins, shift, window_mm=(window_mm, width_mm), expected_mm=expected_mm)
        shift = _anchor(shift + update, depth, bins)
    weight = _coherence(flat, known, depth, shift)
    return BandField(depth_mm=depth, across_mm=bins, shift_mm=shift, weight=weight, tilt_deg=_tilt(shift, bins))


def _straight(depth: FloatArray, bins: FloatArray) -> BandField:
    """Bands square to the track, where nothing can be followed."""
    zeros = np.zeros((len(depth), len(bins)))
    return BandField(
        depth_mm=depth, across_mm=bins, shift_mm=zeros, weight=np.ones_like(zeros), tilt_deg=np.zeros(len(depth))
    )


def _traces(
    values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Average the strip into bins across, on the coarser depth grid."""
    n_side = max(int(max(-across_mm[0], across_mm[-1]) / BIN_WIDTH_MM), 0)
    bins = np.arange(-n_side, n_side + 1) * BIN_WIDTH_MM
    bins = bins[(bins >= across_mm[0] - BIN_WIDTH_MM / 2) & (bins <= across_mm[-1] + BIN_WIDTH_MM / 2)]
    step = depth_mm[1] - depth_mm[0]
    n_rows = max(int(DEPTH_STEP_MM / step + 1e-6), 1)
    usable = len(depth_mm) // n_rows * n_rows
    depth = depth_mm[:usable].reshape(-1, n_rows).mean(axis=1)
    columns = []
    for centre in bins:
        inside = np.abs(across_mm - centre) <= BIN_WIDTH_MM / 2 + 1e-9
        rows = mean_known(values[:usable, inside], 1, least_frac=0.5).reshape(-1, n_rows)
        columns.append(mean_known(rows, 1, least_frac=0.5))
    traces = np.stack(columns, axis=1)
    return depth, bins, traces, np.isfinite(traces)


def _smooth(values: FloatArray, known: FloatArray, sd: tuple[float, float]) -> FloatArray:
    """Gaussian mean over what is known; ``sd`` in samples along depth and across."""
    from scipy.ndimage import gaussian_filter

    weight = gaussian_filter(known.astype(float), sd, mode="constant", truncate=3.0)
    total = gaussian_filter(np.where(known > 0, values * known, 0.0), sd, mode="constant", truncate=3.0)
    return np.asarray(total / np.maximum(weight, 1e-9))


def _local_sums(values: FloatArray, sd: tuple[float, float]) -> FloatArray:
    """Gaussian-weighted sums about each place, for ratios of two of them; ``sd`` in samples along depth and across.

    The window is many samples long, so that sums of four samples are smoothed instead of samples.
    """
    from scipy.ndimage import gaussian_filter

    n = len(values)
    short = -(-n // BLOCK)
    blocks = np.zeros((short * BLOCK, values.shape[1]))
    blocks[:n] = values
    sums = blocks.reshape(short, BLOCK, -1).sum(axis=1)
    smooth = gaussian_filter(sums, (sd[0] / BLOCK, sd[1]), mode="constant", truncate=3.0)
    at = np.clip((np.arange(n) + 0.5) / BLOCK - 0.5, 0.0, max(short - 1.0, 0.0))
    low = np.minimum(at.astype(int), max(short - 2, 0))
    part = (at - low)[:, None]
    return np.asarray(smooth[low] * (1.0 - part) + smooth[np.minimum(low + 1, short - 1)] * part)


def _equalise(traces: FloatArray, known: NDArray[np.bool_], step: float) -> FloatArray:
    """Take out slow change and the finest texture, make contrast even, tame outliers such as borings."""
    mask = known.astype(float)
    filled = np.where(known, traces, 0.0)
    slow = _smooth(filled, mask, (7.0 / step, 0.0))
    fine = _smooth(np.where(known, filled - slow, 0.0), mask, (0.35 / step, 0.0))
    spread = np.sqrt(_smooth(fine**2, mask, (15.0 / step, 1.5)))
    even = fine / np.maximum(spread, 1e-12)
    return np.where(known, 2.0 * np.tanh(even / 2.0), 0.0)


def _scan_shapes(flat: FloatArray, known: NDArray[np.bool_], depth: FloatArray, bins: FloatArray) -> FloatArray:
    """Best slowly changing straight or domed shape of the bands along the track."""
    reach = float(np.max(np.abs(bins)))
    slopes = np.linspace(-MAX_SLOPE, MAX_SLOPE, 2 * int(np.ceil(MAX_SLOPE * reach / 1.0)) + 1)
    curvatures = np.linspace(
        -MAX_CURVATURE_MM, MAX_CURVATURE_MM, 2 * int(np.ceil(MAX_CURVATURE_MM / 2 * reach**2 / 1.5)) + 1
    )
    step = depth[1] - depth[0]
    every = max(int(SHAPE_EVERY_MM / step), 1)
    shapes = (slopes[:, None, None] * bins + 0.5 * curvatures[None, :, None] * bins**2).reshape(-1, len(bins))
    offsets = np.rint(shapes / step).astype(int)
    power = _semblance(flat, known, offsets, step, every).reshape(len(slopes), len(curvatures), -1)
    chosen = _smooth_path(power, slopes, curvatures, reach)
    at = depth[::every]
    slope = np.interp(depth, at, slopes[chosen[:, 0]])
    curvature = np.interp(depth, at, curvatures[chosen[:, 1]])
    slope, curvature = (
        _smooth(v[:, None], np.ones((len(v), 1)), (SHAPE_EVERY_MM / step, 0.0))[:, 0] for v in (slope, curvature)
    )
    return np.asarray(slope[:, None] * bins + 0.5 * curvature[:, None] * bins**2)


def _semblance(
    flat: FloatArray, known: NDArray[np.bool_], offsets: NDArray[np.int64], step: float, every: int
) -> FloatArray:
    """Power of the strip stacked along each shape over the power in it, about every so many samples.

    ``offsets`` holds a row of shifts in samples for each shape; shape (n_shapes, n_windows).
    """
    n, n_bins = flat.shape
    margin = int(np.abs(offsets).max())
    padded, there = np.zeros((2, n_bins, n + 2 * margin))
    padded[:, margin : margin + n] = np.where(known, flat, 0.0).T
    there[:, margin : margin + n] = known.T
    stacked = np.empty((len(offsets), n))
    for k, shape in enumerate(offsets + margin):
        total, count = np.zeros(n), np.zeros(n)
        # Slices of whole traces: many times faster than looking every sample up.
        for trace, known_trace, first in zip(padded, there, shape, strict=True):
            total += trace[first : first + n]
            count += known_trace[first : first + n]
        stacked[k] = total**2 / np.maximum(count, 1.0)
    rows = np.arange(n)
    window = np.exp(-0.5 * ((rows[:, None] - rows[None, ::every]) * step / SEARCH_SD_MM) ** 2)
    energy = (np.where(known, flat, 0.0) ** 2).sum(axis=1) @ window
    return np.asarray((stacked @ window) / np.maximum(energy, 1e-9))


def _smooth_path(power: FloatArray, slopes: FloatArray, curvatures: FloatArray, reach: float) -> NDArray[np.int64]:
    """Sequence of (slope, curvature) with most power that changes slowly, shape (n_windows, 2)."""
    n_windows = power.shape[2]
    edge = (slopes[:, None, None] * np.array([-reach, reach]) + 0.5 * curvatures[None, :, None] * reach**2).reshape(
        -1, 2
    )
    cost = CHANGE_COST * ((edge[:, None, :] - edge[None, :, :]) ** 2).mean(axis=2) / CHANGE_MM**2
    gain = power.reshape(-1, n_windows)
    best = gain[:, 0].copy()
    back = np.zeros((n_windows, len(best)), dtype=np.int64)
    for k in range(1, n_windows):
        reached = best[None, :] - cost
        back[k] = np.argmax(reached, axis=1)
        best = gain[:, k] + reached[np.arange(len(best)), back[k]]
    state = int(np.argmax(best))
    path = np.empty(n_windows, dtype=np.int64)
    for k in range(n_windows - 1, -1, -1):
        path[k] = state
        state = int(back[k][state])
    return np.stack(np.unravel_index(path, power.shape[:2]), axis=1)


def _align(
    flat: FloatArray, known: NDArray[np.bool_], depth: FloatArray, shift: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Each trace moved onto the track's depth, and where it is known (0 or 1)."""
    aligned = np.empty_like(flat)
    use = np.empty_like(flat)
    for b in range(flat.shape[1]):
        at = depth + shift[:, b]
        aligned[:, b] = np.interp(at, depth, flat[:, b], left=0.0, right=0.0)
        use[:, b] = np.interp(at, depth, known[:, b].astype(float), left=0.0, right=0.0) > 0.99
    return aligned * use, use


def _update(
    flat: FloatArray,
    known: NDArray[np.bool_],
    depth: FloatArray,
    bins: FloatArray,
    shift: FloatArray,
    *,
    window_mm: tuple[float, float],
    expected_mm: float | None,
) -> FloatArray:
    """Least-squares update of the shift field, held back where texture would move it more than bumps are expected to.

    The variance of the update is that of the misfit over the square of the band's slope,
    shared by the texture cells that the window holds; the update is multiplied by
    expected^2 / (expected^2 + variance) (Wiener's filter).
    """
    step = depth[1] - depth[0]
    aligned, use = _align(flat, known, depth, shift)
    reference = aligned.sum(axis=1) / np.maximum(use.sum(axis=1), 1.0)
    gradient = np.gradient(reference, step)[:, None]
    sd = (window_mm[0] / step, window_mm[1] / float(bins[1] - bins[0]))
    misfit = np.clip(aligned - reference[:, None], -2.0, 2.0) * use
    top, bottom = _local_sums(misfit * gradient, sd), _local_sums(use * gradient**2, sd)
    floor = 0.02 * float(np.mean(bottom)) + 1e-9
    update = -np.clip(top / (bottom + floor), -1.0, 1.0)
    if expected_mm is None:
        return update
    noise = float((misfit**2).sum() / max(float(use.sum()), 1.0))
    cells = 4.0 * np.pi * window_mm[0] * window_mm[1] / TEXTURE_CELL_MM2
    # Local sums are over blocks; the mean square of the slope is that of one sample.
    variance = noise * BLOCK / np.maximum(bottom, 1e-9) / cells
    return np.asarray(update * expected_mm**2 / (expected_mm**2 + variance))


def _anchor(shift: FloatArray, depth: FloatArray, bins: FloatArray) -> FloatArray:
    """Make the shift zero on the track: measure it against where the track itself crosses the band."""
    zero = (
        np.array([np.interp(0.0, bins, row) for row in shift])
        if not np.any(bins == 0.0)
        else shift[:, int(np.argmin(np.abs(bins)))]
    )
    on_track = depth + zero
    # Depth must grow along the track; a fold in the field would be an artefact.
    on_track = np.maximum.accumulate(on_track)
    source = np.interp(depth, on_track, depth)
    return np.stack([np.interp(source, depth, shift[:, b] - zero) for b in range(shift.shape[1])], axis=1)


def _coherence(flat: FloatArray, known: NDArray[np.bool_], depth: FloatArray, shift: FloatArray) -> FloatArray:
    """Local correlation of each aligned trace with the stack of the others, as a weight from 0.05 to 1."""
    step = depth[1] - depth[0]
    aligned, use = _align(flat, known, depth, shift)
    count = np.maximum(use.sum(axis=1, keepdims=True), 2)
    others = (aligned.sum(axis=1, keepdims=True) - aligned) / (count - 1)
    sd = (COHERENCE_SD_MM / step, 1.0)
    cross, own, rest = (_local_sums(v, sd) for v in (aligned * others, aligned**2, others**2 * use))
    correlation = cross / np.sqrt(np.maximum(own * rest, 1e-12))
    return np.asarray(np.where(use > 0, np.clip(correlation, 0.05, 1.0), 0.05))


def _tilt(shift: FloatArray, bins: FloatArray) -> FloatArray:
    """Angle between the bands' normal and the track close by it, in degrees: growth is square to the band there."""
    near = np.abs(bins) <= TILT_REACH_MM
    a = bins[near]
    slope = (shift[:, near] * a).sum(axis=1) / max(float((a * a).sum()), 1e-12)
    return np.asarray(np.degrees(np.arctan(slope)))


def _regrid(values: FloatArray, grid: tuple[FloatArray, FloatArray], to: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Linear interpolation from one rectangular grid to another, held at the edges."""
    first = np.stack([np.interp(to[0], grid[0], values[:, b]) for b in range(values.shape[1])], axis=1)
    if len(grid[1]) == 1:
        return np.repeat(first, len(to[1]), axis=1)
    index = np.interp(to[1], grid[1], np.arange(len(grid[1])))
    low = np.minimum(index.astype(int), len(grid[1]) - 2)
    part = index - low
    return np.asarray(first[:, low] * (1 - part) + first[:, low + 1] * part)
