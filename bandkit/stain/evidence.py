"""Is there a line, and where about: evidence against the slab's own texture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.path import Paths, best_paths
from bandkit.stain.robust import robust_sd

FloatArray = NDArray[np.float64]

# Outer side of the step: narrow, since the skeleton there is clean up to the edge.
OUTER_MM = 0.8
# Inner side: a short and a long seepage tail.
INNER_MM = (0.6, 2.0)
# Beyond this many standard deviations more evidence counts only by its logarithm: a speck is not a line.
SOFT_LIMIT = 3.0
# A line must show in most columns: the best 35 % of them are not counted.
COUNTED_FRAC = 0.65
# Peaks of the score nearer to each other than this are one place.
APART_MM = 3.0
# Strips with shuffled columns that the null is drawn from, and the seed that makes them the same every time.
SHUFFLES = 8
SHUFFLE_SEED = 20
# The scale of the null is itself uncertain.
SCALE_MARGIN = 1.1
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
    The score of a path is the trimmed mean of the step evidence over its columns. The
    null distribution comes from the same strip: scores at all its other peaks, and at
    those of the negated index, where no dye can be. A Gumbel distribution through their
    quartiles - which the few peaks that may be stains do not move - gives the
    chance of the best of as many places as the strip has.

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
    centre = int(np.argmin(np.abs(across_mm)))
    apart = max(round(APART_MM / row_mm), 1)
    gain, known = step_evidence(index, found, row_mm, inner_mm)
    score, paths = _scores(gain, known, row_mm, column_mm, centre)
    score = np.where(allowed, score, -np.inf)
    row = int(np.argmax(score))
    if not np.isfinite(score[row]):
        return None
    null = []
    rng = np.random.default_rng(SHUFFLE_SEED)
    usable = np.isfinite(index).any(axis=1)
    for _ in range(SHUFFLES):
        mixed, mixed_known = _shift_columns(gain[usable], known[usable], rng)
        other, _ = _scores(mixed, mixed_known, row_mm, column_mm, centre)
        null.append(other[_is_peak(other, apart)])
    peaks = np.concatenate(null)
    if len(peaks) < 10:
        return None
    places = max(int(np.sum(_is_peak(score, apart))), 1)
    return Candidate(path_mm=depth_mm[paths.rows[row]], score=float(score[row]),
                     p_value=gumbel_tail(float(score[row]), peaks, places))


def _scores(gain: FloatArray, known: NDArray[np.bool_], row_mm: float, column_mm: float, centre: int
            ) -> tuple[FloatArray, Paths]:
    """Score of the best path through each row of the centre column; minus infinity where too little is known."""
    paths = best_paths(gain, row_mm=row_mm, column_mm=column_mm, centre=centre)
    share = np.take_along_axis(known, paths.rows, axis=0).mean(axis=1)
    return np.where(share >= KNOWN_FRAC, _trimmed_mean(paths.gain), -np.inf), paths


def _shift_columns(gain: FloatArray, known: NDArray[np.bool_], rng: np.random.Generator
                   ) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The same columns, each moved along the depth by a distance of its own, round the end."""
    n_rows, n_columns = gain.shape
    rows = (np.arange(n_rows)[:, None] + rng.integers(0, n_rows, n_columns)[None, :]) % n_rows
    return np.take_along_axis(gain, rows, axis=0), np.take_along_axis(known, rows, axis=0)


def step_evidence(index: FloatArray, found: FloatArray, row_mm: float, inner_mm: float
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
    inner_mm : float
        Length of the inner window.

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
    n_in, n_out = max(round(inner_mm / row_mm), 1), max(round(OUTER_MM / row_mm), 1)
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


def _trimmed_mean(gain: FloatArray) -> FloatArray:
    """Mean over the columns without the best of them."""
    keep = max(int(np.ceil(COUNTED_FRAC * gain.shape[1])), 1)
    return np.asarray(np.sort(gain, axis=1)[:, :keep].mean(axis=1))


def _is_peak(score: FloatArray, apart: int) -> NDArray[np.bool_]:
    """Rows whose score is the greatest within a distance."""
    padded = np.pad(score, apart, constant_values=-np.inf)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * apart + 1).max(axis=1)
    return np.asarray(np.isfinite(score) & (score >= highest))


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
    Location and scale from the quartiles of the peaks; the scale is widened by 1.3
    because it is estimated from few of them.
    """
    low, high = np.quantile(null, [0.25, 0.75])
    scale = SCALE_MARGIN * max(float(high - low), 1e-6) / (np.log(-np.log(0.25)) - np.log(-np.log(0.75)))
    location = low + scale * np.log(-np.log(0.25))
    return float(-np.expm1(-places * np.exp(-(score - location) / scale)))
