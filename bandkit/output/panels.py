"""The panels beside the picture: profiles, growth per year, stain lines, calibration."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from bandkit.output.style import (
    CERTAINTY_DASHES,
    EVENT_CASING,
    EVENT_COLOUR,
    EVENT_DASHES,
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
from bandkit.output.words import FlagGroup, unit_text, value_name
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
    ("annual_luminescence", "", "", "luminescence\nsummer \N{MINUS SIGN} winter"),
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
    _draw_profile_events(ax, result, name)
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


def _draw_profile_events(ax: Axes, result: SlabResult, name: str) -> None:
    """Second crests and stress bands as level lines, gaps as level stretches."""
    events = result.events
    for i in np.flatnonzero(events.track == name):
        kind, outer, second = str(events.kind[i]), events.depth_mm[i], events.second_depth_mm[i]
        if kind == "gap":
            ax.axhspan(outer, second, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.8, gid="gap")
        elif kind in EVENT_DASHES:
            depth = second if kind == "doublet" else outer
            look: dict[str, Any] = {"linewidth": 1.3, "linestyle": EVENT_DASHES[kind], "path_effects": EVENT_CASING}
            ax.axhline(depth, color=EVENT_COLOUR, gid="event", **look)


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
            if mean:
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
    values_of, sds_of = GROWTH_PANELS[column][:2]
    values = getattr(growth, values_of)
    bars = Z_90 * np.nan_to_num(getattr(growth, sds_of)) if sds_of else np.zeros(len(growth))
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
    unit = unit_text(calibration.stated_unit)
    ax.set_xlabel(calibration.measured_in, fontsize=8)
    ax.set_ylabel(f"{calibration.stated_in} ({unit})", fontsize=8)
    residual_ax.axhline(0.0, color=INK, linewidth=0.8)
    residual_ax.vlines(calibration.areal_density_g_cm2, 0, calibration.residual_g_cm2, color=FAINT, linewidth=1)
    residual_ax.plot(
        calibration.areal_density_g_cm2, calibration.residual_g_cm2, "o", color="#D55E00", markersize=5, gid="residuals"
    )
    residual_ax.set_xlabel(f"{calibration.stated_in} ({unit})", fontsize=8)
    residual_ax.set_ylabel(f"stated \N{MINUS SIGN} fitted ({unit})", fontsize=8)
