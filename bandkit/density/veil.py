"""The veil: what scattered rays and spread light add to every place, from far around it.

Behind dense skeleton the veil is a part of what arrives, behind a small step in the open field as well, but not the
same part: left alone it makes a broad slab look too light or too dense against small steps by several hundredths of a
g/cm3. The exposure is taken to be that of the straight rays plus shares of itself spread out over some millimetres to
some centimetres. How large the shares are is seen where nothing lies in the beam: near the slab the open beam is darker
than the smooth surface of the beam says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Spreads (standard deviation of a bell) whose sum stands for any: close to exponential tails of 8 to 25 mm.
REACHES_MM = (5.0, 14.0, 40.0)
# What each share is before a picture is looked at, how far it may be from that, and how much the shares of neighbouring
# reaches go together, as light and rays that spread fade smoothly with distance: veils are 1 to 10 % in all.
VEIL_MEAN, VEIL_SD, VEIL_TOGETHER = 0.01, 0.015, 0.8
# The maps are as coarse as this many cells along the longer side: veils are smooth.
_CELLS = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VeilMaps:
    """Exposure spread out, by each of the reaches.

    Parameters
    ----------
    maps : ndarray, shape (n_reaches, h, w)
        In units of exposure.
    cell_px : float
        Pixels of the image per value.
    """

    maps: FloatArray
    cell_px: float

    def at(self, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
        """Exposure spread out, at some places.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.

        Returns
        -------
        ndarray, shape (..., n_reaches)
            Linear between cells.
        """
        from scipy import ndimage  # measuring needs it, asking for help does not

        places_px = (np.asarray(v, np.float64) for v in (y_px, x_px))
        rows, cols = np.broadcast_arrays(*((v + 0.5) / self.cell_px - 0.5 for v in places_px))
        places = np.stack([rows.ravel(), cols.ravel()])
        values = [ndimage.map_coordinates(m, places, order=1, mode="nearest").reshape(rows.shape) for m in self.maps]
        return np.stack(values, axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Veil:
    """The veil over an image.

    Parameters
    ----------
    spread : VeilMaps
        Exposure spread out.
    shares : ndarray, shape (n_reaches,)
        Of each in what arrives.
    covariance : ndarray, shape (n_reaches, n_reaches)
        Of the shares.
    """

    spread: VeilMaps
    shares: FloatArray
    covariance: FloatArray

    @property
    def frac(self) -> float:
        """All shares together."""
        return float(self.shares.sum())

    @property
    def frac_sd(self) -> float:
        """Standard deviation of all shares together."""
        return float(np.sqrt(max(self.covariance.sum(), 0.0)))

    @property
    def method(self) -> str:
        """One sentence for the methods paragraph."""
        return (f"A veil of {100 * self.frac:.1f} % of the exposure (standard deviation {100 * self.frac_sd:.1f} %), "
                "scattered rays and spread light, was taken off.")

    def exposure(self, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
        """Exposure by the veil alone.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.

        Returns
        -------
        ndarray
            Shape of the positions.
        """
        return np.asarray(self.spread.at(x_px, y_px) @ self.shares)

    def log_sd(self, x_px: ArrayLike, y_px: ArrayLike, straight: ArrayLike, log_beam: ArrayLike, *,
               relative_to_px: tuple[float, float], log_beam_there: float) -> FloatArray:
        """Standard deviation of the logarithm of the straight rays' exposure, for not knowing the veil.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.
        straight : array_like
            Exposure by the straight rays there.
        log_beam : array_like
            Logarithm of the open beam there.
        relative_to_px : tuple of float
            Middle of the standards: a veil that is the same share of the open beam here and there is none to the curve,
            which has an offset of its own.
        log_beam_there : float
            Logarithm of the open beam at that place.

        Returns
        -------
        ndarray
            Shape of the positions.
        """
        there = self.spread.at(*relative_to_px) / np.exp(log_beam_there)
        more = self.spread.at(x_px, y_px) - there * np.exp(np.asarray(log_beam, np.float64))[..., None]
        ratio = more / np.maximum(np.asarray(straight, np.float64), 1e-12)[..., None]
        return np.asarray(np.sqrt(np.clip(np.einsum("...i,ij,...j->...", ratio, self.covariance, ratio), 0, None)))


def spread_out(exposure: ArrayLike, cell_px: float, mm_per_px: float) -> VeilMaps:
    """Spread the exposure of a reduced image over the reaches of veils.

    Parameters
    ----------
    exposure : array_like, shape (h, w)
        Exposure, as means over cells; NaN is filled with the median.
    cell_px : float
        Pixels of the image per cell.
    mm_per_px : float
        Scale of the image.

    Returns
    -------
    VeilMaps
        Outside the image the field is taken to go on as at its rim.
    """
    from scipy import ndimage

    from bandkit.images.blocks import block_means

    field = np.asarray(exposure, np.float64)
    shrink = max(1, -(-max(field.shape) // _CELLS))
    small = block_means(field.astype(np.float32), shrink).astype(np.float64)
    small = np.where(np.isfinite(small), small, np.nanmedian(small) if np.isfinite(small).any() else 0.0)
    size_mm = cell_px * shrink * mm_per_px
    maps = [ndimage.gaussian_filter(small, reach / size_mm, mode="nearest", truncate=3.0) for reach in REACHES_MM]
    return VeilMaps(maps=np.array(maps), cell_px=cell_px * shrink)


def usual_veil(spread: VeilMaps) -> Veil:
    """Take the veil that is usual, where nothing shows it.

    Parameters
    ----------
    spread : VeilMaps
        Exposure spread out.

    Returns
    -------
    Veil
        3 %, with the doubt that befits a guess.
    """
    n = len(spread.maps)
    return Veil(spread=spread, shares=np.full(n, VEIL_MEAN), covariance=usual_covariance(n))


def usual_covariance(n_reaches: int) -> FloatArray:
    """Covariance of the shares before a picture is looked at.

    Parameters
    ----------
    n_reaches : int
        Number of reaches.

    Returns
    -------
    ndarray, shape (n_reaches, n_reaches)
        Closer reaches go together more.
    """
    apart = np.abs(np.subtract.outer(np.arange(n_reaches), np.arange(n_reaches)))
    return np.asarray(VEIL_SD**2 * VEIL_TOGETHER**apart)
