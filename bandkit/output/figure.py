"""The slab's figure: picture, profiles on the same depth axis, growth per year.

Panels are placed in inches, not by a layout engine, so that a millimetre on the
picture and a millimetre on the profiles beside it are the same length.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from bandkit.output import panels
from bandkit.output.view import View, make_view, track_names
from bandkit.output.words import FlagGroup, group_flags, is_floating, no_math
from bandkit.results import SlabResult

DPI = 110
MAX_TRACKS = 4
# Of 0 to 9: on these figures as small as higher levels, and faster.
_COMPRESSION = 3

_TOP, _BOTTOM_AXIS, _LEFT, _RIGHT = 0.95, 0.5, 0.62, 0.2
_GAP, _GROWTH_WIDTH = 0.85, 4.3
_YEARS_WIDTH, _NO_YEARS_WIDTH = 0.42, 0.16
_LINE_INCH = 0.165
_MIN_PICTURE_WIDTH, _MAX_PICTURE_WIDTH, _MIN_HEIGHT = 1.3, 4.8, 4.6
# A long core gets a taller figure, so that its years stay apart.
_PICTURE_HEIGHT, _TALLEST, _HEIGHT_PER_MARK = 8.2, 13.0, 0.115
_WIDE_PICTURE, _WIDE_RATIO = (11.4, 5.6), 1.15
_TURNED = ("", "picture turned a quarter clockwise", "picture turned by half", "picture turned a quarter anticlockwise")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """A place on the figure in inches from its top left corner."""

    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """The profiles: one per track, each with room for its years at the right."""

    number: int
    width: float
    years_width: float

    @property
    def total_width(self) -> float:
        """Width of all of them, in inches."""
        return self.number * (self.width + self.years_width)

    def boxes(self, left: float, top: float, height: float) -> tuple[_Box, ...]:
        """Places of the profiles, one beside the other."""
        step = self.width + self.years_width
        return tuple(_Box(left=left + i * step, top=top, width=self.width, height=height) for i in range(self.number))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where the panels stand and how long a millimetre is."""

    size: tuple[float, float]
    picture: _Box
    profiles: tuple[_Box, ...]
    growth: _Box
    beside: bool


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
    columns = _columns(result, len(names))
    layout = _plan(view, columns, depth_mm=depth_mm, n_marks=n_marks, n_footer=len(footer))
    figure = Figure(figsize=layout.size, dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    _draw_heading(figure, result)
    _draw_slab(figure, layout, view, result, groups, depth_mm=depth_mm)
    _draw_right(figure, layout.growth, result, names)
    _draw_footer(figure, result, footer)
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


def _columns(result: SlabResult, n_tracks: int) -> _Columns:
    """Widths of the profiles: the more tracks, the slimmer."""
    years_width = _YEARS_WIDTH if np.isfinite(result.marks.year).any() else _NO_YEARS_WIDTH
    return _Columns(number=n_tracks, width={1: 2.1, 2: 1.5}.get(n_tracks, 1.15), years_width=years_width)


def _plan(view: View, columns: _Columns, *, depth_mm: float, n_marks: int, n_footer: int) -> _Layout:
    """Place the panels: profiles beside an upright picture, below a wide one."""
    top_mm = min(view.box_mm[1], 0.0)
    height_mm = max(view.box_mm[3], depth_mm * 1.02) - top_mm
    foot = 0.32 + _LINE_INCH * n_footer
    if view.width_mm > _WIDE_RATIO * height_mm:
        return _plan_below(view, columns, foot)
    height = min(max(_PICTURE_HEIGHT, _HEIGHT_PER_MARK * n_marks), _TALLEST)
    width = height * view.width_mm / height_mm
    if width > _MAX_PICTURE_WIDTH:
        height = max(height * _MAX_PICTURE_WIDTH / width, _MIN_HEIGHT)
        width = _MAX_PICTURE_WIDTH
    width = max(width, _MIN_PICTURE_WIDTH)
    profiles_left = _LEFT + width + 0.25
    growth_left = profiles_left + columns.total_width + _GAP
    return _Layout(
        size=(growth_left + _GROWTH_WIDTH + _RIGHT, _TOP + height + _BOTTOM_AXIS + foot),
        picture=_Box(left=_LEFT, top=_TOP, width=width, height=height),
        profiles=columns.boxes(profiles_left, _TOP, height),
        growth=_Box(left=growth_left, top=_TOP, width=_GROWTH_WIDTH, height=height),
        beside=True,
    )


def _plan_below(view: View, columns: _Columns, foot: float) -> _Layout:
    """Place the panels below a wide picture."""
    width, tallest = _WIDE_PICTURE
    height = min(width * view.height_mm / view.width_mm, tallest)
    below = _TOP + height + 0.85
    growth_left = _LEFT + columns.total_width + _GAP
    growth_width = max(_LEFT + width - growth_left, _GROWTH_WIDTH)
    return _Layout(
        size=(growth_left + growth_width + _RIGHT, below + _MIN_HEIGHT + _BOTTOM_AXIS + foot),
        picture=_Box(left=_LEFT, top=_TOP, width=height * view.width_mm / view.height_mm, height=height),
        profiles=columns.boxes(_LEFT, below, _MIN_HEIGHT),
        growth=_Box(left=growth_left, top=below, width=growth_width, height=_MIN_HEIGHT),
        beside=False,
    )


def _add_axes(figure: Figure, box: _Box) -> Axes:
    """Add axes at a place given in inches."""
    width, height = figure.get_size_inches()
    return figure.add_axes(
        (box.left / width, 1 - (box.top + box.height) / height, box.width / width, box.height / height)
    )


def _plain_axes(ax: Axes) -> None:
    """Thin frame without the upper and right side, small ticks."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_linewidth(0.8)
    ax.tick_params(labelsize=8, width=0.8, length=3)


def _draw_heading(figure: Figure, result: SlabResult) -> None:
    """Specimen, taxon, site; below it image and scale."""
    height = figure.get_size_inches()[1]
    left = _LEFT / figure.get_size_inches()[0]
    specimen = result.specimen
    parts = [specimen.get("id"), specimen.get("taxon"), specimen.get("site")]
    collected = specimen.get("collected")
    parts.append(f"collected {collected}" if collected else None)
    heading = "  \N{MIDDLE DOT}  ".join(str(part) for part in parts if part)
    figure.text(left, 1 - 0.28 / height, no_math(heading), fontsize=12, fontweight="bold", color=panels.INK, va="center")
    figure.text(left, 1 - 0.52 / height, no_math(panels.caption(result)), fontsize=8.5, color=panels.FAINT, va="center")


def _draw_slab(
    figure: Figure, layout: _Layout, view: View, result: SlabResult, groups: tuple[FlagGroup, ...], *, depth_mm: float
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
    panels.draw_picture(ax, view, result.lines, names)
    _plain_axes(ax)
    ax.set_xticks([])
    where = f"mm below the surface of track {names[0]}" if names else "mm"
    ax.set_ylabel(where, fontsize=8)
    if view.turns:
        ax.set_xlabel(_TURNED[view.turns], fontsize=8, color=panels.FAINT, labelpad=16)
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


def _draw_right(figure: Figure, box: _Box, result: SlabResult, names: tuple[str, ...]) -> None:
    """The growth series and the stain table, whichever there is."""
    columns = [i for i, panel in enumerate(panels.GROWTH_PANELS) if np.isfinite(getattr(result.growth, panel[0])).any()]
    table = 0.0 if not len(result.stains) else 0.21 * len(panels.stain_rows(result)) + 0.1
    if columns:
        room = box.height - (table + 0.75 if table else 0.0)
        _draw_growth_axes(figure, _Box(left=box.left, top=box.top, width=box.width, height=room), result, names, columns)
    if table:
        top = box.top + box.height - table if columns else box.top + 0.1
        panels.draw_stain_table(_add_axes(figure, _Box(left=box.left, top=top, width=box.width, height=table)), result)
    if not columns and not table:
        message = _add_axes(figure, box)
        message.set_axis_off()
        message.text(0.0, 0.98, "no annual growth could be measured", fontsize=9, color=panels.INK, va="top",
                     transform=message.transAxes)


def _draw_growth_axes(
    figure: Figure, box: _Box, result: SlabResult, names: tuple[str, ...], columns: list[int]
) -> None:
    """Stack the panels of the growth series over one axis of years."""
    gap = 0.18
    height = min((box.height - gap * (len(columns) - 1)) / len(columns), 3.2)
    axes = [
        _add_axes(figure, _Box(left=box.left, top=box.top + i * (height + gap), width=box.width, height=height))
        for i in range(len(columns))
    ]
    panels.draw_growth(axes, result, names, columns)
    for ax in axes:
        _plain_axes(ax)
        ax.set_xlim(axes[0].get_xlim())
        ax.tick_params(labelbottom=ax is axes[-1])
    if is_floating(result):
        axes[-1].set_xlabel("years counted, not tied to a calendar", fontsize=8)
    else:
        axes[-1].set_xlabel("year", fontsize=8)
    axes[0].set_title("filled: whole years with 90 % interval; hollow: partial, in no mean; thin line: mean",
                      fontsize=panels.SMALL_PT, color=panels.FAINT, loc="left", pad=4)


def _footer_lines(result: SlabResult, groups: tuple[FlagGroup, ...], *, width_inch: float) -> list[str]:
    """Doubts in short, wrapped to the width of the figure."""
    texts = []
    for group in groups:
        where = f": {'; '.join(group.places)}" if group.places else ""
        detail = f" ({group.details[0]})" if len(group.details) == 1 else ""
        texts += textwrap.wrap(f"{group.number}  {group.code}{where}{detail}", width=int(width_inch * 15), subsequent_indent="    ")
    hidden = len(track_names(result)) - MAX_TRACKS
    if hidden > 0:
        texts.append(f"profiles and series of {hidden} more tracks are in the tables")
    return texts or ["no doubts were noted"]


def _draw_footer(figure: Figure, result: SlabResult, lines: list[str]) -> None:
    """The key to the lines, then the doubts."""
    width, height = figure.get_size_inches()
    handles = _legend_handles(result)
    foot = _LINE_INCH * len(lines) + 0.12
    style = {"fontsize": 8, "frameon": False, "borderaxespad": 0, "handlelength": 2.6, "columnspacing": 1.4}
    if handles:
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=((_LEFT - 0.1) / width, foot / height),
                      ncols=len(handles), **style)
    tracks = _track_handles(result)
    if tracks:
        figure.legend(handles=tracks, loc="lower right", bbox_to_anchor=(1 - _RIGHT / width, foot / height),
                      ncols=len(tracks), **style)
    for i, text in enumerate(lines):
        figure.text(_LEFT / width, (foot - 0.02 - (i + 0.5) * _LINE_INCH) / height, no_math(text), fontsize=8,
                    color=panels.INK, va="center")


def _legend_handles(result: SlabResult) -> list[Line2D]:
    """Keys of the kinds of line that this figure has."""
    roles = {line.role for line in result.lines}
    certainties = {line.certainty or "certain" for line in result.lines if line.role == "mark"}
    handles = []
    for certainty, dashes in panels.CERTAINTY_DASHES.items():
        if certainty in certainties:
            handles.append(Line2D([], [], color=panels.MARK_COLOUR, linestyle=dashes, linewidth=2, label=f"mark, {certainty}"))
    if "stain" in roles:
        handles.append(Line2D([], [], color=panels.STAIN_COLOUR, linestyle=panels.STAIN_DASHES, linewidth=2, label="stain line"))
    if "surface" in roles:
        surface = {"color": "white", "linewidth": 2.0, "path_effects": panels.CASING}
        handles.append(Line2D([], [], label="surface", **surface))
    if "strip" in roles:
        handles.append(Line2D([], [], color=panels.FAINT, linestyle=(0, (1, 2.2)), linewidth=1.4, label="width followed"))
    return handles


def _track_handles(result: SlabResult) -> list[Line2D]:
    """Keys of the tracks in the growth series, where there is more than one."""
    names = track_names(result)[:MAX_TRACKS]
    if len(names) == 1 or not len(result.growth):
        return []
    styles = [panels.track_style(index) for index in range(len(names))]
    return [
        Line2D([], [], color=colour, linestyle=line, marker=marker, markersize=4, linewidth=1.2, label=no_math(f"track {name}"))
        for name, (colour, line, marker) in zip(names, styles, strict=True)
    ]
