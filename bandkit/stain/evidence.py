"""Where a stain line may be: the paths that stand out most from the slab's own texture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.blocks import even_starts
from bandkit.stain.colour import Dye, DyeIndex
from bandkit.stain.matched import (
    autocovariance,
    averages_across,
    edge_filter,
    filter_edges,
    filter_rows,
    hold_and_fill,
    sheared,
    weights_for,
)
from bandkit.stain.path import MAX_SLOPE, best_forms, follow, surface_forms
from bandkit.stats import mean_known, robust_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Seepage tails that are looked for.
TAILS_MM = (0.4, 1.0, 2.5)
# Beyond this many standard deviations more evidence hardly counts: a speck is not a line.
SOFT_LIMIT = 2.5
# The texture is averaged along forms this far apart, as a share of the steepest, to learn its covariance.
TEXTURE_FORMS_FRAC = 0.5
# Wide strips are searched in no more columns than this, and every other row.
MOST_COLUMNS = 32
EVERY_ROW = 2
# Peaks looked at closely for each filter, and how far apart they are.
MOST_PEAKS = 8
PEAKS_APART_MM = 1.5
# How far a path may leave its straight or domed form, and a line that is clear in single columns the first path.
NEAR_MM = 0.6
CLEAR_NEAR_MM = 2.0
# Upper quartile of the response along a path, in standard deviations, from which single columns show the line.
CLEAR_QUANTILE, CLEAR_SD = 0.75, 4.5
# Least share of a path's columns that must be known, and that an average must be made of.
KNOWN_FRAC = 0.5
AVERAGE_FRAC = 0.6
# Columns of which less than this is known are left out.
LEAST_KNOWN = 0.25
# The filter sees the end of the strip as far as this from it.
END_MM = 1.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A path that may be a stain line.

    Parameters
    ----------
    path_mm : ndarray, shape (n_columns,)
        Depth of the path in each column of the working grid.
    score : float
        Mean evidence along the path, in robust standard deviations of the same mean elsewhere on the strip.
    weights : ndarray, shape (2,)
        Weights of the two log ratios that showed it best.
    """

    path_mm: FloatArray
    score: float
    weights: FloatArray


def candidates(index: DyeIndex, dye: Dye, allowed: BoolArray) -> tuple[Candidate, ...]:
    """Paths that may be stain lines, the likeliest first.

    Parameters
    ----------
    index : DyeIndex
        Colour of the strip on the working grid.
    dye : Dye
        Dye to look for.
    allowed : ndarray of bool, shape (n_rows,)
        Rows where a line may cross the track.

    Returns
    -------
    tuple of Candidate
        At least 1.5 mm apart; among them are what the slab's own texture gives best.

    Notes
    -----
    For each tint that the dye may have, the two colour ratios are weighted against what else varies along
    the depth, and filtered for a sharp edge with a seepage tail (`edge_filter`). The mean response along straight
    and domed forms gives places, a connected path near each form follows the lobes, and the mean response along
    that path is compared with the same mean at all other depths of the strip.
    """
    row_mm = float(index.depth_mm[1] - index.depth_mm[0])
    if len(index.depth_mm) < 2 * filter_rows(row_mm):
        return ()
    seen = np.isfinite(index.chroma).all(axis=-1).mean(axis=0) >= LEAST_KNOWN
    if not seen.any():
        return ()
    found = _candidates(_columns_of(index, seen), dye, allowed, row_mm)
    return tuple(replace(c, path_mm=_to_all(c.path_mm, index.across_mm[seen], index.across_mm)) for c in found)


def _columns_of(index: DyeIndex, seen: BoolArray) -> DyeIndex:
    """The index in some columns only."""
    return replace(index, index=index.index[:, seen], chroma=index.chroma[:, seen], across_mm=index.across_mm[seen],
                   drift=index.drift[:, seen])


def _to_all(path_mm: FloatArray, at_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
    """A path at all columns: straight between, level beyond its ends."""
    return np.asarray(np.interp(across_mm, at_mm, path_mm))


def _candidates(index: DyeIndex, dye: Dye, allowed: BoolArray, row_mm: float) -> tuple[Candidate, ...]:
    """Candidates in columns that are known well enough."""
    known = np.asarray(np.isfinite(index.chroma).all(axis=-1))
    ratios = np.stack([hold_and_fill(index.chroma[..., k]) for k in range(2)], axis=-1)
    forms = surface_forms(index.across_mm, row_mm)
    responses, weights = _responses(ratios, known, index.across_mm, dye, row_mm)
    gains = limited(responses, SOFT_LIMIT)
    scores, which = best_forms(*_coarse(gains, forms))
    far = index.depth_mm < index.depth_mm[-1] - END_MM
    out: list[Candidate] = []
    for version in range(gains.shape[2]):
        score = np.where((allowed & far)[::EVERY_ROW][:len(scores)], scores[:, version], -np.inf)
        peaks = _highest(score, max(round(PEAKS_APART_MM / (EVERY_ROW * row_mm)), 1))
        if len(peaks):
            rows = peaks[:, None] * EVERY_ROW + forms[which[peaks, version]]
            out += _followed(responses[:, :, version], np.clip(rows, 0, len(gains) - 1), known, index, weights[version])
    return _apart(out, index)


def limited(responses: FloatArray, limit: float) -> FloatArray:
    """Responses that are held softly.

    Parameters
    ----------
    responses : ndarray
        Responses in standard deviations.
    limit : float
        The most that a place may count.

    Returns
    -------
    ndarray
        Same shape, within the limit.
    """
    return np.asarray(limit * np.tanh(responses / limit))


def _responses(ratios: FloatArray, known: BoolArray, across_mm: FloatArray, dye: Dye, row_mm: float
               ) -> tuple[FloatArray, list[FloatArray]]:
    """Responses to every tint and tail, and the weights of each."""
    steepest_mm = MAX_SLOPE * max(float(np.abs(across_mm).max()), 1.0)
    some = surface_forms(across_mm, row_mm, step_mm=TEXTURE_FORMS_FRAC * steepest_mm)
    averages = np.stack([averages_across(ratios[..., k], some) for k in range(2)], axis=-1)
    responses, weights = [], []
    for hue_deg in dye.hues_deg:
        weight = weights_for(averages, hue_deg, row_mm)
        covariance = autocovariance(averages @ weight, filter_rows(row_mm))
        for tail_mm in TAILS_MM:
            z = filter_edges(ratios @ weight, edge_filter(covariance, row_mm, tail_mm), row_mm)
            # Unknown places count neither for nor against.
            responses.append(np.where(known, z, 0.0))
            weights.append(weight)
    return np.stack(responses, axis=2), weights


def _coarse(gains: FloatArray, forms: IntArray) -> tuple[FloatArray, IntArray]:
    """Fewer columns and every other row, for the search; the same forms in these."""
    n_columns = gains.shape[1]
    starts = even_starts(n_columns, MOST_COLUMNS)
    count = np.diff(np.append(starts, n_columns))
    n_rows = len(gains) // EVERY_ROW * EVERY_ROW
    fewer = np.add.reduceat(gains[:n_rows], starts, axis=1) / count[None, :, None]
    rows = fewer.reshape(-1, EVERY_ROW, *fewer.shape[1:]).mean(axis=1)
    fewer_forms = np.add.reduceat(forms, starts, axis=1) / count[None, :]
    return rows, np.rint(fewer_forms / EVERY_ROW).astype(np.int64)


def _highest(score: FloatArray, apart: int) -> IntArray:
    """Rows of the highest peaks."""
    padded = np.pad(score, apart, constant_values=-np.inf)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * apart + 1).max(axis=1)
    peaks = np.flatnonzero(np.isfinite(score) & (score >= highest))
    return np.asarray(peaks[np.argsort(-score[peaks])][:MOST_PEAKS])


def _followed(response: FloatArray, rows: IntArray, known: BoolArray, index: DyeIndex, weights: FloatArray
              ) -> list[Candidate]:
    """Paths near some forms, and how far their mean evidence stands out."""
    gain = limited(response, SOFT_LIMIT)
    row_mm = float(index.depth_mm[1] - index.depth_mm[0])
    column_mm = float(index.across_mm[1] - index.across_mm[0]) if len(index.across_mm) > 1 else 1.0
    centre = int(np.argmin(np.abs(index.across_mm)))
    columns = np.arange(gain.shape[1])
    out = []
    for first in follow(gain, rows, near_mm=NEAR_MM, row_mm=row_mm, column_mm=column_mm):
        path, height = first, float(np.quantile(response[first, columns], CLEAR_QUANTILE))
        if height > CLEAR_SD:
            # Where single columns show the line it may bend as it likes, and more evidence counts for more.
            path = follow(limited(response, height), first[None, :], near_mm=CLEAR_NEAR_MM, row_mm=row_mm,
                          column_mm=column_mm, steep=True)[0]
        mean = mean_known(sheared(gain, path - path[centre]), 1, least_frac=AVERAGE_FRAC)
        spread, here = robust_sd(mean, about=0.0), float(mean[path[centre]])
        if spread > 0 and np.isfinite(here) and known[path, columns].mean() >= KNOWN_FRAC:
            out.append(Candidate(path_mm=index.depth_mm[path] - 0.5 * row_mm, score=here / spread, weights=weights))
    return out


def _apart(found: list[Candidate], index: DyeIndex) -> tuple[Candidate, ...]:
    """The best of each place."""
    centre = int(np.argmin(np.abs(index.across_mm)))
    out: list[Candidate] = []
    for candidate in sorted(found, key=lambda c: c.score, reverse=True):
        at = candidate.path_mm[centre]
        if all(abs(at - other.path_mm[centre]) >= PEAKS_APART_MM for other in out):
            out.append(candidate)
    return tuple(out)
