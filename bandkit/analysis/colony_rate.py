"""A colony's growth and counted years, taken from a measured slab of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.colony import ColonyRate, rate_of_series
from bandkit.errors import InputError
from bandkit.results import GrowthTable, SlabResult
from bandkit.stats import Z_90

# Where the table says nothing of the count: common practice, no source.
COUNT_SD_FRAC = 0.02


def longest_track(slab: SlabResult) -> str:
    """Find the track with the most whole years.

    Parameters
    ----------
    slab : SlabResult
        A measured slab.

    Returns
    -------
    str
        Its name; the first of several.

    Raises
    ------
    InputError
        No track has a whole year.
    """
    whole: list[str] = slab.growth.track[slab.growth.complete == "yes"].tolist()
    if not whole:
        msg = f"specimen {slab.specimen['id']}: no whole year of growth; give a rate with its error instead"
        raise InputError(msg)
    return max(dict.fromkeys(whole), key=whole.count)


def rate_of_track(slab: SlabResult, track: str) -> ColonyRate:
    """Take growth and counted years from one track.

    Parameters
    ----------
    slab : SlabResult
        A measured slab.
    track : str
        Name of the track.

    Returns
    -------
    ColonyRate
        The mean of the whole years with its error, their spread, and how far down they were counted. The piece outside
        the outermost mark counts as its length over the mean.

    Raises
    ------
    InputError
        No such track, or too few whole years on it.
    """
    growth = slab.growth
    names = list(dict.fromkeys(growth.track.tolist()))
    if track not in names:
        msg = f"track: {track!r} is not on specimen {slab.specimen['id']}; it has {', '.join(map(repr, names))}"
        raise InputError(msg)
    rows = np.flatnonzero((growth.track == track) & (growth.complete == "yes") & np.isfinite(growth.extension_mm_yr))
    # From the surface inwards is from the newest year back; a floating count grows inwards instead.
    order = rows[np.argsort(growth.start_mm[rows] if np.isfinite(growth.start_mm[rows]).all() else -growth.year[rows])]
    extension = growth.extension_mm_yr[order]
    outer_mm, counted_mm = _reach_mm(growth, order)
    years = growth.year[order]
    counted = float(abs(years[0] - years[-1]) + 1) if order.size else 0.0
    mean = float(extension.mean()) if order.size else float("nan")
    return rate_of_series(
        extension, mean_sd_mm_yr=_mean_sd_mm_yr(slab, track, order), counted_yr=counted + outer_mm / mean,
        counted_sd_yr=_count_sd_yr(slab, track, order, counted), counted_mm=counted_mm,
    )  # fmt: skip


def _reach_mm(growth: GrowthTable, rows: NDArray[np.intp]) -> tuple[float, float]:
    """Depths of the outermost and the innermost mark; the sum of the years where the table has no depths."""
    start, end = growth.start_mm[rows], growth.end_mm[rows]
    if rows.size and np.isfinite(start).all() and np.isfinite(end).all():
        return float(start.min()), float(end.max())
    return 0.0, float(growth.extension_mm_yr[rows].sum())


def _mean_sd_mm_yr(slab: SlabResult, track: str, rows: NDArray[np.intp]) -> float:
    """What the mean extension may be off by through measurement."""
    if track in slab.errors:
        return slab.errors[track].mean_sd_mm_yr()
    sd = slab.growth.extension_sd_mm_yr[rows]
    known = sd[np.isfinite(sd)]
    # A table from elsewhere does not say what its years share, so nothing is averaged away.
    return float(known.mean()) if known.size else 0.0


def _count_sd_yr(slab: SlabResult, track: str, rows: NDArray[np.intp], counted: float) -> float:
    """What the count may be off by."""
    own = slab.tracks.years_sd[slab.tracks.track == track]
    if own.size and np.isfinite(own[0]):
        return float(own[0])
    spread = (slab.growth.year_hi - slab.growth.year_lo)[rows]
    if spread.size and np.isfinite(spread[-1]):
        return float(spread[-1]) / (2 * Z_90)
    return COUNT_SD_FRAC * counted
