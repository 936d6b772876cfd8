"""Density from a scan: Hounsfield units by bodies of known density in the same scan.

Hounsfield units are linear in the attenuation coefficient: 0 for water, -1000 for air. What density a number
stands for depends on tube voltage, filter, kernel and the scanner's own corrections, by tens of percent, so that a
line from another scan is of no use: each scan is calibrated by standards in itself. Pure functions on arrays.

References
----------
DeCarlo 2017: settings of the scanner moved the density of one coral by up to 44 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.attenuation import mass_attenuation_cm2_g, material_density_g_cm3
from bandkit.errors import CalibrationError
from bandkit.flags import Flag
from bandkit.results import CalibrationResult
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]

AIR_HU = -1000.0
"""Air by definition."""
_UNIT_HU = 1000.0
# What the density of a standard may be off by: a share of it, and the last digit that is usually printed.
_STATED_SD_FRAC, _STATED_SD_G_CM3 = 0.005, 0.003
# The guessed errors of the standards count as much as this many standards.
_GUESS_WEIGHT = 2.0
# Densities that differ by less than this are one.
_SAME_G_CM3 = 0.02
_MOST_MISFIT_FRAC = 0.5
_POOR_FRAC, _POOR_G_CM3 = 0.03, 0.03
_OUTSIDE_FRAC = 0.05
_CURVE_POINTS = 61
# A body's middle and its rim, as shares of its half width. The outermost part is mixed with what lies round it.
_MIDDLE_FRAC = 0.5
_RIM_FRAC = (0.7, 0.92)
# Voxels beside each other share the blur of the kernel: so many count as one.
_VOXELS_TOGETHER = 9.0
# A middle less dense than the rim by this share of its attenuation, and this many of its standard errors, is no noise.
_CUPPING_FRAC, _CUPPING_SD = 0.015, 4.0
_FEWEST_VOXELS = 8
# Noise gives hardly any two voxels of a body the same largest value.
_CLIPPED_FRAC = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A body of known density in a scan, as measured.

    Parameters
    ----------
    label : str
        What it is, such as "aragonite 2.93 g/cm3".
    density_g_cm3 : float
        Its stated density.
    mean_hu, sd_hu : float
        Robust mean of its voxels and the standard deviation of that mean.
    cupping_frac : float
        How much less its middle attenuates than its rim, as a share; 0 where that cannot be told from noise.
    clipped_frac : float
        Share of its voxels that have its largest value: a scan that ends there shows dense things too light.
    """

    label: str
    density_g_cm3: float
    mean_hu: float
    sd_hu: float
    cupping_frac: float = 0.0
    clipped_frac: float = 0.0


def measure_body(values_hu: ArrayLike, radius_frac: ArrayLike, *, label: str, density_g_cm3: float) -> Body:
    """Mean of a body, and whether it looks hollow.

    Parameters
    ----------
    values_hu : array_like, shape (n,)
        Voxels of the body; NaN is left out.
    radius_frac : array_like, shape (n,)
        How far out each lies: 0 in the middle, 1 on the surface.
    label : str
        What it is, for messages.
    density_g_cm3 : float
        Its stated density.

    Returns
    -------
    Body
        Mean of the voxels within 3 robust standard deviations of the median.

    Raises
    ------
    CalibrationError
        The body holds hardly a voxel.

    Notes
    -----
    A beam of many energies hardens on its way in: the inside of an even body then attenuates less than its rim
    (cupping), and the density of a slab of that size would be too low inside too.
    """
    values, radius = np.asarray(values_hu, np.float64), np.asarray(radius_frac, np.float64)
    known = np.isfinite(values)
    values, radius = values[known], radius[known]
    if len(values) < _FEWEST_VOXELS:
        msg = f"density.standards: {label} holds {len(values)} voxels; draw it larger, within one thing"
        raise CalibrationError(msg)
    clipped = float((values == values.max()).mean()) if np.ptp(values) else 1.0
    middle = float(np.median(values))
    spread = robust_sd(values, about=middle) or float(values.std())
    kept = np.abs(values - middle) <= 3 * spread
    values, radius = values[kept], radius[kept]
    sd = float(values.std()) * np.sqrt(_VOXELS_TOGETHER / len(values))
    return Body(label=label, density_g_cm3=density_g_cm3, mean_hu=float(values.mean()), sd_hu=float(sd),
                cupping_frac=_cupping(values, radius), clipped_frac=clipped)


def _cupping(values_hu: FloatArray, radius_frac: FloatArray) -> float:
    """Share by which the middle attenuates less than the rim; 0 where noise explains it."""
    middle = values_hu[radius_frac < _MIDDLE_FRAC]
    rim = values_hu[(radius_frac > _RIM_FRAC[0]) & (radius_frac < _RIM_FRAC[1])]
    level = float(values_hu.mean()) - AIR_HU
    if min(len(middle), len(rim)) < _FEWEST_VOXELS or level <= 0.2 * _UNIT_HU:
        return 0.0
    fall = float(rim.mean() - middle.mean())
    error = float(np.sqrt(_VOXELS_TOGETHER * (rim.var() / len(rim) + middle.var() / len(middle))))
    return fall / level if abs(fall) > _CUPPING_SD * error else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HounsfieldCurve:
    """Density as a polynomial of Hounsfield units.

    Parameters
    ----------
    bodies : tuple of Body
        What it rests on.
    coefficients : ndarray, shape (2,) or (3,)
        Of 1, u and u2 with ``u = HU / 1000``; in g/cm3.
    covariance : ndarray, shape (2, 2) or (3, 3)
        Of the coefficients.
    residual_g_cm3 : ndarray, shape (n_bodies,)
        Stated minus fitted density.
    """

    bodies: tuple[Body, ...]
    coefficients: FloatArray
    covariance: FloatArray
    residual_g_cm3: FloatArray

    def density_g_cm3(self, hounsfield: ArrayLike) -> FloatArray:
        """Density that a number stands for.

        Parameters
        ----------
        hounsfield : array_like
            Hounsfield units, or whatever the scan's greys are; NaN stays NaN.

        Returns
        -------
        ndarray
            In g/cm3; slightly negative where noise is below air.
        """
        u = np.asarray(hounsfield, np.float64) / _UNIT_HU
        return np.asarray(np.polynomial.polynomial.polyval(u, self.coefficients))

    def hounsfield_of(self, density_g_cm3: ArrayLike) -> FloatArray:
        """Number that stands for a density.

        Parameters
        ----------
        density_g_cm3 : array_like
            Densities; NaN stays NaN.

        Returns
        -------
        ndarray
            Hounsfield units, on the rising branch of the curve.
        """
        wanted = np.asarray(density_g_cm3, np.float64)
        if len(self.coefficients) == 2:
            return np.asarray(_UNIT_HU * (wanted - self.coefficients[0]) / self.coefficients[1])
        c0, c1, c2 = (float(c) for c in self.coefficients)
        # Written so that nothing is divided by a curvature near zero.
        root = np.sqrt(np.maximum(c1**2 - 4 * c2 * (c0 - wanted), 0.0))
        return np.asarray(_UNIT_HU * 2 * (wanted - c0) / (c1 + root))

    def density_sd_g_cm3(self, density_g_cm3: ArrayLike) -> FloatArray:
        """Systematic standard error of a density, common to the slab.

        Parameters
        ----------
        density_g_cm3 : array_like
            Densities.

        Returns
        -------
        ndarray
            From the covariance of the coefficients. Noise of voxels is not in it.
        """
        terms = _terms(self.hounsfield_of(density_g_cm3), len(self.coefficients))
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", terms, self.covariance, terms)))

    def flags(self, density_g_cm3: ArrayLike) -> tuple[Flag, ...]:
        """Doubts about the curve, and about a slab measured with it.

        Parameters
        ----------
        density_g_cm3 : array_like
            Density over the slab; NaN is left out.

        Returns
        -------
        tuple of Flag
            "calibration-poor", "outside-standards", "saturated" and "beam-hardening", where they hold.
        """
        flags = []
        worst = int(np.argmax(np.abs(self.residual_g_cm3)))
        off, stated = float(self.residual_g_cm3[worst]), self.bodies[worst].density_g_cm3
        if abs(off) > max(_POOR_FRAC * stated, _POOR_G_CM3):
            detail = f"{self.bodies[worst].label} is off by {abs(off):.3f} g/cm3"
            flags.append(Flag(code="calibration-poor", detail=detail))
        low, high = (end(body.density_g_cm3 for body in self.bodies) for end in (min, max))
        slab = np.asarray(density_g_cm3, np.float64)
        slab = slab[np.isfinite(slab)]
        outside = (slab < low) | (slab > high)
        if slab.size and outside.mean() > _OUTSIDE_FRAC:
            detail = f"{100 * outside.mean():.0f} % of the slab lies outside {low:.2f} to {high:.2f} g/cm3"
            flags.append(Flag(code="outside-standards", detail=detail))
        if clipped := [body.label for body in self.bodies if body.clipped_frac > _CLIPPED_FRAC]:
            flags.append(Flag(code="saturated", detail=", ".join(clipped)))
        hollow = max(self.bodies, key=lambda body: body.cupping_frac)
        if hollow.cupping_frac > _CUPPING_FRAC:
            detail = f"{hollow.label}: {100 * hollow.cupping_frac:.1f} % less in the middle"
            flags.append(Flag(code="beam-hardening", detail=detail))
        return tuple(flags)

    def summary(self) -> CalibrationResult:
        """The calibration for the report and the archive.

        Returns
        -------
        CalibrationResult
            Bodies, curve, parameters, and what was done in words.
        """
        stated = np.array([body.density_g_cm3 for body in self.bodies])
        measured = np.array([body.mean_hu for body in self.bodies])
        curve = np.linspace(float(stated.min()), 1.05 * float(stated.max()), _CURVE_POINTS)
        sd = np.sqrt(np.diag(self.covariance))
        names = ("intercept_g_cm3", "slope_g_cm3_per_1000_hu", "bend_g_cm3_per_1000_hu2")
        numbers = dict(zip(names, map(float, self.coefficients), strict=False))
        numbers |= {name.replace("_g_cm3", "_sd_g_cm3"): float(one) for name, one in zip(names, sd, strict=False)}
        numbers["residual_rms_g_cm3"] = self.residual_rms_g_cm3
        return CalibrationResult(
            attenuation=measured, areal_density_g_cm2=stated, fitted_g_cm2=stated - self.residual_g_cm3,
            residual_g_cm2=self.residual_g_cm3, curve_attenuation=self.hounsfield_of(curve), curve_g_cm2=curve,
            curve_sd_g_cm2=self.density_sd_g_cm3(curve), labels=tuple(body.label for body in self.bodies),
            method=self._sentence(), measured_in="Hounsfield units", stated_in="density", stated_unit="g/cm3",
            parameters=numbers)

    @property
    def residual_rms_g_cm3(self) -> float:
        """Root mean square of the residuals."""
        return float(np.sqrt(np.mean(self.residual_g_cm3**2)))

    def _sentence(self) -> str:
        """What was done, for the methods paragraph."""
        stated = [body.density_g_cm3 for body in self.bodies]
        form = "line" if len(self.coefficients) == 2 else "quadratic curve"
        return (f"Density was read from Hounsfield units by a {form} through {len(stated)} standards of "
                f"{min(stated):.2f} to {max(stated):.2f} g/cm3 in the same scan; residuals "
                f"{self.residual_rms_g_cm3:.4f} g/cm3 (root mean square).")


def fit_hounsfield(bodies: Sequence[Body], *, degree: int = 1) -> HounsfieldCurve:
    """Fit density as a line or a quadratic curve of Hounsfield units.

    Parameters
    ----------
    bodies : sequence of Body
        At least two of different density for a line, three for a quadratic curve.
    degree : {1, 2}
        1 for a line; 2 bends it, as hardening does.

    Returns
    -------
    HounsfieldCurve
        The curve with its covariance.

    Raises
    ------
    CalibrationError
        Too few bodies, all alike, of the wrong polarity, a curve that does not rise, or one body that all the others
        contradict.

    Notes
    -----
    Weighted least squares of density on Hounsfield units. The error of a body is its noise times the slope, and
    0.5 % of its stated density. That guess counts as much as two bodies: all errors are scaled by what the misfit
    then says.
    """
    stated = np.array([body.density_g_cm3 for body in bodies])
    measured = np.array([body.mean_hu for body in bodies])
    _raise_for_bodies(stated, measured, degree)
    slope = float(np.polyfit(measured, stated, 1)[0])
    sd = np.hypot(_STATED_SD_FRAC * stated + _STATED_SD_G_CM3, slope * np.array([body.sd_hu for body in bodies]))
    terms = _terms(measured, degree + 1)
    information = terms.T @ (terms / sd[:, None] ** 2)
    covariance = np.linalg.inv(information)
    coefficients = covariance @ (terms.T @ (stated / sd**2))
    residual = stated - terms @ coefficients
    misfit, free = float(np.sum((residual / sd) ** 2)), len(stated) - degree - 1
    covariance = covariance * (_GUESS_WEIGHT + misfit) / (_GUESS_WEIGHT + free)
    curve = HounsfieldCurve(bodies=tuple(bodies), coefficients=coefficients, covariance=covariance,
                            residual_g_cm3=residual)
    _raise_for_curve(curve, measured)
    return curve


def _raise_for_bodies(stated_g_cm3: FloatArray, measured_hu: FloatArray, degree: int) -> None:
    """Refuse bodies that carry no curve."""
    apart = np.sort(stated_g_cm3)
    kinds = 1 + int(np.sum(np.diff(apart) > _SAME_G_CM3))
    if kinds < degree + 1:
        form = "line" if degree == 1 else "quadratic curve"
        msg = (f"density.standards: {len(apart)} of {kinds} different densities carry no {form}; add another, such as "
               'a box of air beside the slab (material = "air") or of water')
        raise CalibrationError(msg)
    if float(np.polyfit(measured_hu, stated_g_cm3, 1)[0]) <= 0:
        msg = ("density.standards: the denser ones have the lower values, which no scan shows; check each box_px, its "
               "slices and density_g_cm3")
        raise CalibrationError(msg)


def _raise_for_curve(curve: HounsfieldCurve, measured_hu: FloatArray) -> None:
    """Refuse a curve that falls somewhere, or that one of its bodies contradicts."""
    if len(curve.coefficients) > 2:
        ends = np.array([measured_hu.min(), measured_hu.max()]) / _UNIT_HU
        if (curve.coefficients[1] + 2 * curve.coefficients[2] * ends).min() <= 0:
            msg = 'density.curve = "quadratic": the curve through the standards falls; write "linear", or check them'
            raise CalibrationError(msg)
    share = np.abs(curve.residual_g_cm3) / np.maximum([body.density_g_cm3 for body in curve.bodies], 1.0)
    worst = int(np.argmax(share))
    if share[worst] > _MOST_MISFIT_FRAC:
        msg = (f"density.standards: {curve.bodies[worst].label} is off by {100 * share[worst]:.0f} % from the curve "
               "through all of them; check every box_px, its slices and density_g_cm3")
        raise CalibrationError(msg)


def _terms(hounsfield: FloatArray, n_terms: int) -> FloatArray:
    """1, u and u2 along a last axis."""
    u = np.asarray(hounsfield, np.float64) / _UNIT_HU
    return np.stack([u**power for power in range(n_terms)], axis=-1)


def hounsfield_units(material: str, density_g_cm3: ArrayLike, energy_kev: ArrayLike) -> FloatArray:
    """Hounsfield units of a material in a beam of one energy.

    Parameters
    ----------
    material : str
        Name, such as "aragonite" or "water".
    density_g_cm3 : array_like
        Its bulk density.
    energy_kev : array_like
        Photon energy.

    Returns
    -------
    ndarray
        ``1000 (mu - mu_water) / (mu_water - mu_air)``: 0 for water and -1000 for air.
    """
    water, air = (mass_attenuation_cm2_g(name, energy_kev) * material_density_g_cm3(name) for name in ("water", "air"))
    own = mass_attenuation_cm2_g(material, energy_kev) * np.asarray(density_g_cm3, np.float64)
    return np.asarray(_UNIT_HU * (own - water) / (water - air))
