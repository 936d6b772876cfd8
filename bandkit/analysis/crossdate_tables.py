"""What cross-dating gave, as tables: per group, per series, per segment, per year, and the places to look at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.agreement import RunningCorrelation, running_correlation
from bandkit.analysis.crossdate import Crossdating, Suggestion, crossdate
from bandkit.analysis.series import LEVELS, GrowthSeries, Level, Quantity, groups_of
from bandkit.analysis.standardise import DEFAULT_PERIOD_YR, Trend
from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

DEFAULT_WINDOW_YR = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SuggestionTable(Table):
    """One row per place to look at and track there.

    ``year`` is the label of the band as it is now. ``probability`` is that of the error, ``prior`` the
    same by the marks alone; ``start_mm`` to ``end_mm`` the place on the track.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"level", "group", "series", "kind", "specimen", "track"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year", "year_lo", "year_hi"})

    level: StrArray
    group: StrArray
    series: StrArray
    kind: StrArray
    year: FloatArray
    year_lo: FloatArray
    year_hi: FloatArray
    probability: FloatArray
    prior: FloatArray
    specimen: StrArray
    track: StrArray
    start_mm: FloatArray
    end_mm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgreementTable(Table):
    """One row per group: whether it has a common signal and how strong; see `CommonSignal`.

    ``mean_r_after`` is the mean correlation if every suggestion held.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"level", "group", "common_signal"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"series", "year_from", "year_to", "needed", "suggestions"})

    level: StrArray
    group: StrArray
    series: FloatArray
    year_from: FloatArray
    year_to: FloatArray
    common_signal: StrArray
    mean_r: FloatArray
    weighted_r: FloatArray
    limit_r: FloatArray
    p_value: FloatArray
    expressed_signal: FloatArray
    needed: FloatArray
    suggestions: FloatArray
    mean_r_after: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentTable(Table):
    """One row per series, segment and lag: correlation with the mean of the others.

    At ``lag_yr`` 1 each band is held against the year before the one that it is labelled with. ``best`` is
    yes for the lag with the highest correlation of the segment.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"level", "group", "series", "best"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year_from", "year_to", "lag_yr"})

    level: StrArray
    group: StrArray
    series: StrArray
    year_from: FloatArray
    year_to: FloatArray
    lag_yr: FloatArray
    r: FloatArray
    critical_r: FloatArray
    best: StrArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IndexTable(Table):
    """One row per series and year: index, deviation, and the mean deviation of the others."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"level", "group", "series"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year", "others"})

    level: StrArray
    group: StrArray
    series: StrArray
    year: FloatArray
    index: FloatArray
    deviation: FloatArray
    reference: FloatArray
    others: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupResult:
    """One group, compared.

    Parameters
    ----------
    level : {"track", "core", "colony"}
        What its members are.
    name : str
        The slab, colony or site that they are of.
    result : Crossdating
        What comparing gave.
    running : tuple of RunningCorrelation
        Of each series with the mean of the others, all as they are dated; empty where there is no common signal.
    """

    level: Level
    name: str
    result: Crossdating
    running: tuple[RunningCorrelation, ...]

    @property
    def title(self) -> str:
        """What was compared, in words."""
        of = {"track": f"Tracks of slab {self.name}", "core": f"Cores of colony {self.name}",
              "colony": f"Colonies of {self.name or 'one site, not named'}"}  # fmt: skip
        return of[self.level]


def crossdate_levels(
    series: Sequence[GrowthSeries],
    quantity: Quantity = "extension",
    *,
    levels: Sequence[Level] = LEVELS,
    trend: Trend = "smooth",
    period_yr: float = DEFAULT_PERIOD_YR,
    window_yr: int = DEFAULT_WINDOW_YR,
    seed: int = 0,
) -> tuple[GroupResult, ...]:
    """Compare tracks within slabs, cores within colonies and colonies within sites.

    Parameters
    ----------
    series : sequence of GrowthSeries
        Tracks.
    quantity : {"extension", "density", "calcification", "luminescence"}
        What is compared.
    levels : sequence of str
        At which levels.
    trend, period_yr, seed
        See `crossdate`.
    window_yr : int
        Length of the segments of the running correlation.

    Returns
    -------
    tuple of GroupResult
        One for each group with two members or more.
    """
    made = []
    for level in levels:
        for name, group in groups_of(series, level, quantity):
            result = crossdate(group, trend=trend, period_yr=period_yr, seed=seed)
            deviation = result.standardised.deviation
            running: tuple[RunningCorrelation, ...] = ()
            if result.signal.found:
                running = tuple(running_correlation(own, others, window_yr=window_yr)
                                for own, others in zip(deviation.T, result.reference.T, strict=True))  # fmt: skip
            made.append(GroupResult(level=level, name=name, result=result, running=running))
    return tuple(made)


def suggestion_table(groups: Sequence[GroupResult], series: Sequence[GrowthSeries]) -> SuggestionTable:
    """All places to look at.

    Parameters
    ----------
    groups : sequence of GroupResult
        Groups, compared.
    series : sequence of GrowthSeries
        The tracks that they were made of.

    Returns
    -------
    SuggestionTable
        The surest of each group first.
    """
    rows: list[dict[str, Any]] = []
    for group in groups:
        for suggestion in sorted(group.result.suggestions, key=lambda s: -s.probability):
            told = {name: getattr(suggestion, name) for name in
                    ("series", "kind", "year", "year_lo", "year_hi", "probability", "prior")}  # fmt: skip
            rows += [{"level": group.level, "group": group.name, **told, **place}
                     for place in _places(group.level, group.name, suggestion, series)]  # fmt: skip
    return SuggestionTable.from_rows(rows)


def _places(
    level: Level, group: str, suggestion: Suggestion, series: Sequence[GrowthSeries]
) -> list[Mapping[str, Any]]:
    """Where on its tracks a suggestion lies."""
    places: list[Mapping[str, Any]] = []
    for one in series:
        if one.place.group(level) == group and one.place.name(level) == suggestion.series:
            at = np.flatnonzero(one.year == suggestion.year)
            ends = (float(one.start_mm[at[0]]), float(one.end_mm[at[0]])) if at.size else (np.nan, np.nan)
            places.append({"specimen": one.place.specimen, "track": one.place.track, "start_mm": ends[0],
                           "end_mm": ends[1]})  # fmt: skip
    return places


def agreement_table(groups: Sequence[GroupResult]) -> AgreementTable:
    """How far each group agrees.

    Parameters
    ----------
    groups : sequence of GroupResult
        Groups, compared.

    Returns
    -------
    AgreementTable
        One row each.
    """
    rows = []
    for group in groups:
        result, signal = group.result, group.result.signal
        years = result.group.year[np.isfinite(result.group.values).any(axis=1)]
        rows.append({
            "level": group.level, "group": group.name, "series": float(len(result.group.names)),
            "year_from": float(years.min()), "year_to": float(years.max()),
            "common_signal": "yes" if signal.found else "no",
            **{n: getattr(signal, n) for n in ("mean_r", "weighted_r", "limit_r", "p_value", "expressed_signal")},
            "needed": float(signal.n_needed) if signal.found and signal.n_needed else np.nan,
            "suggestions": float(len(result.suggestions)), "mean_r_after": result.mean_r_after,
        })  # fmt: skip
    return AgreementTable.from_rows(rows)


def segment_table(groups: Sequence[GroupResult]) -> SegmentTable:
    """Running correlations at all lags.

    Parameters
    ----------
    groups : sequence of GroupResult
        Groups, compared.

    Returns
    -------
    SegmentTable
        Segments of groups with a common signal.
    """
    rows = []
    for group in groups:
        year = group.result.group.year
        for name, running in zip(group.result.group.names, group.running, strict=False):
            for i, r in enumerate(running.r):
                ends = year[[int(running.first_row[i]), int(running.last_row[i])]]
                best = int(np.nanargmax(r)) if np.isfinite(r).any() else -1
                rows += [{
                    "level": group.level, "group": group.name, "series": name, "year_from": float(ends.min()),
                    "year_to": float(ends.max()), "lag_yr": float(lag), "r": float(r[j]),
                    "critical_r": float(running.critical_r[i]), "best": "yes" if j == best else "no",
                } for j, lag in enumerate(running.lags)]  # fmt: skip
    return SegmentTable.from_rows(rows)


def index_table(groups: Sequence[GroupResult]) -> IndexTable:
    """The standardised series.

    Parameters
    ----------
    groups : sequence of GroupResult
        Groups, compared.

    Returns
    -------
    IndexTable
        Years that a series has.
    """
    parts = []
    for group in groups:
        result = group.result
        index, deviation = result.standardised.index, result.standardised.deviation
        n_known = np.isfinite(deviation).sum(axis=1)
        for j, name in enumerate(result.group.names):
            rows = np.flatnonzero(np.isfinite(index[:, j]))
            parts.append(IndexTable(
                level=np.full(rows.size, group.level), group=np.full(rows.size, group.name),
                series=np.full(rows.size, name), year=result.group.year[rows], index=index[rows, j],
                deviation=deviation[rows, j], reference=result.reference[rows, j],
                others=(n_known - np.isfinite(deviation[:, j]))[rows].astype(np.float64),
            ))  # fmt: skip
    return IndexTable.concatenate(parts)
