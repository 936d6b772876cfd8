"""Annual marks on a profile, each with its probability and interval.

A year is modelled as a stretch of the profile with a duration, a shape over its
phase, an amplitude and a level of its own, plus noise: a hidden semi-Markov model
whose boundaries are the annual marks. The mean duration, its spread, the annual
shape and the noise are learnt from the profile itself by expectation-maximisation;
candidate spacings are compared by their likelihood on the same data. The forward
and backward sums then give the probability of a mark at every depth, so that each
mark has an interval, and drawing whole sequences gives the distribution of the count.

Notes
-----
For a year between samples s and t with phase u in (0, 1) the profile is

    y(u) = b + a f(u) + noise,   b ~ N(0, level_sd^2),  a ~ N(1, amplitude_sd^2),

with f the annual shape (a few harmonics, highest at the mark). b and a are
integrated out in closed form, so that each (s, t) has a likelihood; the logarithm
of the duration is normal. Samples that are masked or missing have weight zero,
which also serves the part-years at both ends.

References
----------
Rabiner, L. R. (1989) A tutorial on hidden Markov models. Proc. IEEE 77, 257-286.
Yu, S.-Z. (2010) Hidden semi-Markov models. Artificial Intelligence 174, 215-243.
Winstrup, M. et al. (2012) An automated approach for annual layer counting in ice
cores. Climate of the Past 8, 1881-1895.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

N_HARMONICS = 3
# Shortest and longest year as a multiple of the mean one.
SHORTEST_YEAR, LONGEST_YEAR = 0.3, 2.4
# Least and most spacing ever considered, in mm: finger-thin massive corals to fast branches.
LEAST_SPACING_MM, MOST_SPACING_MM = 2.0, 40.0
# Spacings whose models are learnt, out of all that are tried.
N_LEARNT = 6
# Correlation length of the texture while spacings are compared: about one corallite. It is
# the same for all of them, or a wrong spacing would excuse its misfit as smooth noise.
NOISE_MM = 0.7
# The noise is taken to be independent at least this often, as a fraction of a year.
MOST_NOISE_YR = 0.08
# Smoothing before the top of a band is looked for, as a fraction of a year.
PEAK_SMOOTHING_YR = 0.03
# Two looks share the level changes within a year, which their difference does not show; the factor was
# found on simulated slabs apart from those that coverage is judged on.
SHARED_ERROR_FACTOR = 1.5
# What the bands that were followed may miss the track by.
FOLLOWING_SD_MM = 0.05
# While spacings are compared, durations stand in equal ratios; this many cover the range.
N_DURATIONS = 28


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YearModel:
    """What a year on this track looks like.

    Parameters
    ----------
    spacing_mm : float
        Geometric mean of the years' lengths.
    spacing_log_sd : float
        Standard deviation of the logarithm of the years' lengths.
    harmonics : ndarray, shape (2, n_harmonics)
        Cosine and sine weights of the annual shape over phase 0 to 1; the shape is
        highest at phase 0, in units of the profile.
    amplitude_sd : float
        Standard deviation of a year's amplitude about 1.
    level_sd : float
        Standard deviation of a year's level, in units of the profile.
    noise_sd : float
        Standard deviation of the noise, in units of the profile.
    noise_mm : float
        Length over which the noise is correlated, in mm.
    """

    spacing_mm: float
    spacing_log_sd: float
    harmonics: FloatArray
    amplitude_sd: float
    level_sd: float
    noise_sd: float
    noise_mm: float

    def shape(self, phase: FloatArray) -> FloatArray:
        """Annual shape at the given phases, in units of the profile."""
        k = np.arange(1, self.harmonics.shape[1] + 1)
        angle = 2 * np.pi * np.asarray(phase)[..., None] * k
        return np.asarray(np.cos(angle) @ self.harmonics[0] + np.sin(angle) @ self.harmonics[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnnualMarks:
    """Annual marks on one track, from the surface inwards.

    Parameters
    ----------
    depth_mm, lo_mm, hi_mm : ndarray, shape (n_marks,)
        Depth of each mark and its 90 % interval, in mm.
    sd_mm : ndarray, shape (n_marks,)
        Standard deviation of its depth, in mm.
    probability : ndarray, shape (n_marks,)
        Probability that there is an annual mark there (within 0.3 of a year).
    count_lo, count_hi : int
        90 % interval of the number of marks.
    count_lo_at, count_hi_at : ndarray, shape (n_marks,)
        90 % interval of the number of marks down to each mark, itself included.
    draws_mm : list of ndarray
        Sequences of mark depths, equally defensible.
    model : YearModel
        The year that was learnt.
    cycle_snr : float
        Amplitude of the annual cycle over the noise.
    log_odds_cycle : float
        Log likelihood of the annual model over one without years, per year of length.
    agreement : float
        Correlation, over periods of a year, of two looks at the bands through different corallites;
        NaN where the strip could not be split.
    rival_spacing_mm : float
        Second best spacing, in mm; NaN where none comes near.
    rival_probability : float
        Probability of that rival.
    """

    depth_mm: FloatArray
    lo_mm: FloatArray
    hi_mm: FloatArray
    sd_mm: FloatArray
    probability: FloatArray
    count_lo: int
    count_hi: int
    count_lo_at: FloatArray
    count_hi_at: FloatArray
    draws_mm: list[FloatArray]
    model: YearModel
    cycle_snr: float
    log_odds_cycle: float
    rival_spacing_mm: float
    rival_probability: float
    agreement: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Series:
    """The profile made ready: equal steps, level about zero, weights from 0 to 1."""

    y: FloatArray
    weight: FloatArray
    step_mm: float
    start_mm: float

    @property
    def n(self) -> int:
        """Number of samples."""
        return len(self.y)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lattice:
    """Likelihood of every possible year, and the sums over all sequences of years.

    Positions are boundaries between samples; ``pad`` of them lie outside the track at each end.
    """

    pad: int
    durations: NDArray[np.int64]
    log_year: FloatArray
    first: FloatArray
    last: FloatArray
    forward: FloatArray
    backward: FloatArray
    log_evidence: float


def find_marks(value: FloatArray, depth_mm: FloatArray, *, dense_side: int = 1, known_frac: FloatArray | None = None,
               halves: FloatArray | None = None, spacing_mm: float | None = None, outer_part_yr: float | None = None, n_draws: int = 500,
               seed: int = 0) -> AnnualMarks:
    """Find the annual marks on a profile.

    Parameters
    ----------
    value : ndarray, shape (n_depth,)
        Profile in any unit; NaN where unknown.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the outer surface, in mm, equally spaced, increasing.
    dense_side : {1, -1}
        1 when the mark is a maximum of the profile, -1 when it is a minimum.
    known_frac : ndarray, shape (n_depth,), optional
        Share of the strip's width that was known, 0 to 1; weighs the samples.
    halves : ndarray, shape (2, n_depth), optional
        Two looks at the same bands through different corallites (`bandkit.follow.two_looks`): whether
        they agree tells bands from texture, and how far their peaks disagree how well a mark is placed.
    spacing_mm : float, optional
        Expected length of a year, in mm; learnt from the profile where absent.
    outer_part_yr : float, optional
        Part of a year between the newest mark and the surface, from the dates.
    n_draws : int
        Number of sequences to draw.
    seed : int
        Seed of the draws.

    Returns
    -------
    AnnualMarks
        The most probable sequence with probabilities and intervals; no marks where
        the track is shorter than a year and a half of the least spacing.
    """
    coarse = _prepare(dense_side * value, depth_mm, known_frac, step_mm=_coarse_step(depth_mm))
    fits = _compare_spacings(coarse, spacing_mm, outer_part_yr)
    best = fits[0][0]
    fine = _prepare(dense_side * value, depth_mm, known_frac, step_mm=_fine_step(depth_mm, best.spacing_mm))
    model = _learn(fine, best, outer_part_yr, n_rounds=3, n_harmonics=N_HARMONICS)
    lattice = _lattice(fine, model, outer_part_yr)
    marks = _summarise(fine, model, lattice, _rival(fits), n_draws=n_draws, seed=seed)
    looks = [dense_side * half for half in halves] if halves is not None else []
    return _place_on_peaks(marks, dense_side * value, looks, depth_mm)


def _compare_spacings(series: _Series, spacing_mm: float | None, outer_part_yr: float | None
                      ) -> list[tuple[YearModel, float]]:
    """Models learnt from the most likely starting spacings with their scores, best first."""
    if spacing_mm is not None:
        model = _learn(series, _first_guess(series, spacing_mm), outer_part_yr, n_rounds=4, n_harmonics=2)
        return [(model, 0.0)]
    guesses = [_first_guess(series, mu) for mu in _candidates(series)]
    first = np.array([_score(series, guess, outer_part_yr) for guess in guesses])
    fits = []
    for i in np.argsort(first)[::-1][:N_LEARNT]:
        model = _learn(series, guesses[i], outer_part_yr, n_rounds=4, n_harmonics=2, learn_noise_length=False)
        fits.append((model, _score(series, model, outer_part_yr)))
    return sorted(fits, key=lambda fit: -fit[1])


def _score(series: _Series, model: YearModel, outer_part_yr: float | None) -> float:
    """Log likelihood of the whole profile under a model, with the weak prior on its spacing."""
    return _lattice(series, model, outer_part_yr).log_evidence + _log_noise(series, model) + _log_prior(model)


def _log_noise(series: _Series, model: YearModel) -> float:
    """Log likelihood of the profile as noise alone: what the years' likelihoods are relative to."""
    share = min(series.step_mm / model.noise_mm, 1.0)
    squares = float((series.weight * series.y**2).sum()) / model.noise_sd**2
    return -0.5 * share * (float(series.weight.sum()) * np.log(2 * np.pi * model.noise_sd**2) + squares)


def _coarse_step(depth_mm: FloatArray) -> float:
    """Step for comparing spacings: never finer than the data."""
    return max(0.25, float(depth_mm[1] - depth_mm[0]))


def _fine_step(depth_mm: FloatArray, spacing_mm: float) -> float:
    """Step for placing marks: forty samples a year, never finer than the data."""
    return max(spacing_mm / 40.0, float(depth_mm[1] - depth_mm[0]))


def _prepare(value: FloatArray, depth_mm: FloatArray, known_frac: FloatArray | None, *, step_mm: float) -> _Series:
    """Average onto equal steps, take out the slow trend."""
    from scipy.ndimage import gaussian_filter1d

    weight = np.isfinite(value).astype(float)
    if known_frac is not None:
        weight = weight * np.clip(known_frac, 0.0, 1.0)
    start, end = float(depth_mm[0]), float(depth_mm[-1])
    n = max(int((end - start) / step_mm), 1)
    cell = np.minimum(((depth_mm - start) / step_mm).astype(int), n - 1)
    total = np.bincount(cell, weight, minlength=n)
    y = np.bincount(cell, np.where(weight > 0, value, 0.0) * weight, minlength=n) / np.maximum(total, 1e-9)
    w = total / max(float(np.bincount(cell, minlength=n).max()), 1.0)
    w[w < 0.05] = 0.0
    sd = 30.0 / step_mm
    slow = gaussian_filter1d(y * w, sd, mode="nearest") / np.maximum(gaussian_filter1d(w, sd, mode="nearest"), 1e-9)
    y = np.where(w > 0, y - slow, 0.0)
    scale = float(np.sqrt(np.average(y**2, weights=np.maximum(w, 1e-9)))) or 1.0
    return _Series(y=y / scale, weight=w, step_mm=step_mm, start_mm=start + step_mm / 2)


def _candidates(series: _Series) -> FloatArray:
    """Spacings worth learning from: a grid in equal ratios over all that fits on the track."""
    most = min(MOST_SPACING_MM, series.n * series.step_mm / 1.5)
    least = max(LEAST_SPACING_MM, 6 * series.step_mm)
    n = max(int(np.log(max(most / least, 1.01)) / np.log(1.22)) + 1, 2)
    return np.geomspace(least, max(most, least * 1.01), n)


def _first_guess(series: _Series, spacing_mm: float) -> YearModel:
    """A cosine of the size that the profile has at this spacing."""
    harmonics = np.zeros((2, 2))
    harmonics[0, 0] = 0.8
    return YearModel(spacing_mm=spacing_mm, spacing_log_sd=0.25, harmonics=harmonics, amplitude_sd=0.4,
                     level_sd=0.5, noise_sd=0.7, noise_mm=max(NOISE_MM, series.step_mm))


def _log_prior(model: YearModel) -> float:
    """Weak opinion on the spacing: about 1 cm a year, within a factor of 2.2 either way (common practice)."""
    return float(-0.5 * (np.log(model.spacing_mm / 9.0) / np.log(2.2)) ** 2)


def _learn(series: _Series, model: YearModel, outer_part_yr: float | None, *, n_rounds: int, n_harmonics: int,
           learn_noise_length: bool = True) -> YearModel:
    """Expectation-maximisation from a first model."""
    model = replace(model, harmonics=_resize(model.harmonics, n_harmonics))
    for _ in range(n_rounds):
        learnt = _maximise(series, model, _lattice(series, model, outer_part_yr))
        model = learnt if learn_noise_length else replace(learnt, noise_mm=model.noise_mm)
    return model


def _resize(harmonics: FloatArray, n: int) -> FloatArray:
    """Keep or add harmonics."""
    out = np.zeros((2, n))
    k = min(n, harmonics.shape[1])
    out[:, :k] = harmonics[:, :k]
    return out


def _durations(series: _Series, model: YearModel) -> NDArray[np.int64]:
    """Lengths of a year to consider, in samples."""
    mean = model.spacing_mm / series.step_mm
    reach = min(max(3.2 * model.spacing_log_sd, 0.5), -np.log(SHORTEST_YEAR))
    least = max(int(mean * np.exp(-reach)), 3)
    most = max(int(np.ceil(mean * min(np.exp(reach), LONGEST_YEAR))), least + 1)
    if series.step_mm * 40.0 < model.spacing_mm * 0.99 or most - least < N_DURATIONS:
        return np.unique(np.rint(np.geomspace(least, most, N_DURATIONS)).astype(np.int64))
    return np.arange(least, most + 1)


def _log_duration(series: _Series, model: YearModel, durations: NDArray[np.int64]) -> FloatArray:
    """Log probability of each duration."""
    z = (np.log(durations * series.step_mm / model.spacing_mm)) / model.spacing_log_sd
    log_p = -0.5 * z**2 - np.log(durations)
    return np.asarray(log_p - np.logaddexp.reduce(log_p))


def _year_likelihood(y: FloatArray, w: FloatArray, model: YearModel, durations: NDArray[np.int64],
                     share: float) -> FloatArray:
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


def _lattice(series: _Series, model: YearModel, outer_part_yr: float | None) -> _Lattice:
    """All sequences of years at once: forward and backward sums in logarithms."""
    durations = _durations(series, model)
    pad = int(durations[-1])
    y, w = np.pad(series.y, pad), np.pad(series.weight, pad)
    share = min(series.step_mm / model.noise_mm, 1.0)
    log_year = _year_likelihood(y, w, model, durations, share) + _log_duration(series, model, durations)[:, None]
    first, last = _ends(series, model, outer_part_yr, pad)
    # Row t of `ending` holds the years that end at t: they start at t - duration.
    n = len(y)
    starts = np.arange(n + 1)[:, None] - durations[None, :]
    ending = np.where(starts >= 0, log_year[np.arange(len(durations))[None, :], np.maximum(starts, 0)], -np.inf)
    forward = _sweep(first, ending, durations)
    backward = _sweep(last[::-1], log_year.T[::-1], durations)[::-1]
    return _Lattice(pad=pad, durations=durations, log_year=log_year, first=first, last=last, forward=forward,
                    backward=backward, log_evidence=float(np.logaddexp.reduce(forward + last)))


def _ends(series: _Series, model: YearModel, outer_part_yr: float | None, pad: int) -> tuple[FloatArray, FloatArray]:
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
    last[pad + series.n:] = 0.0
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


def _posterior(lattice: _Lattice) -> FloatArray:
    """Probability of a boundary at each padded position."""
    with np.errstate(invalid="ignore"):
        log_p = lattice.forward + lattice.backward - lattice.log_evidence
    return np.exp(np.where(np.isfinite(log_p), np.minimum(log_p, 0.0), -np.inf))


def _maximise(series: _Series, model: YearModel, lattice: _Lattice) -> YearModel:
    """Learn spacing, shape, level, amplitude and noise from the expected years."""
    expected = _expected_years(lattice)
    k, s = np.nonzero(expected > 1e-3)
    p = expected[k, s]
    if p.sum() < 1.0:
        return model
    length = lattice.durations[k]
    whole = (s >= lattice.pad) & (s + length <= lattice.pad + series.n)
    q = p * whole
    log_length = np.log(length * series.step_mm)
    # Three pseudo-years at the present values keep a short track from collapsing onto itself.
    mean = (3 * np.log(model.spacing_mm) + q @ log_length) / (3 + q.sum())
    var = (3 * 0.22**2 + q @ (log_length - mean) ** 2) / (3 + q.sum())
    harmonics, level_sd, amplitude_sd, noise_sd, noise_mm = _regress_shape(series, model, s - lattice.pad, length, p)
    return YearModel(spacing_mm=float(np.exp(mean)), spacing_log_sd=float(np.clip(np.sqrt(var), 0.06, 0.5)),
                     harmonics=harmonics, amplitude_sd=amplitude_sd, level_sd=level_sd, noise_sd=noise_sd,
                     noise_mm=noise_mm)


def _expected_years(lattice: _Lattice) -> FloatArray:
    """Probability of a year from each start with each duration, shape (n_durations, n_padded + 1)."""
    n = lattice.log_year.shape[1]
    ends = np.arange(n)[None, :] + lattice.durations[:, None]
    after = np.where(ends < n, lattice.backward[np.minimum(ends, n - 1)], -np.inf)
    with np.errstate(invalid="ignore"):
        log_p = lattice.forward[None, :] + lattice.log_year + after - lattice.log_evidence
    return np.exp(np.where(np.isfinite(log_p), np.minimum(log_p, 0.0), -np.inf))


def _regress_shape(series: _Series, model: YearModel, start: NDArray[np.int64], length: NDArray[np.int64],
                   p: FloatArray) -> tuple[FloatArray, float, float, float, float]:
    """Weighted regression of all years on harmonics, level by level."""
    n_phase, n_h = 32, model.harmonics.shape[1]
    phase = (np.arange(n_phase) + 0.5) / n_phase
    at = start[:, None] + phase[None, :] * length[:, None] - 0.5
    index = np.arange(series.n)
    y = np.interp(at, index, series.y)
    w = np.interp(at, index, series.weight, left=0.0, right=0.0)
    f = model.shape(phase)
    level, amplitude = _year_effects(y, w, f, model, length, series)
    k = np.arange(1, n_h + 1)
    basis = np.concatenate([np.cos(2 * np.pi * phase[:, None] * k), np.sin(2 * np.pi * phase[:, None] * k)], axis=1)
    weight = w * p[:, None]
    target = (y - level[:, None]) * amplitude[:, None]
    gram = (basis.T * (weight * amplitude[:, None] ** 2).sum(axis=0)) @ basis
    right = basis.T @ (weight * target).sum(axis=0)
    ridge = np.tile(1.0 + 0.5 * (k - 1.0), 2) * 0.02 * np.trace(gram) / len(gram)
    harmonics = _tame(np.linalg.solve(gram + np.diag(ridge), right).reshape(2, n_h))
    fitted = replace(model, harmonics=harmonics).shape(phase)
    residual = (y - level[:, None] - amplitude[:, None] * fitted[None, :]) * (w > 0)
    total = float(weight.sum())
    noise_sd = float(np.sqrt((weight * residual**2).sum() / max(total, 1e-9)))
    # Misfit of the annual shape is smooth too; it must not pass for noise that explains whole years.
    noise_mm = min(_noise_length(residual, weight, length, series.step_mm), MOST_NOISE_YR * model.spacing_mm)
    full = p * w.mean(axis=1)
    level_sd = float(np.sqrt((full @ level**2 + 1.0 * 0.3**2) / (full.sum() + 1.0)))
    amplitude_sd = float(np.sqrt((full @ (amplitude - 1.0) ** 2 + 2.0 * 0.35**2) / (full.sum() + 2.0)))
    return harmonics, max(level_sd, 0.1), float(np.clip(amplitude_sd, 0.15, 0.5)), max(noise_sd, 0.15), noise_mm


def _year_effects(y: FloatArray, w: FloatArray, f: FloatArray, model: YearModel, length: NDArray[np.int64],
                  series: _Series) -> tuple[FloatArray, FloatArray]:
    """Most probable level and amplitude of each year."""
    per_sample = (length * series.step_mm / model.noise_mm / y.shape[1] / model.noise_sd**2)[:, None]
    w = w * np.minimum(per_sample, (length / y.shape[1])[:, None] / model.noise_sd**2)
    a11 = w.sum(axis=1) + 1 / model.level_sd**2
    a12, a22 = w @ f, w @ (f * f) + 1 / model.amplitude_sd**2
    r1, r2 = (w * y).sum(axis=1), (w * y) @ f + 1 / model.amplitude_sd**2
    det = a11 * a22 - a12**2
    return (a22 * r1 - a12 * r2) / det, np.maximum((a11 * r2 - a12 * r1) / det, 0.1)


def _tame(harmonics: FloatArray) -> FloatArray:
    """Keep the yearly harmonic the strongest, and turn the shape so that it is highest at phase 0."""
    size = np.hypot(*harmonics)
    higher = float(np.sqrt((size[1:] ** 2).sum()))
    if higher > size[0] > 0:
        harmonics = np.concatenate([harmonics[:, :1], harmonics[:, 1:] * (size[0] / higher)], axis=1)
    phase = np.linspace(0, 1, 256, endpoint=False)
    k = np.arange(1, harmonics.shape[1] + 1)
    angle = 2 * np.pi * phase[:, None] * k
    top = phase[int(np.argmax(np.cos(angle) @ harmonics[0] + np.sin(angle) @ harmonics[1]))]
    turn = 2 * np.pi * k * top
    cos, sin = harmonics
    return np.stack([cos * np.cos(turn) + sin * np.sin(turn), sin * np.cos(turn) - cos * np.sin(turn)])


def _noise_length(residual: FloatArray, weight: FloatArray, length: NDArray[np.int64], step_mm: float) -> float:
    """Correlation length of the noise in mm from neighbouring residuals (first-order autoregression)."""
    gap_mm = float(np.average(length, weights=weight.sum(axis=1) + 1e-12)) * step_mm / residual.shape[1]
    pair = np.minimum(weight[:, 1:], weight[:, :-1])
    top = float((pair * residual[:, 1:] * residual[:, :-1]).sum())
    bottom = float((pair * 0.5 * (residual[:, 1:] ** 2 + residual[:, :-1] ** 2)).sum())
    r = float(np.clip(top / max(bottom, 1e-12), 0.0, 0.97))
    return max(gap_mm * (1 + r) / (1 - r), step_mm)


def _rival(fits: list[tuple[YearModel, float]]) -> tuple[float, float]:
    """The best other spacing, more than 20 % away, and its probability against the best."""
    best, top = fits[0]
    for model, score in fits[1:]:
        if abs(np.log(model.spacing_mm / best.spacing_mm)) > 0.2:
            odds = float(np.exp(score - top))
            return (model.spacing_mm, odds / (1 + odds)) if odds > 0.01 else (float("nan"), 0.0)
    return float("nan"), 0.0


def _best_sequence(lattice: _Lattice) -> NDArray[np.int64]:
    """Boundaries of the most probable sequence (Viterbi), in padded positions."""
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


def _draw_sequences(lattice: _Lattice, n_draws: int, seed: int) -> list[NDArray[np.int64]]:
    """Whole sequences of boundaries with their probability, drawn from the inner end outwards."""
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
        log_p = np.where(ok, lattice.forward[np.maximum(starts, 0)] +
                         lattice.log_year[columns[None, :], np.maximum(starts, 0)], -np.inf)
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


def _summarise(series: _Series, model: YearModel, lattice: _Lattice, rival: tuple[float, float], *, n_draws: int,
               seed: int) -> AnnualMarks:
    """Marks with probability and interval, the count and its interval."""
    path = _best_sequence(lattice)
    pad, end = lattice.pad, lattice.pad + series.n
    inside = path[(path > pad) & (path < end)]
    posterior = _posterior(lattice)
    draws = [d[(d > pad) & (d < end)] for d in _draw_sequences(lattice, n_draws, seed)]
    place = [_place(series, model, lattice.pad, posterior, inside, i) for i in range(len(inside))]
    depth, lo, hi, sd, probability = (np.array(v, dtype=float) for v in
                                      (zip(*place, strict=True) if place else ([],) * 5))
    counts = np.array([len(d) for d in draws])
    lo_at, hi_at = _running_count(draws, inside, model.spacing_mm / series.step_mm)
    amplitude = float(np.ptp(model.shape(np.linspace(0, 1, 64)))) / 2
    return AnnualMarks(
        depth_mm=depth, lo_mm=lo, hi_mm=hi, sd_mm=sd, probability=probability,
        count_lo=int(np.quantile(counts, 0.05, method="inverted_cdf")),
        count_hi=int(np.quantile(counts, 0.95, method="inverted_cdf")),
        count_lo_at=lo_at, count_hi_at=hi_at, draws_mm=[_to_mm(series, pad, d) for d in draws], model=model,
        cycle_snr=amplitude / model.noise_sd, log_odds_cycle=_cycle_log_odds(series, model, lattice),
        rival_spacing_mm=rival[0], rival_probability=rival[1])


def _to_mm(series: _Series, pad: int, at: NDArray[np.generic] | float) -> FloatArray:
    """Turn padded boundary positions into depth in mm: a boundary lies between two samples."""
    return np.asarray(series.start_mm + (np.asarray(at, float) - pad - 0.5) * series.step_mm)


def _place(series: _Series, model: YearModel, pad: int, posterior: FloatArray, path: NDArray[np.int64], i: int
           ) -> tuple[float, float, float, float, float]:
    """Depth, 90 % interval, standard deviation and probability of one mark."""
    at = int(path[i])
    gaps = [abs(int(path[j]) - at) for j in (i - 1, i + 1) if 0 <= j < len(path)]
    year = min(gaps) if gaps else model.spacing_mm / series.step_mm
    half = max(int(0.5 * year), 1)
    near = max(int(round(0.3 * year)), 1)
    lo, hi = max(at - half, 0), min(at + half + 1, len(posterior))
    p = posterior[lo:hi]
    where = np.arange(lo, hi)
    probability = float(np.clip(posterior[max(at - near, 0):at + near + 1].sum(), 0.0, 1.0))
    p = p / max(float(p.sum()), 1e-12)
    cum = np.cumsum(p)
    mean = float((where * p).sum())
    # A boundary is known to one step at best; the interval includes that.
    sd = float(np.sqrt(((where - mean) ** 2 * p).sum() + 1.0 / 12.0)) * series.step_mm
    low = float(np.interp(0.05, cum, where)) - 0.5
    high = float(np.interp(0.95, cum, where)) + 0.5
    median = float(np.interp(0.5, cum - 0.5 * p, where))
    depth, lo_mm, hi_mm = (float(_to_mm(series, pad, v)) for v in (median, low, high))
    return depth, lo_mm, hi_mm, sd, probability


def _place_on_peaks(marks: AnnualMarks, value: FloatArray, halves: list[FloatArray], depth_mm: FloatArray) -> AnnualMarks:
    """Move each mark to the top of its own band, and widen its interval by how far the halves of the strip disagree.

    The model knows which band is a year; where that band is densest, the profile itself knows best.
    """
    if len(marks.depth_mm) == 0:
        return marks
    year = marks.model.spacing_mm
    top = _peaks(value, depth_mm, marks.depth_mm, year)
    order = np.maximum.accumulate(top)
    top = np.where(order > top, marks.depth_mm, top)
    sd = marks.sd_mm
    if len(halves) == 2:
        left, right = (_peaks(half, depth_mm, top, year) for half in halves)
        sd = SHARED_ERROR_FACTOR * _disagreement(0.5 * (left - right), 0.01 * year)
        marks = replace(marks, agreement=_agreement(halves, depth_mm, year))
    sd = np.hypot(sd, FOLLOWING_SD_MM)
    lo, hi = (np.clip(top + z * sd, depth_mm[0], depth_mm[-1]) for z in (-1.645, 1.645))
    return replace(marks, depth_mm=top, sd_mm=sd, lo_mm=lo, hi_mm=hi)


def _agreement(looks: list[FloatArray], depth_mm: FloatArray, year_mm: float) -> float:
    """Correlation of two looks at the bands, without what is finer or slower than a year."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(looks[0]) & np.isfinite(looks[1])
    if known.sum() < 20:
        return float("nan")
    step = float(depth_mm[1] - depth_mm[0])
    filled = np.stack([np.interp(depth_mm, depth_mm[known], look[known]) for look in looks])
    yearly = (gaussian_filter1d(filled, 0.06 * year_mm / step, axis=1)
              - gaussian_filter1d(filled, 0.7 * year_mm / step, axis=1))
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
    """Standard deviation of each mark from half the difference of its peaks on both sides, pooled with its neighbours."""
    squares = np.minimum(difference, 3.0 * max(float(np.median(np.abs(difference))), floor)) ** 2
    squares = np.minimum(squares, difference**2)
    kernel = np.array([1.0, 2.0, 3.0, 2.0, 1.0])
    padded, ones = np.pad(squares, 2), np.pad(np.ones_like(squares), 2)
    local = np.convolve(padded, kernel, "valid") / np.convolve(ones, kernel, "valid")
    return np.sqrt(0.5 * local + 0.5 * float(np.mean(squares)) + floor**2)


def _running_count(draws: list[NDArray[np.int64]], inside: NDArray[np.int64], year: float
                   ) -> tuple[FloatArray, FloatArray]:
    """90 % interval of the number of marks down to each mark, itself included."""
    if len(inside) == 0:
        return np.empty(0), np.empty(0)
    counts = np.stack([np.searchsorted(d, inside + 0.5 * year, side="right") for d in draws])
    return (np.quantile(counts, 0.05, axis=0, method="inverted_cdf").astype(float),
            np.quantile(counts, 0.95, axis=0, method="inverted_cdf").astype(float))


def _cycle_log_odds(series: _Series, model: YearModel, lattice: _Lattice) -> float:
    """Log likelihood of the annual model over noise with the same level changes, per year."""
    from scipy.ndimage import gaussian_filter1d

    y, w = series.y, series.weight
    years = max(series.n * series.step_mm / model.spacing_mm, 1.0)
    share = min(series.step_mm / model.noise_mm, 1.0)
    sd = 0.5 * model.spacing_mm / series.step_mm
    slow = gaussian_filter1d(y * w, sd) / np.maximum(gaussian_filter1d(w, sd), 1e-9)
    rest = float((w * (y - slow) ** 2).sum())
    n_eff = share * float(w.sum())
    free = 0.5 * n_eff * (np.log(max(rest / max(float(w.sum()), 1e-9), 1e-12)) + 1.0)
    free += 0.5 * n_eff * np.log(2 * np.pi)
    return (lattice.log_evidence + _log_noise(series, model) + free) / years
