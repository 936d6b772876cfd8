"""The count of years against every stain of known date, and between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bandkit.dates import decimal_year
from bandkit.dating import check_against_stain, check_between_stains
from bandkit.flags import Flag
from bandkit.record import Record
from bandkit.staining import MeasuredStains, StainRow, dated_stains
from bandkit.tracks import MeasuredTrack


def check_count(record: Record, stains: MeasuredStains, track: MeasuredTrack) -> MeasuredStains:
    """Hold the count of years against the stains: each against the collection, and each against the next.

    Parameters
    ----------
    record : Record
        The slab record.
    stains : MeasuredStains
        The stainings on one track.
    track : MeasuredTrack
        The same track with its marks.

    Returns
    -------
    MeasuredStains
        With the years counted outside and between the lines, and a flag wherever they do not fit the dates;
        no date is changed by it.
    """
    marks_mm, dated, name = track.marks.depth_mm, track.dated, stains.track
    if not len(marks_mm):
        return stains
    rows, flags = list(stains.rows), list(stains.flags)
    between = {i.older: i for i in check_between_stains(marks_mm, dated, dated_stains(stains), track=name)}
    for k, row in enumerate(rows):
        if not row.found:
            flags += _beyond_the_end(row, track)
            continue
        check = check_against_stain(
            marks_mm,
            dated,
            stain_depth_mm=row.depth_mm,
            stain_date=row.date,
            collected=record.specimen.collected,
            track=name,
        )
        interval = between.get(row.date)
        counted = check.counted_yr if interval is None else interval.counted_yr
        rows[k] = replace(row, counted_yr=check.counted_yr, increment_counted_yr=counted)
        flags += [item.flag for item in (check, interval) if item is not None and item.flag is not None]
    return replace(stains, rows=tuple(rows), flags=tuple(flags))


def _beyond_the_end(row: StainRow, track: MeasuredTrack) -> list[Flag]:
    """Tell that a staining that was not found would lie deeper than the track reaches, by the marks."""
    date = track.dated.date_decimal
    if len(date) < 2 or not np.isfinite(date).all():
        return []
    marks_mm = track.marks.depth_mm
    position = len(date) - 1 + float(date[-1]) - decimal_year(row.date)
    spacing = float(np.median(np.diff(marks_mm)))
    expected_mm = float(marks_mm[-1]) + (position - len(date) + 1) * spacing
    if position <= len(date) - 1 or expected_mm <= float(track.strip.depth_mm[-1]):
        return []
    detail = f"{row.date.isoformat()} would lie about {expected_mm:.0f} mm deep by the marks"
    return [Flag(code="stain-outside-image", detail=detail, track=track.spec.name)]
