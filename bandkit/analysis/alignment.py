"""Where a series has a year too few or too many, by laying it along a reference.

Each band of the series belongs to a year of the reference. From the outside inwards the two run in step until a
year is missing in the series (then all bands inside it are a year older than they say) or a band is counted
that is no year (then they are a year younger). Both happen at the marks' own probabilities: a mark that is
sure is dropped only against strong evidence. Over all such alignments, weighted by how well the
growth of each band agrees with the reference's, the probability of an error at each band is exact.

This is a hidden Markov chain whose state is the lag between series and reference, summed over by
the forward and backward recursions; all series are worked on at once.

References
----------
Rabiner, L. R. (1989): A tutorial on hidden Markov models and selected applications in speech recognition.
Proceedings of the IEEE 77, 257-286.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Net years that a series may be off by, in either direction.
MOST_LAG_YR = 4
# Chance that the outermost year itself is off by one, in either direction.
FIRST_YEAR_OFF_FRAC = 0.005
# Bands whose growth says nothing about the year: injuries, borings, poor measurement.
OUTLIER_FRAC = 0.03
# Of missed years those that are hidden within their neighbour's band; the rest left no skeleton at all.
MERGED_FRAC = 0.7
# A band counted twice is two parts of one year; the smaller is at least this share of it.
LEAST_PART_FRAC = 0.15
_LEAST = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expectation:
    """What the reference makes one expect of each series in each year.

    Parameters
    ----------
    mean, variance : ndarray, shape (n_series, n_years)
        Of the deviation of the series; 0 and 1 where there is no reference.
    """

    mean: FloatArray
    variance: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Series laid along the reference.

    Parameters
    ----------
    missing, doubled : ndarray, shape (n_series, n_years)
        Probability that a year is missing at or just inside the band of each row, and that this band and the next
        inner one are one year.
    lag : ndarray, shape (n_series, n_years)
        Lag of each band in the single best alignment: years that the band is older than it says.
    expected_lag : ndarray, shape (n_series, n_years)
        Mean lag over all alignments.
    evidence : ndarray, shape (n_series,)
        Log likelihood of the series given the reference and all alignments.
    """

    missing: FloatArray
    doubled: FloatArray
    lag: IntArray
    expected_lag: FloatArray
    evidence: FloatArray


def align(
    deviation: FloatArray,
    expected: Expectation,
    *,
    index_sd: FloatArray,
    missing_frac: FloatArray,
    doubled_frac: FloatArray,
    widths_add: bool,
    independence_frac: FloatArray,
) -> Alignment:
    """Weigh all alignments of series with what is expected of them.

    Parameters
    ----------
    deviation : ndarray, shape (n_series, n_years)
        Deviations of the series from their trends, from the outside inwards; NaN where unknown.
    expected : Expectation
        What the reference makes one expect.
    index_sd : ndarray, shape (n_series,)
        Scatter of the index, which says how far out a band of two years would stand.
    missing_frac, doubled_frac : ndarray, shape (n_series, n_years)
        Before looking at the reference: chance that a year is missing at each band, and that a band and the next
        inner one are one year.
    widths_add : bool
        Whether two years in one band measure their sum, as extension does, and whether that may count as evidence;
        False for density, and where the probability of the marks has been judged by their spacing already.
    independence_frac : ndarray, shape (n_series,)
        Share of the years that is as good as independent; the evidence of each year counts this much.

    Returns
    -------
    Alignment
        For all series.
    """
    likelihood, missed, doubled = _evidence(deviation, expected, index_sd, widths_add, independence_frac)
    stay = np.clip(1.0 - missing_frac - doubled_frac, 1e-6, 1.0)
    steps = _steps(likelihood, missed * missing_frac[..., None], doubled * doubled_frac[..., None], stay)
    first = np.full(2 * MOST_LAG_YR + 1, 0.0)
    first[MOST_LAG_YR - 1 : MOST_LAG_YR + 2] = FIRST_YEAR_OFF_FRAC, 1.0 - 2 * FIRST_YEAR_OFF_FRAC, FIRST_YEAR_OFF_FRAC
    # Bands before the series begins carry no evidence, so the first lag holds until its outermost band.
    forward, log_scale = _forward(likelihood, steps, first)
    backward = _backward(likelihood, steps)
    chance_missing, chance_doubled = _changes(forward, backward, likelihood, steps)
    posterior = forward * backward
    posterior /= np.maximum(posterior.sum(axis=2, keepdims=True), _LEAST)
    return Alignment(
        missing=chance_missing,
        doubled=chance_doubled,
        lag=_best_path(likelihood, steps, first),
        expected_lag=np.asarray(posterior @ np.arange(-MOST_LAG_YR, MOST_LAG_YR + 1)),
        evidence=log_scale,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Steps:
    """Weights of going from each lag to the same, to one more (missing) and to one less (doubled)."""

    stay: FloatArray
    more: FloatArray
    less: FloatArray


def _steps(likelihood: FloatArray, more: FloatArray, less: FloatArray, stay: FloatArray) -> _Steps:
    """Weights from the band of each row to the next inner one, at the lag before the step."""
    n_lags = likelihood.shape[2]
    more[..., n_lags - 1] = 0.0
    less[..., 0] = 0.0
    return _Steps(stay=np.repeat(stay[..., None], n_lags, axis=2), more=more, less=less)


def _evidence(
    z: FloatArray, expected: Expectation, index_sd: FloatArray, widths_add: bool, independence_frac: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Likelihood of each band at each lag, and the factors by which a missed and a doubled year change it."""
    n_lags = 2 * MOST_LAG_YR + 1
    mean, variance = (np.stack([_moved(part, lag - MOST_LAG_YR, rest) for lag in range(n_lags)], axis=2)
                      for part, rest in ((expected.mean, 0.0), (expected.variance, 1.0)))  # fmt: skip
    sd = index_sd[:, None, None]
    spread = np.maximum(3.0 / sd, 6.0)
    plain = _density(z[..., None], mean, variance, spread)
    known = np.isfinite(z)
    inner_mean, inner_variance = (np.stack([_moved(part, lag + 1 - MOST_LAG_YR, rest) for lag in range(n_lags)], axis=2)
                                  for part, rest in ((expected.mean, 0.0), (expected.variance, 1.0)))  # fmt: skip
    if widths_add:
        both = _density(z[..., None], 1.0 / sd + mean + inner_mean, variance + inner_variance, spread)
    else:
        both = _density(z[..., None], 0.5 * (mean + inner_mean), 0.25 * (variance + inner_variance), spread)
    ratio_missed = np.where(known[..., None], (MERGED_FRAC * both + (1 - MERGED_FRAC) * plain) / plain, 1.0)
    ratio_doubled = np.ones_like(plain)
    if widths_add:
        ratio_doubled = _halves(z, plain, mean, variance, sd, spread)
    power = independence_frac[:, None, None]
    return np.where(known[..., None], plain, 1.0) ** power, ratio_missed**power, ratio_doubled**power


def _halves(
    z: FloatArray, plain: FloatArray, mean: FloatArray, variance: FloatArray, sd: FloatArray, spread: FloatArray
) -> FloatArray:
    """Likelihood of a band and the next inner one as parts of one year, over that of both as years."""
    inner = np.roll(z, -1, axis=1)
    inner[:, -1] = np.nan
    total = 2.0 + sd[..., 0] * (z + inner)
    part = (1.0 + sd[..., 0] * z) / np.maximum(total, 1e-6)
    fits = (part > LEAST_PART_FRAC) & (part < 1.0 - LEAST_PART_FRAC) & (total > 0)
    # Of the two widths one is the year's, the other how it was parted, evenly between the least and the largest part.
    jacobian = np.where(fits, sd[..., 0] / ((1.0 - 2 * LEAST_PART_FRAC) * np.maximum(total, 0.1)), 1e-6)
    joint = _density((z + inner + 1.0 / sd[..., 0])[..., None], mean, variance, spread) * jacobian[..., None]
    inner_plain = np.roll(plain, -1, axis=1)
    # The inner band is met at one lag less, at the same year of the reference.
    inner_plain[..., 1:] = inner_plain[..., :-1]
    known = np.isfinite(z) & np.isfinite(inner)
    return np.asarray(np.where(known[..., None], joint / (plain * inner_plain), 1.0))


def _density(z: FloatArray, mean: FloatArray, variance: FloatArray, spread: FloatArray) -> FloatArray:
    """Normal density with a share of outliers; 1 where the deviation is unknown."""
    known = np.isfinite(z)
    away = np.where(known, z, 0.0) - mean
    normal = np.exp(-0.5 * away**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    return np.asarray(np.where(known, (1.0 - OUTLIER_FRAC) * normal + OUTLIER_FRAC / spread, 1.0))


def _moved(values: FloatArray, lag: int, rest: float) -> FloatArray:
    """For each row the value ``lag`` rows further in; ``rest`` beyond the ends."""
    out = np.full(values.shape, rest)
    n = values.shape[1]
    if abs(lag) < n:
        out[:, max(-lag, 0) : n - max(lag, 0)] = values[:, max(lag, 0) : n - max(-lag, 0)]
    return out


def _stepped(state: FloatArray, steps: _Steps, row: int) -> FloatArray:
    """Weights of the lags at the next row."""
    out = state * steps.stay[:, row]
    out[:, 1:] += (state * steps.more[:, row])[:, :-1]
    out[:, :-1] += (state * steps.less[:, row])[:, 1:]
    return np.asarray(out)


def _forward(likelihood: FloatArray, steps: _Steps, first: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights of the lags given the bands from the outside to each row, and the log likelihood of all."""
    out = np.empty_like(likelihood)
    total = np.zeros(likelihood.shape[0])
    state = np.broadcast_to(first, likelihood[:, 0].shape)
    for row in range(likelihood.shape[1]):
        state = (state if row == 0 else _stepped(state, steps, row - 1)) * likelihood[:, row]
        scale = np.maximum(state.sum(axis=1, keepdims=True), _LEAST)
        state = state / scale
        total += np.log(scale[:, 0])
        out[:, row] = state
    return out, total


def _backward(likelihood: FloatArray, steps: _Steps) -> FloatArray:
    """Weights of the lags given the bands inside each row."""
    out = np.ones_like(likelihood)
    for row in range(likelihood.shape[1] - 2, -1, -1):
        ahead = out[:, row + 1] * likelihood[:, row + 1]
        state = ahead * steps.stay[:, row]
        state[:, :-1] += ahead[:, 1:] * steps.more[:, row, :-1]
        state[:, 1:] += ahead[:, :-1] * steps.less[:, row, 1:]
        out[:, row] = state / np.maximum(state.sum(axis=1, keepdims=True), _LEAST)
    return out


def _changes(
    forward: FloatArray, backward: FloatArray, likelihood: FloatArray, steps: _Steps
) -> tuple[FloatArray, FloatArray]:
    """Probability of one lag more and one less at the step inwards from each row."""
    ahead = backward[:, 1:] * likelihood[:, 1:]
    state = forward[:, :-1]
    more = (state[..., :-1] * steps.more[:, :-1, :-1] * ahead[..., 1:]).sum(axis=2)
    less = (state[..., 1:] * steps.less[:, :-1, 1:] * ahead[..., :-1]).sum(axis=2)
    same = (state * steps.stay[:, :-1] * ahead).sum(axis=2)
    total = np.maximum(more + less + same, _LEAST)
    last = np.zeros((forward.shape[0], 1))
    return np.hstack([more / total, last]), np.hstack([less / total, last])


def _best_path(likelihood: FloatArray, steps: _Steps, first: FloatArray) -> IntArray:
    """Lags of the single best alignment."""
    log_l = np.log(np.maximum(likelihood, _LEAST))
    logs = [np.log(np.maximum(part, _LEAST)) for part in (steps.stay, steps.more, steps.less)]
    best = np.log(np.maximum(first, _LEAST)) + log_l[:, 0]
    came = np.zeros(likelihood.shape, dtype=np.int64)
    for row in range(1, likelihood.shape[1]):
        options = np.full((3, *best.shape), -np.inf)
        options[0] = best + logs[0][:, row - 1]
        options[1, :, 1:] = (best + logs[1][:, row - 1])[:, :-1]
        options[2, :, :-1] = (best + logs[2][:, row - 1])[:, 1:]
        choice = options.argmax(axis=0)
        came[:, row] = np.array([0, -1, 1])[choice]
        best = options.max(axis=0) + log_l[:, row]
    path = np.empty(likelihood.shape[:2], dtype=np.int64)
    at = best.argmax(axis=1)
    series = np.arange(at.size)
    for row in range(likelihood.shape[1] - 1, -1, -1):
        path[:, row] = at
        at = at + came[series, row, at]
    return path - MOST_LAG_YR
