"""From grey or colour to the signal that carries the bands: exact numbers on small arrays."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandkit.carrier import (
    BoxPixels,
    Brightness,
    Luminescence,
    Radiography,
    brightness_of,
    calibrate_standards,
    guess_dense,
    model_beam,
    patch_of,
    standard_areal_g_cm2,
)
from bandkit.density import even_beam, mass_attenuation_cm2_g, measure_patch
from bandkit.errors import CalibrationError
from bandkit.record import DensitySpec, StandardSpec

SIZE = (400, 300)
FULL = 65535.0
NOWHERE = np.zeros((2, 2))


def radiography(dense="dark", values="intensity", *, open_beam=50000.0, calibration=None):
    return Radiography(dense=dense, values=values, full_scale=FULL, calibration=calibration, flags=(),
                       beam=even_beam(open_beam, shape=SIZE[::-1], known=True))


# ---- radiographs ----

def test_attenuation_is_the_logarithm_of_beam_over_intensity():
    grey = 50000.0 * np.exp([[0.0, 0.25], [0.5, 1.0]])**-1
    signal = radiography().signal(grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, [[0.0, 0.25], [0.5, 1.0]], atol=1e-12)


def test_polarity_does_not_matter():
    grey = np.array([[50000.0, 30000.0], [20000.0, 10000.0]])
    dark = radiography("dark").signal(grey, NOWHERE, NOWHERE)
    bright = radiography("bright").signal(FULL - grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(bright, dark, atol=1e-12)


@given(st.floats(0.2, 1.3))
def test_exposure_does_not_matter(factor):
    grey = np.array([[50000.0, 30000.0], [20000.0, 10000.0]])
    plain = radiography().signal(grey, NOWHERE, NOWHERE)
    other = radiography(open_beam=50000.0 * factor).signal(factor * grey, NOWHERE, NOWHERE)
    np.testing.assert_allclose(other, plain, atol=1e-12)


def test_nothing_arriving_is_a_large_number_and_unknown_stays_unknown():
    signal = radiography().signal(np.array([[0.0, np.nan]]), NOWHERE[:1], NOWHERE[:1])
    assert signal[0, 0] == pytest.approx(np.log(1e5))
    assert np.isnan(signal[0, 1])


def test_uneven_beam_is_taken_out():
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    fall = np.exp(-0.0005 * x - 0.0003 * y)
    beam = model_beam(40000.0 * fall, 1.0, (), size_px=SIZE, exclude_px=(), values="intensity")
    carrier = Radiography(dense="dark", values="intensity", full_scale=FULL, calibration=None, flags=(), beam=beam)
    signal = carrier.signal(40000.0 * fall * np.exp(-0.7), x, y)
    np.testing.assert_allclose(signal, 0.7, atol=0.005)


def test_presence_of_a_radiograph_is_its_signal():
    signal = np.array([[0.0, 1.0]])
    assert radiography().presence(np.zeros((1, 2)), signal) is signal


def test_what_a_radiograph_says_of_itself():
    assert radiography().unit == "attenuation (natural logarithm)"
    assert any("no density was derived" in sentence for sentence in radiography().methods)


# ---- standards ----

MU = float(mass_attenuation_cm2_g("calcium carbonate", 40.0))


def standards(*thicknesses_mm, material="aragonite", density=2.93):
    return tuple(StandardSpec(box_px=(10.0 + 30 * k, 10.0, 30.0 + 30 * k, 30.0), material=material, thickness_mm=t,
                              density_g_cm3=density) for k, t in enumerate(thicknesses_mm))


def patches(specs, beam=50000.0, mu=MU, offset=0.0):
    return [measure_patch(np.full((20, 20), offset + beam * np.exp(-mu * s.thickness_mm * s.density_g_cm3 / 10)))
            for s in specs]


def spec_of(specs, kev=40.0):
    return DensitySpec(slab_thickness_mm=6.5, standards=specs, effective_kev=kev)


def test_three_steps_give_mass_per_area():
    specs = standards(1.0, 3.0, 5.0)
    beam = even_beam(50000.0, shape=SIZE[::-1], known=True)
    curve = calibrate_standards(spec_of(specs), patches(specs), beam, "intensity")
    carrier = radiography(calibration=curve)
    areal = np.array([[0.3, 0.6], [0.9, 1.4]])
    signal = carrier.signal(50000.0 * np.exp(-MU * areal), NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, areal, rtol=0.01)
    assert carrier.unit == "mass per area (g/cm2)"
    assert any("3 standards" in sentence for sentence in carrier.methods)
    assert curve.standards.labels == ("aragonite 1 mm", "aragonite 3 mm", "aragonite 5 mm")


def test_constant_offset_is_absorbed_by_the_standards():
    specs = standards(1.0, 2.0, 4.0, 6.0, 8.0)
    beam = even_beam(52000.0, shape=SIZE[::-1], known=True)
    curve = calibrate_standards(spec_of(specs), patches(specs, offset=2000.0), beam, "intensity")
    areal = np.array([[0.4, 0.8], [1.2, 2.0]])
    signal = radiography(calibration=curve, open_beam=52000.0).signal(2000.0 + 50000.0 * np.exp(-MU * areal), NOWHERE, NOWHERE)
    np.testing.assert_allclose(signal, areal, rtol=0.02)


def test_mass_of_a_carbonate_standard_is_thickness_times_density():
    assert standard_areal_g_cm2(standards(4.0)[0], None) == pytest.approx(0.4 * 2.93)
    own = StandardSpec(box_px=(0, 0, 9, 9), material="aragonite", thickness_mm=4.0, density_g_cm3=None)
    assert standard_areal_g_cm2(own, None) == pytest.approx(0.4 * 2.93)


def test_aluminium_standard_counts_as_the_carbonate_that_attenuates_as_much():
    wedge = StandardSpec(box_px=(0, 0, 9, 9), material="aluminium", thickness_mm=10.0, density_g_cm3=2.70)
    al = float(mass_attenuation_cm2_g("aluminium", 40.0))
    assert standard_areal_g_cm2(wedge, 40.0) == pytest.approx(2.70 * al / MU)
    with pytest.raises(CalibrationError, match="effective_kev"):
        standard_areal_g_cm2(wedge, None)


def test_patch_is_the_mean_intensity_of_its_box():
    grey = np.array([[100, 200], [300, 400]], dtype=np.uint16)
    box = BoxPixels(box_px=(5.0, 5.0, 7.0, 7.0), grey=grey, x0_px=5, y0_px=5)
    assert patch_of(box, dense="dark", values="intensity", full_scale=FULL).intensity == pytest.approx(250.0)
    assert patch_of(box, dense="bright", values="intensity", full_scale=FULL).intensity == pytest.approx(FULL - 250.0)


def test_patch_without_numbers_is_refused():
    box = BoxPixels(box_px=(5.0, 5.0, 7.0, 7.0), grey=np.full((2, 2), np.nan), x0_px=5, y0_px=5)
    with pytest.raises(CalibrationError, match=r"density\.standards: box_px = \[5\.0, 5\.0, 7\.0, 7\.0\] holds no numbers; move it"):
        patch_of(box, dense="dark", values="intensity", full_scale=FULL)


# ---- beam ----

def test_beam_from_marked_patches():
    rng = np.random.default_rng(0)
    marked = []
    for x0, y0 in ((0, 0), (360, 0), (0, 260), (360, 260), (180, 0), (180, 260)):
        box = BoxPixels(box_px=(x0, y0, x0 + 40.0, y0 + 40.0), grey=np.zeros((40, 40)), x0_px=x0, y0_px=y0)
        x = x0 + np.arange(40.0)[None, :]
        marked.append((box, 30000.0 * np.exp(-0.001 * x) * (1 + 0.001 * rng.normal(size=(40, 40)))))
    # The reduced image shows something else altogether: marked patches win.
    beam = model_beam(np.full((30, 40), 100.0), 10.0, marked, size_px=SIZE, exclude_px=(), values="intensity")
    x, y = np.array([20.0, 200.0, 380.0]), np.array([150.0, 20.0, 280.0])
    np.testing.assert_allclose(beam.log_intensity(x, y), np.log(30000.0) - 0.001 * x, atol=0.01)


def test_scan_has_no_beam_to_flatten():
    beam = model_beam(np.full((30, 40), 7.0), 10.0, (), size_px=SIZE, exclude_px=(), values="hounsfield")
    np.testing.assert_allclose(beam.log_intensity(np.array([3.0, 300.0]), np.array([2.0, 200.0])), 0.0)


def test_slab_that_fills_the_picture_leaves_an_even_beam():
    rng = np.random.default_rng(1)
    intensity = 1000.0 * np.exp(-rng.uniform(0.2, 0.9, (60, 80)))
    beam = model_beam(intensity, 5.0, (), size_px=SIZE, exclude_px=(), values="intensity")
    level = beam.log_intensity(np.array([3.0, 300.0]), np.array([2.0, 200.0]))
    np.testing.assert_allclose(level, np.log(np.quantile(intensity, 0.999)))


# ---- polarity ----

def track_picture(outside, inside):
    """Beam above row 30, slab below, and a track down the middle."""
    picture = np.full((100, 60), float(outside))
    picture[30:] = inside
    return picture


@pytest.mark.parametrize(("outside", "inside", "dense"), [(200, 90, "dark"), (20, 150, "bright")])
@pytest.mark.parametrize("step_px", [1, 4])
def test_polarity_from_the_way_in(outside, inside, dense, step_px):
    track = [(30.0 * step_px, 5.0 * step_px), (30.0 * step_px, 95.0 * step_px)]
    assert guess_dense(track_picture(outside, inside), step_px, [track]) == dense


@pytest.mark.parametrize(("outside", "odd", "dense"), [(200, 10, "dark"), (10, 200, "bright")])
def test_polarity_by_most_tracks(outside, odd, dense):
    # One of three begins on a label.
    picture = track_picture(outside, 90)
    picture[:30, 50:] = odd
    tracks = [[(x, 5.0), (x, 95.0)] for x in (10.0, 20.0, 55.0)]
    assert guess_dense(picture, 1, tracks) == dense


def test_polarity_of_a_bent_track_looks_at_all_of_it():
    picture = track_picture(200, 90)
    assert guess_dense(picture, 1, [[(5.0, 2.0), (30.0, 40.0), (55.0, 95.0)]]) == "dark"


# ---- colour ----

def test_luminescence_is_green_over_blue_in_linear_light():
    # sRGB code 188 is half the light of 255, near enough (IEC 61966-2-1).
    strip = np.full((2, 2, 3), [10.0, 188.0, 255.0])
    carrier = Luminescence(full_scale=255.0)
    np.testing.assert_allclose(carrier.signal(strip, NOWHERE, NOWHERE), 0.5, atol=0.005)
    assert carrier.unit == "luminescence index (green over blue)"
    assert "Grove et al. 2010" in carrier.methods[0]


def test_brightness_is_linear_light():
    strip = np.array([[[255.0] * 3, [188.0] * 3]])
    np.testing.assert_allclose(brightness_of(strip, 255.0), [[1.0, 0.5]], atol=0.005)
    carrier = Brightness(full_scale=255.0)
    signal = carrier.signal(strip, NOWHERE, NOWHERE)
    np.testing.assert_array_equal(signal, brightness_of(strip, 255.0))
    assert carrier.presence(strip, signal) is signal
    assert carrier.methods == ()


def test_brightness_of_greys_is_the_grey():
    grey = np.array([[3.0, np.nan]])
    np.testing.assert_array_equal(brightness_of(grey, 255.0), grey)


def test_presence_under_ultraviolet_light_is_brightness():
    strip = np.array([[[0.0] * 3, [255.0] * 3]])
    presence = Luminescence(full_scale=255.0).presence(strip, np.full((1, 2), 2.0))
    np.testing.assert_allclose(presence, [[0.0, 1.0]])
