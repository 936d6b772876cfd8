"""What a series may be off by, in a form to compute with: chronologies to choose from, errors that hang together.

An age error is a choice between whole counts, so it is kept as many complete chronologies; an
error of extension is shared between neighbouring years, so it is kept as a covariance.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.table import Table

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
StrArray = NDArray[np.str_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chronologies:
    """Equally defensible chronologies of one track.

    Parameters
    ----------
    depth_mm : tuple of ndarray
        Depths of the marks of each draw from the surface inwards, in mm.
    year : tuple of ndarray
        Their calendar years, or their numbers from the outside where the series floats.
    floating : bool
        Whether years are counted, not dated.
    """

    depth_mm: tuple[FloatArray, ...] = ()
    year: tuple[FloatArray, ...] = ()
    floating: bool = True

    def __len__(self) -> int:
        return len(self.depth_mm)

    def __iter__(self) -> Iterator[tuple[FloatArray, FloatArray]]:
        return iter(zip(self.depth_mm, self.year, strict=True))

    def year_at(self, depth_mm: ArrayLike) -> FloatArray:
        """When skeleton at some depths grew, in each draw.

        Parameters
        ----------
        depth_mm : array_like, shape (n,)
            Depths from the surface, in mm.

        Returns
        -------
        ndarray, shape (n_draws, n)
            Years, straight between marks (whole at a mark); NaN beyond the outermost and the innermost mark.
        """
        wanted = np.atleast_1d(np.asarray(depth_mm, dtype=np.float64))
        rows = [
            np.interp(wanted, depth, year, left=np.nan, right=np.nan) if depth.size else np.full(wanted.shape, np.nan)
            for depth, year in self
        ]
        return np.array(rows).reshape(len(self), wanted.size)

    def mark_years(self, depth_mm: ArrayLike, reach_mm: ArrayLike) -> FloatArray:
        """Year that each draw gives to some marks.

        Parameters
        ----------
        depth_mm : array_like, shape (n_marks,)
            Depths of the marks, in mm.
        reach_mm : array_like, shape (n_marks,) or scalar
            How much deeper a draw's mark may lie to be the same mark.

        Returns
        -------
        ndarray, shape (n_draws_with_marks, n_marks)
            The year of the innermost mark of the draw down to there; one year newer than its
            newest mark where the draw has none so far out.
        """
        down_to = np.asarray(depth_mm, dtype=np.float64) + np.asarray(reach_mm, dtype=np.float64)
        newer = -1.0 if self.floating else 1.0
        rows = [
            np.concatenate([year[:1] + newer, year])[np.searchsorted(depth, down_to, side="right")]
            for depth, year in self
            if depth.size
        ]
        return np.array(rows).reshape(len(rows), down_to.size)

    def spans_yr(self) -> FloatArray:
        """Years from the outermost to the innermost mark of each draw, lost ones included, shape (n_draws,)."""
        return np.array([abs(year[-1] - year[0]) if year.size else 0.0 for year in self.year])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExtensionErrors:
    """What the extension of the years of one track may be off by: three kinds, kept apart.

    The third kind, the count, is in the chronologies: it shifts and splits years and is no error bar.

    Parameters
    ----------
    year : ndarray, shape (n,)
        Labels of the pieces of the track, from the surface inwards.
    complete : ndarray of bool, shape (n,)
        Whole years; only these enter a mean.
    picking_covariance_mm2_yr2 : ndarray, shape (n, n)
        Of placing the marks: neighbours share a mark, so that beside the diagonal stands the negative
        variance of that mark; NaN for pieces of unknown duration.
    scale_sd_mm_yr, tilt_sd_mm_yr : ndarray, shape (n,)
        Of the scale and of the tilt: each common to all years, so that they do not average away.
    """

    year: FloatArray
    complete: BoolArray
    picking_covariance_mm2_yr2: FloatArray
    scale_sd_mm_yr: FloatArray
    tilt_sd_mm_yr: FloatArray

    @property
    def covariance_mm2_yr2(self) -> FloatArray:
        """Covariance of the pieces' extension by picking and by systematic errors together, shape (n, n)."""
        systematic = np.outer(self.scale_sd_mm_yr, self.scale_sd_mm_yr) + np.outer(
            self.tilt_sd_mm_yr, self.tilt_sd_mm_yr
        )
        return np.asarray(self.picking_covariance_mm2_yr2 + systematic)

    def mean_sd_mm_yr(self, rows: ArrayLike | None = None) -> float:
        """Standard deviation of the mean extension over some pieces.

        Parameters
        ----------
        rows : array_like, optional
            Which pieces, as indices or as a mask; all whole years where absent.

        Returns
        -------
        float
            ``sqrt(sum of the covariance) / n``; NaN of none. Over years in a row the picking part is that of the two
            outer marks alone.
        """
        wanted = self.complete if rows is None else np.asarray(rows)
        chosen = np.arange(self.year.size)[wanted if wanted.dtype == np.bool_ else wanted.astype(np.intp)]
        if not chosen.size:
            return float("nan")
        return float(np.sqrt(self.covariance_mm2_yr2[np.ix_(chosen, chosen)].sum()) / chosen.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChronologyTable(Table):
    """One row per track, draw and mark: equally defensible chronologies, draw after draw."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"draw", "mark", "year"})

    specimen: StrArray
    track: StrArray
    draw: FloatArray
    mark: FloatArray
    year: FloatArray
    depth_mm: FloatArray


def chronology_table(specimen: str, chronologies: Mapping[str, Chronologies]) -> ChronologyTable:
    """Write the chronologies of a slab as one long table.

    Parameters
    ----------
    specimen : str
        The slab.
    chronologies : mapping of str to Chronologies
        Per track.

    Returns
    -------
    ChronologyTable
        Draws and marks are counted from 1.
    """
    columns: dict[str, list[Any]] = {name: [] for name in ChronologyTable.column_names()}
    for track, draws in chronologies.items():
        for draw, (depth_mm, year) in enumerate(draws, 1):
            columns["track"] += [track] * len(depth_mm)
            columns["draw"] += [draw] * len(depth_mm)
            columns["mark"] += range(1, len(depth_mm) + 1)
            columns["year"] += year.tolist()
            # A micrometre is far below what any image tells, and thousands of draws are written.
            columns["depth_mm"] += np.round(depth_mm, 3).tolist()
    columns["specimen"] = [specimen] * len(columns["track"])
    arrays: dict[str, Any] = {name: np.array(values) for name, values in columns.items()}
    return ChronologyTable(**arrays)
