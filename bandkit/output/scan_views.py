"""What a person needs to see to place a cut: the scan from three sides with the cut in it, and the cut itself."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from bandkit.cut import sections
from bandkit.errors import InputError
from bandkit.images.slab import CutSource, open_slab
from bandkit.images.write import tiff_bytes
from bandkit.output.atomic import write_bytes_whole
from bandkit.output.style import CASING, FAINT, MARK_COLOUR, TRACK_STYLES
from bandkit.record import Record

FloatArray = NDArray[np.float64]

_INCHES = (11.0, 8.0)
_DPI = 110
_AXES = ("x", "y", "slice")


def write_cut(record: Record) -> tuple[Path, Path]:
    """Write the cut of a scan beside its record, as a TIFF and as a page of views; earlier ones are replaced.

    Parameters
    ----------
    record : Record
        A record with a ``[volume]``.

    Returns
    -------
    tuple of Path
        ``NAME_cut.tif``, in which tracks are drawn, and ``NAME_views.png``.

    Raises
    ------
    InputError
        The record has no volume, or its cut does not fit the scan.
    ImageReadError
        A slice cannot be read.
    OutputError
        A file cannot be written.
    """
    if record.volume is None:
        msg = f"{record.path}: volume: missing; only a slab cut out of a scan has a cut to show"
        raise InputError(msg)
    tiff_path, views_path = (record.path.with_name(f"{record.path.stem}_{what}") for what in ("cut.tif", "views.png"))
    with open_slab(record) as image:
        assert isinstance(image, CutSource)  # a record with a volume
        cut = image.read(0, 0, image.width_px, image.height_px)
        page = views_png(image, cut, record)
    write_bytes_whole(tiff_path, tiff_bytes(cut, image.frame.px_mm))
    write_bytes_whole(views_path, page)
    return tiff_path, views_path


def views_png(image: CutSource, cut: NDArray[np.float32], record: Record) -> bytes:
    """Draw a scan from three sides, and its cut.

    Parameters
    ----------
    image : CutSource
        The open cut.
    cut : ndarray, shape (h, w)
        Its pixels.
    record : Record
        The record, for its tracks.

    Returns
    -------
    bytes
        A PNG.
    """
    points = np.array(image.spec.points_px, dtype=np.float64)
    middle = points.mean(axis=0)
    views = sections(image.volume.grid, middle, image.volume.read_slice)
    known = cut[np.isfinite(cut)]
    low, high = np.quantile(known, [0.01, 0.998]) if known.size else (0.0, 1.0)
    figure = Figure(figsize=_INCHES, dpi=_DPI, layout="constrained")
    FigureCanvasAgg(figure)
    places = figure.subplot_mosaic([["slice", "cut"], ["down", "cut"], ["across", "cut"]], width_ratios=[1.0, 1.2])
    sides = (image.volume.grid.x_mm_px, image.volume.grid.y_mm_px, image.volume.grid.step_mm)
    for name, view, (across, along) in zip(("slice", "down", "across"), views, ((0, 1), (0, 2), (1, 2)), strict=True):
        ax = places[name]
        ax.imshow(view, cmap="gray", vmin=low, vmax=high, aspect=sides[along] / sides[across], interpolation="nearest")
        _draw_points(ax, points[:, [across, along]])
        fixed = 3 - across - along
        ax.set_title(f"{_AXES[fixed]} = {middle[fixed]:.0f}", fontsize=9)
        ax.set_xlabel(_AXES[across], fontsize=8)
        ax.set_ylabel(_AXES[along], fontsize=8)
    _draw_cut(places["cut"], image, cut, record, (float(low), float(high)))
    for ax in places.values():
        ax.tick_params(labelsize=7, colors=FAINT)
    title = f"{record.specimen.id}: the scan, and the slab cut out of it (voxels and pixels are counted from 0)"
    figure.suptitle(title, fontsize=10)
    content = io.BytesIO()
    figure.savefig(content, format="png")
    return content.getvalue()


def _draw_points(ax: Axes, points_px: FloatArray) -> None:
    """The three points of the cut, as they lie in one view."""
    for (x, y), number in zip(points_px, "123", strict=True):
        ax.plot(x, y, "o", color=MARK_COLOUR, markersize=6, markeredgecolor="black", gid="point")
        ax.annotate(number, (x, y), xytext=(6, 4), textcoords="offset points", color=MARK_COLOUR, fontsize=9,
                    path_effects=list(CASING))
    above, below, right = points_px
    for end in (below, right):
        ax.plot([above[0], end[0]], [above[1], end[1]], color=MARK_COLOUR, linewidth=0.9, linestyle="--")


def _draw_cut(ax: Axes, image: CutSource, cut: NDArray[np.float32], record: Record, greys: tuple[float, float]) -> None:
    """The cut with its points and the record's tracks."""
    ax.imshow(cut, cmap="gray", vmin=greys[0], vmax=greys[1], interpolation="nearest")
    _draw_points(ax, image.frame.to_px(image.volume.grid.at_mm(image.spec.points_px)))
    for i, track in enumerate(record.tracks):
        colour, style, _ = TRACK_STYLES[i % len(TRACK_STYLES)]
        x, y = zip(*track.points_px, strict=True)
        ax.plot(x, y, color=colour, linestyle=style, linewidth=1.6, path_effects=list(CASING), gid="track")
        ax.annotate(track.name, (x[0], y[0]), xytext=(6, 0), textcoords="offset points", color="white", fontsize=10,
                    path_effects=list(CASING))
    ax.set_title(f"the cut, {image.spec.thickness_mm:g} mm thick, pixels of {image.frame.px_mm:.3g} mm", fontsize=9)
    ax.set_xlabel("x (px)", fontsize=8)
    ax.set_ylabel("y (px)", fontsize=8)
