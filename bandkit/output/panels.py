"""The panels beside the picture: profiles, growth per year, stain lines, calibration."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from bandkit.dates import decimal_year
from bandkit.output.style import (
    CERTAINTY_DASHES,
    FAINT,
    INK,
    INTERVAL_ALPHA,
    LABEL_INCH,
    LIGHT_CASING,
    MARK_COLOUR,
    SMALL_PT,
    STAIN_COLOUR,
    STAIN_DASHES,
    TRACK_STYLES,
    inch_per_mm,
    thin_labels,
    track_style,
    width_inch,
)
from bandkit.output.words import FlagGroup, error_text, value_name
from bandkit.results import SlabResult
from bandkit.stats import Z_90

_TICK_STEPS = [1, 2, 2.5, 5, 10]
_MAX_DOUBT_SIGNS = 15
# Room that the number of a doubt takes, in points.
_SIGN_PT = 11
_MANY_SAMPLES = 8000
# Years further apart than this are not joined by a line.
_BREAK_YR = 1.5

GROWTH_PANELS = (
    ("extension_mm_yr", "extension_sd_mm_yr", "mean_extension_mm_yr", "extension\nmm/yr"),
    ("density_g_cm3", "density_sd_g_cm3", "mean_density_g_cm3", "density\ng/cm\N{SUPERSCRIPT THREE}"),
    (
        "calcification_g_cm2_yr",
        "calcification_sd_g_cm2_yr",
        "mean_calcification_g_cm2_yr",
        "calcification\ng/cm\N{SUPERSCRIPT TWO}/yr",
    ),
)


def draw_profile(ax: Axes, result: SlabResult, name: str, groups: tuple[FlagGroup, ...], index: int) -> None:
    """Draw what was measured along one track, with its marks, stains and doubts.

    Parameters
    ----------
    ax : Axes
        Where to draw; depth downwards in mm, limits set.
    result : SlabResult
        The measured slab.
    name : str
        The track.
    groups : tuple of FlagGroup
        Doubts with their numbers.
    index : int
        Position of the track in the record.
    """
    profile = result.profile
    own = profile.track == name
    dense = bool(np.isfinite(profile.density_g_cm3[own]).any())
    values = profile.density_g_cm3[own] if dense else profile.value[own]
    ax.axhline(0.0, color=INK, linewidth=1.2)
    _draw_profile_marks(ax, result, name)
    _draw_profile_stains(ax, result, name)
    (line,) = ax.plot(
        values,
        profile.depth_mm[own],
        color=track_style(index)[0],
        linewidth=1.1 if len(values) < _MANY_SAMPLES else 0.7,
        zorder=3,
    )
    line.set_gid("profile")
    ax.set_title(f"track {name}", fontsize=9, fontweight="bold", color=track_style(index)[0], pad=4)
    ax.set_xlabel(
        "density (g/cm\N{SUPERSCRIPT THREE})" if dense else value_name(result).replace(" (", "\n("), fontsize=8
    )
    ax.xaxis.set_major_locator(MaxNLocator(3, steps=_TICK_STEPS))
    ax.margins(x=0.08)
    if not np.isfinite(values).any():
        ax.set_xticks([])
        ax.set_xlabel("not measured", fontsize=8)
    _draw_doubts(ax, name, groups)


def _draw_profile_marks(ax: Axes, result: SlabResult, name: str) -> None:
    """Marks of a track as level lines with their intervals; years at the right."""
    marks = result.marks
    own = marks.track == name
    across = ax.get_yaxis_transform()
    for depth, low, high, certainty in zip(
        marks.depth_mm[own], marks.depth_lo_mm[own], marks.depth_hi_mm[own], marks.certainty[own].tolist(), strict=True
    ):
        ax.axhline(
            depth, color=MARK_COLOUR, linewidth=1.2, linestyle=CERTAINTY_DASHES.get(certainty, "solid"), gid="mark"
        )
        if math.isfinite(low) and math.isfinite(high):
            ax.axhspan(low, high, color=MARK_COLOUR, alpha=INTERVAL_ALPHA, linewidth=0)
    years = [f"{year:.0f}" if math.isfinite(year) else "" for year in marks.year[own]]
    for i in thin_labels(marks.depth_mm[own], years, LABEL_INCH / inch_per_mm(ax)):
        ax.text(
            1.02,
            marks.depth_mm[own][i],
            years[i],
            transform=across,
            ha="left",
            va="center",
            fontsize=SMALL_PT,
            color=INK,
        )


def _draw_profile_stains(ax: Axes, result: SlabResult, name: str) -> None:
    """Stain lines that were found on a track, with their dates."""
    stains = result.stains
    across = ax.get_yaxis_transform()
    for i in np.flatnonzero((stains.track == name) & (stains.found == "yes") & np.isfinite(stains.depth_mm)):
        ax.axhline(stains.depth_mm[i], color=STAIN_COLOUR, linewidth=1.8, linestyle=STAIN_DASHES, gid="stain")
        ax.text(
            0.98,
            stains.depth_mm[i],
            str(stains.stain_date[i]),
            transform=across,
            ha="right",
            va="bottom",
            fontsize=SMALL_PT,
            color=INK,
            path_effects=LIGHT_CASING,
            zorder=4,
        )


def _draw_doubts(ax: Axes, name: str, groups: tuple[FlagGroup, ...]) -> None:
    """Numbers of the doubts at their depths, at the left edge; those that share a place stand in a row.

    A row that is full ends with a plus: the rest is in the list.
    """
    gap_mm = 1.15 * LABEL_INCH / inch_per_mm(ax)
    last = max(int(72.0 * width_inch(ax) / _SIGN_PT) - 1, 0)
    placed: list[tuple[float, int]] = []
    places = [(f.depth_mm, g.number) for g in groups for f in g.flags if f.track == name and f.depth_mm is not None]
    for depth, number in sorted(set(places)):
        column = len([d for d, n in placed if abs(d - depth) < gap_mm])
        placed.append((depth, number))
        if column > last:
            continue
        ax.annotate(
            str(number) if column < last else "+",
            (0.0, depth),
            xycoords=ax.get_yaxis_transform(),
            xytext=(6 + _SIGN_PT * column, 0),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=6.5,
            color="white",
            zorder=5,
            bbox={"boxstyle": "circle,pad=0.22", "facecolor": INK, "edgecolor": "white", "linewidth": 0.6},
        )


def draw_growth(axes: list[Axes], result: SlabResult, names: tuple[str, ...], columns: list[int]) -> None:
    """Draw the yearly series, one panel per quantity.

    Parameters
    ----------
    axes : list of Axes
        One per quantity.
    result : SlabResult
        The measured slab.
    names : tuple of str
        Tracks to draw.
    columns : list of int
        Which rows of `GROWTH_PANELS` to draw.
    """
    for ax, column in zip(axes, columns, strict=True):
        _, _, mean, label = GROWTH_PANELS[column]
        for index, name in enumerate(names):
            # Tracks stand side by side within their year, so that their bars do not hide each other.
            offset_yr = 0.16 * (index - (len(names) - 1) / 2)
            _draw_series(ax, result, name, column, index, offset_yr)
            _draw_mean(ax, result, name, mean, index)
        ax.set_ylabel(label, fontsize=8)
        ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1, steps=[1, 2, 5, 10]))
        ax.yaxis.set_major_locator(MaxNLocator(5, steps=_TICK_STEPS))
        ax.grid(visible=True, color="#e4e4e4", linewidth=0.6)
        ax.set_axisbelow(True)


def series_note(result: SlabResult, names: tuple[str, ...], columns: list[int]) -> str:
    """Say how to read the series that are drawn.

    Parameters
    ----------
    result : SlabResult
        The measured slab.
    names : tuple of str
        Tracks that are drawn.
    columns : list of int
        Which rows of `GROWTH_PANELS` are drawn.

    Returns
    -------
    str
        Only what is on the panels.
    """
    growth = result.growth
    known = np.any([np.isfinite(getattr(growth, GROWTH_PANELS[column][0])) for column in columns], axis=0)
    shown = known & np.isin(growth.track, names) & np.isfinite(growth.year)
    whole = growth.complete == "yes"
    parts = ["filled: whole years with their 90 % interval"]
    if (shown & ~whole).any():
        parts.append("hollow: part of a year, in no mean")
    if (shown & whole & (growth.certainty == "doubtful")).sum() > 0:
        parts.append("?: a mark of that year is doubtful")
    return "; ".join([*parts, "thin line: mean of the whole years"])


def _draw_series(ax: Axes, result: SlabResult, name: str, column: int, index: int, offset_yr: float) -> None:
    """One track's years: whole ones joined, with 90 % bars; partial ones hollow."""
    growth = result.growth
    values, sds = getattr(growth, GROWTH_PANELS[column][0]), getattr(growth, GROWTH_PANELS[column][1])
    bars = Z_90 * np.nan_to_num(sds)
    at = growth.year + offset_yr
    colour, dashes, marker = track_style(index)
    shown = (growth.track == name) & np.isfinite(values) & np.isfinite(at)
    whole, partial = shown & (growth.complete == "yes"), shown & (growth.complete != "yes")
    order = np.flatnonzero(whole)[np.argsort(at[whole], kind="stable")]
    breaks = np.flatnonzero(np.diff(at[order]) > _BREAK_YR) + 1
    joined = np.insert(at[order], breaks, np.nan), np.insert(values[order], breaks, np.nan)
    ax.plot(*joined, color=colour, linestyle=dashes, linewidth=1.0)
    ax.vlines(at[order], values[order] - bars[order], values[order] + bars[order], color=colour, linewidth=0.9)
    ax.plot(at[order], values[order], marker, color=colour, markersize=4, gid="whole-years")
    if partial.any():
        hollow: dict[str, Any] = {"markerfacecolor": "white", "markeredgecolor": colour, "markersize": 4.5}
        ax.plot(at[partial], values[partial], marker, gid="partial-years", **hollow)
    doubtful = np.flatnonzero(whole & (growth.certainty == "doubtful"))
    for i in doubtful if len(doubtful) <= _MAX_DOUBT_SIGNS else ():
        sign: dict[str, Any] = {"xytext": (0, 1), "textcoords": "offset points", "ha": "center", "va": "bottom"}
        ax.annotate("?", (at[i], values[i] + bars[i]), fontsize=8, fontweight="bold", color=colour, **sign)


def _draw_mean(ax: Axes, result: SlabResult, name: str, mean: str, index: int) -> None:
    """Mean over the whole years of a track as a thin line."""
    own = np.flatnonzero(result.tracks.track == name)
    level = getattr(result.tracks, mean)[own]
    if level.size and np.isfinite(level[0]):
        colour, style, _ = track_style(index)
        ax.axhline(level[0], color=colour, linestyle=style, linewidth=0.7, alpha=0.6, gid="mean")


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


def draw_calibration(ax: Axes, residual_ax: Axes, result: SlabResult) -> None:
    """Draw the standards with the curve through them, and what is left over.

    Parameters
    ----------
    ax, residual_ax : Axes
        For the curve, and for stated minus fitted.
    result : SlabResult
        The measured slab; must have a calibration.
    """
    calibration = result.calibration
    if calibration is None:
        return
    colour = TRACK_STYLES[0][0]
    curve, sd = calibration.curve_g_cm2, Z_90 * np.nan_to_num(calibration.curve_sd_g_cm2)
    ax.fill_between(calibration.curve_attenuation, curve - sd, curve + sd, color=colour, alpha=0.2, linewidth=0)
    ax.plot(calibration.curve_attenuation, curve, color=colour, linewidth=1.3, gid="curve")
    ax.plot(
        calibration.attenuation, calibration.areal_density_g_cm2, "o", color="#D55E00", markersize=5, gid="standards"
    )
    ax.set_xlabel("attenuation (natural log)", fontsize=8)
    ax.set_ylabel("mass per area (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)
    residual_ax.axhline(0.0, color=INK, linewidth=0.8)
    residual_ax.vlines(calibration.areal_density_g_cm2, 0, calibration.residual_g_cm2, color=FAINT, linewidth=1)
    residual_ax.plot(
        calibration.areal_density_g_cm2, calibration.residual_g_cm2, "o", color="#D55E00", markersize=5, gid="residuals"
    )
    residual_ax.set_xlabel("mass per area (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)
    residual_ax.set_ylabel("stated \N{MINUS SIGN} fitted (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)
