"""Days and years: decimal dates, intervals, and the day for which a mark stands."""

from __future__ import annotations

import datetime as dt

from bandkit.errors import InputError

DAYS_PER_YEAR = 365.25


def decimal_year(date: dt.date) -> float:
    """Give the year with the part of it that was over when the day began.

    Parameters
    ----------
    date : datetime.date
        A day.

    Returns
    -------
    float
        1 January gives a whole number; leap years have 366 parts.
    """
    first = dt.date(date.year, 1, 1)
    n_days = (dt.date(date.year + 1, 1, 1) - first).days
    return date.year + (date - first).days / n_days


def years_between(start: dt.date, end: dt.date) -> float:
    """Interval between two days, in years of 365.25 days.

    Parameters
    ----------
    start, end : datetime.date
        First and last day.

    Returns
    -------
    float
        Interval in years.

    Raises
    ------
    InputError
        ``end`` before ``start``.
    """
    if end < start:
        msg = f"end: {end} lies before the start {start}; check both dates"
        raise InputError(msg)
    return (end - start).days / DAYS_PER_YEAR


def mark_day(year: int, mark_date: tuple[int, int]) -> dt.date:
    """Find the day for which the mark of a year stands.

    Parameters
    ----------
    year : int
        Calendar year.
    mark_date : tuple of int
        Month and day; 29 February becomes the 28th in common years.

    Returns
    -------
    datetime.date
        The day.

    Raises
    ------
    InputError
        No such month and day.
    """
    month, day = mark_date
    try:
        dt.date(2000, month, day)  # a leap year: 29 February exists
    except ValueError as error:
        msg = f"mark_date: month {month}, day {day} is not a day; write month-day such as 09-12"
        raise InputError(msg) from error
    return dt.date(year, 2, 28) if (month, day) == (2, 29) and not _is_leap(year) else dt.date(year, month, day)


def newest_mark_year(date: dt.date, mark_date: tuple[int, int]) -> int:
    """Calendar year of the newest mark on or before a day.

    Parameters
    ----------
    date : datetime.date
        A day, such as that of the collection.
    mark_date : tuple of int
        Month and day for which the mark stands.

    Returns
    -------
    int
        That year or the year before.
    """
    return date.year if mark_day(date.year, mark_date) <= date else date.year - 1


def _is_leap(year: int) -> bool:
    """Whether a year has a 29 February."""
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
