"""Average a strip along its bands."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.follow.field import BandField, look_of
from bandkit.stats import nan_median, robust_sd

FloatArray = NDArray[np.float64]

# A boring is this large at least, and holds less than this share of its band's mass (or more, where filled).
HOLE_SIZE_MM = 1.0
HOLE_FRAC, FILL_FRAC = 0.75, 1.5
HOLE_SD = 3.5
# Narrower strips do not show what the band is like beside a hole.
LEAST_COLUMNS_FOR_HOLES = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedStrip:
    """A strip with every column moved so that the bands lie level.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across)
        Value on the band that crosses the track at each depth; NaN where unknown.
    weight : ndarray, shape (n_depth, n_across)
        How well each place follows the bands, 0 to 1; 0 where unknown.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    """

    values: FloatArray
    weight: FloatArray
    across_mm: FloatArray

    def mean(self, width_mm: float, *, weighted: bool = True, side: int = 0) -> tuple[FloatArray, FloatArray]:
        """Average along the bands.

        Parameters
        ----------
        width_mm : float
            Full width over which to average, in mm; the track's own column at least.
        weighted : bool
            Weigh columns by how well they follow the bands (for finding marks);
            false gives the plain mean (for density).
        side : {0, -1, 1}
            Both sides of the track, or only one of them.

        Returns
        -------
        mean : ndarray, shape (n_depth,)
            Average along the band through each depth; NaN where nothing is known.
        known_frac : ndarray, shape (n_depth,)
            Share of the width that was known, 0 to 1.
        """
        columns = np.abs(self.across_mm) <= width_mm / 2 + 1e-9
        if side:
            columns &= side * self.across_mm > 0
        if not columns.any():
            columns[int(np.argmin(np.abs(self.across_mm)))] = True
        weight = self.weight[:, columns]
        known = weight > 0
        weight = weight if weighted else known.astype(np.float64)
        total = weight.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(known, self.values[:, columns] * weight, 0.0).sum(axis=1) / total
        return np.where(total > 0, mean, np.nan), known.mean(axis=1)


def align_bands(values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, field: BandField) -> AlignedStrip:
    """Move every column of a strip so that the bands lie level.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across)
        Straightened strip; NaN where it is unknown.
    depth_mm : ndarray, shape (n_depth,)
        Depth along the track, in mm, equally spaced.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, in mm.
    field : BandField
        How the bands run.

    Returns
    -------
    AlignedStrip
        Same shape as ``values``.
    """
    shift = field.shift_at(depth_mm, across_mm)
    aligned = np.stack(
        [
            np.interp(depth_mm + shift[:, k], depth_mm, values[:, k], left=np.nan, right=np.nan)
            for k in range(len(across_mm))
        ],
        axis=1,
    )
    weight = np.where(np.isfinite(aligned), field.weight_at(depth_mm, across_mm), 0.0)
    return AlignedStrip(values=aligned, weight=weight, across_mm=across_mm)


def without_holes(aligned: AlignedStrip, depth_mm: FloatArray) -> tuple[AlignedStrip, float]:
    """Leave out borings and infill: places that stand far off the band that they lie in.

    Parameters
    ----------
    aligned : AlignedStrip
        Mass per area or attenuation, with the bands level.
    depth_mm : ndarray, shape (n_depth,)
        Depth along the track, in mm.

    Returns
    -------
    aligned : AlignedStrip
        The same with those places unknown.
    left_out_frac : float
        Share of the strip that was left out.

    Notes
    -----
    A place, averaged over a millimetre, is compared with the median of its band over the
    whole width. It is no skeleton where it holds less than `HOLE_FRAC` of the band's mass or
    more than `FILL_FRAC`, and stands `HOLE_SD` standard deviations of the slab's own texture
    apart: a coarse texture is not full of holes.
    """
    from scipy.ndimage import binary_dilation, uniform_filter

    known = aligned.weight > 0
    if known.shape[1] < LEAST_COLUMNS_FOR_HOLES:
        return aligned, 0.0
    band = _row_medians(aligned.values, known)
    ratio = np.where(known, aligned.values / np.maximum(band, 1e-9)[:, None], 1.0)
    step = (float(depth_mm[1] - depth_mm[0]), float(aligned.across_mm[1] - aligned.across_mm[0]))
    size = tuple(max(round(HOLE_SIZE_MM / s), 1) for s in step)
    smooth = uniform_filter(ratio, size, mode="nearest")
    far = HOLE_SD * robust_sd(smooth[known], about=1.0)
    hole = (smooth < min(HOLE_FRAC, 1.0 - far)) | (smooth > max(FILL_FRAC, 1.0 + far))
    if not hole.any():
        return aligned, 0.0
    # The smoothed edge of a hole lies half a window inside it.
    hole = binary_dilation(hole, np.ones(size, dtype=bool)) & known
    values = np.where(hole, np.nan, aligned.values)
    weight = np.where(hole, 0.0, aligned.weight)
    return replace(aligned, values=values, weight=weight), float(hole.sum() / max(int(known.sum()), 1))


def _row_medians(values: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """Median of what is known of each row, interpolated over rows that know too little; shape (n_depth,)."""
    enough = known.sum(axis=1) >= max(known.shape[1] // 4, 3)
    if not enough.any():
        return np.ones(len(values))
    medians = nan_median(np.where(known, values, np.nan)[enough], axis=1)
    rows = np.arange(len(values))
    return np.asarray(np.interp(rows, rows[enough], medians))


def two_looks(
    values: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, field: BandField, *, width_mm: float
) -> FloatArray | None:
    """Two profiles of the same bands through different corallites.

    Each look has its own columns and its own shift field, found in those columns alone.
    Texture that was pulled into line by the following is not seen by the other look, so
    their agreement is honest evidence of bands, and the difference of their peaks is an
    honest measure of how well a mark is placed.

    Parameters
    ----------
    values, depth_mm, across_mm
        As for `align_bands`.
    field : BandField
        How the bands run, with the fields of its two halves of columns.
    width_mm : float
        Full width over which to average, in mm.

    Returns
    -------
    ndarray or None, shape (2, n_depth)
        None where the strip is too narrow to split.
    """
    if len(field.halves) != 2:
        return None
    look = look_of(across_mm, field.across_mm)
    looks = []
    for k, half in enumerate(field.halves):
        own = look == k
        aligned = align_bands(values[:, own], depth_mm, across_mm[own], half)
        looks.append(aligned.mean(width_mm)[0])
    return np.stack(looks)


def average_along_bands(
    values: FloatArray,
    depth_mm: FloatArray,
    across_mm: FloatArray,
    field: BandField,
    *,
    width_mm: float,
    weighted: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """Average a strip along its bands, in one step.

    Parameters
    ----------
    values, depth_mm, across_mm, field
        As for `align_bands`.
    width_mm, weighted
        As for `AlignedStrip.mean`.

    Returns
    -------
    mean, known_frac : ndarray, shape (n_depth,)
        As from `AlignedStrip.mean`.
    """
    return align_bands(values, depth_mm, across_mm, field).mean(width_mm, weighted=weighted)
