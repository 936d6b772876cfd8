"""Marks and dates give years, and what the count may be off by.

The newest mark is dated by the collection of a coral whose top was alive: it
stands for the newest mark date on or before that day. Marks inside it are counted
back, a year each. A mark bears the calendar year of its date. A track with ``n``
marks has ``n + 1`` pieces: outside the newest mark, between marks, and inside the
oldest mark; a piece bears the year of the mark at its outer end::

    collected 2019-06-15, mark date 09-12

    surface    mark 2018         mark 2017         mark 2016    end of track
       |--2019-----|------2018-------|------2017-------|----2016----|
         partial        complete          complete         partial

Where nothing ties the series to a calendar it floats: marks are numbered 1, 2, 3
from the outside, and the outermost piece is number 0.
"""

from bandkit.dating.chronology import N_READING_DRAWS, date_draws, draw_readings, year_intervals
from bandkit.dating.marks import DatedMarks, LostYears, StainAnchor, date_marks
from bandkit.dating.position import position_among_marks
from bandkit.dating.stains import (
    DatedStain,
    StainCheck,
    StainInterval,
    check_against_stain,
    check_between_stains,
    choose_anchor,
)
from bandkit.uncertainty import Chronologies

__all__ = [
    "N_READING_DRAWS",
    "Chronologies",
    "DatedMarks",
    "DatedStain",
    "LostYears",
    "StainAnchor",
    "StainCheck",
    "StainInterval",
    "check_against_stain",
    "check_between_stains",
    "choose_anchor",
    "date_draws",
    "date_marks",
    "draw_readings",
    "position_among_marks",
    "year_intervals",
]
