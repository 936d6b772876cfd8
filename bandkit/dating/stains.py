"""The count of years against stains of known date."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dates import decimal_year, years_between
from bandkit.dating.marks import TOLERANCE_YR, DatedMarks, check_marks, position_among_marks
from bandkit.flags import Flag

FloatArray = NDArray[np.float64]


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
        off = position - position_among_marks(depth, 0.0) + _years_lost_outside(position, dated) - expected
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


def _date_at(position: float, date_decimal: FloatArray) -> float:
    """Decimal year at a position among the marks, carried on by a year a mark beyond both ends."""
    inside = float(np.clip(position, 0.0, date_decimal.size - 1))
    return float(np.interp(inside, np.arange(date_decimal.size), date_decimal)) - (position - inside)


def _years_lost_outside(position: float, dated: DatedMarks) -> float:
    """Years lost in gaps outside a position: how far the labels fall faster than one a mark."""
    index = np.arange(dated.year.size, dtype=np.float64)
    inside = float(np.clip(position, 0.0, max(index.size - 1, 0)))
    return float(np.interp(inside, index, dated.year[:1] - dated.year - index)) if index.size else 0.0


def _count_slack(position: float, dated: DatedMarks) -> tuple[float, float]:
    """How many years later and earlier the marks at a position may be."""
    if not dated.year.size:
        return 0.0, 0.0
    index = np.arange(dated.year.size)
    late = np.interp(position, index, dated.year_hi - dated.year)
    early = np.interp(position, index, dated.year - dated.year_lo)
    return float(late), float(early)
