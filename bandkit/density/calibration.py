"""A fitted curve with its standards: what it gives, what it may be off by, and what to doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.beam import Beam
from bandkit.density.curve import Curve, systematic_sd_g_cm2
from bandkit.density.grey import Values
from bandkit.density.materials import coral_skeleton
from bandkit.density.response import Response
from bandkit.density.spectrum import single_energy_kev
from bandkit.density.standards import StandardSamples
from bandkit.density.veil import Veil
from bandkit.flags import Flag
from bandkit.results import CalibrationResult

FloatArray = NDArray[np.float64]

_POOR_FRAC = 0.03
_OUTSIDE_FRAC = 0.05
_FEW_STANDARDS = 4
# Standards strain a curve whose numbers together depart by more than this many standard deviations from what is usual.
_STRAINED = 2.0
# The energy counts as told where the standards narrow it to this share of what was known before.
_TOLD = 0.35
_CURVE_POINTS = 61
_UNITS_IN_WORDS = {"intensity": "intensity", "optical-density": "optical density"}
_FORMS_IN_WORDS = {
    "linear": "a constant offset ({offset:.1f} % of the open beam)",
    "power": "a contrast of {contrast:.3g} with toe and shoulder",
    "film": "the characteristic curve of a film (contrast {contrast:.3g}, toe and shoulder)",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """The fitted curve from intensity to mass per area.

    Parameters
    ----------
    standards : StandardSamples
        What it rests on.
    curve : Curve
        The fitted curve.
    names : tuple of str
        Its fitted numbers.
    covariance : ndarray, shape (n, n)
        Of those.
    prior_mean, prior_sd : ndarray, shape (n,)
        What they usually are.
    values : {"intensity", "optical-density"}
        What a grey is linear in.
    stated_g_cm2, residual_g_cm2 : ndarray, shape (n_standards,)
        Mass per area of coral that dims as much as each standard should, and that minus what the curve gives.
    start : Response
        Curve between signal and exposure by which the open beam and the veil were found.
    effective_kev : float or None
        Effective energy as the record states it.
    """

    standards: StandardSamples
    curve: Curve
    names: tuple[str, ...]
    covariance: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray
    values: Values
    stated_g_cm2: FloatArray
    residual_g_cm2: FloatArray
    start: Response
    effective_kev: float | None = None

    @property
    def attenuation_cm2_g(self) -> float:
        """Mean mass attenuation coefficient of coral behind the middle standard."""
        middle = self._middle_g_cm2
        return float(self.curve.coral_attenuation(middle)) / middle

    def areal_density_g_cm2(self, intensity: ArrayLike, log_beam: ArrayLike, veil: ArrayLike = 0.0) -> FloatArray:
        """Mass per area behind which an intensity was measured.

        Parameters
        ----------
        intensity : array_like
            Signal; NaN stays NaN.
        log_beam : array_like
            Logarithm of the open beam's exposure at the same places, as it was found.
        veil : array_like
            Exposure by the veil there, as it was found.

        Returns
        -------
        ndarray
            In g/cm2 as coral; slightly negative where noise is brighter than the open beam.
        """
        return self.curve.coral_g_cm2(self.attenuation(intensity, log_beam, veil))

    def attenuation(self, intensity: ArrayLike, log_beam: ArrayLike, veil: ArrayLike = 0.0) -> FloatArray:
        """Attenuation behind which an intensity was measured.

        Parameters
        ----------
        intensity, log_beam, veil : array_like
            As for `areal_density_g_cm2`.

        Returns
        -------
        ndarray
            Natural logarithm.
        """
        beam = np.asarray(log_beam, np.float64)
        log_open = self._log_open(beam)
        return self.curve.attenuation(intensity, log_open, np.asarray(veil, np.float64) * np.exp(log_open - beam))

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
            Standard deviation of the logarithm of the open beam and of the veil there, against the standards.

        Returns
        -------
        ndarray
            In g/cm2. Noise of pixels is not in it. See `systematic_sd_g_cm2`.
        """
        beam = float(np.median(self.standards.log_beam)) if log_beam is None else log_beam
        return systematic_sd_g_cm2(self.curve, self.names, self.covariance, areal_g_cm2,
                                   log_beam=self._log_open(np.asarray(beam, np.float64)), log_sd=beam_log_sd)

    def sd(self, name: str) -> float:
        """Standard deviation of one of the fitted numbers.

        Parameters
        ----------
        name : str
            One of ``names``.

        Returns
        -------
        float
            0 for a number that was not fitted.
        """
        return float(np.sqrt(self.covariance[(self.names.index(name),) * 2])) if name in self.names else 0.0

    def effective_energy_kev(self) -> tuple[float, float]:
        """Effective energy behind the middle standard, and its standard deviation.

        Returns
        -------
        energy_kev, sd_kev : float
            The single energy at which coral of that mass dims as much.
        """
        material, middle = coral_skeleton(100 * self.curve.strontium_frac), self._middle_g_cm2
        energies = [single_energy_kev(material, middle, self.curve.log_kev + by, self.curve.breadth)
                    for by in (0.0, 0.01, -0.01)]
        return energies[0], abs(energies[1] - energies[2]) / 0.02 * self.sd("log_kev")

    def tells_energy(self) -> bool:
        """Tell whether the standards say what the energy is.

        Returns
        -------
        bool
            False where it is hardly better known than before, and for one material alone with an unknown contrast:
            the energy would rest on how its curve bends.
        """
        kinds = {self.standards.material(i).name for i in range(len(self.standards.intensity))}
        if len(kinds) == 1 and self.curve.response.form != "linear":
            return False
        index = self.names.index("log_kev")
        return self.sd("log_kev") < _TOLD * float(self.prior_sd[index])

    def flags(self, areal_g_cm2: ArrayLike) -> tuple[Flag, ...]:
        """Doubts about the calibration, and about a slab measured with it.

        Parameters
        ----------
        areal_g_cm2 : array_like
            Mass per area over the slab; NaN is left out.

        Returns
        -------
        tuple of Flag
            "calibration-poor", "outside-standards", "response-curved" and "energy-fitted" or "energy-assumed", where
            they hold.
        """
        flags = []
        if problems := self._problems():
            flags.append(Flag(code="calibration-poor", detail="; ".join(problems)))
        low, high, frac = self._outside(np.asarray(areal_g_cm2, np.float64))
        if frac > _OUTSIDE_FRAC:
            flags.append(Flag(code="outside-standards", detail=f"{100 * frac:.0f} % of the slab lies outside "
                                                               f"{low:.2f} to {high:.2f} g/cm2"))
        if self.values == "intensity" and self.curve.response.form != "linear":
            what = {"film": "as light through a film", "power": "as a power of the dose"}[self.curve.response.form]
            flags.append(Flag(code="response-curved", detail=what))
        return (*flags, *self._energy_flags())

    def worst_standard(self) -> tuple[int, float]:
        """Find the standard that lies farthest from the curve.

        Returns
        -------
        index : int
            Its place among the standards.
        misfit : float
            How far it is off, as a fraction of its mass per area, or of their mean where that is more.
        """
        share = np.abs(self.residual_g_cm2) / np.maximum(self.stated_g_cm2, self.stated_g_cm2.mean())
        return int(np.argmax(share)), float(share.max())

    def summary(self, beam: Beam | None = None, veil: Veil | None = None) -> CalibrationResult:
        """The calibration for the report and the archive.

        Parameters
        ----------
        beam : Beam, optional
            The open beam that it was made with.
        veil : Veil, optional
            The veil that was taken off.

        Returns
        -------
        CalibrationResult
            Standards, curve, parameters, and what was done in words.
        """
        standards = self.standards
        curve = np.linspace(0.0, 1.1 * float(self.stated_g_cm2.max()), _CURVE_POINTS)
        beam_method = beam.method if beam is not None else ""
        parameters = self._parameters()
        if veil is not None:
            beam_method += f" {veil.method}"
            parameters |= {"veil_frac": veil.frac, "veil_sd_frac": veil.frac_sd}
        return CalibrationResult(
            attenuation=self._standard_attenuations(),
            areal_density_g_cm2=self.stated_g_cm2, fitted_g_cm2=self.stated_g_cm2 - self.residual_g_cm2,
            residual_g_cm2=self.residual_g_cm2, curve_attenuation=self.curve.coral_attenuation(curve),
            curve_g_cm2=curve, curve_sd_g_cm2=self.areal_density_sd_g_cm2(curve), labels=standards.labels,
            method=self._sentence(), beam_method=beam_method.strip(),
            beam_residual_frac=beam.residual_frac if beam is not None else float("nan"), parameters=parameters)

    def _log_open(self, log_beam: FloatArray) -> FloatArray:
        """Open beam as exposure by the fitted response."""
        return self.curve.response.log_exposure(self.start.signal(log_beam))

    def _standard_attenuations(self) -> FloatArray:
        """Attenuation that was measured behind each standard."""
        samples = self.standards
        return self.attenuation(samples.intensity, samples.log_beam, samples.veil * np.exp(samples.log_beam))

    @property
    def _middle_g_cm2(self) -> float:
        """Middle of the standards that have mass."""
        return float(np.median(self.stated_g_cm2[self.stated_g_cm2 > 0]))

    def _outside(self, areal_g_cm2: FloatArray) -> tuple[float, float, float]:
        """Range of the standards, and share of the slab outside it."""
        low, high = float(self.stated_g_cm2.min()), float(self.stated_g_cm2.max())
        slab = areal_g_cm2[np.isfinite(areal_g_cm2)]
        # The open beam is a standard of its own, of no mass.
        low = 0.0 if len(self.stated_g_cm2) == 1 else low
        # A single standard carries the line through the open beam as far as itself.
        outside = (slab < low) | (slab > high)
        return low, high, float(outside.mean()) if slab.size else 0.0

    def _energy_flags(self) -> tuple[Flag, ...]:
        """Say where the energy of the beam comes from, where density rests on it."""
        others = [m.name for m in self.standards.materials if not m.is_coral]
        if not others or self.effective_kev is not None:
            return ()
        energy_kev, sd_kev = self.effective_energy_kev()
        how = f"{energy_kev:.1f} keV, standard deviation {sd_kev:.1f} keV"
        if self.tells_energy():
            return (Flag(code="energy-fitted", detail=how),)
        what = "standards of one material" if len(set(others)) == 1 and len(others) == len(self.standards.labels) else (
            "these standards")
        return (Flag(code="energy-assumed", detail=f"{how}; {what} do not tell it where the contrast is unknown"),)

    def _problems(self) -> list[str]:
        """What is wrong, in words."""
        problems = []
        worst, share = self.worst_standard()
        if share > _POOR_FRAC:
            problems.append(f"{self.standards.labels[worst]} is off by {100 * share:.1f} %")
        order = np.argsort(self.stated_g_cm2)
        attenuation = self._standard_attenuations()[order]
        rising = np.diff(attenuation)[np.diff(self.stated_g_cm2[order]) > 1e-9 + 0.01 * self.stated_g_cm2.max()]
        if np.any(rising <= 0):
            problems.append("a thicker standard lets more through than a thinner one")
        strain = (self.curve.numbers(self.names) - self.prior_mean) / self.prior_sd
        if len(self.stated_g_cm2) < _FEW_STANDARDS and float(np.linalg.norm(strain)) > _STRAINED:
            problems.append("the standards do not lie on one exponential, and are too few to tell why")
        return problems

    def _parameters(self) -> dict[str, float]:
        """Fitted numbers and their standard deviations."""
        curve, response = self.curve, self.curve.response
        energy_kev, energy_sd_kev = self.effective_energy_kev()
        numbers = {
            "attenuation_cm2_g": self.attenuation_cm2_g,
            "spectral_breadth": curve.breadth, "spectral_breadth_sd": self.sd("breadth"),
            "open_beam_level_log": curve.level, "open_beam_level_sd_log": self.sd("level"),
            "strontium_frac": curve.strontium_frac, "strontium_sd_frac": self.sd("strontium_frac"),
            "residual_rms_g_cm2": float(np.sqrt(np.mean(self.residual_g_cm2**2))),
        }
        if response.form == "linear":
            numbers |= {"offset_frac": response.offset_frac, "offset_sd_frac": self.sd("offset_frac")}
        else:
            numbers |= {"contrast": response.contrast, "contrast_sd": response.contrast * self.sd("log_contrast"),
                        "toe": response.toe, "toe_sd": self.sd("toe"), "shoulder": response.shoulder,
                        "shoulder_sd": self.sd("shoulder")}
        if self.tells_energy():
            numbers |= {"effective_kev_fitted": energy_kev, "effective_kev_sd": energy_sd_kev}
        return numbers

    def _sentence(self) -> str:
        """What was done, for the methods paragraph."""
        stated, response = self.stated_g_cm2, self.curve.response
        n = len(stated)
        rms = float(np.sqrt(np.mean(self.residual_g_cm2**2)))
        what = "1 standard" if n == 1 else f"{n} standards of {stated.min():.2f} to {stated.max():.2f} g/cm2 of coral"
        if any(material.is_coral and material.name == "aragonite" for material in self.standards.materials):
            what += " (aragonite taken to be cut from coral)"
        form = _FORMS_IN_WORDS[response.form].format(offset=100 * response.offset_frac, contrast=response.contrast)
        energy_kev, _ = self.effective_energy_kev()
        spectrum = (f" and a spectrum of {energy_kev:.1f} keV effective energy and relative breadth "
                    f"{self.curve.breadth:.2f}")
        return (f"Mass per area was read from {_UNITS_IN_WORDS[self.values]} by {what} in the same image, as "
                f"attenuation by tabulated coefficients for coral with {100 * self.curve.strontium_frac:.2f} % of "
                f"strontium, with {form}{spectrum}; residuals {rms:.4f} g/cm2 (root mean square).")
