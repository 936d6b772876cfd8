"""Read rulers from their ticks: along a line that a person gives, in a box, or anywhere in a picture.

A row of ticks is followed to both its ends, a row that is finer or coarser than its ticks is
put right, and what a tick stands for is told by which are longer. The distance between
the outermost ticks is then as good as any scale bar, and all ticks between say whether
the picture was taken square to the ruler and through a lens that keeps lines straight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from bandkit.images.blocks import block_means
from bandkit.scale.lanes import Lane, repeating_lanes
from bandkit.scale.piece import Grey, Point
from bandkit.scale.row import Pixels, Row
from bandkit.scale.ticks import ACROSS, FIRST_TICKS, Ticks, follow_ticks
from bandkit.scale.unit import Unit, are_dark, edge_of_ticks, missing_multiple, read_unit

FloatArray = NDArray[np.float64]

MIN_CONFIDENCE = 0.45
"""Below this a row of ticks is taken for something else."""
PLAIN_CONFIDENCE = 0.65
"""The same for a row found in a picture of which no tick is longer than the others."""
RULER_SD_FRAC = 0.001
"""No ruler is truer, and none lies better in the plane of the slab."""
FEWEST_TICKS = 10
"""A shorter row says too little."""

_OFF_SD = 0.05  # of a spacing: scatter of the ticks about their places that halves the confidence
_FEW_TICKS = 10.0  # as many halve the confidence
_WIDEST_ZONE = 11 * ACROSS  # lines: bands and cloth go on sideways, ticks do not
_MOST_BEND = 0.1
_FINER = (10, 8, 5, 4, 2)  # ticks between those of a row, or on it
_LEAST_SPACING_PX = 2.8
_SAME_ROW = 3.0  # spacings between rows of one ruler
_LINE_PEAKS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundRuler:
    """A ruler as its ticks show it.

    Parameters
    ----------
    from_px, to_px : tuple of float
        Outermost ticks that stand among others, ``(x, y)``, in the middle of the row of ticks.
    n_spacings : int
        Spacings between them.
    unit : Unit
        What the pattern of longer ticks says.
    off_sd : float
        Scatter of the ticks about their places, in spacings.
    seen_frac : float
        Share of the ticks that are seen.
    drift_frac : float
        How much wider the spacing is at the far end than at the near one.
    bend_frac : float
        How much wider it is at the ends than half way, beyond what perspective makes of the drift.
    bow_px : float
        How far the row lies off its chord half way; 0 where that is within its error.
    confidence : float
        0 to 1, how much it looks like a ruler.
    """

    from_px: Point
    to_px: Point
    n_spacings: int
    unit: Unit
    off_sd: float
    seen_frac: float
    drift_frac: float
    bend_frac: float
    bow_px: float
    confidence: float

    @property
    def length_px(self) -> float:
        """Distance between the outermost ticks."""
        return float(np.hypot(self.to_px[0] - self.from_px[0], self.to_px[1] - self.from_px[1]))

    @property
    def spacing_px(self) -> float:
        """Mean distance between ticks."""
        return self.length_px / self.n_spacings

    @property
    def sd_frac(self) -> float:
        """What the mean spacing may be off by: ticks out of place, the ruler itself, and which part of it counts."""
        return float(np.hypot(np.hypot(RULER_SD_FRAC, 2 * self.off_sd / self.n_spacings), self.drift_frac / 12**0.5))

    @property
    def angle_deg(self) -> float:
        """Direction against x, from 0 up to 180."""
        return float(np.degrees(np.arctan2(self.to_px[1] - self.from_px[1], self.to_px[0] - self.from_px[0])) % 180)

    def moved(self, x: float, y: float) -> FoundRuler:
        """Return the ruler seen from another origin."""
        return replace(self, from_px=(self.from_px[0] + x, self.from_px[1] + y),
                       to_px=(self.to_px[0] + x, self.to_px[1] + y))


def find_rulers(pixels: Pixels, overview: Grey, step_px: int, origin_px: Point = (0.0, 0.0)) -> list[FoundRuler]:
    """Find rulers in a picture.

    Parameters
    ----------
    pixels : Pixels
        The picture.
    overview : ndarray of shape (rows, columns)
        Block means of all of it or of a part.
    step_px : int
        Pixels to a block side.
    origin_px : tuple of float, optional
        First pixel of the part.

    Returns
    -------
    list of FoundRuler
        Clearest first, each once; pixels of the picture.

    Notes
    -----
    Rows of ticks are looked for in the overview (`bandkit.scale.lanes`) and read on the pixels.
    """
    rows: list[tuple[Row, FoundRuler]] = []
    seen = Pixels(lambda x0, y0, x1, y1: overview[y0:y1, x0:x1], (overview.shape[1], overview.shape[0]))
    for lane in repeating_lanes(overview):
        rough = _row_of(lane)
        row = _in_picture(rough, step_px, origin_px)
        if any(_on_ruler(row, other, ruler) for other, ruler in rows):
            continue
        ticks = _settled(seen, rough)
        if ticks is not None:
            known = float(ticks.ends[1] - ticks.ends[0])
            ticks = _settled(pixels, _in_picture(_middle_row(ticks), step_px, origin_px), reach=known)
        ruler = ticks and _ruler_of(ticks)
        if ticks and ruler and ruler.confidence >= (MIN_CONFIDENCE if ruler.unit.longer else PLAIN_CONFIDENCE):
            rows.append((ticks.row, ruler))
    return sorted(_distinct(rows), key=lambda ruler: (ruler.unit.tick_mm is None, -ruler.confidence * ruler.length_px))


def read_ruler(pixels: Pixels, from_px: Point, to_px: Point) -> FoundRuler | None:
    """Read the ruler along whose ticks two points lie.

    Parameters
    ----------
    pixels : Pixels
        The picture.
    from_px, to_px : tuple of float
        Two places far apart on the row of ticks.

    Returns
    -------
    FoundRuler or None
        None where no ticks are seen between the points.

    Notes
    -----
    The spectra of lines beside the given one are added up; its highest peaks are spacings to try.
    """
    best: FoundRuler | None = None
    for row in _rows_along(pixels, from_px, to_px):
        half = float(np.hypot(to_px[0] - from_px[0], to_px[1] - from_px[1])) / 2
        ticks = _settled(pixels, row, limits=(-half, half))
        ruler = _ruler_of(ticks) if ticks else None
        if ruler and ruler.confidence >= MIN_CONFIDENCE and (best is None or ruler.confidence > best.confidence):
            best = ruler
    return best


def _in_picture(row: Row, step_px: int, origin_px: Point) -> Row:
    """A row of an overview in pixels of the picture."""
    row = row.scaled(step_px)
    return replace(row, x_px=row.x_px + origin_px[0], y_px=row.y_px + origin_px[1])


def _row_of(lane: Lane) -> Row:
    """A lane as a row of ticks square to it."""
    return Row(x_px=lane.x_px, y_px=lane.y_px, ux=lane.ux, uy=lane.uy, tx=-lane.uy, ty=lane.ux,
               spacing_px=(lane.spacing_px, 0.0, 0.0))


def _rows_along(pixels: Pixels, from_px: Point, to_px: Point) -> list[Row]:
    """Rows of ticks that the strip along a line may hold, strongest repeat first."""
    (ax, ay), (bx, by) = from_px, to_px
    length = float(np.hypot(bx - ax, by - ay))
    dx, dy = (bx - ax) / length, (by - ay) / length
    shrink = max(int(length / 2000), 1)
    along = np.arange(0, length, shrink)[None, :]
    aside = np.arange(-length / 12, length / 12, 2.0 * shrink)[:, None]
    strip = pixels.at(ax + along * dx - aside * dy, ay + along * dy + aside * dx, shrink)
    strip = np.nan_to_num(np.diff(strip, axis=1))  # light changes slowly, ticks do not
    power = np.abs(np.fft.rfft(strip * np.hanning(strip.shape[1]), axis=1)) ** 2
    total = power.sum(axis=0)
    cycles = np.arange(total.size)
    total[(cycles < FEWEST_TICKS / 2) | (cycles > length / _LEAST_SPACING_PX)] = 0
    rows = []
    for _ in range(_LINE_PEAKS):
        peak = int(np.argmax(total))
        if total[peak] <= 0:
            break
        near = slice(max(peak - 1, 0), peak + 2)
        spacing = length / float(np.average(cycles[near], weights=total[near]))
        line = float(aside[int(np.argmax(power[:, near].sum(axis=1)))][0])
        rows.append(Row(x_px=(ax + bx) / 2 - line * dy, y_px=(ay + by) / 2 + line * dx, ux=dx, uy=dy, tx=-dy, ty=dx,
                        spacing_px=(spacing, 0.0, 0.0)))
        total[max(int(0.9 * peak), 0) : ceil(1.1 * peak) + 2] = 0
    return rows


def _settled(pixels: Pixels, row: Row, limits: tuple[float, float] | None = None,
             reach: float = FIRST_TICKS) -> Ticks | None:
    """Follow a row, and correct one that is finer or coarser than its ticks."""
    ticks = _as_fine_as_ticks(pixels, row, limits, reach)
    if ticks is None or not _likely(ticks):
        return None
    if read_unit(ticks).tick_mm is not None:
        return ticks
    for every in _FINER:
        finer = _middle_row(ticks).coarser(1 / every)
        if finer.spacing_px[0] < _LEAST_SPACING_PX:
            continue
        within = _as_fine_as_ticks(pixels, finer, _moved_limits(limits, row, finer))
        if within is not None and _likely(within) and within.row.spacing_px[0] < 0.7 * ticks.row.spacing_px[0]:
            return within
    return ticks


def _as_fine_as_ticks(pixels: Pixels, row: Row, limits: tuple[float, float] | None,
                      reach: float = FIRST_TICKS) -> Ticks | None:
    """Follow a row; where only every second or third place holds a tick, follow those."""
    ticks = follow_ticks(pixels, row, limits=limits, reach=reach)
    for _ in range(3):
        if ticks is None:
            return None
        every, first = missing_multiple(ticks)
        if every == 1:
            return ticks
        middle = _middle_row(ticks, every, first)
        ticks = follow_ticks(pixels, middle.coarser(every), limits=_moved_limits(limits, row, middle))
    return ticks


def _middle_row(ticks: Ticks, every: int = 1, first: int = 0) -> Row:
    """A row counted from a tick that is seen well, about half way; where asked, one of every so manieth."""
    numbers = ticks.n[ticks.seen & (ticks.n % every == first)]
    if not numbers.size:
        numbers = ticks.n[ticks.seen]
    return ticks.row.renumbered(int(numbers[numbers.size // 2]))


def _moved_limits(limits: tuple[float, float] | None, old: Row, new: Row) -> tuple[float, float] | None:
    """Limits along a row, seen from another row's first tick."""
    if limits is None:
        return None
    shift = (new.x_px - old.x_px) * old.ux + (new.y_px - old.y_px) * old.uy
    return limits[0] - shift, limits[1] - shift


def _likely(ticks: Ticks) -> bool:
    """Whether a row holds ticks enough, and in their places."""
    first, last = ticks.ends
    return last - first >= FEWEST_TICKS and _confidence(ticks) >= MIN_CONFIDENCE / 2


def _confidence(ticks: Ticks) -> float:
    """How much a row looks like the ticks of a ruler: many, all of them there, each in its place."""
    first, last = ticks.ends
    seen = ticks.seen_frac * (last - first)
    if ticks.zone.stop - ticks.zone.start > _WIDEST_ZONE:
        return 0.0
    even = 1 / (1 + (ticks.off_sd / _OFF_SD) ** 4)
    return float(even * seen / (seen + _FEW_TICKS) * min(ticks.seen_frac / 0.6, 1.0))


def _ruler_of(ticks: Ticks) -> FoundRuler | None:
    """What a row of ticks says; None for too few."""
    first, last = ticks.ends
    if last - first < FEWEST_TICKS:
        return None
    # the places of a row are where it is brightest
    first_n, last_n = (first + 0.5, last - 0.5) if are_dark(ticks) else (first, last)
    n = np.array([first_n, (first_n + last_n) / 2, last_n], dtype=np.float64)
    x, y = ticks.row.at(n)
    a, b, c = ticks.row.spacing_px
    near, half, far = a + 2 * b * n + 3 * c * n * n
    drift = float((far - near) / half)
    # under perspective u = s n / (1 - k n), of which 3/8 of the drift squared is all the bend
    bend = float((near + far) / 2 / half - 1 - 0.375 * drift**2)
    if abs(bend) > _MOST_BEND:
        return None
    ends = sorted(((float(x[0]), float(y[0])), (float(x[2]), float(y[2]))))
    unit = read_unit(ticks)
    confidence = _confidence(ticks)
    if unit.tick_mm is not None:
        confidence = 1 - (1 - confidence) / 2  # that ticks are longer after a rule is no chance
    return FoundRuler(
        from_px=ends[0], to_px=ends[1], n_spacings=round(last_n - first_n), unit=unit, off_sd=ticks.off_sd,
        seen_frac=ticks.seen_frac, drift_frac=drift, bend_frac=bend, bow_px=_bow_px(ticks), confidence=confidence)


def _bow_px(ticks: Ticks) -> float:
    """How far the ends of the ticks lie off a straight line half way; 0 within three standard errors."""
    edge = edge_of_ticks(ticks) * ticks.row.spacing_px[0] / ACROSS
    known = np.isfinite(edge)
    if known.sum() < 2 * FEWEST_TICKS:
        return 0.0
    u = ticks.row.along(ticks.n[known])
    edge = edge[known] + ticks.row.bow * float(ticks.row.ux * ticks.row.ty - ticks.row.uy * ticks.row.tx) * u * u
    for _ in range(3):
        curve = np.polynomial.Polynomial.fit(u, edge, 2)
        off = np.abs(edge - curve(u))
        scatter = float(np.sqrt(np.mean(off**2)))
        keep = off <= 3 * np.median(off) + 1e-6
        u, edge = u[keep], edge[keep]
    half = float(np.ptp(u)) / 2
    bow = float(np.append(curve.convert().coef, [0.0, 0.0])[2]) * half**2
    # the error of the square term of a curve through even points: 1.12 sqrt(180 / 16 / n)
    # the middle of the ticks must be bowed as their ends are: what lies beneath a ruler blurs the ends
    of_middle = ticks.row.bow * float(ticks.row.ux * ticks.row.ty - ticks.row.uy * ticks.row.tx) * half**2
    both = min(abs(bow), abs(of_middle)) * np.sign(bow) if bow * of_middle > 0 else 0.0
    return float(both) if abs(both) > 3 * 3.75 * scatter / np.sqrt(u.size) else 0.0


def _on_ruler(row: Row, other: Row, ruler: FoundRuler) -> bool:
    """Whether a row would lie on a ruler that is found already."""
    (ax, ay), (bx, by) = ruler.from_px, ruler.to_px
    dx, dy = (bx - ax) / ruler.length_px, (by - ay) / ruler.length_px
    x, y = row.x_px - ax, row.y_px - ay
    along, aside = x * dx + y * dy, abs(y * dx - x * dy)
    return bool(-row.spacing_px[0] < along < ruler.length_px + row.spacing_px[0]
                and aside < 1.5 * ACROSS * other.spacing_px[0] and abs(row.ux * dx + row.uy * dy) > 0.9)


def _distinct(rows: list[tuple[Row, FoundRuler]]) -> list[FoundRuler]:
    """Each ruler once: of rows on one ruler the one with the most ticks."""
    kept: list[tuple[Row, FoundRuler]] = []
    for row, ruler in sorted(rows, key=lambda pair: -pair[1].n_spacings):
        if not any(_on_ruler(row, other, of_other) for other, of_other in kept):
            kept.append((row, ruler))
    return [ruler for _, ruler in kept]


def reduced(pixels: Pixels, box: tuple[int, int, int, int], step: int) -> Grey:
    """Block means of a part of a picture, read in bands.

    Parameters
    ----------
    pixels : Pixels
        The picture.
    box : tuple of int
        Part x0, y0, x1, y1.
    step : int
        Pixels to a block side.

    Returns
    -------
    ndarray of shape (rows, columns)
        Greys.
    """
    x0, y0, x1, y1 = box
    rows = max(1, 4_000_000 // max(x1 - x0, 1) // step) * step
    parts = []
    for top in range(y0, y1, rows):
        part = block_means(pixels.read(x0, top, x1, min(top + rows, y1)), step)
        parts.append(part.mean(axis=2) if part.ndim == 3 else part)
    return np.concatenate(parts).astype(np.float32, copy=False)
