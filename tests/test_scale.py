"""Millimetres per pixel from what a record says."""

import re
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scale_scenes import DrawnBar, Picture, background, draw_bar, draw_rectangle, draw_slab, draw_steps, expose

from bandkit.errors import ScaleError
from bandkit.record import BarSpec, ScaleSpec
from bandkit.scale import magnification, resolve_scale, scale_from_bar, scale_from_numbers, scale_from_tags

coordinate = st.floats(-1e4, 1e4)


def resolve(spec, picture=None, *, kind="photograph", resolution_mm_px=None, size_px=None):
    picture = picture or Picture(np.zeros((500, 600), np.uint8))
    return resolve_scale(spec, kind=kind, resolution_mm_px=resolution_mm_px, size_px=size_px or picture.size_px,
                         read=picture.read, overview=picture.overview)


def codes(scale):
    return [flag.code for flag in scale.flags]


def picture_with(bar, shape=(600, 800)):
    image = background(shape, "paper", np.random.default_rng(1))
    draw_bar(image, bar)
    return Picture(expose(image, rng=np.random.default_rng(2)))


# ------------------------------------------------------------------------------------- the parts


def test_bar_of_500_px_and_50_mm_is_a_tenth_of_a_millimetre_per_pixel():
    scale = scale_from_bar((980, 230), (980, 730), 50.0)
    assert scale.mm_per_px == (0.1, 0.1)
    assert scale.mean_mm_px == 0.1
    assert scale.source == "bar"
    assert scale.bar_px == ((980, 230), (980, 730))
    assert scale.magnification == 1.0
    assert scale.flags == ()


def test_a_slanting_bar_is_measured_along_itself():
    assert scale_from_bar((0, 0), (30, 40), 5.0).x_mm_px == pytest.approx(0.1)


def test_end_error_of_a_bar_is_the_root_of_two_ends():
    assert scale_from_bar((0, 0), (100, 0), 10.0, end_sd_px=1.0).sd_frac == pytest.approx(np.sqrt(2) / 100)


def test_a_stated_error_is_kept():
    assert scale_from_bar((0, 0), (100, 0), 10.0, sd_frac=0.003).sd_frac == 0.003
    assert scale_from_numbers(0.1, sd_frac=0.003).sd_frac == 0.003
    assert scale_from_tags((0.1, 0.1), sd_frac=0.003).sd_frac == 0.003


@settings(deadline=None)
@given(coordinate, coordinate, st.floats(2, 1e4), st.floats(0, 2 * np.pi), st.floats(0.1, 1e3))
def test_scale_times_length_in_pixels_is_the_bar(x, y, length_px, angle, length_mm):
    end = x + length_px * np.cos(angle), y + length_px * np.sin(angle)
    scale = scale_from_bar((x, y), end, length_mm)
    assert scale.mean_mm_px * length_px == pytest.approx(length_mm, rel=1e-6)
    swapped = scale_from_bar(end, (x, y), length_mm)
    assert swapped.mm_per_px == pytest.approx(scale.mm_per_px)


@pytest.mark.parametrize("length_mm", [0.0, -5.0, np.nan, np.inf])
def test_bar_length_must_be_positive(length_mm):
    with pytest.raises(ScaleError, match=r"scale\.bar\.length_mm: must be positive, got .*true length in mm"):
        scale_from_bar((0, 0), (100, 0), length_mm)


@pytest.mark.parametrize("end", [(0, 0), (0.5, 0.5), (np.nan, 0)])
def test_bar_ends_must_lie_apart(end):
    with pytest.raises(ScaleError, match=r"less than a pixel apart; give the bar's two ends"):
        scale_from_bar((0, 0), end, 50.0)


def test_numbers_keep_x_and_y_apart():
    scale = scale_from_numbers(0.1, 0.2)
    assert scale.mm_per_px == (0.1, 0.2)
    assert scale.mean_mm_px == pytest.approx(0.15)
    assert scale.sd_frac == 0.005
    assert scale_from_numbers(0.1).mm_per_px == (0.1, 0.1)


@pytest.mark.parametrize(("x", "y", "name"), [(0.0, 0.1, "x_mm_px"), (0.1, -1.0, "y_mm_px"), (np.inf, 0.1, "x_mm_px")])
def test_numbers_must_be_positive(x, y, name):
    with pytest.raises(ScaleError, match=rf"scale \(mm_per_px\): {name} must be a positive number of millimetres, got"):
        scale_from_numbers(x, y)


@pytest.mark.parametrize("sd_frac", [-0.1, 1.0, np.nan])
def test_error_must_be_a_fraction(sd_frac):
    with pytest.raises(ScaleError, match=r"scale\.sd_frac: must be a fraction .* got"):
        scale_from_numbers(0.1, sd_frac=sd_frac)


def test_tags_are_flagged_with_their_resolution():
    scale = scale_from_tags((25.4 / 600, 25.4 / 600))
    assert scale.x_mm_px == pytest.approx(0.0423333, rel=1e-5)
    assert scale.source == "file"
    assert scale.sd_frac == 0.02
    assert codes(scale) == ["scale-from-file-tags"]
    assert scale.flags[0].detail == "600 dpi"


def test_tags_of_oblong_pixels_keep_x_and_y_apart():
    scale = scale_from_tags((25.4 / 200, 25.4 / 100))
    assert scale.y_mm_px == pytest.approx(2 * scale.x_mm_px)
    assert scale.flags[0].detail == "200 x 100 dpi"


def test_a_resolution_that_programs_make_up_is_named_as_such():
    assert "write when they know none" in scale_from_tags((25.4 / 72, 25.4 / 72)).flags[0].detail


def test_no_tags_is_an_error():
    with pytest.raises(ScaleError, match=r"scale\.source: the image file states no resolution; give scale\.bar or"):
        scale_from_tags(None)


@settings(deadline=None)
@given(st.floats(100, 5000), st.floats(0, 0.9))
def test_magnification_is_at_least_one_and_grows_with_height(source_mm, share):
    assert magnification(source_mm, 0.0) == 1.0
    assert 1.0 <= magnification(source_mm, share * source_mm / 2) <= magnification(source_mm, share * source_mm)


@pytest.mark.parametrize("source_mm", [0.0, -1.0, np.nan, np.inf])
def test_source_distance_must_be_positive(source_mm):
    with pytest.raises(ScaleError, match=r"scale\.source_to_detector_mm: must be positive, got"):
        magnification(source_mm, 5.0)


@pytest.mark.parametrize("slab_mm", [-1.0, 1000.0, 1500.0, np.nan])
def test_slab_must_lie_between_source_and_detector(slab_mm):
    with pytest.raises(ScaleError, match=r"scale\.slab_to_detector_mm: must be from 0 up to .*\(1000\), got"):
        magnification(1000.0, slab_mm)


# ------------------------------------------------------------------------------------ the record


def test_given_ends_are_used_without_reading_the_picture():
    picture = Picture(np.zeros((50, 60), np.uint8))
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=5.0, from_px=(0, 0), to_px=(50, 0))), picture)
    assert scale.x_mm_px == 0.1
    assert picture.pixels_read == 0


def test_bar_is_found_anywhere():
    bar = DrawnBar(x=500.3, y=300.6, length=400.4, width=14, angle_deg=3, grey=0.1)
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=40.04)), picture_with(bar))
    assert scale.mean_mm_px == pytest.approx(0.1, rel=1e-3)
    assert scale.source == "bar found"
    assert codes(scale) == ["scale-bar-found"]
    assert scale.flags[0].detail.startswith("400.")
    assert 0 < scale.sd_frac < 0.001
    np.testing.assert_allclose(scale.bar_px, bar.ends, atol=0.3)


def test_bar_is_found_in_a_box_beside_a_likelier_one():
    picture = picture_with(DrawnBar(x=350, y=200, length=500, width=15, grey=0.1))
    image = picture.values / 65535
    bar = DrawnBar(x=600, y=500, length=200.5, width=8, grey=0.1)
    draw_bar(image, bar)
    picture = Picture(image)
    spec = ScaleSpec(bar=BarSpec(length_mm=20.05, within_px=(480, 460, 720, 540)))
    scale = resolve(spec, picture)
    assert scale.mean_mm_px == pytest.approx(0.1, rel=2e-3)
    assert picture.pixels_read < 0.7 * picture.values.size


def test_a_tight_box_is_enough():
    bar = DrawnBar(x=500, y=300, length=400.4, width=14, grey=0.1)
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=40.04, within_px=(298, 292, 702, 308))), picture_with(bar))
    assert scale.mean_mm_px == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize("margins", [(4, 4, 4, 4), (10, 10, 10, 10), (30, 30, 30, 30), (100, 100, 100, 100),
                                     (4, 60, 90, 5), (70, 4, 4, 50)])
@pytest.mark.parametrize(("kind", "grey"), [("cassette", 0.95), ("paper", 0.1)])
@pytest.mark.parametrize("angle_deg", [90.7, 97, 2])
def test_a_box_may_lie_close_to_the_bar_on_any_side(kind, grey, angle_deg, margins):
    image = background((900, 900), kind, np.random.default_rng(1))
    bar = DrawnBar(x=450.3, y=440.6, length=500.4, width=20, angle_deg=angle_deg, grey=grey)
    draw_bar(image, bar)
    a = np.radians(angle_deg)
    half_x, half_y = np.abs((250.2 * np.cos(a), 250.2 * np.sin(a))) + np.abs((10 * np.sin(a), 10 * np.cos(a)))
    left, top, right, bottom = margins
    box = (bar.x - half_x - left, bar.y - half_y - top, bar.x + half_x + right, bar.y + half_y + bottom)
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=50.04, within_px=box)), Picture(expose(image)))
    assert scale.mean_mm_px == pytest.approx(0.1, rel=5e-4)
    assert codes(scale) == ["scale-bar-found"]


@pytest.mark.parametrize("box", [(50, 100, 130, 300), (150, 60, 190, 560), (0, 0, 40, 600), (640, 20, 700, 300)])
def test_a_box_without_a_bar_finds_none_even_beside_one(box):
    rng = np.random.default_rng(4)
    image = background((640, 800), "cassette", rng)
    draw_slab(image, (56, 38, 440, 600), 0.5, rng)
    draw_steps(image, 670, 40, 36, np.linspace(0.15, 0.7, 6))
    draw_bar(image, DrawnBar(x=560, y=330, length=400, width=14, angle_deg=90, grey=0.95))
    place = re.escape(str(list(box)))
    with pytest.raises(ScaleError, match=rf"^scale\.bar\.within_px: .* in the box {place}.*give its ends"):
        resolve(ScaleSpec(bar=BarSpec(length_mm=40.0, within_px=box)), Picture(expose(image)))


def test_thin_end_strokes_that_blur_mixes_with_the_shaft_are_doubtful():
    image = background((400, 640), "cassette", np.random.default_rng(1))
    bar = DrawnBar(x=320.3, y=200.4, length=200.3, width=3, angle_deg=3, grey=0.95)
    draw_rectangle(image, bar.x, bar.y, bar.length - 2, bar.width, bar.angle_deg, bar.grey)
    for end, sign in zip(bar.ends, (1, -1), strict=True):
        a = np.radians(bar.angle_deg)
        draw_rectangle(image, end[0] + sign * np.cos(a), end[1] + sign * np.sin(a), 2, 12, bar.angle_deg, bar.grey)
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=20.03)), Picture(expose(image, blur=1.0, noise=0.005)))
    assert codes(scale) == ["scale-bar-found", "scale-bar-doubtful"]
    assert scale.flags[1].detail.startswith("its ends are unclear: length 20")
    assert abs(scale.mean_mm_px / 0.1 - 1) < 2 * scale.sd_frac


def test_a_box_that_cuts_the_bar_is_an_error():
    picture = picture_with(DrawnBar(x=500, y=300, length=400, width=14, grey=0.1))
    spec = ScaleSpec(bar=BarSpec(length_mm=40.0, within_px=(320, 150, 780, 450)))
    with pytest.raises(ScaleError, match=r"within_px: the bar runs out of the box .*draw the box larger, or give its ends"):
        resolve(spec, picture)


def test_an_empty_box_is_an_error():
    spec = ScaleSpec(bar=BarSpec(length_mm=40.0, within_px=(5000, 10, 5100, 50)))
    with pytest.raises(ScaleError, match=r"scale\.bar\.within_px: the box .* outside the image of 600 x 500 px"):
        resolve(spec)


def test_a_large_picture_is_searched_on_its_overview():
    bar = DrawnBar(x=1400.2, y=420.7, length=400.4, width=14, angle_deg=86, grey=0.1)
    picture = picture_with(bar, shape=(800, 1801))
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=40.04)), picture)
    np.testing.assert_allclose(scale.bar_px, bar.ends, atol=0.3)
    assert picture.pixels_read < 0.1 * picture.values.size
    boxed = resolve(ScaleSpec(bar=BarSpec(length_mm=40.04, within_px=(100, 60, 1790, 780))), picture)
    np.testing.assert_allclose(boxed.bar_px, scale.bar_px, atol=0.05)


def test_a_doubtful_bar_is_flagged():
    bar = DrawnBar(x=450, y=350, length=200, width=50, grey=0.1)  # stout: aspect 4
    scale = resolve(ScaleSpec(bar=BarSpec(length_mm=30.0)), picture_with(bar))
    assert codes(scale) == ["scale-bar-found", "scale-bar-doubtful"]
    assert scale.flags[1].detail.startswith("confidence 0.")


def test_a_bar_that_is_not_there_is_an_error():
    picture = Picture(expose(background((400, 500), "paper", np.random.default_rng(1))))
    with pytest.raises(ScaleError, match=r"no scale bar was found in the image; give its ends: scale\.bar = \{ from_px"):
        resolve(ScaleSpec(bar=BarSpec(length_mm=50.0)), picture)


def test_oblong_pixels_cannot_come_from_one_bar():
    spec = ScaleSpec(bar=BarSpec(length_mm=5.0, from_px=(0, 0), to_px=(50, 0)))
    assert codes(resolve(spec, resolution_mm_px=(0.1, 0.2))) == ["scale-one-direction"]
    assert codes(resolve(spec, resolution_mm_px=(0.1, 0.1))) == []


def test_numbers_and_tags_of_a_record():
    assert resolve(ScaleSpec(mm_per_px=(0.1, 0.2), sd_frac=0.001)).mm_per_px == (0.1, 0.2)
    assert resolve(ScaleSpec(from_file=True), resolution_mm_px=(0.1, 0.2)).mm_per_px == (0.1, 0.2)


def test_nothing_given_is_an_error():
    with pytest.raises(ScaleError, match=r"scale: nothing is given; give one of scale\.bar, scale\.ruler, scale\.mm_per_px or"):
        resolve(ScaleSpec())


def test_lengths_in_a_radiograph_are_divided_by_the_magnification():
    spec = ScaleSpec(mm_per_px=(0.1, 0.2), source_to_detector_mm=1000.0, slab_to_detector_mm=200.0)
    scale = resolve(spec, kind="radiograph")
    assert scale.magnification == pytest.approx(1.25)
    assert scale.mm_per_px == pytest.approx((0.08, 0.16))
    assert codes(scale) == []


def test_a_radiograph_without_distances_is_flagged_unless_a_bar_lies_in_it():
    scale = resolve(ScaleSpec(mm_per_px=(0.1, 0.1)), kind="radiograph")
    assert codes(scale) == ["scale-no-magnification"]
    assert scale.sd_frac == 0.02
    assert resolve(ScaleSpec(mm_per_px=(0.1, 0.1), sd_frac=0.001), kind="radiograph").sd_frac == 0.001
    bar = BarSpec(length_mm=5.0, from_px=(0, 0), to_px=(50, 0))
    assert codes(resolve(ScaleSpec(bar=bar), kind="radiograph")) == []
    assert codes(resolve(ScaleSpec(mm_per_px=(0.1, 0.1)), kind="photograph")) == []


@pytest.mark.parametrize(("given_key", "missing"), [("source_to_detector_mm", "slab_to_detector_mm"),
                                                    ("slab_to_detector_mm", "source_to_detector_mm")])
def test_one_distance_alone_is_an_error(given_key, missing):
    spec = ScaleSpec(mm_per_px=(0.1, 0.1), **{given_key: 100.0})
    with pytest.raises(ScaleError, match=rf"scale\.{given_key}: is of no use without scale\.{missing}; give both"):
        resolve(spec, kind="radiograph")


def test_distances_of_a_photograph_are_an_error():
    spec = ScaleSpec(mm_per_px=(0.1, 0.1), source_to_detector_mm=1000.0, slab_to_detector_mm=5.0)
    with pytest.raises(ScaleError, match=r"image\.kind is 'photograph', and only a radiograph is magnified"):
        resolve(spec)


def test_a_given_scale_needs_no_image_processing_library():
    code = "import sys, bandkit.scale; assert not {'scipy.ndimage', 'skimage', 'scipy.signal'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize(("mm_px", "flagged"), [(0.1, False), (1.0, True), (0.005, True), (0.3, False)])
def test_a_scale_that_is_far_off_is_flagged_with_the_size_of_the_picture(mm_px, flagged):
    # A plate of 120 x 300 mm at 0.1 mm per pixel.
    scale = resolve(ScaleSpec(mm_per_px=(mm_px, mm_px)), size_px=(1200, 3000))
    assert codes(scale) == (["scale-unusual"] if flagged else [])
    if flagged:
        assert scale.flags[0].detail == f"{1200 * mm_px:.0f} x {3000 * mm_px:.0f} mm"


@pytest.mark.parametrize("mm_px", [1e-9, 100.0, 1e9])
def test_a_scale_in_another_unit_is_refused(mm_px):
    with pytest.raises(ScaleError, match=r"scale: .* mm per pixel is no picture of a slab; check the number and its unit"
                       ) as caught:
        resolve(ScaleSpec(mm_per_px=(mm_px, mm_px)), size_px=(1200, 3000))
    assert caught.value.reason == "impossible-scale"
