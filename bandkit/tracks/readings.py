"""A person's marks on a track: all of them, or a few that hold while the program finds the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.dating import N_READING_DRAWS, draw_readings
from bandkit.follow import BandField
from bandkit.record import ReadingSpec, Record
from bandkit.record.model import Certainty
from bandkit.record.model_mass import Point
from bandkit.stats import Z_90
from bandkit.tracks.cut import TrackStrip
from bandkit.tracks.sequence import PICKING_SD_MM, SAME_MARK_YR, TrackMarks, counted, with_pick

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """One mark of a person, carried onto the track.

    Parameters
    ----------
    depth_mm : float
        Depth from the surface, in mm.
    certainty : {"certain", "doubtful", "inserted"}
        How sure the reader was.
    reader : str
        Who it was.
    """

    depth_mm: float
    certainty: Certainty
    reader: str


def readings_of(record: Record, track: str) -> tuple[ReadingSpec | None, tuple[ReadingSpec, ...]]:
    """Which readings of a track count.

    Parameters
    ----------
    record : Record
        The slab record.
    track : str
        Name of the track.

    Returns
    -------
    whole : ReadingSpec or None
        The reading that gives all marks: the last one of the record, where it does.
    fixed : tuple of ReadingSpec
        Otherwise those that hold a few marks, as far back as the last one that gave all.
    """
    readings = [reading for reading in record.readings if reading.track == track and reading.marks]
    if readings and readings[-1].role == "all":
        return readings[-1], ()
    since = max((i for i, reading in enumerate(readings, 1) if reading.role == "all"), default=0)
    return None, tuple(readings[since:])


def depth_on_track(at_px: Point, strip: TrackStrip, field: BandField) -> float:
    """Depth at which the band through a place crosses the track.

    Parameters
    ----------
    at_px : tuple of float
        A place [x, y] beside the track or on it.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.

    Returns
    -------
    float
        Depth from the surface, in mm, within the track.
    """
    depth, across = strip.axis.project(*at_px)
    depth -= strip.surface.depth_mm
    shift = field.shift_at(np.array([depth]), np.array([across]))[0, 0]
    return float(np.clip(depth - float(shift), 0.0, float(strip.depth_mm[-1])))


def picks_of(readings: Sequence[ReadingSpec], strip: TrackStrip, field: BandField) -> list[Pick]:
    """A person's marks, carried along the bands onto the track.

    Parameters
    ----------
    readings : sequence of ReadingSpec
        Readings of this track.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.

    Returns
    -------
    list of Pick
        From the surface inwards.
    """
    picks = [
        Pick(depth_mm=depth_on_track(mark.at_px, strip, field), certainty=mark.certainty, reader=reading.reader)
        for reading in readings
        for mark in reading.marks
    ]
    return sorted(picks, key=lambda pick: pick.depth_mm)


def marks_of(reading: ReadingSpec, strip: TrackStrip, field: BandField) -> TrackMarks:
    """All marks of a track as a person read them.

    Parameters
    ----------
    reading : ReadingSpec
        The reading.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.

    Returns
    -------
    TrackMarks
        A doubtful mark is half a year, plus or minus a half: it stands in half of the sequences.
    """
    picks = picks_of([reading], strip, field)
    depth_mm = np.array([pick.depth_mm for pick in picks])
    certainty = np.array([pick.certainty for pick in picks], dtype=np.str_)
    half = Z_90 * PICKING_SD_MM
    none = np.empty(0)
    return counted(
        TrackMarks(
            depth_mm=depth_mm,
            lo_mm=depth_mm - half,
            hi_mm=depth_mm + half,
            probability=np.where(certainty == "doubtful", 0.5, 1.0),
            certainty=certainty,
            origin=np.full(len(picks), reading.reader),
            count_lo=none,
            count_hi=none,
            total_lo=0,
            total_hi=0,
            draws_mm=draw_readings(depth_mm, certainty == "doubtful"),
        )
    )


def fixed_depths(picks: Sequence[Pick]) -> FloatArray:
    """Depths that a person is certain to be annual marks.

    Parameters
    ----------
    picks : sequence of Pick
        Marks of readings of role "fixed".

    Returns
    -------
    ndarray
        In mm; doubtful marks are not certain, and inserted ones stand for years that left no band.
    """
    return np.array([pick.depth_mm for pick in picks if pick.certainty == "certain"], dtype=np.float64)


def with_picks(marks: TrackMarks, picks: Sequence[Pick], year_mm: float) -> TrackMarks:
    """Put a person's marks among computed ones, each as sure as the person was.

    Parameters
    ----------
    marks : TrackMarks
        Computed marks.
    picks : sequence of Pick
        Marks of readings of role "fixed".
    year_mm : float
        Length of a year here, in mm.

    Returns
    -------
    TrackMarks
        A certain mark replaces the computed one that lies there, and stands in every sequence; a doubtful one
        in half of them; an inserted one stands beside the computed marks.
    """
    if picks and not marks.draws_mm:
        marks = replace(marks, draws_mm=[np.empty(0)] * N_READING_DRAWS)
    n_draws = len(marks.draws_mm)
    unsure = 0
    for pick in picks:
        in_draw = np.ones(n_draws, dtype=np.bool_)
        if pick.certainty == "doubtful":
            # Doubtful marks take turns, so that every combination of a few is met equally often.
            in_draw = (np.arange(n_draws) >> (unsure % 9) & 1) == 0
            unsure += 1
        marks = with_pick(
            marks,
            pick.depth_mm,
            certainty=pick.certainty,
            reader=pick.reader,
            within_mm=SAME_MARK_YR * year_mm,
            in_draw=in_draw,
        )
    return marks
