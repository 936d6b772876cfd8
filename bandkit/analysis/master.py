"""Master series: tracks averaged to cores, cores to colonies, colonies to the site.

Tracks of a slab are not independent witnesses of a colony, nor cores of a colony of a site. So each level is
averaged before the next, every colony counts once, and the interval comes from drawing colonies anew. The age error
is carried by dating each track anew, too, by one of its equally defensible chronologies.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.agreement import CommonSignal, common_signal, subsample_strength
from bandkit.analysis.series import QUANTITY_COLUMNS, GrowthSeries, Quantity
from bandkit.analysis.standardise import DEFAULT_PERIOD_YR, Trend, standardise
from bandkit.stats import robust_mean
from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

N_BOOTSTRAP = 500
# Ends of a 90 % interval.
TAILS = (0.05, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MasterTable(Table):
    """One row per site and year, newest first.

    ``mean`` is the robust mean over colonies of the ``quantity``, in the unit that its name bears; ``index`` that of
    the series divided by their trends. ``_lo`` and ``_hi`` are 90 % intervals: over colonies
    alone, and with the age error (``_dated_``). ``common`` tells the years that all colonies of the site have.
    ``strength`` is how well these colonies stand for all of the site (subsample signal strength).
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"site", "quantity", "common"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year", "colonies", "cores", "tracks"})

    site: StrArray
    quantity: StrArray
    year: FloatArray
    mean: FloatArray
    mean_lo: FloatArray
    mean_hi: FloatArray
    mean_dated_lo: FloatArray
    mean_dated_hi: FloatArray
    index: FloatArray
    index_lo: FloatArray
    index_hi: FloatArray
    index_dated_lo: FloatArray
    index_dated_hi: FloatArray
    colonies: FloatArray
    cores: FloatArray
    tracks: FloatArray
    common: StrArray
    strength: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Master:
    """The master series of one site.

    Parameters
    ----------
    site : str
        Empty where the site is not named.
    quantity : str
        Column that was averaged, such as extension_mm_yr.
    colonies : tuple of str
        Colonies in it.
    table : MasterTable
        The series.
    signal : CommonSignal
        Whether colonies vary together at all; the index of a site without is no common history.
    common_years : tuple of int
        Oldest and newest year of those that all colonies have; empty where there are none.
    common_mean, common_lo, common_hi : float
        Mean of the colonies' means over these years and its 90 % interval over colonies; NaN without such years.
    age_error : bool
        Whether any track brought chronologies.
    left_out : tuple of str
        Tracks that are counted, not dated.
    """

    site: str
    quantity: str
    colonies: tuple[str, ...]
    table: MasterTable
    signal: CommonSignal
    common_years: tuple[int, ...]
    common_mean: float
    common_lo: float
    common_hi: float
    age_error: bool
    left_out: tuple[str, ...]


def master_series(
    series: Sequence[GrowthSeries],
    quantity: Quantity = "extension",
    *,
    trend: Trend = "smooth",
    period_yr: float = DEFAULT_PERIOD_YR,
    n_bootstrap: int = N_BOOTSTRAP,
    seed: int = 0,
) -> tuple[Master, ...]:
    """Average dated series site by site.

    Parameters
    ----------
    series : sequence of GrowthSeries
        Tracks; counted, not dated ones are left out and named.
    quantity : {"extension", "density", "calcification", "luminescence"}
        What is averaged; only whole years.
    trend, period_yr
        How the trend is taken out of the index, see `standardise`.
    n_bootstrap : int
        Draws of colonies.
    seed : int
        Of the random numbers.

    Returns
    -------
    tuple of Master
        One per site that has a dated series, in the order of the series.

    Notes
    -----
    Each draw takes as many colonies as there are, with repeats, and gives each of their tracks one of its
    chronologies. Intervals are NaN where fewer than three colonies have the year: two say nothing on their spread.
    """
    made = []
    for site in dict.fromkeys(one.place.site for one in series):
        here = [one for one in series if one.place.site == site and np.isfinite(one.values[quantity]).any()]
        dated = [one for one in here if not one.floating]
        if dated:
            axis = _axis(dated)
            tracks = np.stack([_laid(one, quantity, axis) for one in dated], axis=1)
            gathered = _Site(dated=dated, quantity=quantity, trend=trend, period_yr=period_yr, axis=axis,
                             nest=_nest(dated), tracks=tracks)  # fmt: skip
            left_out = tuple(one.place.name("track") for one in here if one.floating)
            made.append(_master(gathered, n_bootstrap, np.random.default_rng(seed), left_out))
    return tuple(made)


def redate(series: GrowthSeries, quantity: Quantity, draw: int, axis: FloatArray) -> FloatArray:
    """Growth per year of a track by one of its chronologies.

    Parameters
    ----------
    series : GrowthSeries
        A track with chronologies and depths.
    quantity : str
        What is wanted.
    draw : int
        Number of the chronology, from 0.
    axis : ndarray, shape (n_years,)
        Calendar years, falling.

    Returns
    -------
    ndarray, shape (n_years,)
        NaN where the draw has no whole year or growth was not measured throughout it.

    Notes
    -----
    What was measured is laid out along the depth and cut anew at the marks of the draw: rates as growth summed
    over each new year, density and luminescence as means over its length.
    """
    assert series.chronologies is not None
    depth_mm, year = series.chronologies.depth_mm[draw], series.chronologies.year[draw]
    known = np.isfinite(series.start_mm) & np.isfinite(series.end_mm) & np.isfinite(series.values[quantity])
    start_mm, end_mm, value = series.start_mm[known], series.end_mm[known], series.values[quantity][known]
    out = np.full(axis.shape, np.nan)
    if depth_mm.size < 2 or not value.size:
        return out
    length_mm = end_mm - start_mm
    per_mm = value if quantity in ("density", "luminescence") else value / length_mm
    # Marks of a draw that are those of the series lie a little off them: such slivers at the ends are forgiven.
    slack = 0.2 * float(np.median(length_mm))
    edges = np.concatenate([start_mm, end_mm[-1:]])
    running = np.concatenate([[0.0], np.cumsum(per_mm * length_mm)])
    covered = np.concatenate([[0.0], np.cumsum(length_mm)])
    total = np.diff(np.interp(depth_mm, edges, running))
    seen_mm = np.diff(np.interp(depth_mm, edges, covered))
    wide_mm = np.diff(depth_mm)
    one_year = np.abs(np.diff(year)) == 1.0
    inside = (depth_mm[:-1] >= edges[0] - slack) & (depth_mm[1:] <= edges[-1] + slack) & (seen_mm > 0.75 * wide_mm)
    value = total / np.where(seen_mm > 0, seen_mm, np.nan)
    if quantity not in ("density", "luminescence"):
        value = value * wide_mm
    row = np.rint(axis[0] - year[:-1]).astype(np.int64)
    good = one_year & inside & (row >= 0) & (row < axis.size)
    out[row[good]] = value[good]
    return out


def _master(site: _Site, n_bootstrap: int, rng: np.random.Generator, left_out: tuple[str, ...]) -> Master:
    """The master series of one site."""
    dated, axis, tracks = site.dated, site.axis, site.tracks
    colonies, index = site.averaged(tracks)
    signal = common_signal(standardise(colonies, trend=site.trend, period_yr=site.period_yr).deviation)
    picks = rng.integers(0, colonies.shape[1], (n_bootstrap, colonies.shape[1]))
    count = np.isfinite(colonies).sum(axis=1)
    common = count == colonies.shape[1]
    strength = [subsample_strength(signal.mean_r, n, colonies.shape[1]) if signal.found else np.nan for n in count]
    place = dated[0].place.site
    columns = _means_with_intervals(site, (colonies, index), picks, rng) | {
        "site": np.full(axis.size, place),
        "quantity": np.full(axis.size, QUANTITY_COLUMNS[site.quantity]),
        "year": axis,
        "colonies": count,
        "cores": _count_of(tracks, [one.place.name("core") for one in dated]),
        "tracks": np.isfinite(tracks).sum(axis=1),
        "common": np.where(common, "yes", "no"),
        "strength": np.array(strength),
    }
    mean, lo, hi = _over_common(colonies[common], picks)
    years = axis[common]
    return Master(
        site=place,
        quantity=QUANTITY_COLUMNS[site.quantity],
        colonies=tuple(site.nest),
        table=MasterTable(**{name: values[count > 0] for name, values in columns.items()}),
        signal=signal,
        common_years=(int(years.min()), int(years.max())) if years.size else (),
        common_mean=mean,
        common_lo=lo,
        common_hi=hi,
        age_error=any(_can_be_redated(one) for one in dated),
        left_out=left_out,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Site:
    """The dated tracks of one site on one axis of years, and how they are averaged."""

    dated: Sequence[GrowthSeries]
    quantity: Quantity
    trend: Trend
    period_yr: float
    axis: FloatArray
    nest: Mapping[str, Mapping[str, Sequence[int]]]
    tracks: FloatArray

    def averaged(self, tracks: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Values and indices of the colonies, each shape (n_years, n_colonies)."""
        index = standardise(tracks, trend=self.trend, period_yr=self.period_yr).index
        return _nested(tracks, self.nest), _nested(index, self.nest)


def _means_with_intervals(
    site: _Site, colonies: tuple[FloatArray, FloatArray], picks: NDArray[np.int64], rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Robust mean and index over colonies, with the intervals over colonies alone and with the age error."""
    count = np.isfinite(colonies[0]).sum(axis=1)
    plain = [np.stack([robust_mean(part[:, pick]) for pick in picks]) for part in colonies]
    aged = _with_age_error(site, picks, rng) if any(_can_be_redated(one) for one in site.dated) else plain
    columns = {}
    for name, part, draws, aged_draws in zip(("mean", "index"), colonies, plain, aged, strict=True):
        columns[name] = robust_mean(part)
        columns[f"{name}_lo"], columns[f"{name}_hi"] = _interval(draws, count)
        columns[f"{name}_dated_lo"], columns[f"{name}_dated_hi"] = _interval(aged_draws, count)
    return columns


def _axis(dated: Sequence[GrowthSeries]) -> FloatArray:
    """All years of the site, newest first."""
    newest, oldest = max(one.year[0] for one in dated), min(one.year[-1] for one in dated)
    return np.arange(newest, oldest - 1.0, -1.0)


def _nest(dated: Sequence[GrowthSeries]) -> dict[str, dict[str, list[int]]]:
    """Columns of tracks by colony and core."""
    nest: dict[str, dict[str, list[int]]] = {}
    for i, one in enumerate(dated):
        nest.setdefault(one.place.colony, {}).setdefault(one.place.core, []).append(i)
    return nest


def _nested(tracks: FloatArray, nest: Mapping[str, Mapping[str, Sequence[int]]]) -> FloatArray:
    """Mean over the tracks of each core, then over the cores of each colony; shape (n_years, n_colonies)."""
    colonies = []
    for cores in nest.values():
        means = np.stack([_mean(tracks[:, columns]) for columns in cores.values()], axis=1)
        colonies.append(_mean(means))
    return np.stack(colonies, axis=1)


def _mean(columns: FloatArray) -> FloatArray:
    """Mean over columns without the NaN."""
    count = np.isfinite(columns).sum(axis=1)
    return np.asarray(np.where(count > 0, np.nansum(columns, axis=1) / np.maximum(count, 1), np.nan))


def _laid(one: GrowthSeries, quantity: Quantity, axis: FloatArray) -> FloatArray:
    """Values of a track on the axis of the site."""
    out = np.full(axis.shape, np.nan)
    out[(axis[0] - one.year).astype(np.int64)] = one.values[quantity]
    return out


def _can_be_redated(one: GrowthSeries) -> bool:
    """Whether a track brings chronologies and the depths to apply them to."""
    return one.chronologies is not None and len(one.chronologies) > 1 and bool(np.isfinite(one.start_mm).any())


def _with_age_error(site: _Site, picks: NDArray[np.int64], rng: np.random.Generator) -> list[FloatArray]:
    """Bootstrap draws of mean and index in which each track is dated anew."""
    drawn: tuple[list[FloatArray], list[FloatArray]] = ([], [])
    for pick in picks:
        again = site.tracks.copy()
        for i, one in enumerate(site.dated):
            if one.chronologies is not None and _can_be_redated(one):
                again[:, i] = redate(one, site.quantity, int(rng.integers(len(one.chronologies))), site.axis)
        for into, values in zip(drawn, site.averaged(again), strict=True):
            into.append(robust_mean(values[:, pick]))
    return [np.stack(part) for part in drawn]


def _interval(draws: FloatArray, count: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """90 % interval over the draws; NaN where fewer than three colonies have the year."""
    out = np.full((2, draws.shape[1]), np.nan)
    for row in np.flatnonzero(count >= 3):
        known = draws[np.isfinite(draws[:, row]), row]
        if known.size:
            out[:, row] = np.quantile(known, TAILS)
    return out[0], out[1]


def _over_common(colonies: FloatArray, picks: NDArray[np.int64]) -> tuple[float, float, float]:
    """Mean of the colonies' means over the common years with its interval over colonies."""
    if not colonies.shape[0]:
        return np.nan, np.nan, np.nan
    means = colonies.mean(axis=0)
    if means.size < 3:
        return float(means.mean()), np.nan, np.nan
    lo, hi = np.quantile(means[picks].mean(axis=1), TAILS)
    return float(means.mean()), float(lo), float(hi)


def _count_of(tracks: FloatArray, names: Sequence[str]) -> NDArray[np.int64]:
    """How many different names have a track in each year."""
    known = np.isfinite(tracks)
    labels = np.array(names)
    seen = [known[:, labels == name].any(axis=1) for name in dict.fromkeys(names)]
    return np.asarray(np.sum(seen, axis=0), dtype=np.int64)
