"""The annual marks that are used on a track, and how they change when a person knows better."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.stats import Z_90

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

# A person's pick on a radiograph, when nothing better is known (common practice: 0.2 to 0.5 mm).
PICKING_SD_MM = 0.3
# A computed mark no further from a person's is the same mark, as a fraction of a year.
SAME_MARK_YR = 0.3

# What is set out for every mark, one value each.
PER_MARK = ("depth_mm", "lo_mm", "hi_mm", "probability", "certainty", "origin")


@dataclass(frozen=True, slots=True, kw_only=True)
class BandEvent:
    """Something along a track that is no ordinary year.

    Parameters
    ----------
    kind : {"doublet", "stress band", "gap", "absent year"}
        Two crests of one year; a band of stress; lost skeleton; a year that left no band.
    depth_mm : float
        Depth from the surface, in mm: of the annual mark of a doublet, of the outer end of a gap.
    second_mm : float
        Depth of the second crest of a doublet or of the inner end of a gap, in mm; NaN where there is none.
    certainty : {"certain", "doubtful", "inserted"}
        How sure it is.
    origin : str
        "computed", "record", or the reader's name.
    note : str
        What a person wrote beside it.
    years_least, years_most : float
        Years lost in a gap; NaN for the others.
    """

    kind: Literal["doublet", "stress band", "gap", "absent year"]
    depth_mm: float
    second_mm: float = float("nan")
    certainty: str = "certain"
    origin: str = "computed"
    note: str = ""
    years_least: float = float("nan")
    years_most: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackMarks:
    """The annual marks that are used on a track: computed, or a person's.

    Parameters
    ----------
    depth_mm, lo_mm, hi_mm, probability : ndarray, shape (n_marks,)
        Depth from the surface, its 90 % interval, and the probability that it is annual.
    certainty : ndarray of str, shape (n_marks,)
        "certain", "doubtful" or "inserted".
    origin : ndarray of str, shape (n_marks,)
        "computed" or the reader's name.
    count_lo, count_hi : ndarray, shape (n_marks,)
        90 % interval of the number of marks down to each.
    total_lo, total_hi : int
        90 % interval of the number of all marks.
    draws_mm : list of ndarray
        Equally defensible sequences.
    reach_mm : float
        How much deeper a mark of such a sequence may lie to be the same mark, in mm.
    events : tuple of BandEvent
        Doublets and stress bands.
    """

    depth_mm: FloatArray
    lo_mm: FloatArray
    hi_mm: FloatArray
    probability: FloatArray
    certainty: StrArray
    origin: StrArray
    count_lo: FloatArray
    count_hi: FloatArray
    total_lo: int
    total_hi: int
    draws_mm: list[FloatArray]
    reach_mm: float = 0.0
    events: tuple[BandEvent, ...] = field(default=())


def no_marks() -> TrackMarks:
    """No marks at all.

    Returns
    -------
    TrackMarks
        Without any mark, a count of 0.
    """
    none = np.empty(0)
    words = np.empty(0, dtype=np.str_)
    return TrackMarks(
        depth_mm=none, lo_mm=none, hi_mm=none, probability=none, certainty=words, origin=words,
        count_lo=none, count_hi=none, total_lo=0, total_hi=0, draws_mm=[],
    )


def with_pick(
    marks: TrackMarks, depth_mm: float, *, certainty: str, reader: str, within_mm: float, in_draw: NDArray[np.bool_]
) -> TrackMarks:
    """Put a person's mark among others, in place of a computed one that lies there.

    Parameters
    ----------
    marks : TrackMarks
        The marks so far.
    depth_mm : float
        Where the person's mark lies, in mm.
    certainty : {"certain", "doubtful", "inserted"}
        How sure the person is.
    reader : str
        Who it is.
    within_mm : float
        Other marks no further than this are the same mark, in mm; one of the same reader never is.
    in_draw : ndarray of bool, shape (n_draws,)
        In which of the sequences the mark stands.

    Returns
    -------
    TrackMarks
        With the mark in its place; the counts are those of the sequences.
    """
    # A year that left no band stands beside the marks of those that did.
    within_mm = -1.0 if certainty == "inserted" else within_mm
    same = (np.abs(marks.depth_mm - depth_mm) <= within_mm) & (marks.origin != reader)
    half = Z_90 * PICKING_SD_MM
    probability = 0.5 if certainty == "doubtful" else 1.0
    new: tuple[float | str, ...] = (depth_mm, depth_mm - half, depth_mm + half, probability, certainty, reader)
    at = int(np.searchsorted(marks.depth_mm[~same], depth_mm, side="right"))
    columns: dict[str, Any] = {
        name: np.insert(_wide_enough(getattr(marks, name)[~same], value), at, value)
        for name, value in zip(PER_MARK, new, strict=True)
    }
    own_mm = marks.depth_mm[marks.origin == reader]
    draws = [
        _put(draw, depth_mm, within_mm, own_mm, wanted=bool(wanted))
        for draw, wanted in zip(marks.draws_mm, in_draw, strict=True)
    ]
    return counted(replace(marks, draws_mm=draws, **columns))


def without_marks(marks: TrackMarks, near_mm: FloatArray, within_mm: float) -> tuple[TrackMarks, FloatArray]:
    """Leave out computed marks near some places, also from the drawn sequences.

    Parameters
    ----------
    marks : TrackMarks
        The marks so far.
    near_mm : ndarray, shape (n,)
        Depths, in mm.
    within_mm : float
        How near.

    Returns
    -------
    marks : TrackMarks
        The others.
    left_out_mm : ndarray
        Depths of those that were left out, in mm.
    """
    def near(depth: FloatArray) -> NDArray[np.bool_]:
        return np.asarray((np.abs(depth[:, None] - near_mm[None, :]) <= within_mm).any(axis=1))

    out = near(marks.depth_mm) & (marks.origin == "computed")
    if not out.any():
        return marks, np.empty(0)
    columns = {name: getattr(marks, name)[~out] for name in PER_MARK}
    draws = [draw[~near(draw)] for draw in marks.draws_mm]
    return counted(replace(marks, draws_mm=draws, **columns)), marks.depth_mm[out]


def counted(marks: TrackMarks) -> TrackMarks:
    """The same marks with the counts that their sequences give.

    Parameters
    ----------
    marks : TrackMarks
        Marks with drawn sequences.

    Returns
    -------
    TrackMarks
        With 90 % intervals of the number of marks, the number of marks that are used in them; plain
        counts where there are no sequences.
    """
    n = len(marks.depth_mm)
    plain = np.arange(1.0, n + 1)
    if not marks.draws_mm:
        return replace(marks, count_lo=plain, count_hi=plain, total_lo=n, total_hi=n)
    down_to = marks.depth_mm + marks.reach_mm
    at = np.stack([np.searchsorted(draw, down_to, side="right") for draw in marks.draws_mm]).astype(np.float64)
    total = np.array([len(draw) for draw in marks.draws_mm], dtype=np.float64)
    (lo, hi), (least, most) = (np.quantile(c, (0.05, 0.95), axis=0, method="inverted_cdf") for c in (at, total))
    return replace(marks, count_lo=lo, count_hi=hi, total_lo=min(int(least), n), total_hi=max(int(most), n))


def _wide_enough(values: NDArray[np.generic], value: float | str) -> NDArray[np.generic]:
    """A column that a new value fits into: text of NumPy has a width."""
    if not isinstance(value, str):
        return values
    return values.astype(f"<U{max(values.dtype.itemsize // 4, len(value), 1)}")


def _put(draw: FloatArray, depth_mm: float, within_mm: float, own_mm: FloatArray, *, wanted: bool) -> FloatArray:
    """One sequence with a mark at a depth, or without one near it; marks of the same reader stay."""
    near = np.abs(draw - depth_mm) <= within_mm
    if own_mm.size:
        near &= np.abs(draw[:, None] - own_mm[None, :]).min(axis=1) > 1e-9
    rest = draw[~near]
    return np.insert(rest, int(np.searchsorted(rest, depth_mm, side="right")), depth_mm) if wanted else rest
