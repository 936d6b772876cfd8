"""Where the skeleton begins: the outer growth surface on a straightened strip.

A track is drawn from outside the surface inwards, so that its first millimetres
show the background. The surface is where the strip leaves that level for good:
half way up to the level just inside, column by column, as a smooth line across.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.stats import mean_known, nan_median, robust_sd

FloatArray = NDArray[np.float64]

BIN_MM = 0.5
# The skeleton must go on this far behind an edge for the edge to be the surface.
PERSIST_MM = 2.0
# Skeleton just behind the surface, whose level sets the half-way threshold.
BEHIND_MM = (0.3, 1.5)
# The step up to the skeleton must stand this many times above the background's scatter.
LEAST_STEP_SD = 6.0
BLUR_SD_FRAC = 0.25
# A rise of this share of the whole step is the beginning of the skeleton.
FIRST_RISE_FRAC = 0.2
# Skeleton seldom falls back below this share of the step; a track that begins in a light band does every year.
BACK_FRAC = 0.3
# The outline across the strip: as few known columns as this are none; smoothed over this, and no further off than this.
LEAST_OUTLINE = 3
OUTLINE_SMOOTH_MM = 5.0
OUTLINE_OFF_MM = 1.0
MOST_BACK_SHARE = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """The outer surface on a strip.

    Parameters
    ----------
    found : bool
        False when the strip shows no background at its start; depth is then 0.
    depth_mm : float
        Depth along the axis from its first point at which the skeleton begins, on the axis.
    sd_mm : float
        Standard error of that depth.
    across_mm, line_mm : ndarray, shape (n_bins,)
        The surface across the strip, for drawing.
    outside, inside : float
        Levels on both sides, in the strip's unit.
    """

    found: bool
    depth_mm: float
    sd_mm: float
    across_mm: FloatArray
    line_mm: FloatArray
    outside: float
    inside: float


def find_surface(values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, *, width_mm: float = 6.0) -> Surface:
    """Find the outer surface on a straightened strip.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across)
        Strip that begins outside the skeleton; grey, attenuation or colour distance. NaN is left out.
    depth_mm : ndarray, shape (n_depth,)
        Depth along the axis, in mm, equally spaced from 0.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    width_mm : float
        Width over which the surface line is fitted, in mm.

    Returns
    -------
    Surface
        Its place on the axis, to a fraction of a pixel, and the line across.
    """
    step = float(depth_mm[1] - depth_mm[0])
    bins, traces = _bins(values, across_mm, width_mm)
    start = _edge(nan_median(traces, axis=1), step)
    if start is None:
        return _absent(bins, values)
    outside, inside = start[1], start[2]
    edges = np.array([_crossing(traces[:, b], step, outside, inside, start[0]) for b in range(len(bins))])
    known = np.isfinite(edges)
    if known.sum() < 3:
        edges, known = np.full(len(bins), start[0]), np.ones(len(bins), dtype=bool)
    line, line_sd = _fit_line(bins, edges, known)
    depth, sd = float(np.interp(0.0, bins, line)), float(np.hypot(line_sd, BLUR_SD_FRAC * step))
    return Surface(found=True, depth_mm=depth, sd_mm=sd, across_mm=bins, line_mm=line, outside=outside, inside=inside)


def _bins(values: FloatArray, across_mm: FloatArray, width_mm: float) -> tuple[FloatArray, FloatArray]:
    """Average columns to narrow bins within the width."""
    n_side = int(width_mm / 2 / BIN_MM)
    bins = np.arange(-n_side, n_side + 1, dtype=np.float64) * BIN_MM
    traces = []
    for centre in bins:
        inside = np.abs(across_mm - centre) <= BIN_MM / 2 + 1e-9
        if not inside.any():
            inside = np.arange(len(across_mm)) == int(np.argmin(np.abs(across_mm - centre)))
        traces.append(mean_known(values[:, inside], 1))
    return bins, np.stack(traces, axis=1)


def _edge(profile: FloatArray, step: float) -> tuple[float, float, float] | None:
    """First lasting step away from the starting level: depth in mm, level outside, level inside."""
    known = np.flatnonzero(np.isfinite(profile))
    if len(known) < 20:
        return None
    filled = np.interp(np.arange(len(profile)), known, profile[known])
    persist = max(int(PERSIST_MM / step), 3)
    n_start = max(int(0.6 / step), 3)
    outside = float(np.median(filled[:n_start]))
    typical = _typical(filled[len(filled) // 10 :], outside)
    rise = np.sign(typical - outside)
    noise = float(np.std(filled[:n_start])) + 1e-9
    if abs(typical - outside) < LEAST_STEP_SD * noise or abs(typical - outside) < 0.1 * _spread(filled):
        return None
    height = rise * (filled - outside)
    # Young skeleton is not yet thickened: the first lasting rise counts, not the level deep inside.
    over = height > max(FIRST_RISE_FRAC * abs(typical - outside), LEAST_STEP_SD * noise)
    first = _first_lasting(over, persist)
    if first is None or first < 2 or _falls_back(height[first:] / abs(typical - outside)):
        return None
    a, b = first + int(BEHIND_MM[0] / step), first + int(BEHIND_MM[1] / step) + 1
    inside = float(np.median(filled[a : max(b, a + 1)]))
    # The background right before the edge is a better zero than the first samples.
    before = filled[max(first - int(1.5 / step) - n_start, 0) : max(first - int(1.0 / step), n_start)]
    outside = float(np.median(before))
    return _cross(filled, outside, inside, first) * step, outside, inside


def _typical(profile: FloatArray, outside: float) -> float:
    """Median level of what is not outside: of the skeleton, however short it is."""
    away = np.abs(profile - outside)
    return float(np.median(profile[away >= BACK_FRAC * np.quantile(away, 0.95)]))


def _falls_back(share: FloatArray) -> bool:
    """Whether the level falls back to where it came from again and again before it does so for good."""
    inside = np.flatnonzero(share > 0.5)
    return len(inside) > 0 and float((share[: inside[-1]] < BACK_FRAC).mean()) > MOST_BACK_SHARE


def _spread(profile: FloatArray) -> float:
    """Difference between high and low levels of a profile."""
    low, high = np.quantile(profile, [0.02, 0.98])
    return float(high - low)


def _first_lasting(over: NDArray[np.bool_], persist: int) -> int | None:
    """First sample from which at least 70 % of the next ones are over."""
    run = np.convolve(over, np.ones(persist), "full")[persist - 1 :]
    good = np.flatnonzero(over & (run >= 0.7 * persist))
    return int(good[0]) if len(good) else None


def _cross(profile: FloatArray, outside: float, inside: float, near: int) -> float:
    """Sample position, with fraction, at which the half-way level is crossed nearest to a sample."""
    level = 0.5 * (outside + inside)
    side = np.sign(profile - level)
    change = np.flatnonzero((side[:-1] != side[1:]) & (side[1:] == np.sign(inside - outside)))
    if len(change) == 0:
        return float(near)
    i = int(change[np.argmin(np.abs(change - near))])
    return float(i + (level - profile[i]) / (profile[i + 1] - profile[i]))


def _crossing(trace: FloatArray, step: float, outside: float, inside: float, near_mm: float) -> float:
    """Edge of one bin in mm, or NaN when it has none within 6 mm of the middle's."""
    known = np.flatnonzero(np.isfinite(trace))
    if len(known) < 20:
        return float("nan")
    filled = np.interp(np.arange(len(trace)), known, trace[known])
    over = np.sign(inside - outside) * (filled - 0.5 * (outside + inside)) > 0
    first = _first_lasting(over, max(int(PERSIST_MM / step), 3))
    if first is None:
        return float("nan")
    edge = _cross(filled, outside, inside, first) * step
    return edge if abs(edge - near_mm) < 6.0 else float("nan")


def _fit_line(bins: FloatArray, edges: FloatArray, known: NDArray[np.bool_]) -> tuple[FloatArray, float]:
    """Robust parabola through the bins' edges, and the standard error of it on the track."""
    basis = np.stack([np.ones_like(bins), bins, bins**2], axis=1)
    use = known.copy()
    for _ in range(3):
        coefficients = np.linalg.lstsq(basis[use], edges[use], rcond=None)[0]
        residual = edges - basis @ coefficients
        # Scatter of all bins, or one rejection would lead to the next.
        scatter = robust_sd(residual[known], about=0.0) + 1e-6
        keep = known & (np.abs(residual) < 3.0 * scatter)
        if keep.sum() < 4:
            break
        use = keep
    variance = max(float((residual[use] ** 2).sum()) / max(int(use.sum()) - 3, 1), scatter**2)
    on_track = np.linalg.pinv(basis[use].T @ basis[use])[0, 0]
    return np.asarray(basis @ coefficients), float(np.sqrt(variance * on_track))


def outline_across(values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, surface: Surface) -> FloatArray:
    """The outer surface at every place across a strip, as far as the strip shows it.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across)
        As for `find_surface`.
    depth_mm, across_mm : ndarray, shape (n_depth,) and (n_across,)
        Positions of the samples.
    surface : Surface
        The surface on the track, whose levels on both sides are taken to hold for the whole strip.

    Returns
    -------
    ndarray, shape (n_across,)
        Depth of the surface; NaN where the strip begins inside the skeleton or shows none, and everywhere where
        no surface was found on the track.

    Notes
    -----
    Columns of half a millimetre cross half way up like the track itself; crossings that are more than a millimetre
    off the running median of five millimetres are left out, and gaps between known columns bridged.
    """
    nothing = np.full(len(across_mm), np.nan)
    if not surface.found:
        return nothing
    step = float(depth_mm[1] - depth_mm[0])
    wide = float(across_mm[1] - across_mm[0]) if len(across_mm) > 1 else BIN_MM
    starts = np.arange(0, len(across_mm), max(round(BIN_MM / wide), 1))
    known = np.isfinite(values)
    count = np.add.reduceat(known, starts, axis=1)
    total = np.add.reduceat(np.where(known, values, 0.0), starts, axis=1)
    columns = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    at = np.add.reduceat(across_mm, starts) / np.diff(np.append(starts, len(across_mm)))
    edges = _outline_crossings(columns, step, surface)
    good = np.isfinite(edges)
    if good.sum() < LEAST_OUTLINE:
        return nothing
    span = max(round(OUTLINE_SMOOTH_MM / BIN_MM) // 2, 1)
    middle = np.array([nan_median(edges[max(i - span, 0) : i + span + 1], axis=0) for i in range(len(edges))])
    good &= np.abs(edges - middle) < OUTLINE_OFF_MM
    if good.sum() < LEAST_OUTLINE:
        return nothing
    outline = np.interp(across_mm, at[good], edges[good])
    outline[(across_mm < at[good][0] - BIN_MM) | (across_mm > at[good][-1] + BIN_MM)] = np.nan
    return np.asarray(outline)


def _outline_crossings(columns: FloatArray, step: float, surface: Surface) -> FloatArray:
    """First lasting half-way crossing of each column, in mm; NaN where there is none or it begins inside."""
    level, sign = 0.5 * (surface.outside + surface.inside), np.sign(surface.inside - surface.outside)
    over = np.where(np.isfinite(columns), sign * (columns - level) > 0, False)
    persist = max(int(PERSIST_MM / step), 3)
    edges = np.full(columns.shape[1], np.nan)
    for j in range(columns.shape[1]):
        first = _first_lasting(over[:, j], persist)
        if first is not None and first > 0 and np.isfinite(columns[first - 1 : first + 1, j]).all():
            before, after = columns[first - 1, j], columns[first, j]
            edges[j] = (first - 1 + (level - before) / (after - before)) * step
    return edges


def _absent(bins: FloatArray, values: FloatArray) -> Surface:
    """No surface: depth starts at the first drawn point."""
    level = float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")
    return Surface(
        found=False,
        depth_mm=0.0,
        sd_mm=0.0,
        across_mm=bins,
        line_mm=np.zeros_like(bins),
        outside=float("nan"),
        inside=level,
    )
