"""What is known of a simulated slab, and the slab itself."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.simulate.colony import Colony
from bandkit.simulate.growth import Growth

FloatArray = NDArray[np.floating]

TRACK_STEP_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackTruth:
    """The true answer along one drawn track; depths run from the living surface inwards.

    Parameters
    ----------
    name : str
        Name of the track in the record.
    points_px : tuple
        The drawn points.
    surface_px : tuple of float
        Where the track crosses the living surface.
    mark_depth_mm, mark_time_yr, mark_x_px, mark_y_px : ndarray, shape (n_marks,)
        Annual marks along the track: maxima of the annual season in the density that thickening leaves on the
        growth axis (doublets and stress bands are not marks), and when the surface was there.
    mark_year : ndarray of int, shape (n_marks,)
        Calendar year of each mark.
    year : ndarray of int, shape (n_marks - 1,)
        Label of each whole year: that of its outer mark.
    start_mm, end_mm : ndarray, shape (n_marks - 1,)
        Depth of the year's outer and inner mark along the track.
    extension_mm_yr, density_g_cm3, calcification_g_cm2_yr : ndarray, shape (n_marks - 1,)
        Distance square to the bands, mean density of the bands (texture and borings left out), their product.
    profile_depth_mm, profile_density_g_cm3 : ndarray, shape (n_profile,)
        Density of the bands along the track, free of texture and noise.
    stain_date : tuple of str
        Staining dates, ISO.
    stain_depth_mm : ndarray, shape (n_stains,)
        Depth of the outer (distal) edge of each stain.
    """

    name: str
    points_px: tuple[tuple[float, float], ...]
    surface_px: tuple[float, float]
    mark_depth_mm: FloatArray
    mark_time_yr: FloatArray
    mark_x_px: FloatArray
    mark_y_px: FloatArray
    mark_year: NDArray[np.int_]
    year: NDArray[np.int_]
    start_mm: FloatArray
    end_mm: FloatArray
    extension_mm_yr: FloatArray
    density_g_cm3: FloatArray
    calcification_g_cm2_yr: FloatArray
    profile_depth_mm: FloatArray
    profile_density_g_cm3: FloatArray
    stain_date: tuple[str, ...] = ()
    stain_depth_mm: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """The true answer of one simulated image.

    Parameters
    ----------
    specimen, kind : str
        Specimen and kind of image.
    mm_per_px : float
        True scale.
    bar_px : tuple of float
        x0, y0, x1, y1 of the scale bar's ends.
    bar_mm : float
        Length of the bar.
    tissue_mm : float
        Depth of the tissue layer.
    tracks : tuple of TrackTruth
        One per drawn track.
    settings : mapping
        Seed and the numbers of the design.
    """

    specimen: str
    kind: str
    mm_per_px: float
    bar_px: tuple[float, float, float, float]
    bar_mm: float
    tissue_mm: float
    tracks: tuple[TrackTruth, ...]
    settings: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> str:
        """Write the truth as JSON text, numbers to five significant decimals, profiles every 0.25 mm."""
        return json.dumps(_plain(self), indent=1, ensure_ascii=False) + "\n"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedSlab:
    """One simulated slab.

    Parameters
    ----------
    specimen, image_file : str
        Specimen and the file name that the record gives its image.
    image : ndarray
        uint16 (h, w) for a radiograph, uint8 (h, w, 3) for a photograph or a luminescence image.
    record_text : str
        The slab record, TOML.
    truth : Truth
        The true answer.
    """

    specimen: str
    image_file: str
    image: NDArray[np.uint16] | NDArray[np.uint8]
    record_text: str
    truth: Truth


def track_truth(growth: Growth, colony: Colony, points_px: tuple[tuple[float, float], ...], *, name: str,
                mm_per_px: float, stains: Mapping[str, float] | None = None) -> TrackTruth:
    """Read the true answer along a drawn straight track.

    Parameters
    ----------
    growth, colony : Growth, Colony
        What grew, and how it lies in the image.
    points_px : tuple
        Two or more points on a straight line, from outside the surface inwards.
    name : str
        Name of the track.
    mm_per_px : float
        Pixel size.
    stains : mapping of str to float, optional
        ISO date and depth along the growth axis of each stain's outer edge.

    Returns
    -------
    TrackTruth
        Marks, years, profile and stains along the track.
    """
    start, end = np.array(points_px[0]) * mm_per_px, np.array(points_px[-1]) * mm_per_px
    length = float(np.hypot(*(end - start)))
    tx, ty = (end - start) / length
    along = np.arange(0.0, length, TRACK_STEP_MM)
    x, y = start[0] + along * tx, start[1] + along * ty
    depth = np.maximum.accumulate(colony.depth_mm(x, y))
    surface = float(np.interp(0.0, depth, along))
    nx, ny = colony.normal(x, y)
    square = np.concatenate([[0.0], np.cumsum(np.abs(tx * nx + ty * ny)[:-1]) * TRACK_STEP_MM])
    density = np.interp(depth, growth.depth_mm, growth.density_g_cm3)
    total = np.concatenate([[0.0], np.cumsum(density[:-1]) * TRACK_STEP_MM])

    on_track = growth.mark_depth_mm < depth[-1]
    marks = np.interp(growth.mark_depth_mm[on_track], depth, along)
    extension = np.diff(np.interp(marks, along, square))
    mean_density = np.diff(np.interp(marks, along, total)) / np.diff(marks)
    stain_names = tuple(stains or {})
    stain_along = np.interp([stains[s] for s in stain_names] if stains else [], depth, along)
    below = along >= surface
    return TrackTruth(
        name=name, points_px=points_px,
        surface_px=(float(start[0] + surface * tx) / mm_per_px, float(start[1] + surface * ty) / mm_per_px),
        mark_depth_mm=marks - surface, mark_time_yr=growth.mark_formed_yr[on_track],
        mark_x_px=(start[0] + marks * tx) / mm_per_px, mark_y_px=(start[1] + marks * ty) / mm_per_px,
        mark_year=growth.mark_year[on_track], year=growth.mark_year[on_track][:-1],
        start_mm=marks[:-1] - surface, end_mm=marks[1:] - surface,
        extension_mm_yr=extension, density_g_cm3=mean_density,
        calcification_g_cm2_yr=extension / 10 * mean_density,
        profile_depth_mm=(along - surface)[below][::25], profile_density_g_cm3=density[below][::25],
        stain_date=stain_names, stain_depth_mm=np.asarray(stain_along) - surface)


def _plain(value: Any) -> Any:
    """Dataclasses, arrays and numbers as plain JSON values."""
    if hasattr(value, "__dataclass_fields__"):
        return {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return round(value, 5)
    return value if isinstance(value, (int, str, bool)) or value is None else str(value)
