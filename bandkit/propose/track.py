"""Propose a track: from outside the outer surface inwards, along the middle of the slab."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bandkit.propose.picture import BoolArray, FloatArray, Parted, Thing

Point = tuple[float, float]

CORE_ASPECT = 1.5
"""A slab this much longer than wide is taken to have grown along its length."""

_OUTSIDE_FRAC = 0.04  # of the slab's length: how far outside the surface a track begins
_INSIDE_FRAC = 0.03  # ... and how far before the other end it stops
_EDGE_WIDTH_FRAC = 0.6  # middle part of the outer edge that the track is square to
_ROUGHER = 1.5  # an end this much rougher than the other is taken for the broken one
_STRAIGHT_CELLS = 0.5  # an end straight to within this is a saw cut
_LEAST_BULGE_CELLS = 1.0
_MOST_TILT = 0.35  # tangent, against the slab's own axis


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackProposal:
    """A track and how it was come by.

    Parameters
    ----------
    points : tuple of Point
        Column and row, from outside the surface inwards.
    side : {"upper", "lower", "left", "right"}
        Where the outer surface was taken to be.
    why_side : str
        Why there, in words.
    why_axis : str
        Why along this direction, in words.
    starts_outside : bool
        False where the picture ends before the surround begins.
    """

    points: tuple[Point, ...]
    side: str
    why_side: str
    why_axis: str
    starts_outside: bool


def propose_track(parted: Parted, slab: Thing) -> TrackProposal | None:
    """Propose one straight track.

    Parameters
    ----------
    parted : Parted
        The picture.
    slab : Thing
        The slab in it.

    Returns
    -------
    TrackProposal or None
        In cells of the picture; None where the slab is too small.
    """
    if min(slab.mask.shape) < 10:
        return None
    upright, why_axis = _growth_is_upright(slab.mask)
    mask = slab.mask if upright else slab.mask.T
    first, last = _ends(mask)
    room = (slab.top, parted.grey.shape[0] - slab.top - slab.mask.shape[0])
    if not upright:
        room = (slab.left, parted.grey.shape[1] - slab.left - slab.mask.shape[1])
    from_first, why_side = _outer_is_first(first, last, room)
    points = _line(mask, first, last, from_first=from_first)
    x_y = [(slab.left + u, slab.top + v) if upright else (slab.left + v, slab.top + u) for u, v in points]
    names = ("upper", "lower") if upright else ("left", "right")
    inside, starts_outside = _clip(x_y, parted.grey.shape)
    return TrackProposal(points=inside, side=names[0 if from_first else 1], why_side=why_side, why_axis=why_axis,
                         starts_outside=starts_outside)


def _growth_is_upright(mask: BoolArray) -> tuple[bool, str]:
    """Whether the slab grew along y, and why."""
    h, w = mask.shape
    if max(h, w) >= CORE_ASPECT * min(h, w):
        return h > w, "along the slab's length"
    upper_lower, left_right = (sum(_roughness(edge, degree=1) for edge in _ends(m)) for m in (mask, mask.T))
    if max(upper_lower, left_right) > _ROUGHER * min(upper_lower, left_right):
        return upper_lower > left_right, "between the two sides that are not sawn straight"
    return True, "upright, as slabs mostly are shown"


def _ends(mask: BoolArray) -> tuple[FloatArray, FloatArray]:
    """First and last row of the slab in each column; NaN where the column is empty."""
    filled = mask.any(axis=0)
    first = np.where(filled, mask.argmax(axis=0), np.nan)
    last = np.where(filled, mask.shape[0] - 1 - mask[::-1].argmax(axis=0), np.nan)
    return first, last


def _outer_is_first(first: FloatArray, last: FloatArray, room: tuple[int, int]) -> tuple[bool, str]:
    """Whether the outer surface is at the upper (left) end, and why."""
    if (room[0] <= 1) != (room[1] <= 1):
        return room[0] > 1, "the other end runs out of the picture"
    domes = [_is_dome(-first), _is_dome(last)]
    sawn = [_roughness(edge, degree=1) <= _STRAIGHT_CELLS for edge in (first, last)]
    for end in (0, 1):
        if domes[end] and sawn[1 - end]:
            return end == 0, "it is domed, the other end straight"
    rough = [_roughness(edge) for edge in (first, last)]
    if max(rough) > _ROUGHER * min(rough):
        return rough[0] < rough[1], "the smoother end is taken for the surface, the rougher for the break"
    return True, "nothing tells the ends apart"


def _is_dome(outward: FloatArray) -> bool:
    """Whether an edge bulges outwards by more than its own roughness."""
    t, values = _middle_of(outward)
    half = (t[-1] - t[0]) / 2
    bulge = -float(np.polyfit(t - t.mean(), values, 2)[0]) * half**2
    return bool(bulge > max(_roughness(outward), _LEAST_BULGE_CELLS))


def _roughness(edge: FloatArray, *, degree: int = 2) -> float:
    """Scatter of the middle part of an edge about a smooth curve or straight line, at least a quarter of a cell."""
    t, values = _middle_of(edge)
    return max(float((values - np.polyval(np.polyfit(t - t.mean(), values, degree), t - t.mean())).std()), 0.25)


def _middle_of(edge: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Positions and values of the middle part of an edge."""
    columns = np.flatnonzero(np.isfinite(edge)).astype(np.float64)
    middle, half = (columns[0] + columns[-1]) / 2, _EDGE_WIDTH_FRAC * (columns[-1] - columns[0]) / 2
    t = columns[np.abs(columns - middle) <= half]
    return t, edge[t.astype(int)]


def _line(mask: BoolArray, first: FloatArray, last: FloatArray, *, from_first: bool) -> list[Point]:
    """Start, middle and end of a line inwards, square to the outer edge, as (across, along)."""
    outer = first if from_first else last
    t, values = _middle_of(outer)
    slope, offset = np.polyfit(t - t.mean(), values, 1)
    inwards = 1.0 if from_first else -1.0
    tilt = float(np.clip(-slope * inwards, -_MOST_TILT, _MOST_TILT))
    if mask.shape[0] >= CORE_ASPECT * mask.shape[1]:
        tilt = _own_tilt(mask) * inwards
    length = mask.shape[0]
    start = -_OUTSIDE_FRAC * length
    depth = np.arange(0, length)
    u = np.clip(np.rint(t.mean() + tilt * depth), 0, mask.shape[1] - 1).astype(int)
    v = np.clip(np.rint(offset + inwards * depth), 0, length - 1).astype(int)
    on_slab = np.flatnonzero(mask[v, u])
    end = float(on_slab[-1]) - _INSIDE_FRAC * length if on_slab.size else 0.5 * length
    return [(float(t.mean() + tilt * s), float(offset + inwards * s)) for s in (start, (start + end) / 2, end)]


def _own_tilt(mask: BoolArray) -> float:
    """How far a core's middle moves across for each row down it."""
    rows = np.flatnonzero(mask.any(axis=1))
    inner = rows[int(0.15 * rows.size) : max(int(0.85 * rows.size), int(0.15 * rows.size) + 2)]
    middles = np.array([np.flatnonzero(mask[row]).mean() for row in inner])
    return float(np.clip(np.polyfit(inner, middles, 1)[0], -_MOST_TILT, _MOST_TILT))


def _clip(points: list[Point], shape: tuple[int, ...]) -> tuple[tuple[Point, ...], bool]:
    """Keep the points inside the picture; whether the first one was."""
    h, w = shape
    inside = tuple((float(np.clip(x, 1, w - 2)), float(np.clip(y, 1, h - 2))) for x, y in points)
    return inside, inside[0] == points[0]
