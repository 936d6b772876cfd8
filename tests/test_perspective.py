"""Four corners make an oblique picture square: places carried into the plane and back, and lengths measured there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

import bandkit
from bandkit.axis import make_axis
from bandkit.errors import InputError, ScaleError
from bandkit.record import RectifySpec, ScaleSpec
from bandkit.scale import plane_of, resolve_scale

SQUARE = ((10.0, 20.0), (210.0, 20.0), (210.0, 120.0), (10.0, 120.0))
OBLIQUE = ((90.0, 80.0), (930.0, 95.0), (905.0, 610.0), (110.0, 590.0))


def resolve(spec, kind="photograph"):
    return resolve_scale(spec, kind=kind, resolution_mm_px=None, size_px=(1000, 700), read=None, overview=None)


def test_an_upright_rectangle_is_plain_scale():
    plane = plane_of(SQUARE, 50.0, 25.0)
    assert plane.to_mm(10.0, 20.0) == pytest.approx((0, 0), abs=1e-9)
    assert plane.to_mm(110.0, 70.0) == pytest.approx((25, 12.5))
    assert plane.mm_per_px(110.0, 70.0) == pytest.approx((0.25, 0.25))
    assert plane.stretch == pytest.approx(1)
    assert plane.sd_frac == pytest.approx(0.7 / 100)


@given(st.floats(-0.2, 1.2), st.floats(-0.2, 1.2))
def test_there_and_back(across, down):
    plane = plane_of(OBLIQUE, 150.0, 100.0)
    x, y = plane.to_px(150 * across, 100 * down)
    assert np.allclose(plane.to_mm(x, y), (150 * across, 100 * down))


@given(st.floats(0, 2 * np.pi), st.floats(-0.0008, 0.0008), st.floats(-0.0008, 0.0008), st.floats(2, 9))
def test_corners_of_a_rectangle_seen_by_any_camera(turn, tilt_x, tilt_y, px_per_mm):
    def seen(x_mm, y_mm):
        u = px_per_mm * (x_mm * np.cos(turn) - y_mm * np.sin(turn))
        v = px_per_mm * (x_mm * np.sin(turn) + y_mm * np.cos(turn))
        return u / (1 + tilt_x * u + tilt_y * v) + 500, v / (1 + tilt_x * u + tilt_y * v) + 400

    plane = plane_of([seen(0, 0), seen(60, 0), seen(60, 40), seen(0, 40)], 60.0, 40.0)
    assert np.allclose(plane.to_mm(*seen(17.0, 31.0)), (17, 31))
    # the angle between two directions is that of the slab again
    (ax, bx), (ay, by) = plane.to_mm(*np.array([seen(10.0, 10.0), seen(13.0, 14.0)]).T)
    assert np.hypot(bx - ax, by - ay) == pytest.approx(5)


def test_beyond_the_horizon_there_is_nothing():
    plane = plane_of([(100, 400), (300, 400), (400, 600), (0, 600)], 10.0, 10.0)
    assert np.isnan(plane.to_mm(200.0, 50.0)[0])
    assert plane.outside_frac([200.0], [50.0]) == np.inf
    assert plane.outside_frac([200.0], [500.0]) == 0
    with pytest.raises(InputError, match="points_px: the track runs beyond the horizon"):
        make_axis([(200, 50), (200, 500)], (0.05, 0.05), step_mm=0.1, plane=plane)


@pytest.mark.parametrize("corners", [
    [(0, 0), (100, 0), (200, 0), (300, 0)],
    [(0, 0), (100, 0), (0, 100), (100, 100)],
], ids=["one line", "crossed"])
def test_what_no_camera_sees_is_an_error(corners):
    with pytest.raises(ScaleError, match=r"scale\.rectify\.corners_px: no camera sees a rectangle so"):
        plane_of(corners, 10.0, 10.0)


def test_the_scale_of_four_corners():
    scale = resolve(ScaleSpec(rectify=RectifySpec(corners_px=SQUARE, width_mm=50.0, height_mm=25.0)))
    assert scale.mm_per_px == pytest.approx((0.25, 0.25))
    assert scale.source == "corners"
    assert scale.sd_frac == pytest.approx(0.007)
    assert [flag.code for flag in scale.flags] == ["rectified"]
    assert scale.to_mm(110.0, 70.0) == pytest.approx((25, 12.5))
    assert scale.to_px(25.0, 12.5) == pytest.approx((110, 70))


def test_a_steep_look_is_doubted():
    flat = ((10.0, 20.0), (210.0, 20.0), (210.0, 60.0), (10.0, 60.0))
    scale = resolve(ScaleSpec(rectify=RectifySpec(corners_px=flat, width_mm=50.0, height_mm=25.0)))
    assert "rectified-steeply" in {flag.code for flag in scale.flags}


def test_a_radiograph_is_not_rectified():
    with pytest.raises(ScaleError, match=r"scale\.rectify: image\.kind is 'radiograph', and only what a camera took"):
        resolve(ScaleSpec(rectify=RectifySpec(corners_px=SQUARE, width_mm=50.0, height_mm=25.0)), "radiograph")


def test_an_axis_in_the_plane():
    plane = plane_of(OBLIQUE, 150.0, 100.0)
    points = [tuple(float(v) for v in plane.to_px(20.0, y)) for y in (10.0, 90.0)]
    axis = make_axis(points, (0.2, 0.2), step_mm=0.1, plane=plane)
    assert axis.length_mm == pytest.approx(80)
    x, y = axis.at(np.array([0.0, 40.0, 80.0]), 5.0)
    # to the right of the way down is towards smaller x
    assert np.allclose(plane.to_mm(x, y), ([15, 15, 15], [10, 50, 90]))
    assert axis.project(*(float(v) for v in plane.to_px(26.0, 33.0))) == pytest.approx((23, -6), abs=0.01)


def test_a_stain_in_an_oblique_photograph(tmp_path):
    from PIL import Image

    from bandkit.simulate import PhotographDesign, simulate_photograph

    slab = simulate_photograph(replace(PhotographDesign(), specimen="TB-07", stained=(date(2015, 6, 10),)), 4)
    height, width = slab.image.shape[:2]
    tilted = np.array([[1.0, 0.06, 20.0], [0.03, 1.0, 15.0], [1.2e-4, 2.2e-4, 1.0]])

    def seen(x, y):
        a, b, w = tilted @ (x, y, 1.0)
        return float(a / w), float(b / w)

    y, x = np.mgrid[0:height, 0:width].astype(float)
    a, b, w = np.tensordot(np.linalg.inv(tilted), np.stack([x, y, np.ones_like(x)]), 1)
    picture = np.stack([ndimage.map_coordinates(slab.image[..., c].astype(float), [b / w, a / w], order=1)
                        for c in range(3)], axis=-1)
    Image.fromarray(np.round(picture).astype(np.uint8)).save(tmp_path / slab.image_file)
    step = slab.truth.mm_per_px
    corners = [[round(v, 2) for v in seen(*corner)] for corner in ((100, 100), (900, 100), (900, 1100), (100, 1100))]
    track = slab.truth.tracks[0]
    points = [[round(v, 2) for v in seen(*point)] for point in track.points_px]
    lines = [line for line in slab.record_text.splitlines() if not line.startswith(("bar =", "points_px"))]
    text = "\n".join(lines)
    rectify = f"rectify = {{ corners_px = {corners}, width_mm = {800 * step}, height_mm = {1000 * step} }}"
    text = text.replace("[scale]", f"[scale]\n{rectify}").replace("[[track]]", f"[[track]]\npoints_px = {points}", 1)
    (tmp_path / "TB-07.toml").write_text(text)
    result = bandkit.measure(tmp_path / "TB-07.toml")
    assert result.stains.depth_mm == pytest.approx(track.stain_depth_mm, abs=0.2)
    # the picture's own places are told, not those of a rectified one
    assert (result.stains.x_px[0], result.stains.y_px[0]) != pytest.approx(track.points_px[0])
