"""The scale bar found in drawn pictures whose ends are known to a fraction of a pixel."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scale_scenes import (
    DrawnBar,
    background,
    draw_bar,
    draw_label,
    draw_rectangle,
    draw_slab,
    draw_steps,
    expose,
    random_scene,
)
from scipy import ndimage

from bandkit.errors import ScaleError
from bandkit.scale import find_bar, find_bar_within


def scene(kind="cassette", bars=(), *, shape=(640, 800), blur=1.0, noise=0.01, seed=0):
    """Picture of a slab, standards and bars; the slab takes the left 55 %."""
    rng = np.random.default_rng(seed)
    image = background(shape, kind, rng)
    draw_slab(image, (0.07 * shape[1], 0.06 * shape[0], 0.55 * shape[1], 0.94 * shape[0]), 0.5, rng)
    greys = np.linspace(0.15, 0.7, 6) if kind in ("cassette", "cloth") else np.linspace(0.7, 0.15, 6)
    draw_steps(image, 0.94 * shape[1], 0.08 * shape[0], 36, greys)
    for bar in bars:
        draw_bar(image, bar)
    return expose(image, blur=blur, noise=noise, rng=rng)


def assert_found(picture, bar, *, frac=0.002, end_px=0.4):
    found = find_bar(picture)
    assert found.length_px == pytest.approx(bar.length, rel=frac)
    np.testing.assert_allclose((found.from_px, found.to_px), bar.ends, atol=end_px)
    assert abs(found.length_px - bar.length) < 4 * found.sd_px
    return found


# --------------------------------------------------------------------------------- what is found


@pytest.mark.parametrize("angle_deg", [0, -7, 90, 93])
@pytest.mark.parametrize(("kind", "grey"), [("cassette", 0.95), ("open beam", 0.05), ("paper", 0.05), ("cloth", 0.95)])
def test_bars_bright_and_dark_lying_and_standing(kind, grey, angle_deg):
    bar = DrawnBar(x=595.3, y=330.7, length=250.4, width=12.3, angle_deg=angle_deg, grey=grey)
    found = assert_found(scene(kind, [bar]), bar)
    assert found.bright is (grey > 0.5)
    assert found.width_px == pytest.approx(bar.width, abs=0.5)
    assert found.confidence > 0.9


def test_ends_lie_on_the_borders_of_pixels():
    image = np.full((200, 500), 200, np.uint8)
    image[90:100, 100:400] = 20  # centres 100 to 399: from 99.5 to 399.5
    found = find_bar(image)
    np.testing.assert_allclose((found.from_px, found.to_px), ((99.5, 94.5), (399.5, 94.5)), atol=0.02)
    assert found.length_px == pytest.approx(300, abs=0.03)


@pytest.mark.parametrize(("blur", "noise"), [(0.0, 0.0), (1.5, 0.02), (3.0, 0.01), (1.0, 0.04)])
def test_blur_and_noise(blur, noise):
    bar = DrawnBar(x=595.3, y=330.7, length=500.0, width=14.0, angle_deg=92, grey=0.95)
    assert_found(scene(bars=[bar], blur=blur, noise=noise), bar)


@pytest.mark.parametrize("width", [2.5, 4.0, 30.0, 60.0])
def test_thin_and_thick_bars(width):
    bar = DrawnBar(x=595.3, y=330.7, length=400.0, width=width, angle_deg=88, grey=0.95)
    assert_found(scene(bars=[bar]), bar)


def test_end_strokes_are_measured_to_their_outer_faces():
    bar = DrawnBar(x=595.3, y=330.7, length=400.0, width=12.0, angle_deg=91, grey=0.95, ticks=True)
    assert_found(scene(bars=[bar]), bar)


def test_a_label_beside_the_bar():
    rng = np.random.default_rng(3)
    image = background((640, 800), "paper", rng)
    bar = DrawnBar(x=450.3, y=330.7, length=400.0, width=12.0, angle_deg=2, grey=0.1)
    draw_bar(image, bar)
    draw_label(image, 400, 370, 30, 0.1, rng)
    assert_found(expose(image, rng=rng), bar)


@pytest.mark.parametrize("margin", [14.0, 25.0, 60.0])
def test_a_bar_printed_on_a_card_is_not_the_margin_of_the_card(margin):
    image = background((640, 800), "cloth", np.random.default_rng(3))
    bar = DrawnBar(x=600.3, y=330.7, length=300.0, width=20.0, angle_deg=92, grey=0.1)
    draw_rectangle(image, bar.x, bar.y, bar.length + 2 * margin, bar.width + 2 * margin, bar.angle_deg, 0.85)
    draw_bar(image, bar)
    assert_found(expose(image), bar)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(("ground", "grey"), [(0.02, 0.8), (0.8, 0.02)])
def test_colours_are_measured_in_linear_light(ground, grey, dtype):
    full_scale = np.iinfo(dtype).max
    light = np.full((200, 500), ground)
    bar = DrawnBar(x=250.2, y=100.4, length=300.6, width=20.0, angle_deg=1, grey=grey)
    draw_bar(light, bar)
    light = ndimage.gaussian_filter(light, 2.0)
    linear = 12.92 * light
    encoded = np.where(light <= 0.0031308, linear, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    colours = np.rint(np.repeat(encoded[:, :, None], 3, axis=2) * full_scale).astype(dtype)
    assert_found(colours, bar, frac=5e-4, end_px=0.15)


def test_colours_and_origin():
    bar = DrawnBar(x=595.3, y=330.7, length=400.0, width=12.0, angle_deg=90, grey=0.05)
    encoded = (scene("paper", [bar]) / 65535) ** (1 / 2.2)
    colours = np.rint(encoded[:, :, None] * (65535, 50000, 30000)).astype(np.uint16)
    found = find_bar(colours, origin_px=(1000, 2000))
    np.testing.assert_allclose(np.subtract((found.from_px, found.to_px), (1000, 2000)), bar.ends, atol=0.3)


def test_a_bar_too_thin_for_the_overview_alone_is_measured_on_the_pixels():
    bar = DrawnBar(x=1300.3, y=350.7, length=500.0, width=5.0, angle_deg=88, grey=0.95)
    picture = scene(bars=[bar], shape=(700, 1700))
    assert_found(picture, bar)


@settings(deadline=None, max_examples=15)
@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(-10, 10), st.booleans(), st.floats(100, 200))
def test_anywhere_within_a_pixel_and_turned(dx, dy, tilt, upright, length):
    image = np.full((260, 260), 0.9)
    bar = DrawnBar(x=130 + dx, y=130 + dy, length=length, width=9.0, angle_deg=tilt + 90 * upright, grey=0.1)
    draw_bar(image, bar)
    assert_found(expose(image, blur=0.7, noise=0.005), bar, end_px=0.25)


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_turning_the_picture_turns_the_bar(turn):
    bar = DrawnBar(x=595.3, y=330.7, length=250.4, width=12.3, angle_deg=94, grey=0.95)
    assert find_bar(np.rot90(scene(bars=[bar]), turn)).length_px == pytest.approx(250.4, abs=0.3)


@pytest.mark.parametrize("seed", range(500, 508))
def test_scenes_drawn_at_random(seed):
    picture, bar = random_scene(seed, largest=1400)
    found = find_bar(picture)
    assert found.length_px == pytest.approx(bar.length, rel=0.002, abs=0.5)


# ----------------------------------------------------------------------------- what is not a bar


@pytest.mark.parametrize("kind", ["cassette", "open beam", "paper", "cloth"])
def test_slab_and_standards_alone_have_no_bar(kind):
    with pytest.raises(ScaleError, match=r"scale\.bar: .*give its ends: scale\.bar = \{ from_px = \[x, y\], to_px"):
        find_bar(scene(kind))


@pytest.mark.parametrize("seed", range(600, 604))
def test_scenes_without_a_bar(seed):
    picture, _ = random_scene(seed, with_bar=False, largest=1400)
    with pytest.raises(ScaleError, match="give its ends"):
        find_bar(picture)


def test_a_core_is_not_a_bar():
    rng = np.random.default_rng(5)
    image = background((900, 450), "cassette", rng)
    draw_slab(image, (150, 45, 300, 855), 0.5, rng, core=True, swing=0.05, texture=0.02)
    with pytest.raises(ScaleError, match="give its ends"):
        find_bar(expose(image, rng=rng))


def test_a_strip_along_the_border_is_not_a_bar():
    image = np.full((400, 600), 0.9)
    image[:, 580:] = 0.05
    image[390:, :] = 0.05
    with pytest.raises(ScaleError, match="give its ends"):
        find_bar(expose(image))


def test_joined_steps_are_not_a_bar():
    image = np.full((600, 800), 0.9)
    draw_steps(image, 400, 100, 60, np.linspace(0.8, 0.1, 7))
    with pytest.raises(ScaleError, match="give its ends"):
        find_bar(expose(image))


def test_two_alike_are_left_to_a_person():
    bars = [DrawnBar(x=x, y=330.0, length=300.0, width=10.0, angle_deg=90, grey=0.95) for x in (540, 640)]
    with pytest.raises(ScaleError, match=r"2 places in the image look like a scale bar, among them \[\d+, \d+\] and .*give its ends"):
        find_bar(scene(bars=bars))


def test_a_chequered_bar_is_left_to_a_person():
    image = np.full((400, 700), 0.5)
    for i in range(5):
        draw_rectangle(image, 200 + 70 * i, 200, 70, 14, 0, (0.05, 0.95)[i % 2])
    with pytest.raises(ScaleError, match=r"places in the image look like a scale bar|too unclear"):
        find_bar(expose(image))


@pytest.mark.parametrize("values", [np.zeros((300, 300)), np.full((300, 300), np.nan), np.zeros((5, 5)),
                                    np.zeros((3, 900)), np.random.default_rng(0).random((300, 300))])
def test_pictures_of_nothing(values):
    with pytest.raises(ScaleError, match=r"no scale bar was found|too unclear"):
        find_bar(values)


def test_an_unclear_bar_names_its_place():
    image = np.full((600, 700), 0.9)
    draw_rectangle(image, 250, 150, 200, 60, 0, 0.1)  # too stout to be sure of
    message = r"the most likely scale bar in the image, at \[15\d, 150\], is too unclear \(confidence 0\.\d+\)"
    with pytest.raises(ScaleError, match=message):
        find_bar(expose(image))


@pytest.mark.skipif("BANDKIT_REAL_DATA" not in os.environ, reason="needs photographs that are not shipped")
def test_rulers_are_not_taken_for_bars():
    from PIL import Image

    files = sorted((Path(os.environ["BANDKIT_REAL_DATA"]) / "coral-skeleton-photos-with-rulers").glob("*.png"))
    assert files
    for file in files:
        with Image.open(file) as image, pytest.raises(ScaleError, match="give its ends"):
            find_bar(np.asarray(image))


def test_the_strokes_of_a_label_in_a_box_are_no_bar():
    rng = np.random.default_rng(3)
    picture = np.full((400, 600), 0.9)
    draw_rectangle(picture, 200.0, 150.0, 30.0, 5.0, 0.0, 0.1)
    draw_rectangle(picture, 320.0, 160.0, 20.0, 4.0, 90.0, 0.1)
    picture = expose(picture, rng=rng)
    with pytest.raises(ScaleError, match=r"scale\.bar\.within_px: "):
        find_bar_within((60.0, 60.0, 480.0, 260.0), size_px=(600, 400), overview=None,
                        read=lambda x0, y0, x1, y1: picture[y0:y1, x0:x1])


def bar_with_thin_strokes(width, stroke, blur, *, length=500.3, fine=5):
    """A narrow bar with thin, tall end strokes, as one area of ink; then the lens."""
    y, x = (axis.astype(np.float32) for axis in np.mgrid[0 : 100 * fine, 0 : 620 * fine])
    x, y = (x + 0.5) / fine - 0.5 - 310.2, (y + 0.5) / fine - 0.5 - 50.1
    u, v = x + 0.02 * y, y - 0.02 * x
    ink = (np.abs(u) <= length / 2) & ((np.abs(v) <= width / 2) | ((np.abs(u) >= length / 2 - stroke) & (np.abs(v) <= 12)))
    picture = 0.1 + 0.8 * ink.reshape(100, fine, 620, fine).mean(axis=(1, 3))
    return ndimage.gaussian_filter(picture, blur) + np.random.default_rng(1).normal(0, 0.005, picture.shape)


@pytest.mark.parametrize(("width", "stroke", "blur", "within_px"), [
    (3, 3.0, 1.2, 0.5), (4, 1.5, 1.2, 0.3), (4, 3.0, 2.0, 0.8), (6, 3.0, 2.0, 0.6), (10, 3.0, 2.0, 0.3)])
def test_blur_and_thin_end_strokes_do_not_lengthen_a_bar(width, stroke, blur, within_px):
    found = find_bar(bar_with_thin_strokes(width, stroke, blur))
    assert found.length_px == pytest.approx(500.3, abs=within_px)
    assert abs(found.length_px - 500.3) < 3 * found.sd_px
