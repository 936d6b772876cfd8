"""The curve from intensity to mass per area of coral.

Behind a mass per area ``sigma`` (g/cm2) of a material, under an open beam of exposure ``E0``, arrives::

    E = E0 e^g exp(-A(sigma)) + V,    A = -ln(mean over the spectrum of exp(-(mu/rho) sigma))

``g`` is what the level of the open beam may be off by, ``V`` the veil (see `bandkit.density.veil`), the spectrum
that of a tube with a mean energy and a breadth (`bandkit.density.spectrum`), so that the curve bends as beams harden
and any material can be a standard for coral. What a picture holds is a signal, a curve of the exposure
(`bandkit.density.response`). Both curves always rise.

References
----------
Law of Beer and Lambert; step wedges of aragonite in every exposure: Carricart-Ganivet & Barnes 2007,
J. Exp. Mar. Biol. Ecol. 344, 67-72. Budget of errors, mostly calibration: JAMSTEC Rep. 16, 31-39 (2013).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.materials import Material, coral_skeleton
from bandkit.density.response import Response
from bandkit.density.spectrum import Fading

FloatArray = NDArray[np.float64]

# Numbers of the curve, in the order of the covariance.
NAMES = ("level", "offset_frac", "log_contrast", "toe", "shoulder", "log_kev", "breadth", "strontium_frac", "table")
# What the form of the spectrum costs with real tubes and detectors, as a share of mass per area.
_FORM_SD_FRAC = 0.002
_LEAST_TRANSMISSION = 1e-5
_MOST_G_CM2 = 12.0
_NODES = 1600
_STEP = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """Every number of the curve, and what follows from them without any standard.

    Parameters
    ----------
    response : Response
        From signal to exposure.
    level : float
        ``g``, natural logarithm.
    log_kev, breadth : float
        Mean energy (natural logarithm of keV) and breadth of the spectrum.
    strontium_frac : float
        Strontium in the coral, share of mass.
    table : float
        What the tables of attenuation of other materials than carbonates may be off by against coral, as a fraction.
    """

    response: Response
    level: float = 0.0
    log_kev: float = float(np.log(36.0))
    breadth: float = 1.0
    strontium_frac: float = 0.008
    table: float = 0.0

    def standard_attenuation(self, material: Material, areal_g_cm2: ArrayLike) -> FloatArray:
        """Attenuation by standards of one material.

        Parameters
        ----------
        material : Material
            What they are made of.
        areal_g_cm2 : array_like
            Their mass per area.

        Returns
        -------
        ndarray
            Natural logarithm.
        """
        if material.is_coral:
            material = coral_skeleton(100 * self.strontium_frac)
        off = self.table if material.strontium_wt_pct is None else 0.0
        areal = np.asarray(areal_g_cm2, np.float64) * (1 + off)
        return Fading(material).attenuation(areal, self.log_kev, self.breadth)

    def coral_attenuation(self, areal_g_cm2: ArrayLike) -> FloatArray:
        """Attenuation by coral skeleton.

        Parameters
        ----------
        areal_g_cm2 : array_like
            Mass per area.

        Returns
        -------
        ndarray
            Natural logarithm; goes on straight below 0 and beyond 12 g/cm2.
        """
        return _straight_on(np.asarray(areal_g_cm2, np.float64), *self._nodes)

    def coral_g_cm2(self, attenuation: ArrayLike) -> FloatArray:
        """Mass per area of coral skeleton behind an attenuation.

        Parameters
        ----------
        attenuation : array_like
            Natural logarithm; NaN stays NaN.

        Returns
        -------
        ndarray
            The inverse of `coral_attenuation`.
        """
        areal, bent = self._nodes
        return _straight_on(np.asarray(attenuation, np.float64), bent, areal)

    @cached_property
    def _nodes(self) -> tuple[FloatArray, FloatArray]:
        """Mass per area, closer where it is small, and its attenuation."""
        areal = _MOST_G_CM2 * np.linspace(0.0, 1.0, _NODES) ** 2
        fading = Fading(coral_skeleton(100 * self.strontium_frac))
        return areal, fading.attenuation(areal, self.log_kev, self.breadth)

    def attenuation(self, intensity: ArrayLike, log_beam: ArrayLike, veil: ArrayLike = 0.0) -> FloatArray:
        """Attenuation behind which a signal was measured.

        Parameters
        ----------
        intensity : array_like
            Signal; NaN stays NaN.
        log_beam : array_like
            Natural logarithm of the open beam's exposure at the same places.
        veil : array_like
            Exposure by the veil there.

        Returns
        -------
        ndarray
            Natural logarithm; slightly negative where noise is brighter than the open beam.
        """
        log_open = np.asarray(log_beam, np.float64) + self.level
        exposure = np.exp(self.response.log_exposure(intensity)) - np.asarray(veil, np.float64)
        return np.asarray(-np.log(np.maximum(exposure * np.exp(-log_open), _LEAST_TRANSMISSION)))

    def signal(self, attenuation: ArrayLike, log_beam: ArrayLike, veil: ArrayLike = 0.0) -> FloatArray:
        """Signal behind an attenuation: the inverse of `attenuation`.

        Parameters
        ----------
        attenuation : array_like
            Natural logarithm.
        log_beam, veil : array_like
            Natural logarithm of the open beam's exposure, and exposure by the veil.

        Returns
        -------
        ndarray
            As the picture holds it.
        """
        straight = np.exp(np.asarray(log_beam, np.float64) + self.level - np.asarray(attenuation, np.float64))
        return self.response.signal(np.log(straight + np.asarray(veil, np.float64)))

    def moved(self, name: str, by: float) -> Curve:
        """The curve with one of its numbers changed.

        Parameters
        ----------
        name : str
            One of `NAMES`.
        by : float
            How much is added.

        Returns
        -------
        Curve
            Another one.
        """
        r = self.response
        if name == "log_contrast":
            return replace(self, response=replace(r, contrast=r.contrast * float(np.exp(by))))
        if name in {"offset_frac", "toe", "shoulder"}:
            return replace(self, response=replace(r, **{name: getattr(r, name) + by}))
        return replace(self, **{name: getattr(self, name) + by})

    def numbers(self, names: Sequence[str]) -> FloatArray:
        """Values of some of the numbers.

        Parameters
        ----------
        names : sequence of str
            Of `NAMES`.

        Returns
        -------
        ndarray, shape (n,)
            In that order.
        """
        r = self.response
        known = {"offset_frac": r.offset_frac, "log_contrast": float(np.log(r.contrast)), "toe": r.toe,
                 "shoulder": r.shoulder}
        return np.array([known[n] if n in known else getattr(self, n) for n in names], np.float64)

    def with_numbers(self, names: Sequence[str], values: Sequence[float] | FloatArray) -> Curve:
        """The curve with some of its numbers replaced.

        Parameters
        ----------
        names : sequence of str
            Of `NAMES`.
        values : sequence of float
            In that order.

        Returns
        -------
        Curve
            Another one.
        """
        curve = self
        for name, value, old in zip(names, values, self.numbers(names), strict=True):
            curve = curve.moved(name, float(value) - float(old))
        return curve


def systematic_sd_g_cm2(curve: Curve, names: Sequence[str], covariance: FloatArray, areal_g_cm2: ArrayLike, *,
                        log_beam: ArrayLike, log_sd: ArrayLike = 0.0) -> FloatArray:
    """Standard error of mass per area that is common to a slab.

    Parameters
    ----------
    curve : Curve
        The fitted curve.
    names : sequence of str
        Its fitted numbers.
    covariance : ndarray, shape (n, n)
        Of those.
    areal_g_cm2 : array_like
        Mass per area.
    log_beam : array_like
        Natural logarithm of the open beam's exposure.
    log_sd : array_like
        Standard deviation of the logarithm of exposure there, against the standards: open beam and veil.

    Returns
    -------
    ndarray
        In g/cm2.

    Notes
    -----
    The signal is held fixed while each number is moved: ``d sigma = (d sigma / d theta) d theta``, by differences.
    0.2 % of mass per area is added for spectra that do not have the form of the curve.
    """
    areal, beam = np.broadcast_arrays(np.asarray(areal_g_cm2, np.float64), np.asarray(log_beam, np.float64))
    signal = curve.signal(curve.coral_attenuation(areal), beam)
    # The open beam is seen as a signal too: another response gives it another exposure.
    open_signal = curve.response.signal(beam)
    columns = []
    for name in names:
        both = []
        for sign in (1, -1):
            other = curve.moved(name, sign * _STEP)
            log_open = other.response.log_exposure(open_signal)
            both.append(other.coral_g_cm2(other.attenuation(signal, log_open)))
        columns.append((both[0] - both[1]) / (2 * _STEP))
    gradient = np.stack(columns, axis=-1)
    variance = np.clip(np.einsum("...i,ij,...j->...", gradient, covariance, gradient), 0, None)
    by_level = gradient[..., list(names).index("level")] * np.asarray(log_sd, np.float64)
    return np.asarray(np.sqrt(variance + by_level**2 + (_FORM_SD_FRAC * areal) ** 2))


def _straight_on(x: FloatArray, nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Interpolate, and go on straight beyond both ends."""
    first = (values[1] - values[0]) / (nodes[1] - nodes[0])
    last = (values[-1] - values[-2]) / (nodes[-1] - nodes[-2])
    within = np.interp(x, nodes, values)
    return np.asarray(within + np.minimum(x - nodes[0], 0) * first + np.maximum(x - nodes[-1], 0) * last)
