"""Density from a radiograph: beam, standards, attenuation.

Grey values become intensity (`transmitted_intensity`), the open beam a smooth surface
(`find_open_beam`, `fit_beam`), the standards a curve from intensity to mass per area (`calibrate`), and
mass per area over thickness is bulk density (`slab_density_g_cm3`). Pure functions on arrays.
"""

from bandkit.density.attenuation import (
    carbonate_equivalent_g_cm2,
    coral_attenuation_cm2_g,
    effective_energy_kev,
    mass_attenuation_cm2_g,
    material_density_g_cm3,
    transmission,
)
from bandkit.density.beam import Beam, BeamSamples, bar_samples, even_beam, join_samples, patch_samples
from bandkit.density.beam_fit import fit_beam, fit_beam_and_veil
from bandkit.density.calibration import Calibration
from bandkit.density.fit import calibrate
from bandkit.density.grey import Patch, grey_flags, measure_patch, saturated_frac, transmitted_intensity
from bandkit.density.materials import Material, coral_skeleton, known_material
from bandkit.density.open_beam import find_open_beam
from bandkit.density.radiograph import Exposed, MeasuredStandards, View, expose
from bandkit.density.response import Response
from bandkit.density.slab import beam_error_g_cm3, slab_density_g_cm3, thickness_sd_frac
from bandkit.density.standards import StandardSamples, standard_samples
from bandkit.density.thickness import (
    EvenThickness,
    Thickness,
    ThicknessMap,
    ThicknessSurface,
    drift_flags,
    fit_thickness,
    map_thickness,
)
from bandkit.density.tubes import ObliquePath, flat_detector_falloff
from bandkit.density.veil import Veil

__all__ = [
    "Beam",
    "BeamSamples",
    "Calibration",
    "EvenThickness",
    "Exposed",
    "Material",
    "MeasuredStandards",
    "ObliquePath",
    "Patch",
    "Response",
    "StandardSamples",
    "Thickness",
    "ThicknessMap",
    "ThicknessSurface",
    "Veil",
    "View",
    "bar_samples",
    "beam_error_g_cm3",
    "calibrate",
    "carbonate_equivalent_g_cm2",
    "coral_attenuation_cm2_g",
    "coral_skeleton",
    "drift_flags",
    "effective_energy_kev",
    "even_beam",
    "expose",
    "find_open_beam",
    "fit_beam",
    "fit_beam_and_veil",
    "fit_thickness",
    "flat_detector_falloff",
    "grey_flags",
    "join_samples",
    "known_material",
    "map_thickness",
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
