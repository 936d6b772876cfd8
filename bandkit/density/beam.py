"""The open beam: a smooth surface of its logarithm over the image.

An X-ray tube does not light the detector evenly. Intensity falls towards the anode (heel effect),
with the square of the distance and the obliquity of the ray (together ``cos^3`` on a flat
detector). What would have arrived at each pixel with nothing in the beam is estimated from places
where nothing is, by a polynomial of third order in x and y of the logarithm of intensity.

The coefficients have a prior, as wide as tubes are known to differ, so that patches on one side of the slab support
no more than they can: where the open beam says little, the standard deviation of the surface grows to what beams
in general do, and a flag says so. What tubes do is drawn from a model of them (`usual_tubes`): absorption in an
anode that rays leave ever flatter, inverse square and obliquity.

Uniform bars laid along the anode-cathode axis show the beam too, but for a level of their own. The veil
(`bandkit.density.veil`) is told together with the surface.

References
----------
Heel effect up to +/-12 % over a 14 x 17 inch film at 36 inch: ndtfolks.wordpress.com.
Dividing a radiograph of coral by a surface fitted to its background: Duprey et al. 2012,
J. Exp. Mar. Biol. Ecol. 438, 84-92.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.slab import beam_error_g_cm3
from bandkit.density.tubes import POWERS, terms, usual_tubes
from bandkit.flags import Flag

FloatArray = NDArray[np.float64]

# Standard deviation (natural log) of the beam's level where nothing shows it.
UNKNOWN_LEVEL_SD = 0.5
# Above this uncertainty of the beam (natural log) density drifts by more than 0.03 g/cm3 on a 7 mm slab at 40 keV.
_SUPPORTED_SD = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeamSamples:
    """Intensity at places with nothing in the beam.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n,)
        Where, in pixels of the image.
    intensity : ndarray, shape (n,)
        Intensity that arrived.
    source : str
        "patches" given by a person, "background" found by the program or "bars".
    bar : ndarray of int or None, shape (n,)
        Number of the uniform bar that each lies on, from 1; 0 with nothing in the beam, as for all where None.
    """

    x_px: FloatArray
    y_px: FloatArray
    intensity: FloatArray
    source: str = "patches"
    bar: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        """Number of samples."""
        return len(self.intensity)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beam:
    """Logarithm of the open beam's intensity as a surface over the image.

    Parameters
    ----------
    coefficients : ndarray, shape (10,)
        Of the terms 1, x, y, x2, xy, y2, x3, x2y, xy2, y3 with x and y scaled.
    covariance : ndarray, shape (10, 10)
        Of the coefficients.
    centre_px : tuple of float
        Where the scaled x and y are 0.
    half_px : float
        Pixels per unit of scaled x and y.
    residual_frac : float
        Scatter of the open beam about the surface, as a fraction of intensity; NaN without samples.
    n_samples : int
        Samples that it rests on; 0 where the beam is taken as even.
    method : str
        One sentence for the methods paragraph; empty where the beam was not corrected.
    """

    coefficients: FloatArray
    covariance: FloatArray
    centre_px: tuple[float, float]
    half_px: float
    residual_frac: float
    n_samples: int
    method: str

    def log_intensity(self, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
        """Natural logarithm of the open beam's intensity.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.

        Returns
        -------
        ndarray
            Shape of the positions.
        """
        x, y = self._scaled(x_px, y_px)
        a = dict(zip(POWERS, self.coefficients, strict=True))
        # Horner's scheme: this runs over every pixel of a strip.
        in_y = a[0, 0] + y * (a[0, 1] + y * (a[0, 2] + y * a[0, 3]))
        in_xy = a[1, 0] + y * (a[1, 1] + y * a[1, 2])
        return np.asarray(in_y + x * (in_xy + x * (a[2, 0] + a[2, 1] * y + x * a[3, 0])))

    def log_sd(self, x_px: ArrayLike, y_px: ArrayLike, *,
               relative_to_px: tuple[float, float] | None = None) -> FloatArray:
        """Standard deviation of `log_intensity`, or of its difference from another place.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions in pixels, any one shape.
        relative_to_px : tuple of float, optional
            The other place, such as the middle of the standards: what is common to both cancels.

        Returns
        -------
        ndarray
            Shape of the positions; holds the uncertainty of the surface and its misfit.
        """
        here = terms(*self._scaled(x_px, y_px))
        if relative_to_px is not None:
            here = here - terms(*self._scaled(*relative_to_px))
        variance = np.einsum("...i,ij,...j->...", here, self.covariance, here)
        return np.asarray(np.sqrt(np.clip(variance, 0, None) + np.nan_to_num(self.residual_frac) ** 2))

    def flags(self, x_px: ArrayLike, y_px: ArrayLike, *, relative_to_px: tuple[float, float] | None = None,
              attenuation_cm2_g: float = 0.88, thickness_mm: float = 7.0) -> tuple[Flag, ...]:
        """Tell whether the open beam supports the surface at these places of the slab.

        Parameters
        ----------
        x_px, y_px : array_like
            Positions on the slab, in pixels; a few hundred are enough.
        relative_to_px : tuple of float, optional
            Middle of the standards.
        attenuation_cm2_g, thickness_mm : float
            Of the slab, to say what the doubt is worth in density.

        Returns
        -------
        tuple of Flag
            "beam-not-corrected" or "beam-not-supported"; empty where all is well.
        """
        worst = float(np.max(self.log_sd(x_px, y_px, relative_to_px=relative_to_px), initial=0.0))
        cost = float(beam_error_g_cm3(np.exp(worst), attenuation_cm2_g, thickness_mm))
        detail = f"open beam known to {100 * worst:.1f} % at the worst place of the slab, about {cost:.2f} g/cm3"
        if worst <= _SUPPORTED_SD:
            return ()
        return (Flag(code="beam-not-supported" if self.n_samples else "beam-not-corrected", detail=detail),)

    def _scaled(self, x_px: ArrayLike, y_px: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Positions in units of the image's half side."""
        x = (np.asarray(x_px, np.float64) - self.centre_px[0]) / self.half_px
        y = (np.asarray(y_px, np.float64) - self.centre_px[1]) / self.half_px
        return x, y


def even_beam(intensity: float, *, shape: tuple[int, int], known: bool = False) -> Beam:
    """Take the beam as even, for want of open beam or where the image has none, as in CT.

    Parameters
    ----------
    intensity : float
        Intensity with nothing in the beam; a guess such as the brightest place of the image will do
        where there are at least two standards.
    shape : tuple of int
        Rows and columns of the image.
    known : bool
        True where the beam is known to be even, as in CT, where ``intensity`` is 1. Else the standard
        deviation is what beams in general do.

    Returns
    -------
    Beam
        An even surface with ``n_samples`` 0.
    """
    centre, half = frame(shape)
    coefficients = np.zeros(len(POWERS))
    coefficients[0] = np.log(intensity)
    covariance = usual_tubes()[1].copy()
    covariance[0, 0] = UNKNOWN_LEVEL_SD**2
    if known:
        covariance = np.zeros_like(covariance)
    return Beam(coefficients=coefficients, covariance=covariance, centre_px=centre, half_px=half,
                residual_frac=float("nan"), n_samples=0, method="")


def patch_samples(intensity: ArrayLike, x0_px: int, y0_px: int, *, cells: int = 8) -> BeamSamples:
    """Samples of the open beam from one patch that a person marked.

    Parameters
    ----------
    intensity : array_like, shape (h, w)
        Intensity in the patch.
    x0_px, y0_px : int
        Position of its first pixel.
    cells : int
        Samples per side; fewer where the patch is smaller.

    Returns
    -------
    BeamSamples
        The medians of up to ``cells x cells`` parts of the patch.
    """
    patch = np.asarray(intensity, np.float64)
    height, width = patch.shape
    rows = np.linspace(0, height, min(cells, height) + 1).astype(int)
    cols = np.linspace(0, width, min(cells, width) + 1).astype(int)
    samples = [((c0 + c1 - 1) / 2, (r0 + r1 - 1) / 2, np.median(patch[r0:r1, c0:c1]))
               for r0, r1 in pairwise(rows)
               for c0, c1 in pairwise(cols)]
    x, y, values = np.array(samples, dtype=np.float64).reshape(-1, 3).T
    return BeamSamples(x_px=x + x0_px, y_px=y + y0_px, intensity=values)


def bar_samples(intensity: ArrayLike, x0_px: int, y0_px: int, *, number: int, cells: int = 40) -> BeamSamples:
    """Samples along a uniform bar that shows the beam's fall-off.

    Parameters
    ----------
    intensity : array_like, shape (h, w)
        Intensity in a box within the bar.
    x0_px, y0_px : int
        Position of its first pixel.
    number : int
        Of the bar, from 1: each has a level of its own.
    cells : int
        Samples along its longer side.

    Returns
    -------
    BeamSamples
        Medians of the parts of the bar.
    """
    along = patch_samples(intensity, x0_px, y0_px, cells=cells)
    return BeamSamples(x_px=along.x_px, y_px=along.y_px, intensity=along.intensity, source="bars",
                       bar=np.full(len(along), number, np.int64))


def join_samples(samples: Sequence[BeamSamples]) -> BeamSamples:
    """Put samples of several patches together.

    Parameters
    ----------
    samples : sequence of BeamSamples
        At least one.

    Returns
    -------
    BeamSamples
        All of them, with the source of the first.
    """
    return BeamSamples(x_px=np.concatenate([s.x_px for s in samples]), y_px=np.concatenate([s.y_px for s in samples]),
                       intensity=np.concatenate([s.intensity for s in samples]), source=samples[0].source,
                       bar=np.concatenate([np.zeros(len(s), np.int64) if s.bar is None else s.bar for s in samples]))


def frame(shape: tuple[int, int]) -> tuple[tuple[float, float], float]:
    """Centre of an image, and half of its longer side.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    centre_px : tuple of float
        Its x and y.
    half_px : float
        Half of the longer side.
    """
    height, width = shape
    return ((width - 1) / 2, (height - 1) / 2), max(height, width, 2) / 2
