"""Bulk density measured otherwise: the balance, held against the image.

A piece's mass and volume, by buoyant weighing, by a coat of wax or by displacement, give its bulk density
(`weigh`); the image gives the mean over the same piece (`mean_density_of_piece`); `hold_against` tells whether they
agree within the errors of both, and what share of the piece is pores.
"""

from bandkit.bulk.compare import DISAGREE_Z, bulk_flags, check_bulk, hold_against
from bandkit.bulk.image import NOTHING, MeanDensity, mean_density_of_piece, mean_density_of_track
from bandkit.bulk.weigh import (
    Weighed,
    dry_mass_g,
    enclosed_volume_cm3,
    porosity_frac,
    porosity_sd_frac,
    solid_volume_cm3,
    water_density_g_cm3,
    weigh,
)

__all__ = [
    "DISAGREE_Z",
    "NOTHING",
    "MeanDensity",
    "Weighed",
    "bulk_flags",
    "check_bulk",
    "dry_mass_g",
    "enclosed_volume_cm3",
    "hold_against",
    "mean_density_of_piece",
    "mean_density_of_track",
    "porosity_frac",
    "porosity_sd_frac",
    "solid_volume_cm3",
    "water_density_g_cm3",
    "weigh",
]
