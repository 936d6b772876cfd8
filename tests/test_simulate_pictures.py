"""Stained photographs and luminescence images: edges and lines lie where the truth says."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from bandkit.simulate import (
    CameraDesign,
    LuminescenceDesign,
    PhotographDesign,
    simulate_luminescence,
    simulate_photograph,
)
from bandkit.simulate.camera import srgb_encode, take_picture, uneven_light
from bandkit.simulate.photograph import dye_concentration

CLEAN_CAMERA = CameraDesign(light_rgb=(1.0, 1.0, 1.0), uneven_frac=0.0, blur_px=0.0, noise_frac=0.0)
PHOTO = PhotographDesign()
SMALL_PHOTO = replace(PHOTO, growth=replace(PHOTO.growth, years=4.0),
                      slab=replace(PHOTO.slab, width_mm=24.0, mm_per_px=0.1), stained=(date(2017, 1, 10),))
UV = LuminescenceDesign()
SMALL_UV = replace(UV, growth=replace(UV.growth, years=6.0), slab=replace(UV.slab, width_mm=26.0))


def linear(image):
    value = image / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def along_track(image, track, half_width_px=12):
    x, y = track.surface_px
    rows = np.arange(round(y), round(track.points_px[-1][1]))
    return rows - y, linear(image)[rows, round(x) - half_width_px:round(x) + half_width_px + 1].mean(axis=1)


def test_srgb_known_values():
    # IEC 61966-2-1: linear 0.2140 is the middle grey 0.5.
    assert srgb_encode(np.array([0.0, 0.2140, 1.0, 2.0])) == pytest.approx([0.0, 0.5, 1.0, 1.0], abs=1e-3)


def test_uneven_light_spans_its_fraction():
    light = uneven_light((60, 80), 0.3, np.random.default_rng(1))
    assert light.max() == pytest.approx(1.0)
    assert light.min() == pytest.approx(0.7)


def test_a_clean_camera_shows_the_reflectance():
    picture = take_picture(np.full((5, 6, 3), 0.4, dtype=np.float32), CLEAN_CAMERA, np.random.default_rng(0))
    assert linear(picture) == pytest.approx(0.4 * CLEAN_CAMERA.exposure, abs=0.005)


def test_dye_is_sharp_outside_and_fades_inside():
    dye = dye_concentration(np.array([-0.01, 0.0, 0.6, 5.0]), 2.0)
    assert dye[:2].tolist() == [0.0, 1.0]
    assert 0.3 < dye[2] < 0.6
    assert 0 < dye[3] < 0.05


def test_stain_edge_lies_at_the_depth_of_the_staining_day():
    flat = replace(SMALL_PHOTO.slab, bump_mm=0.0, texture_frac=0.0, tilt_deg=0.0, radius_mm=1e5)
    design = replace(SMALL_PHOTO, camera=CLEAN_CAMERA, relief_mm=0.0, dye_patchy_frac=0.0, slab=flat, saw_frac=0.0)
    slab = simulate_photograph(design, 2)
    track = slab.truth.tracks[0]
    depth_px, rgb = along_track(slab.image, track)
    redness = rgb[:, 0] / rgb[:, 1]
    edge_px = depth_px[1 + np.argmax(np.diff(redness))] - 0.5
    assert edge_px * slab.truth.mm_per_px == pytest.approx(track.stain_depth_mm[0], abs=0.1)
    assert track.stain_date == ("2017-01-10",)


def test_stain_depth_is_growth_since_the_staining():
    growth = replace(SMALL_PHOTO.growth, extension_cv_frac=0.0, extension_season_frac=0.0, extension_mm_yr=8.0)
    flat = replace(SMALL_PHOTO.slab, bump_mm=0.0, tilt_deg=0.0, radius_mm=1e5)
    track = simulate_photograph(replace(SMALL_PHOTO, growth=growth, slab=flat), 2).truth.tracks[0]
    interval_yr = (growth.collected - date(2017, 1, 10)).days / 365.25
    assert track.stain_depth_mm[0] == pytest.approx(8.0 * interval_yr, abs=0.02)


def test_unstained_control_is_not_pink():
    stained, control = (simulate_photograph(replace(SMALL_PHOTO, stained=s), 2) for s in (SMALL_PHOTO.stained, ()))
    assert control.truth.tracks[0].stain_depth_mm.size == 0
    assert "[[stain]]" not in control.record_text

    def reddest(slab):
        _, rgb = along_track(slab.image, slab.truth.tracks[0])
        return (rgb[:, 0] / rgb[:, 1])[80:].max()

    assert reddest(stained) > 1.3 * reddest(control)


def test_photograph_is_the_same_for_the_same_seed():
    first, again = (simulate_photograph(SMALL_PHOTO, 9) for _ in range(2))
    assert first.image.dtype == np.uint8
    assert np.array_equal(first.image, again.image)


def test_flood_lines_are_green_over_blue_at_the_marks():
    design = replace(SMALL_UV, camera=CLEAN_CAMERA, flood_cv_frac=0.2, slab=replace(
        SMALL_UV.slab, bump_mm=0.0, texture_frac=0.0, tilt_deg=0.0, radius_mm=1e5))
    slab = simulate_luminescence(design, 3)
    track = slab.truth.tracks[0]
    depth_px, rgb = along_track(slab.image, track)
    depth_mm, ratio = depth_px * slab.truth.mm_per_px, rgb[:, 1] / rgb[:, 2]
    assert track.mark_depth_mm.size >= 5
    for mark in track.mark_depth_mm[(track.mark_depth_mm > 3) & (track.mark_depth_mm < depth_mm[-1] - 3)]:
        near = np.abs(depth_mm - mark) < 3
        assert depth_mm[near][np.argmax(ratio[near])] == pytest.approx(mark, abs=0.3)


def test_green_over_blue_is_free_of_the_lamp():
    even = replace(SMALL_UV, camera=CLEAN_CAMERA)
    uneven = replace(even, camera=replace(CLEAN_CAMERA, uneven_frac=0.45))
    slabs = [simulate_luminescence(design, 3) for design in (even, uneven)]
    (_, a), (_, b) = (along_track(slab.image, slab.truth.tracks[0]) for slab in slabs)
    bright = slice(60, 500)
    assert b[bright, 1] / b[bright, 2] == pytest.approx(a[bright, 1] / a[bright, 2], rel=0.01)
    assert np.abs(b[bright, 1] / a[bright, 1] - 1).max() > 0.05


def test_luminescence_years_follow_the_floods():
    track = simulate_luminescence(SMALL_UV, 3).truth.tracks[0]
    assert np.diff(track.mark_year).tolist() == [-1] * (track.mark_year.size - 1)
    assert track.mark_time_yr - track.mark_year == pytest.approx(SMALL_UV.flood_yr + 0.05, abs=0.101)
