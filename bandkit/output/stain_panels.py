"""Stain lines on the figure: their depths against their dates, and their table."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from bandkit.dates import decimal_year
from bandkit.output.style import FAINT, INK, SMALL_PT, track_style
from bandkit.output.words import error_text
from bandkit.results import SlabResult


def stain_rows(result: SlabResult, limit: int = 12) -> list[list[str]]:
    """Stain lines as rows of short text.

    Parameters
    ----------
    result : SlabResult
        The measured slab.
    limit : int
        Most rows to give.

    Returns
    -------
    list of list of str
        Header and rows: track, date, found, depth, extension.
    """
    rows = [["track", "stained", "found", "depth (mm)", "mm/yr since then"]]
    for row in result.stains.rows()[:limit]:
        depth = error_text(row["depth_mm"], row["depth_sd_mm"])
        rate = error_text(row["extension_mm_yr"], row["extension_sd_mm_yr"])
        rows.append([row["track"], row["stain_date"], row["found"], depth, rate])
    hidden = len(result.stains) - limit
    if hidden > 0:
        rows.append([f"and {hidden} more in stain.csv", "", "", "", ""])
    return rows


def has_stain_dates(result: SlabResult) -> bool:
    """Whether depths of stain lines can be set against dates.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    bool
        True where a line was found on a slab whose surface has a date.
    """
    found = (result.stains.found == "yes") & np.isfinite(result.stains.interval_yr)
    return bool(result.specimen.get("collected")) and bool(found.any())


def draw_stain_dates(ax: Axes, result: SlabResult, names: tuple[str, ...]) -> None:
    """Draw the depth of the stain lines against their dates: the slope is extension.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    result : SlabResult
        The measured slab; see `has_stain_dates`.
    names : tuple of str
        Tracks to draw.
    """
    stains = result.stains
    collected = _decimal_year(str(result.specimen["collected"]))
    for index, name in enumerate(names):
        own = np.flatnonzero((stains.track == name) & (stains.found == "yes") & np.isfinite(stains.interval_yr))
        own = own[np.argsort(stains.depth_mm[own])]
        years = [collected, *(_decimal_year(str(stains.stain_date[i])) for i in own)]
        colour, dashes, marker = track_style(index)
        look: dict[str, Any] = {"color": colour, "linestyle": dashes, "marker": marker}
        ax.plot(years, [0.0, *stains.depth_mm[own]], markersize=4.5, linewidth=1.2, gid="stain-dates", **look)
    ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1, steps=[1, 2, 5, 10]))
    ax.margins(x=0.06, y=0.08)
    ax.invert_yaxis()
    ax.grid(visible=True, color="#e4e4e4", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_ylabel("depth (mm)", fontsize=8)
    ax.set_xlabel("year", fontsize=8)
    note = "stain lines and, at depth 0, the collection; the slope is extension"
    ax.set_title(note, fontsize=SMALL_PT, color=FAINT, loc="left", pad=4)


def _decimal_year(iso: str) -> float:
    """Decimal year of a date written year-month-day."""
    return decimal_year(date.fromisoformat(iso))


def draw_stain_table(ax: Axes, result: SlabResult) -> None:
    """Write the stain lines as a small table.

    Parameters
    ----------
    ax : Axes
        Where to write; it is emptied of its frame.
    result : SlabResult
        The measured slab.
    """
    ax.set_axis_off()
    rows = stain_rows(result)
    columns = (0.0, 0.12, 0.33, 0.46, 0.71)
    for i, row in enumerate(rows):
        y = 1 - (i + 0.5) / len(rows)
        weight = "bold" if i == 0 else "normal"
        for x, text in zip(columns, row, strict=True):
            ax.text(x, y, text, transform=ax.transAxes, va="center", fontsize=8, fontweight=weight, color=INK)
    ax.plot([0, 1], [1 - 1 / len(rows)] * 2, transform=ax.transAxes, color=INK, linewidth=0.8)
