"""The balance: what it says, what it is off by, and whether the image agrees."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.bulk import (
    NOTHING,
    MeanDensity,
    bulk_flags,
    hold_against,
    porosity_sd_frac,
    water_density_g_cm3,
    weigh,
)
from bandkit.errors import CalibrationError
from bandkit.record import BulkSpec

BOX = BulkSpec(dry_g=130.0, volume_cm3=100.0)
WAXED = BulkSpec(dry_g=100.0, coated_g=104.5, coated_buoyant_g=26.0, coat_density_g_cm3=0.90, water_deg_c=20.0)


# --- the balance ----------------------------------------------------------------------


def test_weight_and_volume():
    weighed = weigh(replace(BOX, weight_sd_g=0.0, volume_sd_cm3=2.0))
    assert weighed.density_g_cm3 == pytest.approx(1.30)
    # One step of the volume's error: 130 / 102.
    assert weighed.density_sd_g_cm3 == pytest.approx(1.30 - 130 / 102)
    assert np.isnan(weighed.micro_density_g_cm3)
    assert weighed.micro_source == ""
    assert weighed.method == "Bulk density of the piece came from its weight in air and the stated volume."


def test_volume_is_known_to_one_percent_where_the_record_does_not_say():
    assert weigh(BOX).density_sd_g_cm3 == pytest.approx(0.013, rel=0.02)


def test_stated_micro_density_is_taken_and_none_is_made_up():
    weighed = weigh(replace(BOX, micro_density_g_cm3=2.80))
    assert (weighed.micro_density_g_cm3, weighed.micro_source) == (2.80, "stated")
    assert weighed.micro_density_sd_g_cm3 == pytest.approx(0.045)


def test_micro_density_from_the_buoyant_weight():
    water = water_density_g_cm3(24.0, 35.0)
    solid = 100.0 / 2.81
    weighed = weigh(replace(WAXED, buoyant_g=100.0 - solid * water, water_deg_c=24.0, salinity_psu=35.0))
    assert weighed.micro_density_g_cm3 == pytest.approx(2.81, rel=1e-9)
    assert weighed.micro_source == "weighed"
    assert weighed.water_density_g_cm3 == pytest.approx(water)
    assert 0.001 < weighed.micro_density_sd_g_cm3 < 0.01
    assert "the micro-density followed from the buoyant weight in water of 1.0236 g/cm3" in weighed.method


def test_dry_mass_from_the_buoyant_weight():
    spec = BulkSpec(buoyant_g=65.0, volume_cm3=75.0, water_density_g_cm3=1.0235, micro_density_g_cm3=2.93)
    weighed = weigh(spec)
    assert weighed.dry_g == pytest.approx(99.895, abs=1e-3)
    # Lighter solid displaces more: 0.045 g/cm3 of it is 0.8 % of the mass, beside 1 % of the volume.
    assert weighed.density_sd_g_cm3 / weighed.density_g_cm3 == pytest.approx(0.013, abs=0.001)


def test_errors_against_monte_carlo():
    rng = np.random.default_rng(6)
    spec = replace(WAXED, weight_sd_g=0.3, micro_density_g_cm3=2.8)
    draws = [weigh(replace(
        spec, dry_g=100 + e[0], coated_g=104.5 + e[1], coated_buoyant_g=26 + e[2],
        coat_density_g_cm3=0.9 * (1 + rng.normal(0, 0.02)))).density_g_cm3 for e in rng.normal(0, 0.3, (4000, 3))]
    assert weigh(spec).density_sd_g_cm3 == pytest.approx(np.std(draws), rel=0.06)


def test_porosity_error_against_monte_carlo():
    rng = np.random.default_rng(7)
    porosity = 1 - rng.normal(1.3, 0.02, 40_000) / rng.normal(2.8, 0.045, 40_000)
    assert porosity_sd_frac(1.3, 0.02, 2.8, 0.045) == pytest.approx(porosity.std(), rel=0.02)


@settings(deadline=None, max_examples=60)
@given(st.floats(0.5, 2000), st.floats(0.6, 2.4), st.floats(0.01, 0.1))
def test_a_waxed_piece_gives_back_its_density(mass, density, wax_frac):
    water, wax = water_density_g_cm3(20.0), wax_frac * mass
    volume = mass / density
    spec = BulkSpec(dry_g=mass, coated_g=mass + wax, coated_buoyant_g=mass + wax - (volume + wax / 0.9) * water,
                    coat_density_g_cm3=0.9, water_deg_c=20.0)
    assert weigh(spec).density_g_cm3 == pytest.approx(density, rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 40), st.floats(0, 41))
def test_salt_makes_water_heavier_and_it_stays_water(temperature, salinity):
    density = water_density_g_cm3(temperature, salinity)
    assert 0.99 < density < 1.04
    assert water_density_g_cm3(temperature, salinity + 1) - density == pytest.approx(0.00077, abs=0.00007)


def test_weights_that_leave_no_piece():
    spec = replace(WAXED, dry_g=10.0)
    with pytest.raises(CalibrationError, match=r"bulk: the weights leave -26.4 cm3 for the piece itself; check coated_buoyant_g"):
        weigh(spec)


def test_a_piece_denser_than_its_solid():
    with pytest.raises(CalibrationError, match=r"bulk: 3.25 g/cm3 is not below the density of the solid skeleton; check dry_g"):
        weigh(BulkSpec(dry_g=130.0, volume_cm3=40.0))
    with pytest.raises(CalibrationError, match=r"bulk: 2.60 g/cm3 is not below"):
        weigh(BulkSpec(dry_g=130.0, volume_cm3=50.0, micro_density_g_cm3=2.5))


# --- against the image ----------------------------------------------------------------


def held(image_g_cm3, image_sd_g_cm3=0.03, **changes):
    spec = replace(BOX, weight_sd_g=0.0, volume_sd_cm3=3.0, micro_density_g_cm3=2.8, **changes)
    return hold_against(weigh(spec), MeanDensity(image_g_cm3, image_sd_g_cm3), "slab")


def test_they_agree_within_the_errors_of_both():
    check = held(1.35)
    # 130 / 103 is 0.0379 below 1.30.
    assert check.z_score == pytest.approx(0.05 / np.hypot(0.03, 0.0379), rel=0.01)
    assert bulk_flags(check) == ()
    assert check.weighed_porosity_frac == pytest.approx(1 - 1.30 / 2.8)
    assert check.image_porosity_frac == pytest.approx(1 - 1.35 / 2.8)
    assert check.image_porosity_sd_frac > 0


@pytest.mark.parametrize(("image", "sign"), [(1.42, "+"), (1.18, "-")])
def test_they_disagree_beyond_them(image, sign):
    (flag,) = bulk_flags(held(image))
    assert flag.code == "bulk-density-disagrees"
    assert flag.detail == f"slab: image {image:.3f} +- 0.030, balance 1.300 +- 0.038 g/cm3, z {sign}2.5"


def test_an_image_without_density_is_not_compared():
    check = hold_against(weigh(BOX), NOTHING, "slab")
    assert np.isnan(check.z_score)
    assert np.isnan(check.image_porosity_frac)
    (flag,) = bulk_flags(check)
    assert flag.code == "bulk-not-compared"
