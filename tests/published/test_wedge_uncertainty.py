"""What density by standards in the image may be off by, against a published budget."""

from dataclasses import replace

import numpy as np
import pytest

from bandkit.pipeline import measure
from bandkit.simulate import BeamDesign, GrowthDesign, RadiographDesign, SlabDesign, simulate_radiograph
from bandkit.simulate.write import write_simulated

# Porites of 1.45 to 1.70 g/cm3 with steps of aragonite beside it.
PHANTOM = RadiographDesign(
    specimen="TB-31", growth=GrowthDesign(years=6.0, extension_mm_yr=9.0, density_g_cm3=1.55, cycle_frac=0.1, tissue_mm=4.0),
    slab=SlabDesign(width_mm=34.0, mm_per_px=0.125, texture_frac=0.02, tilt_deg=0.0, bump_mm=0.2),
    beam=BeamDesign(dense="dark"), standards_mm=(1.0, 2.0, 3.5, 5.0))


@pytest.fixture(scope="module")
def growth_and_truth(tmp_path_factory):
    slab = simulate_radiograph(PHANTOM, 12)
    growth = measure(write_simulated(slab, tmp_path_factory.mktemp("phantom"))).growth
    return growth, slab.truth.tracks[0]


def test_combined_standard_uncertainty(growth_and_truth):
    """About 0.02 g/cm3, most of it from the calibration curve (JAMSTEC Rep. Res. Dev. 16:31-39, 2013, ISO/IEC Guide 98-3)."""
    growth, _ = growth_and_truth
    whole = growth.complete == "yes"
    assert whole.sum() >= 4
    sd = growth.density_sd_g_cm3[whole]
    assert np.all((sd > 0.005) & (sd < 0.08))


def test_most_of_it_is_common_to_all_years(growth_and_truth):
    """Calibration and thickness, 78.5 % and 6.3 % there: what averaging over years does not take away."""
    growth, _ = growth_and_truth
    whole = growth.complete == "yes"
    systematic, all_of_it = growth.density_systematic_sd_g_cm3[whole], growth.density_sd_g_cm3[whole]
    assert np.all(systematic**2 > 0.5 * all_of_it**2)


def test_it_is_honest(growth_and_truth):
    growth, truth = growth_and_truth
    whole = growth.complete == "yes"
    np.testing.assert_array_equal(growth.year[whole], truth.year)
    away = growth.density_g_cm3[whole] - truth.density_g_cm3
    assert abs(away.mean()) < 3 * growth.density_systematic_sd_g_cm3[whole].mean()
    assert np.sqrt(np.mean(away**2)) < 0.03


def test_thickness_known_worse_is_a_larger_uncertainty(tmp_path):
    """Density is mass per area over thickness: 3 % of thickness is 3 % of density (physics)."""
    slab = simulate_radiograph(PHANTOM, 12)
    text = slab.record_text.replace("slab_thickness_sd_mm = 0.05", "slab_thickness_sd_mm = 0.195")
    assert text != slab.record_text
    growth = measure(write_simulated(replace(slab, record_text=text), tmp_path)).growth
    whole = growth.complete == "yes"
    assert np.all(growth.density_sd_g_cm3[whole] > 0.029 * growth.density_g_cm3[whole])
