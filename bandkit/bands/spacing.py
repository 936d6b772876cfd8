"""Choose the length of a year: candidates compared on the same data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.lattice import make_lattice
from bandkit.bands.learn import first_guess, learn
from bandkit.bands.model import Series, YearModel, log_noise

FloatArray = NDArray[np.float64]

# Least and most spacing ever considered, in mm: finger-thin massive corals to fast branches.
LEAST_SPACING_MM, MOST_SPACING_MM = 2.0, 40.0
# Spacings whose models are learnt, out of all that are tried.
N_LEARNT = 4


def compare_spacings(
    series: Series, spacing_mm: float | None, outer_part_yr: float | None
) -> list[tuple[YearModel, float]]:
    """Learn models from the most likely starting spacings, or from the one that a person expects.

    Parameters
    ----------
    series : Series
        The profile made ready.
    spacing_mm : float or None
        Expected length of a year.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface, from the dates.

    Returns
    -------
    list of (YearModel, float)
        Models with their scores (log likelihood and weak prior), best first.
    """
    if spacing_mm is not None:
        model = learn(
            series, first_guess(series, spacing_mm), outer_part_yr, n_rounds=4, n_harmonics=2, expected_mm=spacing_mm
        )
        return [(model, 0.0)]
    guesses = [first_guess(series, mu) for mu in _candidates(series)]
    first = np.array([_score(series, guess, outer_part_yr) for guess in guesses])
    fits = []
    for i in np.argsort(first)[::-1][:N_LEARNT]:
        model = learn(series, guesses[i], outer_part_yr, n_rounds=4, n_harmonics=2, learn_noise_length=False)
        fits.append((model, _score(series, model, outer_part_yr)))
    return sorted(fits, key=lambda fit: -fit[1])


def _score(series: Series, model: YearModel, outer_part_yr: float | None) -> float:
    """Log likelihood of the whole profile under a model, with the weak prior on its spacing."""
    return make_lattice(series, model, outer_part_yr).log_evidence + log_noise(series, model) + _log_prior(model)


def _candidates(series: Series) -> FloatArray:
    """Spacings worth learning from: a grid in equal ratios over all that fits on the track."""
    most = min(MOST_SPACING_MM, series.n * series.step_mm / 1.5)
    least = max(LEAST_SPACING_MM, 6 * series.step_mm)
    n = max(int(np.log(max(most / least, 1.01)) / np.log(1.22)) + 1, 2)
    return np.geomspace(least, max(most, least * 1.01), n)


def _log_prior(model: YearModel) -> float:
    """Weak opinion on the spacing: about 1 cm a year, within a factor of 2.2 either way (common practice)."""
    return float(-0.5 * (np.log(model.spacing_mm / 9.0) / np.log(2.2)) ** 2)


def rival_of(fits: list[tuple[YearModel, float]]) -> tuple[float, float]:
    """The best other spacing, more than 20 % away, and its probability against the best.

    Parameters
    ----------
    fits : list of (YearModel, float)
        Models with their scores, best first.

    Returns
    -------
    spacing_mm, probability : float
        NaN and 0 where none comes near.
    """
    best, top = fits[0]
    for model, score in fits[1:]:
        if abs(np.log(model.spacing_mm / best.spacing_mm)) > 0.2:
            odds = float(np.exp(score - top))
            return (model.spacing_mm, odds / (1 + odds)) if odds > 0.01 else (float("nan"), 0.0)
    return float("nan"), 0.0
