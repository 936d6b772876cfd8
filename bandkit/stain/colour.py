"""Colour of a stained slab, free of illumination: how much dye is where.

Light that falls on a slab multiplies all that comes back, so the logarithm of the
ratio of two channels depends on the skeleton and what is in it, not on the lamp.
Two such ratios, ln(R/G) and ln(B/G), tell dyes apart from what else colours coral
skeleton: alizarin raises both, brown tissue raises the first and lowers the second,
green boring algae lower both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import InputError
from bandkit.stain.blocks import block_edges, block_sums, equal_blocks
from bandkit.stats import nan_median, robust_sd, running_median

FloatArray = NDArray[np.float64]
Encoding = Literal["srgb", "linear"]

# Width of the columns that neighbouring samples are averaged into, before logarithms are taken.
COLUMN_MM = 0.5
# Rows of the working grid: fine enough for a path of 35 degrees across such columns.
ROW_MM = 0.08
# Darker than this share of the strip's median light, a place is cloth or a hole, not skeleton.
DARK_FRAC = 0.08
# Light from here on is at the end of the range.
BURNT = 0.999
# Drift of colour longer than this is not a stain line.
DRIFT_MM = 25.0
# Linear light below this share of full scale is sensor floor; it keeps the logarithm finite.
FLOOR_FRAC = 1e-4
# Steps of the table of the sRGB curve, and how many values are looked up at a time.
TABLE_STEPS, PIECE = 4096, 32768


@dataclass(frozen=True, slots=True, kw_only=True)
class Dye:
    """What a dye does to the colour of skeleton.

    Parameters
    ----------
    name : str
        Name of the dye.
    red_green, blue_green : float
        Change of ln(R/G) and ln(B/G) where the dye is, up to a common factor.
    hue_lo_deg, hue_hi_deg : float
        Directions of (ln(R/G), ln(B/G)) that may still be this dye, counted from the
        first axis towards the second.
    hues_deg : tuple of float
        Directions that are looked for.
    """

    name: str
    red_green: float
    blue_green: float
    hue_lo_deg: float
    hue_hi_deg: float
    hues_deg: tuple[float, ...]


# Pink to violet in daylight and under warm or cool lamps.
ALIZARIN = Dye(name="alizarin red S", red_green=1.0, blue_green=0.5, hue_lo_deg=-8.0, hue_hi_deg=75.0,
               hues_deg=(8.0, 48.0))


# Glows yellow-green under blue or ultraviolet light: green rises against red and blue.
CALCEIN = Dye(name="calcein", red_green=-1.0, blue_green=-1.0, hue_lo_deg=185.0, hue_hi_deg=265.0,
              hues_deg=(212.0, 238.0))
# A tint taken from the picture may be off by this much: dye is patchy, and what lies under it is not all clean.
PICKED_HUE_SLACK_DEG = 25.0


def dye_named(name: str) -> Dye:
    """The dye of a name as people write it.

    Parameters
    ----------
    name : str
        Such as "alizarin red S" or "calcein"; what is not known is looked for as alizarin.

    Returns
    -------
    Dye
        What it does to the colour of skeleton.
    """
    return CALCEIN if "calcein" in name.lower() else ALIZARIN


def dye_of_tint(name: str, dyed: FloatArray, clean: FloatArray) -> Dye:
    """A dye whose tint is taken from the picture.

    Parameters
    ----------
    name : str
        Name of the dye.
    dyed, clean : ndarray, shape (h, w, 3)
        Linear light of dyed and of clean skeleton beside it.

    Returns
    -------
    Dye
        With the direction from clean to dyed, give or take 25 degrees.

    Raises
    ------
    InputError
        When the two do not differ in colour.
    """
    means = [log_ratios(np.nansum(light.reshape(-1, 3), axis=0)) for light in (dyed, clean)]
    step = means[0] - means[1]
    if not float(np.hypot(*step)) > 1e-3:
        msg = "colour.dye_px: of the same colour as colour.clean_px; put one on the stain line and one beside it"
        raise InputError(msg)
    hue = float(np.degrees(np.arctan2(step[1], step[0])))
    return Dye(name=name, red_green=float(np.cos(np.radians(hue))), blue_green=float(np.sin(np.radians(hue))),
               hue_lo_deg=hue - PICKED_HUE_SLACK_DEG, hue_hi_deg=hue + PICKED_HUE_SLACK_DEG, hues_deg=(hue,))


def srgb_to_linear(code: FloatArray) -> FloatArray:
    """Turn sRGB code values into linear light.

    Parameters
    ----------
    code : ndarray
        Code values as a fraction of full scale, 0 to 1.

    Returns
    -------
    ndarray
        Linear light, 0 to 1, same shape.

    Notes
    -----
    ``c / 12.92`` up to 0.04045, ``((c + 0.055) / 1.055) ** 2.4`` above.

    References
    ----------
    IEC 61966-2-1:1999, Default RGB colour space - sRGB.
    """
    values = np.ascontiguousarray(code, dtype=np.float64)
    if values.size <= TABLE_STEPS:
        return _srgb_curve(values)
    # Straight between 4097 values of the curve is within 1e-7 of it and several times as fast as millions of powers;
    # in pieces, so that all stays near the processor.
    table = _srgb_curve(np.arange(TABLE_STEPS + 2, dtype=np.float64) / TABLE_STEPS)
    slope = np.diff(table)
    flat, out = values.ravel(), np.empty(values.size)
    for first in range(0, flat.size, PIECE):
        at = flat[first:first + PIECE] * TABLE_STEPS
        # fmin and fmax pass over NaN, which has no place in a table; the second term keeps it.
        below = np.fmax(np.fmin(at, TABLE_STEPS), 0.0).astype(np.int32)
        out[first:first + PIECE] = table.take(below) + (at - below) * slope.take(below)
    return out.reshape(values.shape)


def _srgb_curve(code: FloatArray) -> FloatArray:
    """Linear light by the standard's formula."""
    curved = ((np.maximum(code, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(code <= 0.04045, code / 12.92, curved)


def linear_light(rgb: FloatArray, *, full_scale: float, encoding: Encoding = "srgb") -> FloatArray:
    """Linear light of an image as a fraction of full scale.

    Parameters
    ----------
    rgb : ndarray, shape (..., 3)
        Colours in native units; NaN where there is no image.
    full_scale : float
        Native value of white, such as 255.
    encoding : {"srgb", "linear"}
        How the native values code light.

    Returns
    -------
    ndarray, shape (..., 3)
        Linear light, 1 at full scale; NaN stays NaN.

    Raises
    ------
    InputError
        When there are not three channels, or full scale is not positive.
    """
    values = np.asarray(rgb, dtype=np.float64)
    if values.ndim < 2 or values.shape[-1] != 3:
        msg = f"rgb: the last axis must hold red, green and blue, got shape {values.shape}"
        raise InputError(msg)
    return linear_values(values, full_scale=full_scale, encoding=encoding)


def linear_values(native: FloatArray, *, full_scale: float, encoding: Encoding = "srgb") -> FloatArray:
    """Linear light of native values of any shape, colour or grey, as a fraction of full scale.

    Parameters
    ----------
    native : ndarray
        Native values; NaN where unknown.
    full_scale : float
        Native value of white, such as 255.
    encoding : {"srgb", "linear"}
        How the native values code light.

    Returns
    -------
    ndarray
        Linear light, 1 at full scale, same shape; NaN stays NaN.

    Raises
    ------
    InputError
        When full scale is not positive.
    """
    if not full_scale > 0:
        msg = f"full_scale: must be positive, got {full_scale!r}; give the native value of white, such as 255"
        raise InputError(msg)
    fraction = native / full_scale
    return srgb_to_linear(fraction) if encoding == "srgb" else fraction


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DyeIndex:
    """How much dye-like colour each place of a strip has, against its own unstained skeleton.

    Parameters
    ----------
    index : ndarray, shape (n_rows, n_columns)
        Dye index on the working grid; 0 is clean skeleton of this slab; NaN where unknown.
    chroma : ndarray, shape (n_rows, n_columns, 2)
        ln(R/G) and ln(B/G) less their slow drift.
    depth_mm, across_mm : ndarray
        Centres of the rows and columns of the working grid.
    weights : ndarray, shape (2,)
        Weights of the two log ratios in the index.
    drift : ndarray, shape (n_rows, n_columns, 2)
        What was taken off the log ratios as unstained skeleton.
    pixel_sd : float
        Robust standard deviation of the index of single samples.
    """

    index: FloatArray
    chroma: FloatArray
    depth_mm: FloatArray
    across_mm: FloatArray
    weights: FloatArray
    drift: FloatArray
    pixel_sd: float


def dye_index(light: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, dye: Dye = ALIZARIN, *,
              known: NDArray[np.bool_] | None = None) -> DyeIndex:
    """Index of dye on a grid of rows of about 0.08 mm and columns of 0.5 mm.

    Parameters
    ----------
    light : ndarray, shape (n_depth, n_across, 3)
        Linear light; NaN outside the image or masked.
    depth_mm, across_mm : ndarray, shape (n_depth,) and (n_across,)
        Positions of the samples, equally spaced.
    dye : Dye
        Dye to look for.
    known : ndarray of bool, shape (n_depth, n_across), optional
        Samples that show skeleton, as `usable` tells.

    Returns
    -------
    DyeIndex
        The index and how it was made.

    Notes
    -----
    Light is averaged before the logarithm, so that dark pores, whose colour is mostly
    noise, count little. Clean skeleton is a running median over 25 mm of depth plus the
    median of each column. The weights are those of Fisher's linear discriminant,
    ``w ~ S^-1 t`` with the dye's signature t and the strip's own robust covariance S,
    so that the slab's commonest discolouration counts least; no weight may turn against the dye.

    References
    ----------
    Fisher, R. A. (1936) The use of multiple measurements in taxonomic problems.
    Annals of Eugenics 7, 179-188.
    """
    known = usable(light) if known is None else known
    rows, row_depth = equal_blocks(depth_mm, ROW_MM)
    columns, column_across = block_edges(across_mm, COLUMN_MM)
    chroma = log_ratios(block_sums(np.where(known[..., None], light, 0.0), rows, columns))
    drift = _clean_skeleton(chroma, row_depth)
    flat = chroma - drift
    weights = _weights(flat, dye)
    return DyeIndex(index=flat @ weights, chroma=flat, depth_mm=row_depth, across_mm=column_across, weights=weights,
                    drift=drift, pixel_sd=_pixel_sd(light, known, weights))


def usable(light: FloatArray) -> NDArray[np.bool_]:
    """Which samples show skeleton: known, not dark, not burnt out in all channels.

    Parameters
    ----------
    light : ndarray, shape (n_depth, n_across, 3)
        Linear light.

    Returns
    -------
    ndarray of bool, shape (n_depth, n_across)
        True where colour can be used.
    """
    total = light[..., 0] + light[..., 1] + light[..., 2]
    finite = np.isfinite(total)
    if not finite.any():
        return finite
    # About ten thousand samples give the median well enough.
    median = float(np.median(total[finite][::max(total.size // 10_000, 1)]))
    burnt = total >= 3 * BURNT
    if burnt.any():
        burnt &= (light[..., 0] >= BURNT) & (light[..., 1] >= BURNT) & (light[..., 2] >= BURNT)
    return finite & (total > DARK_FRAC * median) & ~burnt


def log_ratios(light: FloatArray) -> FloatArray:
    """ln(R/G) and ln(B/G) of linear light.

    Parameters
    ----------
    light : ndarray, shape (..., 3)
        Linear light; NaN, or 0 in all channels, where unknown.

    Returns
    -------
    ndarray, shape (..., 2)
        The two log ratios; NaN where unknown.
    """
    known = light.sum(axis=-1) > 0
    logs = np.log(np.maximum(np.where(known[..., None], light, np.nan), FLOOR_FRAC))
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def _clean_skeleton(chroma: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Slow drift of the log ratios with depth, plus each column's own offset."""
    drift = np.empty_like(chroma)
    for c in range(chroma.shape[2]):
        along = running_median(nan_median(chroma[..., c], axis=1), depth_mm, DRIFT_MM)
        across = nan_median(chroma[..., c] - along[:, None], axis=0)
        drift[..., c] = along[:, None] + np.where(np.isfinite(across), across, 0.0)
    return drift


def _weights(flat: FloatArray, dye: Dye) -> FloatArray:
    """Fisher's weights for a dye, of unit gain along its signature."""
    signature = np.array([dye.red_green, dye.blue_green])
    signature /= np.hypot(*signature)
    x = flat[np.isfinite(flat).all(axis=-1)]
    if len(x) < 10:
        return signature
    sd = np.array([robust_sd(ratio, about=0.0) for ratio in x.T]) + 1e-9
    clipped = np.clip(x, -3.0 * sd, 3.0 * sd)
    covariance = clipped.T @ clipped / len(clipped)
    covariance += 0.2 * np.trace(covariance) / 2.0 * np.eye(2) + 1e-12 * np.eye(2)
    weights = np.linalg.solve(covariance, signature)
    sign = np.sign(signature)
    # Neither ratio may count against the dye, nor the lesser one more than the greater: dyes differ in tint.
    weights = sign * np.clip(weights * sign, 0.0, None)
    weights[1] = np.clip(weights[1], -abs(weights[0]), abs(weights[0]))
    if not np.any(weights):
        weights = signature
    return np.asarray(weights / (weights @ signature))


def _pixel_sd(light: FloatArray, known: NDArray[np.bool_], weights: FloatArray) -> float:
    """Robust standard deviation of the index between samples a fifth of a strip apart along the depth."""
    # Neighbours differ by noise and texture; a tenth of the rows is plenty for one number.
    some = slice(None, None, max(len(light) // 200, 1))
    index = log_ratios(np.where(known[some, :, None], light[some], np.nan)) @ weights
    return robust_sd(index[1:] - index[:-1], about=0.0) / float(np.sqrt(2.0))
