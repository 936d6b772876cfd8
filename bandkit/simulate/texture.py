"""What covers the annual signal: the corallites' own texture, borings, rough edges.

Notes
-----
Texture multiplies density: columns about a corallite wide and a few millimetres long that
follow the corallites, patches several corallites wide, and a fine grain. A boring takes
out the chord of a tube through the slab's thickness, and part of it may be filled again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from bandkit.simulate.colony import SlabDesign

FloatArray = NDArray[np.floating]
Float32Array = NDArray[np.float32]

# Texture is drawn on a grid coarser than the pixels and looked up; the grain is per pixel.
STEP_ACROSS_MM = 0.2
STEP_ALONG_MM = 0.5
# Shares of variance: corallite columns, patches of several corallites, grain.
VARIANCE_SHARES = (0.60, 0.30, 0.10)
PATCH_CORALLITES = 3.0
GRAIN_SIGMA_MM = 0.12
# Share of borings that are wide bivalve crypts.
CRYPT_SHARE = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Boring:
    """A bored tube in the slab: a straight piece of constant radius with round ends.

    Parameters
    ----------
    from_mm, to_mm : tuple of float
        Ends of its centre line, x right and y down.
    radius_mm : float
        Radius of the tube.
    filled_frac : float
        Share of the skeleton's mass that sediment or lining put back.
    """

    from_mm: tuple[float, float]
    to_mm: tuple[float, float]
    radius_mm: float
    filled_frac: float


def texture(design: SlabDesign, radial_mm: FloatArray, across_mm: FloatArray, rng: np.random.Generator) -> Float32Array:
    """Relative departure of density from the band's, by the structure of the skeleton.

    Parameters
    ----------
    design : SlabDesign
        Strength and size of the texture.
    radial_mm, across_mm : ndarray, shape (h, w)
        Coordinates of the pixels along and across growth.
    rng : numpy.random.Generator
        Source of the texture.

    Returns
    -------
    ndarray, shape (h, w)
        Zero mean, standard deviation ``design.texture_frac``.
    """
    columns, patches, grain = (design.texture_frac * float(np.sqrt(share)) for share in VARIANCE_SHARES)
    row0, col0 = float(radial_mm.min()) - 1, float(across_mm.min()) - 1
    shape = (int(np.ptp(radial_mm) / STEP_ALONG_MM) + 8, int(np.ptp(across_mm) / STEP_ACROSS_MM) + 14)
    # A Gaussian of sigma L / 2.5 has a correlation that is gone after about L.
    grid = columns * smooth_noise(shape, design.texture_length_mm / 2.5 / STEP_ALONG_MM,
                                  design.corallite_mm / 2.5 / STEP_ACROSS_MM, rng)
    grid += patches * smooth_noise(shape, 1.5 * design.texture_length_mm / 2.5 / STEP_ALONG_MM,
                                   PATCH_CORALLITES * design.corallite_mm / 2.5 / STEP_ACROSS_MM, rng)
    rows = (radial_mm - row0) / STEP_ALONG_MM
    cols = (across_mm - col0) / STEP_ACROSS_MM
    field = ndimage.map_coordinates(grid, np.stack([rows, cols]), order=1, mode="nearest", output=np.float32)
    sigma_px = GRAIN_SIGMA_MM / design.mm_per_px
    field += grain * smooth_noise(radial_mm.shape, sigma_px, sigma_px, rng)
    return np.asarray(field, dtype=np.float32)


def smooth_noise(shape: tuple[int, ...], sigma_rows: float, sigma_cols: float,
                 rng: np.random.Generator) -> Float32Array:
    """Draw Gaussian noise of unit variance, smooth over the given sizes.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    sigma_rows, sigma_cols : float
        Standard deviations of the smoothing kernel, in samples.
    rng : numpy.random.Generator
        Source of the noise.

    Returns
    -------
    ndarray, shape (rows, cols)
        Smooth noise.
    """
    noise = rng.standard_normal(shape, dtype=np.float32)
    noise = ndimage.gaussian_filter(noise, (sigma_rows, sigma_cols), mode="wrap", truncate=3.0)
    return np.asarray(noise / noise.std(), dtype=np.float32)


def bore(count: int, box_mm: tuple[float, float, float, float], rng: np.random.Generator) -> tuple[Boring, ...]:
    """Draw borings: mostly worm tubes, some wide bivalve crypts.

    Parameters
    ----------
    count : int
        Number of borings.
    box_mm : tuple of float
        x0, y0, x1, y1 that their middles lie in.
    rng : numpy.random.Generator
        Source of size and place.

    Returns
    -------
    tuple of Boring
        The borings.
    """
    borings = []
    for _ in range(count):
        x, y = rng.uniform(box_mm[0], box_mm[2]), rng.uniform(box_mm[1], box_mm[3])
        wide = rng.random() < CRYPT_SHARE
        radius = rng.uniform(2.0, 4.0) if wide else rng.uniform(0.5, 1.2)
        half = rng.uniform(4.0, 10.0) if wide else rng.uniform(4.0, 16.0)
        angle = rng.uniform(0, np.pi)
        dx, dy = half * np.cos(angle), half * np.sin(angle)
        borings.append(Boring(from_mm=(x - dx, y - dy), to_mm=(x + dx, y + dy), radius_mm=radius,
                              filled_frac=rng.uniform(0.0, 0.7)))
    return tuple(borings)


def bored_frac(borings: tuple[Boring, ...], shape: tuple[int, int], design: SlabDesign) -> Float32Array:
    """Share of the slab's mass that borings take out of each pixel.

    Parameters
    ----------
    borings : tuple of Boring
        The tubes, centre line in the slab's middle plane.
    shape : tuple of int
        Rows and columns of the image.
    design : SlabDesign
        Pixel size and thickness.

    Returns
    -------
    ndarray, shape (h, w)
        0 for sound skeleton to 1 for nothing left.
    """
    lost = np.zeros(shape, dtype=np.float32)
    p = design.mm_per_px
    for b in borings:
        (x0, y0), (x1, y1), r = b.from_mm, b.to_mm, b.radius_mm
        rows = slice(max(0, int((min(y0, y1) - r) / p)), max(0, int((max(y0, y1) + r) / p) + 2))
        cols = slice(max(0, int((min(x0, x1) - r) / p)), max(0, int((max(x0, x1) + r) / p) + 2))
        part = lost[rows, cols]
        y, x = np.ogrid[rows.start:rows.start + part.shape[0], cols.start:cols.start + part.shape[1]]
        off2 = _distance2_mm(x * p, y * p, b)
        chord_mm = 2 * np.sqrt(np.clip(r * r - off2, 0, None))
        np.maximum(part, np.minimum(chord_mm / design.thickness_mm, 1.0) * (1 - b.filled_frac), out=part,
                   casting="same_kind")
    return lost


def _distance2_mm(x_mm: FloatArray, y_mm: FloatArray, boring: Boring) -> FloatArray:
    """Squared distance from the centre line of a boring."""
    (x0, y0), (x1, y1) = boring.from_mm, boring.to_mm
    dx, dy = x1 - x0, y1 - y0
    along = np.clip(((x_mm - x0) * dx + (y_mm - y0) * dy) / (dx * dx + dy * dy), 0, 1)
    return np.asarray((x_mm - x0 - along * dx) ** 2 + (y_mm - y0 - along * dy) ** 2)
