"""Thickness of the slab by one value, points or a map, and how its error goes into density."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.dating import date_marks
from bandkit.density import (
    EvenThickness,
    drift_flags,
    fit_thickness,
    map_thickness,
    slab_density_g_cm3,
)
from bandkit.errors import CalibrationError
from bandkit.growth import ErrorSources, GrowthProfile, growth_per_year

MM_PER_PX = (0.1, 0.1)
# Corners, middles of the sides and the middle of a slab of 50 x 200 mm.
NINE_PX = np.array([[x, y] for y in (0, 1000, 2000) for x in (0, 250, 500)], dtype=float)
PLACES_PX = np.random.default_rng(3).uniform((0, 0), (500, 2000), (200, 2))


def wedge(points_px, *, level_mm=6.5, x_mm_mm=0.004, y_mm_mm=-0.006):
    x, y = (np.asarray(points_px) * 0.1).T
    return level_mm + x_mm_mm * x + y_mm_mm * y


def one_to_one(thickness_sd_mm, thickness_mm=6.5):
    """Density's error by thickness in two years of unlike density, over their density."""
    depth = np.arange(301) * 0.1
    profile = GrowthProfile(depth_mm=depth, tilt_deg=np.zeros(301), density_g_cm3=np.where(depth < 15, 1.1, 1.6))
    dated = date_marks(3, collected=None)
    growth = growth_per_year([5.0, 15.0, 25.0], dated, profile,
                             errors=ErrorSources(thickness_sd_frac=thickness_sd_mm / thickness_mm))
    return growth.density_sd_g_cm3[1:3] / growth.density_g_cm3[1:3]


# --- one to one -----------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(st.floats(0.1, 3.0), st.floats(2.0, 20.0), st.floats(-0.2, 0.2))
def test_an_error_of_thickness_goes_one_to_one_into_density(areal, thickness, error):
    true = slab_density_g_cm3(areal, thickness)
    measured = slab_density_g_cm3(areal, thickness * (1 + error))
    assert measured * (1 + error) == pytest.approx(true, rel=1e-12)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.0, 1.0))
def test_so_does_its_standard_deviation_in_every_year(sd_mm):
    np.testing.assert_allclose(one_to_one(sd_mm), sd_mm / 6.5, rtol=1e-9, atol=1e-12)


# --- points ---------------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(st.floats(4.0, 12.0), st.floats(-0.008, 0.008), st.floats(-0.008, 0.008))
def test_a_wedge_is_found_by_points(level, along_x, along_y):
    true = wedge(NINE_PX, level_mm=level, x_mm_mm=along_x, y_mm_mm=along_y)
    surface = fit_thickness(NINE_PX, true, mm_per_px=MM_PER_PX)
    at = surface.at_mm(*PLACES_PX.T)
    # The prior on wedges pulls by less than one part in a hundred of the wedge.
    np.testing.assert_allclose(at, wedge(PLACES_PX, level_mm=level, x_mm_mm=along_x, y_mm_mm=along_y), atol=0.012)


def test_three_points_fix_a_plane_and_two_the_slope_between_them():
    three = np.array([[0.0, 0], [500, 0], [250, 2000]])
    surface = fit_thickness(three, wedge(three), mm_per_px=MM_PER_PX)
    np.testing.assert_allclose(surface.at_mm(*three.T), wedge(three), atol=0.01)
    two = np.array([[250.0, 0], [250, 2000]])
    line = fit_thickness(two, [7.0, 6.0], mm_per_px=MM_PER_PX)
    assert line.at_mm(250, 1000) == pytest.approx(6.5, abs=1e-3)
    assert line.at_mm(250, 500) == pytest.approx(6.75, abs=0.02)
    # Beside the line nothing is known but what wedges usually are: 1 % of 25 mm.
    assert line.sd_mm(500, 1000) == pytest.approx(np.hypot(line.sd_mm(250, 1000), 0.25), rel=0.05)


def test_one_point_is_a_level_that_is_trusted_less_and_less():
    surface = fit_thickness([[250.0, 1000.0]], [6.4], mm_per_px=MM_PER_PX)
    assert surface.at_mm(0, 0) == pytest.approx(6.4)
    assert surface.sd_mm(250, 1000) == pytest.approx(0.05, rel=0.01)
    # A wedge of 1 % and a bow of 0.1 mm in 50, 100 mm away.
    assert surface.sd_mm(250, 2000) == pytest.approx(np.hypot(1.0, 0.4), rel=0.01)


def test_a_bow_is_found_by_nine_points():
    def bow(places):
        x, y = (places * 0.1).T
        return 6.5 + 0.0001 * (x - 25) * (y - 100) * 0.2 + 3e-5 * (y - 100) ** 2

    surface = fit_thickness(NINE_PX, bow(NINE_PX), mm_per_px=MM_PER_PX)
    plane_error = np.abs(6.5 + 0.1 - bow(PLACES_PX)).max()
    assert np.abs(surface.at_mm(*PLACES_PX.T) - bow(PLACES_PX)).max() < 0.15 * plane_error


def test_misfit_says_what_a_point_is_off_by():
    rng = np.random.default_rng(9)
    points = rng.uniform((0, 0), (500, 2000), (60, 2))
    coarse = fit_thickness(points, wedge(points) + rng.normal(0, 0.2, 60), mm_per_px=MM_PER_PX)
    assert coarse.point_sd_mm == pytest.approx(0.2, rel=0.25)
    assert "one point off by 0.17 mm" in coarse.method
    fine = fit_thickness(points, wedge(points), mm_per_px=MM_PER_PX, point_sd_mm=0.05)
    assert fine.point_sd_mm < 0.02


@pytest.mark.parametrize("n_points", [3, 5, 9])
def test_standard_deviation_covers_on_simulated_slabs(n_points):
    rng = np.random.default_rng(n_points)
    z = []
    for _ in range(150):
        points = rng.uniform((0, 0), (500, 2000), (n_points, 2))
        slope, bow = rng.normal(0, 0.01, 2), rng.normal(0, 4e-5, 3)

        def true(places, slope=slope, bow=bow):
            x, y = (places - (250, 1000)).T * 0.1
            return 8.0 + slope[0] * x + slope[1] * y + bow[0] * x**2 + bow[1] * x * y + bow[2] * y**2

        surface = fit_thickness(points, true(points) + rng.normal(0, 0.05, n_points), mm_per_px=MM_PER_PX)
        places = rng.uniform((100, 200), (400, 1800), (3, 2))
        z += list((surface.at_mm(*places.T) - true(places)) / surface.sd_mm(*places.T))
    assert 0.85 < np.mean(np.abs(z) < 1.645) < 0.96


def test_outside_the_hull_is_told():
    surface = fit_thickness(NINE_PX, wedge(NINE_PX), mm_per_px=MM_PER_PX)
    assert surface.outside_mm([250, 250, 600], [1000, 2100, 1000]) == pytest.approx([0.0, 10.0, 10.0], abs=0.01)
    y = np.arange(0, 2400, 20.0)
    assert surface.flags(np.full(101, 250.0), y[:101]) == ()
    (flag,) = surface.flags(np.full(y.size, 250.0), y)
    assert flag.code == "thickness-extrapolated"
    assert "lies up to 38 mm outside the points" in flag.detail
    # Points in one line have a hull too.
    line = fit_thickness([[250.0, 0], [250, 2000]], [6.5, 6.5], mm_per_px=MM_PER_PX)
    assert line.outside_mm([250, 310], [500, 500]) == pytest.approx([0.0, 6.0], abs=0.01)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.floats(0, 3))
def test_the_slab_may_be_turned_and_moved(seed, turn):
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 800, (6, 2))
    measured = rng.normal(6.5, 0.2, 6)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = points @ rotation.T + (300, -50)
    place = np.array([[400.0, 300.0]])
    one = fit_thickness(points, measured, mm_per_px=MM_PER_PX)
    other = fit_thickness(moved, measured, mm_per_px=MM_PER_PX)
    # The prior on the bow is not quite the same in all directions.
    assert one.at_mm(*place.T) == pytest.approx(other.at_mm(*(place @ rotation.T + (300, -50)).T), abs=0.05)


@pytest.mark.parametrize("bad", [0.0, -1.0])
def test_a_thickness_that_is_none(bad):
    with pytest.raises(CalibrationError, match=f"slab_thickness_mm: {bad:g} is not a thickness; give it in mm, above 0"):
        fit_thickness([[0, 0], [10, 10]], [6.0, bad], mm_per_px=MM_PER_PX)
    with pytest.raises(CalibrationError, match="is not a thickness"):
        EvenThickness(thickness_mm=bad)


# --- one value ------------------------------------------------------------------------


def test_one_value_holds_everywhere_and_says_what_it_cannot_know():
    even = EvenThickness(thickness_mm=6.5, thickness_sd_mm=0.1)
    np.testing.assert_array_equal(even.at_mm(np.zeros((2, 3)), 5.0), np.full((2, 3), 6.5))
    np.testing.assert_array_equal(even.sd_mm([0, 1], [0, 1]), [0.1, 0.1])
    assert even.flags([0], [0]) == ()
    assert "a wedge would show as a drift of density" in even.method


def test_drift_of_mass_per_area_is_doubted_and_bands_are_not():
    place = np.linspace(0, 1, 1200)
    bands = 1 + 0.2 * np.sin(2 * np.pi * 24 * place) + 0.05 * np.random.default_rng(1).standard_normal(1200)
    assert drift_flags(0.85 * bands, 6.5) == ()
    assert drift_flags(0.85 * bands * (1 + 0.05 * place), 6.5) == ()
    (flag,) = drift_flags(0.85 * bands * (1 - 0.2 * place), 6.5)
    assert flag.code == "thickness-or-drift"
    assert flag.detail == "-22 % from the surface to the inner end, as a wedge of 1.4 mm would make"
    assert drift_flags(np.full(1200, np.nan), 6.5) == ()


# --- map ------------------------------------------------------------------------------


def map_of(greys, *, image_size_px=(400, 1000), mm_per_grey=0.01, **options):
    greys = np.asarray(greys)
    return map_thickness(lambda x0, y0, x1, y1: greys[y0:y1, x0:x1], (greys.shape[1], greys.shape[0]), mm_per_grey,
                         image_size_px=image_size_px, **options)


def test_a_coarse_map_is_read_between_its_pixels():
    greys = np.repeat(np.arange(600, 700)[:, None], 40, axis=1).astype(np.uint16)
    thickness = map_of(greys, map_sd_mm=0.03)
    # Ten image pixels to one of the map: the middle of its row k is at 10 k + 4.5.
    assert thickness.at_mm([200, 200, 30], [4.5, 504.5, 509.5]) == pytest.approx([6.0, 6.5, 6.505])
    assert thickness.at_mm(0, 0) == pytest.approx(6.0)
    sidewards = map_of(np.repeat(np.arange(600, 640)[None, :], 100, axis=0).astype(np.uint16))
    assert sidewards.at_mm([4.5, 204.5], 500) == pytest.approx([6.0, 6.2])
    assert thickness.sd_mm(0, 0) == 0.03
    assert thickness.method == "Thickness was taken from a map of the slab (6 to 6.99 mm)."


def test_a_fine_map_is_reduced_as_it_is_read():
    rows, columns = np.mgrid[:4000, :160]
    greys = (600 + rows // 40 + 0 * columns).astype(np.uint16)
    greys[1000:1010, 50:60] = 0
    thickness = map_of(greys, image_size_px=(160, 4000))
    assert max(thickness.map_mm.shape) <= 1600
    y = np.array([200.0, 1005.0, 3500.0])
    assert thickness.at_mm(np.full(3, 55.0), y)[[0, 2]] == pytest.approx((600 + y[[0, 2]] / 40) / 100, abs=0.006)
    assert np.isnan(thickness.at_mm(55.0, 1005.0))


def test_an_empty_place_of_the_map_has_no_thickness():
    greys = np.full((100, 40), 650)
    greys[80:] = 0
    thickness = map_of(greys)
    y = np.arange(1000.0)
    (flag,) = thickness.flags(np.full(1000, 200.0), y)
    assert (flag.code, flag.detail) == ("thickness-missing", "20 % of the track")
    assert thickness.flags(np.full(700, 200.0), y[:700]) == ()


@pytest.mark.parametrize(("shape", "match"), [
    ((1000, 500), "500 x 1000 px does not cover an image of 400 x 1000 px; make it of the whole image, of the same shape"),
    ((2000, 800), "800 x 2000 px does not cover an image of 400 x 1000 px"),
    ((100, 30), "30 x 100 px does not cover")])
def test_a_map_of_another_shape_or_finer(shape, match):
    with pytest.raises(CalibrationError, match=f"density.thickness_map: {match}"):
        map_of(np.full(shape, 600))


def test_a_map_of_nothing():
    with pytest.raises(CalibrationError, match=r"density.thickness_map: nothing but zeros; greys times mm_per_grey must be"):
        map_of(np.zeros((100, 40)))
