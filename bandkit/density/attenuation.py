"""How much of an X-ray beam materials take away, from a shipped table.

A slab or a standard with mass per area ``sigma`` (g/cm2) lets ``exp(-(mu/rho) sigma)`` of a
narrow beam of one energy through; ``mu/rho`` (cm2/g) depends on the elements and the energy alone.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.materials import Material, coral_skeleton, known_material
from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]

# Energies that the table covers.
ENERGY_RANGE_KEV = (10.0, 200.0)


def mass_attenuation_cm2_g(material: str | Material, energy_kev: ArrayLike) -> FloatArray:
    """Mass attenuation coefficient of a material.

    Parameters
    ----------
    material : str or Material
        Name or formula, such as "calcite", "aluminium" or "C5H8O2"; see `known_material`.
    energy_kev : array_like
        Photon energy in keV, 10 to 200.

    Returns
    -------
    ndarray
        ``mu/rho`` in cm2/g, total with coherent scattering, shape of ``energy_kev``.

    Raises
    ------
    CalibrationError
        For a material that is not known, or an energy outside the table.

    Notes
    -----
    Sum over the elements by mass; linear interpolation of the logarithm in the logarithm of energy.

    References
    ----------
    Elam, W. T., Ravel, B. D. and Sieber, J. R. (2002) A new atomic database for X-ray spectroscopic
    calculations. Radiation Physics and Chemistry 63, 121-128.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    low, high = ENERGY_RANGE_KEV
    if not np.all((energy >= low) & (energy <= high)):
        bad = energy[~((energy >= low) & (energy <= high))].flat[0]
        msg = f"effective_kev: {bad:g} keV is outside the table of mass attenuation; give {low:g} to {high:g}"
        raise CalibrationError(msg)
    log_kev, log_mu = log_table(_material(material))
    return np.asarray(np.exp(np.interp(np.log(energy), log_kev, log_mu)))


def coral_attenuation_cm2_g(energy_kev: ArrayLike, *, strontium_frac: float = 0.0) -> FloatArray:
    """Mass attenuation coefficient of coral skeleton with a share of strontium.

    Parameters
    ----------
    energy_kev : array_like
        Photon energy in keV, 10 to 200.
    strontium_frac : float
        Mass of strontium per mass of skeleton; corals hold about 0.008.

    Returns
    -------
    ndarray
        ``mu/rho`` in cm2/g, shape of ``energy_kev``.

    Notes
    -----
    ``(1 - w) (mu/rho)_CaCO3 + w (mu/rho)_Sr``. Strontium absorbs strongly above its K edge at
    16.1 keV: 0.8 % of it raise the coefficient by 8 % at 40 keV, so pure CaCO3 as a standard makes a
    coral look that much too dense.
    """
    return mass_attenuation_cm2_g(coral_skeleton(100 * strontium_frac), energy_kev)


def effective_energy_kev(attenuation_cm2_g: float, material: str | Material = "calcium carbonate") -> float:
    """Energy at which a material has a mass attenuation coefficient.

    Parameters
    ----------
    attenuation_cm2_g : float
        Mass attenuation coefficient, in cm2/g.
    material : str or Material
        A material whose coefficient falls all the way from 10 to 200 keV; that of coral does.

    Returns
    -------
    float
        Energy in keV; NaN where the table does not reach.
    """
    log_kev, log_mu = log_table(_material(material))
    # The edge of strontium lifts the coefficient of coral for a little way.
    log_mu = np.minimum.accumulate(log_mu)
    wanted = np.log(attenuation_cm2_g) if attenuation_cm2_g > 0 else np.inf
    if not log_mu[-1] <= wanted <= log_mu[0]:
        return float("nan")
    return float(np.exp(np.interp(wanted, log_mu[::-1], log_kev[::-1])))


def material_density_g_cm3(material: str) -> float:
    """Usual density of a solid material.

    Parameters
    ----------
    material : str
        Name, such as "aragonite" or "aluminium"; case does not matter.

    Returns
    -------
    float
        Density of the solid in g/cm3.

    Raises
    ------
    CalibrationError
        For a material whose density is not known here, such as "coral" or a formula.
    """
    density = known_material(material).density_g_cm3
    if density is None:
        msg = f"density_g_cm3: {material!r} has no one density; give it with the standard"
        raise CalibrationError(msg)
    return density


def transmission(areal_g_cm2: ArrayLike, attenuation_cm2_g: ArrayLike) -> FloatArray:
    """Share of a narrow beam that gets through.

    Parameters
    ----------
    areal_g_cm2 : array_like
        Mass per area in g/cm2.
    attenuation_cm2_g : array_like
        Mass attenuation coefficient in cm2/g.

    Returns
    -------
    ndarray
        ``exp(-(mu/rho) sigma)``, the law of Beer and Lambert.
    """
    return np.exp(-np.asarray(attenuation_cm2_g, np.float64) * np.asarray(areal_g_cm2, np.float64))


def carbonate_equivalent_g_cm2(material: str, areal_g_cm2: float, effective_kev: float | None, *,
                               strontium_wt_pct: float | None = None) -> float:
    """Mass per area of carbonate that dims a beam of one energy as much as a standard does.

    Parameters
    ----------
    material : str
        What the standard is made of.
    areal_g_cm2 : float
        Its mass per area, density times thickness.
    effective_kev : float or None
        Effective energy of the beam; needed unless the standard is a carbonate like the other one.
    strontium_wt_pct : float, optional
        Strontium of the carbonate that is asked for, percent by weight: about 0.8 for coral skeleton. Pure CaCO3
        where absent, and the standard is then taken as such where it is a carbonate.

    Returns
    -------
    float
        ``sigma (mu/rho)_material / (mu/rho)_carbonate`` in g/cm2.

    Raises
    ------
    CalibrationError
        Where the energy is missing, or the material or energy is not in the table.
    """
    standard = known_material(material)
    wanted = coral_skeleton(strontium_wt_pct or 0.0)
    if standard.strontium_wt_pct is not None and strontium_wt_pct in {None, standard.strontium_wt_pct}:
        return areal_g_cm2
    if effective_kev is None:
        msg = f"effective_kev: missing, but a standard is {material}; give the effective energy of the beam in keV"
        raise CalibrationError(msg)
    ratio = mass_attenuation_cm2_g(standard, effective_kev) / mass_attenuation_cm2_g(wanted, effective_kev)
    return float(areal_g_cm2 * ratio)


def log_table(material: Material) -> tuple[FloatArray, FloatArray]:
    """The table of a material.

    Parameters
    ----------
    material : Material
        Elements by mass.

    Returns
    -------
    log_kev, log_attenuation : ndarray, shape (n,)
        Natural logarithms of the energy in keV, rising, and of the mass attenuation coefficient in cm2/g.
    """
    table = _table()
    mu = np.sum([share * table[element] for element, share in material.shares.items()], axis=0)
    return np.log(table["energy_kev"]), np.asarray(np.log(mu))


def _material(material: str | Material) -> Material:
    """A material, looked up where only its name is given."""
    return material if isinstance(material, Material) else known_material(material)


@cache
def _table() -> dict[str, FloatArray]:
    """The shipped table, column by column."""
    text = resources.files("bandkit").joinpath("data").joinpath("attenuation.csv").read_text(encoding="utf-8")
    header, *rows = (line for line in text.splitlines() if not line.startswith("#"))
    columns = np.array([row.split(",") for row in rows], dtype=np.float64).T
    return dict(zip(header.split(","), columns, strict=True))
