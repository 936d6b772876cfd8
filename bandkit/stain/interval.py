"""Time and extension between a staining and the collection, or another staining."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from bandkit.dates import DAYS_PER_YEAR, years_between
from bandkit.errors import InputError

# Intervals further than this from a whole number of years mix seasons unevenly.
WHOLE_YEAR_SLACK_YR = 0.1
# Below this many days the recovery after staining is a fair part of the interval.
SHORT_INTERVAL_DAYS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Increment:
    """Growth between two dated surfaces.

    Parameters
    ----------
    newer, older : date
        Ends of the interval.
    outer_mm, inner_mm : float
        Depth of the newer and of the older surface.
    interval_yr : float
        Length of the interval.
    extension_mm_yr, extension_sd_mm_yr : float
        Growth per year and its standard error.
    flags : tuple of str
        Codes of doubt about the interval.
    """

    newer: date
    older: date
    outer_mm: float
    inner_mm: float
    interval_yr: float
    extension_mm_yr: float
    extension_sd_mm_yr: float
    flags: tuple[str, ...]


def interval_flags(interval_yr: float) -> tuple[str, ...]:
    """Doubts about a staining interval.

    Parameters
    ----------
    interval_yr : float
        Length of the interval in years.

    Returns
    -------
    tuple of str
        ``interval-short`` below 60 days, ``interval-not-whole`` where it is more than a
        tenth of a year from a whole number of years.

    References
    ----------
    Dodge, R. E. et al. (1984) J. Exp. Mar. Biol. Ecol. 75: calcification was depressed
    for up to six days after staining.
    """
    flags = []
    if abs(interval_yr - round(interval_yr)) > WHOLE_YEAR_SLACK_YR or round(interval_yr) == 0:
        flags.append("interval-not-whole")
    if interval_yr * DAYS_PER_YEAR < SHORT_INTERVAL_DAYS:
        flags.append("interval-short")
    return tuple(flags)


def extension_since(depth_mm: float, depth_sd_mm: float, interval_yr: float, surface_sd_mm: float = 0.0
                    ) -> tuple[float, float]:
    """Extension per year from a stain line to the surface, or to a newer line.

    Parameters
    ----------
    depth_mm, depth_sd_mm : float
        Distance from the surface (or the newer line) to the distal edge of the line, and the
        standard error of that edge.
    interval_yr : float
        Time between the two.
    surface_sd_mm : float
        Standard error of the surface (or the newer line).

    Returns
    -------
    extension_mm_yr, extension_sd_mm_yr : float
        Growth per year and its standard error.

    Raises
    ------
    InputError
        When the interval is not positive.

    Notes
    -----
    ``E = d / t`` and ``u(E) = sqrt(u(edge)^2 + u(surface)^2) / t``; the dates are taken as exact.
    """
    if not interval_yr > 0:
        msg = f"interval_yr: must be positive, got {interval_yr!r}; the staining must lie before the collection"
        raise InputError(msg)
    return depth_mm / interval_yr, float(np.hypot(depth_sd_mm, surface_sd_mm)) / interval_yr


def stain_increments(depths_mm: list[float], depth_sds_mm: list[float], dates: list[date], collected: date, *,
                     surface_sd_mm: float = 0.0, excluded_days: list[float] | None = None) -> tuple[Increment, ...]:
    """Growth from the surface to the newest line and between lines that follow each other.

    Parameters
    ----------
    depths_mm, depth_sds_mm : list of float
        Distal edges and their standard errors, outermost first.
    dates : list of date
        Their dates of staining, newest first.
    collected : date
        Date of collection.
    surface_sd_mm : float
        Standard error of the surface.
    excluded_days : list of float, optional
        Days after each staining that are left out because the colony was recovering.

    Returns
    -------
    tuple of Increment
        Outermost first; their lengths add up to the depth of the innermost line.
    """
    edges = [0.0, *depths_mm]
    sds = [surface_sd_mm, *depth_sds_mm]
    days = [collected, *dates]
    out = []
    for k in range(len(dates)):
        interval = years_between(days[k + 1], days[k]) - (excluded_days[k] if excluded_days else 0.0) / DAYS_PER_YEAR
        rate, sd = extension_since(edges[k + 1] - edges[k], sds[k + 1], interval, sds[k])
        out.append(Increment(newer=days[k], older=days[k + 1], outer_mm=edges[k], inner_mm=edges[k + 1],
                             interval_yr=interval, extension_mm_yr=rate, extension_sd_mm_yr=sd,
                             flags=interval_flags(interval)))
    return tuple(out)
