"""Growth series with the slab, core, colony and site that they belong to.

A series is one track. Tracks of one slab see the same bands, cores of one colony the same years, colonies of
one site the same weather: what is compared, and what is averaged first, follows this nesting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.crossdate import DEFAULT_RATE, SeriesGroup
from bandkit.errors import InputError
from bandkit.uncertainty import Chronologies

FloatArray = NDArray[np.float64]

Quantity = Literal["extension", "density", "calcification", "luminescence"]
Level = Literal["track", "core", "colony"]

QUANTITY_COLUMNS: dict[Quantity, str] = {
    "extension": "extension_mm_yr",
    "density": "density_g_cm3",
    "calcification": "calcification_g_cm2_yr",
    "luminescence": "annual_luminescence",
}
LEVELS: tuple[Level, ...] = ("track", "core", "colony")
NEEDED_COLUMNS = ("specimen", "year")
GROUPING_COLUMNS = ("specimen", "colony", "core", "site")

# Two years in one band are measured as their sum; of density and luminescence a band keeps one value.
_ADDING: frozenset[Quantity] = frozenset({"extension", "calcification"})
# A mark that a reader calls doubtful, and that bears no probability: half a year, so that it is shared by both errors.
_DOUBTFUL_RATE = 0.25
# A mark of a draw is that of the series when it lies no further off, as a fraction of the year.
_SAME_MARK_YR = 0.35
_LEAST_SERIES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a series was measured.

    Parameters
    ----------
    specimen, track : str
        The slab and the track on it.
    core, colony, site : str
        What the slab was cut from; the site is empty where not known.
    """

    specimen: str
    track: str
    core: str
    colony: str
    site: str

    def name(self, level: Level) -> str:
        """Name of the member that the series belongs to at a level."""
        if level == "colony":
            return self.colony
        core = self.core if self.core.startswith(self.colony) else f"{self.colony} {self.core}"
        if level == "core":
            return core
        return f"{self.specimen} {self.track}".strip()

    def group(self, level: Level) -> str:
        """Name of the group within which members of a level are compared."""
        return {"track": self.specimen, "core": self.colony, "colony": self.site}[level]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthSeries:
    """Growth per whole year of one track, from the outside inwards.

    Parameters
    ----------
    place : Place
        Slab, track, core, colony, site.
    year : ndarray, shape (n,)
        Labels one apart: calendar years fall, counts rise.
    values : mapping of str to ndarray, shape (n,)
        Each quantity by its name; NaN for what is not a whole year or was not measured.
    start_mm, end_mm : ndarray, shape (n,)
        Outer and inner end of each year along the track; NaN where not given.
    missing_frac, doubled_frac : ndarray, shape (n,)
        By the marks alone: chance that a year is missing at each band, and that it and the next inner are one.
    judged : bool
        Whether these chances come from the draws of the mark model, which has weighed the spacing of the marks.
    floating : bool
        Whether years are counted, not dated.
    chronologies : Chronologies or None
        Equally defensible chronologies where there are any.
    """

    place: Place
    year: FloatArray
    values: Mapping[Quantity, FloatArray]
    start_mm: FloatArray
    end_mm: FloatArray
    missing_frac: FloatArray
    doubled_frac: FloatArray
    judged: bool = False
    floating: bool = False
    chronologies: Chronologies | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouping:
    """Where slabs belong, by specimen.

    Parameters
    ----------
    colony, core, site : mapping of str to str
        By specimen id; a specimen that is absent is its own colony and core, of no site.
    """

    colony: Mapping[str, str] = field(default_factory=dict)
    core: Mapping[str, str] = field(default_factory=dict)
    site: Mapping[str, str] = field(default_factory=dict)

    def place(self, specimen: str, track: str) -> Place:
        """Where a track belongs."""
        colony = self.colony.get(specimen) or specimen
        return Place(specimen=specimen, track=track, colony=colony, core=self.core.get(specimen) or specimen,
                     site=self.site.get(specimen, ""))  # fmt: skip


def grouping_from_rows(rows: Iterable[Mapping[str, str]], source: str) -> Grouping:
    """Read which slab belongs to which colony, core and site.

    Parameters
    ----------
    rows : iterable of mapping
        Rows of text cells with the column specimen and any of colony, core, site.
    source : str
        File that they come from, for messages.

    Returns
    -------
    Grouping
        The last row of a specimen wins where it says something.

    Raises
    ------
    InputError
        No column specimen.
    """
    found: dict[str, dict[str, str]] = {"colony": {}, "core": {}, "site": {}}
    for row in rows:
        if "specimen" not in row:
            msg = f"{source}: specimen: no such column among {', '.join(row)}; the first row must name the columns"
            raise InputError(msg)
        for name, by_specimen in found.items():
            if value := (row.get(name) or "").strip():
                by_specimen[row["specimen"].strip()] = value
    return Grouping(**found)


def series_from_rows(
    rows: Sequence[Mapping[str, str]],
    source: str,
    *,
    grouping: Grouping | None = None,
    chronologies: Mapping[tuple[str, str], Chronologies] | None = None,
) -> tuple[GrowthSeries, ...]:
    """Build series from the rows of a growth table.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of text cells: specimen, year and at least one quantity; track, start_mm, end_mm, complete, certainty and
        year_start are used where they are there. Empty is not measured.
    source : str
        File that they come from, for messages.
    grouping : Grouping, optional
        Where the slabs belong; columns colony, core and site of the rows themselves where absent.
    chronologies : mapping, optional
        By specimen and track.

    Returns
    -------
    tuple of GrowthSeries
        One per specimen and track that has a whole year, in the order of the table.

    Raises
    ------
    InputError
        A column is missing, a cell is no number, or a year of a track is there twice.
    """
    if not rows:
        msg = f"{source}: no rows; measure slabs, or give a table with the columns specimen, year, extension_mm_yr"
        raise InputError(msg)
    lacking = [name for name in NEEDED_COLUMNS if name not in rows[0]]
    if lacking or not any(column in rows[0] for column in QUANTITY_COLUMNS.values()):
        wanted = lacking[0] if lacking else " or ".join(QUANTITY_COLUMNS.values())
        msg = f"{source}: {wanted}: no such column among {', '.join(rows[0])}; the first row must name the columns"
        raise InputError(msg)
    where = grouping or grouping_from_rows(rows, source)

    def key(row: Mapping[str, str]) -> tuple[str, str]:
        return row["specimen"], row.get("track", "")

    order = {name: i for i, name in enumerate(dict.fromkeys(key(row) for row in rows))}
    drawn = chronologies or {}
    made = [
        _series(list(own), source, where.place(*name), drawn.get(name))
        for name, own in groupby(sorted(rows, key=lambda row: order[key(row)]), key)
    ]
    return tuple(series for series in made if series is not None)


def _series(
    rows: list[Mapping[str, str]], source: str, place: Place, chronologies: Chronologies | None
) -> GrowthSeries | None:
    """One track; None where it has no whole year."""
    read = _reader(source, place)
    whole = [row for row in rows if (row.get("complete") or "yes") == "yes" and row["year"]]
    if not whole:
        return None
    year = read(whole, "year")
    if np.any(year != np.rint(year)):
        msg = f"{source}: year: {year[year != np.rint(year)][0]:g} of {place.name('track')} is not a whole year"
        raise InputError(msg)
    names, counts = np.unique(year, return_counts=True)
    if counts.max() > 1:
        msg = (f"{source}: year: {names[counts > 1][0]:.0f} of {place.name('track')} is there twice; "
               "give each track a name of its own in a column track")  # fmt: skip
        raise InputError(msg)
    start_mm = read(whole, "start_mm")
    floating = chronologies.floating if chronologies is not None else _is_counted(whole, year, start_mm)
    axis = np.arange(year.min(), year.max() + 1) if floating else np.arange(year.max(), year.min() - 1, -1.0)
    at = np.abs(year - axis[0]).astype(np.int64)

    def laid(values: FloatArray) -> FloatArray:
        out = np.full(axis.shape, np.nan)
        out[at] = values
        return out

    start_mm, end_mm = laid(start_mm), laid(read(whole, "end_mm"))
    judged = chronologies is not None and len(chronologies) > 1 and bool(np.isfinite(start_mm).any())
    if judged and chronologies is not None:
        missing, doubled = doubts_from_draws(chronologies, start_mm, end_mm)
    else:
        doubtful = laid(np.array([float(row.get("certainty", "") not in ("", "certain")) for row in whole])) > 0
        missing, doubled = doubts_from_certainty(doubtful)
    quantities = {name: laid(read(whole, column)) for name, column in QUANTITY_COLUMNS.items()}
    return GrowthSeries(place=place, year=axis, values=quantities, start_mm=start_mm, end_mm=end_mm,
                        missing_frac=missing, doubled_frac=doubled, judged=judged, floating=floating,
                        chronologies=chronologies)  # fmt: skip


def _reader(source: str, place: Place) -> Callable[[Sequence[Mapping[str, str]], str], FloatArray]:
    """Give the function that reads one column of one track."""

    def read(rows: Sequence[Mapping[str, str]], column: str) -> FloatArray:
        try:
            return np.array([float(row.get(column) or "nan") for row in rows])
        except ValueError as error:
            bad = next(row[column] for row in rows if not _is_number(row.get(column) or "nan"))
            msg = (f"{source}: {column}: {bad!r} of {place.name('track')} is no number; "
                   "write it with a decimal point, and leave the cell empty where nothing was measured")  # fmt: skip
            raise InputError(msg) from error

    return read


def _is_number(text: str) -> bool:
    """Whether a cell is a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def _is_counted(rows: Sequence[Mapping[str, str]], year: FloatArray, start_mm: FloatArray) -> bool:
    """Whether labels are counts from the outside: they rise with depth, where calendar years fall."""
    if any(row.get("year_start") for row in rows):
        return False
    known = np.isfinite(start_mm)
    if known.sum() < 2:
        return False
    return bool(np.cov(year[known], start_mm[known])[0, 1] > 0)


def doubts_from_draws(
    chronologies: Chronologies, start_mm: FloatArray, end_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Chances of an error at each band from equally defensible sequences of marks.

    Parameters
    ----------
    chronologies : Chronologies
        The draws.
    start_mm, end_mm : ndarray, shape (n,)
        Outer and inner mark of each band, in mm; NaN where there is none.

    Returns
    -------
    missing_frac, doubled_frac : ndarray, shape (n,)
        Share of the draws that have a mark well within the band, and that have none at its inner mark.
    """
    year_mm = end_mm - start_mm
    reach = _SAME_MARK_YR * year_mm
    missing, doubled = np.zeros(start_mm.shape), np.zeros(start_mm.shape)
    for depth_mm, _ in chronologies:
        inside = np.searchsorted(depth_mm, end_mm - reach) - np.searchsorted(depth_mm, start_mm + reach)
        at_mark = np.searchsorted(depth_mm, end_mm + reach, side="right") - np.searchsorted(depth_mm, end_mm - reach)
        missing += inside > 0
        doubled += at_mark == 0
    n = max(len(chronologies), 1)
    known = np.isfinite(year_mm)
    return np.where(known, missing / n, DEFAULT_RATE), np.where(known, doubled / n, DEFAULT_RATE)


def doubts_from_certainty(doubtful: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Chances of an error at each band where only doubtful bands are named.

    Parameters
    ----------
    doubtful : ndarray of bool, shape (n,)
        Bands at whose ends a mark is doubtful or inserted.

    Returns
    -------
    missing_frac, doubled_frac : ndarray, shape (n,)
        A hundredth of a year each where nothing is doubtful, a quarter where both bands at a mark are.
    """
    at_mark = doubtful & np.append(doubtful[1:], doubtful[-1:])
    missing = np.full(doubtful.shape, DEFAULT_RATE)
    return missing, np.where(at_mark, _DOUBTFUL_RATE, DEFAULT_RATE)


def groups_of(
    series: Sequence[GrowthSeries], level: Level, quantity: Quantity = "extension"
) -> tuple[tuple[str, SeriesGroup], ...]:
    """Gather the members of a level that are to be compared.

    Parameters
    ----------
    series : sequence of GrowthSeries
        Tracks.
    level : {"track", "core", "colony"}
        Tracks within a slab, cores within a colony, or colonies within a site.
    quantity : {"extension", "density", "calcification", "luminescence"}
        What is compared.

    Returns
    -------
    tuple of (str, SeriesGroup)
        Name and group, for each that has at least two members. Counted series are compared only within a slab,
        where all are counted from one surface.

    Notes
    -----
    A member of several tracks is their mean, each track relative to its own median; its chances of an error are
    the largest of theirs.
    """
    kept = [one for one in series if np.isfinite(one.values[quantity]).any()]
    kept = [one for one in kept if level == "track" or not one.floating]
    names = dict.fromkeys((one.place.group(level), one.floating) for one in kept)
    found = []
    for name, floating in names:
        own = [one for one in kept if one.place.group(level) == name and one.floating == floating]
        members: dict[str, list[GrowthSeries]] = {}
        for one in own:
            members.setdefault(one.place.name(level), []).append(one)
        if len(members) >= _LEAST_SERIES:
            found.append((name, _group(members, quantity, floating=floating)))
    return tuple(found)


def _group(members: Mapping[str, list[GrowthSeries]], quantity: Quantity, *, floating: bool) -> SeriesGroup:
    """Lay members on one axis of years."""
    every = [one for own in members.values() for one in own]
    ends = np.concatenate([one.year[[0, -1]] for one in every])
    axis = np.arange(ends.min(), ends.max() + 1) if floating else np.arange(ends.max(), ends.min() - 1, -1.0)
    shape = axis.size, len(members)
    values, missing, doubled = np.full(shape, np.nan), np.full(shape, DEFAULT_RATE), np.full(shape, DEFAULT_RATE)
    for j, own in enumerate(members.values()):
        tracks = np.full((axis.size, len(own)), np.nan)
        for i, one in enumerate(own):
            at = np.abs(one.year - axis[0]).astype(np.int64)
            middle = float(np.nanmedian(one.values[quantity])) if len(own) > 1 else 1.0
            tracks[at, i] = one.values[quantity] / middle
            missing[at, j] = np.maximum(missing[at, j], one.missing_frac)
            doubled[at, j] = np.maximum(doubled[at, j], one.doubled_frac)
        count = np.isfinite(tracks).sum(axis=1)
        values[:, j] = np.where(count > 0, np.nansum(tracks, axis=1) / np.maximum(count, 1), np.nan)
    adds = quantity in _ADDING and not any(one.judged for one in every)
    return SeriesGroup(names=tuple(members), year=axis, values=values, missing_frac=missing, doubled_frac=doubled,
                       widths_add=adds)  # fmt: skip
