"""From mass per area to bulk density of a slab."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]


def slab_density_g_cm3(areal_g_cm2: ArrayLike, thickness_mm: ArrayLike) -> FloatArray:
    """Bulk density of a slab.

    Parameters
    ----------
    areal_g_cm2 : array_like
        Mass per area.
    thickness_mm : array_like
        Thickness of the slab, one value or one per place.

    Returns
    -------
    ndarray
        ``areal / (thickness / 10)``, in g/cm3.

    Raises
    ------
    CalibrationError
        For a thickness that is not positive.
    """
    raise_for_thickness(thickness_mm)
    return np.asarray(areal_g_cm2, np.float64) / (np.asarray(thickness_mm, np.float64) / 10.0)


def raise_for_thickness(thickness_mm: ArrayLike) -> None:
    """Refuse a thickness that is none.

    Parameters
    ----------
    thickness_mm : array_like
        One value or several.

    Raises
    ------
    CalibrationError
        For one that is not above 0.
    """
    thickness = np.asarray(thickness_mm, np.float64)
    if not np.all(thickness > 0):
        msg = f"slab_thickness_mm: {float(np.min(thickness)):g} is not a thickness; give it in mm, above 0"
        raise CalibrationError(msg)


def thickness_sd_frac(thickness_mm: float, thickness_sd_mm: float | None) -> float:
    """Relative standard deviation of density due to the slab's thickness.

    Parameters
    ----------
    thickness_mm : float
        Thickness of the slab.
    thickness_sd_mm : float or None
        Its standard deviation; None where it is not known.

    Returns
    -------
    float
        The error of thickness goes one to one into density; 0 where it is not known. It is common to the
        slab and does not shrink with the number of years.
    """
    return 0.0 if thickness_sd_mm is None else thickness_sd_mm / thickness_mm


def beam_error_g_cm3(intensity_ratio: ArrayLike, attenuation_cm2_g: float, thickness_mm: float) -> FloatArray:
    """Error of density where the beam is taken as brighter or fainter than it is.

    Parameters
    ----------
    intensity_ratio : array_like
        Assumed over true intensity of the open beam.
    attenuation_cm2_g : float
        Mass attenuation coefficient of the skeleton.
    thickness_mm : float
        Thickness of the slab.

    Returns
    -------
    ndarray
        ``ln(ratio) / ((mu/rho) t)`` in g/cm3: what skipping the beam correction costs.
    """
    return np.log(np.asarray(intensity_ratio, np.float64)) / (attenuation_cm2_g * thickness_mm / 10.0)
