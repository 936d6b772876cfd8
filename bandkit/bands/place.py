"""Place each mark on its own band, and tell how well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.model import AnnualMarks
from bandkit.stats import Z_90

FloatArray = NDArray[np.float64]

# Smoothing before the top of a band is looked for, as a fraction of a year.
PEAK_SMOOTHING_YR = 0.03
# Two looks share the level changes within a year, which their difference does not show; the factor was
# found on simulated slabs apart from those that coverage is judged on.
SHARED_ERROR_FACTOR = 1.35
# The mark that lies within this of where a person is certain of one is that one.
HELD_YR = 0.3
# Marks nearer to each other than this stand on one band.
SAME_BAND_YR = 0.2
# What the bands that were followed may miss the track by.
FOLLOWING_SD_MM = 0.05


def place_on_peaks(
    marks: AnnualMarks,
    value: FloatArray,
    looks: FloatArray | None,
    depth_mm: FloatArray,
    *,
    fixed_mm: FloatArray,
) -> AnnualMarks:
    """Move each mark to the top of its own band, and tell its interval from how far two looks at the band disagree.

    Parameters
    ----------
    marks : AnnualMarks
        Marks as the model of the year places them.
    value : ndarray, shape (n_depth,)
        Profile, highest at the marks; NaN where unknown.
    looks : ndarray or None, shape (2, n_depth)
        Two looks at the same bands through different corallites; without them the model's own interval stays.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the surface, in mm, equally spaced.
    fixed_mm : ndarray, shape (n_fixed,)
        Depths of marks that a person is certain of: these stay where the person set them, in every sequence.

    Returns
    -------
    AnnualMarks
        The same marks with new places and intervals, and how far the looks agree.

    Notes
    -----
    The model knows which band is a year; where that band is densest, the profile itself knows best.
    """
    if len(marks.depth_mm) == 0:
        return marks
    year = marks.model.spacing_mm
    top = _peaks(value, depth_mm, marks.depth_mm, year)
    seen = _seen(value, depth_mm, marks.depth_mm, year)
    order = np.maximum.accumulate(top)
    top = np.where((order > top) | ~seen, marks.depth_mm, top)
    held = _held(marks.depth_mm, fixed_mm, year)
    top = np.where(np.isnan(held), top, held)
    sd = marks.sd_mm
    if looks is not None:
        first, second = (_peaks(look, depth_mm, top, year) for look in looks)
        # Where nothing is known the looks have nothing to disagree on: the model's own interval stays.
        told = SHARED_ERROR_FACTOR * _disagreement(0.5 * (first - second), 0.01 * year)
        sd = np.where(seen, told, np.maximum(sd, told))
        marks = replace(marks, agreement=_agreement(looks, depth_mm, year))
    # The drawn sequences are the model's boundaries: they move onto the bands with the marks near them.
    moved = [draw + np.interp(draw, marks.depth_mm, top - marks.depth_mm) for draw in marks.draws_mm]
    moved = [np.clip(draw, depth_mm[0], depth_mm[-1]) for draw in moved]
    moved = [np.where(np.isnan(h := _held(draw, fixed_mm, year)), draw, h) for draw in moved]
    marks, keep = _one_mark_a_band(replace(marks, draws_mm=moved), top, year, ~np.isnan(held))
    top, sd = top[keep], np.hypot(sd, FOLLOWING_SD_MM)[keep]
    lo, hi = (np.clip(top + z * sd, depth_mm[0], depth_mm[-1]) for z in (-Z_90, Z_90))
    return replace(marks, depth_mm=top, sd_mm=sd, lo_mm=lo, hi_mm=hi)


def local_year_mm(depth_mm: FloatArray, spacing_mm: float) -> FloatArray:
    """Length of the year about each mark: the mean of those on both sides.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_marks,)
        Depths of the marks, in mm, increasing.
    spacing_mm : float
        What a year is where there are fewer than two marks.

    Returns
    -------
    ndarray, shape (n_marks,)
        In mm.
    """
    if len(depth_mm) < 2:
        return np.full(len(depth_mm), spacing_mm)
    years = np.diff(depth_mm)
    return np.asarray(0.5 * (np.append(years[:1], years) + np.append(years, years[-1:])))


def _held(marks_mm: FloatArray, fixed_mm: FloatArray, year_mm: float) -> FloatArray:
    """Where each mark is held because it is the one that a person is certain of; NaN for the others."""
    out = np.full(len(marks_mm), np.nan)
    for fixed in fixed_mm if len(marks_mm) else ():
        k = int(np.argmin(np.abs(marks_mm - fixed)))
        if abs(marks_mm[k] - fixed) <= HELD_YR * year_mm:
            out[k] = fixed
    return out


def _one_mark_a_band(
    marks: AnnualMarks, top_mm: FloatArray, year_mm: float, held: NDArray[np.bool_]
) -> tuple[AnnualMarks, NDArray[np.bool_]]:
    """Of two marks that climbed one band, keep the one that is held, or that the model placed nearer to its top."""
    keep = np.ones(len(top_mm), dtype=bool)
    moved = np.where(held, -1.0, np.abs(top_mm - marks.depth_mm))
    for i in np.flatnonzero(np.diff(top_mm) < SAME_BAND_YR * year_mm):
        if keep[i] and keep[i + 1]:
            keep[i + int(moved[i + 1] > moved[i])] = False
    if keep.all():
        return marks, keep
    per_mark = ("depth_mm", "lo_mm", "hi_mm", "sd_mm", "probability", "count_lo_at", "count_hi_at")
    return replace(marks, **{name: getattr(marks, name)[keep] for name in per_mark}), keep


def _seen(value: FloatArray, depth_mm: FloatArray, near_mm: FloatArray, year_mm: float) -> NDArray[np.bool_]:
    """Whether most of the profile within a quarter of a year of each place is known."""
    known = np.concatenate([[0.0], np.cumsum(np.isfinite(value))])
    first, last = (np.searchsorted(depth_mm, near_mm + side * 0.25 * year_mm) for side in (-1, 1))
    return np.asarray(known[last] - known[first] > 0.5 * np.maximum(last - first, 1))


def _agreement(looks: FloatArray, depth_mm: FloatArray, year_mm: float) -> float:
    """Correlation of two looks at the bands, without what is finer or slower than a year."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(looks[0]) & np.isfinite(looks[1])
    if known.sum() < 20:
        return float("nan")
    step = float(depth_mm[1] - depth_mm[0])
    filled = np.stack([np.interp(depth_mm, depth_mm[known], look[known]) for look in looks])
    yearly = gaussian_filter1d(filled, 0.06 * year_mm / step, axis=1) - gaussian_filter1d(
        filled, 0.7 * year_mm / step, axis=1
    )
    return float(np.corrcoef(yearly[:, known])[0, 1])


def _peaks(value: FloatArray, depth_mm: FloatArray, near_mm: FloatArray, year_mm: float) -> FloatArray:
    """Top of the lightly smoothed profile within a quarter of a year of each place."""
    from scipy.ndimage import gaussian_filter1d

    step = float(depth_mm[1] - depth_mm[0])
    known = np.isfinite(value)
    filled = np.interp(depth_mm, depth_mm[known], value[known]) if known.any() else np.zeros_like(depth_mm)
    smooth = gaussian_filter1d(filled, PEAK_SMOOTHING_YR * year_mm / step)
    reach = max(int(0.25 * year_mm / step), 1)
    tops = np.empty(len(near_mm))
    for k, near in enumerate(near_mm):
        centre = int(np.clip(round((near - depth_mm[0]) / step), 0, len(smooth) - 1))
        first, last = max(centre - reach, 0), min(centre + reach + 1, len(smooth))
        i = first + int(np.argmax(smooth[first:last]))
        tops[k] = depth_mm[i] + _vertex(smooth, i) * step
    return tops


def _vertex(values: FloatArray, i: int) -> float:
    """Offset of a parabola's top from sample i, in samples."""
    if not 0 < i < len(values) - 1:
        return 0.0
    bend = values[i - 1] - 2 * values[i] + values[i + 1]
    return float(np.clip(0.5 * (values[i - 1] - values[i + 1]) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def _disagreement(difference: FloatArray, floor: float) -> FloatArray:
    """Standard deviation of each mark from half the difference of its peaks in two looks, pooled with neighbours."""
    squares = np.minimum(difference, 3.0 * max(float(np.median(np.abs(difference))), floor)) ** 2
    squares = np.minimum(squares, difference**2)
    kernel = np.array([1.0, 2.0, 3.0, 2.0, 1.0])
    padded, ones = np.pad(squares, 2), np.pad(np.ones_like(squares), 2)
    local = np.convolve(padded, kernel, "valid") / np.convolve(ones, kernel, "valid")
    return np.sqrt(0.5 * local + 0.5 * float(np.mean(squares)) + floor**2)
