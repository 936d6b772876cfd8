"""From intensity to mass per area, by standards in the same image.

A standard of mass per area ``sigma`` (g/cm2, as CaCO3) under an open beam ``I0`` gives::

    I = b + (I0 e^g - b) exp(-mu sigma (1 + k sigma))

``mu`` is the effective mass attenuation coefficient, ``k`` the curvature by beam hardening
(usually negative: what is left of the beam is harder), ``b`` a constant offset (of the detector, of the
digitising, of even scatter) and ``g`` what the level of the open beam may be off by. ``mu`` is
free. The others are held near zero by priors and depart from it as far as the standards ask for:
few standards decide little and the standard error says so.

References
----------
Law of Beer and Lambert; step wedges of aragonite in every exposure: Carricart-Ganivet & Barnes 2007,
J. Exp. Mar. Biol. Ecol. 344, 67-72. Budget of errors, mostly calibration: JAMSTEC Rep. 16, 31-39 (2013).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.attenuation import effective_energy_kev
from bandkit.density.beam import Beam
from bandkit.density.grey import Patch, Values
from bandkit.errors import CalibrationError
from bandkit.flags import Flag
from bandkit.results import CalibrationResult

FloatArray = NDArray[np.float64]

# How far offset (share of the open beam) and curvature (cm2/g) may be expected to depart from zero. A grey that is
# linear in optical density or Hounsfield units has no offset in intensity; film bends more than the beam does.
_OFFSET_SD = {"intensity": 0.10, "optical-density": 1e-6, "hounsfield": 1e-6}
_CURVATURE_SD = {"intensity": 0.10, "optical-density": 0.30, "hounsfield": 0.15}
_LEAST_OFFSET = -0.3
# The curve must rise up to this multiple of the thickest standard; beyond, it goes on as a straight line.
_MONOTONE_TO = 1.25
# How well thickness and density of a bought or ground standard are known, one standard deviation.
_STANDARD_SD_FRAC = 0.005
# Smallest error of intensity, as a fraction, that is believed.
_LEAST_SD_FRAC = 5e-4
_POOR_FRAC = 0.03
_OUTSIDE_FRAC = 0.05
_FEW_STANDARDS = 4
_KNOWN_LEVEL_SD = 0.1
_LEAST_TRANSMISSION = 1e-5
_CURVE_POINTS = 61


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardSamples:
    """What was measured on the standards of one image.

    Parameters
    ----------
    areal_density_g_cm2 : ndarray, shape (n,)
        Mass per area stated for each, as CaCO3.
    intensity, sd : ndarray, shape (n,)
        Intensity behind each, and the standard deviation of that mean.
    log_beam, log_beam_sd : ndarray, shape (n,)
        Logarithm of the open beam at each, and its standard deviation apart from what they have in common.
    beam_level_sd : float
        What the logarithm of the open beam may be off by at all of them together.
    labels : tuple of str
        One per standard, such as "aragonite 3.0 mm".
    """

    areal_density_g_cm2: FloatArray
    intensity: FloatArray
    sd: FloatArray
    log_beam: FloatArray
    log_beam_sd: FloatArray
    beam_level_sd: float
    labels: tuple[str, ...]


def standard_samples(patches: Sequence[Patch], centres_px: Sequence[tuple[float, float]],
                     areal_density_g_cm2: Sequence[float], labels: Sequence[str], beam: Beam) -> StandardSamples:
    """Put together what is known of each standard.

    Parameters
    ----------
    patches : sequence of Patch
        Intensity measured in the box of each standard.
    centres_px : sequence of (x, y)
        Middle of each box.
    areal_density_g_cm2 : sequence of float
        Mass per area stated for each, as CaCO3.
    labels : sequence of str
        Names of the standards.
    beam : Beam
        The open beam.

    Returns
    -------
    StandardSamples
        For `calibrate`.

    Raises
    ------
    CalibrationError
        Where there is no standard.
    """
    if not patches:
        msg = "density.standards: there are none; density needs at least one patch of known mass per area"
        raise CalibrationError(msg, reason="no-standards")
    x, y = np.array(centres_px, np.float64).T
    middle = (float(x.mean()), float(y.mean()))
    return StandardSamples(
        areal_density_g_cm2=np.array(areal_density_g_cm2, np.float64),
        intensity=np.array([p.intensity for p in patches]), sd=np.array([p.sd for p in patches]),
        log_beam=beam.log_intensity(x, y), log_beam_sd=beam.log_sd(x, y, relative_to_px=middle),
        beam_level_sd=float(beam.log_sd(*middle)), labels=tuple(labels))


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
        last = _MONOTONE_TO * float(self.standards.areal_density_g_cm2.max())
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
        _, jacobian, slope = _model(theta, areal, beam)
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
        given = {"intensity": "intensity", "optical-density": "optical density", "hounsfield": "Hounsfield units"}
        what = "1 standard" if n == 1 else f"{n} standards of {stated.min():.2f} to {stated.max():.2f} g/cm2"
        return (f"Mass per area was read from {given[self.values]} by {what} in the same image, as exponential "
                f"attenuation with a constant offset ({100 * self.offset_frac:.1f} % of the open beam) and a curvature for "
                f"beam hardening ({self.curvature_cm2_g:+.3f} cm2/g); residuals {rms:.4f} g/cm2 (root mean square).")


def calibrate(standards: StandardSamples, *, values: Values = "intensity") -> Calibration:
    """Fit the curve from intensity to mass per area.

    Parameters
    ----------
    standards : StandardSamples
        What was measured on the standards.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in; decides how far offset and curvature may go.

    Returns
    -------
    Calibration
        The curve with its covariance.

    Raises
    ------
    CalibrationError
        Where the standards cannot carry a curve: impossible numbers, all alike, the wrong polarity, or a
        single one without open beam.

    Notes
    -----
    Gauss-Newton on the weighted squares of the misfit and of the priors. The error of a standard is its
    noise, the open beam's error there and 0.5 % of its stated mass; where the misfit is larger than that,
    all errors are raised to match and the fit is repeated.
    """
    _raise_for_standards(standards)
    reference = float(np.exp(np.median(standards.log_beam)))
    scaled = _Scaled(y=standards.intensity / reference, log_beam=standards.log_beam - np.log(reference),
                     areal=standards.areal_density_g_cm2, sd=_errors(standards) / reference)
    prior_sd = np.array([max(standards.beam_level_sd, 1e-6), _OFFSET_SD[values], np.inf, _CURVATURE_SD[values]])
    theta, covariance, excess = _fit(scaled, prior_sd)
    if excess > 1:
        theta, covariance, _ = _fit(scaled._replace(sd=scaled.sd * np.sqrt(excess)), prior_sd)
    curve = Calibration(standards=standards, reference=reference, level_log=float(theta[0]), offset_frac=float(theta[1]),
                        attenuation_cm2_g=float(np.exp(theta[2])), curvature_cm2_g=float(theta[3]),
                        covariance=covariance, values=values, residual_g_cm2=np.zeros_like(scaled.areal))
    fitted = curve.areal_density_g_cm2(standards.intensity, standards.log_beam)
    object.__setattr__(curve, "residual_g_cm2", scaled.areal - fitted)
    return curve


class _Scaled(NamedTuple):
    """Standards with intensity in units of the open beam at them."""

    y: FloatArray
    log_beam: FloatArray
    areal: FloatArray
    sd: FloatArray


def _raise_for_standards(standards: StandardSamples) -> None:
    """Refuse standards that cannot carry a curve."""
    areal, intensity = standards.areal_density_g_cm2, standards.intensity
    if not (np.all(np.isfinite(areal)) and np.all(areal >= 0) and np.any(areal > 0)):
        msg = f"density.standards: mass per area {areal.tolist()} g/cm2; give thickness_mm and density_g_cm3 above 0"
        raise CalibrationError(msg)
    if not np.all(np.isfinite(intensity) & (intensity > 0)):
        bad = standards.labels[int(np.argmin(np.where(np.isfinite(intensity), intensity, -np.inf)))]
        msg = f"density.standards: no intensity behind {bad}; move its box_px onto it, or check image.dense and image.values"
        raise CalibrationError(msg)
    attenuation = standards.log_beam - np.log(intensity)
    if len(areal) > 1 and np.ptp(areal) > 0 and np.polyfit(areal, attenuation, 1)[0] <= 0:
        msg = ("density.standards: thicker standards let more through; image.dense is likely the wrong way round, "
               "or the boxes are interchanged")
        raise CalibrationError(msg)
    if len(areal) == 1 and standards.beam_level_sd > _KNOWN_LEVEL_SD:
        msg = "density.standards: one standard and no open beam; give open_beam_px or a second standard"
        raise CalibrationError(msg)
    if np.all(attenuation <= 0) and standards.beam_level_sd <= _KNOWN_LEVEL_SD:
        msg = ("density.standards: all are brighter than the open beam; image.dense is likely the wrong way round, "
               "or open_beam_px lies on material")
        raise CalibrationError(msg)


def _errors(standards: StandardSamples) -> FloatArray:
    """Standard deviation of each standard's intensity, all causes."""
    intensity = standards.intensity
    attenuation = np.abs(standards.log_beam - np.log(intensity))
    frac = np.hypot(np.hypot(standards.log_beam_sd, _LEAST_SD_FRAC), _STANDARD_SD_FRAC * attenuation)
    return np.hypot(standards.sd, frac * intensity)


def _model(theta: FloatArray, areal: FloatArray, log_beam: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Intensity, its derivatives by the four parameters (last axis), and minus that by mass per area."""
    level, offset, log_mu, k = theta
    mu = np.exp(log_mu)
    beam = np.exp(log_beam + level)
    through = np.exp(-mu * areal * (1 + k * areal))
    net = (beam - offset) * through
    jacobian = np.stack([beam * through, 1 - through, -net * mu * areal * (1 + k * areal), -net * mu * areal**2], axis=-1)
    return offset + net, jacobian, net * mu * (1 + 2 * k * areal)


def _fit(scaled: _Scaled, prior_sd: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Parameters, covariance, and the misfit's variance over the expected one."""
    positive = scaled.areal > 0
    start = np.median((scaled.log_beam - np.log(scaled.y))[positive] / scaled.areal[positive])
    theta = np.array([0.0, 0.0, np.log(max(start, 1e-3)), 0.0])
    prior = np.diag(prior_sd**-2.0)
    damping = 1e-3
    cost = _cost(theta, scaled, prior)
    for _ in range(200):
        model, jacobian, _ = _model(theta, scaled.areal, scaled.log_beam)
        weighted = jacobian / scaled.sd[:, None] ** 2
        information = jacobian.T @ weighted + prior
        gradient = weighted.T @ (scaled.y - model) - prior @ theta
        damped = information + damping * np.diag(np.diag(information))
        trial = _bounded(theta + np.linalg.solve(damped, gradient), scaled)
        trial_cost = _cost(trial, scaled, prior)
        if trial_cost > cost:
            damping *= 5
            if damping > 1e12:  # noqa: PLR2004  (no step of any length makes it better)
                break
            continue
        done = cost - trial_cost < 1e-12 * (1 + cost)
        theta, cost, damping = trial, trial_cost, damping / 5
        if done:
            break
    model, jacobian, _ = _model(theta, scaled.areal, scaled.log_beam)
    data = jacobian.T @ (jacobian / scaled.sd[:, None] ** 2)
    covariance = np.linalg.inv(data + prior)
    free = len(scaled.y) - float(np.trace(covariance @ data))
    misfit = float(np.sum(((scaled.y - model) / scaled.sd) ** 2))
    return theta, covariance, misfit / free if free >= 1 else 1.0


def _cost(theta: FloatArray, scaled: _Scaled, prior: FloatArray) -> float:
    """Weighted squares of the misfit and of the priors."""
    model, _, _ = _model(theta, scaled.areal, scaled.log_beam)
    return float(np.sum(((scaled.y - model) / scaled.sd) ** 2) + theta @ prior @ theta)


def _bounded(theta: FloatArray, scaled: _Scaled) -> FloatArray:
    """Parameters within which intensity falls with mass per area and stays above the offset."""
    level, offset, log_mu, k = theta
    offset = np.clip(offset, _LEAST_OFFSET, 0.98 * float(scaled.y.min()))
    return np.array([level, offset, log_mu, max(k, _least_curvature(scaled.areal))])


def _least_curvature(areal_g_cm2: FloatArray) -> float:
    """Curvature at which the curve stops rising a little beyond the thickest standard."""
    return -0.45 / (_MONOTONE_TO * float(areal_g_cm2.max()))


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
    if curve.curvature_cm2_g <= 0.99 * _least_curvature(stated):
        problems.append("the curve bends more than beam hardening can explain")
    strain = max(abs(curve.offset_frac) / _OFFSET_SD[curve.values], abs(curve.curvature_cm2_g) / _CURVATURE_SD[curve.values])
    if len(stated) < _FEW_STANDARDS and strain > 1:
        problems.append("the standards do not lie on one exponential, and are too few to tell why")
    return problems
