"""Bulk density, micro-density and porosity on the balance.

Archimedes in three ways. A piece with open pores, weighed in water, gives the volume of its solid; one that is
sealed with wax or film gives the volume that it encloses; so does a displacement or the piece's own sides. The
density of the solid skeleton (micro-density) is stated or follows from the weights: it is that of aragonite
(2.93 g/cm3) in no coral that was measured, but 2 to 6 % less (2.78 to 2.87 g/cm3 in eight species of Acropora).

Air left in the pores makes the solid look lighter than it is: soak the piece, and draw the air out under vacuum.

References
----------
Jokiel, Maragos & Franzisket 1978, and Davies 1989: buoyant weighing. Bucher, Harriott & Roberts 1998: micro-density
and porosity of Acropora, and what air in pores does. Density of water: Millero & Poisson 1981, Deep-Sea Research 28A,
625-629, adopted by UNESCO (Technical Papers in Marine Science 36, 1981) as the equation of state at one atmosphere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bandkit.errors import CalibrationError
from bandkit.record import BulkSpec

# Customary where the record does not say: a balance on a bench, a volume by displacement, and melted wax.
WEIGHT_SD_G = 0.02
VOLUME_SD_FRAC = 0.01
COAT_SD_FRAC = 0.02
# A thermometer's degree and a unit of salinity are worth less than this together.
WATER_SD_FRAC = 0.0005
# A stated micro-density: half of the range of the eight species of Acropora that Bucher et al. 1998 measured.
MICRO_SD_G_CM3 = 0.045

# Coefficients of the one-atmosphere equation of state (Millero & Poisson 1981), in kg/m3, lowest power first.
_FRESH = (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
_SALT = (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
_SALT_ROOT = (-5.72466e-3, 1.0227e-4, -1.6546e-6)
_SALT_SQUARE = 4.8314e-4
_KG_M3 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """What the balance says of a piece.

    Parameters
    ----------
    density_g_cm3, density_sd_g_cm3 : float
        Bulk density and its standard deviation.
    dry_g, volume_cm3 : float
        Mass of the dry piece, and the volume that it encloses.
    micro_density_g_cm3, micro_density_sd_g_cm3 : float
        Density of the solid skeleton and its standard deviation; NaN where it is neither stated nor weighed.
    micro_source : str
        "weighed", "stated" or empty.
    water_density_g_cm3 : float
        Of the water that it was weighed in; NaN where it was not.
    method : str
        One sentence for the methods paragraph.
    """

    density_g_cm3: float
    density_sd_g_cm3: float
    dry_g: float
    volume_cm3: float
    micro_density_g_cm3: float
    micro_density_sd_g_cm3: float
    micro_source: str
    water_density_g_cm3: float
    method: str


def water_density_g_cm3(temperature_deg_c: float, salinity_psu: float = 0.0) -> float:
    """Density of water at the pressure of the air.

    Parameters
    ----------
    temperature_deg_c : float
        Temperature, in degrees Celsius; -2 to 40.
    salinity_psu : float
        Practical salinity; 0 (fresh) to 42.

    Returns
    -------
    float
        In g/cm3, good to 0.00001.

    Notes
    -----
    ``rho = rho_fresh(t) + A(t) S + B(t) S^1.5 + C S^2``.

    References
    ----------
    Millero & Poisson 1981, Deep-Sea Research 28A, 625-629.
    """
    def polynomial(coefficients: tuple[float, ...]) -> float:
        return float(sum(c * temperature_deg_c**k for k, c in enumerate(coefficients)))

    s = float(salinity_psu)
    salt = polynomial(_SALT) * s + polynomial(_SALT_ROOT) * s * math.sqrt(s) + _SALT_SQUARE * s**2
    return (polynomial(_FRESH) + salt) / _KG_M3


def dry_mass_g(buoyant_g: float, water_g_cm3: float, micro_g_cm3: float) -> float:
    """Mass of dry skeleton from its weight in water.

    Parameters
    ----------
    buoyant_g : float
        Weight in water, with open pores full of it.
    water_g_cm3, micro_g_cm3 : float
        Density of the water and of the solid skeleton.

    Returns
    -------
    float
        ``Wb / (1 - rho_water / rho_micro)``, in g.

    References
    ----------
    Jokiel, Maragos & Franzisket 1978; Davies 1989.
    """
    return buoyant_g / (1.0 - water_g_cm3 / micro_g_cm3)


def solid_volume_cm3(dry_g: float, buoyant_g: float, water_g_cm3: float) -> float:
    """Volume of the solid skeleton alone.

    Parameters
    ----------
    dry_g, buoyant_g : float
        Weight of the dry piece in air, and of the soaked one in water.
    water_g_cm3 : float
        Density of the water.

    Returns
    -------
    float
        ``(W - Wb) / rho_water``, in cm3.
    """
    return (dry_g - buoyant_g) / water_g_cm3


def enclosed_volume_cm3(
    coated_g: float, coated_buoyant_g: float, water_g_cm3: float, *, coat_g: float, coat_g_cm3: float,
) -> float:
    """Volume that a piece encloses, pores and all, from its weights when sealed.

    Parameters
    ----------
    coated_g, coated_buoyant_g : float
        Weight of the coated piece in air and in water.
    water_g_cm3 : float
        Density of the water.
    coat_g, coat_g_cm3 : float
        Mass and density of the coat.

    Returns
    -------
    float
        ``(W_coated - Wb_coated) / rho_water - m_coat / rho_coat``, in cm3.
    """
    return (coated_g - coated_buoyant_g) / water_g_cm3 - coat_g / coat_g_cm3


def porosity_frac(bulk_g_cm3: float, micro_g_cm3: float) -> float:
    """Share of the volume that is no skeleton.

    Parameters
    ----------
    bulk_g_cm3, micro_g_cm3 : float
        Density of the piece and of its solid.

    Returns
    -------
    float
        ``1 - bulk / micro``.
    """
    return 1.0 - bulk_g_cm3 / micro_g_cm3


def porosity_sd_frac(
    bulk_g_cm3: float, bulk_sd_g_cm3: float, micro_g_cm3: float, micro_sd_g_cm3: float,
) -> float:
    """Tell what a porosity is off by.

    Parameters
    ----------
    bulk_g_cm3, bulk_sd_g_cm3, micro_g_cm3, micro_sd_g_cm3 : float
        The two densities and their standard deviations, independent of each other.

    Returns
    -------
    float
        Standard deviation of the porosity.
    """
    return bulk_g_cm3 / micro_g_cm3 * float(np.hypot(bulk_sd_g_cm3 / bulk_g_cm3, micro_sd_g_cm3 / micro_g_cm3))


def weigh(spec: BulkSpec) -> Weighed:
    """Bulk density of a piece from what stands in the record.

    Parameters
    ----------
    spec : BulkSpec
        Weights and volumes; see `bandkit.record.BulkSpec`.

    Returns
    -------
    Weighed
        With the errors of balance, volume, coat, water and micro-density carried through.

    Raises
    ------
    CalibrationError
        Where the numbers leave no volume, or no pores.

    Notes
    -----
    Each number is moved by its standard deviation in turn; what that does to the densities adds up in squares.
    """
    water = _water(spec)
    numbers = _numbers(spec, water)
    density, micro, dry, volume = _densities(spec, numbers)
    if volume <= 0:
        msg = (f"bulk: the weights leave {volume:.3g} cm3 for the piece itself; check coated_buoyant_g and "
               "coat_density_g_cm3, in grams and g/cm3")
        raise CalibrationError(msg)
    if density >= (micro if np.isfinite(micro) else 3.0):
        msg = (f"bulk: {density:.2f} g/cm3 is not below the density of the solid skeleton; check dry_g in grams and "
               "the volume in cm3")
        raise CalibrationError(msg)
    moved = [_densities(spec, {**numbers, name: (value + sd, sd)})[:2] for name, (value, sd) in numbers.items()]
    density_sd = float(np.sqrt(sum((one - density) ** 2 for one, _ in moved)))
    micro_sd = float(np.sqrt(sum((one - micro) ** 2 for _, one in moved)))
    source = "stated" if spec.micro_density_g_cm3 is not None else "weighed" if np.isfinite(micro) else ""
    return Weighed(density_g_cm3=density, density_sd_g_cm3=density_sd, dry_g=dry, volume_cm3=volume,
                   micro_density_g_cm3=micro, micro_density_sd_g_cm3=micro_sd, micro_source=source,
                   water_density_g_cm3=water, method=_sentence(spec, water))


def _water(spec: BulkSpec) -> float:
    """Density of the water; NaN where nothing was weighed in it."""
    if spec.water_density_g_cm3 is not None:
        return spec.water_density_g_cm3
    return float("nan") if spec.water_deg_c is None else water_density_g_cm3(spec.water_deg_c, spec.salinity_psu or 0.0)


def _numbers(spec: BulkSpec, water: float) -> dict[str, tuple[float, float]]:
    """What was measured, each with its standard deviation; those that are not given are left out."""
    weight_sd = WEIGHT_SD_G if spec.weight_sd_g is None else spec.weight_sd_g
    numbers = {name: (value, weight_sd) for name in ("dry_g", "coated_g", "coated_buoyant_g", "buoyant_g")
               if (value := getattr(spec, name)) is not None}
    if spec.volume_cm3 is not None:
        usual = VOLUME_SD_FRAC * spec.volume_cm3
        numbers["volume_cm3"] = (spec.volume_cm3, usual if spec.volume_sd_cm3 is None else spec.volume_sd_cm3)
    if spec.coat_density_g_cm3 is not None:
        numbers["coat_g_cm3"] = (spec.coat_density_g_cm3, COAT_SD_FRAC * spec.coat_density_g_cm3)
    if spec.micro_density_g_cm3 is not None:
        numbers["micro_g_cm3"] = (spec.micro_density_g_cm3, MICRO_SD_G_CM3)
    return {**numbers, "water_g_cm3": (water, WATER_SD_FRAC * water)} if np.isfinite(water) else numbers


def _densities(spec: BulkSpec, numbers: dict[str, tuple[float, float]]) -> tuple[float, float, float, float]:
    """Bulk density, micro-density, dry mass and enclosed volume of a set of numbers."""
    of = {name: value for name, (value, _) in numbers.items()}
    dry = of["dry_g"] if spec.dry_g is not None else dry_mass_g(of["buoyant_g"], of["water_g_cm3"], of["micro_g_cm3"])
    if spec.volume_cm3 is not None:
        volume = of["volume_cm3"]
    else:
        volume = enclosed_volume_cm3(of["coated_g"], of["coated_buoyant_g"], of["water_g_cm3"],
                                     coat_g=of["coated_g"] - dry, coat_g_cm3=of["coat_g_cm3"])
    micro = of.get("micro_g_cm3", float("nan"))
    if spec.micro_density_g_cm3 is None and spec.buoyant_g is not None:
        micro = dry / solid_volume_cm3(dry, of["buoyant_g"], of["water_g_cm3"])
    return dry / volume, micro, dry, volume


def _sentence(spec: BulkSpec, water: float) -> str:
    """What was done on the balance."""
    mass = "its weight in air" if spec.dry_g is not None else "its buoyant weight and the stated micro-density"
    in_water = f" in water of {water:.4f} g/cm3"
    coated = f"the weights of the coated piece in air and{in_water}"
    volume = "the stated volume" if spec.volume_cm3 is not None else coated
    micro = ""
    if spec.micro_density_g_cm3 is None and spec.buoyant_g is not None:
        micro = f"; the micro-density followed from the buoyant weight{in_water}"
    return f"Bulk density of the piece came from {mass} and {volume}{micro}."
