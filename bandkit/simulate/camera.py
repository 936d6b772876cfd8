"""From reflected or emitted light to the greys of an 8-bit sRGB picture.

Notes
-----
Light is linear until the end: reflectance or emission, times the unevenness of the lamp, blurred by
the lens, with counting noise; then the sRGB transfer function and 8 bits. The lamp stands to one
side: its light falls off smoothly across the picture, and the lens darkens the corners.

References
----------
IEC 61966-2-1:1999 (sRGB): linear below 0.0031308, then 1.055 c^(1/2.4) - 0.055.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

FloatArray = NDArray[np.floating]
Float32Array = NDArray[np.float32]

SRGB_LINEAR_BELOW = 0.0031308


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraDesign:
    """Light, lens and sensor.

    Parameters
    ----------
    light_rgb : tuple of float
        Colour of the light as the picture shows it on white: 1, 1, 1 is a perfect white balance.
    uneven_frac : float
        Fall of the light from the brightest to the darkest corner.
    blur_px : float
        Standard deviation of the lens' blur.
    noise_frac : float
        Noise on white, as a fraction of full scale; it falls with the square root of the light.
    exposure : float
        Linear value that a reflectance of 1 gets in the brightest place.
    """

    light_rgb: tuple[float, float, float] = (1.0, 0.965, 0.90)
    uneven_frac: float = 0.25
    blur_px: float = 0.8
    noise_frac: float = 0.012
    exposure: float = 0.95


def srgb_encode(linear: FloatArray) -> FloatArray:
    """Encode linear light as sRGB.

    Parameters
    ----------
    linear : ndarray
        Linear values; clipped to 0 to 1.

    Returns
    -------
    ndarray
        Encoded values, 0 to 1.
    """
    clipped = np.clip(linear, 0, 1)
    return np.where(clipped <= SRGB_LINEAR_BELOW, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)


def take_picture(light: Float32Array, design: CameraDesign, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Take a picture of a field of reflectance or emission.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Linear reflectance or emission in red, green, blue.
    design : CameraDesign
        Light, lens, sensor.
    rng : numpy.random.Generator
        Source of the noise and of the lamp's place.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        sRGB picture.
    """
    picture = light * np.array(design.light_rgb, dtype=np.float32)
    picture *= (design.exposure * uneven_light(light.shape[:2], design.uneven_frac, rng))[:, :, None]
    picture = ndimage.gaussian_filter(picture, (design.blur_px, design.blur_px, 0), truncate=3.0)
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    picture += design.noise_frac * np.sqrt(np.clip(picture, 0, None) + 0.01) * noise
    return np.rint(255 * srgb_encode(picture)).astype(np.uint8)


def uneven_light(shape: tuple[int, ...], uneven_frac: float, rng: np.random.Generator) -> Float32Array:
    """Brightness of the light across a picture.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    uneven_frac : float
        Fall from the brightest to the darkest place.
    rng : numpy.random.Generator
        Source of the lamp's side.

    Returns
    -------
    ndarray, shape (h, w)
        1 at the brightest, ``1 - uneven_frac`` at the darkest.
    """
    side = rng.uniform(0, 2 * np.pi)
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    dx, dy = x - np.float32(0.6 * np.cos(side)), y - np.float32(0.6 * np.sin(side))
    fall = dx * dx + dy * dy + 0.3 * (x * x + y * y)
    return np.asarray(1 - uneven_frac * (fall - fall.min()) / np.ptp(fall), dtype=np.float32)
