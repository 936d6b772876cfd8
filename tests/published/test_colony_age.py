"""Ages of large massive colonies from their size.

Sources
-------
Brown et al. (2009), Coral Reefs, doi 10.1007/s00338-009-0494-8: a colony at Ta'u, American Samoa, 7 m tall and 41 m
round. Its age of 360 years is the lower of those in use for it; 540 years are hearsay, 420 to 652 from memory.
Scientific Reports 10 (2020), s41598-020-77776-7: the largest there, 22.4 m across and 69 m round.
A colony off Goolboodi, Great Barrier Reef: 5.3 m high, 10.4 m wide, 31 m round, 421 to 438 years from linear growth.
Birkeland, Coral-List 2021: volumes and areas of hemispheres 10.4, 17 and 22.4 m across.
Lough & Barnes, Coral-List 2002: 13.0 mm/yr at Abraham Reef, 9.4 mm/yr at Sanctuary Reef, both near 24.5 degrees.
"""

import csv
import math
import os
import warnings
from pathlib import Path

import numpy as np
import pytest

from bandkit.analysis.age import colony_ages, estimate_age
from bandkit.analysis.colony import YARDSTICK, ColonyRate, ColonySize, rate_of_series
from bandkit.errors import BandkitWarning


def rate(mm_yr: float, sd: float = 0.0) -> ColonyRate:
    return ColonyRate(mean_mm_yr=mm_yr, sd_mm_yr=sd)


@pytest.mark.parametrize(("height_m", "age_yr", "mm_yr"), [
    (7.0, 360, 19.44), (7.0, 800, 8.75), (5.3, 421, 12.59), (5.3, 438, 12.10)])
def test_height_over_age_and_back(height_m, age_yr, mm_yr):
    age = estimate_age(height_m, 0.0, rate(1000 * height_m / age_yr))
    assert age.age_yr == pytest.approx(age_yr)
    assert age.mean_rate_mm_yr == pytest.approx(mm_yr, abs=0.01)
    assert estimate_age(height_m, 0.0, rate(mm_yr)).age_yr == pytest.approx(age_yr, rel=0.001)


def test_yardstick_is_nineteen_point_four():
    assert round(YARDSTICK.rate_mm_yr, 1) == 19.4
    assert YARDSTICK.source == "common practice, no source"
    (by_height, by_radius) = colony_ages(ColonySize(height_m=7.0, circumference_m=41.0), rate(YARDSTICK.rate_mm_yr))
    assert by_height.age_yr == pytest.approx(360)
    assert by_radius.length_m == pytest.approx(41 / (2 * math.pi))
    assert by_radius.age_yr == pytest.approx(335.6, abs=0.1)


def test_circumference_of_the_largest_fits_its_diameter():
    size = ColonySize(height_m=8.0, circumference_m=69.0)
    assert 2 * size.radius_m == pytest.approx(22.4, rel=0.02)
    assert size.shape == "flatter than a hemisphere"


def test_circumference_of_goolboodi_is_within_six_percent_of_its_width():
    size = ColonySize(height_m=5.3, circumference_m=31.0)
    assert 2 * size.radius_m == pytest.approx(10.4, rel=0.06)
    assert size.shape == "close to a hemisphere"


@pytest.mark.parametrize(("across_m", "volume_m3", "area_m2"), [
    (10.4, 294.5, 169.9), (17.0, 1286.2, 454.0), (22.4, 2942.5, 788.2)])
def test_published_hemispheres_have_the_radius_used_here(across_m, volume_m3, area_m2):
    radius_m = ColonySize(circumference_m=math.pi * across_m).radius_m
    assert 2 * math.pi / 3 * radius_m**3 == pytest.approx(volume_m3, abs=0.1)
    assert 2 * math.pi * radius_m**2 == pytest.approx(area_m2, abs=0.1)


def test_two_colonies_of_one_temperature_are_centuries_apart():
    abraham, sanctuary = estimate_age(7.5, 0.0, rate(13.0)), estimate_age(8.0, 0.0, rate(9.4))
    assert abraham.age_yr == pytest.approx(577, abs=1)
    assert sanctuary.age_yr == pytest.approx(851, abs=1)


def test_an_honest_rate_covers_most_ages_given_for_the_yardstick():
    # Colonies of one reef differ by some 20 to 30 percent; the ages in use for this one run from 360 to 800 years.
    age = estimate_age(7.0, 0.35, rate(14.5, 3.6))
    assert age.age_lo_yr < 360
    assert age.age_hi_yr > 652


@pytest.mark.parametrize(("age_yr", "mm_yr"), [(420, 16.7), (540, 13.0), (652, 10.7)])
def test_ages_from_memory_or_hearsay(age_yr, mm_yr):
    found = estimate_age(7.0, 0.0, rate(1000 * 7.0 / age_yr)).mean_rate_mm_yr
    if abs(found - mm_yr) > 0.05:
        warnings.warn(f"{age_yr} years give {found:.2f} mm/yr, remembered as {mm_yr}", BandkitWarning, stacklevel=1)


@pytest.mark.skipif("BANDKIT_REAL_DATA" not in os.environ, reason="needs growth of a core that is not shipped")
@pytest.mark.parametrize("seen", [20, 30, 40, 60])
def test_counted_years_of_a_florida_core_are_told_from_its_last_ones(seen):
    """A Siderastrea core of the Florida Keys, 1890-2014: the age of its whole length from its outermost years."""
    path = Path(os.environ["BANDKIT_REAL_DATA"]) / "florida-siderastrea-1890-2014" / "YIRCR12S_Growth.csv"
    rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    extension_mm_yr = np.array([10 * float(row["linext"]) for row in rows])
    last = extension_mm_yr[:seen]
    told = estimate_age(extension_mm_yr.sum() / 1000, 0.0, rate_of_series(
        last, mean_sd_mm_yr=0.0, counted_yr=seen, counted_sd_yr=0.0, counted_mm=last.sum()))
    assert told.age_lo_yr <= len(rows) <= told.age_hi_yr
    assert told.age_yr == pytest.approx(len(rows), rel=0.1)
