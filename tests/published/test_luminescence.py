"""Luminescent lines: the published index and the published annual value."""

import numpy as np
import pytest

from bandkit.errors import InputError
from bandkit.luminescence import annual_luminescence, emission_index, luminescence_index


def test_index_is_emission_over_reflectance():
    # Barnes, Taylor & Lough 2003: emission at 490 nm (excited at 390 nm) over reflectance of 490 nm at the same spot.
    rng = np.random.default_rng(1)
    emission, reflectance = rng.uniform(0.1, 1.0, (2, 200))
    index = emission_index(emission, reflectance)
    np.testing.assert_allclose(index, emission / reflectance, rtol=1e-12)
    # What swallows the light of both alike cancels.
    swallowed = rng.uniform(0.3, 1.0, 200)
    np.testing.assert_allclose(emission_index(emission * swallowed, reflectance * swallowed), index, rtol=1e-12)
    np.testing.assert_array_equal(np.isnan(emission_index(np.array([1.0, 0.0, np.nan]), np.array([0.0, 1.0, 1.0]))), True)
    with pytest.raises(InputError, match=r"reflectance: must be of the shape of emission, \(200,\), got \(2,\)"):
        emission_index(emission, reflectance[:2])


def test_ratio_of_green_to_blue_is_free_of_a_smooth_illumination():
    # Grove et al. 2010: the ratio cancels the illumination, to 1e-6; green alone does not.
    rng = np.random.default_rng(2)
    picture = rng.uniform(0.2, 0.8, (60, 40, 3))
    down, aside = np.mgrid[:60, :40]
    lamp = (0.5 + 0.4 * np.sin(down / 30.0) * np.cos(aside / 25.0))[..., None]
    plain, lit = (luminescence_index(p, full_scale=1.0, encoding="linear") for p in (picture, picture * lamp))
    assert np.abs(lit / plain - 1).max() < 1e-6
    assert np.abs(lamp - 1).max() > 0.1


YEARS, YEAR_MM = 40, 10.0
DEPTH_MM = np.arange(0.0, YEARS * YEAR_MM, 0.1)
LINES_MM = 5.0 + YEAR_MM * np.arange(YEARS)


def with_age(decline_per_year):
    """Summers 25 % brighter than winters (Wild et al. 2000: the most that was seen), on a level that changes with age."""
    level = 1.0 - decline_per_year * DEPTH_MM / YEAR_MM
    return level + 0.125 * np.cos(2 * np.pi * (DEPTH_MM - 5.0) / YEAR_MM)


def test_annual_value_is_the_summer_maximum_less_the_winter_before():
    # Lough 2011: the range from the preceding winter's minimum to the summer's maximum.
    values = annual_luminescence(DEPTH_MM, with_age(0.0), LINES_MM)
    np.testing.assert_allclose(values[:-1], 0.25, atol=1e-3)


def test_annual_value_does_not_carry_the_decline_with_age_that_the_maximum_carries():
    # Lough 2011: annual mean and maximum decline with age in long cores, the range does not.
    index = with_age(0.004)
    years = np.arange(YEARS - 1)
    ranges = annual_luminescence(DEPTH_MM, index, LINES_MM)[:-1]
    maxima = np.array([index[np.abs(DEPTH_MM - line) < 3].max() for line in LINES_MM[:-1]])
    assert np.polyfit(years, maxima, 1)[0] == pytest.approx(-0.004, rel=0.02)
    assert abs(np.polyfit(years, ranges, 1)[0]) < 1e-5
