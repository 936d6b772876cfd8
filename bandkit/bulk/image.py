"""Mean density of a piece by the image: mass over the piece's area, divided by its thickness."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bandkit.carrier import Radiography
from bandkit.density import Thickness
from bandkit.growth import SYSTEMATIC_SOURCES, YearGrowth
from bandkit.record.model_density import Box
from bandkit.record.model_mass import Point
from bandkit.strip import inside_polygon

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A place is slab where it holds more than this share of the mass per area that is usual under the tracks: half-way
# up its rim, less for years that are lighter.
_SLAB_FRAC = 0.4
# What a rim's place is off by, in pixels of the reduced picture.
_RIM_SD_PX = 0.25
# Kept free round standards, in pixels of the reduced picture.
_MARGIN_PX = 3


class MeanDensity(NamedTuple):
    """A mean density and what it is off by; NaN where there is none.

    Parameters
    ----------
    density_g_cm3, density_sd_g_cm3 : float
        Mean and its standard deviation, in g/cm3.
    """

    density_g_cm3: float
    density_sd_g_cm3: float


NOTHING = MeanDensity(float("nan"), float("nan"))


def mean_density_of_piece(
    carrier: Radiography, thickness: Thickness, grey: FloatArray, step_px: float, *,
    tracks_px: Sequence[tuple[Point, ...]], keep_out_px: Sequence[Box], standards_px: tuple[float, float],
    outline_px: tuple[Point, ...] = (),
) -> MeanDensity:
    """Mean density over the whole slab or over an outlined piece of it.

    Parameters
    ----------
    carrier : Radiography
        With a calibration.
    thickness : Thickness
        How thick the slab is.
    grey : ndarray, shape (h, w)
        The reduced picture.
    step_px : float
        Image pixels per value of it.
    tracks_px : sequence of tuple of points
        Tracks, which lie on the slab.
    keep_out_px : sequence of boxes
        Standards and bars, which do not.
    standards_px : tuple of float
        Middle of the standards, where the beam is known best.
    outline_px : tuple of points
        The piece; the whole slab where empty.

    Returns
    -------
    MeanDensity
        Over everything inside the rim, borings and all: they weigh nothing, and a coat closes them. Systematic errors
        are kept whole, texture is no error of what was weighed, and the rim is known to a quarter of a pixel.
    """
    calibration = carrier.calibration
    if calibration is None:
        return NOTHING
    rows, columns = np.indices(grey.shape)
    x_px, y_px = (np.asarray((at + 0.5) * step_px - 0.5, np.float64) for at in (columns, rows))
    areal = carrier.signal(grey, x_px, y_px)
    piece = _piece(areal, x_px, y_px, step_px, tracks_px=tracks_px, keep_out_px=keep_out_px, outline_px=outline_px)
    at_mm = thickness.at_mm(x_px, y_px)
    piece &= np.isfinite(areal) & np.isfinite(at_mm)
    if not piece.any():
        return NOTHING
    mean_areal, mean_mm = float(areal[piece].mean()), float(at_mm[piece].mean())
    density = mean_areal / (mean_mm / 10.0)
    some = np.flatnonzero(piece)[:: max(int(piece.sum()) // 4000, 1)]
    x, y = x_px.ravel()[some], y_px.ravel()[some]
    beam_sd = carrier.beam_log_sd(x, y, areal.ravel()[some], relative_to_px=standards_px)
    curve_frac = calibration.areal_density_sd_g_cm2(areal.ravel()[some], log_beam=carrier.beam.log_intensity(x, y),
                                                    beam_log_sd=beam_sd).mean() / mean_areal
    thickness_frac = float(thickness.sd_mm(x, y).mean()) / mean_mm
    return MeanDensity(density, density * float(np.linalg.norm([curve_frac, thickness_frac, _rim_frac(piece)])))


def mean_density_of_track(growth: YearGrowth) -> MeanDensity:
    """Mean density along a track, all of its pieces together.

    Parameters
    ----------
    growth : YearGrowth
        Growth of the track.

    Returns
    -------
    MeanDensity
        Weighted by length; systematic errors are kept whole, and texture is no error of what was weighed.
    """
    known = np.isfinite(growth.density_g_cm3) & (growth.extension_mm > 0)
    if not known.any():
        return NOTHING
    weight = growth.extension_mm[known] / growth.extension_mm[known].sum()
    budget = growth.density_budget
    sd = [float(weight @ budget.of(source)[known]) for source in SYSTEMATIC_SOURCES]
    noise = float(np.linalg.norm(weight * budget.noise_sd_g_cm3[known]))
    return MeanDensity(float(weight @ growth.density_g_cm3[known]), float(np.linalg.norm([*sd, noise])))


def _piece(areal: FloatArray, x_px: FloatArray, y_px: FloatArray, step_px: float, *,
           tracks_px: Sequence[tuple[Point, ...]], keep_out_px: Sequence[Box],
           outline_px: tuple[Point, ...]) -> BoolArray:
    """Places that belong to the piece."""
    if outline_px:
        return inside_polygon(x_px, y_px, outline_px)
    # Imported here: slow to load, and only a slab that was weighed needs it.
    from scipy.ndimage import binary_fill_holes, label

    places = [_along(points, areal.shape, step_px) for points in tracks_px]
    under = np.unique(np.concatenate(places), axis=0)
    values = areal[under[:, 0], under[:, 1]]
    usual = float(np.median(values[values > 0.5 * np.nanmax(values)])) if np.isfinite(values).any() else np.nan
    present = areal > _SLAB_FRAC * usual
    margin = _MARGIN_PX * step_px
    for x0, y0, x1, y1 in keep_out_px:
        present &= ~((x_px > x0 - margin) & (x_px < x1 + margin) & (y_px > y0 - margin) & (y_px < y1 + margin))
    parts, _ = label(present)
    own = np.unique(parts[under[:, 0], under[:, 1]])
    return np.asarray(binary_fill_holes(np.isin(parts, own[own > 0])), np.bool_)


def _along(points_px: tuple[Point, ...], shape: tuple[int, int], step_px: float) -> NDArray[np.intp]:
    """Rows and columns of the reduced picture along a track."""
    points = np.asarray(points_px, np.float64)
    t = np.linspace(0, len(points) - 1, 400)
    x, y = (np.interp(t, np.arange(len(points)), points[:, k]) for k in (0, 1))
    row = np.clip(((y + 0.5) / step_px).astype(np.intp), 0, shape[0] - 1)
    column = np.clip(((x + 0.5) / step_px).astype(np.intp), 0, shape[1] - 1)
    return np.stack([row, column], axis=1)


def _rim_frac(piece: BoolArray) -> float:
    """What the rim's place is worth as a share of the piece's area."""
    from scipy.ndimage import binary_erosion

    rim = int(piece.sum()) - int(binary_erosion(piece).sum())
    return _RIM_SD_PX * rim / int(piece.sum())
