"""Choose the length of a year: candidates compared on the same data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.lattice import log_evidence
from bandkit.bands.learn import NOISE_MM, first_guess, learn
from bandkit.bands.model import Series, YearModel, log_noise

FloatArray = NDArray[np.float64]

# Least and most spacing ever considered, in mm: finger-thin massive corals to fast branches.
LEAST_SPACING_MM, MOST_SPACING_MM = 2.0, 40.0
# Spacings whose models are learnt, out of all that are tried.
N_LEARNT = 4
# Spacings are compared over the outer part of a track: two dozen years of fast growers, a century of slow ones.
COMPARED_MM = 300.0
# Fits whose spacings differ by less, as a logarithm, are one and the same.
SAME_LOG_SPACING = 0.08


def compare_spacings(
    series: Series, spacing_mm: float | None, outer_part_yr: float | None, *, noise_mm: float = NOISE_MM
) -> list[tuple[YearModel, float]]:
    """Learn models from the most likely starting spacings, or from the one that a person expects.

    Parameters
    ----------
    series : Series
        The profile made ready, its texture evened out.
    spacing_mm : float or None
        Expected length of a year.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface, from the dates.
    noise_mm : float
        Length over which the texture is correlated, in mm. It is the same for all
        candidates, or a wrong spacing would excuse its misfit as smooth noise.

    Returns
    -------
    list of (YearModel, float)
        Models with their scores (log likelihood and weak prior), best first, each spacing once.
    """
    outer = series.head(COMPARED_MM)
    if spacing_mm is not None:
        guess = first_guess(outer, spacing_mm, noise_mm)
        model = learn(
            outer, guess, outer_part_yr, n_rounds=3, n_harmonics=2, learn_noise_length=False, expected_mm=spacing_mm
        )
        return [(model, 0.0)]
    guesses = [first_guess(outer, mu, noise_mm) for mu in _candidates(outer)]
    first = np.array([_score(outer, guess, outer_part_yr) for guess in guesses])
    fits = []
    for i in np.argsort(first)[::-1][:N_LEARNT]:
        model = learn(outer, guesses[i], outer_part_yr, n_rounds=3, n_harmonics=2, learn_noise_length=False)
        fits.append((model, _score(outer, model, outer_part_yr)))
    return _distinct(sorted(fits, key=lambda fit: -fit[1]))


def _distinct(fits: list[tuple[YearModel, float]]) -> list[tuple[YearModel, float]]:
    """The fits whose spacing no better fit has."""
    kept: list[tuple[YearModel, float]] = []
    for model, score in fits:
        if all(abs(np.log(model.spacing_mm / other.spacing_mm)) > SAME_LOG_SPACING for other, _ in kept):
            kept.append((model, score))
    return kept


def _score(series: Series, model: YearModel, outer_part_yr: float | None) -> float:
    """Log likelihood of the whole profile under a model, with the weak prior on its spacing."""
    return log_evidence(series, model, outer_part_yr) + log_noise(series, model) + _log_prior(model)


def _candidates(series: Series) -> FloatArray:
    """Spacings worth learning from: a grid in equal ratios over all that fits on the track."""
    most = min(MOST_SPACING_MM, series.n * series.step_mm / 1.5)
    least = max(LEAST_SPACING_MM, 6 * series.step_mm)
    n = max(int(np.log(max(most / least, 1.01)) / np.log(1.22)) + 1, 2)
    return np.geomspace(least, max(most, least * 1.01), n)


def _log_prior(model: YearModel) -> float:
    """Weak opinion on the spacing: about 1 cm a year, within a factor of 2.2 either way (common practice)."""
    return float(-0.5 * (np.log(model.spacing_mm / 9.0) / np.log(2.2)) ** 2)
