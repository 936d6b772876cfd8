"""Cross-dating: where a year may be missing or counted twice, by agreement with the other series.

A suggestion is a reason to look at the image, no correction: nothing is ever moved by it. And where series
have nothing in common there is nothing to cross-date by; then that is the answer, and none is forced.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.agreement import (
    HELD_SD,
    LEAST_OVERLAP_YR,
    SIGNIFICANCE,
    CommonSignal,
    common_signal,
    correlation_matrix,
    lag_one,
    mean_of_others,
    surrogates,
)
from bandkit.analysis.alignment import Alignment, Expectation, align
from bandkit.analysis.standardise import DEFAULT_PERIOD_YR, Standardised, Trend, standardise

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Where marks bear no probability of their own: chance per year to miss one or to count one twice. Rates of 1 to 5 %
# are customary (Comboul et al. 2014, Climate of the Past 10, 825-841).
DEFAULT_RATE = 0.01
# Below this no mark is held to be: a reader who was sure has been wrong.
LEAST_RATE = 0.002
# An error is suggested when it is more likely than not, and the other series made it so.
SUGGESTED_FRAC = 0.5
LEAST_ODDS_GAIN = 5.0
# Years over which the probability of one error is gathered; the narrowest that is enough is taken.
WINDOWS_YR = (5, 11, 21)
# How strongly the usual strength of a series holds for each, in years of evidence.
_USUAL_YR = 8.0
_LEAST_R, _MOST_R = 0.02, 0.95
_MOST_ROUNDS = 12
# Series that agree only when laid along one another are taken to correlate by at least this.
_TRIED_R = 0.4
MOST_LAID = 4
N_LAID_SURROGATES = 199
# Of a large group many are corrected at once.
_AT_ONCE_FRAC = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesGroup:
    """Series on one axis of years, to be compared.

    Parameters
    ----------
    names : tuple of str
        One for each series.
    year : ndarray, shape (n_years,)
        Years from the outside inwards, one apart: calendar years fall, counts rise.
    values : ndarray, shape (n_years, n_series)
        Growth of whole years; NaN where a series has none.
    missing_frac, doubled_frac : ndarray, shape (n_years, n_series)
        By the marks alone: chance that a year is missing at each band, and that it and the next inner one are one
        year.
    widths_add : bool
        Whether a band of two years measures their sum, and the marks' chances did not use that already.
    """

    names: tuple[str, ...]
    year: FloatArray
    values: FloatArray
    missing_frac: FloatArray
    doubled_frac: FloatArray
    widths_add: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """One place where a series may have a year too few or too many.

    Parameters
    ----------
    series : str
        Name of the series.
    kind : {"missing", "doubled"}
        A year may be missing, or two bands may be one year.
    year, year_lo, year_hi : float
        Label of the band in the series as it is, and the years that it may lie between (90 %).
    row : int
        Row of the band on the axis of years.
    probability : float
        That there is such an error between ``year_lo`` and ``year_hi``.
    prior : float
        The same by the marks alone, before looking at the other series.
    """

    series: str
    kind: Literal["missing", "doubled"]
    year: float
    year_lo: float
    year_hi: float
    row: int
    probability: float
    prior: float

    @property
    def sentence(self) -> str:
        """The suggestion in words."""
        what = "may be missing" if self.kind == "missing" else "may be counted twice"
        return f"a year {what} near {self.year:.0f} in {self.series} (probability {self.probability:.2f})"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossdating:
    """What comparing a group of series gives.

    Parameters
    ----------
    group : SeriesGroup
        The series.
    standardised : Standardised
        Their indices and deviations.
    signal : CommonSignal
        Whether they vary together, dated as they are.
    suggestions : tuple of Suggestion
        Empty where there is no common signal.
    mean_r_after : float
        Mean correlation if every suggestion held; NaN where there are none.
    reference_r : ndarray, shape (n_series,)
        Correlation of each series, dated as it is, with the mean of the others.
    reference : ndarray, shape (n_years, n_series)
        For each series the mean deviation of the others, each laid as its suggestions say.
    """

    group: SeriesGroup
    standardised: Standardised
    signal: CommonSignal
    suggestions: tuple[Suggestion, ...]
    mean_r_after: float
    reference_r: FloatArray
    reference: FloatArray

    @property
    def verdict(self) -> str:
        """The outcome in a sentence."""
        n = len(self.suggestions)
        if self.signal.n_series < 2:
            return "fewer than two series overlap by ten years: nothing to compare"
        if not self.signal.found:
            return "no common signal: these series agree no better than unrelated ones, and cannot be cross-dated"
        found = f"a common signal (mean correlation {self.signal.mean_r:.2f})"
        if self.signal.when_laid:
            found = f"a common signal, but hardly as dated (mean correlation {self.signal.mean_r:.2f})"
        if not n:
            return f"{found}; no year seems to be missing or counted twice"
        return f"{found}; {n} {'place' if n == 1 else 'places'} to look at"


def crossdate(
    group: SeriesGroup, *, trend: Trend = "smooth", period_yr: float = DEFAULT_PERIOD_YR, seed: int = 0
) -> Crossdating:
    """Compare series and suggest where a year may be missing or counted twice.

    Parameters
    ----------
    group : SeriesGroup
        The series.
    trend, period_yr
        How the trend is taken out, see `standardise`.
    seed : int
        Of the surrogates.

    Returns
    -------
    Crossdating
        Without suggestions where no common signal is found.

    Notes
    -----
    Each series is laid along the mean of all others. As these may have errors too, the series with the surest
    error is laid as suggested first, for the mean only, and all are compared anew, until nothing changes.
    With two series it cannot be told which of them is wrong: both are then told of, with their own chances.
    """
    made = standardise(group.values, trend=trend, period_yr=period_yr)
    signal = common_signal(made.deviation, seed=seed)
    if not signal.found and _agree_when_laid(made.deviation, seed):
        signal = replace(signal, found=True, when_laid=True)
    reference, _ = mean_of_others(made.deviation)
    reference_r = _columns_r(made.deviation, reference)
    suggestions: tuple[Suggestion, ...] = ()
    after = float("nan")
    if signal.found:
        suggestions, laid = _suggest(group, made, _TRIED_R if signal.when_laid else _LEAST_R)
        reference, _ = mean_of_others(laid)
        if suggestions:
            after = _mean_r(laid)
    return Crossdating(group=group, standardised=made, signal=signal, suggestions=suggestions, mean_r_after=after,
                       reference_r=reference_r, reference=reference)  # fmt: skip


def _agree_when_laid(deviation: FloatArray, seed: int) -> bool:
    """Whether series that do not agree as dated follow one another when a year may be missing or doubled.

    An early error leaves nothing in step, most of all between two series. The evidence for the others as a guide,
    summed over all alignments, is compared with that of surrogates that had the same freedom.
    """
    known = np.isfinite(deviation).sum(axis=0)
    x = deviation[:, known >= LEAST_OVERLAP_YR]
    # With many series some are always in step, and the plain test is enough.
    if not 2 <= x.shape[1] <= MOST_LAID:
        return False
    every = np.concatenate([x[None], surrogates(x, N_LAID_SURROGATES, seed)])
    references = [mean_of_others(one) for one in every]
    strength = np.full(x.shape[1], np.sqrt(_TRIED_R))
    tried = [_expected(*reference, _TRIED_R, strength) for reference in references]
    expected = Expectation(mean=np.concatenate([one.mean for one in tried]),
                           variance=np.concatenate([one.variance for one in tried]))  # fmt: skip
    z = np.concatenate([one.T for one in every])
    evidence = _plain_evidence(z, expected) - _plain_evidence(z, Expectation(mean=0 * z, variance=0 * z + 1.0))
    gain = evidence.reshape(len(every), x.shape[1]).sum(axis=1)
    p_value = (1 + np.sum(gain[1:] >= gain[0])) / len(every)
    return bool(p_value <= 0.5 * SIGNIFICANCE)


def _plain_evidence(z: FloatArray, expected: Expectation) -> FloatArray:
    """Log likelihood of series over all alignments, at the usual rates of error."""
    rate, ones = np.full(z.shape, DEFAULT_RATE), np.ones(z.shape[0])
    expected = Expectation(mean=np.nan_to_num(expected.mean), variance=np.nan_to_num(expected.variance, nan=1.0))
    return align(z, expected, index_sd=ones, missing_frac=rate, doubled_frac=rate, widths_add=False,
                 independence_frac=ones).evidence  # fmt: skip


def _suggest(group: SeriesGroup, made: Standardised, least_r: float) -> tuple[tuple[Suggestion, ...], FloatArray]:
    """Suggestions for all series, and the deviations laid as they say."""
    raw = made.deviation
    laid, corrected = raw.copy(), np.zeros(raw.shape[1], dtype=np.bool_)
    at_once = max(int(_AT_ONCE_FRAC * raw.shape[1]), 1)
    found: list[list[Suggestion]] = []
    for _ in range(_MOST_ROUNDS):
        alignment = _align_all(group, made, laid, least_r)
        found = [_of_series(group, alignment, j) for j in range(raw.shape[1])]
        surest = np.array([max((s.probability for s in own), default=0.0) for own in found])
        wanted = surest > 0
        fresh = np.flatnonzero(wanted & ~corrected)
        fresh = fresh[np.argsort(-surest[fresh], kind="stable")][:at_once]
        settled = not fresh.size and bool(np.all(wanted[corrected]))
        corrected = corrected & wanted
        corrected[fresh] = True
        laid = np.where(corrected, _laid(raw, alignment.lag), raw)
        # Of two series either may be wrong: once one is laid along the other, nothing would be said of the other.
        if settled or raw.shape[1] == 2:
            break
    return tuple(s for own in found for s in own), laid


def _align_all(group: SeriesGroup, made: Standardised, laid: FloatArray, least_r: float) -> Alignment:
    """Lay every series, as it is, along the mean of the others, laid as is thought now."""
    reference, count = mean_of_others(laid)
    usual_r = float(np.clip(_mean_r(laid), least_r, _MOST_R))
    z = np.where(np.isfinite(made.deviation), made.deviation, np.nan)
    strength = np.full(z.shape[1], np.sqrt(usual_r))
    product = np.clip(lag_one(np.clip(z, -HELD_SD, HELD_SD)) * lag_one(reference), 0.0, 0.9)
    args = {
        "index_sd": np.where(np.isfinite(made.index_sd), made.index_sd, 1.0),
        "missing_frac": np.clip(group.missing_frac, LEAST_RATE, 0.6).T,
        "doubled_frac": np.clip(group.doubled_frac, LEAST_RATE, 0.6).T,
        "independence_frac": (1.0 - product) / (1.0 + product),
    }
    for _ in range(2):
        expected = _expected(reference, count, usual_r, strength)
        alignment = align(z.T, expected, widths_add=group.widths_add, **args)
        strength = _strength(z, alignment, reference, count, usual_r)
    return align(z.T, _expected(reference, count, usual_r, strength), widths_add=group.widths_add, **args)


def _expected(reference: FloatArray, count: FloatArray, usual_r: float, strength: FloatArray) -> Expectation:
    """What the mean of others makes one expect of each series, by least squares.

    With loading a on a common signal of variance 1, and others that correlate by r among themselves: slope
    a sqrt(r) n / (1 + (n - 1) r) and variance 1 - a^2 r n / (1 + (n - 1) r).
    """
    known = np.isfinite(reference)
    gain = np.where(known, count / (1.0 + (count - 1.0) * usual_r), 0.0)
    mean = strength * np.sqrt(usual_r) * gain * np.where(known, reference, 0.0)
    return Expectation(mean=mean.T, variance=(1.0 - strength**2 * usual_r * gain).T)


def _strength(
    z: FloatArray, alignment: Alignment, reference: FloatArray, count: FloatArray, usual_r: float
) -> FloatArray:
    """Loading of each series on the common signal, held near the usual one where it has few years."""
    unit = _expected(reference, count, usual_r, np.ones(z.shape[1])).mean
    rows = np.clip(np.arange(z.shape[0]) + np.rint(alignment.expected_lag).astype(np.int64), 0, z.shape[0] - 1)
    there = np.take_along_axis(unit, rows, axis=1).T
    there = np.where(np.isfinite(z), there, 0.0)
    held = np.clip(np.where(np.isfinite(z), z, 0.0), -HELD_SD, HELD_SD)
    usual = np.sqrt(usual_r)
    weight = _USUAL_YR * usual_r
    return np.asarray(np.clip(((held * there).sum(axis=0) + weight * usual) / ((there**2).sum(axis=0) + weight),
                              0.0, np.sqrt(_MOST_R)))  # fmt: skip


def _laid(raw: FloatArray, lag: NDArray[np.int64]) -> FloatArray:
    """Deviations moved to the years that the best alignment gives them; bands at an error are left out."""
    n = raw.shape[0]
    out = np.full(raw.shape, np.nan)
    rows = np.arange(n)
    for j in range(raw.shape[1]):
        changes = np.flatnonzero(np.diff(lag[j]))
        keep = np.isfinite(raw[:, j])
        keep[changes] = False
        keep[changes[lag[j][changes + 1] < lag[j][changes]] + 1] = False
        to = rows + lag[j]
        keep &= (to >= 0) & (to < n)
        out[to[keep], j] = raw[keep, j]
    return out


def _of_series(group: SeriesGroup, alignment: Alignment, j: int) -> list[Suggestion]:
    """Suggestions for one series, the surest first."""
    inside = np.flatnonzero(np.isfinite(group.values[:, j]))
    found: list[Suggestion] = []
    if not inside.size:
        return found
    chances = {"missing": (alignment.missing[j].copy(), group.missing_frac[:, j]),
               "doubled": (alignment.doubled[j].copy(), group.doubled_frac[:, j])}  # fmt: skip
    for posterior, _ in chances.values():
        # An error outside the series is none of its own.
        posterior[: inside[0]] = 0.0
        posterior[inside[-1] :] = 0.0
    while len(found) < inside.size:
        best = _surest(chances)
        if best is None:
            break
        kind, first, last = best
        posterior, prior = chances[kind]
        found.append(_suggestion(group, j, kind, posterior, prior, range(first, last)))
        posterior[max(first - 2, 0) : last + 2] = 0.0
    return found


def _surest(chances: dict[str, tuple[FloatArray, FloatArray]]) -> tuple[Literal["missing", "doubled"], int, int] | None:
    """Kind and rows of the error that the others make most likely, in the narrowest window that is enough."""
    for window in WINDOWS_YR:
        best: tuple[float, Literal["missing", "doubled"], int] | None = None
        for kind in ("missing", "doubled"):
            posterior, prior = chances[kind]
            sums = np.convolve(posterior, np.ones(window), mode="full")[window - 1 :]
            before = np.convolve(prior, np.ones(window), mode="full")[window - 1 :]
            at = int(np.argmax(sums))
            enough = sums[at] >= SUGGESTED_FRAC and _odds(sums[at]) >= LEAST_ODDS_GAIN * _odds(before[at])
            if enough and (best is None or sums[at] > best[0]):
                best = float(sums[at]), kind, at
        if best is not None:
            return best[1], best[2], best[2] + window
    return None


def _odds(probability: float) -> float:
    """Odds of a probability that may have been summed beyond 1."""
    held = min(max(float(probability), 1e-9), 1.0 - 1e-6)
    return held / (1.0 - held)


def _suggestion(
    group: SeriesGroup, j: int, kind: Literal["missing", "doubled"], posterior: FloatArray, prior: FloatArray,
    rows: range,
) -> Suggestion:
    """Put one suggestion into words and years."""
    window = slice(rows.start, min(rows.stop, posterior.size))
    mass = np.cumsum(posterior[window]) / posterior[window].sum()
    lo, middle, hi = (int(np.searchsorted(mass, q)) + rows.start for q in (0.05, 0.5, 0.95))
    years = group.year[[middle, lo, min(hi, group.year.size - 1)]]
    return Suggestion(
        series=group.names[j], kind=kind, row=middle, year=float(years[0]), year_lo=float(years.min()),
        year_hi=float(years.max()), probability=float(min(posterior[window].sum(), 1.0)),
        prior=float(1.0 - np.prod(1.0 - np.clip(prior[window], LEAST_RATE, 0.6))),
    )  # fmt: skip


def _columns_r(values: FloatArray, reference: FloatArray) -> FloatArray:
    """Correlation of each column with its own reference."""
    pairs = zip(values.T, reference.T, strict=True)
    return np.array([correlation_matrix(np.stack(pair, axis=1))[0, 1] for pair in pairs])


def _mean_r(values: FloatArray) -> float:
    """Mean correlation over all pairs; 0 where none can be told."""
    r = correlation_matrix(np.clip(values, -HELD_SD, HELD_SD))
    pairs = r[np.triu_indices(r.shape[0], 1)]
    pairs = pairs[np.isfinite(pairs)]
    return float(pairs.mean()) if pairs.size else 0.0
