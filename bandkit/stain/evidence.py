"""Is there a line, and where about: evidence against the slab's own texture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.path import MAX_SLOPE, best_paths
from bandkit.stats import robust_mean, robust_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Outer side of the step: narrow, since the skeleton there is clean up to the edge.
OUTER_MM = 0.8
# Inner side: a short and a long seepage tail.
INNER_MM = (0.6, 2.0)
# Beyond this many standard deviations more evidence counts only by its logarithm: a speck is not a line.
SOFT_LIMIT = 3.0
# Lines tried: straight and domed, in steps of this much at the strip's sides, none tighter than
# a colony of 40 mm radius.
SHAPE_STEP_MM = 0.4
MAX_CURVATURE_MM = 1.0 / 40.0
# How far the path may wander from the best of them.
NEAR_MM = 0.8
# The line in question is cut out of the texture that it is compared with: this much, a fifth of it outwards.
CUT_MM = 5.0
# Fewer peaks than this say nothing about the texture.
MIN_PEAKS = 10
# Peaks of the score nearer to each other than this are one place.
APART_MM = 3.0
# Strips with shuffled columns that the null is drawn from, and the seed that makes them the same every time.
SHUFFLES = 8
SHUFFLE_SEED = 20
# Columns within this width are moved together: texture is alike over a corallite or so.
TOGETHER_MM = 1.0
# The scale of the null is itself uncertain.
SCALE_MARGIN = 1.15
# Least share of a path's columns that must be known.
KNOWN_FRAC = 0.5
# A place inside a stain varies with the dye there: this share of it is taken as texture.
SEEPAGE_TEXTURE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """The most line-like path of a strip.

    Parameters
    ----------
    path_mm : ndarray, shape (n_columns,)
        Depth of the path in each column of the working grid.
    score : float
        Score of the path.
    p_value : float
        Chance that the texture of this slab gives as good a path anywhere on the strip.
    """

    path_mm: FloatArray
    score: float
    p_value: float


def best_candidate(index: FloatArray, found: FloatArray, depth_mm: FloatArray, across_mm: FloatArray,
                   allowed: NDArray[np.bool_]) -> Candidate | None:
    """The best path of a strip and the chance that it is texture.

    Parameters
    ----------
    index : ndarray, shape (n_rows, n_columns)
        Dye index less the lines found before; NaN where unknown.
    found : ndarray, shape (n_rows, n_columns)
        Dye of the lines found before.
    depth_mm, across_mm : ndarray
        Working grid.
    allowed : ndarray of bool, shape (n_rows,)
        Rows where the line may cross the track.

    Returns
    -------
    Candidate or None
        None where too little is known.

    Notes
    -----
    Two nulls come from the same strip, without the line in question. Against texture: the mean evidence
    along the best straight or domed line, compared with strips whose columns were shifted
    against each other, so that nothing goes on sideways but by luck. Against bands: the evidence in the
    strip averaged along the line's form, compared with all other depths. Each is a Gumbel distribution
    through the quartiles of the peaks, taken to the number of places of the strip, and the two are
    combined by Fisher's method. Two lengths of the inner window are tried, for which the p-value is doubled.

    References
    ----------
    Gumbel, E. J. (1958) Statistics of Extremes. Columbia University Press.
    """
    best: Candidate | None = None
    for inner_mm in INNER_MM:
        candidate = _at_scale(index, found, depth_mm, across_mm, allowed, inner_mm=inner_mm)
        if candidate is not None and (best is None or candidate.p_value < best.p_value):
            best = candidate
    if best is None:
        return None
    # Two scales were tried.
    return Candidate(path_mm=best.path_mm, score=best.score, p_value=min(1.0, len(INNER_MM) * best.p_value))


def _at_scale(index: FloatArray, found: FloatArray, depth_mm: FloatArray, across_mm: FloatArray,
              allowed: NDArray[np.bool_], *, inner_mm: float) -> Candidate | None:
    """Best path for one length of the inner window."""
    row_mm = float(depth_mm[1] - depth_mm[0])
    column_mm = float(across_mm[1] - across_mm[0]) if len(across_mm) > 1 else 1.0
    gain, known = step_evidence(index, found, row_mm, inner_mm)
    shapes = _shapes(across_mm, row_mm)
    limited = SOFT_LIMIT * np.tanh(gain / SOFT_LIMIT)
    scores, which = _stack(limited[:, :, None], shapes)
    score = np.where(allowed, scores[:, 0], -np.inf)
    row = int(np.argmax(score))
    rows = np.clip(row + shapes[which[row, 0]], 0, len(index) - 1)
    if not np.isfinite(score[row]) or known[rows, np.arange(len(rows))].mean() < KNOWN_FRAC:
        return None
    rows = _refine_path(gain, rows, row_mm, column_mm, across_mm)
    apart = max(round(APART_MM / row_mm), 1)
    seen = np.isfinite(index).any(axis=1)
    null = _null_peaks(limited[seen], rows - int(np.argmax(seen)), shapes, apart=apart, cut=round(CUT_MM / row_mm),
                       together=max(round(TOGETHER_MM / column_mm), 1))
    if len(null) < MIN_PEAKS:
        return None
    places = max(int(np.sum(_is_peak(score, apart))), 1)
    path_mm = depth_mm[rows]
    p_texture = gumbel_tail(float(score[row]), null, places)
    p_bands = coherent_p(index, found, depth_mm, path_mm, int(np.argmin(np.abs(across_mm))), inner_mm=inner_mm)
    return Candidate(path_mm=path_mm, score=float(score[row]), p_value=combine_p(p_texture, p_bands))


def _null_peaks(gain: FloatArray, line: IntArray, shapes: IntArray, *, apart: int, cut: int, together: int
                ) -> FloatArray:
    """Peaks of the score of the same columns, the line in question cut out, shifted against each other."""
    n_rows = len(gain)
    if n_rows <= 2 * cut:
        return np.empty(0)
    start = np.clip(line - cut // 5, 0, n_rows - cut)
    rows = np.arange(n_rows - cut)[:, None]
    rest = np.take_along_axis(gain, rows + cut * (rows >= start[None, :]), axis=0)
    rng = np.random.default_rng(SHUFFLE_SEED)
    versions = np.stack([_shift_columns(rest, rng, together) for _ in range(SHUFFLES)], axis=2)
    score, _ = _stack(versions, shapes)
    return np.concatenate([score[_is_peak(score[:, k], apart), k] for k in range(SHUFFLES)])


def _shapes(across_mm: FloatArray, row_mm: float) -> IntArray:
    """Straight and domed lines as rows below the centre, shape (n_shapes, n_columns)."""
    half = max(float(np.abs(across_mm).max()), 1e-6)
    slopes = np.arange(-np.floor(MAX_SLOPE * half / SHAPE_STEP_MM), np.floor(MAX_SLOPE * half / SHAPE_STEP_MM) + 1)
    bows = np.arange(-1, np.ceil(0.5 * MAX_CURVATURE_MM * half**2 / SHAPE_STEP_MM) + 1)
    slope, bow = (a.ravel()[:, None] for a in np.meshgrid(slopes, bows, indexing="ij"))
    x = across_mm[None, :] / half
    return np.rint(SHAPE_STEP_MM * (slope * x + bow * x**2) / row_mm).astype(np.int64)


def _stack(gain: FloatArray, shapes: IntArray) -> tuple[FloatArray, IntArray]:
    """Best mean gain over all shapes through each row, and which shape, for each version of the gain."""
    n_rows, n_columns, n_versions = gain.shape
    reach = int(np.abs(shapes).max())
    padded = np.empty((n_columns, n_rows + 2 * reach, n_versions))
    padded[:] = np.median(gain, axis=(0, 1))
    padded[:, reach:reach + n_rows] = gain.transpose(1, 0, 2)
    best = np.full((n_rows, n_versions), -np.inf)
    which = np.zeros((n_rows, n_versions), dtype=np.int64)
    total = np.empty((n_rows, n_versions))
    for k, shape in enumerate(shapes):
        total[:] = 0.0
        for j, offset in enumerate(shape):
            total += padded[j, reach + offset:reach + offset + n_rows]
        better = total > best
        which[better] = k
        np.maximum(best, total, out=best)
    return best / n_columns, which


def _refine_path(gain: FloatArray, rows: IntArray, row_mm: float, column_mm: float, across_mm: FloatArray) -> IntArray:
    """Connected path of greatest gain near a straight or domed line."""
    reach = max(round(NEAR_MM / row_mm), 1)
    offsets = np.arange(-reach, reach + 1)[:, None]
    at = np.clip(rows[None, :] + offsets, 0, len(gain) - 1)
    band = gain[at, np.arange(gain.shape[1])[None, :]]
    paths = best_paths(band, row_mm=row_mm, column_mm=column_mm, centre=int(np.argmin(np.abs(across_mm))))
    best = int(np.argmax(paths.gain.sum(axis=1)))
    return np.asarray(np.clip(rows + paths.rows[best] - reach, 0, len(gain) - 1))


def _shift_columns(gain: FloatArray, rng: np.random.Generator, together: int) -> FloatArray:
    """The same columns, a few at a time moved along the depth by a distance of their own, round the end."""
    n_rows, n_columns = gain.shape
    shift = np.repeat(rng.integers(0, n_rows, n_columns), together)[:n_columns]
    rows = (np.arange(n_rows)[:, None] + shift[None, :]) % n_rows
    return np.take_along_axis(gain, rows, axis=0)


def coherent_p(index: FloatArray, found: FloatArray, depth_mm: FloatArray, path_mm: FloatArray, centre: int, *,
               inner_mm: float, outer_mm: float = OUTER_MM) -> float:
    """Chance that a line is one of the bands that cross the whole strip.

    Parameters
    ----------
    index, found : ndarray, shape (n_rows, n_columns)
        Dye index, and dye of the lines found before.
    depth_mm : ndarray, shape (n_rows,)
        Depth of the rows.
    path_mm : ndarray, shape (n_columns,)
        Depth of the line in each column.
    centre : int
        Column of the track.
    inner_mm, outer_mm : float
        Lengths of the inner and the outer window.

    Returns
    -------
    float
        Family-wise p-value against the strip averaged along the line's own form.
    """
    row_mm = float(depth_mm[1] - depth_mm[0])
    shift = np.rint((path_mm - path_mm[centre]) / row_mm).astype(np.int64)
    rows = np.arange(len(index))[:, None] + shift[None, :]
    inside = (rows >= 0) & (rows < len(index))
    columns = np.arange(index.shape[1])[None, :]
    clipped = np.clip(rows, 0, len(index) - 1)
    straight = np.where(inside, index[clipped, columns], np.nan)
    dye = np.where(inside, found[clipped, columns], 0.0).mean(axis=1, keepdims=True)
    gain, known = step_evidence(robust_mean(straight)[:, None], dye, row_mm, inner_mm, outer_mm)
    score = np.where(known[:, 0], gain[:, 0], -np.inf)
    row = int(np.argmin(np.abs(depth_mm - path_mm[centre])))
    near = slice(max(row - 5, 0), row + 6)
    here = float(np.max(score[near]))
    cut = round(CUT_MM / row_mm)
    first = max(row - cut // 5, 0)
    rest = np.concatenate([score[:first], score[first + cut:]])
    apart = max(round(APART_MM / row_mm), 1)
    peaks = rest[_is_peak(rest, apart)]
    return gumbel_tail(here, peaks, len(peaks) + 1) if np.isfinite(here) and len(peaks) >= 4 else 1.0


def step_evidence(index: FloatArray, found: FloatArray, row_mm: float, inner_mm: float, outer_mm: float = OUTER_MM
                  ) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Evidence at each place that dye begins there and goes on inwards.

    Parameters
    ----------
    index : ndarray, shape (n_rows, n_columns)
        Dye index; NaN where unknown.
    found : ndarray, shape (n_rows, n_columns)
        Dye of lines found before; there the index varies more.
    row_mm : float
        Distance between rows.
    inner_mm, outer_mm : float
        Lengths of the inner and the outer window.

    Returns
    -------
    gain : ndarray, shape (n_rows, n_columns)
        Evidence in standard deviations of the texture, softly limited.
    known : ndarray of bool, shape (n_rows, n_columns)
        Where both windows are known well enough.

    Notes
    -----
    The lesser of the step (inner mean less outer mean) and the level (inner mean
    above clean skeleton), each over its own robust standard deviation: the inner
    border of a green band is a step, but not above clean skeleton.
    """
    n_in, n_out = max(round(inner_mm / row_mm), 1), max(round(outer_mm / row_mm), 1)
    inner, inner_share = _window_mean(index, 0, n_in)
    outer, outer_share = _window_mean(index, -n_out, 0)
    known = (inner_share >= 0.5) & (outer_share >= 0.5)
    step = np.where(known, inner - outer, np.nan)
    level = np.where(known, inner, np.nan)
    dye, _ = _window_mean(found, 0, n_in)
    sd_step, sd_level = robust_sd(step), robust_sd(level)
    if not (sd_step > 0 and sd_level > 0):
        return np.zeros(index.shape), np.zeros(index.shape, dtype=bool)
    excess = SEEPAGE_TEXTURE * np.nan_to_num(dye)
    z = np.minimum(step / np.hypot(sd_step, excess), level / np.hypot(sd_level, excess))
    gain = SOFT_LIMIT * np.arcsinh(z / SOFT_LIMIT)
    # Unknown places count as ordinary texture, neither for nor against.
    typical = float(np.median(gain[known])) if known.any() else 0.0
    return np.where(known, gain, typical), known


def _window_mean(values: FloatArray, first: int, last: int) -> tuple[FloatArray, FloatArray]:
    """Mean over rows i+first .. i+last-1 for each row i, and the share of them that is known."""
    known = np.isfinite(values)
    zero = np.zeros((1, values.shape[1]))
    total = np.concatenate([zero, np.cumsum(np.where(known, values, 0.0), axis=0)])
    count = np.concatenate([zero, np.cumsum(known, axis=0, dtype=np.float64)])
    rows = np.arange(len(values))
    low, high = np.clip(rows + first, 0, len(values)), np.clip(rows + last, 0, len(values))
    n = count[high] - count[low]
    return (total[high] - total[low]) / np.maximum(n, 1.0), n / (last - first)


def _is_peak(score: FloatArray, apart: int) -> NDArray[np.bool_]:
    """Rows whose score is the greatest within a distance."""
    padded = np.pad(score, apart, constant_values=-np.inf)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * apart + 1).max(axis=1)
    return np.asarray(np.isfinite(score) & (score >= highest))


def combine_p(first: float, second: float) -> float:
    """Fisher's combination of two p-values.

    Parameters
    ----------
    first, second : float
        Two p-values.

    Returns
    -------
    float
        Chance of so small a product when both are by chance.

    Notes
    -----
    ``P (1 - ln P)`` with the product P: the upper tail of chi-square with four degrees of freedom at ``-2 ln P``.

    References
    ----------
    Fisher, R. A. (1932) Statistical Methods for Research Workers, 4th ed. Oliver and Boyd.
    """
    product = max(first * second, 1e-300)
    return float(min(product * (1.0 - np.log(product)), 1.0))


def gumbel_tail(score: float, null: FloatArray, places: int) -> float:
    """Chance that the best of several places scores as high by chance.

    Parameters
    ----------
    score : float
        Score of the best place.
    null : ndarray, shape (n_peaks,)
        Scores of peaks of the texture; a few stains among them do no harm.
    places : int
        Number of places that were looked at.

    Returns
    -------
    float
        Family-wise p-value.

    Notes
    -----
    Location and scale from the quartiles of the peaks; the scale is widened by 15 %
    because it is estimated from few of them.
    """
    low, high = np.quantile(null, [0.25, 0.75])
    scale = SCALE_MARGIN * max(float(high - low), 1e-6) / (np.log(-np.log(0.25)) - np.log(-np.log(0.75)))
    location = low + scale * np.log(-np.log(0.25))
    return float(-np.expm1(-places * np.exp(-(score - location) / scale)))
