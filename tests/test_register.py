"""Two pictures of a slab brought together by landmarks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.register import register

CORNERS = np.array([(0.0, 0.0), (40.0, 3.0), (42.0, 95.0), (2.0, 88.0), (20.0, 50.0)])


def turned(places, degrees, *, mirrored=False, stretch=1.0, offset=(7.0, -3.0)):
    a = np.radians(degrees)
    matrix = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([1, -1 if mirrored else 1])
    return stretch * places @ matrix.T + offset


def codes(found):
    return {flag.code for flag in found.flags}


@given(st.floats(-180, 180), st.booleans(), st.sampled_from(["similarity", "affine"]))
def test_however_the_slab_lies(degrees, mirrored, fit):
    found = register(turned(CORNERS, degrees, mirrored=mirrored), CORNERS, fit)
    assert found.mirrored == mirrored
    assert found.rms_mm == pytest.approx(0, abs=1e-9)
    assert np.allclose(np.column_stack(found.here([10.0], [20.0])), turned(np.array([[10.0, 20.0]]), degrees, mirrored=mirrored))
    assert np.allclose(found.there(*found.here(11.0, 22.0)), (11, 22))


def test_a_mirrored_slab_is_said():
    assert "photograph-mirrored" in codes(register(turned(CORNERS, 30, mirrored=True), CORNERS))
    assert codes(register(turned(CORNERS, 30), CORNERS)) == set()


def test_three_landmarks_say_so():
    assert codes(register(turned(CORNERS[:3], 10), CORNERS[:3])) == {"landmarks-few"}


def test_a_stretch_is_doubted():
    assert codes(register(turned(CORNERS, 5, stretch=1.05), CORNERS)) == {"photograph-stretched"}
    slanted = CORNERS @ np.array([[1.0, 0.0], [0.0, 1.06]])
    assert codes(register(slanted, CORNERS, "affine")) == {"photograph-stretched"}


def test_one_wrong_landmark_is_named():
    here = turned(CORNERS, 5)
    here[3] += (4.0, -3.0)
    flag = next(flag for flag in register(here, CORNERS).flags if flag.code == "landmarks-disagree")
    assert flag.detail.startswith("landmark 4 is off by 5.")


@pytest.mark.parametrize(("places", "message"), [
    (CORNERS[:2], r"photograph\.landmarks: at least 3 are needed, got 2"),
    (np.array([(0.0, 0.0), (10.0, 10.0), (30.0, 30.0)]), r"all lie nearly on one line"),
    (np.array([(0.0, 0.0), (10.0, 10.3), (30.0, 30.0), (50.0, 49.0)]), r"all lie nearly on one line"),
    (np.array([(0.0, 0.0), (0.3, 0.2), (0.1, 0.4)]), r"fit the slab and its mirror image nearly alike"),
], ids=["two", "line", "nearly a line", "one place"])
def test_landmarks_that_cannot_tell(places, message):
    with pytest.raises(InputError, match=message) as caught:
        register(places, places)
    assert caught.value.reason == "landmarks"


@pytest.mark.parametrize("fit", ["similarity", "affine"])
@pytest.mark.parametrize("sd_mm", [0.15, 0.3, 0.6])
def test_the_stated_error_is_the_error(fit, sd_mm):
    """Off by a person's error in the landmarks, places are off by what is stated: root mean square of the ratio near 1."""
    rng = np.random.default_rng(8)
    places = np.array([(20.0, 40.0), (35.0, 90.0), (10.0, 120.0)])
    ratios = []
    for _ in range(150):
        found = register(turned(CORNERS, 20) + rng.normal(0, sd_mm, CORNERS.shape), CORNERS, fit)
        there = np.column_stack(found.here(*places.T))
        off = (there - turned(places, 20))[:, 0]
        ratios.append(off / [found.sd_mm_at(*place) for place in places])
    spread = np.sqrt(np.mean(np.square(ratios), axis=0))
    # the usual error of landmarks, 0.3 mm, is taken into account: better ones are believed a little less
    assert np.all((spread > 0.5) & (spread < 1.5))
    assert found.sd_mm_at(20.0, 40.0) < found.sd_mm_at(20.0, 300.0)
    assert found.outside_frac(20.0, 300.0) > 2 > found.outside_frac(20.0, 60.0)
