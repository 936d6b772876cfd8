"""All sequences of years at once: likelihoods, forward and backward sums, the best one and draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.model import SAMPLES_PER_YEAR, Series, YearModel

FloatArray = NDArray[np.float64]

# Shortest and longest year as a multiple of the mean one.
SHORTEST_YEAR, LONGEST_YEAR = 0.3, 2.4
# While spacings are compared, durations stand in equal ratios; this many cover the range.
N_DURATIONS = 28
# A mark that a person is certain of lies within this of where it was set, as a fraction of a year.
FIXED_WITHIN_YR = 0.15
# What a year that leaves out such a mark costs: more than any profile can outweigh, yet some sequence always remains.
SKIP_COST = 1e4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """Likelihood of every possible year, and the sums over all sequences of years.

    Parameters
    ----------
    pad : int
        Number of positions outside the track at each end, so that part-years can begin and end there.
    durations : ndarray, shape (n_durations,)
        Lengths of a year that are considered, in samples.
    log_year : ndarray, shape (n_durations, n_positions)
        Log likelihood of a year of each length from each position, over noise alone.
    first, last : ndarray, shape (n_positions,)
        Log weight of a sequence that begins, and that ends, at each position.
    forward, backward : ndarray, shape (n_positions,)
        Log sums over all beginnings of a sequence up to each position, and over all ends from there.
    log_evidence : float
        Log likelihood of the profile, over noise alone, summed over all sequences.

    Notes
    -----
    Positions are boundaries between samples of the profile with ``pad`` samples added at each end.
    """

    pad: int
    durations: NDArray[np.int64]
    log_year: FloatArray
    first: FloatArray
    last: FloatArray
    forward: FloatArray
    backward: FloatArray
    log_evidence: float

    def depths_mm(self, series: Series, path: NDArray[np.int64]) -> FloatArray:
        """Depths in mm of those boundaries of a sequence that lie on the track; a boundary lies between two samples."""
        inside = path[(path > self.pad) & (path < self.pad + series.n)]
        return np.asarray(series.start_mm + (inside - self.pad - 0.5) * series.step_mm)


def _durations(series: Series, model: YearModel) -> NDArray[np.int64]:
    """Lengths of a year to consider, in samples."""
    mean = model.spacing_mm / series.step_mm
    reach = min(max(3.2 * model.spacing_log_sd, 0.5), -np.log(SHORTEST_YEAR))
    least = max(int(mean * np.exp(-reach)), 3)
    most = max(int(np.ceil(mean * min(np.exp(reach), LONGEST_YEAR))), least + 1)
    if series.step_mm * SAMPLES_PER_YEAR < model.spacing_mm * 0.99 or most - least < N_DURATIONS:
        return np.unique(np.rint(np.geomspace(least, most, N_DURATIONS)).astype(np.int64))
    return np.arange(least, most + 1)


def _log_duration(series: Series, model: YearModel, durations: NDArray[np.int64]) -> FloatArray:
    """Log probability of each duration."""
    z = (np.log(durations * series.step_mm / model.spacing_mm)) / model.spacing_log_sd
    log_p = -0.5 * z**2 - np.log(durations)
    return np.asarray(log_p - np.logaddexp.reduce(log_p))


def _year_likelihood(
    y: FloatArray, w: FloatArray, model: YearModel, durations: NDArray[np.int64], share: float
) -> FloatArray:
    """Log likelihood, over noise alone, of a year from boundary s with each duration, shape (n_durations, n + 1).

    Level and amplitude are integrated out. Neighbouring samples share their noise: each
    counts for ``share`` of one.
    """
    n = len(y)
    precision = share / model.noise_sd**2
    wy = w * y
    sum_w, sum_y = (np.concatenate([[0.0], np.cumsum(v)]) for v in (w, wy))
    out = np.full((len(durations), n + 1), -np.inf)
    p_level, p_amp = 1.0 / model.level_sd**2, 1.0 / model.amplitude_sd**2
    for k, length in enumerate(durations):
        f = model.shape((np.arange(length) + 0.5) / length)
        m = n - length + 1
        s_f, s_ff, s_fy = np.correlate(w, f, "valid"), np.correlate(w, f * f, "valid"), np.correlate(wy, f, "valid")
        a11, a22 = (sum_w[length:] - sum_w[:m]) * precision + p_level, s_ff * precision + p_amp
        r1, r2 = (sum_y[length:] - sum_y[:m]) * precision, s_fy * precision + p_amp
        a12 = s_f * precision
        det = a11 * a22 - a12 * a12
        quad = (a22 * r1 * r1 - 2 * a12 * r1 * r2 + a11 * r2 * r2) / det
        out[k, :m] = 0.5 * (quad - p_amp + np.log(p_level * p_amp / det))
    return out


def log_evidence(series: Series, model: YearModel, outer_part_yr: float | None) -> float:
    """Log likelihood of the profile, over noise alone, summed over all sequences of years: forwards only.

    Parameters
    ----------
    series : Series
        The profile made ready.
    model : YearModel
        What a year looks like.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface; any part where not known.

    Returns
    -------
    float
        Natural logarithm.
    """
    durations, _, log_year = _years(series, model)
    first, last = _ends(series, model, outer_part_yr, int(durations[-1]))
    return float(np.logaddexp.reduce(_sweep(first, _ending(log_year, durations), durations) + last))


def make_lattice(series: Series, model: YearModel, outer_part_yr: float | None) -> Lattice:
    """Sum over all sequences of years at once, forwards and backwards, in logarithms.

    Parameters
    ----------
    series : Series
        The profile made ready.
    model : YearModel
        What a year looks like.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface; any part where not known.

    Returns
    -------
    Lattice
        Likelihoods and sums.
    """
    durations, pad, log_year = _years(series, model)
    first, last = _ends(series, model, outer_part_yr, pad)
    forward = _sweep(first, _ending(log_year, durations), durations)
    backward = _sweep(last[::-1], log_year.T[::-1], durations)[::-1]
    return Lattice(
        pad=pad,
        durations=durations,
        log_year=log_year,
        first=first,
        last=last,
        forward=forward,
        backward=backward,
        log_evidence=float(np.logaddexp.reduce(forward + last)),
    )


def _years(series: Series, model: YearModel) -> tuple[NDArray[np.int64], int, FloatArray]:
    """Durations, the padding, and the log likelihood of every year, with its duration's probability."""
    durations = _durations(series, model)
    pad = int(durations[-1])
    y, w = np.pad(series.value, pad), np.pad(series.weight, pad)
    share = min(series.step_mm / model.noise_mm, 1.0)
    log_year = _year_likelihood(y, w, model, durations, share) + _log_duration(series, model, durations)[:, None]
    if series.fixed_mm.size:
        log_year[_skips_fixed(series, model, durations, pad, log_year.shape[1])] -= SKIP_COST
    return durations, pad, log_year


def _skips_fixed(
    series: Series, model: YearModel, durations: NDArray[np.int64], pad: int, n_positions: int
) -> NDArray[np.bool_]:
    """Whether a year of each length from each position leaves out a mark that is certain."""
    at = (series.fixed_mm - series.start_mm) / series.step_mm + pad + 0.5
    # The last cell may end short of the track by less than a sample of the series.
    at = at[(at >= pad) & (at <= pad + series.n + 1)]
    reach = max(FIXED_WITHIN_YR * model.spacing_mm / series.step_mm, 1.0)
    # A boundary outside the track is no mark, however near.
    nearest, furthest = np.maximum(at - reach, pad + 1), np.minimum(at + reach, pad + series.n - 1)
    starts = np.arange(n_positions)
    after = np.searchsorted(nearest, starts, side="right")
    return np.asarray(starts[None, :] + durations[:, None] > np.append(furthest, np.inf)[None, after])


def _ending(log_year: FloatArray, durations: NDArray[np.int64]) -> FloatArray:
    """Log likelihood of the years that end at each position, shape (n_positions, n_durations)."""
    starts = np.arange(log_year.shape[1])[:, None] - durations[None, :]
    return np.where(starts >= 0, log_year[np.arange(len(durations))[None, :], np.maximum(starts, 0)], -np.inf)


def _ends(series: Series, model: YearModel, outer_part_yr: float | None, pad: int) -> tuple[FloatArray, FloatArray]:
    """Log weight of the last boundary outside the surface and of the first one beyond the track's end."""
    n = series.n + 2 * pad
    first, last = np.full(n + 1, -np.inf), np.full(n + 1, -np.inf)
    before = np.arange(0, pad + 1)
    if outer_part_yr is None:
        first[before] = -np.log(len(before))
    else:
        expected = pad - (1.0 - outer_part_yr) * model.spacing_mm / series.step_mm
        sd = 0.3 * model.spacing_mm / series.step_mm
        log_p = -0.5 * ((before - expected) / sd) ** 2
        first[before] = log_p - np.logaddexp.reduce(log_p)
    last[pad + series.n :] = 0.0
    return first, last


def _sweep(source: FloatArray, arriving: FloatArray, durations: NDArray[np.int64]) -> FloatArray:
    """Log sum over all sequences that reach each boundary.

    No year is shorter than the shortest duration, so that many boundaries can be
    summed at once: none of them reaches another.
    """
    n, block = len(source), int(durations[0])
    total = np.concatenate([np.full(int(durations[-1]), -np.inf), source])
    shift = int(durations[-1])
    for t in range(0, n, block):
        rows = np.arange(t, min(t + block, n))
        terms = total[rows[:, None] + shift - durations[None, :]] + arriving[rows]
        top = terms.max(axis=1)
        safe = np.where(np.isfinite(top), top, 0.0)
        with np.errstate(divide="ignore"):
            here = safe + np.log(np.exp(terms - safe[:, None]).sum(axis=1))
        total[rows + shift] = np.logaddexp(total[rows + shift], here)
    return total[shift:]


def posterior_of(lattice: Lattice) -> FloatArray:
    """Probability of a boundary at each position.

    Parameters
    ----------
    lattice : Lattice
        Sums over all sequences.

    Returns
    -------
    ndarray, shape (n_positions,)
        Probabilities, 0 to 1.
    """
    with np.errstate(invalid="ignore"):
        log_p = lattice.forward + lattice.backward - lattice.log_evidence
    return _probability(log_p)


def expected_years(lattice: Lattice) -> FloatArray:
    """Probability of a year from each position with each duration.

    Parameters
    ----------
    lattice : Lattice
        Sums over all sequences.

    Returns
    -------
    ndarray, shape (n_durations, n_positions)
        Probabilities, 0 to 1.
    """
    n = lattice.log_year.shape[1]
    ends = np.arange(n)[None, :] + lattice.durations[:, None]
    after = np.where(ends < n, lattice.backward[np.minimum(ends, n - 1)], -np.inf)
    with np.errstate(invalid="ignore"):
        log_p = lattice.forward[None, :] + lattice.log_year + after - lattice.log_evidence
    return _probability(log_p)


def _probability(log_p: FloatArray) -> FloatArray:
    """Probability from its logarithm, 1 at most; 0 where no sequence leads there."""
    return np.asarray(np.exp(np.where(np.isfinite(log_p), np.minimum(log_p, 0.0), -np.inf)))


def best_sequence(lattice: Lattice) -> NDArray[np.int64]:
    """Find the most probable sequence of years (Viterbi).

    Parameters
    ----------
    lattice : Lattice
        Likelihoods of years.

    Returns
    -------
    ndarray of int, shape (n_boundaries,)
        Positions of its boundaries from the surface inwards.
    """
    n = len(lattice.first)
    best = lattice.first.copy()
    back = np.full(n, -1, dtype=np.int64)
    columns = np.arange(len(lattice.durations))
    for t in range(n):
        use = lattice.durations <= t
        starts = t - lattice.durations[use]
        terms = best[starts] + lattice.log_year[columns[use], starts]
        if len(terms) and (top := terms.max()) > best[t]:
            best[t] = top
            back[t] = starts[int(np.argmax(terms))]
    t = int(np.argmax(best + lattice.last))
    path = [t]
    while back[t] >= 0:
        t = int(back[t])
        path.append(t)
    return np.array(path[::-1])


def draw_sequences(lattice: Lattice, n_draws: int, seed: int) -> list[NDArray[np.int64]]:
    """Draw whole sequences of years by their probability, from the inner end outwards.

    Parameters
    ----------
    lattice : Lattice
        Sums over all sequences.
    n_draws : int
        Number of sequences.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    list of ndarray of int
        Positions of the boundaries of each sequence from the surface inwards.
    """
    rng = np.random.default_rng(seed)
    end_weight = lattice.forward + lattice.last
    p = np.exp(end_weight - end_weight.max())
    at = rng.choice(len(p), size=n_draws, p=p / p.sum())
    columns = np.arange(len(lattice.durations))
    paths = [at]
    active = np.ones(n_draws, dtype=bool)
    while active.any():
        starts = at[:, None] - lattice.durations[None, :]
        ok = starts >= 0
        log_p = np.where(
            ok,
            lattice.forward[np.maximum(starts, 0)] + lattice.log_year[columns[None, :], np.maximum(starts, 0)],
            -np.inf,
        )
        log_p = np.concatenate([log_p, lattice.first[at][:, None]], axis=1)
        with np.errstate(invalid="ignore"):
            cum = np.cumsum(np.exp(log_p - log_p.max(axis=1, keepdims=True)), axis=1)
        pick = (rng.random(n_draws)[:, None] * cum[:, -1:] > cum).sum(axis=1)
        stop = pick == len(lattice.durations)
        active &= ~stop
        at = np.where(active, at - lattice.durations[np.minimum(pick, len(columns) - 1)], at)
        paths.append(np.where(active, at, -1))
    table = np.stack(paths)
    return [np.sort(column[column >= 0]) for column in table.T]
