"""Materials by name and formula, how they dim beams of one energy and of many, and the strontium of coral."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit import errors
from bandkit.density import (
    carbonate_equivalent_g_cm2,
    coral_attenuation_cm2_g,
    coral_skeleton,
    effective_energy_kev,
    known_material,
    mass_attenuation_cm2_g,
    material_density_g_cm3,
)
from bandkit.density.materials import formula_shares
from bandkit.density.spectrum import Fading, single_energy_kev


def test_unknown_material_lists_the_known_ones():
    with pytest.raises(errors.CalibrationError, match=r"'aragonit' is not known; did you mean 'aragonite'.*aluminium"):
        mass_attenuation_cm2_g("aragonit", 40)


@pytest.mark.parametrize("kev", [9.0, 201.0, float("nan"), -1.0])
def test_energy_outside_the_table(kev):
    with pytest.raises(errors.CalibrationError, match=r"effective_kev: .* outside the table.*10 to 200"):
        mass_attenuation_cm2_g("aluminium", kev)


@pytest.mark.parametrize(("material", "density"), [("aragonite", 2.93), ("calcite", 2.71), ("Aluminum", 2.699),
                                                   ("water", 1.0), ("PMMA", 1.18), ("acrylic", 1.18)])
def test_usual_densities(material, density):
    assert material_density_g_cm3(material) == density


def test_coral_has_no_usual_density():
    with pytest.raises(errors.CalibrationError, match="density_g_cm3: 'coral' has no one density"):
        material_density_g_cm3("coral")


def test_aluminium_needs_the_energy_and_aragonite_does_not():
    assert carbonate_equivalent_g_cm2("calcite", 0.5, None) == 0.5
    with pytest.raises(errors.CalibrationError, match="effective_kev: missing, but a standard is aluminium"):
        carbonate_equivalent_g_cm2("aluminium", 0.5, None)


@given(kev=st.floats(10.0, 200.0))
def test_effective_energy_undoes_attenuation(kev):
    assert effective_energy_kev(float(mass_attenuation_cm2_g("aragonite", kev))) == pytest.approx(kev, rel=1e-6)


def test_effective_energy_beyond_the_table_is_missing():
    assert np.isnan(effective_energy_kev(0.01))


@pytest.mark.parametrize(("formula", "shares"), [
    ("CaCO3", {"Ca": 0.40044, "C": 0.12001, "O": 0.47956}), ("H2O", {"H": 0.1119, "O": 0.8881}), ("Al", {"Al": 1.0}),
    ("Ca5(PO4)3OH", {"Ca": 0.39894, "P": 0.18499, "O": 0.41406, "H": 0.00201}), ("Mg0.5Ca0.5CO3", {"Mg": 0.1318})])
def test_formula_gives_shares_of_mass(formula, shares):
    # Plain arithmetic with atomic masses; CaCO3 is 100.086 g/mol.
    found = formula_shares(formula)
    assert sum(found.values()) == pytest.approx(1.0)
    for element, share in shares.items():
        assert found[element] == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize("text", ["", "aragonit", "Xx2", "Pb", "Ca(CO3", "3", "()"])
def test_what_is_no_formula_of_the_table(text):
    assert formula_shares(text) is None
    with pytest.raises(errors.CalibrationError, match=r"is not known; .*formulas such as 'C5H8O2' of elements up to zinc"):
        known_material(text)


def test_formula_is_the_named_material():
    np.testing.assert_allclose(mass_attenuation_cm2_g("C5H8O2", [20, 60]), mass_attenuation_cm2_g("acrylic", [20, 60]))


def test_strontium_of_carbonates():
    assert known_material("coral").shares["Sr"] == pytest.approx(0.008)
    assert known_material("Clam").shares["Sr"] == pytest.approx(0.0015)
    assert "Sr" not in known_material("calcite").shares
    stated = known_material("aragonite", strontium_wt_pct=0.3)
    assert (stated.shares["Sr"], stated.is_coral) == (pytest.approx(0.003), False)
    # Strontium is a matter of carbonates only.
    assert known_material("aluminium", strontium_wt_pct=0.3).shares == {"Al": 1.0}


@pytest.mark.parametrize(("kev", "mm"), [(40, 0.594 / 1.081), (60, 0.681 / 1.060)])
def test_coral_per_mm_of_aluminium(kev, mm):
    # Aragonite per mm of aluminium, less what 0.8 % of strontium add to its attenuation.
    equivalent = carbonate_equivalent_g_cm2("aluminium", 0.2699, kev, strontium_wt_pct=0.8)
    assert 10 * equivalent / 2.93 == pytest.approx(mm, rel=0.01)
    with pytest.raises(errors.CalibrationError, match="effective_kev: missing, but a standard is calcite"):
        carbonate_equivalent_g_cm2("calcite", 0.5, None, strontium_wt_pct=0.8)


def test_beam_of_one_energy_fades_by_its_coefficient():
    fading = Fading(known_material("aluminium"))
    mu = float(mass_attenuation_cm2_g("aluminium", 40.0))
    np.testing.assert_allclose(fading.attenuation([0.0, 0.5, 30.0], np.log(40.0), 0.0), [0.0, 0.5 * mu, 30.0 * mu], rtol=1e-12)


@given(kev=st.floats(20, 100), breadth=st.floats(0.0, 2.0))
def test_beam_of_many_energies_hardens(kev, breadth):
    areal = np.linspace(0.0, 4.0, 40)
    attenuation = Fading(coral_skeleton()).attenuation(areal, np.log(kev), breadth)
    steps = np.diff(attenuation)
    assert attenuation[0] == pytest.approx(0.0, abs=1e-12)
    assert np.all(steps > 0)
    assert np.all(np.diff(steps) <= 1e-12)


def test_effective_energy_rises_as_the_beam_hardens():
    coral = coral_skeleton()
    thin, thick = (single_energy_kev(coral, areal, np.log(36.0), 1.0) for areal in (0.1, 1.5))
    assert 25 < thin < thick < 45
    assert single_energy_kev(coral, 0.9, np.log(36.0), 0.0) == pytest.approx(36.0)
    assert coral_attenuation_cm2_g(36.0, strontium_frac=0.008) > mass_attenuation_cm2_g("aragonite", 36.0)
