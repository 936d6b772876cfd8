"""Extension, density and calcification per year, and their error budget."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.dating import LostYears, date_marks
from bandkit.errors import InputError
from bandkit.growth import (
    SOURCES,
    SYSTEMATIC_SOURCES,
    ErrorSources,
    GrowthProfile,
    calcification,
    calcification_from_daily,
    calcification_sd,
    growth_per_year,
    mark_certainty,
    picking_covariance,
    sd_of_interval,
    tilt_sd_frac,
    track_means,
)

COLLECTED = dt.date(2019, 6, 15)


def make_profile(length_mm=50.0, *, step_mm=0.1, tilt_deg=0.0, density=1.3):
    depth = np.arange(round(length_mm / step_mm) + 1) * step_mm
    values = None if density is None else np.broadcast_to(density, depth.shape).astype(float)
    return GrowthProfile(depth_mm=depth, tilt_deg=np.full(depth.shape, float(tilt_deg)), density_g_cm3=values)


def dates(n_marks, **options):
    return date_marks(n_marks, collected=COLLECTED, mark_date=(9, 12), **options)


def grow(marks, profile=None, *, dated=None, **options):
    return growth_per_year(marks, dated or dates(len(marks)), profile or make_profile(), **options)


# --- pieces ---------------------------------------------------------------------------


def test_pieces_between_marks():
    growth = grow([8.0, 18.0, 30.0])
    assert growth.start_mm.tolist() == [0.0, 8.0, 18.0, 30.0]
    assert growth.end_mm.tolist() == [8.0, 18.0, 30.0, 50.0]
    assert growth.year.tolist() == [2019, 2018, 2017, 2016]
    assert growth.complete.tolist() == [False, True, True, False]
    np.testing.assert_allclose(growth.extension_mm, [8.0, 10.0, 12.0, 20.0], atol=1e-12)
    np.testing.assert_allclose(growth.extension_mm_yr[1:3], [10.0, 12.0], atol=1e-12)


def test_dates_run_from_the_inner_to_the_outer_end():
    growth = grow([8.0, 18.0])
    assert np.all(growth.year_start[:2] < growth.year_end[:2])
    assert growth.year_end[1] == growth.year_start[0]


def test_outermost_piece_is_divided_by_its_time_and_the_innermost_has_no_rate():
    growth = grow([8.0, 18.0, 30.0])
    assert growth.extension_mm_yr[0] == pytest.approx(8.0 / (276 / 365.25))
    assert np.isnan(growth.extension_mm_yr[-1])
    assert np.isnan(growth.calcification_g_cm2_yr[-1])
    assert growth.density_g_cm3[-1] == pytest.approx(1.3)


def test_outermost_piece_of_a_floating_series_has_no_rate():
    growth = grow([8.0, 18.0, 30.0], dated=date_marks(3, collected=None))
    assert np.isnan(growth.extension_mm_yr[0])
    assert growth.year.tolist() == [0, 1, 2, 3]
    assert growth.extension_mm_yr[1] == pytest.approx(10.0)


def test_collection_on_the_mark_date_gives_no_rate():
    dated = date_marks(1, collected=COLLECTED, mark_date=(6, 15))
    assert np.isnan(grow([8.0], dated=dated).extension_mm_yr[0])


def test_no_marks_is_one_partial_piece():
    growth = grow([])
    assert growth.complete.tolist() == [False]
    assert growth.density_g_cm3[0] == pytest.approx(1.3)
    assert np.isnan(growth.extension_mm_yr[0])
    assert track_means(growth).n_years == 0


def test_extension_is_square_to_the_bands():
    growth = grow([8.0, 18.0, 30.0], make_profile(tilt_deg=-30.0))
    np.testing.assert_allclose(growth.extension_mm, np.array([8, 10, 12, 20]) * np.sqrt(3) / 2, rtol=1e-12)
    np.testing.assert_allclose(growth.tilt_deg, -30.0)


def test_tilt_that_changes_within_a_year_is_integrated():
    depth = np.arange(501) * 0.1
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.where(depth < 13.0, 0.0, 60.0))
    growth = grow([8.0, 18.0], profile)
    # The samples at 12.9 and 13.0 mm part at 12.95 mm.
    assert growth.extension_mm[1] == pytest.approx(4.95 + 0.5 * 5.05)


def test_density_is_the_mean_of_the_year_with_parts_of_samples():
    depth = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.zeros(5), density_g_cm3=np.array([1.0, 1.1, 1.2, 1.3, 1.4]))
    growth = grow([0.5, 2.25, 3.0], profile)
    # From 0.5 to 2.25: all of the sample at 1, three quarters of the one at 2.
    assert growth.density_g_cm3[1] == pytest.approx((1.1 + 0.75 * 1.2) / 1.75)
    assert growth.density_g_cm3[2] == pytest.approx((0.25 * 1.2 + 0.5 * 1.3) / 0.75)


def test_profile_may_begin_outside_the_surface():
    depth = np.arange(-50, 501) * 0.1
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.zeros(551), density_g_cm3=np.where(depth < -0.05, 0.0, 1.3))
    growth = grow([8.0, 18.0], profile)
    np.testing.assert_allclose(growth.extension_mm, [8.0, 10.0, 32.0])
    np.testing.assert_allclose(growth.density_g_cm3, 1.3)


def test_masked_samples_count_as_length_but_not_as_density():
    profile = make_profile(density=1.3)
    density = profile.density_g_cm3.copy()
    density[(profile.depth_mm > 10) & (profile.depth_mm < 14)] = np.nan
    density[(profile.depth_mm > 14.05) & (profile.depth_mm < 18)] = 1.6
    growth = grow([8.0, 18.0, 30.0], GrowthProfile(
        depth_mm=profile.depth_mm, tilt_deg=profile.tilt_deg, density_g_cm3=density))
    assert growth.extension_mm_yr[1] == pytest.approx(10.0)
    assert growth.measured_frac[1] == pytest.approx(0.61)  # 39 samples of 0.1 mm are masked
    assert 1.3 < growth.density_g_cm3[1] < 1.6
    assert growth.flags[1] == "masked-part"
    assert growth.flags[2] == ""


def test_year_that_is_mostly_masked_has_no_density():
    profile = make_profile()
    density = np.where((profile.depth_mm > 10) & (profile.depth_mm < 16), np.nan, profile.density_g_cm3)
    growth = grow([8.0, 18.0, 30.0], GrowthProfile(
        depth_mm=profile.depth_mm, tilt_deg=profile.tilt_deg, density_g_cm3=density))
    assert np.isnan(growth.density_g_cm3[1])
    assert np.isnan(growth.calcification_g_cm2_yr[1])
    means = track_means(growth)
    assert means.n_years == 2
    assert means.density_g_cm3 == growth.density_g_cm3[2]
    assert means.calcification_g_cm2_yr == growth.calcification_g_cm2_yr[2]
    assert np.isfinite(means.calcification_sd_g_cm2_yr)


def test_without_standards_there_is_extension_only():
    growth = grow([8.0, 18.0, 18.0, 30.0], make_profile(density=None))
    for name in ("density_g_cm3", "density_sd_g_cm3", "calcification_g_cm2_yr", "calcification_sd_g_cm2_yr",
                 "measured_frac"):
        assert np.isnan(getattr(growth, name)).all(), name
    assert growth.extension_mm_yr[1] == pytest.approx(10.0)
    assert growth.flags.tolist() == ["partial", "", "", "", "partial"]
    assert np.isnan(track_means(growth).calcification_sd_g_cm2_yr)


def test_absent_year_is_a_measured_zero():
    growth = grow([8.0, 18.0, 18.0, 30.0], certainty=["certain", "certain", "inserted", "certain"], mark_sd_mm=0.2)
    assert growth.complete[2]
    assert growth.extension_mm_yr[2] == 0.0
    assert growth.extension_sd_mm_yr[2] == 0.0
    assert growth.calcification_g_cm2_yr[2] == 0.0
    assert np.isnan(growth.density_g_cm3[2])
    assert growth.certainty.tolist() == ["certain", "certain", "inserted", "inserted", "certain"]
    means = track_means(growth)
    assert means.n_years == 3
    assert means.extension_mm_yr == pytest.approx(22 / 3)
    assert means.calcification_g_cm2_yr == pytest.approx(2.2 * 1.3 / 3)
    assert means.density_g_cm3 == pytest.approx(1.3)


def test_gap_makes_a_piece_partial():
    lost = dates(4, gaps=[LostYears(marks_outside=2, least=0, most=1)])
    growth = grow([8.0, 18.0, 30.0, 41.0], dated=lost)
    assert growth.complete.tolist() == [False, True, False, True, False]
    assert np.isnan(growth.extension_mm_yr[2])
    assert growth.flags[2] == "partial gap"
    crack = dates(4, gaps=[LostYears(marks_outside=2, least=0, most=0)])
    growth = grow([8.0, 18.0, 30.0, 41.0], dated=crack)
    assert growth.extension_mm_yr[2] == pytest.approx(12.0)
    assert not growth.complete[2]
    assert track_means(growth).n_years == 2


# --- input ----------------------------------------------------------------------------


@pytest.mark.parametrize("marks", [[18.0, 8.0], [-1.0, 8.0], [8.0, 50.5], [8.0, np.nan]])
def test_marks_off_the_track(marks):
    with pytest.raises(InputError, match=r"mark_depth_mm: must rise from the surface \(0 mm\) to the end .*50.00 mm"):
        grow(marks)


def test_arrays_that_do_not_fit():
    depth = np.arange(5.0)
    flat = np.zeros(5)
    with pytest.raises(InputError, match="depth_mm: needs at least two samples, rising"):
        grow([], GrowthProfile(depth_mm=depth[::-1], tilt_deg=flat))
    with pytest.raises(InputError, match="tilt_deg: needs one finite angle below 90 degrees for each depth"):
        grow([], GrowthProfile(depth_mm=depth, tilt_deg=flat + 90))
    with pytest.raises(InputError, match="tilt_deg: needs one finite angle"):
        grow([], GrowthProfile(depth_mm=depth, tilt_deg=flat * np.nan))
    with pytest.raises(InputError, match=r"density_g_cm3: needs one value for each of 5 depths, got \(4,\)"):
        grow([], GrowthProfile(depth_mm=depth, tilt_deg=flat, density_g_cm3=flat[1:]))
    with pytest.raises(InputError, match="dated: holds 3 marks, but mark_depth_mm holds 1"):
        grow([2.0], dated=dates(3))
    with pytest.raises(InputError, match="certainty: needs certain, doubtful or inserted for each of 1 marks"):
        grow([2.0], certainty=["sure"])


# --- error budget ---------------------------------------------------------------------


def test_picking_covariance_of_three_years():
    sd = np.array([0.1, 0.2, 0.3, 0.4])
    expected = np.array([[0.05, -0.04, 0.0], [-0.04, 0.13, -0.09], [0.0, -0.09, 0.25]])
    np.testing.assert_allclose(picking_covariance(sd), expected, atol=1e-15)
    np.testing.assert_allclose(picking_covariance(sd, 0.5), expected / 4, atol=1e-15)


def test_picking_covariance_against_monte_carlo():
    rng = np.random.default_rng(11)
    sd = np.array([0.1, 0.3, 0.2, 0.4, 0.25])
    lengths = np.diff(np.array([0.0, 9, 21, 30, 42]) + rng.normal(0.0, sd, (4000, 5)), axis=1)
    np.testing.assert_allclose(np.cov(lengths.T), picking_covariance(sd), atol=0.012)


def test_growth_errors_against_monte_carlo():
    rng = np.random.default_rng(5)
    marks, sd = np.array([8.0, 18.0, 30.0, 41.0]), 0.3
    profile = make_profile(tilt_deg=20.0)
    draws = [grow(marks + rng.normal(0.0, sd, 4), profile).extension_mm_yr[1:4] for _ in range(600)]
    growth = grow(marks, profile, mark_sd_mm=sd)
    np.testing.assert_allclose(np.std(draws, axis=0), growth.extension_picking_sd_mm_yr[1:4], rtol=0.1)
    assert np.std(np.mean(draws, axis=1)) == pytest.approx(track_means(growth).extension_sd_mm_yr, rel=0.1)
    assert np.corrcoef(np.transpose(draws))[0, 1] == pytest.approx(-0.5, abs=0.1)


def test_mean_over_n_years_errs_by_root_two_over_n():
    marks = 5.0 + 4.0 * np.arange(11)
    growth = grow(marks, mark_sd_mm=0.3)
    means = track_means(growth)
    assert means.n_years == 10
    assert growth.extension_sd_mm_yr[1] == pytest.approx(0.3 * np.sqrt(2))
    assert means.extension_sd_mm_yr == pytest.approx(0.3 * np.sqrt(2) / 10)
    assert means.calcification_sd_g_cm2_yr == pytest.approx(0.13 * 0.3 * np.sqrt(2) / 10)


def test_absent_year_shares_its_pick():
    rng = np.random.default_rng(3)
    shared = picking_covariance([0.2, 0.3, 0.3, 0.1], bound_mm=[0.0, 9.0, 9.0, 20.0])
    e = rng.normal(0.0, [0.2, 0.3, 0.1], (4000, 3))
    lengths = np.diff(e[:, [0, 1, 1, 2]], axis=1)
    np.testing.assert_allclose(np.cov(lengths.T), shared, atol=0.006)


def test_systematic_errors_do_not_average_away():
    marks = 5.0 + 4.0 * np.arange(11)
    errors = ErrorSources(scale_sd_frac=0.01, thickness_sd_frac=0.02, density_calibration_sd_g_cm3=0.026)
    growth = grow(marks, errors=errors)
    means = track_means(growth)
    np.testing.assert_allclose(growth.extension_systematic_sd_mm_yr[1:-1], 0.04)
    assert means.extension_sd_mm_yr == pytest.approx(0.04)
    np.testing.assert_allclose(growth.density_sd_g_cm3, 0.026 * np.sqrt(2))
    assert means.density_sd_g_cm3 == pytest.approx(0.026 * np.sqrt(2))
    assert means.calcification_sd_g_cm2_yr == pytest.approx(0.52 * np.hypot(0.01, 0.02 * np.sqrt(2)))


def test_density_noise_averages_over_its_length_and_over_years():
    marks = 5.0 + 4.0 * np.arange(11)
    growth = grow(marks, errors=ErrorSources(density_noise_sd_g_cm3=0.1, density_noise_length_mm=1.0))
    np.testing.assert_allclose(growth.density_budget.noise_sd_g_cm3[1:-1], 0.05)
    means = track_means(growth)
    assert means.density_sd_g_cm3 == pytest.approx(0.05 / np.sqrt(10))
    assert means.calcification_sd_g_cm2_yr == pytest.approx(0.4 * 0.05 / np.sqrt(10))
    # Noise that hangs together over more than a year does not average within it.
    growth = grow(marks, errors=ErrorSources(density_noise_sd_g_cm3=0.1, density_noise_length_mm=30.0))
    np.testing.assert_allclose(growth.density_budget.noise_sd_g_cm3[1:-1], 0.1)


def test_density_noise_of_single_samples_against_monte_carlo():
    rng = np.random.default_rng(8)
    marks = [8.0, 18.0, 30.0]
    draws = [grow(marks, make_profile(density=1.3 + rng.normal(0, 0.2, 501))).density_g_cm3[1:3] for _ in range(400)]
    noise = grow(marks, errors=ErrorSources(density_noise_sd_g_cm3=0.2)).density_budget.noise_sd_g_cm3[1:3]
    np.testing.assert_allclose(np.std(draws, axis=0), noise, rtol=0.1)


def test_errors_of_the_profile_may_vary_with_depth():
    profile = make_profile()
    sd = np.where(profile.depth_mm < 18.0, 0.02, 0.04)
    growth = grow([8.0, 18.0, 30.0], profile, errors=ErrorSources(density_calibration_sd_g_cm3=sd))
    np.testing.assert_allclose(growth.density_systematic_sd_g_cm3[1:3], [0.02, 0.04], atol=2e-4)


def test_surface_error_reaches_the_outermost_piece_only():
    growth = grow([8.0, 18.0], errors=ErrorSources(surface_sd_mm=0.5))
    assert growth.extension_sd_mm_yr[0] == pytest.approx(0.5 / growth.duration_yr[0])
    assert growth.extension_sd_mm_yr[1] == 0.0


# --- density: its sources, and what it shares with extension ---------------------------


def banded(*, step_mm=0.05, length_mm=60.0, period_mm=10.0):
    """Density that is highest at 8, 18, 28 ... mm."""
    depth = np.arange(round(length_mm / step_mm) + 1) * step_mm
    return GrowthProfile(depth_mm=depth, tilt_deg=np.full(depth.shape, 15.0),
                         density_g_cm3=1.3 + 0.25 * np.cos(2 * np.pi * (depth - 8.0) / period_mm))


@pytest.mark.parametrize("offset_mm", [0.0, 1.5])
def test_picking_errors_of_density_and_calcification_against_monte_carlo(offset_mm):
    rng = np.random.default_rng(5)
    marks, sd = np.array([8.0, 18.0, 28.0, 38.0]) + offset_mm, 0.3
    draws = [grow(marks + rng.normal(0.0, sd, 4), banded()) for _ in range(800)]
    growth = grow(marks, banded(), mark_sd_mm=sd)
    means = track_means(growth)
    density = np.array([one.density_g_cm3[1:4] for one in draws])
    calcified = np.array([one.calcification_g_cm2_yr[1:4] for one in draws])
    np.testing.assert_allclose(density.std(axis=0), growth.density_budget.picking_sd_g_cm3[1:4], rtol=0.12)
    np.testing.assert_allclose(calcified.std(axis=0), growth.calcification_sd_g_cm2_yr[1:4], rtol=0.12)
    assert density.mean(axis=1).std() == pytest.approx(means.density_sd_g_cm3, rel=0.12)
    assert calcified.mean(axis=1).std() == pytest.approx(means.calcification_sd_g_cm2_yr, rel=0.12)
    # A mark in the dense band carries more skeleton than the year's mean: both errors add up.
    apart = np.hypot(growth.extension_sd_mm_yr[1:4] / 10 * growth.density_g_cm3[1:4],
                     growth.extension_mm_yr[1:4] / 10 * growth.density_sd_g_cm3[1:4])
    if offset_mm == 0.0:
        assert (growth.calcification_sd_g_cm2_yr[1:4] > 1.15 * apart).all()
    assert np.corrcoef(calcified.T)[0, 1] == pytest.approx(-0.5, abs=0.1)


def test_calcification_error_with_covariance_by_hand():
    # C = 10 * 1.3 / 10; 0.13^2 + 0.02^2 + 2 * 10 * 1.3 * 0.015 / 100
    assert calcification_sd(10.0, 1.0, 1.3, 0.02, covariance=0.015) == pytest.approx(np.sqrt(0.0169 + 0.0004 + 0.0039))
    assert calcification_sd(10.0, 1.0, 1.3, 0.13, covariance=-0.13) == pytest.approx(0.0, abs=1e-9)


def test_sources_stay_apart_and_add_up():
    errors = ErrorSources(thickness_sd_frac=0.02, density_calibration_sd_g_cm3=0.03, density_beam_sd_g_cm3=0.01,
                          density_noise_sd_g_cm3=0.2, density_noise_length_mm=1.0)
    growth = grow([8.0, 18.0, 28.0], banded(), errors=errors, mark_sd_mm=0.3)
    budget, year = growth.density_budget, slice(1, 3)
    assert set(SYSTEMATIC_SOURCES) < set(SOURCES)
    np.testing.assert_allclose(budget.calibration_sd_g_cm3[year], 0.03)
    np.testing.assert_allclose(budget.beam_sd_g_cm3[year], 0.01)
    np.testing.assert_allclose(budget.thickness_sd_g_cm3[year], 0.02 * growth.density_g_cm3[year])
    np.testing.assert_allclose(budget.noise_sd_g_cm3[year], 0.2 / np.sqrt(10 * np.cos(np.radians(15))), rtol=0.02)
    np.testing.assert_allclose(budget.track_sd_g_cm3[year], 0.0)
    np.testing.assert_allclose(sum(budget.share_frac(source)[year] for source in SOURCES), 1.0)
    np.testing.assert_allclose(growth.density_sd_g_cm3[year], np.hypot(budget.systematic_sd_g_cm3, budget.random_sd_g_cm3)[year])
    means = track_means(growth).density_budget
    assert means.calibration_sd_g_cm3[0] == pytest.approx(0.03)
    assert means.noise_sd_g_cm3[0] == pytest.approx(budget.noise_sd_g_cm3[1] / np.sqrt(2), rel=1e-6)
    # Three marks in the same dense band: over the mean of both years the middle one cancels.
    assert means.picking_sd_g_cm3[0] == pytest.approx(budget.picking_sd_g_cm3[1] / 2, rel=0.01)


def test_no_error_has_no_shares():
    growth = grow([8.0, 18.0, 30.0])
    assert np.isnan(growth.density_budget.share_frac("beam")).all()


def with_beside(texture, *, share=1.0, bands=0.25):
    """The banded profile, and tracks beside it with texture of their own; constant shifts between tracks are no texture."""
    profile = banded()
    shift = np.linspace(-0.1, 0.1, len(texture))[:, None]
    return GrowthProfile(depth_mm=profile.depth_mm, tilt_deg=0 * profile.tilt_deg, density_g_cm3=profile.density_g_cm3,
                         beside_g_cm3=profile.density_g_cm3 * (1 + bands) + texture + shift, beside_variance_frac=share)


def test_place_of_the_track_is_worth_what_tracks_beside_it_differ_by():
    rng = np.random.default_rng(12)
    marks = [8.0, 18.0, 28.0, 38.0, 48.0, 58.0]
    texture = rng.normal(0, 0.2, (40, 60)).repeat(20, axis=1)
    texture = np.hstack([texture, texture[:, -1:]])
    growth = grow(marks, with_beside(texture))
    # Texture of 1 mm averages over 10 of them.
    np.testing.assert_allclose(growth.density_budget.track_sd_g_cm3[1:-1], 0.2 / np.sqrt(10), rtol=0.1)
    halves = grow(marks, with_beside(texture, share=0.5))
    np.testing.assert_allclose(halves.density_budget.track_sd_g_cm3[1:-1], 0.2 / np.sqrt(20), rtol=0.1)
    means = track_means(growth)
    assert means.density_sd_g_cm3 == pytest.approx(growth.density_budget.track_sd_g_cm3[1] / np.sqrt(5), rel=1e-6)


def test_tracks_beside_that_are_alike_or_unknown_add_nothing():
    marks = [8.0, 18.0, 28.0, 38.0, 48.0]
    assert np.nanmax(grow(marks, with_beside(np.zeros((5, 1)))).density_budget.track_sd_g_cm3) == pytest.approx(0, abs=1e-9)
    unknown = grow(marks, with_beside(np.full((5, 1), np.nan))).density_budget.track_sd_g_cm3
    np.testing.assert_array_equal(unknown, 0.0)
    holes = np.random.default_rng(1).normal(0, 0.1, (6, 1201))
    holes[2, 300:] = np.nan
    holes[4] = np.nan
    assert (grow(marks, with_beside(holes)).density_budget.track_sd_g_cm3[1:-1] > 0).all()


def test_noise_is_not_counted_twice():
    marks = [8.0, 18.0, 28.0, 38.0, 48.0]
    grain = np.random.default_rng(2).normal(0, 0.1, (30, 1201))
    growth = grow(marks, with_beside(grain), errors=ErrorSources(density_noise_sd_g_cm3=0.1))
    both = growth.density_budget.random_sd_g_cm3[1:-1]
    np.testing.assert_allclose(both, 0.1 / np.sqrt(200), rtol=0.25)


@pytest.mark.parametrize(("tilt_deg", "sd_deg"), [(0.0, 5.0), (10.0, 5.0), (25.0, 3.0), (-25.0, 3.0)])
def test_tilt_error_against_monte_carlo(tilt_deg, sd_deg):
    cosines = np.cos(np.radians(np.random.default_rng(2).normal(tilt_deg, sd_deg, 40_000)))
    assert tilt_sd_frac(tilt_deg, sd_deg) == pytest.approx(cosines.std() / np.cos(np.radians(tilt_deg)), rel=0.02)


def test_no_tilt_error():
    assert tilt_sd_frac(30.0, 0.0) == pytest.approx(0.0, abs=1e-7)


def test_calcification_error_holds_at_zero_extension():
    assert calcification_sd(0.0, 0.5, 1.3, 0.1) == pytest.approx(0.065)


def test_calcification_mean_is_not_the_product_of_means():
    profile = make_profile()
    density = np.where(profile.depth_mm < 17.95, 1.5, 1.1)
    growth = grow([8.0, 18.0, 38.0], GrowthProfile(
        depth_mm=profile.depth_mm, tilt_deg=profile.tilt_deg, density_g_cm3=density))
    means = track_means(growth)
    e, d = growth.extension_mm_yr[1:3], growth.density_g_cm3[1:3]
    covariance = np.cov(e, d, ddof=0)[0, 1]
    assert covariance < 0
    assert means.calcification_g_cm2_yr == pytest.approx(
        (means.extension_mm_yr * means.density_g_cm3 + covariance) / 10)
    assert means.extension_between_years_sd_mm_yr == pytest.approx(10 / np.sqrt(2))


def test_one_year_has_no_spread_and_none_has_no_mean():
    one = track_means(grow([8.0, 18.0], mark_sd_mm=0.1))
    assert one.n_years == 1
    assert np.isnan(one.extension_between_years_sd_mm_yr)
    none = track_means(grow([8.0]))
    assert none.n_years == 0
    assert np.isnan([none.extension_mm_yr, none.density_g_cm3, none.calcification_g_cm2_yr,
                     none.extension_sd_mm_yr, none.density_sd_g_cm3, none.calcification_sd_g_cm2_yr]).all()


def test_sd_of_a_90_percent_interval():
    draws = np.random.default_rng(4).normal(3.0, 0.7, 100_000)
    assert sd_of_interval(*np.quantile(draws, [0.05, 0.95])) == pytest.approx(0.7, rel=0.01)


# --- certainty and flags --------------------------------------------------------------


def test_year_is_as_certain_as_its_lesser_mark():
    assert mark_certainty([0.95, 0.9, 0.89]).tolist() == ["certain", "certain", "doubtful"]
    growth = grow([8.0, 18.0, 30.0, 41.0], certainty=["certain", "certain", "doubtful", "certain"])
    assert growth.certainty.tolist() == ["certain", "certain", "doubtful", "doubtful", "certain"]
    growth = grow([8.0, 18.0, 30.0], certainty=["doubtful", "inserted", "certain"])
    assert growth.certainty.tolist() == ["doubtful", "inserted", "inserted", "certain"]


def test_extension_outlier_against_its_neighbours():
    spacing = np.array([4.0, 4.2, 1.9, 3.9, 8.3, 4.1, 4.0])
    growth = grow(np.cumsum([5.0, *spacing]))
    flagged = [c == "extension-outlier" for c in growth.flags[1:-1]]
    assert flagged == [False, False, True, False, True, False, False]
    outliers = [doubt for doubt in growth.doubts if doubt.code == "extension-outlier"]
    assert [doubt.detail for doubt in outliers] == ["1.9 mm/yr", "8.3 mm/yr"]
    assert outliers[0].depth_mm == pytest.approx(5.0 + 8.2 + 0.95)


def test_absent_years_do_not_make_their_neighbours_outliers():
    spacing = np.array([4.0, 0.0, 4.2, 0.0, 3.9])
    growth = grow(np.cumsum([5.0, *spacing]))
    assert "extension-outlier" not in " ".join(growth.flags)


def test_two_years_are_no_neighbourhood():
    assert "extension-outlier" not in " ".join(grow([5.0, 8.0, 30.0]).flags)


def test_implausible_values_of_the_genus():
    growth = grow([8.0, 38.0, 45.0], make_profile(density=1.8), taxon="Porites lutea", track="B")
    assert growth.flags.tolist() == ["partial density-unusual", "extension-implausible density-unusual",
                                     "density-unusual", "partial density-unusual"]
    assert grow([8.0, 38.0, 45.0], make_profile(density=1.8), taxon="Favia").flags[1] == ""
    doubt = next(d for d in growth.doubts if d.code == "extension-implausible")
    assert (doubt.detail, doubt.track) == ("30.0 mm/yr", "B")


@pytest.mark.parametrize("density", [0.5, 2.5])
def test_implausible_density_of_any_coral(density):
    growth = grow([8.0, 18.0], make_profile(density=density))
    assert growth.flags[1] == "density-implausible"
    assert growth.doubts[0].detail == f"{density:.2f} g/cm3"


def test_mark_within_the_tissue_of_porites():
    growth = grow([4.0, 18.0, 30.0], taxon="Porites lobata")
    assert growth.flags.tolist() == ["partial mark-in-tissue", "mark-in-tissue", "", "partial"]
    assert "mark-in-tissue" not in " ".join(grow([8.0, 18.0, 30.0], taxon="Porites lobata").flags)
    assert "mark-in-tissue" not in " ".join(grow([4.0, 18.0, 30.0], taxon="Orbicella faveolata").flags)


def test_few_years():
    assert [d.code for d in grow([8.0, 18.0, 30.0]).doubts] == ["few-years"]
    assert grow([8.0, 18.0, 30.0]).doubts[0].detail == "2 whole years"
    assert grow([8.0, 18.0, 30.0, 41.0]).doubts == ()


# --- invariants -----------------------------------------------------------------------

cuts = st.lists(st.floats(0.0, 50.0), min_size=1, max_size=12).map(sorted)


@settings(deadline=None, max_examples=60)
@given(marks=cuts, seed=st.integers(0, 2**32 - 1))
def test_pieces_add_up_and_calcification_is_the_integral(marks, seed):
    rng = np.random.default_rng(seed)
    depth = np.sort(rng.uniform(0.0, 50.0, 80))
    depth[[0, -1]] = 0.0, 50.0
    profile = GrowthProfile(
        depth_mm=depth, tilt_deg=rng.uniform(-40, 40, 80), density_g_cm3=rng.uniform(1.0, 1.6, 80))
    growth = grow(marks, profile)
    edges = np.concatenate([[0.0], (depth[1:] + depth[:-1]) / 2, [50.0]])
    square_mm = np.diff(edges) * np.cos(np.radians(profile.tilt_deg))
    assert growth.extension_mm.sum() == pytest.approx(square_mm.sum(), rel=1e-12)
    # C = E x D of each year, and the sum of rho dx over all of them.
    whole = growth.complete & (growth.extension_mm_yr > 1e-6)
    np.testing.assert_array_equal(
        growth.calcification_g_cm2_yr[whole], growth.extension_mm_yr[whole] / 10 * growth.density_g_cm3[whole])
    laid = growth.extension_mm > 1e-6
    mass_g_cm2 = np.sum(growth.extension_mm[laid] / 10 * growth.density_g_cm3[laid])
    assert mass_g_cm2 == pytest.approx(np.sum(profile.density_g_cm3 * square_mm) / 10, rel=1e-6)
    assert track_means(growth).n_years == len(marks) - 1


@settings(deadline=None, max_examples=40)
@given(marks=cuts, factor=st.sampled_from([0.5, 2.0, 4.0]))
def test_scaling_lengths_scales_extension_and_nothing_else(marks, factor):
    small = make_profile(density=1.3 + 0.1 * np.sin(np.arange(501) / 10), tilt_deg=12)
    large = GrowthProfile(depth_mm=small.depth_mm * factor, tilt_deg=small.tilt_deg, density_g_cm3=small.density_g_cm3)
    a = grow(marks, small, mark_sd_mm=0.2)
    b = grow(np.array(marks) * factor, large, mark_sd_mm=0.2 * factor)
    np.testing.assert_allclose(b.extension_mm_yr, a.extension_mm_yr * factor, atol=1e-9)
    np.testing.assert_allclose(b.extension_sd_mm_yr, a.extension_sd_mm_yr * factor, atol=1e-9)
    thick = a.extension_mm > 1e-3
    np.testing.assert_allclose(b.density_g_cm3[thick], a.density_g_cm3[thick], rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32 - 1))
def test_shifting_one_mark_changes_two_years_and_no_total(seed):
    rng = np.random.default_rng(seed)
    marks = np.cumsum(rng.uniform(3.0, 6.0, 8))
    moved = marks.copy()
    moved[4] += rng.uniform(-1.0, 1.0)
    difference = grow(moved).extension_mm - grow(marks).extension_mm
    assert difference[4] == pytest.approx(moved[4] - marks[4], abs=1e-9)
    assert difference[5] == pytest.approx(marks[4] - moved[4], abs=1e-9)
    assert np.abs(np.delete(difference, [4, 5])).max() < 1e-9


@pytest.mark.parametrize("values", [1.0, [1.0, 2.0]])
def test_daily_rates(values):
    np.testing.assert_allclose(calcification_from_daily(values), np.asarray(values) * 0.36525, rtol=1e-15)


def test_calcification_is_in_square_centimetres():
    assert calcification(10.0, 1.5) == 1.5
