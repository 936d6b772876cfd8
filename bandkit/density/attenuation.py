"""How much of an X-ray beam materials take away, from a shipped table.

A slab or a standard with mass per area ``sigma`` (g/cm2) lets ``exp(-(mu/rho) sigma)`` of a
narrow beam of one energy through; ``mu/rho`` (cm2/g) depends on the elements and the energy alone.
"""

from __future__ import annotations

import difflib
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]

# Energies that the table covers.
ENERGY_RANGE_KEV = (10.0, 200.0)

# What people call a material -> its column in the table.
_COLUMNS = {
    "aragonite": "calcium carbonate",
    "calcite": "calcium carbonate",
    "calcium carbonate": "calcium carbonate",
    "caco3": "calcium carbonate",
    "coral": "calcium carbonate",
    "aluminium": "aluminium",
    "aluminum": "aluminium",
    "al": "aluminium",
    "water": "water",
    "pmma": "pmma",
    "acrylic": "pmma",
    "air": "air",
    "epoxy": "epoxy",
    "strontium": "strontium",
}

# Density in g/cm3 of the solid material. Aragonite: sshade.eu mineral data (2.93-2.95 in the literature).
# Aluminium, water, PMMA, strontium: usual handbook values, from memory; calcite from memory.
# Air at 20 degrees and 1 atm; epoxy differs by product (1.1-1.25).
_DENSITIES_G_CM3 = {
    "aragonite": 2.93,
    "calcite": 2.71,
    "aluminium": 2.699,
    "water": 1.0,
    "pmma": 1.18,
    "air": 0.001204,
    "epoxy": 1.16,
    "strontium": 2.64,
}


def mass_attenuation_cm2_g(material: str, energy_kev: ArrayLike) -> FloatArray:
    """Mass attenuation coefficient of a material.

    Parameters
    ----------
    material : str
        Name, such as "aragonite" or "aluminium"; case does not matter.
    energy_kev : array_like
        Photon energy in keV, 10 to 200.

    Returns
    -------
    ndarray
        ``mu/rho`` in cm2/g, total with coherent scattering, shape of ``energy_kev``.

    Raises
    ------
    CalibrationError
        For a material that is not in the table, or an energy outside it.

    Notes
    -----
    Linear interpolation of the logarithm in the logarithm of energy. Aragonite and calcite have the
    elements of CaCO3 in the same shares, hence the same coefficient.

    References
    ----------
    Elam, W. T., Ravel, B. D. and Sieber, J. R. (2002) A new atomic database for X-ray spectroscopic
    calculations. Radiation Physics and Chemistry 63, 121-128.
    """
    column = _COLUMNS[_known_name(material, _COLUMNS)]
    energy = np.asarray(energy_kev, dtype=np.float64)
    low, high = ENERGY_RANGE_KEV
    if not np.all((energy >= low) & (energy <= high)):
        bad = energy[~((energy >= low) & (energy <= high))].flat[0]
        msg = f"effective_kev: {bad:g} keV is outside the table of mass attenuation; give {low:g} to {high:g}"
        raise CalibrationError(msg)
    table = _table()
    return np.exp(np.interp(np.log(energy), np.log(table["energy_kev"]), np.log(table[column])))


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
    pure = mass_attenuation_cm2_g("calcium carbonate", energy_kev)
    return (1 - strontium_frac) * pure + strontium_frac * mass_attenuation_cm2_g("strontium", energy_kev)


def effective_energy_kev(attenuation_cm2_g: float, material: str = "calcium carbonate") -> float:
    """Energy at which a material has a mass attenuation coefficient.

    Parameters
    ----------
    attenuation_cm2_g : float
        Mass attenuation coefficient, in cm2/g.
    material : str
        A material without an absorption edge between 10 and 200 keV.

    Returns
    -------
    float
        Energy in keV; NaN where the table does not reach.
    """
    table = _table()
    column = table[_COLUMNS[_known_name(material, _COLUMNS)]]
    if not column[-1] <= attenuation_cm2_g <= column[0]:
        return float("nan")
    return float(np.exp(np.interp(np.log(attenuation_cm2_g), np.log(column[::-1]), np.log(table["energy_kev"][::-1]))))


def material_density_g_cm3(material: str) -> float:
    """Usual density of a solid material.

    Parameters
    ----------
    material : str
        Name, such as "aragonite" or "aluminium"; case does not matter.

    Returns
    -------
    float
        Density in g/cm3.

    Raises
    ------
    CalibrationError
        For a material whose density is not known here, such as "calcium carbonate" or "coral".
    """
    name = _known_name(material, _COLUMNS)
    name = name if name in _DENSITIES_G_CM3 else _COLUMNS[name]
    if name not in _DENSITIES_G_CM3:
        msg = f"density_g_cm3: {material!r} has no one density; give it with the standard"
        raise CalibrationError(msg)
    return _DENSITIES_G_CM3[name]


def is_calcium_carbonate(material: str) -> bool:
    """Tell whether a material is CaCO3, as coral skeleton is.

    Parameters
    ----------
    material : str
        Name; case does not matter.

    Returns
    -------
    bool
        True for aragonite, calcite and coral.
    """
    return _COLUMNS[_known_name(material, _COLUMNS)] == "calcium carbonate"


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


def carbonate_equivalent_g_cm2(material: str, areal_g_cm2: float, effective_kev: float | None) -> float:
    """Mass per area of CaCO3 that dims the beam as much as a standard does.

    Parameters
    ----------
    material : str
        What the standard is made of.
    areal_g_cm2 : float
        Its mass per area, density times thickness.
    effective_kev : float or None
        Effective energy of the beam; needed unless the standard is CaCO3.

    Returns
    -------
    float
        ``sigma (mu/rho)_material / (mu/rho)_CaCO3`` in g/cm2.

    Raises
    ------
    CalibrationError
        Where the energy is missing, or the material or energy is not in the table.
    """
    if is_calcium_carbonate(material):
        return areal_g_cm2
    if effective_kev is None:
        msg = (f"effective_kev: missing, but a standard is {material}; give the effective energy of the beam in keV, "
               "or use standards of aragonite, which nearly do without it")
        raise CalibrationError(msg)
    ratio = mass_attenuation_cm2_g(material, effective_kev) / mass_attenuation_cm2_g("calcium carbonate", effective_kev)
    return float(areal_g_cm2 * ratio)


def _known_name(material: str, names: dict[str, str]) -> str:
    """The listed spelling of a material, or an error that lists them."""
    name = " ".join(material.lower().split())
    if name in names:
        return name
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    msg = f"material: {material!r} is not known; {hint}known are {', '.join(sorted(names))}"
    raise CalibrationError(msg)


@cache
def _table() -> dict[str, FloatArray]:
    """The shipped table, column by column."""
    text = resources.files("bandkit").joinpath("data").joinpath("attenuation.csv").read_text(encoding="utf-8")
    header, *rows = (line for line in text.splitlines() if not line.startswith("#"))
    columns = np.array([row.split(",") for row in rows], dtype=np.float64).T
    return dict(zip(header.split(","), columns, strict=True))
