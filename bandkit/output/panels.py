"""The panels of the slab's figure: each draws one thing on the axes it is given.

Every difference is told twice, by colour and by line or marker style, so that the
figure works in grey and for people with colour-vision deficiency. The colours are
from the palette of Okabe and Ito.

References
----------
Okabe, M., Ito, K. (2008): Color universal design: how to make figures and
presentations that are friendly to colorblind people.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from bandkit.output.view import View
from bandkit.output.words import Z90, FlagGroup, error_text, no_math, number_text, value_name
from bandkit.results import Polyline, SlabResult

FloatArray = NDArray[np.float64]

MARK_COLOUR = "#E69F00"
STAIN_COLOUR = "#56B4E9"
INK = "#222222"
FAINT = "#777777"
# Colour, line style, marker: one row per track.
TRACK_STYLES = (
    ("#0072B2", "-", "o"),
    ("#D55E00", "--", "s"),
    ("#009E73", "-.", "^"),
    ("#CC79A7", ":", "D"),
)
CERTAINTY_DASHES: dict[str, Any] = {"certain": "solid", "doubtful": (0, (5, 2.5)), "inserted": (0, (1, 1.8))}
STAIN_DASHES: Any = (0, (7, 2, 1.5, 2))

SMALL_PT = 7.5
LABEL_INCH = 0.135
CASING = (withStroke(linewidth=3.2, foreground="#111111"),)
LIGHT_CASING = (withStroke(linewidth=3.0, foreground="#ffffff"),)
_NICE = (1.0, 2.0, 5.0)
_TICK_STEPS = [1, 2, 2.5, 5, 10]
_MAX_DOUBT_SIGNS = 15
_MANY_SAMPLES = 8000

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


def track_style(index: int) -> tuple[str, str, str]:
    """Colour, line style and marker of a track.

    Parameters
    ----------
    index : int
        Position of the track in the record, from 0.

    Returns
    -------
    tuple of str
        Styles repeat after the fourth track.
    """
    return TRACK_STYLES[index % len(TRACK_STYLES)]


def draw_picture(ax: Axes, view: View, lines: tuple[Polyline, ...], names: tuple[str, ...]) -> None:
    """Draw the slab with everything found on it.

    Parameters
    ----------
    ax : Axes
        Where to draw; its limits must be set.
    view : View
        The window on the picture.
    lines : tuple of Polyline
        What to draw on it.
    names : tuple of str
        Tracks in the order of the record.
    """
    ax.set_facecolor("#3a3a3a")
    if view.picture is None:
        ax.text(0.5, 0.5, "the picture is not\nkept in the result", transform=ax.transAxes, color="white",
                ha="center", va="center", fontsize=SMALL_PT)
    else:
        left, top, right, bottom = view.picture_mm
        limits = ax.axis()
        ax.imshow(view.picture, cmap="gray", vmin=0, vmax=1, extent=(left, right, bottom, top), aspect="auto")
        ax.axis(limits)
    _draw_lines(ax, view, lines, "strip", color="#ffffff", linestyles=(0, (1, 2.2)), linewidths=0.9)
    for certainty, dashes in CERTAINTY_DASHES.items():
        same = tuple(line for line in lines if (line.certainty or "certain") == certainty)
        _draw_lines(ax, view, same, "mark", color=MARK_COLOUR, linestyles=dashes, linewidths=1.4, gid=certainty,
                    path_effects=CASING)
    for index, name in enumerate(names):
        own = tuple(line for line in lines if line.track == name)
        colour, style, _ = track_style(index)
        _draw_lines(ax, view, own, "track", color=colour, linestyles=style, linewidths=1.5,
                    path_effects=LIGHT_CASING)
    _draw_lines(ax, view, lines, "surface", color="#ffffff", linestyles="solid", linewidths=2.0, path_effects=CASING)
    _draw_lines(ax, view, lines, "stain", color=STAIN_COLOUR, linestyles=STAIN_DASHES, linewidths=1.8,
                path_effects=CASING)
    _label_marks_on_picture(ax, view, lines, names)
    _label_stains_on_picture(ax, view, lines)
    _label_tracks(ax, view, lines, names)
    draw_scale_bar(ax)


def _draw_lines(ax: Axes, view: View, lines: tuple[Polyline, ...], role: str, *, gid: str = "", **style: Any) -> None:
    """Draw all lines of one role as one artist."""
    paths = [np.column_stack(view.to_mm(line.x_px, line.y_px)) for line in lines if line.role == role and len(line.x_px)]
    if paths:
        collection = LineCollection(paths, **style)
        collection.set_gid(f"{role}-{gid}" if gid else role)
        ax.add_collection(collection, autolim=False)


def _inch_per_mm(ax: Axes) -> float:
    """Inches on paper per millimetre of slab, downwards."""
    low, high = ax.get_ylim()
    return ax.get_position().height * _figure_height_inch(ax) / abs(high - low)


def _figure_height_inch(ax: Axes) -> float:
    """Height of the figure that the axes are on, in inches."""
    figure: Any = ax.get_figure()
    return float(figure.get_size_inches()[1])


def thin_labels(positions_mm: FloatArray, labels: list[str], gap_mm: float) -> list[int]:
    """Choose labels that do not touch; where it is dense, every 2nd, 5th, 10th ... year.

    Parameters
    ----------
    positions_mm : ndarray, shape (n_labels,)
        Where the labels belong.
    labels : list of str
        Their texts; years are thinned to round years.
    gap_mm : float
        Least distance between two labels, in mm.

    Returns
    -------
    list of int
        Which labels to draw.
    """
    order = np.argsort(positions_mm, kind="stable")
    if len(order) > 1:
        spacing = float(np.median(np.diff(positions_mm[order])))
        # Thinned labels need more room than touching ones, or uneven years would drop out of the pattern.
        step = 1 if spacing >= gap_mm else next((s for s in (2, 5, 10, 20, 50) if s * spacing >= 1.6 * gap_mm), 100)
        order = np.array([i for i in order if not labels[i].lstrip("-").isdigit() or int(labels[i]) % step == 0], dtype=int)
    chosen: list[int] = []
    for i in order.tolist():
        if labels[i] and (not chosen or positions_mm[i] - positions_mm[chosen[-1]] >= gap_mm):
            chosen.append(i)
    return chosen


def _label_marks_on_picture(ax: Axes, view: View, lines: tuple[Polyline, ...], names: tuple[str, ...]) -> None:
    """Write the years at the outer ends of the marks of the outermost tracks."""
    across = {name: _mean_across(view, lines, name) for name in names}
    known = [name for name in names if math.isfinite(across[name])]
    if not known:
        return
    sides = {min(known, key=across.__getitem__): "left", max(known, key=across.__getitem__): "right"}
    for name, side in sides.items():
        marks = [line for line in lines if line.role == "mark" and line.track == name and line.label and len(line.x_px)]
        ends = [_end_of(view, line, side) for line in marks]
        if not ends:
            continue
        at, down = np.array(ends).T
        for i in thin_labels(down, [line.label for line in marks], LABEL_INCH / _inch_per_mm(ax)):
            _boxed(ax, (at[i], down[i]), marks[i].label, beside=side)


def _mean_across(view: View, lines: tuple[Polyline, ...], name: str) -> float:
    """Mean position of a track's marks across the figure, NaN where it has none."""
    means = [np.mean(view.to_mm(line.x_px, line.y_px)[0]) for line in lines
             if line.role == "mark" and line.track == name and len(line.x_px)]
    return float(np.mean(means)) if means else math.nan


def _end_of(view: View, line: Polyline, side: str) -> tuple[float, float]:
    """The left or right end of a line on the figure."""
    across, down = view.to_mm(line.x_px, line.y_px)
    i = int(np.argmin(across) if side == "left" else np.argmax(across))
    return float(across[i]), float(down[i])


def _label_stains_on_picture(ax: Axes, view: View, lines: tuple[Polyline, ...]) -> None:
    """Write the staining dates at the left ends of the stain lines, each date once."""
    stains = {line.label: line for line in reversed(lines) if line.role == "stain" and line.label and len(line.x_px)}
    for label, line in stains.items():
        across, down = _end_of(view, line, "left")
        _boxed(ax, (across, down), label, beside="above", edge=STAIN_COLOUR)


def _label_tracks(ax: Axes, view: View, lines: tuple[Polyline, ...], names: tuple[str, ...]) -> None:
    """Write each track's name at its outer end."""
    for line in lines:
        if line.role == "track" and len(line.x_px) and line.track in names:
            across, down = view.to_mm(line.x_px[:1], line.y_px[:1])
            colour = track_style(names.index(line.track))[0]
            ax.annotate(no_math(line.track), (across[0], down[0]), xytext=(0, 3), textcoords="offset points", ha="center",
                        va="bottom", color="white", fontsize=9, fontweight="bold",
                        bbox={"facecolor": colour, "edgecolor": "white", "linewidth": 0.8, "pad": 1.8})


def _boxed(ax: Axes, place_mm: tuple[float, float], text: str, *, beside: str, edge: str = "none") -> None:
    """Small white text on a dark box, readable on any picture; to the left, right or above a place."""
    offset, ha, va = {"left": ((-3, 0), "right", "center"), "right": ((3, 0), "left", "center"),
                      "above": ((0, 5), "left", "bottom")}[beside]
    ax.annotate(no_math(text), place_mm, xytext=offset, textcoords="offset points", ha=ha, va=va, color="white",
                fontsize=SMALL_PT, annotation_clip=True,
                bbox={"facecolor": "#222222", "edgecolor": edge, "linewidth": 1.0, "pad": 1.2})


def draw_scale_bar(ax: Axes) -> None:
    """Draw a bar of a round number of millimetres below the picture, where it hides nothing.

    Parameters
    ----------
    ax : Axes
        The picture's axes; its units are mm.
    """
    left, right = ax.get_xlim()
    length = round_length_mm(0.3 * abs(right - left))
    below = ax.get_xaxis_transform()
    inch = 1 / (ax.get_position().height * _figure_height_inch(ax))
    y = -0.13 * inch
    (bar,) = ax.plot([left, left + length], [y, y], color=INK, linewidth=3.5, solid_capstyle="butt", transform=below,
                     clip_on=False)
    bar.set_gid("scale-bar")
    ax.annotate(f"{length:g} mm", (left + length, y), xycoords=below, xytext=(5, 0), textcoords="offset points",
                ha="left", va="center", color=INK, fontsize=8)


def round_length_mm(at_most_mm: float) -> float:
    """The longest length of 1, 2 or 5 times a power of ten that fits.

    Parameters
    ----------
    at_most_mm : float
        Room for it, in mm.

    Returns
    -------
    float
        Length in mm.
    """
    power = 10.0 ** math.floor(math.log10(at_most_mm))
    return max(n * power for n in _NICE if n * power <= at_most_mm * (1 + 1e-9))


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
    (line,) = ax.plot(values, profile.depth_mm[own], color=track_style(index)[0], linewidth=1.1 if len(values) < _MANY_SAMPLES else 0.7, zorder=3)
    line.set_gid("profile")
    ax.set_title(no_math(f"track {name}"), fontsize=9, fontweight="bold", color=track_style(index)[0], pad=4)
    ax.set_xlabel("density (g/cm\N{SUPERSCRIPT THREE})" if dense else no_math(value_name(result)), fontsize=8)
    ax.xaxis.set_major_locator(MaxNLocator(3, steps=_TICK_STEPS))
    ax.margins(x=0.08)
    _draw_doubts(ax, name, groups)


def _draw_profile_marks(ax: Axes, result: SlabResult, name: str) -> None:
    """Marks of a track as level lines with their intervals; years at the right."""
    marks = result.marks
    own = marks.track == name
    across = ax.get_yaxis_transform()
    for depth, low, high, certainty in zip(marks.depth_mm[own], marks.depth_lo_mm[own], marks.depth_hi_mm[own],
                                           marks.certainty[own].tolist(), strict=True):
        ax.axhline(depth, color=MARK_COLOUR, linewidth=1.2, linestyle=CERTAINTY_DASHES.get(certainty, "solid"), gid="mark")
        if math.isfinite(low) and math.isfinite(high):
            ax.axhspan(low, high, color=MARK_COLOUR, alpha=0.18, linewidth=0)
    years = [f"{year:.0f}" if math.isfinite(year) else "" for year in marks.year[own]]
    for i in thin_labels(marks.depth_mm[own], years, LABEL_INCH / _inch_per_mm(ax)):
        ax.text(1.02, marks.depth_mm[own][i], years[i], transform=across, ha="left", va="center", fontsize=SMALL_PT, color=INK)


def _draw_profile_stains(ax: Axes, result: SlabResult, name: str) -> None:
    """Stain lines that were found on a track, with their dates."""
    stains = result.stains
    across = ax.get_yaxis_transform()
    for i in np.flatnonzero((stains.track == name) & (stains.found == "yes") & np.isfinite(stains.depth_mm)):
        ax.axhline(stains.depth_mm[i], color=STAIN_COLOUR, linewidth=1.8, linestyle=STAIN_DASHES, gid="stain")
        ax.text(0.98, stains.depth_mm[i], no_math(str(stains.stain_date[i])), transform=across, ha="right", va="bottom",
                fontsize=SMALL_PT, color=INK, path_effects=LIGHT_CASING, zorder=4)


def _draw_doubts(ax: Axes, name: str, groups: tuple[FlagGroup, ...]) -> None:
    """Numbers of the doubts at their depths, at the left edge; those that share a place stand in a row."""
    gap_mm = 1.15 * LABEL_INCH / _inch_per_mm(ax)
    placed: list[tuple[float, int]] = []
    places = [(f.depth_mm, g.number) for g in groups for f in g.flags if f.track == name and f.depth_mm is not None]
    for depth, number in sorted(set(places)):
        column = len([d for d, n in placed if abs(d - depth) < gap_mm])
        placed.append((depth, number))
        ax.annotate(str(number), (0.0, depth), xycoords=ax.get_yaxis_transform(), xytext=(6 + 11 * column, 0),
                    textcoords="offset points", ha="center", va="center", fontsize=6.5, color="white", zorder=5,
                    bbox={"boxstyle": "circle,pad=0.22", "facecolor": INK, "edgecolor": "white", "linewidth": 0.6})


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
        value, sd, mean, label = GROWTH_PANELS[column]
        for index, name in enumerate(names):
            offset = 0.16 * (index - (len(names) - 1) / 2)
            _draw_series(ax, result, name, value=value, sd=sd, index=index, offset=offset)
            _draw_mean(ax, result, name, mean, index)
        ax.set_ylabel(label, fontsize=8)
        ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1, steps=[1, 2, 5, 10]))
        ax.yaxis.set_major_locator(MaxNLocator(5, steps=_TICK_STEPS))
        ax.grid(visible=True, color="#e4e4e4", linewidth=0.6)
        ax.set_axisbelow(True)


def _draw_series(ax: Axes, result: SlabResult, name: str, *, value: str, sd: str, index: int, offset: float) -> None:
    """One track's years: whole ones joined, with 90 % bars; partial ones hollow."""
    growth = result.growth
    values, sds = getattr(growth, value), getattr(growth, sd)
    colour, style, marker = track_style(index)
    shown = (growth.track == name) & np.isfinite(values) & np.isfinite(growth.year)
    whole = shown & (growth.complete == "yes")
    order = np.flatnonzero(whole)[np.argsort(growth.year[whole], kind="stable")]
    years, heights = growth.year[order], values[order]
    breaks = np.flatnonzero(np.diff(years) > 1) + 1
    ax.plot(np.insert(years + offset, breaks, np.nan), np.insert(heights, breaks, np.nan), color=colour,
            linestyle=style, linewidth=1.0)
    ax.errorbar(years + offset, heights, yerr=Z90 * np.nan_to_num(sds[order]), fmt=marker, color=colour, markersize=4,
                linestyle="none", elinewidth=0.9, capsize=0, label=no_math(f"track {name}")).lines[0].set_gid("whole-years")
    partial = shown & (growth.complete != "yes")
    if partial.any():
        ax.plot(growth.year[partial] + offset, values[partial], marker, markerfacecolor="white", markeredgecolor=colour,
                markersize=4.5, linestyle="none", gid="partial-years")
    doubtful = np.flatnonzero(whole & (growth.certainty == "doubtful"))
    for i in doubtful if len(doubtful) <= _MAX_DOUBT_SIGNS else ():
        top = values[i] + Z90 * np.nan_to_num(sds[i])
        ax.annotate("?", (growth.year[i] + offset, top), xytext=(0, 1), textcoords="offset points", ha="center",
                    va="bottom", fontsize=8, fontweight="bold", color=colour)


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
    rows = [["track", "stained", "found", "depth (mm)", "mm/yr since"]]
    for row in result.stains.rows()[:limit]:
        depth = error_text(row["depth_mm"], row["depth_sd_mm"])
        rate = error_text(row["extension_mm_yr"], row["extension_sd_mm_yr"])
        rows.append([row["track"], row["stain_date"], row["found"], depth, rate])
    hidden = len(result.stains) - limit
    if hidden > 0:
        rows.append([f"and {hidden} more in stain.csv", "", "", "", ""])
    return rows


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
    columns = (0.0, 0.12, 0.36, 0.50, 0.76)
    for i, row in enumerate(rows):
        y = 1 - (i + 0.5) / len(rows)
        weight = "bold" if i == 0 else "normal"
        for x, text in zip(columns, row, strict=True):
            ax.text(x, y, no_math(text), transform=ax.transAxes, va="center", fontsize=8, fontweight=weight, color=INK)
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
    curve, sd = calibration.curve_g_cm2, Z90 * np.nan_to_num(calibration.curve_sd_g_cm2)
    ax.fill_between(calibration.curve_attenuation, curve - sd, curve + sd, color=colour, alpha=0.2, linewidth=0)
    ax.plot(calibration.curve_attenuation, curve, color=colour, linewidth=1.3, gid="curve")
    ax.plot(calibration.attenuation, calibration.areal_density_g_cm2, "o", color="#D55E00", markersize=5, gid="standards")
    ax.set_xlabel("attenuation (natural log)", fontsize=8)
    ax.set_ylabel("mass per area (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)
    residual_ax.axhline(0.0, color=INK, linewidth=0.8)
    residual_ax.vlines(calibration.areal_density_g_cm2, 0, calibration.residual_g_cm2, color=FAINT, linewidth=1)
    residual_ax.plot(calibration.areal_density_g_cm2, calibration.residual_g_cm2, "o", color="#D55E00", markersize=5,
                     gid="residuals")
    residual_ax.set_xlabel("mass per area (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)
    residual_ax.set_ylabel("stated \N{MINUS SIGN} fitted (g/cm\N{SUPERSCRIPT TWO})", fontsize=8)


def caption(result: SlabResult) -> str:
    """Second line of the heading: image, scale.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        Parts that are known, joined by dots.
    """
    scale = result.scale
    across, along = float(scale["x_mm_px"]), float(scale["y_mm_px"])
    size = number_text(across, 4) if math.isclose(across, along, rel_tol=1e-4) else f"{across:.4f} x {along:.4f}"
    source = {"bar": "from the bar given", "bar found": "from the bar found", "mm_per_px": "as given",
              "file": "as the file states"}.get(str(scale.get("source", "")), "")
    parts = [result.image.get("file"), result.image.get("kind"), f"{size} mm per pixel {source}".strip()]
    return "  \N{MIDDLE DOT}  ".join(str(part) for part in parts if part)
