"""Equally defensible chronologies of one track: what the count may be, draw by draw.

An age error is no error bar on a date but a choice between whole counts: a mark that is
no year makes everything inside it younger together. So users who carry the age error
into their own analysis get many complete chronologies, each as good as the next.

References
----------
Comboul, M. et al. (2014) A probabilistic model of chronological errors in layer-counted
climate proxies. Climate of the Past 10, 825-841.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dates import mark_day, newest_mark_year, years_between
from bandkit.dating.marks import DatedMarks, LostYears, StainAnchor
from bandkit.dating.position import position_among_marks
from bandkit.uncertainty import Chronologies

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Draws of a reading: a power of two, so that up to nine doubtful marks are met in every combination equally often.
N_READING_DRAWS = 512
# Ends of a 90 % interval.
TAILS = (0.05, 0.95)


def draw_readings(
    depth_mm: ArrayLike, doubtful: ArrayLike, *, n_draws: int = N_READING_DRAWS, seed: int = 0
) -> list[FloatArray]:
    """Draw sequences of marks from a reading: every doubtful mark is in half of them.

    Parameters
    ----------
    depth_mm : array_like, shape (n_marks,)
        Depths of the marks, in mm.
    doubtful : array_like of bool, shape (n_marks,)
        Which of them may be no year.
    n_draws : int
        Even number of sequences.
    seed : int
        Of the random numbers, which only many doubtful marks need.

    Returns
    -------
    list of ndarray
        Depths of the marks of each draw, in mm.

    Notes
    -----
    A doubtful mark is half a year, plus or minus a half. As long as all combinations of doubtful
    marks fit into the draws they take turns, so that intervals are exact; beyond that combinations
    are drawn, each followed by its opposite.
    """
    depth, unsure = np.asarray(depth_mm, dtype=np.float64), np.asarray(doubtful, dtype=np.bool_)
    keep = np.ones((n_draws, depth.size), dtype=np.bool_)
    n_unsure = int(unsure.sum())
    if 2**n_unsure <= n_draws:
        keep[:, unsure] = np.arange(n_draws)[:, None] >> np.arange(n_unsure) & 1 == 0
    else:
        half = np.random.default_rng(seed).random((n_draws // 2, n_unsure)) < 0.5
        keep[:, unsure] = np.stack([half, ~half], axis=1).reshape(n_draws, n_unsure)
    return [depth[row] for row in keep]


def date_draws(
    draws_mm: Sequence[FloatArray],
    dated: DatedMarks,
    *,
    gaps: Sequence[LostYears] = (),
    stain: StainAnchor | None = None,
    mark_date: tuple[int, int] | None = None,
    seed: int = 0,
) -> Chronologies:
    """Tie drawn sequences of marks to the calendar as the marks that are used are tied to it.

    Parameters
    ----------
    draws_mm : sequence of ndarray
        Depths of the marks of each draw from the surface inwards, in mm.
    dated : DatedMarks
        The marks that are used, with their years: says whether and to what the series is tied.
    gaps : sequence of LostYears
        Gaps with their depths; in each draw a gap has lost between its least and most years, all equally often.
    stain : StainAnchor, optional
        What ``dated`` was dated by, where the collection could not; needs ``mark_date`` too.
    mark_date : tuple of int, optional
        Month and day for which the annual mark stands.
    seed : int
        Of the random numbers that pair the years lost in gaps with the draws.

    Returns
    -------
    Chronologies
        As many as there are draws.
    """
    lost = _lost_per_draw(len(draws_mm), gaps, seed)
    years = []
    for k, depth in enumerate(draws_mm):
        count = np.arange(1.0, depth.size + 1)
        for gap, years_lost in zip(gaps, lost, strict=True):
            count[depth > gap.depth_mm] += years_lost[k]
        if dated.floating:
            years.append(count)
        elif stain is not None and dated.by_stain and mark_date is not None:
            years.append(_years_from_stain(depth, count, stain, mark_date))
        else:
            years.append(dated.anchor_year + 1.0 - count)
    return Chronologies(depth_mm=tuple(draws_mm), year=tuple(years), floating=dated.floating)


def year_intervals(
    chronologies: Chronologies, dated: DatedMarks, depth_mm: ArrayLike, reach_mm: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """90 % interval of the year of each mark over all chronologies.

    Parameters
    ----------
    chronologies : Chronologies
        Equally defensible ones.
    dated : DatedMarks
        The marks that are used, with their years.
    depth_mm : array_like, shape (n_marks,)
        Their depths, in mm.
    reach_mm : array_like, shape (n_marks,) or scalar
        How much deeper a draw's mark may lie to be the same mark.

    Returns
    -------
    year_lo, year_hi : ndarray, shape (n_marks,)
        The interval, with the year itself in it and wider by what the anchor leaves open.
    """
    years = chronologies.mark_years(depth_mm, reach_mm)
    if not years.size or not np.isfinite(years).all():
        return dated.year_lo, dated.year_hi
    lo, hi = np.quantile(years, TAILS, axis=0, method="inverted_cdf")
    if not dated.floating and not dated.by_stain:
        # No mark can be newer than the newest mark date on or before the collection.
        hi = np.minimum(hi, dated.anchor_year)
    if dated.floating:
        lo = np.maximum(lo, 1.0)
    slack = dated.year_slack
    return np.minimum(lo, dated.year) - slack[0], np.maximum(hi, dated.year) + slack[1]


def _lost_per_draw(n_draws: int, gaps: Sequence[LostYears], seed: int) -> list[FloatArray]:
    """Years lost in each gap in each draw: all numbers from least to most equally often, in shuffled order."""
    rng = np.random.default_rng(seed)
    return [
        gap.least + rng.permutation(np.arange(n_draws) % (gap.most - gap.least + 1)).astype(np.float64) for gap in gaps
    ]


def _years_from_stain(
    depth_mm: FloatArray, count: FloatArray, stain: StainAnchor, mark_date: tuple[int, int]
) -> FloatArray:
    """Years of a draw's marks from the one that lies just inside the stain."""
    newest = newest_mark_year(stain.date, mark_date)
    since_mark = years_between(mark_day(newest, mark_date), stain.date)
    position = position_among_marks(depth_mm, stain.depth_mm)
    if not np.isfinite(position):
        return np.full(depth_mm.shape, np.nan)
    index = round(position + since_mark)
    inside = min(max(index, 0), count.size - 1)
    return np.asarray(newest + count[inside] + (index - inside) - count)
