"""Density of water, buoyant weighing and porosity against published formulas and values."""

from __future__ import annotations

import pytest

from bandkit.bulk import (
    dry_mass_g,
    enclosed_volume_cm3,
    porosity_frac,
    solid_volume_cm3,
    water_density_g_cm3,
    weigh,
)
from bandkit.record import BulkSpec


@pytest.mark.parametrize(("temperature_deg_c", "salinity_psu", "density_kg_m3"), [
    # Values printed with the formula (UNESCO Technical Papers in Marine Science 44, 1983; from memory). The formula's
    # successor (TEOS-10, package gsw 3.6) gives 999.96665, 997.04765, 1027.67560 and 1023.34363.
    (5.0, 0.0, 999.96675), (25.0, 0.0, 997.04796), (5.0, 35.0, 1027.67547), (25.0, 35.0, 1023.34306)])
def test_water_of_the_equation_of_state(temperature_deg_c, salinity_psu, density_kg_m3):
    assert 1000 * water_density_g_cm3(temperature_deg_c, salinity_psu) == pytest.approx(density_kg_m3, abs=1e-3)


def test_fresh_water_at_room_temperature():
    # 0.9982 g/cm3 at 20 degrees, the value of every laboratory's table.
    assert water_density_g_cm3(20.0) == pytest.approx(0.9982, abs=5e-5)


@pytest.mark.parametrize(("micro_g_cm3", "mass_g"), [
    # Worked out by hand after Jokiel, Maragos & Franzisket 1978 and Davies 1989: W = Wb / (1 - rho_w / rho_s).
    (2.93, 99.895), (2.94, 99.713), (2.83, 101.827), (2.78, 102.875)])
def test_dry_mass_from_buoyant_mass(micro_g_cm3, mass_g):
    assert dry_mass_g(65.0, 1.0235, micro_g_cm3) == pytest.approx(mass_g, abs=1e-3)


def test_micro_density_undoes_it():
    mass = dry_mass_g(65.0, 1.0235, 2.83)
    assert mass / solid_volume_cm3(mass, 65.0, 1.0235) == pytest.approx(2.83, rel=1e-12)


def test_volume_and_density_of_a_waxed_piece():
    # By hand: 100 g, waxed 104.5 g, in fresh water of 0.9982 g/cm3 26.0 g, wax of 0.90 g/cm3.
    volume = enclosed_volume_cm3(104.5, 26.0, 0.9982, coat_g=4.5, coat_g_cm3=0.90)
    assert volume == pytest.approx(73.642, abs=1e-3)
    assert 100 / volume == pytest.approx(1.358, abs=1e-3)
    assert porosity_frac(100 / volume, 2.93) == pytest.approx(0.5365, abs=1e-4)


def test_the_same_from_a_record():
    weighed = weigh(BulkSpec(dry_g=100.0, coated_g=104.5, coated_buoyant_g=26.0, coat_density_g_cm3=0.90,
                             water_density_g_cm3=0.9982, micro_density_g_cm3=2.93))
    assert weighed.density_g_cm3 == pytest.approx(1.358, abs=1e-3)
    assert weighed.volume_cm3 == pytest.approx(73.642, abs=1e-3)


def test_porosity_of_a_porites():
    # Brown et al. 2009 (Porites of Ta'u, Samoa): 1.4 g/cm3, about 52 % pores, with aragonite of 2.93 g/cm3.
    assert porosity_frac(1.4, 2.93) == pytest.approx(0.522, abs=5e-4)


def test_micro_density_of_acropora_matters():
    # Bucher, Harriott & Roberts 1998: 2.781 to 2.873 g/cm3 in eight species; bulk 0.86 to 1.68, porosity 33 to 70 %.
    least, most = porosity_frac(1.68, 2.781), porosity_frac(0.86, 2.873)
    assert 0.33 < least < 0.70
    assert most == pytest.approx(0.70, abs=0.005)
    assert porosity_frac(1.68, 2.93) - least > 0.02
