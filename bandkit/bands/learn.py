"""Learn what a year looks like from the profile itself (expectation-maximisation)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.lattice import Lattice, expected_years, make_lattice
from bandkit.bands.model import Series, YearModel

FloatArray = NDArray[np.float64]

# Correlation length of the texture where no two looks tell it: about one corallite.
NOISE_MM = 0.7
# The noise is taken to be independent at least this often, as a fraction of a year.
MOST_NOISE_YR = 0.08
# How far the spacing learnt may lie from the one that a person expects, as a factor.
MOST_DRIFT = 1.15


def first_guess(series: Series, spacing_mm: float, noise_mm: float = NOISE_MM) -> YearModel:
    """A cosine, where nothing but the spacing is supposed.

    Parameters
    ----------
    series : Series
        The profile made ready, in units of its own standard deviation.
    spacing_mm : float
        Length of a year.
    noise_mm : float, optional
        Length over which the noise is correlated, in mm.

    Returns
    -------
    YearModel
        Where learning begins.
    """
    harmonics = np.array([[0.8, 0.0], [0.0, 0.0]])
    return YearModel(
        spacing_mm=spacing_mm,
        spacing_log_sd=0.25,
        harmonics=harmonics,
        amplitude_sd=0.3,
        level_sd=0.3,
        noise_sd=0.8,
        noise_mm=max(noise_mm, series.step_mm),
    )


def learn(
    series: Series,
    model: YearModel,
    outer_part_yr: float | None,
    *,
    n_rounds: int,
    n_harmonics: int,
    learn_noise_length: bool = True,
    expected_mm: float | None = None,
) -> YearModel:
    """Learn by expectation-maximisation from a first model.

    Parameters
    ----------
    series : Series
        The profile made ready.
    model : YearModel
        Where learning begins.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface, from the dates.
    n_rounds : int
        Number of rounds.
    n_harmonics : int
        Harmonics of the annual shape.
    learn_noise_length : bool
        Whether the correlation length of the noise is learnt too, or kept.
    expected_mm : float, optional
        Length of a year that a person expects; the learnt one stays near it.

    Returns
    -------
    YearModel
        The model after the last round.
    """
    model = replace(model, harmonics=_resize(model.harmonics, n_harmonics))
    for _ in range(n_rounds):
        learnt = _maximise(series, model, make_lattice(series, model, outer_part_yr))
        model = learnt if learn_noise_length else replace(learnt, noise_mm=model.noise_mm)
        if expected_mm is not None:
            model = _held_near(model, expected_mm)
    return model


def _held_near(model: YearModel, expected_mm: float) -> YearModel:
    """The model with its spacing within `MOST_DRIFT` of what a person expects."""
    held = float(np.clip(model.spacing_mm, expected_mm / MOST_DRIFT, expected_mm * MOST_DRIFT))
    return replace(model, spacing_mm=held, spacing_log_sd=min(model.spacing_log_sd, MOST_DRIFT - 1.0))


def _resize(harmonics: FloatArray, n: int) -> FloatArray:
    """Keep or add harmonics."""
    out = np.zeros((2, n))
    k = min(n, harmonics.shape[1])
    out[:, :k] = harmonics[:, :k]
    return out


def _maximise(series: Series, model: YearModel, lattice: Lattice) -> YearModel:
    """Learn spacing, shape, level, amplitude and noise from the expected years."""
    expected = expected_years(lattice)
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
    return YearModel(
        spacing_mm=float(np.exp(mean)),
        spacing_log_sd=float(np.clip(np.sqrt(var), 0.06, 0.5)),
        harmonics=harmonics,
        amplitude_sd=amplitude_sd,
        level_sd=level_sd,
        noise_sd=noise_sd,
        noise_mm=noise_mm,
    )


def _regress_shape(
    series: Series, model: YearModel, start: NDArray[np.int64], length: NDArray[np.int64], p: FloatArray
) -> tuple[FloatArray, float, float, float, float]:
    """Weighted regression of all years on harmonics, level by level."""
    n_phase, n_h = 32, model.harmonics.shape[1]
    phase = (np.arange(n_phase) + 0.5) / n_phase
    at = start[:, None] + phase[None, :] * length[:, None] - 0.5
    index = np.arange(series.n)
    y = np.interp(at, index, series.value)
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
    # A profile without any cycle leaves nothing to regress on.
    harmonics = _tame(np.linalg.solve(gram + np.diag(ridge + 1e-9), right).reshape(2, n_h))
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


def _year_effects(
    y: FloatArray, w: FloatArray, f: FloatArray, model: YearModel, length: NDArray[np.int64], series: Series
) -> tuple[FloatArray, FloatArray]:
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
    return float(max(gap_mm * (1 + r) / (1 - r), step_mm))
