"""Equally defensible sequences of years: what the count, and each mark, may be off by."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.lattice import draw_sequences, make_lattice
from bandkit.bands.model import Series, YearModel

FloatArray = NDArray[np.float64]

# How many times less the profile is worth in the draws than the likelihood says: no year has quite the shape of the
# model, and its samples, evened out or not, err together. Found on simulated slabs apart from those that
# reliability is judged on.
MODESTY = 4.0
# The same for the score of one spacing against another.
SPACING_MODESTY = 8.0
# A spacing with a smaller share of the draws is left out.
LEAST_SHARE = 0.01
# The same profile always gives the same draws.
DRAW_SEED = 0
# A mark is found again where a draw has one within this fraction of the year.
SAME_MARK_YR = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ensemble:
    """Drawn sequences of marks.

    Parameters
    ----------
    draws_mm : list of ndarray
        Depths of the marks of each draw, in mm.
    spacing_mm, share : ndarray, shape (n_spacings,)
        Spacings that the draws were made with, the likeliest first, and their shares.
    """

    draws_mm: list[FloatArray]
    spacing_mm: FloatArray
    share: FloatArray

    def probability(self, depth_mm: FloatArray, year_mm: FloatArray) -> FloatArray:
        """Share of the draws that have a mark near each depth.

        Parameters
        ----------
        depth_mm, year_mm : ndarray, shape (n_marks,)
            Depths, and the length of the year about each, in mm.

        Returns
        -------
        ndarray, shape (n_marks,)
            0 to 1.
        """
        hits = np.zeros(len(depth_mm))
        for draw in self.draws_mm:
            outside = np.concatenate([[-np.inf], draw, [np.inf]])
            at = np.searchsorted(outside, depth_mm)
            nearest = np.minimum(depth_mm - outside[at - 1], outside[at] - depth_mm)
            hits += nearest <= SAME_MARK_YR * year_mm
        return hits / max(len(self.draws_mm), 1)

    def count_within(self, depth_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """90 % interval of the number of marks down to each depth.

        Parameters
        ----------
        depth_mm : ndarray, shape (n,)
            Depths in mm.

        Returns
        -------
        lo, hi : ndarray, shape (n,)
            Whole numbers.
        """
        counts = np.stack([np.searchsorted(draw, depth_mm, side="right") for draw in self.draws_mm])
        lo, hi = (np.quantile(counts, q, axis=0, method="inverted_cdf").astype(float) for q in (0.05, 0.95))
        return lo, hi


def draw_ensemble(
    series: Series, fits: list[tuple[YearModel, float]], outer_part_yr: float | None, *, n_draws: int
) -> Ensemble:
    """Draw whole sequences of years, from every spacing that cannot be ruled out.

    Parameters
    ----------
    series : Series
        The profile made ready, its texture evened out.
    fits : list of (YearModel, float)
        Models of different spacings with their scores, best first.
    outer_part_yr : float or None
        Part of a year between the newest mark and the surface, from the dates.
    n_draws : int
        Number of sequences.

    Returns
    -------
    Ensemble
        ``n_draws`` sequences, spread over the spacings by their probability.
    """
    score = np.array([score for _, score in fits])
    share = np.exp((score - score[0]) / SPACING_MODESTY)
    share = np.where(share / share.sum() < LEAST_SHARE, 0.0, share)
    share = share / share.sum()
    numbers = np.diff(np.rint(np.concatenate([[0.0], np.cumsum(share)]) * n_draws).astype(int))
    draws: list[FloatArray] = []
    for (model, _), number in zip(fits, numbers, strict=True):
        if number:
            draws += _draws(series, model, outer_part_yr, int(number))
    return Ensemble(draws_mm=draws, spacing_mm=np.array([model.spacing_mm for model, _ in fits]), share=share)


def _draws(series: Series, model: YearModel, outer_part_yr: float | None, number: int) -> list[FloatArray]:
    """Sequences of one model, with its noise made longer."""
    lattice = make_lattice(series, replace(model, noise_mm=model.noise_mm * MODESTY), outer_part_yr)
    return [lattice.depths_mm(series, path) for path in draw_sequences(lattice, number, DRAW_SEED)]
