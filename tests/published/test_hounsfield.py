"""Hounsfield units of air, water and coral against their definition and tabled attenuation."""

from __future__ import annotations

import pytest

from bandkit.density.hounsfield import hounsfield_units


def test_water_and_air_are_the_two_fixed_points():
    """By definition 0 and -1000, whatever the beam."""
    for energy_kev in (40.0, 60.0, 80.0, 100.0):
        assert hounsfield_units("water", 1.0, energy_kev) == pytest.approx(0.0, abs=1e-9)
        # Air at 20 degrees and 1 atm is the air of the definition.
        assert hounsfield_units("air", 0.001204, energy_kev) == pytest.approx(-1000.0, abs=1e-9)


@pytest.mark.parametrize(("energy_kev", "expected_hu"), [(60.0, 1374), (80.0, 743), (100.0, 489)])
def test_coral_of_usual_density(energy_kev, expected_hu):
    """CaCO3 of 1.30 g/cm3 in a beam of one energy, calculated from tabled coefficients; a line of one scan serves no other."""
    assert hounsfield_units("aragonite", 1.30, energy_kev) == pytest.approx(expected_hu, abs=15)
