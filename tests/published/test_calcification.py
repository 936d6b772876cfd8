"""Calcification = extension x density, against published definitions and numbers."""

import datetime as dt

import numpy as np
import pytest

from bandkit.dating import date_marks
from bandkit.growth import GrowthProfile, calcification, calcification_sd, growth_per_year, track_means


def grow(marks, depth, density):
    dated = date_marks(len(marks), collected=dt.date(2019, 6, 15), mark_date=(1, 15))
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.zeros(depth.shape), density_g_cm3=density)
    return growth_per_year(marks, dated, profile)


def test_product_of_the_same_year_is_exact():
    """Definition: extension x density of the same year (Lough & Barnes 1997)."""
    depth = np.arange(0.0, 60.0, 0.05)
    density = 1.30 + 0.15 * np.sin(depth) + 0.002 * depth
    growth = grow([7.0, 19.5, 33.0, 44.0], depth, density)
    product = growth.extension_mm_yr[1:4] / 10 * growth.density_g_cm3[1:4]
    np.testing.assert_allclose(growth.calcification_g_cm2_yr[1:4], product, rtol=1e-12, atol=0)


def test_product_is_the_mass_laid_down():
    """The product is the integral of density over the year: C = sum(rho dx), computed."""
    step = 0.05
    depth = np.arange(0.0, 60.0, step)
    density = 1.30 + 0.15 * np.sin(depth)
    edges = [7.025, 19.525, 33.025]  # half-way between samples, so that whole samples add up
    growth = grow(edges, depth, density)
    for i in (1, 2):
        inside = (depth > edges[i - 1]) & (depth < edges[i])
        mass_g_cm2 = np.sum(density[inside]) * step / 10
        assert growth.calcification_g_cm2_yr[i] == pytest.approx(mass_g_cm2, rel=1e-9)


def test_worked_example_of_the_error():
    """Worked example, computed: E 1.30 +/- 0.05 cm/yr, D 1.28 +/- 0.02 g/cm3 give C 1.664 +/- 0.0691 g/cm2/yr."""
    assert calcification(13.0, 1.28) == pytest.approx(1.664, rel=1e-12)
    assert calcification_sd(13.0, 0.5, 1.28, 0.02) == pytest.approx(0.0691, rel=1e-3)


def test_error_against_monte_carlo():
    """The same example by drawing: errors of extension and density are independent."""
    rng = np.random.default_rng(1)
    draws = calcification(rng.normal(13.0, 0.5, 200_000), rng.normal(1.28, 0.02, 200_000))
    assert draws.std() == pytest.approx(float(calcification_sd(13.0, 0.5, 1.28, 0.02)), rel=0.01)


@pytest.mark.parametrize(
    ("extension_cm_yr", "density", "product", "published", "within"),
    [(1.52, 1.32, 2.006, 1.96, 0.03), (1.28, 1.25, 1.600, 1.59, 0.01)],
)
def test_published_means_agree_within_their_covariance(extension_cm_yr, density, product, published, within):
    """Means of 1988 and 2003, Cooper et al. 2008: the mean of products is not the product of means."""
    computed = float(calcification(extension_cm_yr * 10, density))
    assert computed == pytest.approx(product, abs=5e-4)
    assert computed == pytest.approx(published, rel=within)
    assert computed != pytest.approx(published, rel=1e-3)


def test_mean_of_products_differs_by_the_covariance():
    """mean(E D) = mean(E) mean(D) + cov(E, D): why published means are no exact products."""
    depth = np.arange(0.0, 80.0, 0.05)
    growth = grow([7.0, 17.0, 33.0, 40.0, 60.0], depth, 1.2 + 0.3 * np.sin(depth / 9.0))
    means = track_means(growth)
    e, d = growth.extension_mm_yr[1:5], growth.density_g_cm3[1:5]
    covariance = np.mean(e * d) - e.mean() * d.mean()
    assert abs(covariance) > 0.05
    expected = calcification(means.extension_mm_yr, means.density_g_cm3) + covariance / 10
    assert means.calcification_g_cm2_yr == pytest.approx(float(expected), rel=1e-12)


# Three conventions in use for the edge of a year: density minima with the date on the maximum (Lough & Barnes 1997),
# maxima to maxima (description of Chalker & Barnes 1990), start to start of the dense band (supplement of a Great
# Barrier Reef study of luminescent and dense bands). Phase of the edge within a year that peaks at phase 0.25:
CONVENTIONS = {"minimum": 0.75, "maximum": 0.25, "start": 0.0}


@pytest.mark.parametrize("phase", CONVENTIONS.values(), ids=CONVENTIONS.keys())
def test_even_years_are_the_same_by_every_convention(phase):
    """A profile 1.30 + 0.15 sin(2 pi x / 13 mm) grows 13.0 mm/yr at 1.30 g/cm3 whatever edge is used, computed."""
    depth = np.arange(0.0, 91.0, 0.05)
    density = 1.30 + 0.15 * np.sin(2 * np.pi * depth / 13.0)
    growth = grow(13.0 * (phase + np.arange(6)) + 1e-9, depth, density)
    np.testing.assert_allclose(growth.extension_mm_yr[growth.complete], 13.0, rtol=1e-9)
    np.testing.assert_allclose(growth.density_g_cm3[growth.complete], 1.30, atol=2e-4)


def test_one_long_year_is_shared_out_by_convention_but_totals_agree():
    """One year of 16 mm among years of 13 mm: yearly values depend on the edge used, the total does not, computed."""
    lengths = np.array([13.0, 13.0, 13.0, 16.0, 13.0, 13.0, 13.0])
    starts = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    depth = np.arange(0.0, lengths.sum(), 0.05)
    series = {}
    for name, phase in CONVENTIONS.items():
        marks = starts + phase * lengths
        growth = grow(marks, depth, np.full(depth.shape, 1.3))
        series[name] = growth.extension_mm_yr[growth.complete]
    for values in series.values():
        # Six intervals: five of 13 mm, or two that share the long year's extra 3 mm.
        assert values.sum() == pytest.approx(6 * 13.0 + 3.0)
    assert series["start"].max() == pytest.approx(16.0)
    assert series["maximum"].max() == pytest.approx(13.0 + 0.75 * 3.0)
    assert not np.allclose(series["minimum"], series["maximum"])
