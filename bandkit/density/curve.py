"""The curve from intensity to mass per area.

A standard of mass per area ``sigma`` (g/cm2, as CaCO3) under an open beam ``I0`` gives::

    I = b + (I0 e^g - b) exp(-A),    A = f z + (1 - f) ln(1 + h z) / h,    z = mu sigma

``mu`` is the mass attenuation coefficient of the beam as it enters, ``b`` a constant offset (of the
detector, of the digitising, of even scatter), ``g`` what the level of the open beam may be off by. The beam
hardens as it goes: A is the attenuation of a spectrum whose coefficients are at least ``f mu`` and above that
have a gamma distribution, which filtering by aluminium leaves. ``h`` (hardening) is its width, 0 for one
energy, where ``A = z``. The curve always rises. With ``f`` 0.25 it follows Kramers' spectra of
45 to 75 kVp behind 1 to 4 mm of aluminium within 0.005 g/cm2.

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

# How far the offset (share of the open beam) may be expected to depart from zero. A grey that is linear in optical
# density or Hounsfield units has no offset in intensity.
OFFSET_SD = {"intensity": 0.10, "optical-density": 1e-6, "hounsfield": 1e-6}
# Mean and standard deviation of the hardening. Tubes of 45 to 75 kVp behind 1 to 4 mm of aluminium have 0.4 to 2
# (Kramers' spectrum with the shipped coefficients), one energy has 0; film bends either way.
HARDENING = {"intensity": (0.4, 0.5), "optical-density": (0.0, 0.5), "hounsfield": (0.0, 0.3)}
_SMALL_HARDENING = 1e-4
# The least attenuation coefficient of the spectrum, as a share of the mean: f above.
_LEAST_SHARE = 0.25
_MAX_NEWTON = 40
_NEWTON_TOLERANCE = 1e-10
# What the form of the curve costs with real spectra, as a share of mass per area.
_FORM_SD_FRAC = 0.004
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
    level_log, offset_frac, attenuation_cm2_g, hardening : float
        ``g``, ``b / reference``, ``mu`` and ``h`` of the equation above. ``mu`` is in units of the image
        where greys are optical density or Hounsfield units.
    covariance : ndarray, shape (4, 4)
        Of ``g``, ``b``, ``ln mu`` and ``h``.
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
    hardening: float
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
        """
        return unhardened(self.attenuation(intensity, log_beam), self.hardening) / self.attenuation_cm2_g

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
        ``d sigma = -(dI/d theta) / (dI/d sigma) d theta``; plus 0.4 % of mass per area for spectra that
        do not have the form of the curve.
        """
        areal = np.asarray(areal_g_cm2, np.float64)
        theta = np.array([self.level_log, self.offset_frac, np.log(self.attenuation_cm2_g), self.hardening])
        beam = 0.0 if log_beam is None else np.asarray(log_beam, np.float64) - np.log(self.reference)
        areal, beam = np.broadcast_arrays(areal, beam)
        _, jacobian, slope = intensity_model(theta, areal, beam)
        gradient = jacobian / slope[..., None]
        variance = np.einsum("...i,ij,...j->...", gradient, self.covariance, gradient)
        by_beam = gradient[..., 0] * np.asarray(beam_log_sd, np.float64)
        return np.asarray(np.sqrt(variance + by_beam**2 + (_FORM_SD_FRAC * areal) ** 2))

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

    def worst_standard(self) -> tuple[int, float]:
        """Find the standard that lies farthest from the curve.

        Returns
        -------
        index : int
            Its place among the standards.
        misfit : float
            How far it is off, as a fraction of its mass per area, or of their mean where that is more.
        """
        stated = self.standards.areal_density_g_cm2
        share = np.abs(self.residual_g_cm2) / np.maximum(stated, stated.mean())
        return int(np.argmax(share)), float(share.max())

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
        return CalibrationResult(
            attenuation=self.attenuation(standards.intensity, standards.log_beam),
            areal_density_g_cm2=stated, fitted_g_cm2=stated - self.residual_g_cm2, residual_g_cm2=self.residual_g_cm2,
            curve_attenuation=hardened(self.attenuation_cm2_g * curve, self.hardening), curve_g_cm2=curve,
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
            "hardening": self.hardening, "hardening_sd": float(sd[3]),
            "offset_frac": self.offset_frac, "offset_sd_frac": float(sd[1]),
            "open_beam_level_log": self.level_log, "open_beam_level_sd_log": float(sd[0]),
            "residual_rms_g_cm2": float(np.sqrt(np.mean(self.residual_g_cm2**2))),
        }
        if self.values == "intensity":
            middle = float(np.median(self.standards.areal_density_g_cm2[self.standards.areal_density_g_cm2 > 0]))
            attenuation = float(hardened(self.attenuation_cm2_g * middle, self.hardening))
            numbers["effective_kev_fitted"] = effective_energy_kev(attenuation / middle)
        return numbers

    def _sentence(self) -> str:
        """What was done, for the methods paragraph."""
        stated = self.standards.areal_density_g_cm2
        n = len(stated)
        rms = float(np.sqrt(np.mean(self.residual_g_cm2**2)))
        what = "1 standard" if n == 1 else f"{n} standards of {stated.min():.2f} to {stated.max():.2f} g/cm2"
        return (f"Mass per area was read from {_UNITS_IN_WORDS[self.values]} by {what} in the same image, as "
                f"exponential attenuation with a constant offset ({100 * self.offset_frac:.1f} % of the open beam) and "
                f"beam hardening (spectral width {self.hardening:.2f}); "
                f"residuals {rms:.4f} g/cm2 (root mean square).")


def hardened(straight: ArrayLike, hardening: float) -> FloatArray:
    """Attenuation of a beam that hardens.

    Parameters
    ----------
    straight : array_like
        What it would be if the beam stayed as it enters, ``z = mu sigma``.
    hardening : float
        Width of the spectrum, ``h``.

    Returns
    -------
    ndarray
        ``f z + (1 - f) ln(1 + h z) / h``.
    """
    z = np.asarray(straight, np.float64)
    return _LEAST_SHARE * z + (1 - _LEAST_SHARE) * _log_part(z, hardening)


def unhardened(attenuation: ArrayLike, hardening: float) -> FloatArray:
    """Undo `hardened`.

    Parameters
    ----------
    attenuation : array_like
        Attenuation of the beam that hardens.
    hardening : float
        Width of the spectrum, ``h``.

    Returns
    -------
    ndarray
        ``mu sigma``.

    Notes
    -----
    Newton's iteration; the curve bends one way only, so it closes in from one side.
    """
    bent = np.asarray(attenuation, np.float64)
    z = bent if hardening >= 0 else np.minimum(bent, -0.999 / hardening)
    for _ in range(_MAX_NEWTON):
        step = (bent - hardened(z, hardening)) / _slope(z, hardening)
        z = z + step
        if not np.any(np.abs(step) > _NEWTON_TOLERANCE):
            break
    return z


def _log_part(z: FloatArray, hardening: float) -> FloatArray:
    """Logarithm of 1 + h z over h, also where h is next to nothing."""
    if abs(hardening) < _SMALL_HARDENING:
        return z * (1 - hardening * z / 2)
    return np.log1p(np.maximum(hardening * z, -1 + _LEAST_TRANSMISSION)) / hardening


def _slope(z: FloatArray, hardening: float) -> FloatArray:
    """Derivative of `hardened`."""
    return _LEAST_SHARE + (1 - _LEAST_SHARE) / np.maximum(1 + hardening * z, _LEAST_TRANSMISSION)


def intensity_model(theta: FloatArray, areal_g_cm2: FloatArray,
                    log_beam: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Intensity behind mass per area, and how it changes.

    Parameters
    ----------
    theta : ndarray, shape (4,)
        ``g``, ``b``, ``ln mu`` and ``h``, with intensity in units of the open beam at the standards.
    areal_g_cm2, log_beam : ndarray
        Mass per area, and logarithm of the open beam in that unit.

    Returns
    -------
    intensity : ndarray
        Shape of ``areal_g_cm2``.
    jacobian : ndarray
        Derivatives by the parameters along a last axis.
    slope : ndarray
        Minus the derivative by mass per area.
    """
    level, offset, log_mu, hardening = theta
    mu = np.exp(log_mu)
    straight = mu * areal_g_cm2
    bent = hardened(straight, hardening)
    beam = np.exp(log_beam + level)
    through = np.exp(-bent)
    net = (beam - offset) * through
    growth = _slope(straight, hardening)
    if abs(hardening) < _SMALL_HARDENING:
        by_hardening = -(1 - _LEAST_SHARE) * straight**2 / 2
    else:
        by_hardening = (straight * growth - bent) / hardening
    jacobian = np.stack([beam * through, 1 - through, -net * straight * growth, -net * by_hardening], axis=-1)
    return offset + net, jacobian, net * mu * growth


def least_hardening(mu_areal: float) -> float:
    """Most negative hardening that leaves the curve well-behaved to 1.25 times the thickest standard.

    Parameters
    ----------
    mu_areal : float
        ``mu sigma`` of the thickest standard.

    Returns
    -------
    float
        Dimensionless.
    """
    return -0.5 / (1.25 * mu_areal)


def _problems(curve: Calibration) -> list[str]:
    """What is wrong with a calibration, in words."""
    standards = curve.standards
    stated = standards.areal_density_g_cm2
    problems = []
    worst, share = curve.worst_standard()
    if share > _POOR_FRAC:
        problems.append(f"{standards.labels[worst]} is off by {100 * share:.1f} %")
    order = np.argsort(stated)
    rising = np.diff((standards.log_beam - np.log(standards.intensity))[order])
    if np.any(rising[np.diff(stated[order]) > 0] <= 0):
        problems.append("a thicker standard lets more through than a thinner one")
    if curve.hardening <= 0.99 * least_hardening(curve.attenuation_cm2_g * float(stated.max())):
        problems.append("the curve bends as no beam does: thick standards look too thick")
    mean, sd = HARDENING[curve.values]
    strain = max(abs(curve.offset_frac) / OFFSET_SD[curve.values],
                 abs(curve.hardening - mean) / sd)
    if len(stated) < _FEW_STANDARDS and strain > 1:
        problems.append("the standards do not lie on one exponential, and are too few to tell why")
    return problems
