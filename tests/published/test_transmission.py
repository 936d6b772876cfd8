"""Worked examples of attenuation, beam geometry and what they do to density."""

from __future__ import annotations

import numpy as np
import pytest

from bandkit.density import (
    beam_error_g_cm3,
    carbonate_equivalent_g_cm2,
    flat_detector_falloff,
    mass_attenuation_cm2_g,
    slab_density_g_cm3,
    transmission,
)


@pytest.mark.parametrize(("kev", "through", "tolerance"), [
    (60, 0.7103, 0.001), (20, 0.0056, 0.0001), (30, 0.186, 0.001), (40, 0.448, 0.001), (100, 0.837, 0.001)])
def test_transmission_of_7_mm_at_1_30(kev, through, tolerance):
    # Law of Beer and Lambert with Hubbell & Seltzer's CaCO3; 60 keV is near the line of Am-241 (59.5 keV) that gamma
    # densitometry uses (Chalker & Barnes 1990).
    assert transmission(0.7 * 1.30, mass_attenuation_cm2_g("aragonite", kev)) == pytest.approx(through, abs=tolerance)


@pytest.mark.parametrize(("aluminium_mm", "density", "tolerance"), [(5.2, 1.293, 0.005), (9.0, 2.24, 0.01)])
def test_slab_that_matches_aluminium_at_40_kev(aluminium_mm, density, tolerance):
    # Equal response of the film: (mu/rho) rho t alike in both (Buddemeier 1974; Chalker, Barnes & Isdale 1985).
    areal = carbonate_equivalent_g_cm2("aluminium", aluminium_mm / 10 * 2.699, 40)
    assert slab_density_g_cm3(areal, 7.0) == pytest.approx(density, abs=tolerance)


def test_slab_as_dense_as_3_mm_of_aragonite():
    # D = rho_aragonite x_equivalent / t (Carricart-Ganivet & Barnes 2007): 2.93 x 3.1 / 7.
    areal = carbonate_equivalent_g_cm2("aragonite", 0.31 * 2.93, None)
    assert slab_density_g_cm3(areal, 7.0) == pytest.approx(2.93 * 3.1 / 7.0, rel=1e-12)


@pytest.mark.parametrize(("distance_mm", "share"), [
    (0, 1.0), (50, 0.9963), (100, 0.9852), (150, 0.9672), (200, 0.9429)])
def test_fall_off_on_a_flat_detector(distance_mm, share):
    # Physics: cos^3 at a source distance of 1000 mm.
    assert flat_detector_falloff(distance_mm, 1000.0) == pytest.approx(share, abs=5e-5)


def test_what_skipping_the_beam_costs():
    # Physics: 12 % of intensity at 40 keV on 7 mm; and the cos^3 fall-off at 150 mm from the foot of the beam.
    assert beam_error_g_cm3(1.12, 0.8817, 7.0) == pytest.approx(0.184, abs=5e-4)
    fall = flat_detector_falloff(150.0, 1000.0)
    assert beam_error_g_cm3(1 / fall, 0.8817, 7.0) == pytest.approx(0.054, abs=5e-4)
    assert beam_error_g_cm3(1 / fall, 0.3759, 7.0) == pytest.approx(0.127, abs=5e-4)


def test_carbonate_at_40_kev_from_its_elements():
    # Mass fractions of Ca, C, O in CaCO3 (M 100.086) times Hubbell & Seltzer's 1.830, 0.2076, 0.2585.
    by_parts = np.dot([0.40044, 0.12001, 0.47956], [1.830, 0.2076, 0.2585])
    assert mass_attenuation_cm2_g("calcite", 40) == pytest.approx(by_parts, rel=0.001)
