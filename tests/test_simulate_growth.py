"""Growth through time and its thickening: arithmetic that can be done by hand."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.simulate.growth import GrowthDesign, decimal_year, grow, season_shape, thicken, tissue_gain_frac

EVEN = GrowthDesign(collected=date(2019, 6, 15), years=12.0, extension_mm_yr=10.0, extension_cv_frac=0.0,
                    extension_season_frac=0.0, density_cv_frac=0.0, cycle_cv_frac=0.0, cycle_skew=0.0, peak_yr=0.2)


def grown(design, seed=1):
    return grow(design, np.random.default_rng(seed))


@pytest.mark.parametrize(("day", "expected"), [
    (date(2019, 1, 1), 2019 + 0.5 / 365), (date(2019, 12, 31), 2020 - 0.5 / 365), (date(2020, 7, 2), 2020.5 + 1 / 732)])
def test_decimal_year_is_noon_of_the_day(day, expected):
    assert decimal_year(day) == pytest.approx(expected, abs=1e-9)


def test_tissue_window_of_a_common_porites():
    # Depth of tissue 5.43 mm: Barnes & Lough 1992. Attenuation: transfer function of a running mean.
    window_yr = 5.43 / 13.0
    assert window_yr == pytest.approx(0.418, abs=1e-3)
    assert tissue_gain_frac(window_yr) == pytest.approx(0.736, abs=2e-3)


@pytest.mark.parametrize(("initial_frac", "window_yr", "expected"), [
    (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.7, 1.0), (0.5, 1.0, 0.5)])
def test_tissue_gain_at_its_limits(initial_frac, window_yr, expected):
    assert tissue_gain_frac(window_yr, initial_frac) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("initial_frac", [0.0, 0.4])
def test_thickening_weakens_a_cosine_by_the_stated_gain(initial_frac):
    depth = np.arange(0, 80, 0.02)
    cycle = np.cos(2 * np.pi * depth / 13.0)
    out = thicken(cycle, 0.02, tissue_mm=5.43, initial_frac=initial_frac)[depth > 20]
    assert np.ptp(out) / 2 == pytest.approx(float(tissue_gain_frac(5.43 / 13.0, initial_frac)), rel=2e-3)


def test_uniform_thickening_moves_a_maximum_half_the_tissue_depth_into_older_skeleton():
    depth = np.arange(0, 60, 0.02)
    out = thicken(np.cos(2 * np.pi * (depth - 20) / 20), 0.02, tissue_mm=5.0, initial_frac=0.0)
    window = (depth > 15) & (depth < 30)
    assert depth[window][np.argmax(out[window])] == pytest.approx(22.5, abs=0.03)


def test_youngest_skeleton_is_unfinished():
    out = thicken(np.full(1000, 1.3), 0.02, tissue_mm=5.0, initial_frac=0.4, first=100)
    assert out[:100] == pytest.approx(0.0)
    # Half of the tissue depth below the surface: what is laid down at once, and half of the rest.
    assert out[100 + 125] == pytest.approx(1.3 * (0.4 + 0.6 * 0.5), abs=2e-3)
    assert out[100 + 260:] == pytest.approx(1.3)


@pytest.mark.parametrize("skew", [-0.5, 0.0, 0.5])
def test_season_has_its_peak_at_zero_and_no_mean(skew):
    phase = np.linspace(0, 1, 1000, endpoint=False)
    season = season_shape(phase, skew)
    assert np.argmax(season) == 0
    assert np.ptp(season) == pytest.approx(2.0, abs=1e-3)
    assert season.mean() == pytest.approx(0.0, abs=1e-9)


def test_recorded_cycle_has_the_amplitude_of_the_design():
    g = grown(replace(EVEN, cycle_frac=0.15, density_g_cm3=1.3))
    inside = (g.depth_mm > 20) & (g.depth_mm < 100)
    assert np.ptp(g.density_g_cm3[inside]) / 2 / 1.3 == pytest.approx(0.15, rel=0.01)
    assert g.density_g_cm3[inside].mean() == pytest.approx(1.3, abs=0.003)


def test_even_growth_puts_a_mark_every_extension():
    g = grown(EVEN)
    assert np.diff(g.mark_depth_mm) == pytest.approx(10.0, abs=0.05)
    assert g.length_mm == pytest.approx(120.0, abs=0.05)
    assert np.diff(g.mark_year).tolist() == [-1] * (g.mark_year.size - 1)


def test_marks_are_dated_by_when_the_surface_was_there():
    g = grown(EVEN)
    collected = decimal_year(EVEN.collected)
    assert g.mark_formed_yr == pytest.approx(collected - g.mark_depth_mm / 10.0, abs=0.005)
    day = decimal_year(date(2001, *g.mark_date)) - 2001
    assert np.mean(g.mark_formed_yr - g.mark_year) == pytest.approx(day, abs=0.01)


def test_marks_before_new_year_belong_to_the_year_before():
    # A season that peaks on New Year's Day is recorded by skeleton from the end of the year before.
    g = grown(replace(EVEN, peak_yr=0.0))
    assert g.mark_date[0] >= 10
    assert np.floor(g.mark_formed_yr).tolist() == g.mark_year.tolist()


def test_doublets_are_not_marks():
    plain, doubled = grown(EVEN), grown(replace(EVEN, doublet_frac=0.8))
    assert doubled.mark_depth_mm == pytest.approx(plain.mark_depth_mm)
    below_tissue = plain.depth_mm > EVEN.tissue_mm + 0.1
    assert plain.density_g_cm3[below_tissue] == pytest.approx(plain.season_g_cm3[below_tissue], abs=1e-3)
    assert np.max((doubled.density_g_cm3 - doubled.season_g_cm3)[below_tissue]) > 0.02


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 10_000), extension=st.floats(4, 18), cv=st.floats(0, 0.3), peak=st.floats(0, 0.999))
def test_one_mark_a_year_and_each_a_local_maximum(seed, extension, cv, peak):
    design = GrowthDesign(years=15.0, extension_mm_yr=extension, extension_cv_frac=cv, peak_yr=peak,
                          tissue_mm=min(5.0, 0.5 * extension), weak_year_chance=0.1)
    g = grown(design, seed)
    assert abs(g.mark_depth_mm.size - 15) <= 1
    assert np.all(np.diff(g.mark_depth_mm) > 0)
    assert np.all(np.diff(g.mark_year) == -1)
    for mark in g.mark_depth_mm:
        i = round(mark / 0.02)
        near = g.season_g_cm3[max(0, i - 10):i + 11]
        assert g.season_g_cm3[i] == near.max()


def test_same_seed_same_growth():
    design = GrowthDesign()
    assert np.array_equal(grown(design, 3).density_g_cm3, grown(design, 3).density_g_cm3)
    assert not np.array_equal(grown(design, 3).mark_depth_mm, grown(design, 4).mark_depth_mm)
