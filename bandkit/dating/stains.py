"""The count of years against stains of known date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dates import decimal_year, years_between
from bandkit.dating.marks import TOLERANCE_YR, DatedMarks, StainAnchor
from bandkit.dating.position import check_marks, position_among_marks
from bandkit.flags import Flag

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedStain:
    """A stain line of known date on one track.

    Parameters
    ----------
    depth_mm : float
        Its outer edge, from the surface, in mm.
    date : datetime.date
        When the colony was stained.
    """

    depth_mm: float
    date: dt.date


@dataclass(frozen=True, slots=True, kw_only=True)
class StainInterval:
    """The count of years between two stains of known date.

    Parameters
    ----------
    older, newer : datetime.date
        When the colony was stained.
    counted_yr : float
        Years between the two lines by the marks, lost ones included; NaN where they cannot be told.
    interval_yr : float
        Years between them by their dates.
    off_yr : float
        Counted too many (positive) or too few (negative) years.
    flag : Flag or None
        The doubt, where the count does not fit.
    """

    older: dt.date
    newer: dt.date
    counted_yr: float
    interval_yr: float
    off_yr: float
    flag: Flag | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StainCheck:
    """The count of years against a stain of known date.

    Parameters
    ----------
    counted_yr : float
        Years outside the stain by the marks; NaN where they cannot be told.
    interval_yr : float
        Years from the staining to the collection by their dates; NaN where the top is not dated.
    off_yr : float
        Counted too many (positive) or too few (negative) years outside the stain.
    flag : Flag or None
        The doubt, where the count does not fit.
    """

    counted_yr: float
    interval_yr: float
    off_yr: float
    flag: Flag | None


def check_against_stain(
    mark_depth_mm: ArrayLike,
    dated: DatedMarks,
    *,
    stain_depth_mm: float,
    stain_date: dt.date,
    collected: dt.date | None,
    track: str = "",
) -> StainCheck:
    """Compare the years counted outside a stain with the dates.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm.
    dated : DatedMarks
        The same marks with their years.
    stain_depth_mm : float
        Depth of the outer edge of the stain, in mm.
    stain_date : datetime.date
        When the colony was stained.
    collected : datetime.date or None
        When it was taken.
    track : str, optional
        Name for the flag.

    Returns
    -------
    StainCheck
        The flag ``count-against-stain`` where the two differ by more than half a
        year beyond what the count may be off by.

    Notes
    -----
    Dated marks give the date of the stain's depth, straight between marks. Where
    only the collection date is known, the years outside the stain are its position
    among the marks less that of the surface. A floating series cannot be checked.
    """
    depth = check_marks(mark_depth_mm)
    position = position_among_marks(depth, stain_depth_mm)
    top_dated = collected is not None and not dated.floating and np.isfinite(dated.collected_decimal)
    expected = years_between(stain_date, collected) if collected is not None and top_dated else float("nan")
    late, early = _count_slack(position, dated)
    off = float("nan")
    if depth.size and np.isfinite(dated.date_decimal).all():
        off = decimal_year(stain_date) - _date_at(position, dated.date_decimal)
    elif depth.size and top_dated:
        off = position - position_among_marks(depth, 0.0) + _lost_outside(position, dated) - expected
        # Which calendar year the newest mark is of does not matter to a count from the surface.
        newest_late, newest_early = _count_slack(0.0, dated)
        late, early = late - newest_late, early - newest_early
    flag = None
    if off > TOLERANCE_YR + late or off < -(TOLERANCE_YR + early):
        detail = (f"{expected + off:.1f} years counted outside the stain of {stain_date}, {expected:.1f} by the dates"
                  if top_dated else f"the count puts the stain of {stain_date} {abs(off):.1f} years "
                                    f"{'earlier' if off > 0 else 'later'}")
        flag = Flag(code="count-against-stain", detail=detail, track=track, depth_mm=float(stain_depth_mm))
    return StainCheck(counted_yr=expected + off, interval_yr=expected, off_yr=off, flag=flag)


def check_between_stains(
    mark_depth_mm: ArrayLike, dated: DatedMarks, stains: Sequence[DatedStain], *, track: str = ""
) -> tuple[StainInterval, ...]:
    """Compare the years counted between stains that follow each other with their dates.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm.
    dated : DatedMarks
        The same marks with their years; the series may float, for this check needs no calendar.
    stains : sequence of DatedStain
        Stains in any order.
    track : str, optional
        Name for the flags.

    Returns
    -------
    tuple of StainInterval
        One for each two stains that follow each other in time, newest first, with the flag
        ``count-against-stain`` where they differ by more than half a year beyond what the count may be off by.
    """
    depth = check_marks(mark_depth_mm)
    newest_first = sorted(stains, key=lambda stain: stain.date, reverse=True)
    return tuple(_between(depth, dated, newer, older, track) for newer, older in pairwise(newest_first))


def choose_anchor(mark_depth_mm: ArrayLike, stains: Sequence[DatedStain]) -> StainAnchor | None:
    """Choose the stain that dates a series whose top cannot: the newest that lies among the marks.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm.
    stains : sequence of DatedStain
        Stains in any order.

    Returns
    -------
    StainAnchor or None
        The newest of all where none lies among the marks; None without stains or with fewer than two marks.
    """
    depth = check_marks(mark_depth_mm)
    if depth.size < 2 or not stains:
        return None
    newest_first = sorted(stains, key=lambda stain: stain.date, reverse=True)
    among = [stain for stain in newest_first if depth[0] <= stain.depth_mm <= depth[-1]]
    stain = (among or newest_first)[0]
    return StainAnchor(
        position=position_among_marks(depth, stain.depth_mm), date=stain.date, depth_mm=float(stain.depth_mm)
    )


def _between(
    depth: FloatArray, dated: DatedMarks, newer: DatedStain, older: DatedStain, track: str
) -> StainInterval:
    """Compare the count between two stains with their dates."""
    outer, inner = (position_among_marks(depth, stain.depth_mm) for stain in (newer, older))
    counted = inner - outer + _lost_outside(inner, dated) - _lost_outside(outer, dated)
    interval = years_between(older.date, newer.date)
    off = counted - interval
    many, few = (
        max(at_inner - at_outer, 0.0)
        for at_inner, at_outer in zip(_count_error(inner, dated), _count_error(outer, dated), strict=True)
    )
    flag = None
    if off > TOLERANCE_YR + many or off < -(TOLERANCE_YR + few):
        detail = (f"{counted:.1f} years counted between the stains of {older.date} and {newer.date}, "
                  f"{interval:.1f} by the dates")
        if older.depth_mm < newer.depth_mm:
            detail = f"the line taken for {older.date} lies outside the one taken for {newer.date}, which is later"
        flag = Flag(code="count-against-stain", detail=detail, track=track, depth_mm=float(older.depth_mm))
    return StainInterval(
        older=older.date, newer=newer.date, counted_yr=counted, interval_yr=interval, off_yr=off, flag=flag
    )


def _date_at(position: float, date_decimal: FloatArray) -> float:
    """Decimal year at a position among the marks, carried on by a year a mark beyond both ends."""
    inside = float(np.clip(position, 0.0, date_decimal.size - 1))
    return float(np.interp(inside, np.arange(date_decimal.size), date_decimal)) - (position - inside)


def _lost_outside(position: float, dated: DatedMarks) -> float:
    """Years lost in gaps outside a position: how far the labels change faster than one a mark."""
    index = np.arange(dated.year.size, dtype=np.float64)
    inside = float(np.clip(position, 0.0, max(index.size - 1, 0)))
    return float(np.interp(inside, index, np.abs(dated.year - dated.year[:1]) - index)) if index.size else 0.0


def _count_error(position: float, dated: DatedMarks) -> tuple[float, float]:
    """How many years too many and too few may be counted outside a position."""
    late, early = _count_slack(position, dated)
    # A later calendar year is a smaller count, but a larger number of a floating series is a larger one.
    return (early, late) if dated.floating else (late, early)


def _count_slack(position: float, dated: DatedMarks) -> tuple[float, float]:
    """How many years later and earlier the marks at a position may be."""
    if not dated.year.size:
        return 0.0, 0.0
    index = np.arange(dated.year.size)
    late = np.interp(position, index, dated.year_hi - dated.year)
    early = np.interp(position, index, dated.year - dated.year_lo)
    return float(late), float(early)
