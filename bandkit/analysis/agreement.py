"""How far series agree: correlations, the common signal, and what chance alone would give.

Correlations of growth series look better than they are: neighbouring years are alike, so that a short
series has few independent years, and the best of many lags is high by chance. So whether there is a
common signal at all is asked of surrogates, series with the same autocorrelation and nothing in common.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Two series are compared over at least this many years.
LEAST_OVERLAP_YR = 10
# Deviations are held to this many standard deviations before they enter a mean of series.
HELD_SD = 2.5
N_SURROGATES = 499
# A common signal is believed when chance alone gives as much in one of a hundred groups.
SIGNIFICANCE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CommonSignal:
    """Whether and how strongly a group of series varies together.

    Parameters
    ----------
    found : bool
        Whether the agreement is beyond chance; False is an answer, not a failure.
    n_series : int
        Series compared.
    mean_r : float
        Mean correlation over all pairs of series; NaN of fewer than two.
    weighted_r : float
        The same with each pair weighted by the years that it shares, which is what is tested.
    limit_r : float
        What unrelated series with the same autocorrelation reach in 1 of 100 groups.
    p_value : float
        Share of surrogate groups that agree at least as well.
    expressed_signal : float
        How well the mean of these series stands for that of infinitely many; see `expressed_signal`.
    n_needed : int
        Series needed for 0.85; 0 where no number of series would do.
    correlation : ndarray, shape (n_series, n_series)
        Correlation of each pair over its shared years; NaN where these are too few.
    when_laid : bool
        Whether the agreement shows only when years may be missing or doubled, and not in the series as dated.
    """

    found: bool
    n_series: int
    mean_r: float
    weighted_r: float
    limit_r: float
    p_value: float
    expressed_signal: float
    n_needed: int
    correlation: FloatArray
    when_laid: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunningCorrelation:
    """Correlation of one series with a reference in segments and at lags.

    Parameters
    ----------
    first_row, last_row : ndarray, shape (n_segments,)
        Rows of the segments, outermost and innermost, both included.
    lags : ndarray, shape (n_lags,)
        Years by which the series is moved inwards, to older years.
    r : ndarray, shape (n_segments, n_lags)
        Correlation; NaN where too few years are shared.
    critical_r : ndarray, shape (n_segments,)
        What r at a given lag exceeds by chance once in a hundred times, autocorrelation allowed for.
    """

    first_row: FloatArray
    last_row: FloatArray
    lags: FloatArray
    r: FloatArray
    critical_r: FloatArray


def expressed_signal(mean_r: float, n_series: float) -> float:
    """How well the mean of some series stands for that of infinitely many: the expressed population signal.

    Parameters
    ----------
    mean_r : float
        Mean correlation between series.
    n_series : float
        Number of series.

    Returns
    -------
    float
        ``n r / (1 + (n - 1) r)``; NaN without a positive mean correlation or without a series. 0.85 is a customary
        limit, not a test.

    References
    ----------
    Wigley, T. M. L., Briffa, K. R., Jones, P. D. (1984): On the average value of correlated time series, with
    applications in dendroclimatology and hydrometeorology. Journal of Climate and Applied Meteorology 23, 201-213.
    """
    if not (mean_r > 0 and n_series > 0):
        return math.nan
    return n_series * mean_r / (1.0 + (n_series - 1.0) * mean_r)


def subsample_strength(mean_r: float, n_series: float, of_n_series: float) -> float:
    """How well the mean of some series stands for that of all that there are: the subsample signal strength.

    Parameters
    ----------
    mean_r : float
        Mean correlation between series.
    n_series, of_n_series : float
        Number of series in the subsample and in all.

    Returns
    -------
    float
        ``n (1 + (N - 1) r) / (N (1 + (n - 1) r))``, 1 for the whole; NaN as `expressed_signal`.

    References
    ----------
    Wigley, Briffa & Jones (1984), as for `expressed_signal`; it is the ratio of two of these.
    """
    whole = expressed_signal(mean_r, of_n_series)
    return expressed_signal(mean_r, n_series) / whole


def series_needed(mean_r: float, wanted: float = 0.85) -> int:
    """Number of series that a wanted expressed signal takes.

    Parameters
    ----------
    mean_r : float
        Mean correlation between series.
    wanted : float
        Expressed population signal, less than 1.

    Returns
    -------
    int
        ``wanted (1 - r) / ((1 - wanted) r)`` rounded up; 0 where r is not positive and no number would do.
    """
    if not mean_r > 0:
        return 0
    # Rounded first: 0.85 / 0.15 is not quite what it is on paper.
    return max(math.ceil(round(wanted * (1.0 - mean_r) / ((1.0 - wanted) * mean_r), 9)), 1)


def lag_one(values: ArrayLike) -> FloatArray:
    """Autocorrelation from one year to the next, of each column.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Deviations about 0; NaN where unknown.

    Returns
    -------
    ndarray, shape (n_series,)
        Within -0.9 to 0.9; 0 where it cannot be told.
    """
    x = np.asarray(values, dtype=np.float64)
    known = np.isfinite(x)
    both = known[1:] & known[:-1]
    filled = np.where(known, x, 0.0)
    product = np.where(both, filled[1:] * filled[:-1], 0.0).sum(axis=0)
    square = 0.5 * np.where(both, filled[1:] ** 2 + filled[:-1] ** 2, 0.0).sum(axis=0)
    return np.asarray(np.clip(product / np.where(square > 0, square, 1.0), -0.9, 0.9))


def correlation_matrix(values: ArrayLike, least_overlap_yr: int = LEAST_OVERLAP_YR) -> FloatArray:
    """Correlation of every two columns over the years that both have.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Series; NaN where unknown.
    least_overlap_yr : int
        Years that two series must share.

    Returns
    -------
    ndarray, shape (n_series, n_series)
        NaN where they share fewer or one does not vary there.
    """
    x = np.asarray(values, dtype=np.float64)
    known = np.isfinite(x).astype(np.float64)
    x = np.where(known > 0, x, 0.0)
    n = known.T @ known
    total, product, square = x.T @ known, x.T @ x, (x**2).T @ known
    shared = np.where(n >= least_overlap_yr, n, np.nan)
    covariance = product - total * total.T / shared
    variance = square - total**2 / shared
    scale = np.sqrt(np.clip(variance, 0.0, None) * np.clip(variance.T, 0.0, None))
    return np.asarray(covariance / np.where(scale > 1e-12, scale, np.nan))


def critical_r(n_years: float, *, ar1_product: float = 0.0, level: float = SIGNIFICANCE) -> float:
    """Correlation that unrelated series exceed by chance, one-sided.

    Parameters
    ----------
    n_years : float
        Years that they share.
    ar1_product : float
        Product of their autocorrelations from year to year.
    level : float
        Share of unrelated pairs that exceed it.

    Returns
    -------
    float
        ``t / sqrt(t^2 + n - 2)`` with the ``n (1 - a b) / (1 + a b)`` years that are as good as independent; 1 where
        these are fewer than 3.
    """
    # Imported here: scipy.stats takes long to load.
    from scipy.stats import t as student

    shared = max(ar1_product, 0.0)
    n_free = n_years * (1.0 - shared) / (1.0 + shared)
    if n_free < 3:
        return 1.0
    t = float(student.ppf(1.0 - level, n_free - 2.0))
    return t / math.sqrt(t**2 + n_free - 2.0)


def mean_of_others(values: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """For each series the mean of all others, deviations held to 2.5.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Deviations in standard deviations; NaN where unknown.

    Returns
    -------
    mean, count : ndarray, shape (n_years, n_series)
        The mean, NaN where there is no other, and the number of others.
    """
    x = np.asarray(values, dtype=np.float64)
    known = np.isfinite(x)
    held = np.where(known, np.clip(x, -HELD_SD, HELD_SD), 0.0)
    count = known.sum(axis=1, keepdims=True) - known
    total = held.sum(axis=1, keepdims=True) - held
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count.astype(np.float64)


def running_correlation(
    series: ArrayLike, reference: ArrayLike, *, window_yr: int = 20, most_lag_yr: int = 3
) -> RunningCorrelation:
    """Correlate a series with a reference in overlapping segments, each at several lags.

    Parameters
    ----------
    series, reference : array_like, shape (n_years,)
        Deviations on one axis of years from the outside inwards; NaN where unknown.
    window_yr : int
        Length of a segment; they overlap by half. One segment where the series is shorter.
    most_lag_yr : int
        Largest lag, in either direction.

    Returns
    -------
    RunningCorrelation
        No segments where the series has fewer than 10 years.
    """
    x, y = np.asarray(series, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(x))
    lags = np.arange(-most_lag_yr, most_lag_yr + 1)
    ranges = _segments(known, window_yr)
    product = float(lag_one(x[:, None])[0] * lag_one(y[:, None])[0])
    r = np.full((len(ranges), lags.size), np.nan)
    for i, (first, last) in enumerate(ranges):
        for j, lag in enumerate(lags.tolist()):
            r[i, j] = _lagged(x, y, first, last, lag)
    limits = [critical_r(last - first + 1, ar1_product=product) for first, last in ranges]
    return RunningCorrelation(
        first_row=np.array([first for first, _ in ranges], dtype=np.float64),
        last_row=np.array([last for _, last in ranges], dtype=np.float64),
        lags=lags.astype(np.float64),
        r=r,
        critical_r=np.array(limits),
    )


def _segments(known: NDArray[np.intp], window_yr: int) -> list[tuple[int, int]]:
    """First and last row of overlapping segments that cover a series; the innermost ends with it."""
    if known.size < LEAST_OVERLAP_YR:
        return []
    first, last = int(known[0]), int(known[-1])
    starts = list(range(first, last - window_yr + 2, max(window_yr // 2, 1))) or [first]
    if starts[-1] + window_yr <= last:
        starts.append(last - window_yr + 1)
    return [(start, min(start + window_yr - 1, last)) for start in starts]


def _lagged(x: FloatArray, y: FloatArray, first: int, last: int, lag: int) -> float:
    """Correlation of rows first to last of x with y that many rows further in."""
    rows = np.arange(first, last + 1)
    rows = rows[(rows + lag >= 0) & (rows + lag < y.size)]
    pair = np.stack([x[rows], y[rows + lag]], axis=1)
    return float(correlation_matrix(pair, min(LEAST_OVERLAP_YR, last - first + 1))[0, 1])


def surrogates(values: ArrayLike, n_surrogates: int, seed: int) -> FloatArray:
    """Series with the gaps and the autocorrelation of given ones, and nothing in common.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Deviations about 0; NaN where unknown.
    n_surrogates : int
        How many of each.
    seed : int
        Of the random numbers.

    Returns
    -------
    ndarray, shape (n_surrogates, n_years, n_series)
        First-order autoregressive series of variance 1, NaN where the given series are.
    """
    x = np.asarray(values, dtype=np.float64)
    memory = lag_one(x)
    rng = np.random.default_rng(seed)
    out = rng.standard_normal((n_surrogates, *x.shape))
    fresh = np.sqrt(1.0 - memory**2)
    for row in range(1, x.shape[0]):
        out[:, row] = memory * out[:, row - 1] + fresh * out[:, row]
    out[:, ~np.isfinite(x)] = np.nan
    return out


def common_signal(values: ArrayLike, *, seed: int = 0, n_surrogates: int = N_SURROGATES) -> CommonSignal:
    """Ask whether series vary together beyond chance.

    Parameters
    ----------
    values : array_like, shape (n_years, n_series)
        Deviations on one axis of years; NaN where unknown.
    seed : int
        Of the surrogates.
    n_surrogates : int
        Groups of unrelated series to compare with.

    Returns
    -------
    CommonSignal
        Not found where fewer than two series overlap by 10 years.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[:, np.isfinite(x).sum(axis=0) >= LEAST_OVERLAP_YR]
    r = correlation_matrix(x)
    pairs = r[np.triu_indices(r.shape[0], 1)]
    pairs = pairs[np.isfinite(pairs)]
    n = x.shape[1]
    if not pairs.size:
        return CommonSignal(found=False, n_series=n, mean_r=math.nan, weighted_r=math.nan, limit_r=math.nan,
                            p_value=1.0, expressed_signal=math.nan, n_needed=0, correlation=r)  # fmt: skip
    mean_r, weighted = float(pairs.mean()), float(_weighted_r(x))
    # One after another: a thousand long series times all surrogates would fill the memory.
    seeds = np.random.default_rng(seed).integers(0, 2**31, n_surrogates)
    chance = np.array([_weighted_r(surrogates(x, 1, int(s))[0]) for s in seeds])
    p_value = float((1 + np.sum(chance >= weighted)) / (1 + n_surrogates))
    limit = float(np.quantile(chance, 1.0 - SIGNIFICANCE))
    return CommonSignal(
        found=p_value <= SIGNIFICANCE, n_series=n, mean_r=mean_r, weighted_r=weighted, limit_r=limit, p_value=p_value,
        expressed_signal=expressed_signal(mean_r, n), n_needed=series_needed(mean_r), correlation=r,
    )  # fmt: skip


def _weighted_r(values: FloatArray) -> float:
    """Mean correlation over pairs, each weighted by its shared years, without forming the pairs."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    mean = np.where(known, values, 0.0).sum(axis=0) / count
    centred = np.where(known, values - mean, 0.0)
    scale = np.sqrt((centred**2).sum(axis=0) / count)
    z = np.clip(centred / np.where(scale > 0, scale, 1.0), -HELD_SD, HELD_SD)
    per_year = known.sum(axis=1)
    n_pairs = float((per_year * (per_year - 1)).sum())
    return float(((z.sum(axis=1)) ** 2 - (z**2).sum(axis=1)).sum() / n_pairs) if n_pairs else 0.0
