"""The year of every annual mark, and what it may be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dates import decimal_year, mark_day, newest_mark_year, years_between
from bandkit.errors import InputError
from bandkit.flags import Flag

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A count that is out by more than this many years against known dates is doubted.
TOLERANCE_YR = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LostYears:
    """A gap in the series and how many years are lost in it.

    Parameters
    ----------
    marks_outside : int
        Number of marks between the surface and the gap.
    least, most : int
        Least and most years lost.
    depth_mm : float
        Where it lies, in mm; NaN where only its place among the marks is known.
    """

    marks_outside: int
    least: int
    most: int
    depth_mm: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class StainAnchor:
    """A stain of known date that ties a series whose top cannot be dated.

    Parameters
    ----------
    position : float
        Where it lies among the marks; see `position_among_marks`.
    date : datetime.date
        When the colony was stained.
    depth_mm : float
        Where it lies on the track, in mm; NaN where only its place among the marks is known.
    """

    position: float
    date: dt.date
    depth_mm: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DatedMarks:
    """Annual marks with their years.

    Parameters
    ----------
    year : ndarray, shape (n_marks,)
        Calendar year of each mark from the surface inwards, or its number where the series floats.
    year_lo, year_hi : ndarray, shape (n_marks,)
        What the year may be, with the uncertain count and the gaps between the anchor and the mark.
    date_decimal : ndarray, shape (n_marks,)
        Decimal year of each mark; NaN where the day is not known.
    crosses_gap : ndarray of bool, shape (n_marks + 1,)
        Pieces of the track that have a gap in them.
    piece_duration_yr : ndarray, shape (n_marks + 1,)
        Years that each piece stands for; NaN where not known.
    collected_decimal : float
        Decimal year of the surface; NaN where not known.
    top_interval_yr : float
        Years from the newest mark's date to the collection; NaN where not known.
    floating : bool
        True where years are counted, not dated.
    rule : str
        How the years were given, one sentence.
    flags : tuple of Flag
        Doubts about the dates.
    anchor_year : float
        Year that ties the count to the calendar: of the newest mark date on or before the collection, or
        of the mark just inside the stain; NaN where the series floats.
    by_stain : bool
        Whether a stain dates the series.
    year_slack : tuple of int
        How many years earlier and later all marks may be together, because the day of the mark is not known.
    """

    year: FloatArray
    year_lo: FloatArray
    year_hi: FloatArray
    date_decimal: FloatArray
    crosses_gap: BoolArray
    piece_duration_yr: FloatArray
    collected_decimal: float
    top_interval_yr: float
    floating: bool
    rule: str
    flags: tuple[Flag, ...]
    anchor_year: float = float("nan")
    by_stain: bool = False
    year_slack: tuple[int, int] = (0, 0)

    @property
    def piece_year(self) -> FloatArray:
        """Label of each piece: the year of the mark at its outer end, shape (n_marks + 1,)."""
        outside = self.year[:1] - 1 if self.floating else self.year[:1] + 1
        return np.concatenate([outside if self.year.size else [np.nan], self.year])

    @property
    def piece_start_decimal(self) -> FloatArray:
        """Decimal year in which each piece began to grow, at its inner end, shape (n_marks + 1,)."""
        return np.concatenate([self.date_decimal, [np.nan]])

    @property
    def piece_end_decimal(self) -> FloatArray:
        """Decimal year in which each piece was finished, at its outer end, shape (n_marks + 1,)."""
        return np.concatenate([[self.collected_decimal], self.date_decimal])


def date_marks(  # noqa: PLR0913  (each is a fact of its own that a person may or may not know)
    n_marks: int,
    *,
    collected: dt.date | None,
    top_alive: bool | None = True,
    mark_date: tuple[int, int] | None = None,
    top_growth_yr: float = float("nan"),
    gaps: Sequence[LostYears] = (),
    count_lo: ArrayLike | None = None,
    count_hi: ArrayLike | None = None,
    stain: StainAnchor | None = None,
) -> DatedMarks:
    """Give every annual mark its year.

    Parameters
    ----------
    n_marks : int
        Number of annual marks from the surface inwards.
    collected : datetime.date or None
        When the colony was taken.
    top_alive : bool or None
        Whether the top grew until then; None (not said) counts as alive, with a flag.
    mark_date : tuple of int or None
        Month and day for which the annual mark stands at this site.
    top_growth_yr : float
        Growth outside the newest mark over the local spacing, in years (minus
        `position_among_marks` of the surface); NaN where not known.
    gaps : sequence of LostYears
        Gaps across the track.
    count_lo, count_hi : array_like, shape (n_marks,), optional
        Least and most number of years that end at each mark, itself included
        (1 for a newest mark beyond doubt); the plain count where absent.
    stain : StainAnchor, optional
        Dates the series where the collection cannot; needs ``mark_date``.

    Returns
    -------
    DatedMarks
        Years, what they may be, dates and doubts.

    Raises
    ------
    InputError
        Counts or gaps that contradict themselves, or no such mark date.

    Notes
    -----
    A gap is taken to have lost the middle of its least and most years, halves rounded
    down; ``year_lo`` and ``year_hi`` hold both ends. Without a mark date the day of a
    mark is not known: the newest mark's year is then that of the collection less
    ``top_growth_yr``, or less half a year where that is not known, and may be out by one.
    """
    counts = _count_years(n_marks, gaps, count_lo, count_hi)
    anchor = _find_anchor(collected, top_alive, mark_date,
                          top_growth_yr=top_growth_yr, stain=stain if n_marks else None)
    year, year_lo, year_hi = _years_from_counts(counts, anchor)
    day_known = anchor.year is not None and mark_date is not None
    date_decimal = np.array([decimal_year(mark_day(int(y), mark_date)) if day_known and mark_date else np.nan
                             for y in year], dtype=np.float64)
    top_interval = float("nan")
    if anchor.top is not None and mark_date is not None and n_marks:
        top_interval = years_between(mark_day(int(year[0]), mark_date), anchor.top)
    flags = [*anchor.flags, *(_gap_flag(gap) for gap in gaps), *_top_flags(top_interval, top_growth_yr)]
    return DatedMarks(
        year=year, year_lo=year_lo, year_hi=year_hi, date_decimal=date_decimal,
        crosses_gap=_pieces_with_gap(n_marks, gaps),
        piece_duration_yr=_piece_durations(n_marks, gaps, top_interval),
        collected_decimal=decimal_year(anchor.top) if anchor.top else float("nan"),
        top_interval_yr=top_interval, floating=anchor.year is None, rule=anchor.rule, flags=tuple(flags),
        anchor_year=float("nan") if anchor.year is None else float(anchor.year),
        by_stain=anchor.year is not None and anchor.top is None, year_slack=anchor.year_slack,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Anchor:
    """What ties the count to a calendar: mark ``index`` is of ``year``."""

    year: int | None
    index: int
    rule: str
    flags: tuple[Flag, ...]
    top: dt.date | None = None
    year_slack: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Counts:
    """Years counted from the outside to each mark: best, least and most."""

    best: FloatArray
    least: FloatArray
    most: FloatArray


def _find_anchor(
    collected: dt.date | None, top_alive: bool | None, mark_date: tuple[int, int] | None, *,
    top_growth_yr: float, stain: StainAnchor | None,
) -> _Anchor:
    """Choose what dates the series: the collection, a stain, or nothing."""
    if collected is not None and top_alive is not False:
        return _anchor_at_collection(collected, top_alive, mark_date, top_growth_yr)
    code = "no-collection-date" if collected is None else "floating"
    why = "no collection date is given" if collected is None else "the top was not alive at collection"
    if stain is not None and mark_date is not None and np.isfinite(stain.position):
        return _anchor_at_stain(stain, mark_date)
    rule = f"Years are numbered from the outside, because {why}."
    return _Anchor(year=None, index=0, rule=rule, flags=(Flag(code=code),))


def _anchor_at_collection(
    collected: dt.date, top_alive: bool | None, mark_date: tuple[int, int] | None, top_growth_yr: float,
) -> _Anchor:
    """Date the newest mark by the last mark date on or before the collection."""
    flags = () if top_alive else (Flag(code="top-alive-assumed"),)
    if mark_date is not None:
        year = newest_mark_year(collected, mark_date)
        rule = (f"The newest mark stands for {mark_day(year, mark_date)}, the last mark date on or before the "
                f"collection on {collected}; the marks inside it were counted back, one a year.")
        return _Anchor(year=year, index=0, rule=rule, flags=flags, top=collected)
    since_mark = top_growth_yr if np.isfinite(top_growth_yr) else 0.5
    # The newest mark lies within the year before the collection: in that calendar year or the one before.
    year = int(np.clip(np.floor(decimal_year(collected) - since_mark), collected.year - 1, collected.year))
    rule = (f"No date is given for the mark; the newest was taken to be of {year} and the marks inside it were "
            "counted back, one a year, so that all years may be shifted by one.")
    return _Anchor(year=year, index=0, rule=rule, flags=(*flags, Flag(code="no-mark-date")), top=collected,
                   year_slack=(year - (collected.year - 1), collected.year - year))


def _anchor_at_stain(stain: StainAnchor, mark_date: tuple[int, int]) -> _Anchor:
    """Find the mark that lies just inside the stain, by the time from its date to the staining."""
    year = newest_mark_year(stain.date, mark_date)
    since_mark = years_between(mark_day(year, mark_date), stain.date)
    rule = (f"The stain of {stain.date} dates the series: the mark of {mark_day(year, mark_date)} lies just inside it; "
            "the others were counted from there, one a year.")
    return _Anchor(year=year, index=round(stain.position + since_mark), rule=rule, flags=(Flag(code="dated-by-stain"),))


def _count_years(
    n_marks: int, gaps: Sequence[LostYears], count_lo: ArrayLike | None, count_hi: ArrayLike | None,
) -> _Counts:
    """Years that end at each mark, the lost ones included."""
    plain = np.arange(1.0, n_marks + 1)
    least, most = (plain if c is None else np.asarray(c, np.float64) for c in (count_lo, count_hi))
    if least.shape != plain.shape or most.shape != plain.shape:
        msg = f"count_lo, count_hi: need one value for each of {n_marks} marks, got {least.size} and {most.size}"
        raise InputError(msg)
    lost = np.zeros((3, n_marks))
    for gap in gaps:
        if not (0 <= gap.least <= gap.most and 0 <= gap.marks_outside <= n_marks):
            msg = f"gaps: {gap} is not possible with {n_marks} marks; give least and most years lost, least first"
            raise InputError(msg)
        lost[:, gap.marks_outside :] += np.array([[(gap.least + gap.most) // 2], [gap.least], [gap.most]])
    # The plain count is always possible, and no mark can be newer than the newest mark date.
    least, most = np.clip(least, 1.0, plain), np.maximum(most, plain)
    return _Counts(best=plain + lost[0], least=least + lost[1], most=most + lost[2])


def _years_from_counts(counts: _Counts, anchor: _Anchor) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Year of each mark with its least and most, from the counts and the anchor."""
    if anchor.year is None:
        return counts.best, counts.least, counts.most
    by_stain = anchor.top is None

    def years_back(count: FloatArray) -> FloatArray:
        # A live top begins the count; gaps outside the newest mark make that mark older.
        return count - (_extended(count, anchor.index) if by_stain else 1.0)

    year, latest, earliest = (anchor.year - years_back(c) for c in (counts.best, counts.least, counts.most))
    ends = np.stack([year, latest, earliest])
    return year, ends.min(axis=0) - anchor.year_slack[0], ends.max(axis=0) + anchor.year_slack[1]


def _extended(counts: FloatArray, index: int) -> float:
    """Count at a mark, carried on by one a year beyond both ends."""
    inside = min(max(index, 0), counts.size - 1)
    return float(counts[inside] + (index - inside))


def _piece_durations(n_marks: int, gaps: Sequence[LostYears], top_interval_yr: float) -> FloatArray:
    """Years of each piece: one between marks, the top by its dates, unknown at the bottom and across lost years."""
    duration = np.ones(n_marks + 1)
    duration[0], duration[-1] = top_interval_yr, np.nan
    for gap in gaps:
        if gap.most > 0:
            duration[gap.marks_outside] = np.nan
    return duration


def _pieces_with_gap(n_marks: int, gaps: Sequence[LostYears]) -> BoolArray:
    """Which pieces have a gap in them."""
    crosses = np.zeros(n_marks + 1, dtype=np.bool_)
    crosses[[gap.marks_outside for gap in gaps]] = True
    return crosses


def _gap_flag(gap: LostYears) -> Flag:
    """Put the doubt that a gap brings into words."""
    return Flag(code="gap", detail=f"{gap.least} to {gap.most} years lost inside mark {gap.marks_outside}")


def _top_flags(top_interval_yr: float, top_growth_yr: float) -> tuple[Flag, ...]:
    """Doubt where the outermost growth does not fit the dates; none where either is not known."""
    if abs(top_growth_yr - top_interval_yr) > TOLERANCE_YR:
        detail = f"{top_growth_yr:.1f} years of growth, {top_interval_yr:.1f} years by the dates"
        return (Flag(code="top-mismatch", detail=detail),)
    return ()
