"""The place in the image that a suggestion is about, cut out with the marks around it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.typing import NDArray

from bandkit.errors import BandkitError
from bandkit.images.slab import open_slab
from bandkit.output import style
from bandkit.output.document import read_result
from bandkit.output.figure import DPI
from bandkit.record import read_record
from bandkit.results import SlabResult

FloatArray = NDArray[np.float64]

# What is shown on each side of the band, in lengths of that band.
MARGIN_BANDS = 2.5
_LEAST_SIDE_PX = 40
_HEIGHT_INCH = 3.4
# Brightness outside these percentiles of the crop is not told apart.
_STRETCH = (1.0, 99.0)


def suggestion_crop(folder: Path, row: Mapping[str, Any]) -> Figure | None:
    """Cut the place of a suggestion out of the slab's image.

    Parameters
    ----------
    folder : Path
        Folder of the measured slab.
    row : mapping
        A row of the table of suggestions: track, year, start_mm, end_mm, kind.

    Returns
    -------
    matplotlib.figure.Figure or None
        The image around the band with the marks as they are; None where the record and its image do not lie beside
        the results, or the track has no marks there.
    """
    try:
        result = read_result(folder)
        record_file = _record_of(folder, str(result.provenance.get("record", "")))
        place = _place(result, row)
        if record_file is None or place is None:
            return None
        x_px, y_px, side_px = place
        with open_slab(read_record(record_file)) as image:
            size = image.width_px, image.height_px
            half = max(round(side_px), _LEAST_SIDE_PX)
            box = [max(round(x_px) - half, 0), max(round(y_px) - half, 0),
                   min(round(x_px) + half, size[0]), min(round(y_px) + half, size[1])]  # fmt: skip
            if box[0] >= box[2] or box[1] >= box[3]:
                return None
            pixels = image.read(box[0], box[1], box[2], box[3]).astype(np.float64)
    except (BandkitError, OSError):
        # A picture is a help: results whose images are elsewhere are told of without one.
        return None
    return _draw(result, row, pixels, box)


def _record_of(folder: Path, name: str) -> Path | None:
    """The record beside the folder of results, or beside the slab's own."""
    places = [folder.resolve().parents[1] / name, folder.resolve().parent / name]
    return next((path for path in places if name and path.is_file()), None)


def _place(result: SlabResult, row: Mapping[str, Any]) -> tuple[float, float, float] | None:
    """Middle of the band on the image and half the side of what is shown, in pixels."""
    own = (result.marks.track == row["track"]) & np.isfinite(result.marks.x_px)
    depth_mm = result.marks.depth_mm[own]
    if depth_mm.size < 2 or not np.isfinite(row["start_mm"]):
        return None
    ends = np.array([row["start_mm"], row["end_mm"]])
    x_px, y_px = (np.interp(ends, depth_mm, part[own]) for part in (result.marks.x_px, result.marks.y_px))
    length_px = float(np.hypot(np.diff(x_px)[0], np.diff(y_px)[0]))
    return float(x_px.mean()), float(y_px.mean()), (0.5 + MARGIN_BANDS) * length_px


def _draw(result: SlabResult, row: Mapping[str, Any], pixels: FloatArray, box: list[int]) -> Figure:
    """The crop with marks, the two of the band in full and the others thin."""
    low, high = np.nanpercentile(pixels, _STRETCH)
    shown = np.clip((pixels - low) / max(high - low, 1e-9), 0.0, 1.0)
    wide, tall = box[2] - box[0], box[3] - box[1]
    figure = Figure(figsize=(_HEIGHT_INCH * wide / tall + 0.1, _HEIGHT_INCH + 0.35), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    ax = figure.add_axes((0.01, 0.01, 0.98, _HEIGHT_INCH / (_HEIGHT_INCH + 0.35)))
    extent = (box[0] - 0.5, box[2] - 0.5, box[3] - 0.5, box[1] - 0.5)
    ax.imshow(shown, cmap="gray", extent=extent, interpolation="bilinear", aspect="auto")
    for line in result.lines:
        if line.track == row["track"] and line.role in ("mark", "track"):
            near = line.role == "mark" and line.label in (f"{row['year']:.0f}", f"{row['year'] - 1:.0f}")
            colour = style.MARK_COLOUR if line.role == "mark" else "white"
            dashes = style.CERTAINTY_DASHES.get(line.certainty, "solid")
            ax.plot(line.x_px, line.y_px, color=colour, linewidth=1.6 if near else 0.7, linestyle=dashes)
            if line.role == "mark":
                ax.text(float(line.x_px[-1]), float(line.y_px[-1]), line.label, fontsize=style.SMALL_PT, color="white",
                        path_effects=style.CASING, clip_on=True, va="center")  # fmt: skip
    ax.set_xlim(extent[0], extent[1])
    ax.set_ylim(extent[2], extent[3])
    ax.set_axis_off()
    what = "a year missing here?" if row["kind"] == "missing" else "one year, counted twice?"
    figure.suptitle(f"{row['specimen']} track {row['track']}, {row['year']:.0f}: {what}", fontsize=8.5, color=style.INK,
                    x=0.01, ha="left", y=0.985, va="top")  # fmt: skip
    for text in figure.findobj(Text):
        if isinstance(text, Text):
            text.set_parse_math(False)
    return figure
