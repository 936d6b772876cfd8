"""Measure a piece where the pixels are fine: its sides, its ends, and how much it looks like a drawn bar."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.scale.piece import FoundBar, Grey, Piece, bar_of
from bandkit.scale.search import MIN_ASPECT
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]

_LEAST_END_SD_PX = 0.05
_ODD_SHAPE = 0.5
_STROKE_DOUBT = 0.5  # of what an end stroke seems to add: blur and thickness are known to about that
_MOST_PALED = 0.8  # of a narrow shaft of which the blur leaves little to measure


def measure(grey: Grey, rough: Piece, *, slack: float = 2.0) -> FoundBar | None:
    """Measure a piece: sides, then ends, then how much it looks like a bar.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        The picture.
    rough : Piece
        Where the piece is, to within ``slack``.
    slack : float, optional
        How far off its ends and sides may be, in pixels of ``grey``.

    Returns
    -------
    FoundBar or None
        None where the piece has no two sides and two ends.
    """
    first = _fit_sides(grey, rough, slack)
    sides = first and _fit_sides(grey, first.piece, slack)
    if sides is None:
        return None
    profile = _Profile.along_piece(grey, sides.piece, slack)
    left, right = _find_end(profile.turned()), _find_end(profile)
    if left is None or right is None:
        return None
    middle = (right.at - left.at) / 2
    piece = sides.piece.shifted(middle, length=right.at + left.at)
    found = bar_of(piece, float(np.hypot(left.sd, right.sd)))
    inner = np.abs(profile.along - middle) <= piece.length / 2 - 1.5 * max(left.blur, right.blur)
    return replace(found, confidence=_likeness(profile, inner, sides, (left, right), piece))


def _sample(grey: Grey, piece: Piece, along: FloatArray, across: FloatArray) -> FloatArray:
    """Greys at distances along and across a piece, shape (across, along)."""
    from scipy import ndimage  # only where a bar must be found

    u, v = along[None, :], across[:, None]
    y, x = piece.y + u * piece.dy + v * piece.dx, piece.x + u * piece.dx - v * piece.dy
    values: FloatArray = ndimage.map_coordinates(grey, [y, x], order=1, mode="nearest", output=np.float64)
    return values


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sides:
    """The two long sides: the piece between them, and how straight and parallel they are."""

    piece: Piece
    roughness: float
    taper: float


def _fit_sides(grey: Grey, piece: Piece, slack: float) -> _Sides | None:
    """Straight lines through the half-height points of both sides, over the inner 80 % of the length."""
    along = np.linspace(-0.4, 0.4, int(np.clip(0.8 * piece.length, 8, 128))) * piece.length
    reach = 1.5 * piece.width / 2 + 3.0 + slack
    outward = np.arange(0.0, piece.width / 2 + reach, 0.5)
    inside = np.median(_sample(grey, piece, along, np.linspace(-0.2, 0.2, 3) * piece.width), axis=0)
    lines = []
    for side in (-1, 1):
        edge = _half_height(_sample(grey, piece, along, side * outward), inside, outward)
        line = _robust_line(along / piece.length, side * edge)
        if line is None:
            return None
        lines.append(line)
    (offset_a, slope_a, rms_a), (offset_b, slope_b, rms_b) = lines
    width = offset_b - offset_a
    if not width > 0.5:
        return None
    tilt = (slope_a + slope_b) / 2 / piece.length
    norm, offset = np.hypot(1.0, tilt), (offset_a + offset_b) / 2
    turned = replace(piece, x=piece.x - offset * piece.dy, y=piece.y + offset * piece.dx, width=width / norm,
                     dx=(piece.dx - tilt * piece.dy) / norm, dy=(piece.dy + tilt * piece.dx) / norm)
    return _Sides(piece=turned, roughness=max(rms_a, rms_b), taper=abs(slope_b - slope_a))


def _half_height(values: FloatArray, inside: FloatArray, outward: FloatArray) -> FloatArray:
    """First place outwards where each column is half way between inside and surround; NaN where nowhere."""
    surround = np.median(values[-max(len(outward) // 3, 2):], axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        height = (values - surround) / (inside - surround)
        below = height < 0.5
    first = np.argmax(below, axis=0)
    columns = np.arange(values.shape[1])
    h0, h1 = height[np.maximum(first - 1, 0), columns], height[first, columns]
    with np.errstate(invalid="ignore", divide="ignore"):
        place = outward[np.maximum(first - 1, 0)] + 0.5 * (h0 - 0.5) / (h0 - h1)
    return np.where(below.any(axis=0) & (first > 0), place, np.nan)


def _robust_line(t: FloatArray, values: FloatArray) -> tuple[float, float, float] | None:
    """Offset, slope and scatter of a line through most of the points; None for too few points."""
    keep = np.isfinite(values)
    for _ in range(4):
        if keep.sum() < max(4, 0.5 * t.size):
            return None
        slope, offset = np.polyfit(t[keep], values[keep], 1)
        residual = values - (offset + slope * t)
        scatter = robust_sd(residual[keep], about=0.0)
        keep = np.isfinite(values) & (np.abs(residual) <= 3 * scatter + 0.2)
    return float(offset), float(slope), float(scatter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Profile:
    """Along a piece, every half pixel: its own grey, that of the lanes on both sides, and that close beside it."""

    along: FloatArray
    own: FloatArray
    lane_a: FloatArray
    lane_b: FloatArray
    beside: FloatArray
    length: float
    width: float
    paled: float

    @classmethod
    def along_piece(cls, grey: Grey, piece: Piece, slack: float) -> _Profile:
        """Sample a piece and what lies beyond its ends."""
        half = piece.length / 2 + 1.5 * piece.width + 12.0 + slack
        along = np.arange(-half, half + 0.5, 0.5)
        # keep clear of the sides: blur pales a bar there, but not its end strokes
        spread = float(np.clip(piece.width / 2 - 2.0, 0.0, 0.35 * piece.width))
        rows = np.linspace(-spread, spread, int(np.clip(2 * spread + 1, 1, 15)))
        lane = piece.width / 2 + np.linspace(2.0, 4.0 + 0.4 * piece.width, 5)
        return cls(along=along, own=_sample(grey, piece, along, rows).mean(axis=0),
                   lane_a=np.median(_sample(grey, piece, along, -lane), axis=0),
                   lane_b=np.median(_sample(grey, piece, along, lane), axis=0),
                   beside=_sample(grey, piece, along, np.array([-lane[0], lane[0]])).mean(axis=0),
                   length=piece.length, width=piece.width, paled=_paled(grey, piece, rows))

    def turned(self) -> _Profile:
        """Return the same profile, walked from the other end."""
        return _Profile(along=-self.along[::-1], own=self.own[::-1], lane_a=self.lane_b[::-1],
                        lane_b=self.lane_a[::-1], beside=self.beside[::-1], length=self.length, width=self.width,
                        paled=self.paled)


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    """One end: its place along the piece, error, blur (distance over which it falls), grey beyond it."""

    at: float
    sd: float
    blur: float
    beyond: float


def _find_end(profile: _Profile) -> _End | None:
    """Where the piece ends, walking along it; None where it does not."""
    along, own = profile.along, profile.own
    core = np.abs(along) < 0.35 * profile.length
    inside = float(np.median(own[core]))
    surround = float(np.median([profile.lane_a[core], profile.lane_b[core]]))
    if inside == surround:
        return None
    height = (own - surround) / (inside - surround)
    out = np.flatnonzero((height < 0.5) & (along > 0))
    if not out.size or height[out[0] - 1] < 0.5:
        return None
    crossing = float(along[out[0]] - 0.5 * (0.5 - height[out[0]]) / (height[out[0] - 1] - height[out[0]]))
    blur = _fall(along, height, int(out[0]))
    reach = float(np.clip(1.5 * blur + 1.0, 2.5, 0.2 * profile.length))
    place = crossing
    for _ in range(3):
        level = _levels(along, own, place, reach)
        if level is None or (level[0] - level[1]) * (inside - surround) <= 0:
            return None
        top, bottom = level
        near = (along >= place - reach) & (along <= place + reach)
        place = float(along[near][0] - 0.25 + 0.5 * np.sum(own[near] - bottom) / (top - bottom))
    noise = float((own[core][2:] - own[core][:-2]).std()) / np.sqrt(2) / abs(top - bottom)
    excess = _stroke_excess(profile, core, inside - surround, surround)
    # noise in the edge itself and in the two levels; an edge of odd shape has no one place; and
    # what an end stroke adds is known only as well as the blur
    sd = float(np.hypot(_LEAST_END_SD_PX, noise * np.sqrt(3 * reach)) + _ODD_SHAPE * abs(place - crossing)
               + _STROKE_DOUBT * excess)
    return _End(at=place - excess, sd=sd, blur=blur, beyond=bottom)


def _stroke_excess(profile: _Profile, core: NDArray[np.bool_], contrast: float, surround: float) -> float:
    r"""Length that the far end gains by an end stroke, which outshines a narrow shaft that blur has paled.

    Of ink of contrast C a shaft shows only A, a stroke of thickness t all of it: light summed along the middle and
    divided by A is longer by :math:`t (C / A - 1) = (C t / A)(1 - A / C)`. Beside the shaft the stroke shows by how
    much it rises over the shaft's own fringe.
    """
    fringe = float(np.median(profile.beside[core]) - surround) / contrast
    beside = (profile.beside - np.median(profile.beside[core])) / contrast
    beyond_core = profile.along > 0.35 * profile.length
    rise = 0.5 * float(np.sum(np.clip(beside[beyond_core] - 3 * beside[core].std(), 0.0, None)))
    ink = 1 / (1 - profile.paled)  # in units of what the shaft shows
    return max(rise * ink / max(ink - fringe, 0.2 * ink) * profile.paled, 0.0)


def _paled(grey: Grey, piece: Piece, rows: FloatArray) -> float:
    """Share of its contrast that a shaft lost to blur in its middle rows, by a blurred rectangle fitted across it."""
    from scipy.optimize import least_squares  # slow to load, and only needed where a bar is measured
    from scipy.special import ndtr

    reach = piece.width / 2 + 4.0 + 0.5 * piece.width
    across = np.arange(-reach, reach + 0.25, 0.5)
    along = np.linspace(-0.3, 0.3, int(np.clip(0.6 * piece.length, 8, 200))) * piece.length
    seen = np.mean(_sample(grey, piece, along, across), axis=1)
    level, height = float(np.median(seen[[0, 1, -2, -1]])), float(np.ptp(seen))
    if height == 0:
        return 0.0
    seen = (seen - level) * piece.sign / height

    def shown(width: float, sigma: float, v: FloatArray) -> FloatArray:
        return np.asarray(ndtr((v + width / 2) / sigma) - ndtr((v - width / 2) / sigma))

    def off(p: FloatArray) -> FloatArray:
        return np.asarray(p[2] * shown(p[0], p[1], across - p[3]) + p[4] - seen)

    start = [piece.width, 0.25 * piece.width, 1.2, 0.0, 0.0]
    limits = ([0.3 * piece.width, 0.2, 0.5, -2.0, -0.3], [1.3 * piece.width + 1, piece.width + 1, 6.0, 2.0, 0.3])
    fitted = least_squares(off, start, bounds=limits, method="trf").x
    # linear sampling blurs a little as well; it is part of what is fitted
    return float(np.clip(1 - shown(fitted[0], fitted[1], rows).mean(), 0.0, _MOST_PALED))


def _levels(along: FloatArray, own: FloatArray, place: float, reach: float) -> tuple[float, float] | None:
    """Greys just inside and just beyond an end; None where there is no room for them."""
    before = (along >= place - 3 * reach) & (along < place - reach)
    after = (along > place + reach) & (along <= place + 3 * reach)
    if before.sum() < 3 or after.sum() < 3:
        return None
    return float(own[before].mean()), float(own[after].mean())


def _fall(along: FloatArray, height: FloatArray, first_out: int) -> float:
    """Distance over which the height falls from 0.8 to 0.2 about an end."""
    high = np.flatnonzero(height[:first_out] > 0.8)
    low = np.flatnonzero(height[first_out:] < 0.2)
    start = along[high[-1]] if high.size else along[0]
    stop = along[first_out + low[0]] if low.size else along[-1]
    return float(stop - start)


def _likeness(profile: _Profile, inner: NDArray[np.bool_], sides: _Sides, ends: tuple[_End, _End],
              piece: Piece) -> float:
    """How much a measured piece looks like a drawn bar, 0 to 1: product of what may be wrong with it."""
    if inner.sum() < 5:
        return 0.0
    own, lane_a, lane_b = profile.own[inner], profile.lane_a[inner], profile.lane_b[inner]
    a, b = float(np.median(lane_a)), float(np.median(lane_b))
    surround = (a + b) / 2
    contrast = (float(np.median(own)) - surround) * piece.sign
    if contrast <= 0:
        return 0.0
    lane_spread = robust_sd(np.concatenate([lane_a - a, lane_b - b]), about=0.0)
    beyond = max(abs(end.beyond - surround) for end in ends)
    blur = max(end.blur for end in ends)
    faults = (  # what is measured, and the value of it that halves the confidence
        (float(own.std()) / contrast, 0.15),  # uneven inside: a core, a row of standards
        (abs(a - b) / contrast, 0.5),  # not the same on both sides: an edge
        (beyond / contrast, 0.5),  # not the same beyond the ends: a band across a slab
        (lane_spread / contrast, 0.25),  # uneven beside it: texture
        (sides.roughness / (0.5 + 0.05 * piece.width), 1.5),
        (sides.taper / (1.0 + 0.1 * piece.width), 2.0),
        (blur / (3.0 + 0.5 * piece.width), 2.0),  # ends that fade or round off
        (piece.width / piece.length, 1 / MIN_ASPECT),
    )
    return float(np.prod([1 / (1 + (value / half) ** 4) for value, half in faults]))
