"""Tilt, smear and the tissue layer, against computed and published numbers."""

import datetime as dt

import numpy as np
import pytest

from bandkit.dating import date_marks
from bandkit.growth import GrowthProfile, growth_per_year
from bandkit.plausible import annual_cycle_left, band_smear_mm, tissue_layer, tissue_window_yr


@pytest.mark.parametrize(
    ("tilt_deg", "too_long_percent"), [(5, 0.38), (10, 1.54), (15, 3.53), (20, 6.42), (30, 15.47)])
def test_spacing_along_a_tilted_track_is_too_long_by_the_cosine(tilt_deg, too_long_percent):
    """Geometry, computed: spacing along a track at angle a is E / cos(a); the true one is E_apparent cos(a)."""
    true_mm = 13.0
    along_mm = true_mm * (1 + too_long_percent / 100)
    depth = np.arange(0.0, 60.0, 0.1)
    dated = date_marks(4, collected=dt.date(2019, 6, 15), mark_date=(1, 15))
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.full(depth.shape, float(tilt_deg)))
    growth = growth_per_year(5.0 + along_mm * np.arange(4), dated, profile)
    # The percentages are given to 0.01.
    np.testing.assert_allclose(growth.extension_mm_yr[growth.complete], true_mm, rtol=6e-5)


@pytest.mark.parametrize(("angle_deg", "smear_mm"), [(10, 1.234), (5, 0.612), (15, 1.876), (20, 2.548), (30, 4.041)])
def test_smear_of_a_band_inclined_to_the_beam(angle_deg, smear_mm):
    """Geometry, computed: thickness x tan(angle) for the usual slab of 7 mm."""
    assert band_smear_mm(7.0, angle_deg) == pytest.approx(smear_mm, abs=1e-3)


def test_tissue_window_of_a_massive_porites():
    """Tissue 5.43 mm (Barnes & Lough 1992) at 13 mm/yr: thickening goes on for 0.418 years, computed."""
    tissue = tissue_layer("Porites lutea")
    assert tissue_window_yr(tissue.mean_mm, 13.0) == pytest.approx(0.418, abs=1e-3)


def test_annual_cycle_left_after_thickening():
    """Transfer of a running mean of 0.418 years at one cycle a year, computed: 0.736."""
    assert annual_cycle_left(0.418) == pytest.approx(0.736, abs=2e-3)
    np.testing.assert_allclose(annual_cycle_left([0.0, 0.5, 1.0]), [1.0, 2 / np.pi, 0.0], atol=1e-15)


def test_annual_cycle_left_against_smoothing():
    """The same by smoothing a sine with a running mean."""
    step_yr = 1 / 2000
    time_yr = np.arange(0.0, 4.0, step_yr)
    n_window = round(0.418 / step_yr)
    smooth = np.convolve(np.sin(2 * np.pi * time_yr), np.ones(n_window) / n_window, mode="valid")
    assert np.ptp(smooth) / 2 == pytest.approx(float(annual_cycle_left(0.418)), abs=1e-4)


def test_tissue_thickness_of_massive_porites():
    """5.43 +/- 1.48 mm, 2.13 to 10.20 mm, in 284 colonies on 46 reefs (Barnes & Lough 1992)."""
    tissue = tissue_layer("Porites")
    assert (tissue.mean_mm, tissue.sd_mm) == (5.43, 1.48)
    assert (tissue.least_mm, tissue.most_mm) == (2.13, 10.20)
    assert "Barnes & Lough 1992" in tissue.source


@pytest.mark.parametrize(("newest_mark_mm", "doubted"), [(2.13, True), (5.42, True), (5.44, False), (10.2, False)])
def test_newest_mark_within_the_tissue_is_doubted(newest_mark_mm, doubted):
    """The first year to report is the first wholly below the tissue (supplement of a Great Barrier Reef study)."""
    depth = np.arange(0.0, 60.0, 0.1)
    dated = date_marks(3, collected=dt.date(2019, 6, 15), mark_date=(1, 15))
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.zeros(depth.shape))
    growth = growth_per_year([newest_mark_mm, 22.0, 35.0], dated, profile, taxon="Porites lobata")
    assert ("mark-in-tissue" in growth.flags[1]) is doubted
