"""Follow a row of ticks along a ruler's edge, from a place where a few are seen to both its ends.

The picture is sampled along the row in steps of a tick, so that a tick is one turn of
phase whatever the perspective. The phase of every tick says how far it lies from where
it was expected, and where across the row it is steady are the ticks. From there the row is
corrected, in direction, spacing and slant, and followed half as far again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.scale.row import Pixels, Row
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

GRID = 10
"""Samples to a tick."""
ACROSS = 4
"""Samples across the row to the length of one spacing."""
FIRST_TICKS = 8.0
"""As many ticks to both sides of the first place are looked at first."""
REACH = 13
"""How far to both sides of the row is looked, in spacings."""

_FURTHER = 1.6
_SMOOTH_TICKS = 2.5
_ZONE = 0.45  # of the steadiest line across: where the ticks are
_STEADY = 0.7  # length of the mean of neighbouring ticks' phasors over the mean of their lengths
_FAINT = 0.25  # of the usual strength of ticks
_MOST_OFF = 0.16  # of a spacing: a tick further from its place is none
_EARLY_TICKS = 13.0  # as far as this, most ticks must be seen, and in their places
_EARLY_SEEN = 0.5
_EARLY_OFF_SD = 0.12
_STRONGEST = 3.0  # of what nine tenths of the greys differ from their neighbours by
_FEW_HIDDEN = 8  # ticks: so many may be hidden, or a quarter of those already counted
_HIDDEN_FRAC = 0.25
_BLOCK_TICKS = 64
_FEWEST = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ticks:
    """What was seen along a row.

    Parameters
    ----------
    row : Row
        Where the ticks are.
    n : ndarray, shape (n_ticks,)
        Numbers of all places looked at.
    off : ndarray, shape (n_ticks,)
        How far each tick is from its place on the row, in spacings.
    seen : ndarray of bool, shape (n_ticks,)
        Where a tick stands in its place.
    values : ndarray, shape (n_across, n_ticks * GRID)
        The picture, straightened: ticks upright, a spacing ``GRID`` wide.
    zone : slice
        Lines of ``values`` where every tick is.
    """

    row: Row
    n: FloatArray
    off: FloatArray
    seen: NDArray[np.bool_]
    values: FloatArray
    zone: slice

    @property
    def off_sd(self) -> float:
        """Scatter of the ticks about their places, in spacings; as of pure chance where there are too few."""
        steady = self.off[self.seen]
        return robust_sd(steady, about=0.0) if steady.size >= _FEWEST else 0.29

    @property
    def ends(self) -> tuple[int, int]:
        """Numbers of the first and the last tick that stands among others."""
        near = np.convolve(self.seen, np.ones(5), mode="same") >= 3
        numbers = self.n[self.seen & near]
        return (int(numbers[0]), int(numbers[-1])) if numbers.size else (0, 0)

    @property
    def seen_frac(self) -> float:
        """Share of the ticks between the ends that are seen."""
        first, last = self.ends
        return float(self.seen[(self.n >= first) & (self.n <= last)].mean())


def follow_ticks(pixels: Pixels, row: Row, *, limits: tuple[float, float] | None = None,
                 reach: float = FIRST_TICKS) -> Ticks | None:
    """Follow a row of ticks as far as the picture goes.

    Parameters
    ----------
    pixels : Pixels
        The picture.
    row : Row
        Where some ticks are, to within a quarter of their number's spacing.
    limits : tuple of float, optional
        Least and greatest distance along the row in pixels; all of the picture where absent.
    reach : float, optional
        As many ticks to both sides are known to be where the row has them.

    Returns
    -------
    Ticks or None
        None where nothing steady repeats there.
    """
    ticks: Ticks | None = None
    # each stage is done twice: what the first corrects, the second sees
    while True:
        for _ in range(2):
            n, cut = _numbers(pixels, row, reach, limits)
            if len(n) < _FEWEST:
                return None
            ticks = _see(pixels, row, n)
            if ticks is None:
                return None
            row = _corrected(ticks)
        if reach <= _EARLY_TICKS and ticks and (ticks.seen.mean() < _EARLY_SEEN or ticks.off_sd > _EARLY_OFF_SD):
            return None
        if cut:
            n, _ = _numbers(pixels, row, reach, limits)
            return _see(pixels, row, n) if len(n) >= _FEWEST else None
        reach *= _FURTHER


def _numbers(pixels: Pixels, row: Row, reach: float, limits: tuple[float, float] | None) -> tuple[FloatArray, bool]:
    """Numbers of ticks to look at, and whether the picture or the limits end them on both sides."""
    n = np.arange(-np.ceil(reach), np.ceil(reach) + 1)
    u = row.along(n)
    x, y = row.at(n)
    width, height = pixels.size_px
    # a row of spacings that shrink to nothing leaves off there
    keep = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1) & (np.gradient(u) > 0.4 * row.spacing_px[0])
    if limits is not None:
        slack = 0.3 * row.spacing_px[0]
        keep &= (u >= limits[0] - slack) & (u <= limits[1] + slack)
    middle = len(n) // 2
    if not keep[middle]:
        return n[:0], True
    holes = np.flatnonzero(~keep)
    first = int(holes[holes < middle].max(initial=-1)) + 1
    last = int(holes[holes > middle].min(initial=len(n))) - 1
    return n[first : last + 1], first > 0 and last < len(n) - 1


def straightened(pixels: Pixels, row: Row, n: FloatArray) -> FloatArray:
    """Sample the picture along a row: ticks upright, a spacing `GRID` wide.

    Parameters
    ----------
    pixels : Pixels
        The picture.
    row : Row
        The row of ticks.
    n : ndarray, shape (n_ticks,)
        Numbers of the ticks.

    Returns
    -------
    ndarray, shape (2 * REACH * ACROSS + 1, n_ticks * GRID)
        NaN outside the picture.
    """
    spacing = row.spacing_px[0]
    aside = np.arange(-REACH * ACROSS, REACH * ACROSS + 1, dtype=np.float64)[:, None] * (spacing / ACROSS)
    shrink = max(int(spacing / GRID), 1)
    blocks = []
    for first in range(0, len(n), _BLOCK_TICKS):
        some = n[first : first + _BLOCK_TICKS]
        fine = (some[:, None] + (np.arange(GRID) + 0.5) / GRID - 0.5).ravel()[None, :]
        blocks.append(pixels.at(*row.at(fine, aside), shrink))
    return np.concatenate(blocks, axis=1)


def _see(pixels: Pixels, row: Row, n: FloatArray) -> Ticks | None:
    """Look at the ticks of a row: which stand in their places, and how far off they are."""
    from scipy.ndimage import gaussian_filter1d  # only where a ruler is read

    values = straightened(pixels, row, n)
    phasors = _phasors(values)
    zone = _zone(phasors)
    if zone is None:
        return None
    summed = phasors[zone].sum(axis=0)
    smooth = gaussian_filter1d(summed, _SMOOTH_TICKS)
    size = gaussian_filter1d(np.abs(summed), _SMOOTH_TICKS)
    steady = np.abs(smooth) > _STEADY * size
    if not steady.any():
        return None
    present = np.abs(smooth) > _FAINT * np.median(np.abs(smooth)[steady])
    in_place = np.abs(np.angle(summed * np.conj(smooth))) < 2 * np.pi * _MOST_OFF
    seen = _without_leaps(n, steady & present & in_place)
    if seen.sum() < _FEWEST:
        return None
    # the common phase is where the ticks are within their spacing: the row is moved there
    mean = summed[seen].sum()
    off = -np.angle(summed * np.conj(mean)) / (2 * np.pi)
    shift = -float(np.angle(mean)) / (2 * np.pi)
    x, y = row.at(np.array([shift]))
    moved = replace(row, x_px=float(x[0]), y_px=float(y[0]))
    return Ticks(row=moved, n=n, off=off, seen=seen, values=values, zone=zone)


def _without_leaps(n: FloatArray, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Ticks that can be counted from tick 0: over a long hidden part the count could slip by one."""
    places = np.flatnonzero(seen)
    runs = np.split(places, np.flatnonzero(np.diff(places) > _FEW_HIDDEN) + 1)
    long_enough = [i for i, run in enumerate(runs) if len(run) >= _FEWEST] or [0]
    first = last = min(long_enough, key=lambda i: float(np.min(np.abs(n[runs[i]]), initial=np.inf)))
    while True:
        most = max(_FEW_HIDDEN, (runs[last][-1] - runs[first][0]) * _HIDDEN_FRAC) if places.size else 0
        if first > 0 and runs[first][0] - runs[first - 1][-1] <= most:
            first -= 1
        elif last + 1 < len(runs) and runs[last + 1][0] - runs[last][-1] <= most:
            last += 1
        else:
            break
    counted = np.zeros_like(seen)
    counted[np.concatenate(runs[first : last + 1])] = True
    return counted


def _phasors(values: FloatArray) -> ComplexArray:
    """One turn of phase a tick: for each line across and each tick, how strongly and where within it."""
    from scipy.ndimage import uniform_filter1d  # only where a ruler is read

    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    share = uniform_filter1d(known.astype(float), GRID, axis=1, mode="nearest")
    level = uniform_filter1d(filled, GRID, axis=1, mode="nearest") / np.maximum(share, 1e-9)
    swing = np.where(known, values - level, 0.0)
    # glare and a slab's rim stand out more than any tick
    most = max(_STRONGEST * float(np.percentile(np.abs(swing[known]), 90)), 1e-12) if known.any() else 0.0
    swing = np.clip(swing, -most, most)
    turn = np.exp(-2j * np.pi * ((np.arange(GRID) + 0.5) / GRID - 0.5))
    return np.asarray(swing.reshape(len(values), -1, GRID) @ turn)


def _zone(phasors: ComplexArray) -> slice | None:
    """Lines across the row where the ticks are steady: those connected with the steadiest."""
    from scipy.ndimage import gaussian_filter1d  # only where a ruler is read

    smooth = np.abs(gaussian_filter1d(phasors, _SMOOTH_TICKS, axis=1)).mean(axis=1)
    spread = np.sqrt((np.abs(phasors) ** 2).mean(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        strength = np.nan_to_num(smooth * smooth / spread)
    best = int(np.argmax(strength))
    if strength[best] == 0:
        return None
    weak = np.flatnonzero(strength < _ZONE * strength[best])
    first = int(weak[weak < best].max(initial=-1)) + 1
    last = int(weak[weak > best].min(initial=len(strength)))
    return slice(first, last) if last - first >= 2 else None


def _corrected(ticks: Ticks) -> Row:
    """Correct a row by what was seen: spacing by the phases, direction by where the ticks are, slant by both."""
    row, zone = ticks.row, ticks.zone
    phasors = _phasors(ticks.values)
    step_px = row.spacing_px[0] / ACROSS
    middle = (zone.start + zone.stop - 1) / 2 - REACH * ACROSS
    u = row.along(ticks.n)
    aside = _aside(phasors, zone) * step_px
    line = _fit(u[ticks.seen], aside[ticks.seen], 2 if ticks.seen.sum() > 40 else 1)
    slope, bow = line[1], (line[2] if len(line) > 2 else 0.0)
    neighbours = (phasors[zone][1:] * np.conj(phasors[zone][:-1]))[:, ticks.seen].sum()
    slant = -float(np.angle(neighbours)) / (2 * np.pi) * ACROSS  # along the row per length of tick
    spacing = _respaced(ticks)
    tx, ty = row.tx + slant * row.ux, row.ty + slant * row.uy
    norm = np.hypot(tx, ty)
    # the row is tilted by moving its points along the ticks
    dx, dy = row.ux + slope * row.tx, row.uy + slope * row.ty
    stretch = float(np.hypot(dx, dy))
    at = (line[0] if np.isfinite(line[0]) else middle * step_px)
    a, b, c = spacing
    return replace(row, x_px=row.x_px + at * row.tx, y_px=row.y_px + at * row.ty, ux=dx / stretch, uy=dy / stretch,
                   tx=tx / norm, ty=ty / norm, spacing_px=(a * stretch, b * stretch, c * stretch),
                   bow=row.bow + bow * float(row.ux * row.ty - row.uy * row.tx))


def _aside(phasors: ComplexArray, zone: slice) -> FloatArray:
    """Middle of each tick across the row, in lines from the middle line."""
    from scipy.ndimage import gaussian_filter1d  # only where a ruler is read

    wider = slice(max(zone.start - ACROSS, 0), min(zone.stop + ACROSS, len(phasors)))
    power = np.abs(gaussian_filter1d(phasors[wider], 2 * _SMOOTH_TICKS, axis=1)) ** 2
    lines = np.arange(wider.start, wider.stop) - REACH * ACROSS
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((lines @ power) / power.sum(axis=0))


def _respaced(ticks: Ticks) -> tuple[float, float, float]:
    """Spacing along the row after the phases of the ticks that were seen."""
    n = ticks.n[ticks.seen]
    degree = 1 if np.ptp(n) < 12 else 2 if np.ptp(n) < 36 else 3
    there = n + _unwrapped(ticks)
    # tick number as a curve of distance is turned round: distance as a curve of number
    u = ticks.row.along(there)
    coefficients = _fit(n, u, degree)
    a, b, c = (*coefficients[1:], 0.0, 0.0)[:3]
    return (a, b, c) if a > 0 else ticks.row.spacing_px


def _unwrapped(ticks: Ticks) -> FloatArray:
    """How far the ticks seen lie from their places; outwards, whole turns are added."""
    off = ticks.off[ticks.seen]
    return np.asarray(np.unwrap(2 * np.pi * off) / (2 * np.pi))


def _fit(t: FloatArray, values: FloatArray, degree: int) -> list[float]:
    """Coefficients of a polynomial through most of the points, constant first."""
    keep = np.isfinite(values)
    centre, scale = (float(np.mean(t)), float(np.ptp(t)) or 1.0)
    curve = np.polynomial.Polynomial([np.nan])
    for _ in range(4):
        if keep.sum() < degree + 2:
            return [float("nan")] + [0.0] * degree
        curve = np.polynomial.Polynomial.fit(t[keep], values[keep], degree, domain=[centre - scale, centre + scale])
        residual = values - curve(t)
        keep = np.isfinite(values) & (np.abs(residual) <= 3 * robust_sd(residual[keep], about=0.0) + 1e-9)
    coefficients = curve.convert().coef
    return [float(v) for v in np.pad(coefficients, (0, degree + 1 - len(coefficients)))]
