"""Mass attenuation against printed tables and the general X-ray library xraydb."""

from __future__ import annotations

import warnings
from importlib import resources

import numpy as np
import pytest

from bandkit.density import (
    carbonate_equivalent_g_cm2,
    coral_attenuation_cm2_g,
    mass_attenuation_cm2_g,
    material_density_g_cm3,
)

KEV = np.array([20, 30, 40, 50, 60, 80, 100], float)
# Hubbell & Seltzer, NISTIR 5632: aluminium, and CaCO3 by mass fractions of Ca, C and O (from memory, agreeing with
# the Elam tables within 0.06 %).
ALUMINIUM = np.array([3.441, 1.128, 0.5685, 0.3681, 0.2778, 0.2018, 0.1704])
CARBONATE = np.array([5.698, 1.846, 0.8817, 0.5327, 0.3759, 0.2462, 0.1955])
# The Elam tables (2002) by xraydb 4.5.8.
WATER = np.array([0.8098, 0.3756, 0.2683, 0.2269, 0.2059, 0.1837, 0.1707])
# What the names stand for.
FORMULAS = {"calcium carbonate": "CaCO3", "aluminium": "Al", "water": "H2O", "pmma": "C5H8O2", "epoxy": "C21H24O4",
            "air": "(N2)0.7808(O2)0.2095Ar0.00934(CO2)0.00041", "strontium": "Sr"}


@pytest.fixture(scope="module")
def xraydb():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("xraydb")


@pytest.mark.parametrize(("material", "table"), [("aluminium", ALUMINIUM), ("aragonite", CARBONATE), ("water", WATER)])
def test_printed_tables_hubbell_seltzer(material, table):
    np.testing.assert_allclose(mass_attenuation_cm2_g(material, KEV), table, rtol=0.005)


@pytest.mark.parametrize("material", FORMULAS)
def test_xraydb_between_the_rows_of_the_table(material, xraydb):
    # Between rows, and on both sides of the K edge of strontium.
    kev = np.concatenate([np.geomspace(10.1, 199.0, 87), [16.0, 16.103, 16.107, 16.2]])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = xraydb.material_mu(FORMULAS[material], kev * 1e3, density=1.0)
    np.testing.assert_allclose(mass_attenuation_cm2_g(material, kev), expected, rtol=0.005)


def test_strontium_jumps_at_its_edge():
    # K edge at 16.105 keV with a jump ratio between 6 and 7 (Elam et al. 2002).
    below, above = mass_attenuation_cm2_g("strontium", [16.10, 16.11])
    assert 6.0 < above / below < 7.0


def test_table_names_its_source_and_rises_in_energy():
    text = resources.files("bandkit").joinpath("data").joinpath("attenuation.csv").read_text(encoding="utf-8")
    assert "Elam" in text.split("energy_kev")[0]
    kev = [float(line.split(",")[0]) for line in text.splitlines() if line[0].isdigit()]
    assert np.all(np.diff(kev) > 0)
    assert (kev[0], kev[-1]) == (10, 200)


@pytest.mark.parametrize(("kev", "aragonite_mm"), [(40, 0.594), (60, 0.681), (20, 0.556), (100, 0.803)])
def test_aragonite_per_mm_of_aluminium(kev, aragonite_mm):
    # Computed from Hubbell & Seltzer with 2.699 and 2.93 g/cm3.
    per_mm = carbonate_equivalent_g_cm2("aluminium", 0.1 * material_density_g_cm3("aluminium"), kev)
    assert 10 * per_mm / material_density_g_cm3("aragonite") == pytest.approx(aragonite_mm, rel=0.01)


@pytest.mark.parametrize(("kev", "percent"), [(40, 8.1), (60, 6.0)])
def test_strontium_of_coral_raises_attenuation(kev, percent):
    # Computed: 0.8 % by weight of strontium at 9.81 and 3.21 cm2/g.
    ratio = coral_attenuation_cm2_g(kev, strontium_frac=0.008) / mass_attenuation_cm2_g("aragonite", kev)
    assert 100 * (ratio - 1) == pytest.approx(percent, abs=0.3)
