"""The curve from intensity to mass per area.

A standard of mass per area ``sigma`` (g/cm2, as CaCO3) under an open beam ``I0`` gives::

    I = b + (I0 e^g - b) exp(-mu sigma (1 + k sigma))

``mu`` is the effective mass attenuation coefficient, ``k`` the curvature by beam hardening
(usually negative: what is left of the beam is harder), ``b`` a constant offset (of the detector, of the
digitising, of even scatter) and ``g`` what the level of the open beam may be off by.

References
----------
Law of Beer and Lambert; step wedges of aragonite in every exposure: Carricart-Ganivet & Barnes 2007,
J. Exp. Mar. Biol. Ecol. 344, 67-72. Budget of errors, mostly calibration: JAMSTEC Rep. 16, 31-39 (2013).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.attenuation import effective_energy_kev
from bandkit.density.beam import Beam
from bandkit.density.grey import Values
from bandkit.density.standards import StandardSamples
from bandkit.flags import Flag
from bandkit.results import CalibrationResult

FloatArray = NDArray[np.float64]

# How far offset (share of the open beam) and curvature (cm2/g) may be expected to depart from zero. A grey that is
# linear in optical density or Hounsfield units has no offset in intensity; film bends more than the beam does.
OFFSET_SD = {"intensity": 0.10, "optical-density": 1e-6, "hounsfield": 1e-6}
CURVATURE_SD = {"intensity": 0.10, "optical-density": 0.30, "hounsfield": 0.15}
# The curve must rise up to this multiple of the thickest standard; beyond, it goes on as a straight line.
MONOTONE_TO = 1.25
_POOR_FRAC = 0.03
_OUTSIDE_FRAC = 0.05
_FEW_STANDARDS = 4
_LEAST_TRANSMISSION = 1e-5
_CURVE_POINTS = 61
_UNITS_IN_WORDS = {"intensity": "intensity", "optical-density": "optical density", "hounsfield": "Hounsfield units"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """The fitted curve from intensity to mass per area.

    Parameters
    ----------
    standards : StandardSamples
        What it rests on.
    reference : float
        Intensity of the open beam at the standards; the unit of ``offset_frac``.
    level_log, offset_frac, attenuation_cm2_g, curvature_cm2_g : float
        ``g``, ``b / reference``, ``mu`` and ``k`` of the equation above. ``mu`` is in units of the image
        where greys are optical density or Hounsfield units.
    covariance : ndarray, shape (4, 4)
        Of ``g``, ``b``, ``ln mu`` and ``k``.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in.
    residual_g_cm2 : ndarray, shape (n_standards,)
        Stated minus fitted mass per area.
    """

    standards: StandardSamples
    reference: float
    level_log: float
    offset_frac: float
    attenuation_cm2_g: float
    curvature_cm2_g: float
    covariance: FloatArray
    values: Values
    residual_g_cm2: FloatArray

    def areal_density_g_cm2(self, intensity: ArrayLike, log_beam: ArrayLike) -> FloatArray:
        """Mass per area behind which an intensity was measured.

        Parameters
        ----------
        intensity : array_like
            Intensity that arrived; NaN stays NaN.
        log_beam : array_like
            Logarithm of the open beam at the same places.

        Returns
        -------
        ndarray
            In g/cm2 as CaCO3; slightly negative where noise is brighter than the open beam.

        Notes
        -----
        Exact inversion of the quadratic in the exponent. Beyond 1.25 times the thickest
        standard the curve goes on along its tangent.
        """
        attenuation = self.attenuation(intensity, log_beam)
        mu, k = self.attenuation_cm2_g, self.curvature_cm2_g
        root = np.sqrt(np.clip(mu**2 + 4 * mu * k * attenuation, 1e-12 * mu**2, None))
        areal = 2 * attenuation / (mu + root)
        if k >= 0:
            return areal
        last = MONOTONE_TO * float(self.standards.areal_density_g_cm2.max())
        at_last, slope = mu * last * (1 + k * last), mu * (1 + 2 * k * last)
        return np.where(attenuation > at_last, last + (attenuation - at_last) / slope, areal)

    def attenuation(self, intensity: ArrayLike, log_beam: ArrayLike) -> FloatArray:
        """Attenuation (natural log) with offset and level of the beam corrected.

        Parameters
        ----------
        intensity, log_beam : array_like
            Intensity that arrived, and logarithm of the open beam there.

        Returns
        -------
        ndarray
            ``ln((I0 e^g - b) / (I - b))``.
        """
        offset = self.offset_frac * self.reference
        net = np.asarray(intensity, np.float64) - offset
        open_net = np.exp(np.asarray(log_beam, np.float64) + self.level_log) - offset
        return -np.log(np.clip(net / open_net, _LEAST_TRANSMISSION, None))

    def areal_density_sd_g_cm2(self, areal_g_cm2: ArrayLike, *, log_beam: ArrayLike | None = None,
                               beam_log_sd: ArrayLike = 0.0) -> FloatArray:
        """Systematic standard error of mass per area, common to the slab.

        Parameters
        ----------
        areal_g_cm2 : array_like
            Mass per area.
        log_beam : array_like, optional
            Logarithm of the open beam there; as at the standards where absent. An offset that is not known
            well costs more the more the beam differs.
        beam_log_sd : array_like
            Standard deviation of the logarithm of the open beam there, against the standards.

        Returns
        -------
        ndarray
            In g/cm2. Noise of pixels is not in it.

        Notes
        -----
        From the covariance of the parameters, with intensity held fixed:
        ``d sigma = -(dI/d theta) / (dI/d sigma) d theta``.
        """
        areal = np.asarray(areal_g_cm2, np.float64)
        theta = np.array([self.level_log, self.offset_frac, np.log(self.attenuation_cm2_g), self.curvature_cm2_g])
        beam = 0.0 if log_beam is None else np.asarray(log_beam, np.float64) - np.log(self.reference)
        areal, beam = np.broadcast_arrays(areal, beam)
        _, jacobian, slope = intensity_model(theta, areal, beam)
        gradient = jacobian / slope[..., None]
        variance = np.einsum("...i,ij,...j->...", gradient, self.covariance, gradient)
        return np.asarray(np.sqrt(variance + (gradient[..., 0] * np.asarray(beam_log_sd, np.float64)) ** 2))

    def flags(self, areal_g_cm2: ArrayLike) -> tuple[Flag, ...]:
        """Doubts about the calibration, and about a slab measured with it.

        Parameters
        ----------
        areal_g_cm2 : array_like
            Mass per area over the slab; NaN is left out.

        Returns
        -------
        tuple of Flag
            "calibration-poor" and "outside-standards", where they hold.
        """
        flags = []
        if problems := _problems(self):
            flags.append(Flag(code="calibration-poor", detail="; ".join(problems)))
        low, high, frac = self._outside(np.asarray(areal_g_cm2, np.float64))
        if frac > _OUTSIDE_FRAC:
            flags.append(Flag(code="outside-standards", detail=f"{100 * frac:.0f} % of the slab lies outside "
                                                               f"{low:.2f} to {high:.2f} g/cm2"))
        return tuple(flags)

    def summary(self, beam: Beam | None = None) -> CalibrationResult:
        """The calibration for the report and the archive.

        Parameters
        ----------
        beam : Beam, optional
            The open beam that it was made with.

        Returns
        -------
        CalibrationResult
            Standards, curve, parameters, and what was done in words.
        """
        standards = self.standards
        stated = standards.areal_density_g_cm2
        curve = np.linspace(0.0, 1.1 * float(stated.max()), _CURVE_POINTS)
        mu, k = self.attenuation_cm2_g, self.curvature_cm2_g
        return CalibrationResult(
            attenuation=self.attenuation(standards.intensity, standards.log_beam),
            areal_density_g_cm2=stated, fitted_g_cm2=stated - self.residual_g_cm2, residual_g_cm2=self.residual_g_cm2,
            curve_attenuation=mu * curve * (1 + k * curve), curve_g_cm2=curve,
            curve_sd_g_cm2=self.areal_density_sd_g_cm2(curve), labels=standards.labels, method=self._sentence(),
            beam_method=beam.method if beam is not None else "",
            beam_residual_frac=beam.residual_frac if beam is not None else float("nan"), parameters=self._parameters())

    def _outside(self, areal_g_cm2: FloatArray) -> tuple[float, float, float]:
        """Range of the standards, and share of the slab outside it."""
        stated = self.standards.areal_density_g_cm2
        low, high = float(stated.min()), float(stated.max())
        slab = areal_g_cm2[np.isfinite(areal_g_cm2)]
        # The open beam is a standard of its own, of no mass.
        low = 0.0 if len(stated) == 1 else low
        # A single standard carries the line through the open beam as far as itself.
        outside = (slab < low) | (slab > high)
        return low, high, float(outside.mean()) if slab.size else 0.0

    def _parameters(self) -> dict[str, float]:
        """Fitted numbers and their standard deviations."""
        sd = np.sqrt(np.diag(self.covariance))
        numbers = {
            "attenuation_cm2_g": self.attenuation_cm2_g, "attenuation_sd_cm2_g": self.attenuation_cm2_g * float(sd[2]),
            "curvature_cm2_g": self.curvature_cm2_g, "curvature_sd_cm2_g": float(sd[3]),
            "offset_frac": self.offset_frac, "offset_sd_frac": float(sd[1]),
            "open_beam_level_log": self.level_log, "open_beam_level_sd_log": float(sd[0]),
            "residual_rms_g_cm2": float(np.sqrt(np.mean(self.residual_g_cm2**2))),
        }
        if self.values == "intensity":
            numbers["effective_kev_fitted"] = effective_energy_kev(self.attenuation_cm2_g)
        return numbers

    def _sentence(self) -> str:
        """What was done, for the methods paragraph."""
        stated = self.standards.areal_density_g_cm2
        n = len(stated)
        rms = float(np.sqrt(np.mean(self.residual_g_cm2**2)))
        what = "1 standard" if n == 1 else f"{n} standards of {stated.min():.2f} to {stated.max():.2f} g/cm2"
        return (f"Mass per area was read from {_UNITS_IN_WORDS[self.values]} by {what} in the same image, as "
                f"exponential attenuation with a constant offset ({100 * self.offset_frac:.1f} % of the open beam) and "
                f"a curvature for beam hardening ({self.curvature_cm2_g:+.3f} cm2/g); "
                f"residuals {rms:.4f} g/cm2 (root mean square).")


def intensity_model(theta: FloatArray, areal: FloatArray,
                    log_beam: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Intensity behind mass per area, and how it changes.

    Parameters
    ----------
    theta : ndarray, shape (4,)
        ``g``, ``b``, ``ln mu`` and ``k``, with intensity in units of the open beam at the standards.
    areal, log_beam : ndarray
        Mass per area, and logarithm of the open beam in that unit.

    Returns
    -------
    intensity : ndarray
        Shape of ``areal``.
    jacobian : ndarray
        Derivatives by the parameters along a last axis.
    slope : ndarray
        Minus the derivative by mass per area.
    """
    level, offset, log_mu, k = theta
    mu = np.exp(log_mu)
    beam = np.exp(log_beam + level)
    through = np.exp(-mu * areal * (1 + k * areal))
    net = (beam - offset) * through
    by_log_mu, by_k = -net * mu * areal * (1 + k * areal), -net * mu * areal**2
    jacobian = np.stack([beam * through, 1 - through, by_log_mu, by_k], axis=-1)
    return offset + net, jacobian, net * mu * (1 + 2 * k * areal)


def least_curvature_cm2_g(areal_g_cm2: FloatArray) -> float:
    """Curvature at which the curve nearly stops rising a little beyond the thickest standard.

    Parameters
    ----------
    areal_g_cm2 : ndarray
        Mass per area of the standards.

    Returns
    -------
    float
        The most negative curvature that is allowed, in cm2/g.
    """
    return -0.45 / (MONOTONE_TO * float(areal_g_cm2.max()))


def _problems(curve: Calibration) -> list[str]:
    """What is wrong with a calibration, in words."""
    standards = curve.standards
    stated = standards.areal_density_g_cm2
    problems = []
    share = np.abs(curve.residual_g_cm2) / np.maximum(stated, stated.mean())
    worst = int(np.argmax(share))
    if share[worst] > _POOR_FRAC:
        problems.append(f"{standards.labels[worst]} is off by {100 * share[worst]:.1f} %")
    order = np.argsort(stated)
    rising = np.diff((standards.log_beam - np.log(standards.intensity))[order])
    if np.any(rising[np.diff(stated[order]) > 0] <= 0):
        problems.append("a thicker standard lets more through than a thinner one")
    if curve.curvature_cm2_g <= 0.99 * least_curvature_cm2_g(stated):
        problems.append("the curve bends more than beam hardening can explain")
    strain = max(abs(curve.offset_frac) / OFFSET_SD[curve.values],
                 abs(curve.curvature_cm2_g) / CURVATURE_SD[curve.values])
    if len(stated) < _FEW_STANDARDS and strain > 1:
        problems.append("the standards do not lie on one exponential, and are too few to tell why")
    return problems
