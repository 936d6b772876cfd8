"""Track against track: whether two tracks of one slab mark the same bands.

A band is continuous across the slab, so a mark of one track can be carried along its
band to another and looked for there. Two tracks are two witnesses only as far as they
look at different skeleton: how much of their widths they share is told beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from bandkit.flags import Flag
from bandkit.tracks import MeasuredTrack

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

# Marks on two tracks are of one band when they lie no further apart, as a fraction of a year.
SAME_BAND_YR = 0.3
# A band is carried over along places this far apart.
CARRY_STEP_MM = 2.0
# Where fewer of the bands agree, one doubt says so for all of them.
LEAST_AGREED_FRAC = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackPair:
    """Two tracks of one slab, compared mark by mark along the bands.

    Parameters
    ----------
    first, second : str
        Their names.
    first_match, second_match : ndarray of int
        For each mark of the one its counterpart on the other, counted from 0; -1 where the other has no mark
        on that band, -2 where the band could not be carried over.
    difference_mm : float
        Median distance between marks of one band, both on the second track, in mm; NaN where there is none.
    shared_frac : float
        Share of the narrower strip that both tracks look at: 1 is no second look at all.
    flags : tuple of Flag
        ``tracks-disagree`` with the place.
    """

    first: str
    second: str
    first_match: IntArray
    second_match: IntArray
    difference_mm: float
    shared_frac: float
    flags: tuple[Flag, ...]

    @property
    def n_compared(self) -> int:
        """Bands that are marked on one track and could be looked for on the other."""
        alone = int((self.first_match == -1).sum() + (self.second_match == -1).sum())
        return alone + self.n_agreed

    @property
    def n_agreed(self) -> int:
        """Bands that are marked on both."""
        return int((self.first_match >= 0).sum())


def compare_tracks(tracks: Sequence[MeasuredTrack]) -> tuple[TrackPair, ...]:
    """Compare every two tracks of one slab along the bands.

    Parameters
    ----------
    tracks : sequence of MeasuredTrack
        Tracks of one slab.

    Returns
    -------
    tuple of TrackPair
        One for each two tracks that both have marks.
    """
    marked = [track for track in tracks if len(track.marks.depth_mm) > 1]
    return tuple(_compare(one, other) for one, other in combinations(marked, 2))


def confirmed_of(track: str, pairs: Sequence[TrackPair], n_marks: int) -> tuple[IntArray, IntArray]:
    """How many other tracks each mark was looked for on, and how many have it.

    Parameters
    ----------
    track : str
        Name of the track.
    pairs : sequence of TrackPair
        All comparisons of the slab.
    n_marks : int
        Marks of the track.

    Returns
    -------
    compared_with, confirmed_by : ndarray of int, shape (n_marks,)
        Numbers of tracks.
    """
    compared, confirmed = np.zeros(n_marks, dtype=np.int64), np.zeros(n_marks, dtype=np.int64)
    for pair in pairs:
        for name, match in ((pair.first, pair.first_match), (pair.second, pair.second_match)):
            if name == track:
                compared += match > -2
                confirmed += match >= 0
    return compared, confirmed


def carry_marks(source: MeasuredTrack, target: MeasuredTrack) -> FloatArray:
    """Carry the marks of one track along their bands to another.

    Parameters
    ----------
    source, target : MeasuredTrack
        Two tracks of one slab.

    Returns
    -------
    ndarray, shape (n_marks of the source,)
        Depths on the target from its own surface, in mm; NaN where the strips do not meet or the band was not followed.

    Notes
    -----
    Each band is handed over half-way between the tracks, so that neither is followed further than needed.
    """
    across = source.strip.across_mm
    places = np.arange(float(across[0]), float(across[-1]) + 1e-9, CARRY_STEP_MM)
    marks_mm = source.marks.depth_mm
    shift = source.field.shift_at(marks_mm, places)
    weight = source.field.weight_at(marks_mm, places)
    return np.array([
        _carry(source, target, depth + shift[k], places, weight[k]) for k, depth in enumerate(marks_mm.tolist())
    ])


def _carry(
    source: MeasuredTrack, target: MeasuredTrack, band_mm: FloatArray, places_mm: FloatArray, weight: FloatArray
) -> float:
    """Depth on the target of one band of the source."""
    x_px, y_px = source.strip.place(band_mm, places_mm)
    there = np.array([target.strip.axis.project(float(x), float(y)) for x, y in zip(x_px, y_px, strict=True)])
    width = target.strip.across_mm
    within = (there[:, 1] >= width[0]) & (there[:, 1] <= width[-1]) & (weight > 0)
    if not within.any():
        return float("nan")
    reach = np.where(within, np.maximum(np.abs(places_mm), np.abs(there[:, 1])), np.inf)
    depth, across = there[int(np.argmin(reach))]
    depth -= target.strip.surface.depth_mm
    on_track = depth
    # The field is given at depths on the track, and the place lies beside it: two rounds find the band through it.
    for _ in range(2):
        on_track = depth - float(target.field.shift_at(np.array([on_track]), np.array([across]))[0, 0])
    return float(on_track)


def _compare(one: MeasuredTrack, other: MeasuredTrack) -> TrackPair:
    """Compare two tracks."""
    there, back = carry_marks(one, other), carry_marks(other, one)
    second_mm = other.marks.depth_mm
    first_match = np.where(_comparable(there, other), -1, -2).astype(np.int64)
    second_match = np.where(_comparable(back, one), -1, -2).astype(np.int64)
    year = _local_year(second_mm)
    for i in np.flatnonzero(np.isfinite(there)):
        j = int(np.argmin(np.abs(second_mm - there[i])))
        mutual = int(np.nanargmin(np.abs(there - second_mm[j]))) == i
        if mutual and abs(second_mm[j] - there[i]) <= SAME_BAND_YR * year[j]:
            first_match[i], second_match[j] = j, i
    matched = np.flatnonzero(first_match >= 0)
    apart = np.abs(second_mm[first_match[matched]] - there[matched])
    pair = TrackPair(
        first=one.spec.name,
        second=other.spec.name,
        first_match=first_match,
        second_match=second_match,
        difference_mm=float(np.median(apart)) if apart.size else float("nan"),
        shared_frac=_shared_frac(one, other),
        flags=(),
    )
    return replace(pair, flags=tuple(_flags(pair, one, other)))


def _comparable(depth_mm: FloatArray, target: MeasuredTrack) -> BoolArray:
    """Which carried marks lie where the target was looked at: from its surface to half a year past its last mark."""
    marks_mm = target.marks.depth_mm
    half = 0.5 * float(np.median(np.diff(marks_mm)))
    last = max(float(marks_mm[-1]) + half, float(target.strip.depth_mm[-1]) - half)
    return np.asarray((depth_mm >= 0.0) & (depth_mm <= last))


def _local_year(marks_mm: FloatArray) -> FloatArray:
    """Length of the shorter year beside each mark, in mm."""
    gaps = np.diff(marks_mm)
    return np.asarray(np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0])))


def _shared_frac(one: MeasuredTrack, other: MeasuredTrack) -> float:
    """Share of the narrower strip that lies in the other too, at the middle of the first track."""
    x_px, y_px = one.strip.place(0.5 * float(one.strip.depth_mm[-1]))
    apart = other.strip.axis.project(float(x_px), float(y_px))[1]
    mine, theirs = one.strip.across_mm[[0, -1]] + apart, other.strip.across_mm[[0, -1]]
    overlap = min(mine[1], theirs[1]) - max(mine[0], theirs[0])
    return float(np.clip(overlap / max(min(np.ptp(mine), np.ptp(theirs)), 1e-9), 0.0, 1.0))


def _flags(pair: TrackPair, one: MeasuredTrack, other: MeasuredTrack) -> list[Flag]:
    """Where two tracks do not mark the same bands, or give one band two years."""
    if pair.n_compared and pair.n_agreed < LEAST_AGREED_FRAC * pair.n_compared:
        detail = f"{pair.n_agreed} of {pair.n_compared} bands are marked on both {pair.first} and {pair.second}"
        return [Flag(code="tracks-disagree", detail=detail, track=pair.first)]
    flags = []
    for track, absent, match in ((one, other, pair.first_match), (other, one, pair.second_match)):
        flags += [
            Flag(code="tracks-disagree", detail=f"no mark on this band on track {absent.spec.name}",
                 track=track.spec.name, depth_mm=float(depth))
            for depth in track.marks.depth_mm[match == -1]
        ]  # fmt: skip
    return flags + _label_flags(pair, one, other)


def _label_flags(pair: TrackPair, one: MeasuredTrack, other: MeasuredTrack) -> list[Flag]:
    """Where the years of one band begin to differ between two tracks."""
    if one.dated.floating != other.dated.floating:
        return []
    flags, before = [], 0.0
    for i in np.flatnonzero(pair.first_match >= 0):
        mine, theirs = one.dated.year[i], other.dated.year[pair.first_match[i]]
        if mine - theirs not in (0.0, before):
            detail = f"from here on {mine:.0f} is {theirs:.0f} on track {pair.second}"
            if one.dated.year_lo[i] <= theirs <= one.dated.year_hi[i]:
                detail += ", which the count of this track allows"
            depth = float(one.marks.depth_mm[i])
            flags.append(Flag(code="tracks-disagree", detail=detail, track=pair.first, depth_mm=depth))
        before = mine - theirs
    return flags
