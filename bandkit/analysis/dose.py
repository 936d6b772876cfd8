"""Bag and dye for staining a colony: common practice with cautions, not a recipe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.table import Table

FloatArray = NDArray[np.float64]

# Common practice: bag of three to four times the colony, 24 h (list of practitioners, September 2004);
# 10 to 20 mg per litre (handbook of 1978, from memory).
BAG_TIMES = 4.0
DOSES_MG_L = (10.0, 20.0)
# A 1 % stock has 10 mg in a millilitre.
STOCK_MG_ML = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DoseTable(Table):
    """One row per size of colony: bag and dye. Common practice with cautions, not a recipe."""

    colony_diameter_mm: FloatArray
    colony_litres: FloatArray
    bag_litres: FloatArray
    water_litres: FloatArray
    least_dye_mg: FloatArray
    most_dye_mg: FloatArray
    least_stock_ml: FloatArray
    most_stock_ml: FloatArray


def dose_table(diameters_mm: ArrayLike) -> DoseTable:
    """Bag and dye for colonies of some sizes, as is common practice.

    Parameters
    ----------
    diameters_mm : array_like, shape (n,)
        Diameters of the colonies, in mm, which are taken as hemispheres.

    Returns
    -------
    DoseTable
        Bag of four times the colony; dye for the water that is left in it, 10 to 20 mg per litre, as powder and as
        millilitres of a 1 % stock.
    """
    diameter_mm = np.atleast_1d(np.asarray(diameters_mm, dtype=np.float64))
    # A litre is a million cubic millimetres.
    colony = 2 * np.pi / 3 * (diameter_mm / 2) ** 3 / 1e6
    water = (BAG_TIMES - 1) * colony
    least, most = DOSES_MG_L
    return DoseTable(
        colony_diameter_mm=diameter_mm, colony_litres=colony, bag_litres=BAG_TIMES * colony, water_litres=water,
        least_dye_mg=least * water, most_dye_mg=most * water,
        least_stock_ml=least * water / STOCK_MG_ML, most_stock_ml=most * water / STOCK_MG_ML,
    )  # fmt: skip
