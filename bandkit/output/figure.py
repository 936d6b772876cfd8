"""The slab's figure: picture, profiles on the same depth axis, growth per year.

Panels are placed in inches, not by a layout engine, so that a millimetre on the
picture and a millimetre on the profiles beside it are the same length.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text

from bandkit.output import panels, stain_panels, style
from bandkit.output.layout import LEFT, LINE_INCH, RIGHT, Box, Layout, plan_layout, profile_columns
from bandkit.output.picture import draw_picture
from bandkit.output.view import View, make_view, track_names
from bandkit.output.words import FlagGroup, caption, group_flags, is_floating
from bandkit.results import SlabResult

DPI = 110
MAX_TRACKS = 4
_MAX_FOOTER_LINES = 16
# Characters of text in an inch, at the sizes used here.
_SMALL_PER_INCH, _FOOTER_PER_INCH = 16.5, 15
# Of 0 to 9: on these figures as small as higher levels, and faster.
_COMPRESSION = 3

_TALLEST_SERIES = 3.2

_TURNED = ("", "picture turned a quarter clockwise", "picture turned by half", "picture turned a quarter anticlockwise")


def slab_figure(result: SlabResult) -> Figure:
    """Draw the figure of a slab.

    Parameters
    ----------
    result : SlabResult
        The measured slab; without a picture the lines are drawn on a plain ground.

    Returns
    -------
    matplotlib.figure.Figure
        Picture with track, surface, stain lines and dated marks; profiles; growth
        per year with 90 % intervals; the doubts.
    """
    names = track_names(result)[:MAX_TRACKS]
    groups = group_flags(result.flags)
    view = make_view(result)
    depth_mm = _deepest_mm(result, names)
    footer = _footer_lines(result, groups, width_inch=10.0)
    n_marks = max((int(np.sum(result.marks.track == name)) for name in names), default=0)
    columns = profile_columns(result, len(names))
    layout = plan_layout(view, columns, depth_mm=depth_mm, n_marks=n_marks, n_footer=len(footer))
    figure = Figure(figsize=layout.size, dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    _draw_heading(figure, result)
    _draw_slab(figure, layout, view, result, groups, depth_mm=depth_mm)
    _draw_right(figure, layout.growth, result, names)
    _draw_footer(figure, result, footer)
    _take_texts_as_they_are(figure)
    return figure


def calibration_figure(result: SlabResult) -> Figure:
    """Draw the density calibration: standards, curve with its 90 % interval, residuals.

    Parameters
    ----------
    result : SlabResult
        The measured slab; the figure stays empty without a calibration.

    Returns
    -------
    matplotlib.figure.Figure
        Two small panels.
    """
    figure = Figure(figsize=(7.4, 2.7), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    left = figure.add_axes((0.09, 0.18, 0.38, 0.76))
    right = figure.add_axes((0.60, 0.18, 0.38, 0.76))
    panels.draw_calibration(left, right, result)
    for ax in (left, right):
        _plain_axes(ax)
    return figure


def png_bytes(figure: Figure) -> bytes:
    """Render a figure as PNG; the same figure gives the same bytes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.

    Returns
    -------
    bytes
        Content of the PNG file.
    """
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        # A name in a script that the font does not have is drawn as boxes; the tables and the report have it right.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(
            buffer, format="png", dpi=DPI, metadata={"Software": "bandkit"}, pil_kwargs={"compress_level": _COMPRESSION}
        )
    return buffer.getvalue()


def _deepest_mm(result: SlabResult, names: tuple[str, ...]) -> float:
    """Greatest depth on any track that is shown, in mm."""
    depths = result.profile.depth_mm[np.isin(result.profile.track, names)]
    depths = np.concatenate([depths, result.marks.depth_mm, result.stains.depth_mm])
    depths = depths[np.isfinite(depths)]
    return float(depths.max()) if depths.size else 0.0


def _add_axes(figure: Figure, box: Box) -> Axes:
    """Add axes at a place given in inches."""
    width, height = figure.get_size_inches()
    return figure.add_axes(
        (box.left / width, 1 - (box.top + box.height) / height, box.width / width, box.height / height)
    )


def _take_texts_as_they_are(figure: Figure) -> None:
    """Keep dollar signs in names from being drawn as mathematics."""
    for text in figure.findobj(Text):
        if isinstance(text, Text):
            text.set_parse_math(False)


def _plain_axes(ax: Axes) -> None:
    """Thin frame without the upper and right side, small ticks."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_linewidth(0.8)
    ax.tick_params(labelsize=8, width=0.8, length=3)


def _draw_heading(figure: Figure, result: SlabResult) -> None:
    """Specimen, taxon, site; below it image and scale."""
    height = figure.get_size_inches()[1]
    left = LEFT / figure.get_size_inches()[0]
    specimen = result.specimen
    parts = [specimen.get("id"), specimen.get("taxon"), specimen.get("site")]
    collected = specimen.get("collected")
    parts.append(f"collected {collected}" if collected else None)
    heading = "  \N{MIDDLE DOT}  ".join(str(part) for part in parts if part)
    figure.text(left, 1 - 0.28 / height, heading, fontsize=12, fontweight="bold", color=style.INK, va="center")
    figure.text(left, 1 - 0.52 / height, caption(result), fontsize=8.5, color=style.FAINT, va="center")


def _draw_slab(
    figure: Figure, layout: Layout, view: View, result: SlabResult, groups: tuple[FlagGroup, ...], *, depth_mm: float
) -> None:
    """Picture and profiles; where they stand side by side they share the depth axis."""
    names = track_names(result)
    left, top, right, bottom = view.box_mm
    if layout.beside:
        top, bottom = min(top, 0.0), max(bottom, depth_mm * 1.02)
        # A slim core is shown in a wider window rather than squeezed.
        spare = layout.picture.width * (bottom - top) / layout.picture.height - (right - left)
        left, right = left - spare / 2, right + spare / 2
    ax = _add_axes(figure, layout.picture)
    ax.set_xlim(left, right)
    ax.set_ylim(bottom, top)
    draw_picture(ax, view, result.lines, names)
    _plain_axes(ax)
    ax.set_xticks([])
    where = f"mm below the surface of track {names[0]}" if names else "mm"
    ax.set_ylabel(where, fontsize=8)
    if view.turns:
        ax.set_xlabel(_TURNED[view.turns], fontsize=8, color=style.FAINT, labelpad=16)
    limits = (bottom, top) if layout.beside else (depth_mm * 1.02 or 1.0, -0.02 * depth_mm)
    for index, box in enumerate(layout.profiles):
        side = _add_axes(figure, box)
        side.set_ylim(*limits)
        panels.draw_profile(side, result, names[index], groups, index)
        _plain_axes(side)
        side.tick_params(labelleft=not layout.beside and index == 0)
    _share_value_axis(figure.axes[1:])
    if layout.profiles and not layout.beside:
        figure.axes[1].set_ylabel("depth along the track (mm)", fontsize=8)


def _share_value_axis(profiles: list[Axes]) -> None:
    """Give all profiles of one quantity the same range, so that tracks can be compared."""
    for label in {ax.get_xlabel() for ax in profiles}:
        same = [ax for ax in profiles if ax.get_xlabel() == label]
        low, high = min(ax.get_xlim()[0] for ax in same), max(ax.get_xlim()[1] for ax in same)
        for ax in same:
            ax.set_xlim(low, high)


def _draw_right(figure: Figure, box: Box, result: SlabResult, names: tuple[str, ...]) -> None:
    """The growth series, or stain depths against dates where there is none, and the stain table below."""
    columns = [i for i, panel in enumerate(panels.GROWTH_PANELS) if np.isfinite(getattr(result.growth, panel[0])).any()]
    table = 0.0 if not len(result.stains) else 0.21 * len(stain_panels.stain_rows(result)) + 0.1
    room = box.height - (table + 0.75 if table else 0.0)
    upper = Box(left=box.left, top=box.top, width=box.width, height=room)
    dated = not columns and stain_panels.has_stain_dates(result)
    if columns:
        _draw_growth_axes(figure, upper, result, names, columns)
    elif dated:
        ax = _add_axes(figure, Box(left=box.left, top=box.top, width=box.width, height=min(room, _TALLEST_SERIES)))
        stain_panels.draw_stain_dates(ax, result, names)
        _plain_axes(ax)
    if table:
        below = min(room, _TALLEST_SERIES) + 0.75 if dated else 0.1
        top = box.top + (box.height - table if columns else below)
        place = Box(left=box.left, top=top, width=box.width, height=table)
        stain_panels.draw_stain_table(_add_axes(figure, place), result)
    if not columns and not table:
        message = _add_axes(figure, box)
        message.set_axis_off()
        message.text(
            0.0,
            0.98,
            "no annual growth could be measured",
            fontsize=9,
            color=style.INK,
            va="top",
            transform=message.transAxes,
        )


def _draw_growth_axes(figure: Figure, box: Box, result: SlabResult, names: tuple[str, ...], columns: list[int]) -> None:
    """Stack the panels of the growth series over one axis of years."""
    gap = 0.18
    height = min((box.height - gap * (len(columns) - 1)) / len(columns), _TALLEST_SERIES)
    axes = [
        _add_axes(figure, Box(left=box.left, top=box.top + i * (height + gap), width=box.width, height=height))
        for i in range(len(columns))
    ]
    panels.draw_growth(axes, result, names, columns)
    limits = [limit for ax in axes for limit in ax.get_xlim()]
    for ax in axes:
        _plain_axes(ax)
        ax.set_xlim(min(limits), max(limits))
        ax.tick_params(labelbottom=ax is axes[-1])
    if is_floating(result):
        axes[-1].set_xlabel("years counted, not tied to a calendar", fontsize=8)
    else:
        axes[-1].set_xlabel("year, named after its outer mark", fontsize=8)
    note = "\n".join(textwrap.wrap(panels.series_note(result, names, columns), width=int(box.width * _SMALL_PER_INCH)))
    axes[0].set_title(note, fontsize=style.SMALL_PT, color=style.FAINT, loc="left", pad=4)


def _footer_lines(result: SlabResult, groups: tuple[FlagGroup, ...], *, width_inch: float) -> list[str]:
    """Doubts in short, wrapped to the width of the figure."""
    texts = []
    for group in groups:
        texts += textwrap.wrap(
            f"{group.number}  {group.short_text}", width=int(width_inch * _FOOTER_PER_INCH), subsequent_indent="    "
        )
    if len(texts) > _MAX_FOOTER_LINES:
        more = len(texts) - _MAX_FOOTER_LINES + 1
        texts = [*texts[: _MAX_FOOTER_LINES - 1], f"and {more} more lines of doubts in the report"]
    hidden = len(track_names(result)) - MAX_TRACKS
    if hidden > 0:
        texts.append(f"profiles and series of {hidden} more tracks are in the tables")
    return texts or ["no doubts were noted"]


def _draw_footer(figure: Figure, result: SlabResult, lines: list[str]) -> None:
    """The key to the lines, then the doubts."""
    width, height = figure.get_size_inches()
    handles = _legend_handles(result)
    foot = LINE_INCH * len(lines) + 0.12
    look: dict[str, Any] = {
        "fontsize": 8,
        "frameon": False,
        "borderaxespad": 0,
        "handlelength": 2.6,
        "columnspacing": 1.4,
    }
    if handles:
        figure.legend(
            handles=handles,
            loc="lower left",
            bbox_to_anchor=((LEFT - 0.1) / width, foot / height),
            ncols=len(handles),
            **look,
        )
    tracks = _track_handles(result)
    if tracks:
        figure.legend(
            handles=tracks,
            loc="lower right",
            bbox_to_anchor=(1 - RIGHT / width, foot / height),
            ncols=len(tracks),
            **look,
        )
    for i, text in enumerate(lines):
        figure.text(
            LEFT / width,
            (foot - 0.02 - (i + 0.5) * LINE_INCH) / height,
            text,
            fontsize=8,
            color=style.INK,
            va="center",
        )


def _legend_handles(result: SlabResult) -> list[Artist]:
    """Keys of the kinds of line that this figure has."""
    roles = {line.role for line in result.lines}
    certainties = {line.certainty or "certain" for line in result.lines if line.role == "mark"}
    handles: list[Artist] = []
    for certainty, dashes in style.CERTAINTY_DASHES.items():
        if certainty in certainties:
            label = "annual mark" if certainty == "certain" else f"{certainty} mark"
            handles.append(Line2D([], [], color=style.MARK_COLOUR, linestyle=dashes, linewidth=2, label=label))
    if np.isfinite(result.marks.depth_lo_mm).any():
        look: dict[str, Any] = {"color": style.MARK_COLOUR, "alpha": style.INTERVAL_ALPHA, "linewidth": 0}
        handles.append(Patch(label="its 90 % interval", **look))
    shown = {line.label for line in result.lines if line.role == "event"}
    event_look: dict[str, Any] = {"color": style.EVENT_COLOUR, "linewidth": 1.3, "path_effects": style.EVENT_CASING}
    handles += [
        Line2D([], [], linestyle=dashes, label=style.EVENT_LABELS[kind], **event_look)
        for kind, dashes in style.EVENT_DASHES.items()
        if kind in shown
    ]
    if "stain" in roles:
        handles.append(
            Line2D([], [], color=style.STAIN_COLOUR, linestyle=style.STAIN_DASHES, linewidth=2, label="stain line")
        )
    if "surface" in roles:
        surface: dict[str, Any] = {"color": "white", "linewidth": 2.0, "path_effects": style.CASING}
        handles.append(Line2D([], [], label="surface", **surface))
    if "strip" in roles:
        handles.append(
            Line2D([], [], color=style.FAINT, linestyle=style.STRIP_DASHES, linewidth=1.4, label="width followed")
        )
    return handles


def _track_handles(result: SlabResult) -> list[Line2D]:
    """Keys of the tracks in the growth series, where there is more than one."""
    names = track_names(result)[:MAX_TRACKS]
    if len(names) == 1 or not len(result.growth):
        return []
    styles = [style.track_style(index) for index in range(len(names))]
    return [
        Line2D(
            [],
            [],
            color=colour,
            linestyle=dashes,
            marker=marker,
            markersize=4,
            linewidth=1.2,
            label=f"track {name}",
        )
        for name, (colour, dashes, marker) in zip(names, styles, strict=True)
    ]
