"""A growth axis through drawn points: arc length, tangent, sides, and the way back from a pixel."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bandkit.axis import make_axis
from bandkit.errors import InputError

SQUARE = (0.1, 0.1)
coordinate = st.floats(-400, 400)


@st.composite
def curves(draw):
    """Points as a person draws them: a few, well apart, bending by up to 60 degrees at each."""
    n = draw(st.integers(1, 4))
    steps = draw(st.lists(st.floats(60, 250), min_size=n, max_size=n))
    bends = draw(st.lists(st.floats(-60, 60), min_size=n, max_size=n))
    heading = np.radians(np.cumsum(bends))
    way = np.stack([steps * np.cos(heading), steps * np.sin(heading)], axis=1)
    return np.concatenate([[(0.0, 0.0)], np.cumsum(way, axis=0)]) + draw(st.tuples(coordinate, coordinate))


def turned(points, angle_deg, shift=(0.0, 0.0)):
    """Points turned about the origin and moved."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(points) @ np.array([[c, s], [-s, c]]) + shift


def test_vertical_track_counts_rows():
    axis = make_axis([(30, 10), (30, 110)], SQUARE, step_mm=0.1)
    np.testing.assert_allclose(axis.depth_mm, np.arange(101) * 0.1)
    np.testing.assert_allclose(axis.y_px, 10 + np.arange(101))
    np.testing.assert_allclose(axis.x_px, 30)
    np.testing.assert_allclose(axis.tangent_x, 0, atol=1e-12)
    np.testing.assert_allclose(axis.tangent_y, 1)
    assert axis.length_mm == pytest.approx(10.0)
    assert axis.step_mm == pytest.approx(0.1)


def test_three_four_five():
    axis = make_axis([(0, 0), (30, 40)], (1.0, 1.0), step_mm=1.0)
    assert axis.length_mm == pytest.approx(50.0)
    assert (axis.x_px[25], axis.y_px[25]) == pytest.approx((15, 20))
    assert (axis.tangent_x[25], axis.tangent_y[25]) == pytest.approx((0.6, 0.8))


def test_pixels_need_not_be_square():
    # 30 pixels of 0.2 mm across, 80 of 0.1 mm down: 6 and 8 mm, so 10 mm.
    axis = make_axis([(0, 0), (30, 80)], (0.2, 0.1), step_mm=0.5)
    assert axis.length_mm == pytest.approx(10.0)
    assert (axis.tangent_x[3], axis.tangent_y[3]) == pytest.approx((0.6, 0.8))
    x, y = axis.at(5.0, 1.0)
    # Square to the track in millimetres: (3, 4) mm + 1 mm * (-0.8, 0.6) = (2.2, 4.6) mm.
    assert (float(x), float(y)) == pytest.approx((2.2 / 0.2, 4.6 / 0.1))


def test_whole_number_of_steps_and_none_longer_than_asked():
    axis = make_axis([(0, 0), (0, 10)], (1.0, 1.0), step_mm=3.0)
    np.testing.assert_allclose(axis.depth_mm, [0, 2.5, 5, 7.5, 10])


def test_step_longer_than_the_track_gives_its_two_ends():
    axis = make_axis([(0, 0), (0, 2)], (1.0, 1.0), step_mm=5.0)
    np.testing.assert_allclose(axis.depth_mm, [0, 2])


def test_positive_side_is_right_of_a_person_looking_along_the_track_on_the_page():
    # Down the page, the right-hand side of the direction of travel is the page's left (y down).
    down = make_axis([(50, 0), (50, 100)], SQUARE, step_mm=0.1)
    x, y = down.at(5.0, 2.0)
    assert (float(x), float(y)) == pytest.approx((30, 50))
    rightwards = make_axis([(0, 50), (100, 50)], SQUARE, step_mm=0.1)
    x, y = rightwards.at(5.0, 2.0)
    assert (float(x), float(y)) == pytest.approx((50, 70))


def test_axis_goes_on_straight_beyond_its_ends():
    axis = make_axis([(0, 0), (30, 40)], (1.0, 1.0), step_mm=1.0)
    x, y = axis.at(np.array([-5.0, 60.0]), 0.0)
    np.testing.assert_allclose(x, [-3, 36])
    np.testing.assert_allclose(y, [-4, 48])


def test_at_broadcasts_depth_against_distance():
    axis = make_axis([(50, 0), (50, 100)], SQUARE, step_mm=0.1)
    x, y = axis.at(np.array([[1.0], [2.0], [3.0]]), np.array([[-1.0, 1.0]]))
    np.testing.assert_allclose(x, [[60, 40]] * 3)
    np.testing.assert_allclose(y, [[10, 10], [20, 20], [30, 30]])


def circle(radius_px, n):
    angle = np.linspace(0, np.pi / 2, n)
    return np.stack([radius_px * np.sin(angle), radius_px * (1 - np.cos(angle))], axis=1)


def test_quarter_of_a_circle():
    axis = make_axis(circle(500, 9), SQUARE, step_mm=0.2)
    assert axis.length_mm == pytest.approx(50 * np.pi / 2, rel=1e-3)
    radius = np.hypot(axis.x_px, axis.y_px - 500)
    # The curve has no bend at its very ends, so it leaves the circle there by a pixel.
    np.testing.assert_allclose(radius, 500, atol=1.0)
    np.testing.assert_allclose(radius[100:-100], 500, atol=0.1)
    middle = len(axis.depth_mm) // 2
    assert (axis.tangent_x[middle], axis.tangent_y[middle]) == pytest.approx((np.sqrt(0.5), np.sqrt(0.5)), abs=2e-3)


def test_samples_of_a_curve_stand_equally_far_apart():
    axis = make_axis(circle(300, 5), SQUARE, step_mm=0.2)
    chord = np.hypot(np.diff(axis.x_px), np.diff(axis.y_px)) * 0.1
    np.testing.assert_allclose(chord, axis.step_mm, rtol=1e-4)
    np.testing.assert_allclose(np.hypot(axis.tangent_x, axis.tangent_y), 1)


def test_curve_goes_through_the_drawn_points():
    points = [(0, 0), (40, 100), (10, 220), (60, 300)]
    axis = make_axis(points, SQUARE, step_mm=0.05)
    for x, y in points:
        assert np.hypot(axis.x_px - x, axis.y_px - y).min() < 0.5


def test_points_drawn_twice_count_once():
    once = make_axis([(0, 0), (40, 100), (10, 220)], SQUARE, step_mm=0.1)
    twice = make_axis([(0, 0), (0, 0), (40, 100), (40, 100), (40, 100), (10, 220)], SQUARE, step_mm=0.1)
    np.testing.assert_array_equal(twice.x_px, once.x_px)
    np.testing.assert_array_equal(twice.y_px, once.y_px)


@pytest.mark.parametrize("points", [[], [(3, 4)], [(3, 4), (3, 4), (3, 4)]])
def test_one_place_is_no_track(points):
    n = min(len(points), 1)
    with pytest.raises(InputError, match=f"points_px: a track needs two different points, got {n}; draw it from outside"):
        make_axis(points, SQUARE, step_mm=0.1)


@pytest.mark.parametrize("back", [(30.0, 10.0), (30.0, -50.0)])
def test_track_that_turns_back_is_refused(back):
    with pytest.raises(InputError, match=r"points_px: the track turns back on itself near \[30, \d+\]; draw it in one"):
        make_axis([(30, 10), (30, 110), back], SQUARE, step_mm=0.1)


@pytest.mark.parametrize(("mm_per_px", "step_mm"), [
    ((0.0, 0.1), 0.1), ((0.1, -0.1), 0.1), ((0.1, 0.1), 0.0), ((0.1, 0.1), -1.0), ((float("nan"), 0.1), 0.1)])
def test_scale_and_step_must_be_positive(mm_per_px, step_mm):
    with pytest.raises(InputError, match="mm_per_px and step_mm: must be positive, got "):
        make_axis([(0, 0), (0, 9)], mm_per_px, step_mm=step_mm)


@given(curves(), st.floats(-180, 180), st.tuples(coordinate, coordinate))
def test_length_stays_when_the_drawing_is_turned_and_moved(points, angle_deg, shift):
    plain = make_axis(points, SQUARE, step_mm=0.5)
    moved = make_axis(turned(points, angle_deg, shift), SQUARE, step_mm=0.5)
    assert moved.length_mm == pytest.approx(plain.length_mm, rel=1e-6)


@given(curves(), st.floats(-180, 180))
def test_turned_track_shows_the_same_places(points, angle_deg):
    plain = make_axis(points, SQUARE, step_mm=0.5)
    moved = make_axis(turned(points, angle_deg), SQUARE, step_mm=0.5)
    depth = np.linspace(0, plain.length_mm, 7)
    np.testing.assert_allclose(np.stack(moved.at(depth, 2.0), axis=1),
                               turned(np.stack(plain.at(depth, 2.0), axis=1), angle_deg), atol=0.2)


@given(curves())
def test_twice_the_scale_is_twice_the_length(points):
    plain = make_axis(points, SQUARE, step_mm=0.5)
    double = make_axis(points, (0.2, 0.2), step_mm=1.0)
    np.testing.assert_allclose(double.depth_mm, 2 * plain.depth_mm, rtol=1e-9)
    np.testing.assert_allclose(double.x_px, plain.x_px, atol=1e-6)


@given(curves())
def test_track_drawn_the_other_way_is_the_same_curve_mirrored(points):
    plain = make_axis(points, SQUARE, step_mm=0.5)
    back = make_axis(points[::-1], SQUARE, step_mm=0.5)
    assert back.length_mm == pytest.approx(plain.length_mm, rel=1e-6)
    depth = np.linspace(0, plain.length_mm, 9)
    np.testing.assert_allclose(back.at(back.length_mm - depth, -1.5), plain.at(depth, 1.5), atol=0.2)


@given(st.lists(st.floats(0.05, 0.95), max_size=6), coordinate, coordinate)
def test_straight_track_drawn_with_more_points_is_the_same(fractions, x, y):
    assume(np.hypot(x, y) > 20)
    parts = np.unique(np.round([0, *fractions, 1], 2))
    plain = make_axis([(0, 0), (x, y)], SQUARE, step_mm=0.5)
    more = make_axis([(x * t, y * t) for t in parts], SQUARE, step_mm=0.5)
    np.testing.assert_allclose(more.depth_mm, plain.depth_mm, atol=1e-6)
    np.testing.assert_allclose(more.x_px, plain.x_px, atol=1e-5)


@given(curves())
def test_curve_read_off_and_drawn_anew_has_the_same_length(points):
    plain = make_axis(points, SQUARE, step_mm=0.5)
    again = make_axis(np.stack([plain.x_px, plain.y_px], axis=1)[:: max(len(plain.depth_mm) // 60, 1)], SQUARE, step_mm=0.5)
    # The last sample may be left out by the stride.
    tail = (len(plain.depth_mm) - 1) % max(len(plain.depth_mm) // 60, 1) * plain.step_mm
    assert again.length_mm + tail == pytest.approx(plain.length_mm, rel=5e-3)


@given(st.floats(0.5, 24.5), st.floats(-5, 5), st.floats(-180, 180))
def test_project_is_the_way_back(depth_mm, across_mm, angle_deg):
    # A gentle bend: radius 60 mm against 5 mm to the side.
    axis = make_axis(turned(circle(600, 7)[:3], angle_deg), SQUARE, step_mm=0.1)
    x, y = axis.at(depth_mm, across_mm)
    assert axis.project(float(x), float(y)) == pytest.approx((depth_mm, across_mm), abs=0.02)


def test_project_beyond_the_ends_stays_on_the_track():
    axis = make_axis([(50, 0), (50, 100)], SQUARE, step_mm=0.1)
    assert axis.project(30, -40) == pytest.approx((0.0, 2.0))
    assert axis.project(50, 140) == pytest.approx((10.0, 0.0))
