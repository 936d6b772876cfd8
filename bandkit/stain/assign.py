"""Which line belongs to which staining."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from bandkit.dates import years_between
from bandkit.errors import InputError
from bandkit.stain.line import StainLine

FloatArray = NDArray[np.float64]

# Extension of one year scatters about its mean by this factor (natural logarithm).
YEARLY_LN_SD = 0.3
# What corals grow, where nothing better is known: 8 mm/yr within a factor of two or so.
USUAL_MM_YR = 8.0
USUAL_LN_SD = 0.7
EXPECTED_LN_SD = 0.4
# Below this probability the assignment is doubtful.
SURE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainAssignment:
    """Lines matched to stainings.

    Parameters
    ----------
    dates : tuple of date
        Stainings in the order in which they were given.
    lines : tuple of (StainLine or None)
        The line of each staining; None where it was not found.
    probability : float
        Probability of this assignment among all that keep the order.
    flags : tuple of str
        Codes of doubt.
    """

    dates: tuple[date, ...]
    lines: tuple[StainLine | None, ...]
    probability: float
    flags: tuple[str, ...] = ()


def assign_stains(lines: Sequence[StainLine], dates: Sequence[date], collected: date, *,
                  expected_mm_yr: float | None = None) -> StainAssignment:
    """Match the lines that were found to stainings, some of which may be absent.

    Parameters
    ----------
    lines : sequence of StainLine
        As `find_stains` gives them; those that were not found are left out.
    dates : sequence of date
        Dates of staining in any order.
    collected : date
        Date of collection, when the surface stood at depth 0.
    expected_mm_yr : float, optional
        Extension known from elsewhere, such as from the bands.

    Returns
    -------
    StainAssignment
        The most probable assignment that keeps the order: the outermost line is the newest.

    Raises
    ------
    InputError
        When there are more lines than stainings, or a staining is not before the collection.

    Notes
    -----
    Of all ways to leave stainings out, the one whose extension rates are most even:
    the logarithm of each interval's rate is taken as normal about a common mean, with a standard
    deviation of ``0.3 / sqrt(years)``, at most 0.3, and the mean as normal about what is expected.
    """
    found = sorted((line for line in lines if line.found), key=lambda line: line.depth_mm)
    newest_first = sorted(range(len(dates)), key=lambda k: dates[k], reverse=True)
    _check(found, dates, collected)
    if not found:
        return StainAssignment(dates=tuple(dates), lines=(None,) * len(dates), probability=1.0)
    ways = list(combinations(newest_first, len(found)))
    depths = np.array([0.0, *(line.depth_mm for line in found)])
    score = np.array([_ln_likelihood(depths, [dates[k] for k in way], collected, expected_mm_yr) for way in ways])
    probability = np.exp(score - score.max())
    probability /= probability.sum()
    best = int(np.argmax(probability))
    matched: list[StainLine | None] = [None] * len(dates)
    for k, line in zip(ways[best], found, strict=True):
        matched[k] = line
    sure = float(probability[best]) >= SURE
    return StainAssignment(dates=tuple(dates), lines=tuple(matched), probability=float(probability[best]),
                           flags=() if sure else ("stain-date-doubtful",))


def _check(found: Sequence[StainLine], dates: Sequence[date], collected: date) -> None:
    """Refuse what cannot be matched."""
    if len(found) > len(dates):
        msg = f"lines: {len(found)} found, but only {len(dates)} dates of staining; look for as many lines as dates"
        raise InputError(msg)
    for day in dates:
        if day >= collected:
            msg = f"dates: staining on {day.isoformat()} is not before the collection on {collected.isoformat()}"
            raise InputError(msg)


def _ln_likelihood(depths_mm: FloatArray, dates: Sequence[date], collected: date,
                   expected_mm_yr: float | None) -> float:
    """Log likelihood of the rates that an assignment implies, the common rate integrated out."""
    edges = [collected, *dates]
    years = np.array([years_between(older, newer) for newer, older in pairwise(edges)])
    if np.any(years <= 0):
        return -np.inf
    ln_rate = np.log(np.maximum(np.diff(depths_mm), 1e-3) / years)
    mean = np.log(expected_mm_yr or USUAL_MM_YR)
    common = EXPECTED_LN_SD if expected_mm_yr else USUAL_LN_SD
    covariance = np.diag(YEARLY_LN_SD**2 / np.maximum(years, 1.0)) + common**2
    away = ln_rate - mean
    _, ln_det = np.linalg.slogdet(covariance)
    # The density is that of the depths: each rate carries the factor 1 / depth, alike for all ways.
    return float(-0.5 * away @ np.linalg.solve(covariance, away) - 0.5 * ln_det)
