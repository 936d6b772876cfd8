"""Tell what the ticks of a ruler stand for by which of them are longer.

On a millimetre ruler every fifth tick is longer and every tenth longer still, or
only every tenth; where half millimetres are marked, every second is a millimetre. On an inch
ruler every second, fourth, eighth is longer. One longer tick in five could be
2 mm to a tick as well as 1, and one in two anything: these are left to a person.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bandkit.scale.ticks import ACROSS, GRID, Ticks

FloatArray = NDArray[np.float64]

PATTERNS: dict[tuple[int, ...], float | None] = {
    (5, 10): 1.0, (10,): 1.0, (2, 10, 20): 0.5, (2, 10): 0.5, (10, 20): 0.5, (2, 20): 0.5,
    (5,): None, (2,): None, (4,): None, (8,): None,
    (2, 4): None, (2, 4, 8): None, (2, 4, 8, 16): None, (4, 8): None, (4, 8, 16): None, (8, 16): None,
}
"""Which ticks are longer, shorter ones first, and what one tick is then; None where that does not follow."""

_INCH = frozenset({(2, 4), (2, 4, 8), (2, 4, 8, 16), (4, 8), (4, 8, 16), (8, 16), (4,), (8,)})
_LEAST_STEP = 0.15  # in spacings: how much longer the longer ticks are
_LEAST_EXPLAINED = 0.6  # of the scatter of lengths
_LENGTH_SD = 0.05  # in spacings: no length is known better
_MOST_OFF = 2.0  # in spacings: a tick that runs into a numeral or a rim is no worse than that
_FEWEST_OF_A_KIND = 2
_FEWEST_CYCLES = 2  # of a whole pattern: in fewer ticks chance finds one
_FAINT = 0.3  # of its neighbours' contrast: a tick so worn has no length
_END = 0.4  # of a tick's own contrast: there it ends
_PENALTY = 3.0
_NEIGHBOURS = 15
# Noise is smoothed away where it must be: more smoothing joins a numeral to the tick before it.
_SMOOTH_LINES = (2, 3)
_ABSENT = 0.35  # of the contrast of ticks that are there


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """What the pattern of longer ticks says.

    Parameters
    ----------
    tick_mm : float or None
        What one tick stands for; None where that cannot be told.
    longer : tuple of int
        Every which tick is longer, such as (5, 10); empty where none are seen to be.
    """

    tick_mm: float | None
    longer: tuple[int, ...]

    @property
    def in_words(self) -> str:
        """The pattern in words."""
        if not self.longer:
            return "no regular longer ticks are seen"
        words = "longer ticks: every " + ", ".join(f"{n}th" if n > 3 else {2: "2nd", 3: "3rd"}[n] for n in self.longer)
        return f"{words}, as on an inch ruler" if self.longer in _INCH else words

    def contradicts(self, tick_mm: float) -> bool:
        """Whether the pattern speaks against a stated distance between ticks."""
        if self.tick_mm is not None:
            return abs(self.tick_mm / tick_mm - 1) > 1e-6
        if self.longer in _INCH:
            # sixteenths and their like are inches halved again and again
            halvings = np.log2(25.4 / tick_mm)
            return bool(abs(halvings - round(halvings)) > 1e-3)
        return self.longer == (2,) and tick_mm == 1.0


def contrast(ticks: Ticks, *, dark: bool) -> FloatArray:
    """How much each tick stands out against the gaps beside it, along its length.

    Parameters
    ----------
    ticks : Ticks
        A row of ticks.
    dark : bool
        Whether the ticks are the dark parts; they then lie half a spacing after the bright ones.

    Returns
    -------
    ndarray, shape (n_across, n_ticks)
        In greys, positive for a tick of that shade; the last is NaN for dark ticks.
    """
    lines = ticks.values.reshape(len(ticks.values), -1, GRID)
    quarter = GRID // 5
    inner = lines[:, :, GRID // 2 - quarter : GRID // 2 + quarter].mean(axis=2)
    if not dark:
        outer = np.concatenate([lines[:, :, :quarter], lines[:, :, -quarter:]], axis=2).mean(axis=2)
        return np.asarray(lines[:, :, GRID // 2 - 1 : GRID // 2 + 1].mean(axis=2) - outer)
    at = np.full(inner.shape, np.nan)
    at[:, :-1] = (inner[:, :-1] + inner[:, 1:]) / 2 - (lines[:, :-1, -1] + lines[:, 1:, 0]) / 2
    return at


def are_dark(ticks: Ticks) -> bool:
    """Whether the ticks are the dark parts of a row: the lesser part of it.

    Parameters
    ----------
    ticks : Ticks
        A row of ticks.

    Returns
    -------
    bool
        True for dark ticks, which lie half a spacing after the places of the row.
    """
    folded = np.nanmean(ticks.values[ticks.zone].reshape(-1, len(ticks.n), GRID)[:, ticks.seen], axis=(0, 1))
    return bool(np.median(folded) > np.mean(folded))


def missing_multiple(ticks: Ticks) -> tuple[int, int]:
    """Tell a row that is finer than its ticks: of every m places only one holds a tick.

    Parameters
    ----------
    ticks : Ticks
        A row of ticks.

    Returns
    -------
    every, first : int
        One place in ``every`` holds a tick, the one of number ``first``; (1, 0) for a row as fine as its ticks.
    """
    for dark in (True, False):
        height = contrast(ticks, dark=dark)[ticks.zone].mean(axis=0)
        for every in (2, 3, 5):
            parts = [_median(height[ticks.seen & (ticks.n % every == k)]) for k in range(every)]
            if np.isfinite(parts).all() and min(parts) < _ABSENT * max(parts):
                return every, int(np.argmax(parts))
    return 1, 0


def _median(values: FloatArray) -> float:
    """Median of what is known."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def read_unit(ticks: Ticks) -> Unit:
    """Tell what a tick stands for.

    Parameters
    ----------
    ticks : Ticks
        A row of ticks.

    Returns
    -------
    Unit
        From the pattern that explains most, whatever the shade of the ticks and the side to which they grow longer.
    """
    best: tuple[float, tuple[int, ...]] = (0.0, ())
    for smooth_lines in _SMOOTH_LINES:
        for dark in (True, False):
            for lengths in _lengths(ticks, dark=dark, smooth_lines=smooth_lines):
                best = max(best, _best_pattern(ticks.n, lengths))
        if best[1]:
            break
    longer = best[1]
    return Unit(tick_mm=PATTERNS[longer] if longer else None, longer=longer)


def _lengths(ticks: Ticks, *, dark: bool, smooth_lines: int = 2) -> tuple[FloatArray, FloatArray]:
    """How far each tick goes on from the middle of the row to either side, in spacings; NaN where it is faint."""
    from scipy.ndimage import median_filter, uniform_filter1d  # only where a ruler is read

    height = np.nan_to_num(contrast(ticks, dark=dark))
    own = height[ticks.zone].mean(axis=0)
    usual = np.maximum(median_filter(own, min(_NEIGHBOURS, len(own))), 1e-9)
    share = np.clip(uniform_filter1d(height, smooth_lines, axis=0) / usual, 0, 1)
    faint = (own < _FAINT * usual) | ~ticks.seen
    middle = (ticks.zone.start + ticks.zone.stop) // 2
    sides = []
    for side in (share[middle:], share[middle::-1]):
        sides.append(np.where(faint, np.nan, _first_below(side, _END) / ACROSS))
    return sides[0], sides[1]


def _first_below(lines: FloatArray, level: float) -> FloatArray:
    """Where each column first falls below a level, between two lines; the number of lines where it never does."""
    below = lines < level
    first = np.argmax(below, axis=0)
    columns = np.arange(lines.shape[1])
    before, after = lines[np.maximum(first - 1, 0), columns], lines[first, columns]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(first > 0, (before - level) / (before - after), 0.0)
    return np.where(below.any(axis=0), np.maximum(first - 1, 0) + part, float(len(lines)))


def _best_pattern(n: FloatArray, lengths: FloatArray) -> tuple[float, tuple[int, ...]]:
    """The pattern that explains the lengths best, with the gain that it brings; nothing where none does."""
    known = np.isfinite(lengths)
    n, lengths = n[known].astype(int), lengths[known]
    if n.size < 2 * _FEWEST_OF_A_KIND:
        return 0.0, ()
    plain = _scatter(lengths, np.zeros(n.size, dtype=int))
    best: tuple[float, tuple[int, ...]] = (0.0, ())
    for longer in PATTERNS:
        if n.size < _FEWEST_CYCLES * longer[-1]:
            continue
        for phase in range(longer[-1]):
            kind = np.sum([(n - phase) % every == 0 for every in longer], axis=0)
            if not _grows(lengths, kind, len(longer)):
                continue
            left = _scatter(lengths, kind)
            gain = n.size * np.log(plain / left) - _PENALTY * len(longer) * np.log(n.size)
            if left <= _LEAST_EXPLAINED * plain and gain > best[0]:
                best = (float(gain), longer)
    return best


def _grows(lengths: FloatArray, kind: NDArray[np.int64], most: int) -> bool:
    """Whether each kind of tick is there and clearly longer than the one before."""
    kinds = [lengths[kind == k] for k in range(most + 1)]
    if any(of_a_kind.size < _FEWEST_OF_A_KIND for of_a_kind in kinds):
        return False
    return all(np.median(longer) - np.median(shorter) >= _LEAST_STEP for shorter, longer in pairwise(kinds))


def _scatter(lengths: FloatArray, kind: NDArray[np.int64]) -> float:
    """Mean distance of the lengths from the median of their kind."""
    off = [np.minimum(np.abs(of_a_kind - np.median(of_a_kind)), _MOST_OFF).sum()
           for of_a_kind in (lengths[kind == k] for k in np.unique(kind))]
    return float(np.hypot(np.sum(off) / lengths.size, _LENGTH_SD))


def edge_of_ticks(ticks: Ticks) -> FloatArray:
    """Where the ticks end on the side on which they all end alike, in lines from the middle line.

    Parameters
    ----------
    ticks : Ticks
        A row of ticks.

    Returns
    -------
    ndarray, shape (n_ticks,)
        NaN where a tick is faint.
    """
    middle = (ticks.zone.start + ticks.zone.stop) // 2 - (len(ticks.values) - 1) // 2
    best: tuple[float, FloatArray] = (np.inf, np.full(len(ticks.n), np.nan))
    for dark in (True, False):
        for lengths, sign in zip(_lengths(ticks, dark=dark), (1, -1), strict=True):
            known = lengths[np.isfinite(lengths)]
            scatter = _scatter(known, np.zeros(known.size, dtype=int)) if known.size else np.inf
            if scatter < best[0]:
                best = scatter, middle + sign * lengths * ACROSS
    return best[1]
