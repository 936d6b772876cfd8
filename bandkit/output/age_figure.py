"""The figure of a colony's age: estimates with their intervals, and what was counted."""

from __future__ import annotations

import math

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from bandkit.analysis.age import AgeEstimate
from bandkit.output import style
from bandkit.output.age_report import AgeStory, years_text
from bandkit.output.figure import DPI

_ROW_INCH, _HEAD_INCH, _FOOT_INCH = 0.42, 0.45, 0.6


def age_figure(story: AgeStory) -> Figure:
    """Draw the estimates of a colony's age.

    Parameters
    ----------
    story : AgeStory
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
        A row per estimate: the dot is the estimate, the thin line its 90 % interval, with an arrow where that has no
        end; the thick line is what was counted.
    """
    growth = "slowing with age" if story.slowing else "constant growth"
    rows = [(f"by {e.basis}, {growth}", e) for e in story.estimates]
    rows += [(f"by {e.basis}, constant growth", e) for e in story.constant]
    height = _HEAD_INCH + _FOOT_INCH + _ROW_INCH * len(rows)
    figure = Figure(figsize=(7.4, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    ax = figure.add_axes((0.27, _FOOT_INCH / height, 0.68, (height - _HEAD_INCH - _FOOT_INCH) / height))
    # An interval without end is cut off at thrice the estimate.
    right = max(min(e.age_hi_yr, 3 * e.age_yr) for _, e in rows) * 1.15
    for place, (label, estimate) in enumerate(rows):
        _draw_row(ax, place, estimate, right)
        ax.text(-0.01 * right, place, label, ha="right", va="center", fontsize=8, color=style.INK)
    ax.set(xlim=(0, right), ylim=(len(rows) - 0.4, -0.7), yticks=[])
    ax.set_xlabel("age (years)", fontsize=8)
    ax.tick_params(labelsize=8, width=0.8, length=3)
    ax.spines[["top", "right", "left"]].set_visible(False)
    title = figure.text(0.02, 1 - 0.24 / height, f"Age of {story.name}", fontsize=10, fontweight="bold", va="center")
    title.set_parse_math(False)
    note = "dot: estimate · line: 90 % interval" + (" · bar: years counted" if story.rate.counted_yr else "")
    figure.text(0.98, 1 - 0.24 / height, note, fontsize=7.5, color=style.FAINT, ha="right", va="center")
    return figure


def _draw_row(ax: Axes, place: int, estimate: AgeEstimate, right: float) -> None:
    """One estimate."""
    colour, _, marker = style.track_style(0 if estimate.basis == "height" else 1)
    open_end = not math.isfinite(estimate.age_hi_yr)
    end = min(estimate.age_hi_yr, right)
    ax.plot([estimate.age_lo_yr, end], [place, place], color=colour, linewidth=1.6, gid="interval")
    if open_end:
        ax.plot([right], [place], color=colour, marker=">", markersize=6, clip_on=False, gid="open")
    if estimate.counted_yr:
        ax.barh(place, estimate.counted_yr, height=0.3, color=style.FAINT, alpha=0.55, gid="counted")
    if math.isfinite(estimate.age_yr):
        ax.plot([estimate.age_yr], [place], color=colour, marker=marker, markersize=7, gid="estimate")
        text = f"{years_text(estimate.age_yr)}"
        ax.text(estimate.age_yr, place - 0.22, text, ha="center", va="bottom", fontsize=8, color=style.INK)
