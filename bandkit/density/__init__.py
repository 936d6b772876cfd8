"""Density from a radiograph: beam, standards, attenuation.

Grey values become intensity (`transmitted_intensity`), the open beam a smooth surface
(`find_open_beam`, `fit_beam`), the standards a curve from intensity to mass per area (`calibrate`), and
mass per area over thickness is bulk density (`slab_density_g_cm3`). Pure functions on arrays.
"""

from bandkit.density.attenuation import (
    carbonate_equivalent_g_cm2,
    coral_attenuation_cm2_g,
    effective_energy_kev,
    is_calcium_carbonate,
    mass_attenuation_cm2_g,
    material_density_g_cm3,
    transmission,
)
from bandkit.density.beam import (
    Beam,
    BeamSamples,
    even_beam,
    fit_beam,
    flat_detector_falloff,
    join_samples,
    patch_samples,
)
from bandkit.density.calibration import calibrate
from bandkit.density.curve import Calibration
from bandkit.density.grey import Patch, grey_flags, measure_patch, saturated_frac, transmitted_intensity
from bandkit.density.open_beam import find_open_beam
from bandkit.density.slab import beam_error_g_cm3, slab_density_g_cm3, thickness_sd_frac
from bandkit.density.standards import StandardSamples, standard_samples

__all__ = [
    "Beam",
    "BeamSamples",
    "Calibration",
    "Patch",
    "StandardSamples",
    "beam_error_g_cm3",
    "calibrate",
    "carbonate_equivalent_g_cm2",
    "coral_attenuation_cm2_g",
    "effective_energy_kev",
    "even_beam",
    "find_open_beam",
    "fit_beam",
    "flat_detector_falloff",
    "grey_flags",
    "is_calcium_carbonate",
    "join_samples",
    "mass_attenuation_cm2_g",
    "material_density_g_cm3",
    "measure_patch",
    "patch_samples",
    "saturated_frac",
    "slab_density_g_cm3",
    "standard_samples",
    "thickness_sd_frac",
    "transmission",
    "transmitted_intensity",
]
