"""Luminescent lines: an index free of illumination, and its annual value.

Under ultraviolet light skeleton glows blue, and green where humic matter from rivers
was built in. The ratio of green to blue follows the humic matter; what the lamp and the
skeleton's density do to both channels alike cancels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import InputError
from bandkit.stain import linear_light
from bandkit.stain.colour import Encoding, linear_values

FloatArray = NDArray[np.float64]

# Channels that differ by less than this share of full scale everywhere are a grey picture stored as colour.
GREY_FRAC = 1e-3
# Places darker than this share of the bright ones (their 95th percentile) are background or cracks: nothing but noise.
LIT_FRAC = 0.03


def luminescence_index(values: FloatArray, *, full_scale: float, encoding: Encoding = "srgb",
                       dark: float | tuple[float, float, float] = 0.0, flatten_px: int = 201) -> FloatArray:
    """Luminescence index of an image or strip.

    Parameters
    ----------
    values : ndarray, shape (h, w, 3) or (h, w)
        Native values of a picture taken under ultraviolet light; NaN where unknown.
    full_scale : float
        Native value of white, such as 255.
    encoding : {"srgb", "linear"}
        How native values code light.
    dark : float or three floats
        Native value of a picture taken with the lamp off, for all channels or each.
    flatten_px : int
        Grey pictures only: rows and columns over which the local mean is taken.

    Returns
    -------
    ndarray, shape (h, w)
        Green over blue; for grey pictures grey over its local mean. NaN where
        unknown, where there is no light above dark, and of colours where it is lost in the noise
        (below `LIT_FRAC` of the bright places).

    Raises
    ------
    InputError
        When the shape is not that of a picture, or full scale is not positive.

    Notes
    -----
    ``G / B`` of linear, dark-subtracted light. A grey picture has no such ratio: its index is
    ``exp(ln g - mean ln g)``, flattened only as far as light changes slowly over the window.

    References
    ----------
    Grove, C. A. et al. (2010) River runoff reconstructions from novel spectral
    luminescence scanning of massive coral skeletons. Coral Reefs 29, 579-591.
    """
    image = np.asarray(values, dtype=np.float64)
    lamp_off = linear_values(np.asarray(dark, dtype=np.float64), full_scale=full_scale, encoding=encoding)
    if image.ndim == 2:
        grey = linear_values(image, full_scale=full_scale, encoding=encoding)
        return _flattened(grey - lamp_off.mean(), flatten_px)
    light = linear_light(image, full_scale=full_scale, encoding=encoding) - lamp_off
    spread = np.abs(image - image[..., :1])
    if not np.any(spread[np.isfinite(spread)] > GREY_FRAC * full_scale):
        return _flattened(light[..., 1], flatten_px)
    green, blue = light[..., 1], light[..., 2]
    lit = (green > _least_light(green)) & (blue > _least_light(blue))
    return np.where(lit, green, np.nan) / np.where(lit, blue, np.nan)


def emission_index(emission: FloatArray, reflectance: FloatArray) -> FloatArray:
    """Luminescence index of two readings at the same places: emission over reflectance.

    Parameters
    ----------
    emission : ndarray
        Light of 490 nm that the skeleton gives off under ultraviolet light of 390 nm; linear, dark reading taken off.
    reflectance : ndarray, same shape
        Light of 490 nm that the same places throw back under a lamp of that colour; linear, dark reading taken off.

    Returns
    -------
    ndarray, same shape
        NaN where either is unknown or not above dark.

    Raises
    ------
    InputError
        When the two are not of one shape.

    Notes
    -----
    Light that the skeleton's density scatters or swallows is lost to both alike and cancels.

    References
    ----------
    Barnes, D. J., Taylor, R. B., Lough, J. M. (2003) Measurement of luminescence in coral skeletons.
    Journal of Experimental Marine Biology and Ecology 295, 91-106.
    """
    given, thrown_back = np.asarray(emission, dtype=np.float64), np.asarray(reflectance, dtype=np.float64)
    if given.shape != thrown_back.shape:
        msg = f"reflectance: must be of the shape of emission, {given.shape}, got {thrown_back.shape}"
        raise InputError(msg)
    lit = (given > 0) & (thrown_back > 0)
    return np.where(lit, given, np.nan) / np.where(lit, thrown_back, np.nan)


def annual_luminescence(depth_mm: FloatArray, index: FloatArray, line_depth_mm: FloatArray) -> FloatArray:
    """Annual value: summer maximum less the minimum of the winter before it.

    Parameters
    ----------
    depth_mm, index : ndarray, shape (n,)
        Profile of the luminescence index; depth grows inwards, so later depths are earlier in time.
    line_depth_mm : ndarray, shape (n_lines,)
        Depths of the annual luminescent lines, outermost (newest) first.

    Returns
    -------
    ndarray, shape (n_lines,)
        Value of the year of each line; NaN for the innermost line, which has no winter before it on the track.

    Raises
    ------
    InputError
        When the lines are not in order of depth.

    Notes
    -----
    The maximum is looked for from halfway to the newer to halfway to the older line, the
    minimum between the maximum and the next older line.

    References
    ----------
    Lough, J. M. (2011) Measured coral luminescence as a freshwater proxy: comparison
    with visual indices and a potential age artefact. Coral Reefs 30, 169-182.
    """
    lines = np.asarray(line_depth_mm, dtype=np.float64)
    if np.any(np.diff(lines) <= 0):
        msg = f"line_depth_mm: must increase from the outermost line inwards, got {lines.tolist()}"
        raise InputError(msg)
    out = np.full(len(lines), np.nan)
    for k in range(len(lines) - 1):
        half_out = 0.5 * (lines[k] - (lines[k - 1] if k else lines[k] - (lines[k + 1] - lines[k])))
        summer = (depth_mm >= lines[k] - half_out) & (depth_mm <= 0.5 * (lines[k] + lines[k + 1])) & np.isfinite(index)
        if not summer.any():
            continue
        peak = float(depth_mm[summer][np.argmax(index[summer])])
        winter = (depth_mm >= peak) & (depth_mm <= lines[k + 1]) & np.isfinite(index)
        out[k] = float(index[summer].max() - index[winter].min())
    return out


def _least_light(light: FloatArray) -> float:
    """Light below which a place is not lit."""
    known = light[np.isfinite(light)]
    return max(LIT_FRAC * float(np.quantile(known, 0.95)), 0.0) if known.size else 0.0


def _flattened(grey: FloatArray, window_px: int) -> FloatArray:
    """Grey over its local geometric mean."""
    logs = np.log(np.where(grey > 0, grey, np.nan))
    known = np.isfinite(logs)
    total = _box_sum(np.where(known, logs, 0.0), window_px)
    count = _box_sum(known.astype(np.float64), window_px)
    return np.asarray(np.exp(logs - total / np.maximum(count, 1.0)))


def _box_sum(values: FloatArray, window_px: int) -> FloatArray:
    """Sum over a square window about each pixel, cut off at the borders."""
    half = max(window_px // 2, 1)
    for axis in (0, 1):
        n = values.shape[axis]
        zero = np.zeros_like(np.take(values, [0], axis=axis))
        running = np.concatenate([zero, np.cumsum(values, axis=axis)], axis=axis)
        low, high = np.clip(np.arange(n) - half, 0, n), np.clip(np.arange(n) + half + 1, 0, n)
        values = np.take(running, high, axis=axis) - np.take(running, low, axis=axis)
    return values
