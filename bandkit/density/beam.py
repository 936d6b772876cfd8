"""The open beam: a smooth surface of its logarithm over the image.

An X-ray tube does not light the detector evenly. Intensity falls towards the anode (heel effect),
with the square of the distance and the obliquity of the ray (together ``cos^3`` on a flat
detector). What would have arrived at each pixel with nothing in the beam is estimated from places
where nothing is, by a polynomial of third order in x and y of the logarithm of intensity.

Each coefficient has a prior of mean zero, as wide as tubes are known to differ, so that patches
on one side of the slab support no more than they can: where the open beam says little, the
standard deviation of the surface grows to what beams in general do, and a flag says so.

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
from bandkit.flags import Flag
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]

# Powers of x and y in the surface, with x and y running over about -1..1.
_POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
# How far the terms of each order may be expected to depart from zero (natural log of intensity):
# a heel effect of 20-25 % across the image is about 0.12 in the first order and 0.05 in the second.
_PRIOR_SD = {0: 100.0, 1: 0.15, 2: 0.08, 3: 0.02}
# Samples are put together in this many cells per side, so that a large patch does not outvote a small one.
_CELLS = 20
_MIN_RESIDUAL = 5e-4
# Standard deviation (natural log) of the beam's level where nothing shows it.
_UNKNOWN_LEVEL_SD = 0.5
# A misfit of the surface is common to about this many neighbouring cells, so they count as one.
_CELLS_TOGETHER = 4
_TUKEY = 4.685
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
        "patches" given by a person or "background" found by the program.
    """

    x_px: FloatArray
    y_px: FloatArray
    intensity: FloatArray
    source: str = "patches"

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
        a = dict(zip(_POWERS, self.coefficients, strict=True))
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
        terms = _terms(*self._scaled(x_px, y_px))
        if relative_to_px is not None:
            terms = terms - _terms(*self._scaled(*relative_to_px))
        variance = np.einsum("...i,ij,...j->...", terms, self.covariance, terms)
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


def fit_beam(x_px: ArrayLike, y_px: ArrayLike, intensity: ArrayLike, *, shape: tuple[int, int]) -> Beam:
    """Fit the smooth surface of the open beam.

    Parameters
    ----------
    x_px, y_px : array_like, shape (n,)
        Places with nothing in the beam, in pixels.
    intensity : array_like, shape (n,)
        Intensity that arrived there; samples that are not positive are left out.
    shape : tuple of int
        Rows and columns of the image.

    Returns
    -------
    Beam
        The surface; even, and with a standard deviation to match, where there are no samples.

    Notes
    -----
    Medians of the samples in a grid of 20 x 20 cells are fitted by least squares with Tukey's
    biweight (iterated), and with priors on the coefficients:
    ``C = (A' W A / v + P)^-1, a = C A' W ln I / v`` with ``v`` four times the robust variance of the
    cells about the surface, since its misfit is common to neighbouring cells.
    """
    x, y, values = (np.asarray(a, np.float64).ravel() for a in (x_px, y_px, intensity))
    good = np.isfinite(values) & (values > 0)
    if not good.any():
        return even_beam(1.0, shape=shape)
    centre, half = _frame(shape)
    cell_x, cell_y, cell_log = _cell_medians(x[good], y[good], np.log(values[good]), shape)
    terms = _terms((cell_x - centre[0]) / half, (cell_y - centre[1]) / half)
    coefficients, covariance, residual = _robust_fit(terms, cell_log)
    n = int(good.sum())
    method = (f"The open beam was modelled as a third-order surface of the logarithm of intensity, fitted to "
              f"{n} samples of open beam with a scatter of {100 * residual:.2f} %.")
    return Beam(coefficients=coefficients, covariance=covariance, centre_px=centre, half_px=half,
                residual_frac=residual, n_samples=n, method=method)


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
    centre, half = _frame(shape)
    coefficients = np.zeros(len(_POWERS))
    coefficients[0] = np.log(intensity)
    sd = np.array([_UNKNOWN_LEVEL_SD if i + j == 0 else _PRIOR_SD[i + j] for i, j in _POWERS])
    covariance = np.zeros((len(_POWERS), len(_POWERS))) if known else np.diag(sd**2)
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
                       intensity=np.concatenate([s.intensity for s in samples]), source=samples[0].source)


def flat_detector_falloff(distance_mm: ArrayLike, source_to_detector_mm: float) -> FloatArray:
    """Intensity of a point source on a flat detector, relative to the foot of the beam.

    Parameters
    ----------
    distance_mm : array_like
        Distance on the detector from the point straight below the source, in mm.
    source_to_detector_mm : float
        Distance of the source from the detector, in mm.

    Returns
    -------
    ndarray
        ``cos^3(theta)`` with ``tan(theta) = distance / source_to_detector``.
    """
    tangent = np.asarray(distance_mm, np.float64) / source_to_detector_mm
    return np.asarray((1 + tangent**2) ** -1.5)


def _frame(shape: tuple[int, int]) -> tuple[tuple[float, float], float]:
    """Centre of an image, and half of its longer side."""
    height, width = shape
    return ((width - 1) / 2, (height - 1) / 2), max(height, width, 2) / 2


def _terms(x: FloatArray, y: FloatArray) -> FloatArray:
    """The polynomial's terms along a last axis."""
    return np.stack([x**i * y**j for i, j in _POWERS], axis=-1)


def _cell_medians(x: FloatArray, y: FloatArray, values: FloatArray,
                  shape: tuple[int, int]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean position and median value of the samples in each occupied cell of a grid."""
    cell_px = max(shape) / _CELLS
    cell = (y // cell_px).astype(int) * (_CELLS + 1) + (x // cell_px).astype(int)
    order = np.argsort(cell, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(cell[order])) + 1)
    return (np.array([x[g].mean() for g in groups]), np.array([y[g].mean() for g in groups]),
            np.array([np.median(values[g]) for g in groups]))


def _robust_fit(terms: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Coefficients, covariance and robust scatter of a polynomial with priors."""
    orders = [i + j for i, j in _POWERS]
    prior = np.diag([_PRIOR_SD[order] ** -2.0 for order in orders])
    level = float(np.median(values))
    weights = np.ones(len(values))
    scatter = 0.003
    for _ in range(12):
        weighted = terms * weights[:, None] / (_CELLS_TOGETHER * scatter**2)
        covariance: FloatArray = np.asarray(np.linalg.inv(terms.T @ weighted + prior), np.float64)
        coefficients = covariance @ (weighted.T @ (values - level))
        residual = values - level - terms @ coefficients
        robust = robust_sd(residual, about=0.0)
        # Few cells follow the surface too well to show its misfit.
        scatter = max(robust, _MIN_RESIDUAL) if len(values) > len(_POWERS) else max(robust, 0.003)
        weights = np.clip(1 - (residual / (_TUKEY * scatter)) ** 2, 0, None) ** 2
    coefficients[0] += level
    return coefficients, covariance, scatter
