"""Growth in every direction from a stain line to the outer surface."""

import numpy as np
import pytest

from bandkit.stain import growth_around


def arc(radius_mm, from_deg=40.0, to_deg=140.0, n=200):
    angle = np.radians(np.linspace(from_deg, to_deg, n))
    return np.stack([radius_mm * np.cos(angle), -radius_mm * np.sin(angle)], axis=1)


def test_concentric_arcs_are_the_difference_of_their_radii_apart():
    around = growth_around(arc(40.0), arc(52.0))
    np.testing.assert_allclose(around.extension_mm, 12.0, atol=0.05)
    assert around.mean_mm == pytest.approx(12.0, abs=0.02)
    assert around.sd_mm < 0.03
    # Growth is away from the middle: 90 degrees is up on the picture.
    middle = int(np.argmin(np.abs(around.line_mm[:, 0])))
    assert around.direction_deg[middle] == pytest.approx(90.0, abs=1.5)


def test_a_colony_that_grew_more_to_one_side():
    # The outer circle is moved 3 mm to the right: growth in direction a is about 12 + 3 cos a.
    around = growth_around(arc(40.0), arc(52.0, 20.0, 160.0) + np.array([3.0, 0.0]))
    expected = 12.0 + 3.0 * np.cos(np.radians(around.direction_deg))
    np.testing.assert_allclose(around.extension_mm, expected, atol=0.25)
    assert around.largest_mm == pytest.approx(float(around.extension_mm.max()))


def test_nothing_is_extrapolated_beyond_the_surface_that_is_seen():
    around = growth_around(arc(40.0, 40.0, 140.0), arc(52.0, 70.0, 110.0))
    assert np.all((around.direction_deg > 69.0) & (around.direction_deg < 111.0))


def test_gaps_in_the_line_are_borne_and_no_line_is_no_profile():
    line = arc(40.0)
    line[80:100] = np.nan
    assert growth_around(line, arc(52.0)).mean_mm == pytest.approx(12.0, abs=0.1)
    assert growth_around(np.full((10, 2), np.nan), arc(52.0)) is None
    assert growth_around(arc(40.0), np.full((10, 2), np.nan)) is None
