"""The slab's picture with everything drawn on it that was found."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from bandkit.output.style import (
    CASING,
    CERTAINTY_DASHES,
    EVENT_COLOUR,
    EVENT_DASHES,
    INK,
    LABEL_INCH,
    LIGHT_CASING,
    MARK_COLOUR,
    SMALL_PT,
    STAIN_COLOUR,
    STAIN_DASHES,
    STRIP_COLOURS,
    STRIP_DASHES,
    figure_height_inch,
    inch_per_mm,
    thin_labels,
    track_style,
)
from bandkit.output.view import View, drawable
from bandkit.results import Polyline

_NICE = (1.0, 2.0, 5.0)


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
    lines = drawable(lines)
    ax.set_facecolor("#3a3a3a")
    if view.picture is None:
        ax.text(
            0.5,
            0.5,
            "the picture is not\nkept in the result",
            transform=ax.transAxes,
            color="white",
            ha="center",
            va="center",
            fontsize=SMALL_PT,
        )
    else:
        left, top, right, bottom = view.picture_mm
        limits = ax.axis()
        ax.imshow(view.picture, cmap="gray", vmin=0, vmax=1, extent=(left, right, bottom, top), aspect="auto")
        ax.axis(limits)
    for index, name in enumerate(names):
        own = tuple(line for line in lines if line.track == name)
        colour = STRIP_COLOURS[index % len(STRIP_COLOURS)]
        _draw_lines(ax, view, own, "strip", color=colour, linestyles=STRIP_DASHES, linewidths=1.1)
    _draw_bands(ax, view, lines)
    for index, name in enumerate(names):
        own = tuple(line for line in lines if line.track == name)
        colour, style, _ = track_style(index)
        _draw_lines(ax, view, own, "track", color=colour, linestyles=style, linewidths=1.5, path_effects=LIGHT_CASING)
    _draw_lines(ax, view, lines, "surface", color="#ffffff", linestyles="solid", linewidths=2.0, path_effects=CASING)
    _draw_lines(
        ax, view, lines, "stain", color=STAIN_COLOUR, linestyles=STAIN_DASHES, linewidths=1.8, path_effects=CASING
    )
    _label_marks_on_picture(ax, view, lines, names)
    _label_stains_on_picture(ax, view, lines)
    _label_tracks(ax, view, lines, names)
    draw_scale_bar(ax)


def _draw_bands(ax: Axes, view: View, lines: tuple[Polyline, ...]) -> None:
    """Draw the annual marks, each certainty in its own dashes, and the bands that are no years."""
    for certainty, dashes in CERTAINTY_DASHES.items():
        same = tuple(line for line in lines if (line.certainty or "certain") == certainty)
        look: dict[str, Any] = {"color": MARK_COLOUR, "linestyles": dashes, "linewidths": 1.4, "path_effects": CASING}
        _draw_lines(ax, view, same, "mark", gid=certainty, **look)
    for kind, dashes in EVENT_DASHES.items():
        same = tuple(line for line in lines if line.label == kind)
        look = {"color": EVENT_COLOUR, "linestyles": dashes, "linewidths": 1.3, "path_effects": CASING}
        _draw_lines(ax, view, same, "event", gid=kind, **look)


def _draw_lines(ax: Axes, view: View, lines: tuple[Polyline, ...], role: str, *, gid: str = "", **style: Any) -> None:
    """Draw all lines of one role as one artist."""
    paths = [np.column_stack(view.to_mm(line.x_px, line.y_px)) for line in lines if line.role == role]
    if paths:
        collection = LineCollection(paths, **style)
        collection.set_gid(f"{role}-{gid}" if gid else role)
        ax.add_collection(collection, autolim=False)


def _label_marks_on_picture(ax: Axes, view: View, lines: tuple[Polyline, ...], names: tuple[str, ...]) -> None:
    """Write the years at the outer ends of the marks of the outermost tracks."""
    across = {name: _mean_across(view, lines, name) for name in names}
    known = [name for name in names if math.isfinite(across[name])]
    if not known:
        return
    sides = {min(known, key=across.__getitem__): "left", max(known, key=across.__getitem__): "right"}
    for name, side in sides.items():
        marks = [line for line in lines if line.role == "mark" and line.track == name and line.label]
        ends = [_end_of(view, line, side) for line in marks]
        if not ends:
            continue
        at, down = np.array(ends).T
        for i in thin_labels(down, [line.label for line in marks], LABEL_INCH / inch_per_mm(ax)):
            _boxed(ax, (at[i], down[i]), marks[i].label, beside=side)


def _mean_across(view: View, lines: tuple[Polyline, ...], name: str) -> float:
    """Mean position of a track's marks across the figure, NaN where it has none."""
    means = [
        np.mean(view.to_mm(line.x_px, line.y_px)[0]) for line in lines if line.role == "mark" and line.track == name
    ]
    return float(np.mean(means)) if means else math.nan


def _end_of(view: View, line: Polyline, side: str) -> tuple[float, float]:
    """The left or right end of a line on the figure."""
    across, down = view.to_mm(line.x_px, line.y_px)
    i = int(np.argmin(across) if side == "left" else np.argmax(across))
    return float(across[i]), float(down[i])


def _label_stains_on_picture(ax: Axes, view: View, lines: tuple[Polyline, ...]) -> None:
    """Write the staining dates at the left ends of the stain lines, each date once."""
    stains = {line.label: line for line in reversed(lines) if line.role == "stain" and line.label}
    for label, line in stains.items():
        across, down = _end_of(view, line, "left")
        _boxed(ax, (across, down), label, beside="above", edge=STAIN_COLOUR)


def _label_tracks(ax: Axes, view: View, lines: tuple[Polyline, ...], names: tuple[str, ...]) -> None:
    """Write each track's name at its outer end."""
    for line in lines:
        if line.role == "track" and line.track in names:
            across, down = view.to_mm(line.x_px[:1], line.y_px[:1])
            colour = track_style(names.index(line.track))[0]
            ax.annotate(
                line.track,
                (across[0], down[0]),
                xytext=(0, 9),  # the surface stays free
                textcoords="offset points",
                ha="center",
                va="bottom",
                color="white",
                fontsize=9,
                fontweight="bold",
                bbox={"facecolor": colour, "edgecolor": "white", "linewidth": 0.8, "pad": 1.8},
            )


def _boxed(ax: Axes, place_mm: tuple[float, float], text: str, *, beside: str, edge: str = "none") -> None:
    """Small white text on a dark box, readable on any picture; to the left, right or above a place."""
    offset, ha, va = {
        "left": ((-3, 0), "right", "center"),
        "right": ((3, 0), "left", "center"),
        "above": ((0, 5), "left", "bottom"),
    }[beside]
    ax.annotate(
        text,
        place_mm,
        xytext=offset,
        textcoords="offset points",
        ha=ha,
        va=va,
        color="white",
        fontsize=SMALL_PT,
        annotation_clip=True,
        bbox={"facecolor": "#222222", "edgecolor": edge, "linewidth": 1.0, "pad": 1.2},
    )


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
    inch = 1 / (ax.get_position().height * figure_height_inch(ax))
    y = -0.13 * inch
    (bar,) = ax.plot(
        [left, left + length], [y, y], color=INK, linewidth=3.5, solid_capstyle="butt", transform=below, clip_on=False
    )
    bar.set_gid("scale-bar")
    ax.annotate(
        f"{length:g} mm",
        (left + length, y),
        xycoords=below,
        xytext=(5, 0),
        textcoords="offset points",
        ha="left",
        va="center",
        color=INK,
        fontsize=8,
    )


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
