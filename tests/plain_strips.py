"""Straightened slabs made by hand: a vertical track at 0.1 mm per pixel, its surface 5 mm below the first drawn point."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bandkit.axis import make_axis
from bandkit.record import Record, parse_record
from bandkit.surface import Surface
from bandkit.tracks import TrackStrip

SURFACE_MM = 5.0

RECORD = """\
record = 1
[specimen]
id = "TB-21"
collected = 2019-06-15
top_alive = true
[image]
file = "a.tif"
kind = "{kind}"
[scale]
mm_per_px = 0.1
[[track]]
name = "A"
points_px = [[200, 50], [200, 650]]
"""


def record_of(more: str = "", *, kind: str = "photograph") -> Record:
    """A small record; ``more`` is added at its end."""
    return parse_record(RECORD.format(kind=kind) + more, Path("TB-21.toml"))


def strip_of(values: np.ndarray | None = None, *, surface_found: bool = True, surface_sd_mm: float = 0.03,
             n_across: int = 61) -> TrackStrip:
    """The strip beside that track: 55 mm deep, 0.1 mm a row, 0.2 mm a column."""
    axis = make_axis([(200, 50), (200, 650)], (0.1, 0.1), step_mm=0.1)
    start = SURFACE_MM if surface_found else 0.0
    depth = np.arange(round((axis.length_mm - start) / 0.1) + 1) * 0.1
    across = (np.arange(n_across) - n_across // 2) * 0.2
    x_px, y_px = axis.at(depth[:, None] + start, across[None, :])
    bins = np.arange(-6, 7) * 0.5
    surface = Surface(found=surface_found, depth_mm=start, sd_mm=surface_sd_mm if surface_found else 0.0, across_mm=bins,
                      line_mm=np.full(13, start), outside=0.0, inside=1.0)
    if values is None:
        values = np.ones(x_px.shape)
    return TrackStrip(axis=axis, surface=surface, values=values, signal=values if values.ndim == 2 else values.mean(axis=-1),
                      depth_mm=depth, across_mm=across, x_px=x_px, y_px=y_px, flags=())
