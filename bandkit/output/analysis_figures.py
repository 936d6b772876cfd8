"""Figures of the analyses: series compared with one another, and master series with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from bandkit.analysis.crossdate import Crossdating, Suggestion
from bandkit.analysis.crossdate_tables import GroupResult
from bandkit.analysis.master import Master, MasterTable
from bandkit.output import style
from bandkit.output.figure import DPI
from bandkit.output.words import number_text, unit_text

FloatArray = NDArray[np.float64]

WIDTH_INCH = 9.0
MAX_SERIES = 12
_COLOUR, _DASHES, _ = style.TRACK_STYLES[0]
_OTHER_COLOUR, _OTHER_DASHES, _ = style.TRACK_STYLES[1]
_SHORT = {"missing": "a year missing?", "doubled": "one year counted twice?"}
_NAMES = {"extension_mm_yr": "extension", "density_g_cm3": "density", "calcification_g_cm2_yr": "calcification",
          "annual_luminescence": "luminescence index"}  # fmt: skip
_UNITS = {"extension_mm_yr": "mm/yr", "density_g_cm3": "g/cm3", "calcification_g_cm2_yr": "g/cm2/yr",
          "annual_luminescence": ""}  # fmt: skip


def quantity_text(column: str) -> str:
    """What was averaged, with its unit.

    Parameters
    ----------
    column : str
        Column of the growth table.

    Returns
    -------
    str
        Such as "extension (mm/yr)".
    """
    unit = unit_text(_UNITS[column])
    return f"{_NAMES[column]} ({unit})" if unit else _NAMES[column]


def crossdating_figure(group: GroupResult) -> Figure:
    """Draw a group of series that were compared.

    Parameters
    ----------
    group : GroupResult
        The group.

    Returns
    -------
    matplotlib.figure.Figure
        All deviations with their mean, the number of series, and below each series beside the mean of the others
        with the places to look at; those with such places first.
    """
    result = group.result
    shown = _shown_series(result)
    heights = [1.5, 0.5, *[0.8] * len(shown)]
    figure, axes = _stacked(heights, group.title, result.verdict)
    year, deviation = result.group.year, result.standardised.deviation
    axes[0].plot(year, deviation, color=style.FAINT, linewidth=0.5, alpha=0.6)
    axes[0].plot(year, _row_mean(deviation), color=style.INK, linewidth=1.6)
    axes[0].set_ylabel("deviation (sd)", fontsize=8)
    axes[0].set_title("all series, each about its own trend (thin), and their mean", **_NOTE)
    _draw_count(axes[1], year, {"series": np.isfinite(deviation).sum(axis=1).astype(np.float64)})
    for ax, j in zip(axes[2:], shown, strict=True):
        _draw_one(ax, result, j)
    axes[2].set_title("each series (full) and the mean of the others (dashed); shaded: where to look", **_NOTE)
    hidden = len(result.group.names) - len(shown)
    if hidden:
        figure.text(0.09, 0.012, f"{hidden} more series are in the tables", fontsize=8, color=style.FAINT)
    _finish(axes, year)
    return figure


def master_figure(masters: Sequence[Master]) -> Figure:
    """Draw master series.

    Parameters
    ----------
    masters : sequence of Master
        One per site, at most four are drawn.

    Returns
    -------
    matplotlib.figure.Figure
        For each site the mean and the index with 90 % intervals, and the number of colonies.
    """
    drawn = masters[: len(style.TRACK_STYLES)]
    heights = [height for _ in drawn for height in (1.7, 1.3, 0.5)]
    note = "shaded: 90 % intervals over colonies"
    if any(master.age_error for master in drawn):
        note += " (dark), and with the age error (light)"
    if len(masters) > len(drawn):
        note += f"; {len(masters) - len(drawn)} more sites are in the table"
    figure, axes = _stacked(heights, "Master series", note)
    years = np.concatenate([master.table.year for master in drawn])
    for i, master in enumerate(drawn):
        mean, index, count = axes[3 * i : 3 * i + 3]
        table = master.table
        _draw_with_intervals(mean, table, "mean")
        mean.set_ylabel(quantity_text(master.quantity), fontsize=8)
        mean.set_title(f"{master.site or 'site not named'}: {_colonies(master)}", **_NOTE)
        if master.common_years:
            old, new = master.common_years
            mean.axvspan(old - 0.5, new + 0.5, color=style.FAINT, alpha=0.08, linewidth=0)
        _draw_with_intervals(index, table, "index")
        index.axhline(1.0, color=style.FAINT, linewidth=0.6)
        index.set_ylabel("index", fontsize=8)
        _draw_count(count, table.year, {name: getattr(table, name) for name in ("colonies", "tracks")})
    _finish(axes, years)
    return figure


_NOTE: dict[str, Any] = {"fontsize": style.SMALL_PT, "color": style.FAINT, "loc": "left", "pad": 3}


def _colonies(master: Master) -> str:
    """How many colonies, and the years that all have."""
    n = len(master.colonies)
    text = f"{n} {'colony' if n == 1 else 'colonies'}"
    if master.common_years and n > 1:
        text += f"; shaded: the years that all have, {master.common_years[0]} to {master.common_years[1]}"
    return text if master.signal.found or n < 2 else f"{text}; no common signal between them"


def _shown_series(result: Crossdating) -> list[int]:
    """Series to draw one by one: those with suggestions first."""
    surest = dict.fromkeys(result.group.names, 0.0)
    for one in result.suggestions:
        surest[one.series] = max(surest[one.series], one.probability)
    order = sorted(range(len(surest)), key=lambda j: -surest[result.group.names[j]])
    return order[:MAX_SERIES]


def _stacked(heights: Sequence[float], title: str, note: str) -> tuple[Figure, list[Axes]]:
    """Panels of given heights in inches below one another."""
    gap, top, bottom = 0.24, 0.75, 0.6
    total = sum(heights) + gap * (len(heights) - 1) + top + bottom
    figure = Figure(figsize=(WIDTH_INCH, total), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    figure.text(0.09, 1 - 0.24 / total, title, fontsize=12, fontweight="bold", color=style.INK, va="center")
    figure.text(0.09, 1 - 0.48 / total, note, fontsize=8.5, color=style.FAINT, va="center")
    axes, down = [], top
    for height in heights:
        axes.append(figure.add_axes((0.09, 1 - (down + height) / total, 0.78, height / total)))
        down += height + gap
    return figure, axes


def _draw_one(ax: Axes, result: Crossdating, j: int) -> None:
    """One series beside the mean of the others."""
    year, name = result.group.year, result.group.names[j]
    ax.plot(year, result.reference[:, j], color=_OTHER_COLOUR, linestyle=_OTHER_DASHES, linewidth=1.0)
    ax.plot(year, result.standardised.deviation[:, j], color=_COLOUR, linestyle=_DASHES, linewidth=1.2)
    own = [one for one in result.suggestions if one.series == name]
    for one in own:
        _draw_suggestion(ax, one)
    r = number_text(float(result.reference_r[j]))
    ax.text(1.01, 0.5, f"{name}\nr {r}", transform=ax.transAxes, fontsize=8, color=style.INK, va="center")
    ax.set_ylim(-4.0, 4.0)


def _draw_suggestion(ax: Axes, one: Suggestion) -> None:
    """Shade the years of a suggestion and say what it is."""
    ax.axvspan(one.year_lo - 0.5, one.year_hi + 0.5, color=style.MARK_COLOUR, alpha=style.INTERVAL_ALPHA, linewidth=0)
    ax.axvline(one.year, color=style.MARK_COLOUR, linewidth=1.2, linestyle=style.CERTAINTY_DASHES["doubtful"])
    ax.annotate(
        f"{one.year:.0f}: {_SHORT[one.kind]} {one.probability:.2f}", (one.year, 3.8), xytext=(4, 0),
        textcoords="offset points", fontsize=style.SMALL_PT, color=style.INK, va="top",
        path_effects=style.LIGHT_CASING,
    )  # fmt: skip


def _draw_count(ax: Axes, year: FloatArray, counts: dict[str, FloatArray]) -> None:
    """Numbers of series, colonies or tracks over the years."""
    for (name, count), dashes in zip(counts.items(), ("-", ":"), strict=False):
        ax.step(year, count, where="mid", color=style.INK, linewidth=1.0, linestyle=dashes, label=name)
    ax.set_ylim(0, 1.15 * max(float(count.max()) for count in counts.values()))
    ax.yaxis.set_major_locator(MaxNLocator(nbins=2, integer=True))
    ax.set_ylabel("number", fontsize=8)
    ax.legend(fontsize=style.SMALL_PT, frameon=False, loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=1.4)


def _draw_with_intervals(ax: Axes, table: MasterTable, name: str) -> None:
    """Line and both intervals."""
    year = table.year
    for part, alpha in (("_dated", 0.18), ("", 0.3)):
        lo, hi = getattr(table, f"{name}{part}_lo"), getattr(table, f"{name}{part}_hi")
        ax.fill_between(year, lo, hi, color=_COLOUR, alpha=alpha, linewidth=0)
    ax.plot(year, getattr(table, name), color=_COLOUR, linewidth=1.4)


def _finish(axes: Sequence[Axes], year: FloatArray) -> None:
    """One axis of years below, growing to the right; names taken as they are."""
    counted = year.size > 1 and year[0] < year[-1]
    for ax in axes:
        ax.spines[["top", "right"]].set_visible(False)
        ax.spines[["left", "bottom"]].set_linewidth(0.8)
        ax.tick_params(labelsize=8, width=0.8, length=3, labelbottom=ax is axes[-1])
        limits = float(year.min()) - 1.0, float(year.max()) + 1.0
        ax.set_xlim(*(limits[::-1] if counted else limits))
        ax.xaxis.set_major_locator(MaxNLocator(nbins=10, integer=True))
    axes[-1].set_xlabel("years counted from the surface" if counted else "year, named after its outer mark", fontsize=8)
    for text in axes[0].get_figure().findobj(Text):  # type: ignore[union-attr]
        if isinstance(text, Text):
            text.set_parse_math(False)


def _row_mean(values: FloatArray) -> FloatArray:
    """Mean over the series of each year; NaN where there is none."""
    known = np.isfinite(values)
    count = known.sum(axis=1)
    return np.where(count > 0, np.where(known, values, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)
