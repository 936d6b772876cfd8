"""Doublets, stress bands, gaps and absent years: kept as what they are, beside the years."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.dating import LostYears
from bandkit.flags import Flag
from bandkit.follow import BandField
from bandkit.record import EventSpec, Record
from bandkit.tracks.cut import TrackStrip
from bandkit.tracks.readings import depth_on_track
from bandkit.tracks.sequence import BandEvent, TrackMarks, without_marks

FloatArray = NDArray[np.float64]

# Half the width of a band that is declared to be no year, as a fraction of a year and at most.
EVENT_HALF_YR = 0.15
EVENT_HALF_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A band that a person declared to be no year of its own, carried onto the track.

    Parameters
    ----------
    spec : EventSpec
        As it stands in the record.
    depth_mm : float
        Depth from the surface, in mm.
    """

    spec: EventSpec
    depth_mm: float


def declared_events(record: Record, track: str, strip: TrackStrip, field: BandField) -> tuple[Declared, ...]:
    """What a person declared on a track.

    Parameters
    ----------
    record : Record
        The slab record.
    track : str
        Name of the track.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.

    Returns
    -------
    tuple of Declared
        From the surface inwards.
    """
    found = [
        Declared(spec=spec, depth_mm=depth_on_track(spec.at_px, strip, field))
        for spec in record.events
        if spec.track == track
    ]
    return tuple(sorted(found, key=lambda event: event.depth_mm))


def event_half_mm(year_mm: float) -> float:
    """Half the width of a band that is no year.

    Parameters
    ----------
    year_mm : float
        Length of a year, in mm.

    Returns
    -------
    float
        In mm; all of it is kept from the search for marks.
    """
    return min(EVENT_HALF_YR * year_mm, EVENT_HALF_MM) if np.isfinite(year_mm) else EVENT_HALF_MM


def hidden_rows(depth_mm: FloatArray, declared: Sequence[Declared], half_mm: float) -> NDArray[np.bool_]:
    """Samples of a profile that lie in a declared event.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_depth,)
        Depth from the surface, in mm.
    declared : sequence of Declared
        Bands that are no years.
    half_mm : float
        Half their width, in mm.

    Returns
    -------
    ndarray of bool, shape (n_depth,)
        True inside.
    """
    hidden = np.zeros(len(depth_mm), dtype=np.bool_)
    for event in declared:
        hidden |= np.abs(depth_mm - event.depth_mm) <= half_mm
    return hidden


def found_events(
    marks: TrackMarks, doublet_mm: FloatArray | None = None, stress_mm: FloatArray | None = None
) -> tuple[BandEvent, ...]:
    """Doublets and stress bands that the model of the year found.

    Parameters
    ----------
    marks : TrackMarks
        Its marks.
    doublet_mm : ndarray, shape (n_marks,), optional
        Second crests, one for each mark; NaN where there is none.
    stress_mm : ndarray, optional
        Depths of stress bands.

    Returns
    -------
    tuple of BandEvent
        Doublets, then stress bands.
    """
    events = []
    if doublet_mm is not None and len(doublet_mm):
        events += [
            BandEvent(kind="doublet", depth_mm=float(depth), second_mm=float(second), certainty=str(certainty))
            for depth, second, certainty in zip(marks.depth_mm, doublet_mm, marks.certainty, strict=True)
            if np.isfinite(second)
        ]
    if stress_mm is not None:
        events += [BandEvent(kind="stress band", depth_mm=float(depth), certainty="doubtful") for depth in stress_mm]
    return tuple(events)


def with_declared(
    marks: TrackMarks, declared: Sequence[Declared], half_mm: float
) -> tuple[TrackMarks, list[Flag]]:
    """Give way to what a person declared: no computed mark stays on a band that is no year.

    Parameters
    ----------
    marks : TrackMarks
        The marks so far, with the events that were found.
    declared : sequence of Declared
        Bands that a person declared to be no years.
    half_mm : float
        Half the width of such a band, in mm.

    Returns
    -------
    marks : TrackMarks
        With all events, from the surface inwards.
    flags : list of Flag
        Which computed marks were left out, and where a person's mark contradicts an event.
    """
    places = np.array([event.depth_mm for event in declared])
    marks, left_out = without_marks(marks, places, half_mm)
    flags = [
        Flag(code="mark-left-out", detail=_why(depth, declared), depth_mm=float(depth)) for depth in left_out.tolist()
    ]
    own_mm = marks.depth_mm[marks.origin != "computed"]
    flags += [
        Flag(code="event-contradicted", detail=f"{event.spec.kind} at {event.depth_mm:.1f} mm", depth_mm=event.depth_mm)
        for event in declared
        if np.any(np.abs(own_mm - event.depth_mm) <= half_mm)
    ]
    # What a person declared, or marked as a year, stands for what was found there.
    taken = np.concatenate([places, own_mm])
    kept = [event for event in marks.events if not np.any(np.abs(_crest(event) - taken) <= half_mm)]
    own = [_declared_event(event, marks) for event in declared]
    return replace(marks, events=tuple(sorted([*own, *kept], key=lambda event: event.depth_mm))), flags


def gap_events(gaps: Sequence[LostYears], extents_mm: Sequence[tuple[float, float]]) -> list[BandEvent]:
    """Gaps of a track as events.

    Parameters
    ----------
    gaps : sequence of LostYears
        Their years.
    extents_mm : sequence of tuple of float
        Depths of their outer and inner end, in mm.

    Returns
    -------
    list of BandEvent
        One for each.
    """
    return [
        BandEvent(kind="gap", depth_mm=outer, second_mm=inner, origin="record", years_least=float(gap.least),
                  years_most=float(gap.most))
        for gap, (outer, inner) in zip(gaps, extents_mm, strict=True)
    ]  # fmt: skip


def absent_years(marks: TrackMarks) -> list[BandEvent]:
    """Years that left no band, as a person inserted them.

    Parameters
    ----------
    marks : TrackMarks
        The marks of a track.

    Returns
    -------
    list of BandEvent
        One for each inserted mark.
    """
    return [
        BandEvent(kind="absent year", depth_mm=float(depth), certainty="inserted", origin=str(origin))
        for depth, certainty, origin in zip(marks.depth_mm, marks.certainty, marks.origin, strict=True)
        if certainty == "inserted"
    ]


def _declared_event(event: Declared, marks: TrackMarks) -> BandEvent:
    """A declared event; the second crest of a doublet goes with the mark nearest to it."""
    if event.spec.kind == "stress band" or not len(marks.depth_mm):
        return BandEvent(kind=event.spec.kind, depth_mm=event.depth_mm, origin="record", note=event.spec.note)
    nearest = float(marks.depth_mm[np.argmin(np.abs(marks.depth_mm - event.depth_mm))])
    return BandEvent(
        kind="doublet", depth_mm=nearest, second_mm=event.depth_mm, origin="record", note=event.spec.note
    )


def _crest(event: BandEvent) -> float:
    """Depth of the band that is no year, in mm."""
    return event.second_mm if event.kind == "doublet" else event.depth_mm


def _why(depth_mm: float, declared: Sequence[Declared]) -> str:
    """Which declared event a mark was left out for."""
    nearest = min(declared, key=lambda event: abs(event.depth_mm - depth_mm))
    what = "the second crest of a doublet" if nearest.spec.kind == "doublet" else "a stress band"
    return f"{what} is declared at {nearest.depth_mm:.1f} mm"
